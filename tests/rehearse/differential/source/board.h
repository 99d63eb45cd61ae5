/*
 * The two-core Armv8-M board as a start-up program sees it: its registers, and the few helpers that every
 * program of the differential suite uses. Register addresses: Armv8-M Architecture Reference Manual
 * (DDI 0553), "System Control Space"; the board's own by its reference manual, from memory.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
#define REG8(address) (*(volatile uint8_t *)(address))
#define REG16(address) (*(volatile uint16_t *)(address))

#define ICTR REG(0xE000E004)
#define ACTLR REG(0xE000E008)
#define SYST_CSR REG(0xE000E010)
#define SYST_RVR REG(0xE000E014)
#define SYST_CVR REG(0xE000E018)
#define SYST_CALIB REG(0xE000E01C)
#define NVIC_ISER(n) REG(0xE000E100 + 4 * (n))
#define NVIC_ICER(n) REG(0xE000E180 + 4 * (n))
#define NVIC_ISPR(n) REG(0xE000E200 + 4 * (n))
#define NVIC_ICPR(n) REG(0xE000E280 + 4 * (n))
#define NVIC_IABR(n) REG(0xE000E300 + 4 * (n))
#define NVIC_IPR(n) REG8(0xE000E400 + (n))
#define CPUID REG(0xE000ED00)
#define ICSR REG(0xE000ED04)
#define VTOR REG(0xE000ED08)
#define AIRCR REG(0xE000ED0C)
#define SCR REG(0xE000ED10)
#define CCR REG(0xE000ED14)
#define SHPR(n) REG8(0xE000ED14 + (n)) /* n: exception number, 4 to 15 */
#define SHCSR REG(0xE000ED24)
#define CFSR REG(0xE000ED28)
#define HFSR REG(0xE000ED2C)
#define MMFAR REG(0xE000ED34)
#define BFAR REG(0xE000ED38)
#define CPACR REG(0xE000ED88)
#define MPU_TYPE REG(0xE000ED90)
#define MPU_CTRL REG(0xE000ED94)
#define MPU_RNR REG(0xE000ED98)
#define MPU_RBAR REG(0xE000ED9C)
#define MPU_RLAR REG(0xE000EDA0)
#define MPU_MAIR0 REG(0xE000EDC0)
#define STIR REG(0xE000EF00)
#define FPCCR REG(0xE000EF34)
#define FPCAR REG(0xE000EF38)
#define FPDSCR REG(0xE000EF3C)

#define ICSR_NMI_SET (1u << 31)
#define ICSR_PENDSV_SET (1u << 28)
#define ICSR_PENDSV_CLEAR (1u << 27)
#define ICSR_SYSTICK_SET (1u << 26)
#define ICSR_SYSTICK_CLEAR (1u << 25)
#define SHCSR_MEM_ENABLE (1u << 16)
#define SHCSR_BUS_ENABLE (1u << 17)
#define SHCSR_USAGE_ENABLE (1u << 18)
#define CCR_USERSETMPEND (1u << 1)
#define CCR_UNALIGN_TRAP (1u << 3)
#define CCR_DIV_ZERO_TRAP (1u << 4)
#define CCR_BFHFNMIGN (1u << 8)

#include "addresses.h"

#ifdef STATION
#define NAME "station"
#else
#define NAME "sampler"
#endif

/* Each core has a serial port of its own: its data register, and the transmitter switched on. */
#if defined TWO_CORES || (INTERRUPTS == 32 && __ARM_ARCH == 7)
#define SERIAL_DATA REG(SERIAL)
#define SERIAL_BUSY (REG(SERIAL + 4) & 1u)
#define SERIAL_ON (REG(SERIAL + 16) = 16, REG(SERIAL + 8) = 1) /* divider; transmitter on */
#elif INTERRUPTS == 32
#define SERIAL_DATA REG(SERIAL + 0x51C)
#define SERIAL_BUSY 0
#define SERIAL_ON (REG(SERIAL + 0x500) = 4, REG(SERIAL + 8) = 1) /* on; start transmitting */
#else
#define SERIAL_DATA REG(SERIAL + 4)
#define SERIAL_BUSY 0
#define SERIAL_ON (REG(SERIAL + 12) = 0x2008) /* on, with its transmitter */
#endif

#define ERASED (OWN_CODE + CODE_SIZE - 0x100) /* flash that no build stores anything in */
#define UNMAPPED 0x60000000

/* Release of the sampler; a board with one core has registers here that hold what is written, or none. */
#define VECTOR_REGISTER REG(CONTROL)
#define CONTROL_REGISTER REG(CONTROL + 4)

/* Interrupts that only software raises: six of them, from this one on, have handlers irq60_handler to irq65_handler. */
#define FIRST_IRQ (INTERRUPTS == 32 ? 20 : 60)

