/* The board's states, its time and its resets. */
#include <stddef.h>
#include <string.h>

#include "lj_core.h"

#if LJ_CHANNELS < 1 || LJ_CHANNELS > 112
#error "LJ_CHANNELS must be from 1 to 112"
#endif
#if LJ_QUEUE < 1 || LJ_QUEUE > 255
#error "LJ_QUEUE must be from 1 to 255"
#endif
#if LJ_WIRE && (LJ_PAYLOAD < 32 || LJ_PAYLOAD > 240)
#error "LJ_PAYLOAD must be from 32 to 240"
#endif
#if LJ_GREATEST_NS > 1000000000
#error "LJ_GREATEST_NS must be at most 1 s"
#endif

#if LJ_WIRE
/* The name has to fit into an identity. */
typedef char lj_name_fits[sizeof(LJ_NAME) - 1u + LJ_SIZE_IDENTITY <= LJ_PAYLOAD ? 1 : -1];
#endif

#define MINUTE_US 60000000u
/* A check of memory that was never written must not be right by its zeros. */
#define CHECK_INITIAL 0x4c4au

lj_board lj;
LJ_KEPT lj_memory lj_kept;

/* The later of two times. */
uint32_t lj_later(uint32_t a, uint32_t b)
{
    return lj_since(a, b) > 0 ? a : b;
}

/* Makes a time that is longer ago than LJ_LONG one that is as long ago as that. */
void lj_renew(uint32_t *t)
{
    if (lj_since(lj.now, *t) > (int32_t)LJ_LONG) {
        *t = lj.now - LJ_LONG;
    }
}

/* Lets no slot begin before a time. */
void lj_not_before(uint32_t t)
{
    lj.floor = lj_later(lj.floor, t);
}

/* The check of what a reset leaves. */
static uint16_t check(void)
{
    const uint8_t *p = (const uint8_t *)&lj_kept;
    uint16_t crc = CHECK_INITIAL;
    size_t i;
    for (i = 0; i < offsetof(lj_memory, check); i++) {
        crc = lj_crc16(crc, p[i]);
    }
    return crc;
}

/* Adds the time of the last run to the age of a reset. */
static uint32_t older(uint32_t age)
{
    return age >= LJ_LONG || lj_kept.up >= LJ_LONG - age ? LJ_LONG : age + lj_kept.up;
}

/* Follows the resets: those by power and by the reset pin are asked for, all others make
 * the board refuse to be armed when there are three in a minute. One that a bootloader hides
 * may be any, and mostly is the pin's, by which a host that opens the port resets the board. */
static void remember(uint8_t cause, uint16_t boot)
{
    bool known = lj_kept.check == check();
    uint32_t last, before;
    lj_kept.boot = known ? (uint16_t)(lj_kept.boot + 1u) : boot;
    if (!known || cause == LJ_RESET_POWER) {
        boot = lj_kept.boot;
        (void)memset(&lj_kept, 0, sizeof lj_kept);
        lj_kept.boot = boot;
        lj_kept.ages[0] = LJ_LONG;
        lj_kept.ages[1] = LJ_LONG;
    }
    if (cause != LJ_RESET_POWER) {
        lj_kept.resets++;
        last = older(lj_kept.ages[0]);
        before = older(lj_kept.ages[1]);
        if (cause != LJ_RESET_PIN && cause != LJ_RESET_UNKNOWN) {
            if (before < MINUTE_US) {
                lj_kept.refuse = 1;
            }
            before = last;
            last = 0;
        }
        lj_kept.ages[0] = last;
        lj_kept.ages[1] = before;
    }
    lj_kept.up = 0;
    lj_kept.check = check();
}

uint8_t lj_dip(uint8_t cause)
{
    bool brief = lj_kept.check == check() && lj_kept.up < MINUTE_US;
    return cause == LJ_RESET_POWER && brief ? (uint8_t)LJ_RESET_BROWNOUT : cause;
}

void lj_begin(uint32_t now, uint8_t cause, uint16_t boot)
{
    remember(cause, boot);
    (void)memset(&lj, 0, sizeof lj);
    lj.now = now;
    lj.wake = now;
    lj.born = now;
    lj.due = now;
    lj.prev = now;
    lj.floor = now;
    lj.heard = now;
    lj.reset = cause;
    lj.state = LJ_STATE_SILENT;
    lj.cause = LJ_CAUSE_RESET;
    if (cause == LJ_RESET_POWER) {
        lj.cause = LJ_CAUSE_NONE;
    }
    if (lj_kept.refuse != 0u) {
        lj.cause = LJ_CAUSE_RESETS;
    }
#if LJ_WIRE
    lj_line_begin();
#endif
}

/* When the host will have been silent for too long; false where it need not be heard. */
static bool silent(uint32_t *at)
{
    *at = lj.heard + lj.silence * (uint32_t)1000u;
    return lj_armed() && !lj.own;
}

/* Does what each axis does when the host is silent. */
static void lose(void)
{
    lj_empty();
    lj_direct_lost();
    lj_enter(LJ_STATE_LOST, LJ_CAUSE_SILENCE);
}

typedef enum { NOTHING, SILENCE, SLOT, STATUS } lj_event;

/* What is due first, and when. */
static lj_event first(uint32_t *at)
{
    lj_event e = STATUS;
    uint32_t t;
    *at = lj.due;
    if (lj_next_slot(&t) && lj_since(t - LJ_LEAD_US, *at) <= 0) {
        *at = t - LJ_LEAD_US;
        e = SLOT;
    }
    if (LJ_WIRE != 0 && silent(&t) && lj_since(t, *at) <= 0) {
        *at = t;
        e = SILENCE;
    }
    return e;
}

