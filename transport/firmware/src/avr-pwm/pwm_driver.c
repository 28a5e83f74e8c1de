/* The outputs of the board: a driver on the two-wire bus. See lj_pwm.h. */
#include "lj_avr.h"
#include "lj_pwm.h"
#include "pwm_bus.h"
#include "pwm_counts.h"

#ifndef LJ_PORT_PWM_OSC_KHZ
#define LJ_PORT_PWM_OSC_KHZ 25000
#endif

#if LJ_PORT_PWM_OSC_KHZ < 23000 || LJ_PORT_PWM_OSC_KHZ > 27000
#error "the driver's oscillator has 23000 to 27000 kHz: measure it anew"
#endif
#if LJ_CHANNELS > 16
#error "the driver has 16 outputs"
#endif
#if LJ_INPUTS_COUNT < 1 || LJ_INPUTS_COUNT > 8
#error "this board has 8 inputs, and needs the stop input: by it, it tells of a driver that does not answer"
#endif
#if LJ_GREATEST_NS / 1000 * LJ_PORT_PWM_OSC_KHZ > 256 * 4096000
#error "the driver is not that slow: let the longest period be 1048576 / LJ_PORT_PWM_OSC_KHZ ms, 41.9 ms at 25 MHz"
#endif
#if LJ_LEAST_NS < 2500000
#error "the bus takes 2 ms to give the driver its values: give the board a rate of 400 Hz or less"
#endif

enum {
    OE = 1 << PORTD2,
    LONGEST_JOB = 5000, /* us, more than the bus takes for anything */
    RETRY = 10000,      /* us */
    STEADY = 600        /* us until the oscillator runs: 500 (7.3.1, note 2) */
};

#define OUTAGE 100000L  /* us without an answer, after which the board stops */
#define SILENCE 250000L /* us without a slot, after which outputs are off */
#define SLOWEST 46000UL /* us, the longest frame of a driver that another start has left running */

/* What is sent comes before what is waited for: see next. */
enum stage { FREE, PROBE, ALL_OFF, DRAIN, ASLEEP, RATE, MODE, LOOK, AWAKE, READY };

/* An output as the driver has it: 0 is off, FULL_ON on, else counts; a lamp's begin at 0. */
enum { FULL_ON = PWM_COUNTS, LAMP = 0x4000 };

enum { WHOLE = 1 << 12 };

static const lj_output limits[LJ_CHANNELS] LJ_FLASH = LJ_OUTPUTS;

static enum stage stage;
static uint32_t since;      /* when the stage, or what is on the bus, began */
static uint32_t failed;     /* when the driver was first missed */
static uint32_t slot_at;    /* when the last slot came */
static uint32_t period;     /* us, for which the driver is set, or is to be */
static pwm_scale scale;
static uint16_t apart;      /* counts from start to start */
static uint16_t wanted[LJ_CHANNELS];
static uint16_t shown[LJ_CHANNELS]; /* what the driver has: of servos the counts */
static uint8_t bytes[4 * LJ_CHANNELS];
static uint32_t drained;    /* us to wait for the last pulses */
static uint8_t running;     /* the driver's prescale */
static bool busy;           /* something is on the bus */
static bool known;          /* the driver was started, and runs unless it lost its supply */
static bool shut;           /* OE keeps outputs off */
static bool any;            /* an output is on, or will be */
static bool fresh;          /* wanted is not what the driver has */
static bool giving;         /* outputs are on the bus */
static bool dropping;       /* all off is on the bus */
static bool failing;        /* the driver has not taken its outputs since it was missed */
static bool lost;           /* for so long that the board has to stop */
static bool gentle;         /* outputs go on from what was shown */

uint16_t pwm_faults, pwm_starts;

static void look_at(uint8_t n, lj_output *o) { LJ_FLASH_READ(o, &limits[n], sizeof *o); }

static uint16_t ticks16(int32_t x) { return x < 0 ? 0 : x > 0xffff ? 0xffff : (uint16_t)x; }

/* Sets the scale for a period, and how far starts can be apart. */
static void set_period(uint32_t us)
{
    uint16_t widest = 1;
    lj_output o;
    period = us;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        shown[n] = 0; /* of other counts */
    if (!pwm_scale_set(&scale, LJ_PORT_PWM_OSC_KHZ, us))
        return; /* periods within the board's limits can be had: see above */
    for (uint8_t n = 0; n < LJ_CHANNELS; n++) {
        look_at(n, &o);
        if (!(o.units & LJ_UNITS_TICKS))
            continue;
        uint16_t counts = pwm_counts(&scale, ticks16(o.high), 0, 0xffff);
        if (counts > widest)
            widest = counts;
    }
    apart = (uint16_t)(PWM_COUNTS - 1u - widest) / (LJ_CHANNELS > 1 ? LJ_CHANNELS - 1u : 1u);
}

