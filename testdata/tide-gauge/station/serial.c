/* A serial port with four registers: data, state, control, divider. */
#include "station.h"

struct serial_port {
    uint32_t data;
    uint32_t state; /* bit 0: no room for another character */
    uint32_t control; /* bit 0: transmitter on */
    uint32_t interrupt;
    uint32_t divider;
};

#define PORT ((volatile struct serial_port *)SERIAL_BASE)
#define STATE_FULL 0x1u
#define CONTROL_TRANSMIT 0x1u
#define BAUD 115200u

void serial_open(void)
{
    PORT->divider = PROCESSOR_HZ / BAUD;
    PORT->control = CONTROL_TRANSMIT;
}

static void put(char character)
{
    while ((PORT->state & STATE_FULL) != 0u) {
    }
    PORT->data = (uint8_t)character;
}

void serial_line(const char *line)
{
    while (*line != '\0') {
        put(*line++);
    }
    put('\n');
}
