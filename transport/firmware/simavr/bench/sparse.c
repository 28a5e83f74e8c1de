/* A program for a test of pulses that are far apart: each PERIOD us it asks for a pulse on
 * each of COUNT outputs, of random widths, at OFFSETS ticks from the start. In every eighth
 * slot the first ones but the last are left out, as in a quiet window. */
#include <avr/interrupt.h>

#include "lj_avr.h"

enum { LEAD = 2500 };

static const uint8_t ports[12] = { 0x2b, 0x2b, 0x2b, 0x2b, 0x2b, 0x2b, 0x25, 0x25, 0x28, 0x28, 0x28, 0x28 };
static const uint8_t masks[12] = { 4, 8, 16, 32, 64, 128, 1, 2, 1, 2, 4, 8 };
static const uint16_t offsets[COUNT] = { OFFSETS };

/* Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003: 13, 17, 5. */
static uint32_t x = 2463534242UL;

static uint32_t next(void)
{
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return x;
}

int main(void)
{
    uint8_t byte, slot = 0;
    DDRD |= 0xfc;
    DDRB |= 3;
    DDRC |= 15;
    clock_begin();
    serial_begin();
    sei();
    for (uint32_t start = 10000;; start += PERIOD, slot++) {
        while (lj_since(clock_us(), start - LEAD) < 0)
            if (serial_take(&byte))
                lj_port_send(&byte, 1);
        pulse list[COUNT];
        uint8_t count = 0;
        for (uint8_t i = 0; i < COUNT; i++) {
            uint16_t width = 1000u + ((uint16_t)(next() >> 16) & 4095u);
            if ((slot & 7u) == 7u && i + 1u < COUNT)
                continue;
            list[count].offset = offsets[i];
            list[count].width = width;
            list[count].port = ports[i];
            list[count].mask = masks[i];
            count++;
        }
        pulses_give(start, list, count);
    }
}
