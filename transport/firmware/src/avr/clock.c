/* Time: Timer1 counts ticks of 0.5 us and goes around each 32.768 ms; an interrupt counts
 * the rounds. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "lj_avr.h"

#ifndef LJ_PORT_ROUNDS
#define LJ_PORT_ROUNDS 0 /* at the start; others are for tests of what goes around */
#endif

static volatile uint32_t rounds = LJ_PORT_ROUNDS;

/* Wakes the processor once: a round of the loop does what is due. */
ISR(TIMER1_COMPB_vect) { TIMSK1 &= (uint8_t)~(1 << OCIE1B); }

ISR(TIMER1_OVF_vect) { rounds++; }

void clock_begin(void)
{
#if STEPS
    /* Timers 3 and 4 count with Timer1, to the tick. */
    GTCCR = (1 << TSM) | (1 << PSRSYNC);
    TCCR3B = TCCR4B = (1 << CS11);
    TCNT3 = TCNT4 = TCNT1 = 0;
#endif
    TCCR1A = 0;
    TCCR1B = (1 << CS11); /* 16 MHz / 8 */
#if STEPS
    GTCCR = 0;
#endif
    TIMSK1 = (1 << TOIE1);
}

uint32_t clock_us(void)
{
    uint32_t high;
    uint16_t low;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        low = TCNT1;
        high = rounds;
        /* It went around since interrupts were off, before it was read. */
        if ((TIFR1 & (1 << TOV1)) && low < 0x8000u)
            high++;
    }
    return (high << 15) | (low >> 1);
}

uint16_t clock_ticks(void)
{
    uint16_t t;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { t = TCNT1; }
    return t;
}

void clock_wake(uint16_t us)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        OCR1B = (uint16_t)(TCNT1 + 2u * us);
        TIFR1 = (1 << OCF1B);
        TIMSK1 |= (1 << OCIE1B);
    }
}

bool clock_woken(void) { return !(TIMSK1 & (1 << OCIE1B)); }