void outputs_begin(void)
{
    PORTC |= 0x0f; /* pull-ups of inputs */
    PORTD |= 0x78;
    set_period(LJ_LEAST_NS / 1000u > 20000u ? LJ_LEAST_NS / 1000u : LJ_GREATEST_NS / 1000u < 20000u ? LJ_GREATEST_NS / 1000u : 20000u);
    stage = FREE;
    since = 0u - (uint32_t)RETRY;
}

/* Lets the outputs follow the driver, or keeps them off, whatever it does. It is only let
 * where the driver has all off, so that no pulse is cut. */
static void enable(bool on)
{
    shut = !on;
    if (on)
        PORTD &= (uint8_t)~OE;
    else
        PORTD |= OE;
    DDRD |= OE;
}

/* ---- what an output is to be ---- */

static uint16_t counts_of(uint8_t n, const lj_pin *p)
{
    lj_output o;
    if (!p->live)
        return 0;
    if (p->unit == LJ_UNIT_STATE)
        return p->value != 0 ? FULL_ON : 0;
    if (p->unit == LJ_UNIT_LEVEL) {
        uint16_t level = (uint16_t)(((uint32_t)p->value + 8u) >> 4);
        return p->value == 0 ? 0 : level >= FULL_ON ? FULL_ON : level == 0 ? LAMP + 1u : (uint16_t)(LAMP + level);
    }
    if (p->unit != LJ_UNIT_TICKS)
        return 0;
    look_at(n, &o);
    uint16_t counts = pwm_counts(&scale, p->value, ticks16(o.low), ticks16(o.high));
    return counts > 0 ? counts : 1;
}

static bool servo(uint16_t code) { return code > 0 && code < FULL_ON; }

/* After an outage a servo goes on from where it was shown, by no more than it may. */
static uint16_t approach(uint8_t n, uint16_t code)
{
    lj_output o;
    if (!servo(code) || !servo(shown[n]))
        return code;
    look_at(n, &o);
    uint16_t most = pwm_counts(&scale, ticks16((int32_t)(o.change < 0xffffu ? o.change : 0xffffu)), 0, 0xffff);
    if (most == 0)
        most = 1;
    if (code > shown[n] && code - shown[n] > most)
        return (uint16_t)(shown[n] + most);
    if (code < shown[n] && shown[n] - code > most)
        return (uint16_t)(shown[n] - most);
    return code;
}

static uint8_t *put(uint8_t *to, uint16_t word)
{
    *to++ = (uint8_t)word;
    *to++ = (uint8_t)(word >> 8);
    return to;
}

/* Writes the registers of each output, ON and OFF (table 7): in each, bit 12 stands for
 * the whole frame. */
static void fill(void)
{
    uint8_t *b = bytes;
    bool behind = false;
    uint16_t place = 0;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++, place += apart) {
        uint16_t code = gentle ? approach(n, wanted[n]) : wanted[n];
        uint16_t start = servo(code) ? place : 0;
        behind = behind || code != wanted[n];
        b = put(b, code == FULL_ON ? WHOLE : start);
        b = put(b, code == 0 ? WHOLE : code == FULL_ON ? 0 : (uint16_t)(start + (code & (PWM_COUNTS - 1u))));
    }
    gentle = behind;
}

static uint16_t word_at(const uint8_t *b) { return (uint16_t)(b[0] | (uint16_t)b[1] << 8); }

/* Notes what the driver has taken. */
static void taken(void)
{
    const uint8_t *b = bytes;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++, b += 4) {
        uint16_t start = word_at(b), end = word_at(b + 2);
        shown[n] = (start | end) & WHOLE ? 0 : (uint16_t)(end - start);
    }
}

/* Gives the driver what is wanted, when it can take it. */
static void send(uint32_t now)
{
    if (busy || stage != READY || !fresh || lost || running != scale.prescale)
        return;
    fill();
    fresh = false;
    busy = giving = true;
    since = now;
    bus_outputs(bytes, sizeof bytes);
}

void lj_port_slot(const lj_slot *slot)
{
    uint32_t now = clock_us();
    if (slot->period != period)
        set_period(slot->period);
    any = false;
    for (uint8_t n = 0; n < LJ_CHANNELS; n++) {
        lj_pin p;
        wanted[n] = lj_read_pin(n, &p) ? counts_of(n, &p) : 0;
        any = any || wanted[n] != 0;
    }
    fresh = true;
    slot_at = now;
    send(now);
}

bool pulses_any(void) { return any; }

