/* Steppers: steps and a direction. The pin of the steps rises by the compare unit of a timer,
 * which no interrupt can delay, to the tick of 0.5 us; the interrupt that follows lowers it
 * and sets the next step up. So steps need no more of the processor than servos' pulses can
 * spare, and neither moves the other.
 *
 * Drivers ask for steps that are high and low for at least 1.9 us, and for a direction that
 * stands 650 ns before a step and after it (TI DRV8825 data sheet, "Timing Requirements":
 * tWH, tWL, tSU, tH; Allegro A4988: 1 us and 200 ns; both from memory). Here a step is high
 * for at least 2 us, low for at least 4 us, and the direction changes between.
 *
 * The steps of a slot are spread evenly over its period (lj_spread). They are what the position
 * of the slot is ahead of all steps that were given before, so that none is ever lost; of
 * a program that was too busy to give them in time they come later.
 *
 * Zero (LJ_HOMING): a stepper with a switch looks for it when it gets steps for the first
 * time since the reset, and after its steps were cut off in the midst of a move. Where the
 * switch is closed already it goes away from it first; then it goes towards it, at the same
 * speed, and where it closed is 0. From there it goes to where the player takes it to be.
 * It moves only while the board is armed, playing or held, and it starts and stops at
 * once: the speed must be within what its motor can do so. Where it finds no switch within
 * LJ_PORT_HOMES' number of steps it gives up, and stays where it is until the board is armed
 * anew. */
#include "lj_avr.h"

#if STEPS

#include <avr/interrupt.h>
#include <util/atomic.h>

enum {
    SOON = 8,        /* ticks: a step is set up so long before it comes at the least */
    PASSED = 0xc000, /* ticks: what is farther ahead is past */
    SPAN = 65000     /* ticks over which steps are spread to the tick */
};

typedef struct {
    lj_spread steps;
    uint16_t begin; /* ticks of the timer */
    uint8_t shift;  /* intervals count so many bits more */
    bool back;      /* towards minus */
} span;

typedef struct {
    span spans[2];
    span *now, *next;
    uint16_t time;       /* when the next step is due */
    volatile bool runs;  /* it is set up, and its interrupt will come */
    volatile bool waits; /* next is to follow */
    uint16_t given;      /* position when all steps are done that were given */
} stepper;

static stepper steppers[CHIP_STEPPERS];

/* A compare unit. The flag's bit is that of the mask of interrupts. */
typedef struct {
    volatile uint16_t *compare;
    const volatile uint16_t *count;
    volatile uint8_t *control, *force, *allowed, *flags;
    uint8_t rises, forces, allows;
    volatile uint8_t *way; /* port of the direction */
    uint8_t back;          /* bit in it */
    volatile uint8_t *pin; /* port of the steps */
    uint8_t step;
} unit;

