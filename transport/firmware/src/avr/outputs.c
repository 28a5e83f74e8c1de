/* Which pin does what, and what is no pulse of a servo.
 *
 * | output | pin | board name | can also be |
 * |---|---|---|---|
 * | 0 | PD2 | D2 | direction of the motor on 1 |
 * | 1 | PD3 | D3 | lamp, motor (OC2B) |
 * | 2 | PD4 | D4 | direction of the motor on 3 |
 * | 3 | PD5 | D5 | lamp, motor (OC0B) |
 * | 4 | PD6 | D6 | lamp, motor (OC0A) |
 * | 5 | PD7 | D7 | direction of the motor on 4 |
 * | 6 | PB0 | D8 | |
 * | 7 | PB1 | D9 | |
 * | 8 | PC0 | A0 | |
 * | 9 | PC1 | A1 | |
 * | 10 | PC2 | A2 | |
 * | 11 | PC3 | A3 | |
 *
 * Every output can be a servo or a switch. An output that is a direction of another is no
 * output of its own (its units in lj_config.h are 0). Lamps and motors have 8 bits at
 * 977 Hz; a lamp or motor on another output would be on or off. This board has no
 * steppers. Inputs: 0, the stop input, is PC4 (A4), 1 is PC5 (A5), both with the chip's
 * pull-up, to be closed towards ground. The card has PB2 to PB5 (D10 to D13), the line PD0
 * and PD1. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "lj_avr.h"

enum { NONE = 255 };

typedef struct {
    uint8_t port;  /* address of PORT; that of DDR is one below */
    uint8_t mask;
    volatile uint8_t *level;   /* compare register of the timer that can dim it, or 0 */
    volatile uint8_t *control; /* where the timer takes the pin */
    uint8_t takes;             /* by this bit */
    uint8_t partner;           /* output that is its direction */
} pin;

#define AT(reg) ((uint8_t)_SFR_MEM_ADDR(reg))

static const pin pins[12] PROGMEM = {
    { AT(PORTD), 1 << 2, 0, 0, 0, NONE },
    { AT(PORTD), 1 << 3, &OCR2B, &TCCR2A, 1 << COM2B1, 0 },
    { AT(PORTD), 1 << 4, 0, 0, 0, NONE },
    { AT(PORTD), 1 << 5, &OCR0B, &TCCR0A, 1 << COM0B1, 2 },
    { AT(PORTD), 1 << 6, &OCR0A, &TCCR0A, 1 << COM0A1, 5 },
    { AT(PORTD), 1 << 7, 0, 0, 0, NONE },
    { AT(PORTB), 1 << 0, 0, 0, 0, NONE },
    { AT(PORTB), 1 << 1, 0, 0, 0, NONE },
    { AT(PORTC), 1 << 0, 0, 0, 0, NONE },
    { AT(PORTC), 1 << 1, 0, 0, 0, NONE },
    { AT(PORTC), 1 << 2, 0, 0, 0, NONE },
    { AT(PORTC), 1 << 3, 0, 0, 0, NONE },
};

#if LJ_CHANNELS > 12
#error "this board has 12 outputs"
#endif
#if defined(LJ_STEPPERS) && LJ_STEPPERS
#error "this board has no outputs for steppers"
#endif

static inline uint16_t bit(uint8_t n) { return (uint16_t)(1u << n); }

static pin pin_of(uint8_t n)
{
    pin p;
    memcpy_P(&p, &pins[n], sizeof p);
    return p;
}

static void set(uint8_t n, bool high)
{
    uint8_t port = pgm_read_byte(&pins[n].port), mask = pgm_read_byte(&pins[n].mask);
    volatile uint8_t *reg = (volatile uint8_t *)(uint16_t)port;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if (high)
            *reg |= mask;
        else
            *reg &= (uint8_t)~mask;
    }
}

/* What motors, lamps and switches are to do from the start of the slot on, -255 to 255. */
static int16_t wanted[LJ_CHANNELS];
static uint16_t waiting; /* bit n: output n has to get it */
static uint16_t others;  /* bit n: output n is no servo */
static uint32_t due;

/* All pins are low before they are outputs: a driver sees no edge. */
void outputs_begin(void)
{
    for (uint8_t n = 0; n < LJ_CHANNELS; n++) {
        pin p = pin_of(n);
        *(volatile uint8_t *)(uint16_t)p.port &= (uint8_t)~p.mask;
        *(volatile uint8_t *)(uint16_t)(p.port - 1) |= p.mask;
    }
    TCCR0A = TCCR2A = (1 << WGM01) | (1 << WGM00); /* fast PWM */
    TCCR0B = (1 << CS01) | (1 << CS00);            /* 16 MHz / 64 / 256 = 977 Hz */
    TCCR2B = (1 << CS22);
    PORTC |= (1 << PORTC4) | (1 << PORTC5);
}

uint16_t inputs_read(void) { return (PINC >> 4) & 3u; }

/* Gives an output a level from -255 to 255. The timer would leave a spike at 0, so that
 * the pin is taken from it there; at 255 it is high for good. */
static void apply(uint8_t n, int16_t v)
{
    pin p = pin_of(n);
    uint8_t size = (uint8_t)(v < 0 ? -v : v);
    if (p.partner != NONE && v != 0)
        set(p.partner, v < 0);
    if (p.level == 0 || size == 0 || size == 255) {
        if (p.control)
            *p.control &= (uint8_t)~p.takes;
        set(n, size != 0);
        return;
    }
    *p.level = size;
    *p.control |= p.takes;
}

void outputs_advance(uint32_t now)
{
    if (waiting == 0 || lj_since(now, due) < 0)
        return;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        if (waiting & bit(n))
            apply(n, wanted[n]);
    waiting = 0;
}

/* A level of 16 bits in 8: what is not off does not become off. */
static int16_t eighth(uint16_t v)
{
    uint8_t high = (uint8_t)(v >> 8);
    return high == 0 && v != 0 ? 1 : high;
}

static int16_t level_of(const lj_pin *p)
{
    if (!p->live)
        return 0;
    switch (p->unit) {
    case LJ_UNIT_DUTY: {
        int16_t duty = (int16_t)p->value;
        return duty < 0 ? -eighth((uint16_t)(0u - p->value) * 2u) : eighth(p->value * 2u);
    }
    case LJ_UNIT_LEVEL:
        return eighth(p->value);
    default:
        return p->value != 0 ? 255 : 0;
    }
}

void lj_port_slot(const lj_slot *slot)
{
    pulse list[LJ_CHANNELS];
    uint8_t count = 0;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++) {
        lj_pin p;
        if (!lj_read_pin(n, &p))
            continue;
        if (p.unit != LJ_UNIT_TICKS) {
            wanted[n] = level_of(&p);
            waiting |= bit(n);
        } else if (p.live) {
            list[count].offset = p.offset;
            list[count].width = p.value;
            list[count].port = pgm_read_byte(&pins[n].port);
            list[count].mask = pgm_read_byte(&pins[n].mask);
            count++;
        }
    }
    others |= waiting;
    due = slot->start;
    pulses_give(slot->start, list, count);
}

void lj_port_drop(uint32_t at)
{
    (void)at;
    pulses_drop();
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        if (others & bit(n))
            apply(n, 0);
    waiting = others = 0;
}
