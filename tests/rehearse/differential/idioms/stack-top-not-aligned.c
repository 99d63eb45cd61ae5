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
/* Pointers that are computed from the old one. */
#define COMPUTED(name, code) \
    NAKED uint32_t name(uint32_t by) \
    { \
        __asm volatile("mov r3, sp\n" code "mov r1, sp\n mov sp, r3\n subs r0, r3, r1\n bx lr\n"); \
    }
COMPUTED(moved, "subs r2, r3, r0\n mov sp, r2\n")
COMPUTED(added, "negs r2, r0\n add sp, r2\n")
COMPUTED(subtracted, "sub.w sp, sp, r0\n")
COMPUTED(shifted, "sub.w sp, sp, r0, lsl #1\n")
COMPUTED(constant, "sub.w sp, sp, #6\n")
COMPUTED(stored, "strb r0, [sp, #-3]!\n")
void scenario(void)
{
    for (uint32_t i = 0; i < 4; i++) {
        seen[i] = on_other_stack((uint32_t)&stack[12] + i) - (uint32_t)stack;
    }
    for (uint32_t i = 0; i < 4; i++) {
        show("top", seen[i]);
    }
    for (uint32_t i = 64; i < 68; i++) {
        show("moved", moved(i));
        show("added", added(i));
        show("subtracted", subtracted(i));
        show("shifted", shifted(i));
        show("constant", constant(i));
        show("stored", stored(i));
    }
    show("loaded", on_loaded_stack(&first_top) - (uint32_t)stack);
}
