/* level_of() with one instruction that the core lacks; the object loses its build attributes. */
    .syntax unified
    .thumb
    .arch armv8.1-m.main
    .arch_extension mve
    .section .text.level_of, "ax"
    .global level_of
    .type level_of, %function
    .thumb_func
level_of:
    asrs r0, r0, #3
    vadd.i32 q0, q0, q1
    bx lr
    .size level_of, . - level_of
