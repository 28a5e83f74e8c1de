/* A program for a test of the pulses alone: each 20 ms it asks for as many pulses as there
 * are outputs, of random widths, and meanwhile takes what comes by the line, sends it back,
 * looks at the time and has itself woken, so that all interrupts are busy.
 *
 * MODE 0: spread over the slot as a host does it; 1: all at its start; 2: all at its start
 * and of nearly the same width, so that all edges fall together. */
#include <avr/interrupt.h>

#include "lj_avr.h"

#ifndef MODE
#define MODE 0
#endif
#ifndef ECHO /* sends back what comes */
#define ECHO 1
#endif

#ifdef CARD
void card_step(void); /* card.c */
#else
static inline void card_step(void) {}
#endif

enum { COUNT = PULSES_MOST, PERIOD = 20000 };

#ifdef __AVR_ATmega2560__
static const uint8_t ports[16] = { 0x22, 0x22, 0x22, 0x22, 0x22, 0x22, 0x22, 0x22, 0x28, 0x28, 0x28, 0x28, 0x28, 0x28, 0x28, 0x28 };
static const uint8_t masks[16] = { 1, 2, 4, 8, 16, 32, 64, 128, 128, 64, 32, 16, 8, 4, 2, 1 };
#else
static const uint8_t ports[COUNT] = { 0x2b, 0x2b, 0x2b, 0x2b, 0x2b, 0x2b, 0x25, 0x25, 0x28, 0x28, 0x28, 0x28 };
static const uint8_t masks[COUNT] = { 4, 8, 16, 32, 64, 128, 1, 2, 1, 2, 4, 8 };
#endif

/* Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003: 13, 17, 5. */
static uint32_t x = 2463534242UL;

static uint32_t next(void)
{
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return x;
}

volatile uint16_t planning; /* ticks that the longest plan took */

int main(void)
{
    uint8_t byte = 0;
#ifdef __AVR_ATmega2560__
    DDRA = DDRC = 0xff;
#else
    DDRD |= 0xfc;
    DDRB |= 3;
    DDRC |= 15;
#endif
    clock_begin();
    serial_begin();
    sei();
    for (uint32_t start = 10000;; start += PERIOD) {
        while (lj_since(clock_us(), start - LJ_LEAD_US) < 0) {
            if (serial_take(&byte) && ECHO)
                lj_port_send(&byte, 1);
            clock_wake((uint16_t)(byte & 63u) + 20u);
            card_step();
        }
        pulse list[COUNT];
        for (uint8_t i = 0; i < COUNT; i++) {
            uint16_t r = (uint16_t)(next() >> 16);
            list[i].offset = MODE == 0 ? (uint16_t)(i * (COUNT > 12 ? 2100u : 2900u)) : 0;
            list[i].width = MODE == 2 ? 3000u + (r & 15u) : 1000u + (r & 4095u);
            list[i].port = ports[i];
            list[i].mask = masks[i];
        }
        uint16_t before = clock_ticks();
        pulses_give(start, list, COUNT);
        uint16_t took = clock_ticks() - before;
        if (took > planning)
            planning = took;
    }
}