#define UNIT(n, t, u, port, bit, wayport, waybit) \
    { &OCR##t##u, &TCNT##t, &TCCR##t##A, &TCCR##t##C, &TIMSK##t, &TIFR##t, \
      1 << COM##t##u##0, 1 << FOC##t##u, 1 << OCIE##t##u, &PORT##wayport, 1 << (waybit), &PORT##port, 1 << (bit) },

static const unit units[CHIP_STEPPERS] PROGMEM = { CHIP_EACH_STEPPER(UNIT) };

static unit unit_of(uint8_t n)
{
    unit u;
    memcpy_P(&u, &units[n], sizeof u);
    return u;
}

/* Takes the span that waits. */
static inline __attribute__((always_inline)) uint16_t follow(stepper *s)
{
    span *x = s->next;
    s->next = s->now;
    s->now = x;
    s->waits = false;
    s->time = x->begin;
    return lj_spread_next(&x->steps);
}

/* When a step can be due at the earliest, and no later than that where its time has
 * passed; then half of an interval goes by, so that steps which are late catch up without a
 * motor that cannot follow. */
static inline __attribute__((always_inline)) uint16_t due(const stepper *s, uint16_t count)
{
    uint16_t ahead = s->time - count;
    if (ahead >= SOON && ahead < PASSED)
        return s->time;
    return count + SOON + (ahead < PASSED ? 0 : s->now->steps.base / 2u);
}

/* A step has come: its pin has risen some 2 us ago. */
#define STEPPED(n, t, u, port, bit, wayport, waybit) \
    ISR(TIMER##t##_COMP##u##_vect) \
    { \
        stepper *s = &steppers[n]; \
        uint16_t interval = lj_spread_next(&s->now->steps); \
        bool turns = false; \
        if (interval == 0 && s->waits) { \
            interval = follow(s); \
            turns = true; \
        } \
        TCCR##t##A &= (uint8_t)~(1 << COM##t##u##0); \
        TCCR##t##C = 1 << FOC##t##u; \
        if (interval == 0) { \
            s->runs = false; \
            TIMSK##t &= (uint8_t)~(1 << OCIE##t##u); \
            return; \
        } \
        if (turns) { \
            if (s->now->back) \
                PORT##wayport |= 1 << (waybit); \
            else \
                PORT##wayport &= (uint8_t)~(1 << (waybit)); \
        } \
        for (uint8_t i = s->now->shift; i > 0; i--) \
            interval <<= 1; \
        s->time += interval; \
        OCR##t##u = due(s, TCNT##t); \
        TCCR##t##A |= 1 << COM##t##u##0; \
    }

CHIP_EACH_STEPPER(STEPPED)

void steps_begin(void)
{
    TCCR3A = TCCR4A = 0;
    for (uint8_t n = 0; n < CHIP_STEPPERS && n < LJ_CHANNELS; n++) {
        unit u = unit_of(n);
        steppers[n].now = &steppers[n].spans[0];
        steppers[n].next = &steppers[n].spans[1];
        *u.pin &= (uint8_t)~u.step;
        /* Low at a match, and low now. */
        *u.control |= (uint8_t)(u.rises << 1);
        *u.force = u.forces;
        *(u.pin - 1) |= u.step;
    }
}

/* Sets up the first step of a stepper that stands. */
static void begin(stepper *s, uint8_t n)
{
    unit u = unit_of(n);
    uint16_t interval = follow(s);
    s->time += interval << s->now->shift;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if (s->now->back)
            *u.way |= u.back;
        else
            *u.way &= (uint8_t)~u.back;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *u.compare = due(s, *u.count);
        *u.flags = u.allows;
        *u.control |= u.rises;
        *u.allowed |= u.allows;
        s->runs = true;
    }
}

/* Gives steps that are spread over a slot. What does not find room waits for the next. */
static void give(uint8_t n, int16_t steps, const lj_slot *slot)
{
    stepper *s = &steppers[n];
    if (steps == 0 || s->waits)
        return;
    uint32_t ticks = slot->period * 2u;
    span *x = s->next;
    for (x->shift = 0; ticks > SPAN; ticks >>= 1)
        x->shift++;
    x->begin = (uint16_t)(slot->start << 1);
    x->back = steps < 0;
    lj_spread_begin(&x->steps, (uint16_t)(steps < 0 ? -steps : steps), (uint16_t)ticks);
    s->given += (uint16_t)steps;
    bool runs;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        runs = s->runs;
        s->waits = true;
    }
    if (!runs)
        begin(s, n);
}

static uint16_t signed_steps(const span *x, uint16_t count) { return x->back ? (uint16_t)(0u - count) : count; }

/* Steps that were given and have not come; they are, with a sign, what given is ahead. */
static uint16_t undone(const stepper *s)
{
    uint16_t left = s->waits ? signed_steps(s->next, s->next->steps.count) : 0;
    return left + signed_steps(s->now, s->now->steps.count + (s->runs ? 1u : 0u));
}

/* Lets no further step come, and says whether some were to. */
static bool halt(uint8_t n)
{
    stepper *s = &steppers[n];
    unit u = unit_of(n);
    bool cut;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        cut = s->runs;
        /* One that has come, or is about to, is finished by its interrupt. */
        bool comes = s->runs && ((*u.flags & u.allows) || (uint16_t)(*u.compare - *u.count) < SOON / 2);
        if (s->runs && !comes) {
            *u.control &= (uint8_t)~u.rises;
            *u.allowed &= (uint8_t)~u.allows;
        }
        s->given -= undone(s);
        if (comes)
            s->given += signed_steps(s->now, 1);
        else
            s->runs = false;
        s->now->steps.count = 0;
        s->waits = false;
    }
    return cut;
}

/* ---- zero ---- */

#if LJ_HOMING

typedef struct {
    uint8_t output;
    uint8_t input;
    uint8_t plus;   /* the switch is towards plus */
    uint16_t rate;  /* steps/s */
    uint32_t most;  /* steps */
} homing;

static const homing homes[] PROGMEM = LJ_PORT_HOMES;

enum { HOMES = sizeof homes / sizeof homes[0] };

typedef enum {
    WANTED, /* it does not know where it is, and will look */
    AWAY,   /* it goes away from a switch that is closed */
    SEEK,   /* it goes towards the switch */
    JOIN,   /* it goes from zero to where the player has it */
    HOME,   /* it follows */
    LOST    /* it has found no switch */
} stage;

static struct {
    stage stage;
    bool pending;     /* the switch has changed, and has to prove it */
    uint32_t since;   /* since then */
    uint16_t contact; /* position there */
    uint32_t left;    /* steps until it gives up */
    uint32_t part;    /* of a step, in millionths */
} finds[HOMES];

