/* level_of() by way of a table of routines, one of them with an instruction that the core lacks: only the
   table leads there. The object loses its build attributes. */
    .syntax unified
    .thumb
    .arch armv8-m.main
    .fpu fpv5-sp-d16
    .section .text.level_of, "ax"
    .global level_of
    .type level_of, %function
    .thumb_func
level_of:
    and r1, r0, #4
    ldr r2, =routines
    ldr r1, [r2, r1]
    bx r1
    .pool
    .size level_of, . - level_of

    .type coarse, %function
    .thumb_func
coarse:
    asrs r0, r0, #3
    bx lr
    .size coarse, . - coarse

    .type fine, %function
    .thumb_func
fine:
    vmov s0, r0
    bx lr
    .size fine, . - fine

    .section .rodata.routines, "a"
    .align 2
    .type routines, %object
routines:
    .word coarse
    .word fine
    .size routines, . - routines