/* What is due now, if anything. */
static lj_event upcoming(uint32_t now, uint32_t *at)
{
    lj_event e = first(at);
    return lj_since(*at, now) > 0 ? NOTHING : e;
}

/* Keeps times that are long past from becoming future ones when 32 bits go around. While
 * held the frames' times stand still, and only their differences count. */
static void age(void)
{
    lj_renew(&lj.born);
    lj_renew(&lj.prev);
    lj_renew(&lj.floor);
    lj_renew(&lj.heard);
    if (lj.state == LJ_STATE_PLAYING || (lj.state == LJ_STATE_ARMED && !lj.own)) {
        lj_queue_age(&lj.queue);
        lj_renew(&lj.begin);
        lj_renew(&lj.last);
    }
}

/* A slot that a busy program has missed is not played in the past, where the port could
 * not keep its pulses whole. */
static bool missed(uint32_t at, uint32_t now)
{
#if LJ_LEAD_US > 0
    if (lj_since(now, at + LJ_LEAD_US) > 0) {
        lj_not_before(now + LJ_LEAD_US);
        return true;
    }
#else
    (void)at;
    (void)now;
#endif
    return false;
}

void lj_advance(uint32_t now)
{
    uint32_t at;
    lj_event e;
    if (lj_since(now, lj.now) < 0) {
        now = lj.now;
    }
    lj_kept.up = now - lj.born; /* there is no last word before a reset */
    if (lj_since(now, lj.wake) < 0) {
        lj.now = now;
        return;
    }
    while ((e = upcoming(now, &at)) != NOTHING) {
        lj.now = lj_later(lj.now, at);
        if (e == SLOT) {
            if (!missed(at, now)) {
                lj_play(at + LJ_LEAD_US);
            }
        } else if (LJ_WIRE != 0 && e == SILENCE) {
            lose();
        } else {
            lj.due = lj.now + LJ_STATUS_US;
            lj.changed = true;
            age();
        }
        lj_report();
    }
    lj.now = now;
    lj.wake = at;
}

/* Lets the next lj_advance look again at what is due. */
void lj_rouse(void)
{
    lj.wake = lj.now;
}

uint32_t lj_wait(uint32_t now)
{
    uint32_t at;
    (void)first(&at);
    return lj_since(at, now) > 0 ? at - now : 0u;
}

void lj_skip(uint32_t now)
{
    lj.now = lj_later(lj.now, now);
    lj_not_before(lj.now + LJ_LEAD_US);
    lj.due = lj_later(lj.due, lj.now);
    lj_prune();
    lj_rouse();
}

void lj_inputs(uint32_t now, uint16_t active)
{
    bool pressed;
    lj_advance(now);
    if (active == lj.inputs) {
        return;
    }
    pressed = (active & (uint16_t)~lj.inputs & LJ_INPUTS_STOP) != 0u;
    lj.inputs = active;
    lj.changed = true;
    if (pressed) {
        lj_stop(LJ_CAUSE_INPUT);
    }
    lj_report();
    lj_rouse();
}

void lj_supply(uint16_t mv)
{
    lj.supply = mv;
}

uint8_t lj_state(void)
{
    return lj.state;
}

uint8_t lj_cause(void)
{
    return lj.cause;
}

bool lj_refuses(void)
{
    return lj_kept.refuse != 0u;
}

/* Whether the host has to be heard, where it is not the board that plays by itself. */
bool lj_armed(void)
{
    return lj.state == LJ_STATE_ARMED || lj.state == LJ_STATE_PLAYING || lj.state == LJ_STATE_HELD;
}

/* Whether the board may be configured and armed. */
bool lj_disarmed(void)
{
    return lj.state == LJ_STATE_SILENT || lj.state == LJ_STATE_STOPPED || lj.state == LJ_STATE_LOST;
}

/* Goes to a state. */
void lj_enter(uint8_t state, uint8_t cause)
{
    if (state == lj.state) {
        return;
    }
    lj.state = state;
    lj.cause = cause;
    lj.changed = true;
}

/* Empties the queue. */
void lj_empty(void)
{
    lj_queue_clear(&lj.queue, lj.queue.next);
    lj.lasting = false;
}

/* Gives all axes an aim. */
void lj_direct(uint8_t aim)
{
    uint8_t i;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis_direct(&lj.axes[i], aim);
    }
}

/* Gives each axis the aim that its policy has for when who drives it is lost. */
void lj_direct_lost(void)
{
    uint8_t i;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        uint8_t lost = lj_axis_lost(a), aim = LJ_AIM_HOLD;
        if (lost == LJ_POLICY_REST) {
            aim = LJ_AIM_HOME;
        } else if (lost == LJ_POLICY_RELEASE) {
            aim = LJ_AIM_FREE;
        } else {
            /* it holds */
        }
        lj_axis_direct(a, aim);
    }
}

/* Ends all pulses. */
void lj_drop(void)
{
    bool pulsing = false;
    uint8_t i;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        pulsing = pulsing || lj_axis_is(a, LJ_MODE_LIVE);
        lj_axis_free(a);
        a->mode = (uint8_t)(a->mode & (uint8_t)~LJ_MODE_SHOWN);
    }
    if (pulsing) {
        lj_port_drop(lj.now);
    }
    lj_empty();
    lj.own = false;
}

/* Brings all axes to rest and lets go what carries no weight. */
void lj_stop(uint8_t cause)
{
    if (lj_armed() || lj.state == LJ_STATE_LOST) {
        lj_empty();
        lj_direct(LJ_AIM_FREE);
        lj.own = false;
        lj_enter(LJ_STATE_STOPPING, cause);
    }
}