static homing homing_of(uint8_t i)
{
    homing h;
    memcpy_P(&h, &homes[i], sizeof h);
    return h;
}

/* The place of a stepper in homes, or HOMES. */
static uint8_t find_of(uint8_t n)
{
    uint8_t i = 0;
    while (i < HOMES && pgm_read_byte(&homes[i].output) != n)
        i++;
    return i;
}

bool lj_port_homing(void)
{
    for (uint8_t i = 0; i < HOMES; i++)
        if (finds[i].stage < HOME)
            return true;
    return false;
}

/* Steps of a slot at the speed of looking. */
static int16_t pace(uint8_t i, const homing *h, const lj_slot *slot)
{
    finds[i].part += (uint32_t)h->rate * slot->period;
    int16_t steps = (int16_t)(finds[i].part / 1000000u);
    finds[i].part %= 1000000u;
    return steps;
}

/* The steps of a slot of a stepper that is not where the player takes it to be, which is
 * so many steps away. */
static int16_t seek(uint8_t i, int16_t way, const lj_slot *slot)
{
    homing h = homing_of(i);
    int16_t steps = pace(i, &h, slot);
    if (finds[i].stage == JOIN) {
        if (way <= steps && way >= -steps) {
            finds[i].stage = HOME;
            return way;
        }
        return way < 0 ? -steps : steps;
    }
    if (finds[i].stage == WANTED) {
        finds[i].stage = AWAY; /* steps_look knows better */
        finds[i].pending = false;
        finds[i].left = h.most;
        return 0;
    }
    if (finds[i].left < (uint16_t)steps) {
        finds[i].stage = LOST;
        return 0;
    }
    finds[i].left -= (uint16_t)steps;
    return (finds[i].stage == SEEK) == (h.plus != 0) ? steps : -steps;
}

void steps_look(uint32_t now, uint16_t inputs)
{
    for (uint8_t i = 0; i < HOMES; i++) {
        if (finds[i].stage != AWAY && finds[i].stage != SEEK)
            continue;
        homing h = homing_of(i);
        bool closed = ((inputs ^ LJ_INPUTS_LOW) >> h.input & 1u) != 0;
        if (closed != (finds[i].stage == SEEK)) { /* not what it looks for */
            finds[i].pending = false;
            continue;
        }
        stepper *s = &steppers[h.output];
        if (!finds[i].pending) {
            finds[i].pending = true;
            finds[i].since = now;
            ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { finds[i].contact = s->given - undone(s); }
        }
        if (lj_since(now, finds[i].since) < (int32_t)LJ_DEBOUNCE_US)
            continue;
        (void)halt(h.output);
        finds[i].pending = false;
        if (finds[i].stage == AWAY) {
            finds[i].stage = SEEK;
        } else {
            s->given -= finds[i].contact;
            finds[i].stage = JOIN;
        }
    }
}

/* Whether a stepper finds its way by itself, and gets its steps here. */
static bool homed(uint8_t n, const lj_pin *p, const lj_slot *slot, int16_t way)
{
    uint8_t i = find_of(n);
    if (i == HOMES)
        return false;
    bool may = p->live && (slot->state == LJ_STATE_ARMED || slot->state == LJ_STATE_PLAYING || slot->state == LJ_STATE_HELD);
    if (finds[i].stage == LOST) {
        if (p->fresh)
            finds[i].stage = WANTED;
        return true;
    }
    if (finds[i].stage == HOME) {
        if (!p->fresh || way == 0)
            return false;
        finds[i].stage = JOIN; /* it is told to stand elsewhere */
    }
    if (may)
        give(n, seek(i, way, slot), slot);
    else if (halt(n) && finds[i].stage < JOIN)
        finds[i].stage = WANTED;
    return true;
}

/* Steps that were cut off in the midst of a move may have taken others with them. */
static void doubt(uint8_t n)
{
    uint8_t i = find_of(n);
    if (i < HOMES && finds[i].stage != LOST)
        finds[i].stage = WANTED;
}

#endif

void steps_give(uint8_t n, const lj_pin *p, const lj_slot *slot)
{
    stepper *s = &steppers[n];
#if LJ_HOMING
    if (homed(n, p, slot, (int16_t)(p->value - s->given)))
        return;
    if (p->fresh && find_of(n) == HOMES)
        s->given = p->value;
#else
    if (p->fresh)
        s->given = p->value;
#endif
    if (p->live)
        give(n, (int16_t)(p->value - s->given), slot);
}

void steps_drop(void)
{
    for (uint8_t n = 0; n < CHIP_STEPPERS && n < LJ_CHANNELS; n++) {
        bool cut = halt(n);
#if LJ_HOMING
        if (cut)
            doubt(n);
#else
        (void)cut;
#endif
    }
}

#endif
