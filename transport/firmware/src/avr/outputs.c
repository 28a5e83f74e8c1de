/* What is no pulse of a servo: motors, lamps, switches, and inputs.
 *
 * Every output can be a servo or a switch; which pin it is, and what else it can be, stands
 * in the file of the chip. Lamps and motors have 8 bits at 977 Hz; a lamp or motor on
 * another output would be on or off. Inputs have the chip's pull-up, to be closed towards
 * ground. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "lj_avr.h"

enum { NONE = 255 };

typedef struct {
    chip_port port; /* address of PORT; that of DDR is one below */
    uint8_t mask;
    volatile uint8_t *level;   /* compare register of the timer that can dim it, or 0 */
    volatile uint8_t *control; /* where the timer takes the pin */
    uint8_t takes;             /* by this bit */
    uint8_t partner;           /* output that is its direction */
} pin;

#define AT(reg) ((chip_port)_SFR_MEM_ADDR(reg))

static const pin pins[CHIP_LINES] PROGMEM = CHIP_PINS;

#if LJ_CHANNELS > CHIP_OUTPUTS
#error "this board has fewer outputs"
#endif
#if defined(LJ_STEPPERS) && LJ_STEPPERS && !CHIP_STEPPERS
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
    chip_port port = CHIP_READ_PORT(&pins[n].port);
    uint8_t mask = pgm_read_byte(&pins[n].mask);
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
static uint16_t motors;  /* bit n: output n is a motor, and its partner the direction */
static uint32_t due;

#if CHIP_LINES > CHIP_OUTPUTS
static uint16_t dimmed; /* bit n: output n is a lamp or a motor, on a pin of its own */
#endif

/* The line of pins on which an output comes out. */
static inline uint8_t line_of(uint8_t n)
{
#if CHIP_LINES > CHIP_OUTPUTS
    return dimmed & bit(n) ? CHIP_DIMMED(n) : n;
#else
    return n;
#endif
}

static inline void comes_out(uint8_t n, uint8_t unit)
{
#if CHIP_LINES > CHIP_OUTPUTS
    if (unit == LJ_UNIT_DUTY || unit == LJ_UNIT_LEVEL)
        dimmed |= bit(n);
#else
    (void)n;
    (void)unit;
#endif
}

static inline void begin_line(uint8_t n)
{
    pin p = pin_of(n);
    *(volatile uint8_t *)(uint16_t)p.port &= (uint8_t)~p.mask;
    *(volatile uint8_t *)(uint16_t)(p.port - 1) |= p.mask;
}

/* All pins are low before they are outputs: a driver sees no edge. */
void outputs_begin(void)
{
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        begin_line(n);
#if CHIP_LINES > CHIP_OUTPUTS
    for (uint8_t n = CHIP_OUTPUTS; n < CHIP_LINES; n++)
        begin_line(n);
#endif
    TCCR0A = TCCR2A = (1 << WGM01) | (1 << WGM00); /* fast PWM */
    TCCR0B = (1 << CS01) | (1 << CS00);            /* 16 MHz / 64 / 256 = 977 Hz */
    TCCR2B = (1 << CS22);
    CHIP_PULL_UP();
#if STEPS
    steps_begin();
#endif
}

uint16_t inputs_read(void) { return CHIP_INPUTS(); }

/* Gives an output a level from -255 to 255. The timer would leave a spike at 0, so that
 * the pin is taken from it there; at 255 it is high for good. */
static void apply(uint8_t n, int16_t v)
{
    bool turns = (motors & bit(n)) != 0;
    n = line_of(n);
    pin p = pin_of(n);
    uint8_t size = (uint8_t)(v < 0 ? -v : v);
    if (turns && p.partner != NONE && v != 0) /* else the partner is an output of its own */
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
#if STEPS
        if (p.unit == LJ_UNIT_STEPS) {
            steps_give(n, &p, slot);
            continue;
        }
#endif
        if (p.unit != LJ_UNIT_TICKS) {
            comes_out(n, p.unit);
            wanted[n] = level_of(&p);
            waiting |= bit(n);
            motors = p.unit == LJ_UNIT_DUTY ? motors | bit(n) : motors & (uint16_t)~bit(n);
        } else if (p.live) {
            list[count].offset = p.offset;
            list[count].width = p.value;
            list[count].port = (uint8_t)CHIP_READ_PORT(&pins[n].port);
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
#if STEPS
    steps_drop();
#endif
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        if (others & bit(n))
            apply(n, 0);
    waiting = others = 0;
}
