/* The 16-bit timers in normal mode: Timer1, and of an ATmega2560 Timer3 and Timer4, too. They
 * have the TEMP register that the 16-bit registers of a timer share, interrupts that come as
 * soon as they are allowed while their flag is up, pins that a compare unit sets or clears, by
 * force as well, and a prescaler that can be held and let go for all of them at once.
 * (ATmega328P data sheet, chapter "16-bit Timer/Counter1", section "Accessing 16-bit Registers";
 * ATmega640/1280/1281/2560/2561 data sheet, chapters "16-bit Timer/Counter", table "Compare
 * Output Mode, non-PWM", and "Timer/Counter 0, 1, 3, 4, and 5 Prescaler".)
 *
 * The simulator's own (1.6) has no TEMP; a write to TIFR1 that takes one flag back loses an
 * interrupt of another that has just become due; and each write to a compare register plans
 * the matches of both anew, which loses one that is due during the very instruction. A
 * program that uses both compare registers met that once a second. */
#include <string.h>

#include <simavr/avr_timer.h>

#include "ljsim.h"

enum { GTCCR = 0x43, TSM = 0x80, PSRSYNC = 0x01 };
enum { ROUND = 65536, UNITS = 3 };

/* Offsets in a timer's registers. */
enum { CONTROL_A, CONTROL_B, CONTROL_C, COUNT = 4, COMPARE = 8 };

/* What a compare unit does to its pin at a match: COMnx1:0. */
enum { NOTHING, TOGGLE, CLEAR, SET };

typedef struct {
    uint16_t base;        /* address of TCCRnA */
    uint16_t mask, flags; /* of TIMSKn and TIFRn */
    unsigned units;       /* compare units that are simulated */
    char name, port[UNITS];
    unsigned pin[UNITS];

    avr_timer_t *stock; /* for its interrupt vectors */
    unsigned divider;   /* 0: stands */
    cycles start;       /* when it was 0 */
    uint16_t stood;     /* at this, while it stands or the prescaler is held */
    uint16_t compare[UNITS];
    bool high[UNITS];   /* what a unit makes of its pin */
    uint8_t temp;
} timer;

static timer timers[3] = {
    { .base = 0x80, .mask = 0x6f, .flags = 0x36, .units = 2, .name = '1' },
    { .base = 0x90, .mask = 0x71, .flags = 0x38, .units = 3, .name = '3', .port = "EEE", .pin = { 3, 4, 5 } },
    { .base = 0xa0, .mask = 0x72, .flags = 0x39, .units = 3, .name = '4', .port = "HHH", .pin = { 3, 4, 5 } },
};
static unsigned timer_count;
static bool held; /* the prescaler is */

static bool counts(const timer *t) { return t->divider && !held; }

static uint16_t count(avr_t *avr, const timer *t)
{
    return counts(t) ? (uint16_t)((avr->cycle - t->start) / t->divider) : t->stood;
}

static unsigned mode(avr_t *avr, const timer *t, unsigned i)
{
    return t->port[i] ? avr->data[t->base + CONTROL_A] >> (6 - 2 * i) & 3u : NOTHING;
}

/* The pin follows its unit, where that has taken it. */
static void show(avr_t *avr, const timer *t, unsigned i)
{
    if (mode(avr, t, i) != NOTHING)
        pins_timed(avr, t->port[i], t->pin[i], t->high[i]);
}

static void act(avr_t *avr, timer *t, unsigned i)
{
    unsigned m = mode(avr, t, i);
    if (m == NOTHING)
        return;
    t->high[i] = m == SET || (m == TOGGLE && !t->high[i]);
    show(avr, t, i);
}

static avr_cycle_count_t match(avr_t *avr, avr_cycle_count_t when, void *param)
{
    uintptr_t n = (uintptr_t)param;
    timer *t = &timers[n / UNITS];
    /* The simulator comes here when an instruction has ended; the pin changes when it is time. */
    avr_cycle_count_t now = avr->cycle;
    avr->cycle = when;
    act(avr, t, n % UNITS);
    avr->cycle = now;
    avr_raise_interrupt(avr, &t->stock->comp[n % UNITS].interrupt);
    return when + (cycles)ROUND * t->divider;
}

static avr_cycle_count_t overflow(avr_t *avr, avr_cycle_count_t when, void *param)
{
    timer *t = param;
    avr_raise_interrupt(avr, &t->stock->overflow);
    return when + (cycles)ROUND * t->divider;
}

/* Plans when the timer goes on from a value: a match raises its flag with the clock that
 * follows. */
static void plan(avr_t *avr, const timer *t, avr_cycle_timer_t what, uint16_t value, void *param)
{
    avr_cycle_timer_cancel(avr, what, param);
    if (!counts(t))
        return;
    cycles round = (cycles)ROUND * t->divider;
    cycles at = t->start + ((cycles)value + 1) * t->divider;
    if (at <= avr->cycle)
        at += (avr->cycle - at) / round * round + round;
    avr_cycle_timer_register(avr, at - avr->cycle, what, param);
}

static void plan_match(avr_t *avr, const timer *t, unsigned i)
{
    plan(avr, t, match, t->compare[i], (void *)(uintptr_t)((unsigned)(t - timers) * UNITS + i));
}

static void plan_all(avr_t *avr, timer *t)
{
    for (unsigned i = 0; i < t->units; i++)
        plan_match(avr, t, i);
    plan(avr, t, overflow, ROUND - 1, t);
}

/* Goes on from where it stands. */
static void set_off(avr_t *avr, timer *t)
{
    t->start = avr->cycle - (cycles)t->stood * t->divider;
    plan_all(avr, t);
}

