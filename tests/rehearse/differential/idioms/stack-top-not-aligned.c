/* Stack tops that are no multiple of four, as from a linker script's "end of RAM - 1": the pointer drops the bits. */
static uint64_t stack[16];
uint32_t *const first_top = (uint32_t *)((uint32_t)&stack[16] - 1);
static volatile uint32_t seen[4];
NAKED uint32_t on_other_stack(uint32_t top)
{
    __asm volatile(
        "push {r4, r5, r6, lr}\n mov r4, sp\n mov r5, #21\n mov sp, r0\n push {r5}\n pop {r6}\n mov r0, sp\n"
        "add r0, r0, r6\n mov sp, r4\n pop {r4, r5, r6, pc}\n");
}
NAKED uint32_t on_loaded_stack(uint32_t *const *top)
{
    __asm volatile(
        "push {r4, r5, r6, lr}\n mov r4, sp\n mov r5, #42\n ldr sp, [r0]\n push {r5}\n pop {r6}\n mov r0, sp\n"
        "add r0, r0, r6\n mov sp, r4\n pop {r4, r5, r6, pc}\n");
}
void scenario(void)
{
    for (uint32_t i = 0; i < 4; i++) {
        seen[i] = on_other_stack((uint32_t)&stack[12] + i) - (uint32_t)stack;
    }
    for (uint32_t i = 0; i < 4; i++) {
        show("top", seen[i]);
    }
    show("loaded", on_loaded_stack(&first_top) - (uint32_t)stack);
}
