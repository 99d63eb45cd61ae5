/* A scheduler's switch of tasks that saves floating-point registers only where they are in use. */
        .syntax unified
        .thumb
        .fpu fpv5-sp-d16

        .section .text.switch_tasks, "ax"
        .global switch_tasks
        .type switch_tasks, %function
        .thumb_func
switch_tasks:
        mrs     r0, psp
        tst     lr, #0x10
        it      eq
        vstmdbeq r0!, {s16-s31}
        stmdb   r0!, {r4-r11, lr}
        ldmia   r0!, {r4-r11, lr}
        tst     lr, #0x10
        bne     1f
        vldmia  r0!, {s16-s31}
1:      msr     psp, r0
        bx      lr
        .size switch_tasks, . - switch_tasks

        .section .text.clear_floats, "ax"
        .global clear_floats
        .type clear_floats, %function
        .thumb_func
clear_floats:
        ldr     r0, =0xE000ED88         @ which coprocessors may be used
        ldr     r0, [r0]
        tst     r0, #0x00F00000
        beq     1f
        vmov    s0, r1
        vmov    s1, r1
1:      bx      lr
        .pool
        .size clear_floats, . - clear_floats

#ifdef UNGUARDED
        .section .text.scaled, "ax"
        .global scaled
        .type scaled, %function
        .thumb_func
scaled:
        tst     lr, #0x10
        it      eq
        moveq   r1, #0
        vmov    s0, r0
        vmul.f32 s0, s0, s0
        vmov    r0, s0
        bx      lr
        .size scaled, . - scaled
#endif