static timer *timer_at(avr_io_addr_t at)
{
    for (unsigned n = 1; n < timer_count; n++)
        if (at >= timers[n].base && at < timers[n].base + 16)
            return &timers[n];
    return &timers[0];
}

static void write_control_a(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    timer *t = param;
    if (v & 3u)
        stop_with("Timer%c is simulated in normal mode only", t->name);
    avr->data[at] = v;
    for (unsigned i = 0; i < t->units; i++)
        show(avr, t, i);
}

static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    static const unsigned dividers[8] = { 0, 1, 8, 64, 256, 1024, 0, 0 };
    timer *t = param;
    if (v & ~7u)
        stop_with("Timer%c is simulated in normal mode only", t->name);
    t->stood = count(avr, t);
    t->divider = dividers[v & 7];
    avr->data[at] = v;
    set_off(avr, t);
}

/* FOCnA, B, C: what a match would do to the pin, now; no flag is raised. They read as 0. */
static void write_force(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    timer *t = param;
    avr->data[at] = 0;
    for (unsigned i = 0; i < t->units; i++)
        if (v & (0x80u >> i))
            act(avr, t, i);
}

static uint8_t read_low(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)at;
    timer *t = param;
    uint16_t n = count(avr, t);
    t->temp = (uint8_t)(n >> 8);
    return (uint8_t)n;
}

static uint8_t read_temp(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)avr;
    (void)at;
    return ((timer *)param)->temp;
}

static void write_temp(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)avr;
    (void)at;
    ((timer *)param)->temp = v;
}

static void write_count(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)at;
    timer *t = param;
    t->stood = (uint16_t)(t->temp << 8 | v);
    set_off(avr, t);
}

static void write_compare(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    uintptr_t i = (uintptr_t)param;
    timer *t = timer_at(at);
    t->compare[i] = (uint16_t)(t->temp << 8 | v);
    avr->data[at] = v;
    avr->data[at + 1] = t->temp;
    plan_match(avr, t, (unsigned)i);
}

static uint8_t read_compare_high(avr_t *avr, avr_io_addr_t at, void *param)
{
    return avr->data[at] = (uint8_t)(timer_at(at)->compare[(uintptr_t)param] >> 8);
}

static void write_compare_high(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    write_temp(avr, at, v, timer_at(at));
}

static avr_int_vector_t *vector(timer *t, unsigned flag)
{
    return flag == 0 ? &t->stock->overflow : &t->stock->comp[flag - 1].interrupt;
}

/* Flags are taken back by a 1. */
static void write_flags(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    timer *t = param;
    uint8_t left = (uint8_t)(avr->data[at] & ~v);
    for (unsigned i = 0; i <= t->units; i++)
        if (avr->data[at] & v & (1u << i))
            avr_clear_interrupt(avr, vector(t, i));
    avr->data[at] = left;
}

static void write_mask(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    timer *t = param;
    avr->data[at] = v;
    for (unsigned i = 0; i <= t->units; i++)
        if (avr->data[t->flags] & v & (1u << i))
            avr_raise_interrupt(avr, vector(t, i));
}

/* TSM with PSRSYNC holds the prescaler that all of them share, so that they can be let go
 * at the same clock. */
static void write_general(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    bool holds = (v & TSM) && (v & PSRSYNC);
    avr->data[at] = v & TSM ? v : 0;
    if (holds == held)
        return;
    for (unsigned n = 0; n < timer_count; n++)
        timers[n].stood = count(avr, &timers[n]);
    held = holds;
    for (unsigned n = 0; n < timer_count; n++)
        set_off(avr, &timers[n]);
}

bool timer_taken(avr_t *avr, char port, unsigned pin)
{
    for (unsigned n = 0; n < timer_count; n++)
        for (unsigned i = 0; i < timers[n].units; i++)
            if (timers[n].port[i] == port && timers[n].pin[i] == pin)
                return mode(avr, &timers[n], i) != NOTHING;
    return false;
}

void timer_reset(avr_t *avr)
{
    (void)avr;
    for (unsigned n = 0; n < timer_count; n++) {
        timer *t = &timers[n];
        t->divider = 0;
        t->start = 0;
        t->stood = 0;
        t->temp = 0;
        memset(t->compare, 0, sizeof t->compare);
        memset(t->high, 0, sizeof t->high);
    }
    held = false;
}

static void begin(avr_t *avr, timer *t)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "timer") && ((avr_timer_t *)io)->name == t->name)
            t->stock = (avr_timer_t *)io;
    if (!t->stock)
        stop_with("the simulator has no Timer%c", t->name);
    over(avr, t->base + CONTROL_A, NULL, write_control_a, t);
    over(avr, t->base + CONTROL_B, NULL, write_control, t);
    over(avr, t->base + CONTROL_C, NULL, write_force, t);
    over(avr, t->base + COUNT, read_low, write_count, t);
    over(avr, t->base + COUNT + 1, read_temp, write_temp, t);
    over(avr, t->mask, NULL, write_mask, t);
    over(avr, t->flags, NULL, write_flags, t);
    for (uintptr_t i = 0; i < t->units; i++) {
        over(avr, (uint16_t)(t->base + COMPARE + 2 * i), NULL, write_compare, (void *)i);
        over(avr, (uint16_t)(t->base + COMPARE + 1 + 2 * i), read_compare_high, write_compare_high, (void *)i);
    }
}

void timer_begin(avr_t *avr)
{
    timer_count = chip_large() ? 3 : 1;
    for (unsigned n = 0; n < timer_count; n++)
        begin(avr, &timers[n]);
    if (chip_large())
        over(avr, GTCCR, NULL, write_general, NULL);
}