/* Inter-core interrupts: bits 0 to 3 of one line each way, interrupt 6 on both cores. */
#define DOORBELL 6
#define TO_STATION_PENDING REG(0x50003000)
#define TO_STATION_SET REG(0x50003004)
#define TO_STATION_CLEAR REG(0x50003008)
#define TO_SAMPLER_PENDING REG(0x50003010)
#define TO_SAMPLER_SET REG(0x50003014)
#define TO_SAMPLER_CLEAR REG(0x50003018)
#ifdef STATION
#define RING_PENDING TO_STATION_PENDING
#define RING_CLEAR TO_STATION_CLEAR
#define RING_OTHER TO_SAMPLER_SET
#else
#define RING_PENDING TO_SAMPLER_PENDING
#define RING_CLEAR TO_SAMPLER_CLEAR
#define RING_OTHER TO_STATION_SET
#endif

/* What both cores share; the station clears it before it releases the sampler. */
struct link {
    volatile uint32_t sampler_up;
    volatile uint32_t sampler_done;
    volatile uint32_t word[30];
};
#define LINK ((struct link *)LINK_AREA)

#define DSB() __asm volatile("dsb 0xF" ::: "memory")
#define ISB() __asm volatile("isb 0xF" ::: "memory")
#define DMB() __asm volatile("dmb 0xF" ::: "memory")
#define WFI() __asm volatile("wfi" ::: "memory")
#define WFE() __asm volatile("wfe" ::: "memory")
#define SEV() __asm volatile("sev" ::: "memory")
#define NOP() __asm volatile("nop" ::: "memory")
#define CPSID() __asm volatile("cpsid i" ::: "memory")
#define CPSIE() __asm volatile("cpsie i" ::: "memory")
#define CPSID_F() __asm volatile("cpsid f" ::: "memory")
#define CPSIE_F() __asm volatile("cpsie f" ::: "memory")
#define MSR(name, value) __asm volatile("msr " name ", %0" ::"r"(value) : "memory")
#define MRS(name) \
    ({ \
        uint32_t read_; \
        __asm volatile("mrs %0, " name : "=r"(read_)::"memory"); \
        read_; \
    })
#define SVC(number) __asm volatile("svc " #number ::: "memory")

/* A function that only assembler is written in. */
#define NAKED __attribute__((naked, noinline, used))
#define USED __attribute__((used, noinline))

/* -- text on the serial port, which is the program's own -- */

static inline void put(char character)
{
    while (SERIAL_BUSY) {
    }
    SERIAL_DATA = (uint8_t)character;
}

__attribute__((unused)) static void put_text(const char *text)
{
    while (*text) {
        put(*text++);
    }
}

__attribute__((unused)) static void put_hex(uint32_t number)
{
    for (int shift = 28; shift >= 0; shift -= 4) {
        put("0123456789abcdef"[(number >> shift) & 0xFu]);
    }
}

/* "station: TEXT" */
__attribute__((unused)) static void say(const char *text)
{
    put_text(NAME ": ");
    put_text(text);
    put('\n');
}

/* "station: TEXT 0123abcd" */
__attribute__((unused)) static void show(const char *text, uint32_t number)
{
    put_text(NAME ": ");
    put_text(text);
    put(' ');
    put_hex(number);
    put('\n');
}

/* A trace of single letters: which code ran in which order. Handlers append, `tell_trace` prints. */
extern volatile char trace_letters[64];
extern volatile uint32_t trace_count;

__attribute__((unused)) static void mark(char letter)
{
    uint32_t count = trace_count;

    if (count < sizeof trace_letters - 1) {
        trace_letters[count] = letter;
        trace_count = count + 1;
    }
}

__attribute__((unused)) static void show_trace(void)
{
    trace_letters[trace_count] = 0;
    put_text(NAME ": order ");
    put_text((const char *)trace_letters);
    put('\n');
}

/* -- interrupts -- */

/* Gives an exception, 4 and up, its priority: by words, since Armv6-M takes nothing else there. */
__attribute__((unused)) static void set_priority(uint32_t number, uint32_t priority)
{
    volatile uint32_t *word = &REG((number < 16 ? 0xE000ED14 : 0xE000E3F0) + (number & ~3u));
    uint32_t shift = number % 4 * 8;

    *word = (*word & ~(0xFFu << shift)) | priority << shift;
}

__attribute__((unused)) static void enable_irq(uint32_t number, uint32_t priority)
{
#if __ARM_ARCH == 6
    set_priority(16 + number, priority);
#else
    NVIC_IPR(number) = (uint8_t)priority;
#endif
    NVIC_ISER(number / 32) = 1u << number % 32;
}

__attribute__((unused)) static void pend_irq(uint32_t number)
{
    NVIC_ISPR(number / 32) = 1u << number % 32;
}

__attribute__((unused)) static void start_tick(uint32_t reload)
{
    SYST_RVR = reload;
    SYST_CVR = 0;
    SYST_CSR = 7; /* processor clock, interrupt, enable */
}

__attribute__((unused)) static void stop_tick(void)
{
    SYST_CSR = 0;
}

/* Takes some instructions and is not taken away by a compiler. */
__attribute__((unused)) static void spend(uint32_t rounds)
{
    for (volatile uint32_t i = 0; i < rounds; i++) {
    }
}

/* -- what a program defines -- */

void scenario(void);
void release_sampler(void);
void default_handler(void);

#endif
