@ From release to main on the sampler. Only instructions that Armv6-M has as well.
#include "device.h"

        .syntax unified
        .thumb

        .section .vectors, "a", %progbits
        .global vector_table
        .type   vector_table, %object
vector_table:
        .word   sampler_stack_top
        .word   reset_handler
        .word   unexpected_exception            @ NMI
        .word   unexpected_exception            @ HardFault
#if __ARM_ARCH >= 8
        .word   unexpected_exception            @ MemManage
        .word   unexpected_exception            @ BusFault
        .word   unexpected_exception            @ UsageFault
        .word   unexpected_exception            @ SecureFault
#else
        .word   0, 0, 0, 0
#endif
        .word   0, 0, 0
        .word   unexpected_exception            @ SVCall
#if __ARM_ARCH >= 8
        .word   unexpected_exception            @ DebugMonitor
#else
        .word   0
#endif
        .word   0
        .word   unexpected_exception            @ PendSV
        .word   unexpected_exception            @ SysTick
        .rept   SAMPLER_INTERRUPTS
        .word   unexpected_exception
        .endr
        .size   vector_table, . - vector_table

        .section .text.reset_handler, "ax", %progbits
        .global reset_handler
        .type   reset_handler, %function
        .thumb_func
reset_handler:
        @ Initialised data, unless it is stored where it runs.
        ldr     r0, =data_start
        ldr     r1, =data_end
        ldr     r2, =data_stored
        cmp     r0, r2
        beq     clear
copy:   cmp     r0, r1
        bhs     clear
        ldr     r3, [r2]
        str     r3, [r0]
        adds    r2, #4
        adds    r0, #4
        b       copy

clear:  ldr     r0, =bss_start
        ldr     r1, =bss_end
        movs    r2, #0
clear_word:
        cmp     r0, r1
        bhs     run
        str     r2, [r0]
        adds    r0, #4
        b       clear_word

run:    bl      run_sampler
sleep:  wfi
        b       sleep
        .size   reset_handler, . - reset_handler

        @ Nobody to tell: the station notices that no frames come.
        .section .text.unexpected_exception, "ax", %progbits
        .global unexpected_exception
        .type   unexpected_exception, %function
        .thumb_func
unexpected_exception:
        wfi
        b       unexpected_exception
        .size   unexpected_exception, . - unexpected_exception