static void all_off(uint32_t now)
{
    for (uint8_t n = 0; n < LJ_CHANNELS; n++)
        wanted[n] = shown[n] = 0;
    any = gentle = false;
    fresh = stage != READY;
    if (stage == READY) {
        bus_off();
        busy = dropping = true;
        giving = false;
        since = now;
    } else if (stage <= PROBE) /* it does not answer, and pulses may leave it */
        enable(false);
}

void lj_port_drop(uint32_t at)
{
    (void)at;
    all_off(clock_us());
}

/* ---- the driver's start, and what it needs when it was lost ---- */

static void go(enum stage to, uint32_t now)
{
    stage = to;
    since = now;
}

/* Something is on the bus until the stage is done. */
static void order(enum stage to, uint32_t now, uint8_t reg, uint8_t byte)
{
    go(to, now);
    busy = true;
    bus_write(reg, byte);
}

static void fail(uint32_t now)
{
    if (pwm_faults < 0xffff)
        pwm_faults++;
    if (!failing)
        failed = now;
    failing = true;
    if (lj_since(now, failed) > OUTAGE)
        lost = true;
    /* Pulses that have to end do, even if they are cut. */
    if (dropping || !known)
        enable(false);
    busy = dropping = giving = false;
    gentle = true;
    go(FREE, now);
}

/* Outputs that are on come with the next slot: not two steps within one frame. */
static void be_ready(uint32_t now)
{
    fresh = !any;
    go(READY, now);
}

/* The driver answers, and has this in MODE1. */
static void recognise(uint32_t now)
{
    uint8_t mode = bus_read_byte();
    if (mode == MODE1_RUN && known && !shut) {
        be_ready(now);
        return;
    }
    known = false;
    drained = mode & SLEEP ? 0 : SLOWEST;
    order(ALL_OFF, now, ALL_LED_OFF_H, FULL);
}

/* What follows when the bus is done with a stage. */
static void next(uint32_t now)
{
    switch (stage) {
    case PROBE:
        recognise(now);
        break;
    case ALL_OFF:
        go(DRAIN, now);
        break;
    case ASLEEP:
        running = scale.prescale;
        order(RATE, now, PRE_SCALE, running);
        break;
    case RATE:
        order(MODE, now, MODE2, MODE2_RUN);
        break;
    case MODE:
        go(LOOK, now);
        busy = true;
        bus_read(PRE_SCALE);
        break;
    case LOOK:
        if (bus_read_byte() != running)
            fail(now);
        else
            order(AWAKE, now, MODE1, MODE1_RUN);
        break;
    case AWAKE:
        since = now;
        break;
    case READY:
        failing = false;
        if (giving)
            taken();
        break;
    default:
        break;
    }
}

/* What is due without the bus. */
static void wait(uint32_t now)
{
    int32_t passed = lj_since(now, since);
    switch (stage) {
    case FREE:
        if (passed < RETRY)
            break;
        if (!bus_free()) {
            fail(now);
            break;
        }
        go(PROBE, now);
        busy = true;
        bus_read(MODE1);
        break;
    case DRAIN:
        if (passed < (int32_t)drained)
            break;
        enable(false);
        order(ASLEEP, now, MODE1, SLEEP | AUTO_INCREMENT);
        break;
    case AWAKE:
        if (passed < STEADY)
            break;
        known = true;
        if (pwm_starts < 0xffff)
            pwm_starts++;
        enable(true);
        be_ready(now);
        break;
    case READY:
        if (running != scale.prescale) { /* it has to sleep for another period */
            drained = pwm_frame_us(running, LJ_PORT_PWM_OSC_KHZ);
            order(ALL_OFF, now, ALL_LED_OFF_H, FULL);
        } else if (any && lj_since(now, slot_at) > SILENCE)
            all_off(now);
        break;
    default:
        break;
    }
}

static bool stopped(void)
{
    uint8_t s = lj_state();
    return s == LJ_STATE_SILENT || s == LJ_STATE_STOPPED || s == LJ_STATE_LOST;
}

void outputs_advance(uint32_t now)
{
    if (busy) {
        bus_state s = bus_poll();
        if (s == BUS_FAILED || (s == BUS_BUSY && lj_since(now, since) > LONGEST_JOB))
            fail(now);
        else if (s == BUS_DONE) {
            busy = dropping = false;
            next(now);
            giving = false;
        }
    }
    if (!busy)
        wait(now);
    if (stage == READY && lost && stopped())
        lost = false;
    send(now);
}

uint16_t inputs_read(void)
{
    uint16_t levels = (uint16_t)((PINC & 15u) | ((uint16_t)(PIND << 1) & 0xf0u));
    if (!lost)
        return levels;
    return LJ_INPUTS_LOW & LJ_INPUTS_STOP ? levels & (uint16_t)~LJ_INPUTS_STOP : levels | LJ_INPUTS_STOP;
}
