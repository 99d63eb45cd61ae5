/* level_of() with one instruction that the core lacks; the object loses its build attributes. */
    .syntax unified
    .thumb
    .arch armv8-m.main
    .fpu fpv5-sp-d16
    .section .text.level_of, "ax"
    .global level_of
    .type level_of, %function
    .thumb_func
level_of:
    asrs r0, r0, #3
    vmov s0, r0
    bx lr
    .size level_of, . - level_of
