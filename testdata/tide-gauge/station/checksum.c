/*
 * CRC-32/ISO-HDLC of the parametrised CRC catalogue: polynomial 0x04C11DB7
 * reflected, start value and final exclusive-or 0xFFFFFFFF. Four bits a step.
 */
#include "station.h"

static const uint32_t nibble_table[16] = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
};

uint32_t checksum_of(uint32_t start, uint32_t size)
{
    const volatile uint8_t *bytes = (const volatile uint8_t *)start;
    uint32_t crc = 0xFFFFFFFFu;

    for (uint32_t i = 0; i < size; i++) {
        crc ^= bytes[i];
        crc = (crc >> 4) ^ nibble_table[crc & 0xFu];
        crc = (crc >> 4) ^ nibble_table[crc & 0xFu];
    }
    return crc ^ 0xFFFFFFFFu;
}
