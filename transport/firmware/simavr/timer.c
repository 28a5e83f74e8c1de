/* Timer1 of an ATmega328P in normal mode, with the TEMP register that its 16-bit registers
 * share, and interrupts that come as soon as they are allowed while their flag is up.
 * (Data sheet, chapter "16-bit Timer/Counter1", section "Accessing 16-bit Registers".)
 *
 * The simulator's own (1.6) has no TEMP; a write to TIFR1 that takes one flag back loses an
 * interrupt of another that has just become due; and each write to a compare register plans
 * the matches of both anew, which loses one that is due during the very instruction. A
 * program that uses both compare registers met that once a second. */
#include <string.h>

#include <simavr/avr_timer.h>

#include "ljsim.h"

enum { TCCR1B = 0x81, TCNT1L = 0x84, TCNT1H = 0x85, OCR1AL = 0x88, OCR1AH = 0x89, OCR1BL = 0x8a, OCR1BH = 0x8b, TIMSK1 = 0x6f, TIFR1 = 0x36 };
enum { ROUND = 65536 };

static struct {
    avr_timer_t *stock; /* for its interrupt vectors */
    unsigned divider;   /* 0: stands */
    cycles start;       /* when it was 0 */
    uint16_t stood;     /* at this */
    uint16_t compare[2];
    uint8_t temp;
} timer;

static uint16_t count(avr_t *avr)
{
    return timer.divider ? (uint16_t)((avr->cycle - timer.start) / timer.divider) : timer.stood;
}

static avr_cycle_count_t match(avr_t *avr, avr_cycle_count_t when, void *param)
{
    avr_raise_interrupt(avr, &timer.stock->comp[(uintptr_t)param].interrupt);
    return when + (cycles)ROUND * timer.divider;
}

static avr_cycle_count_t overflow(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    avr_raise_interrupt(avr, &timer.stock->overflow);
    return when + (cycles)ROUND * timer.divider;
}

/* Plans when the timer goes on from a value: a match raises its flag with the clock that
 * follows. */
static void plan(avr_t *avr, avr_cycle_timer_t what, uint16_t value, void *param)
{
    avr_cycle_timer_cancel(avr, what, param);
    if (!timer.divider)
        return;
    cycles round = (cycles)ROUND * timer.divider;
    cycles at = timer.start + ((cycles)value + 1) * timer.divider;
    if (at <= avr->cycle)
        at += (avr->cycle - at) / round * round + round;
    avr_cycle_timer_register(avr, at - avr->cycle, what, param);
}

static void plan_all(avr_t *avr)
{
    for (uintptr_t i = 0; i < 2; i++)
        plan(avr, match, timer.compare[i], (void *)i);
    plan(avr, overflow, ROUND - 1, NULL);
}

static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    static const unsigned dividers[8] = { 0, 1, 8, 64, 256, 1024, 0, 0 };
    (void)param;
    if (v & ~7u)
        stop_with("Timer1 is simulated in normal mode only");
    timer.stood = count(avr);
    timer.divider = dividers[v & 7];
    timer.start = avr->cycle - (cycles)timer.stood * timer.divider;
    avr->data[at] = v;
    plan_all(avr);
}

static uint8_t read_low(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)at;
    (void)param;
    uint16_t n = count(avr);
    timer.temp = (uint8_t)(n >> 8);
    return (uint8_t)n;
}

static uint8_t read_temp(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)avr;
    (void)at;
    (void)param;
    return timer.temp;
}

static void write_temp(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)avr;
    (void)at;
    (void)param;
    timer.temp = v;
}

static void write_count(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)at;
    (void)param;
    timer.stood = (uint16_t)(timer.temp << 8 | v);
    timer.start = avr->cycle - (cycles)timer.stood * timer.divider;
    plan_all(avr);
}

static void write_compare(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    uintptr_t i = (uintptr_t)param;
    timer.compare[i] = (uint16_t)(timer.temp << 8 | v);
    avr->data[at] = v;
    avr->data[at + 1] = timer.temp;
    plan(avr, match, timer.compare[i], param);
}

static uint8_t read_compare_high(avr_t *avr, avr_io_addr_t at, void *param)
{
    return avr->data[at] = (uint8_t)(timer.compare[(uintptr_t)param] >> 8);
}

static avr_int_vector_t *vector(unsigned flag)
{
    return flag == 0 ? &timer.stock->overflow : &timer.stock->comp[flag - 1].interrupt;
}

/* Flags are taken back by a 1. */
static void write_flags(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    uint8_t left = (uint8_t)(avr->data[at] & ~v);
    for (unsigned i = 0; i < 3; i++)
        if (avr->data[at] & v & (1u << i))
            avr_clear_interrupt(avr, vector(i));
    avr->data[at] = left;
}

static void write_mask(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    avr->data[at] = v;
    for (unsigned i = 0; i < 3; i++)
        if (avr->data[TIFR1] & v & (1u << i))
            avr_raise_interrupt(avr, vector(i));
}

void timer_reset(avr_t *avr)
{
    (void)avr;
    avr_timer_t *stock = timer.stock;
    memset(&timer, 0, sizeof timer);
    timer.stock = stock;
}

void timer_begin(avr_t *avr)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "timer") && ((avr_timer_t *)io)->name == '1')
            timer.stock = (avr_timer_t *)io;
    if (!timer.stock)
        stop_with("the simulator has no Timer1");
    over(avr, TCCR1B, NULL, write_control, NULL);
    over(avr, TCNT1L, read_low, write_count, NULL);
    over(avr, TCNT1H, read_temp, write_temp, NULL);
    over(avr, TIMSK1, NULL, write_mask, NULL);
    over(avr, TIFR1, NULL, write_flags, NULL);
    for (uintptr_t i = 0; i < 2; i++) {
        over(avr, (uint16_t)(OCR1AL + 2 * i), NULL, write_compare, (void *)i);
        over(avr, (uint16_t)(OCR1AH + 2 * i), read_compare_high, write_temp, (void *)i);
    }
}
