/*
 * The part of the kernel that is the processor's: masks, the first frame, the switch by PendSV.
 *
 * Armv7E-M and Armv8-M Mainline mask by BASEPRI, so that an interrupt of a higher priority is never held back;
 * Armv6-M and Armv8-M Baseline have PRIMASK only. Where there is a float unit the switch keeps s16 to s31 of those
 * tasks whose frame is a float one (EXC_RETURN bit 4), and the processor itself s0 to s15, lazily.
 */
#include "kernel.h"

#define SYST_CSR REGISTER(0xE000E010)
#define SYST_RVR REGISTER(0xE000E014)
#define SYST_CVR REGISTER(0xE000E018)
#define ICSR     REGISTER(0xE000ED04)
#define SHPR2    REGISTER(0xE000ED1C)
#define SHPR3    REGISTER(0xE000ED20)
#define CPACR    REGISTER(0xE000ED88)

#define PENDSV_SET (1u << 28)
#define MASKED_PRIORITY 0x40u
#define LOWEST_PRIORITY 0xE0u

#if defined(__ARM_ARCH_8M_MAIN__) || defined(__ARM_ARCH_7EM__)
#define MAINLINE 1
#else
#define MAINLINE 0
#endif
#if defined(__ARM_ARCH_8M_MAIN__)
#define HAS_STACK_LIMIT 1
#else
#define HAS_STACK_LIMIT 0
#endif
#if defined(__ARM_FP)
#define HAS_FLOAT_UNIT 1
#else
#define HAS_FLOAT_UNIT 0
#endif

void kernel_choose(void);
void kernel_tick(void);
void port_start_timer(void);
void pendsv_handler(void);
void svc_handler(void);
void systick_handler(void);

#define NAKED __attribute__((naked, used, noinline))

#if MAINLINE
uint32_t port_enter(void)
{
    uint32_t before;

    __asm volatile(
        "mrs %0, basepri\n\tmsr basepri, %1\n\tisb 0xF" : "=&r"(before) : "r"(MASKED_PRIORITY) : "memory");
    return before;
}

void port_leave(uint32_t before)
{
    __asm volatile("msr basepri, %0\n\tisb 0xF" ::"r"(before) : "memory");
}
#else
uint32_t port_enter(void)
{
    uint32_t before;

    __asm volatile("mrs %0, primask\n\tcpsid i" : "=r"(before)::"memory");
    return before;
}

void port_leave(uint32_t before)
{
    __asm volatile("msr primask, %0\n\tisb 0xF" ::"r"(before) : "memory");
}
#endif

static void task_returned(void)
{
    kernel_end();
}

/* The frame an exception return takes, below it EXC_RETURN and r4 to r11 (Baseline: r4 to r11 only). */
uint32_t *port_first_frame(uint32_t *top, void (*code)(void))
{
    uint32_t *stack = (uint32_t *)((uintptr_t)top & ~(uintptr_t)7u);

    *--stack = 0x01000000u;
    *--stack = (uint32_t)(uintptr_t)code & ~1u;
    *--stack = (uint32_t)(uintptr_t)task_returned;
    for (uint32_t i = 0; i < 5u; i++) {
        *--stack = 0u;
    }
#if MAINLINE
    *--stack = 0xFFFFFFFDu;
#endif
    for (uint32_t i = 0; i < 8u; i++) {
        *--stack = 0u;
    }
    return stack;
}

void port_switch(void)
{
    ICSR = PENDSV_SET;
    __asm volatile("dsb 0xF\n\tisb 0xF" ::: "memory");
}

void systick_handler(void)
{
    kernel_tick();
}

static uint32_t tick_reload;

/* From the supervisor call that starts the first task: a tick before it would find no process stack. */
__attribute__((used, noinline)) void port_start_timer(void)
{
    SYST_RVR = tick_reload;
    SYST_CVR = 0u;
    SYST_CSR = 7u;
}

void port_start(uint32_t reload)
{
#if HAS_FLOAT_UNIT
    CPACR |= 0xFu << 20;
    __asm volatile("dsb 0xF\n\tisb 0xF" ::: "memory");
#endif
    SHPR2 = 0x00u;
    SHPR3 = LOWEST_PRIORITY << 24 | LOWEST_PRIORITY << 16;
    tick_reload = reload;
    __asm volatile("cpsie i\n\tsvc 0" ::: "memory");
    for (;;) {
    }
}

#if MAINLINE
#if HAS_FLOAT_UNIT
#define KEEP_FLOAT "tst lr, #0x10\n\tit eq\n\tvstmdbeq r0!, {s16-s31}\n\t"
#define TAKE_FLOAT "tst lr, #0x10\n\tit eq\n\tvldmiaeq r0!, {s16-s31}\n\t"
#else
#define KEEP_FLOAT ""
#define TAKE_FLOAT ""
#endif
#if HAS_STACK_LIMIT
#define TAKE_LIMIT "ldr r3, [r2, #4]\n\tmsr psplim, r3\n\t"
#else
#define TAKE_LIMIT ""
#endif

/* The context of kernel_running, onto its stack and into the core. */
#define TAKE_CONTEXT \
    "ldr r1, =kernel_running\n\tldr r2, [r1]\n\tldr r0, [r2]\n\t" TAKE_LIMIT \
    "ldmia r0!, {r4-r11, lr}\n\t" TAKE_FLOAT "msr psp, r0\n\tisb 0xF\n\tbx lr\n\t.ltorg"

NAKED void svc_handler(void)
{
    __asm volatile("bl port_start_timer\n\t" TAKE_CONTEXT);
}

NAKED void pendsv_handler(void)
{
    __asm volatile(
        "mrs r0, psp\n\tisb 0xF\n\t" KEEP_FLOAT
        "stmdb r0!, {r4-r11, lr}\n\t"
        "ldr r1, =kernel_running\n\tldr r2, [r1]\n\tstr r0, [r2]\n\t"
        "mov r0, #0x40\n\tmsr basepri, r0\n\tdsb 0xF\n\tisb 0xF\n\t"
        "bl kernel_choose\n\t"
        "mov r0, #0\n\tmsr basepri, r0\n\t" TAKE_CONTEXT);
}
#else
#define TAKE_CONTEXT \
    "ldr r1, =kernel_running\n\tldr r2, [r1]\n\tldr r0, [r2]\n\t" \
    "adds r0, #16\n\tldmia r0!, {r4-r7}\n\t" \
    "mov r8, r4\n\tmov r9, r5\n\tmov r10, r6\n\tmov r11, r7\n\t" \
    "msr psp, r0\n\tsubs r0, #32\n\tldmia r0!, {r4-r7}\n\t" \
    "ldr r3, =0xFFFFFFFD\n\tbx r3\n\t.ltorg"

NAKED void svc_handler(void)
{
    __asm volatile("bl port_start_timer\n\t" TAKE_CONTEXT);
}

NAKED void pendsv_handler(void)
{
    __asm volatile(
        "mrs r0, psp\n\tsubs r0, #32\n\t"
        "ldr r1, =kernel_running\n\tldr r2, [r1]\n\tstr r0, [r2]\n\t"
        "stmia r0!, {r4-r7}\n\t"
        "mov r4, r8\n\tmov r5, r9\n\tmov r6, r10\n\tmov r7, r11\n\t"
        "stmia r0!, {r4-r7}\n\t"
        "cpsid i\n\tbl kernel_choose\n\tcpsie i\n\t" TAKE_CONTEXT);
}
#endif
