/* What the host's messages do. */
#include "lj_core.h"

static LJ_FLASH const lj_output outputs[LJ_CHANNELS] = LJ_OUTPUTS;

void lj_output_read(uint8_t n, lj_output *o)
{
    LJ_FLASH_READ(o, &outputs[n], sizeof *o);
}

/* Counts the outputs that there are. */
uint8_t lj_outputs(void)
{
    uint8_t i, n = 0;
    lj_output o;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_output_read(i, &o);
        if (o.units != 0u) {
            n++;
        }
    }
    return n;
}

/* Gives the least and the greatest value that a unit counts. */
static void countable(uint8_t unit, int32_t *low, int32_t *high)
{
    *low = 0;
    *high = 65535;
    if (unit == LJ_UNIT_TICKS) {
        *low = 1;
    } else if (unit == LJ_UNIT_DUTY) {
        *low = -32767;
        *high = 32767;
    } else if (unit == LJ_UNIT_STATE) {
        *high = 1;
    } else if (unit == LJ_UNIT_STEPS) {
        *low = INT32_MIN;
        *high = INT32_MAX;
    } else {
        /* a level has all 16 bits */
    }
}

/* Whether a pulse, with its offset, ends within the period. */
static bool fits(uint32_t ticks)
{
    uint32_t ps, us = lj_pulse_us(ticks, &ps), whole = lj.setup / 1000u;
    return us < whole || (us == whole && ps <= lj.setup % 1000u * 1000u);
}

/* Holds a channel against what the board itself allows of an output, what the unit can
 * count, and the frame. */
LJ_APART bool lj_allowed(const lj_output *o, const lj_channel *c)
{
    int32_t low, high;
    countable(c->unit, &low, &high);
    low = o->low > low ? o->low : low;
    high = o->high < high ? o->high : high;
    if (((1u << c->unit) & o->units) == 0u || c->low < low || c->high > high) {
        return false;
    }
    if (c->unit == LJ_UNIT_TICKS && (c->high < 1 || !fits((uint32_t)c->offset + (uint32_t)c->high))) {
        return false;
    }
    return c->low <= c->rest && c->rest <= c->high && c->change > 0u && c->change <= o->change && c->slow > 0u;
}

/* Whether an axis whose pulses leave can go on under another configuration. */
bool lj_continues(const lj_axis *a, const lj_channel *c)
{
    bool turns = c->unit == LJ_UNIT_DUTY || (c->flags & LJ_FLAGS_TURNS) != 0u;
    return !lj_axis_is(a, LJ_MODE_LIVE) || (lj_axis_unit(a) == c->unit && lj_axis_turns(a) == turns &&
                                            a->value >= c->low && a->value <= c->high);
}

#if LJ_WIRE

typedef struct {
    uint8_t result;
    uint8_t detail;
} lj_answer;

static lj_answer about(uint8_t result, uint8_t detail)
{
    lj_answer a;
    a.result = result;
    a.detail = detail;
    return a;
}

/* An answer about no channel. */
static lj_answer other(uint8_t result)
{
    return about(result, lj.state);
}

static lj_answer ok(void)
{
    return other(LJ_RESULT_OK);
}

/* Whether the host may queue and play frames: not where the board plays by itself. */
static bool hosted(void)
{
    return lj_armed() && !lj.own;
}

/* Takes a setup. */
static lj_answer prepare(const uint8_t *p)
{
    uint8_t channels = p[LJ_AT_SETUP_CHANNELS], i;
    uint32_t period = lj_get32(p + LJ_AT_SETUP_PERIOD);
    uint16_t silence = lj_get16(p + LJ_AT_SETUP_SILENCE);
    if (!lj_disarmed()) {
        return other(LJ_RESULT_STATE);
    }
    if (channels == 0u || period == 0u || silence == 0u) {
        return other(LJ_RESULT_UNCLEAR);
    }
    if (channels > lj_outputs() || period < LJ_LEAST_NS || period > LJ_GREATEST_NS) {
        return about(LJ_RESULT_LIMITS, LJ_NOBODY);
    }
    lj.channels = channels;
    lj.setup = period;
    lj.silence = silence;
    lj.period = (period + 500u) / 1000u;
    if (lj.period == 0u) {
        lj.period = 1;
    }
    lj.used = 0;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj.axes[i].mode = (uint8_t)(lj.axes[i].mode & (uint8_t)~LJ_MODE_SET);
    }
    return ok();
}

static void read_channel(const uint8_t *p, lj_channel *c)
{
    c->unit = p[LJ_AT_CHANNEL_UNIT];
    c->lost = p[LJ_AT_CHANNEL_LOST];
    c->flags = p[LJ_AT_CHANNEL_FLAGS];
    c->offset = lj_get16(p + LJ_AT_CHANNEL_OFFSET);
    c->low = lj_signed32(lj_get32(p + LJ_AT_CHANNEL_LOW));
    c->high = lj_signed32(lj_get32(p + LJ_AT_CHANNEL_HIGH));
    c->rest = lj_signed32(lj_get32(p + LJ_AT_CHANNEL_REST));
    c->change = lj_get32(p + LJ_AT_CHANNEL_CHANGE);
    c->slow = lj_get32(p + LJ_AT_CHANNEL_SLOW);
}

/* Takes a channel. */
static lj_answer configure(const uint8_t *p)
{
    uint8_t n = p[LJ_AT_CHANNEL_CHANNEL];
    lj_output o;
    lj_channel c;
    lj_axis *a;
    if (!lj_disarmed()) {
        return other(LJ_RESULT_STATE);
    }
    if (n >= LJ_CHANNELS) {
        return about(LJ_RESULT_CHANNEL, n);
    }
    lj_output_read(n, &o);
    if (o.units == 0u) {
        return about(LJ_RESULT_CHANNEL, n);
    }
    if (lj.channels == 0u) {
        return about(LJ_RESULT_UNSET, n);
    }
    read_channel(p, &c);
    c.flags |= o.flags; /* what carries weight does so whatever the host says */
    if (c.unit > LJ_UNIT_STATE || c.lost > LJ_POLICY_RELEASE) {
        return about(LJ_RESULT_UNCLEAR, n);
    }
    a = &lj.axes[n];
    if (!lj_allowed(&o, &c) || !lj_continues(a, &c)) {
        return about(LJ_RESULT_LIMITS, n);
    }
    if (!lj_axis_is(a, LJ_MODE_SET)) {
        if (lj.used == lj.channels) {
            return about(LJ_RESULT_CHANNEL, n);
        }
        lj.used++;
    }
    lj_axis_configure(a, &c);
    return ok();
}

/* Goes through the values of an arm: first to hold them against the limits, then to place
 * the axes. Gives the channel that is out of limits. */
static uint8_t take_pose(const uint8_t *values, bool place)
{
    uint8_t i;
    int32_t x;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        uint16_t value;
        if (!lj_axis_is(a, LJ_MODE_SET)) {
            continue;
        }
        value = lj_get16(values);
        values += 2;
        if (lj_axis_is(a, LJ_MODE_LIVE) || lj_axis_off(a, value)) {
            continue;
        }
        if (!lj_axis_begin(a, value, &x)) {
            return i;
        }
        if (place) {
            lj_axis_place(a, x);
        }
    }
    return LJ_NOBODY;
}

/* Lets pulses leave. */
static lj_answer arm(const lj_packet *m)
{
    uint8_t count = (uint8_t)((m->length - LJ_SIZE_ARM) / 2u), bad;
    if (lj_get16(m->payload + LJ_AT_ARM_BOOT) != lj_kept.boot) {
        return other(LJ_RESULT_BOOT);
    }
    if (!lj_disarmed() || lj_refuses() || (lj.inputs & LJ_INPUTS_STOP) != 0u) {
        return other(LJ_RESULT_STATE);
    }
    if (lj.channels == 0u || lj.used < lj.channels || count != lj.used) {
        return about(LJ_RESULT_UNSET, LJ_NOBODY);
    }
    bad = take_pose(m->payload + LJ_AT_ARM_VALUES, false);
    if (bad != LJ_NOBODY) {
        return about(LJ_RESULT_LIMITS, bad);
    }
    (void)take_pose(m->payload + LJ_AT_ARM_VALUES, true);
    lj_direct(LJ_AIM_HOLD);
    lj_queue_clear(&lj.queue, 0);
    lj.lasting = false;
    lj.told = 0;
    lj_kept.played = 0;
    lj_enter(LJ_STATE_ARMED, LJ_CAUSE_HOST);
    return ok();
}

/* Queues frames. */
static lj_answer frames(const lj_packet *m)
{
    const uint8_t *p = m->payload, *values = p + LJ_AT_FRAMES_VALUES;
    uint32_t at = lj_get32(p + LJ_AT_FRAMES_TIME), spacing = lj_get32(p + LJ_AT_FRAMES_SPACING);
    uint8_t n = (uint8_t)((m->length - LJ_SIZE_FRAMES) / 2u), count, i;
    uint16_t ns = 0, *row;
    int32_t ahead = lj_ahead(lj_get16(p + LJ_AT_FRAMES_INDEX), lj.queue.next);
    bool late;
    if (!hosted()) {
        return other(LJ_RESULT_STATE);
    }
    if (n % lj.used != 0u) {
        return about(LJ_RESULT_UNSET, LJ_NOBODY);
    }
    count = (uint8_t)(n / lj.used);
    if (ahead + count > (int32_t)LJ_QUEUE) {
        return other(LJ_RESULT_FULL);
    }
    if (count > 1u && (spacing < lj_nearest(lj.setup) || spacing > LJ_GREATEST_NS)) {
        return about(LJ_RESULT_LIMITS, LJ_NOBODY);
    }
    for (; count > 0u; count--, ahead++) {
        if (ahead >= 0) { /* otherwise it came again */
            late = lj.state == LJ_STATE_PLAYING && lj_since(lj.now, at) > (int32_t)(lj.period / 2u);
            row = lj_queue_put(&lj.queue, (uint16_t)ahead, at, late);
            for (i = 0; i < lj.used; i++) {
                row[i] = lj_get16(values + 2u * i);
            }
        }
        values += 2u * lj.used;
        at += spacing / 1000u;
        ns = (uint16_t)(ns + spacing % 1000u);
        if (ns >= 1000u) {
            ns = (uint16_t)(ns - 1000u);
            at++;
        }
    }
    return ok();
}

/* Begins to play. */
static lj_answer start(const uint8_t *p)
{
    if (!hosted() || lj.state == LJ_STATE_HELD) {
        return other(LJ_RESULT_STATE);
    }
    if (lj.state == LJ_STATE_ARMED) {
        lj.begin = lj_get32(p + LJ_AT_START_TIME);
        lj.lasting = false;
        lj_enter(LJ_STATE_PLAYING, LJ_CAUSE_HOST);
    }
    return ok();
}

/* Stops playing. */
static lj_answer hold(void)
{
    if (!hosted() || lj.state == LJ_STATE_ARMED) {
        return other(LJ_RESULT_STATE);
    }
    lj_enter(LJ_STATE_HELD, LJ_CAUSE_HOST);
    return ok();
}

/* Goes on after hold: all times move by as much as the first frame's. */
static lj_answer resume(const uint8_t *p)
{
    if (!hosted() || lj.state == LJ_STATE_ARMED) {
        return other(LJ_RESULT_STATE);
    }
    if (lj.state == LJ_STATE_HELD && lj.queue.count > 0u) {
        uint32_t later = lj_get32(p + LJ_AT_RESUME_TIME) - lj_queue_time(&lj.queue);
        lj_queue_shift(&lj.queue, later);
        lj.last += later;
        lj.begin += later;
    }
    lj_enter(LJ_STATE_PLAYING, LJ_CAUSE_HOST);
    return ok();
}

/* Stops. */
static lj_answer halt(uint8_t category)
{
    if (category == LJ_CATEGORY_DROP) {
        lj_drop();
        lj_enter(LJ_STATE_SILENT, LJ_CAUSE_HOST);
    } else if (category == LJ_CATEGORY_CONTROLLED) {
        lj_stop(LJ_CAUSE_HOST);
    } else {
        return other(LJ_RESULT_UNCLEAR);
    }
    return ok();
}

/* Drops frames. */
static lj_answer flush(const uint8_t *p)
{
    if (!hosted()) {
        return other(LJ_RESULT_STATE);
    }
    lj_queue_cut(&lj.queue, lj_ahead(lj_get16(p + LJ_AT_FLUSH_INDEX), lj.queue.next));
    return ok();
}

/* Does what a message says. */
static lj_answer act(const lj_packet *m)
{
    const uint8_t *p = m->payload;
    switch (m->kind) {
    case LJ_KIND_ASK:
        return about(LJ_RESULT_CHANNEL, p[LJ_AT_ASK_CHANNEL]);
    case LJ_KIND_SETUP:
        return prepare(p);
    case LJ_KIND_CHANNEL:
        return configure(p);
    case LJ_KIND_ARM:
        return arm(m);
    case LJ_KIND_FRAMES:
        return frames(m);
    case LJ_KIND_START:
        return start(p);
    case LJ_KIND_HOLD:
        return hold();
    case LJ_KIND_RESUME:
        return resume(p);
    case LJ_KIND_STOP:
        return halt(p[LJ_AT_STOP_CATEGORY]);
    case LJ_KIND_FLUSH:
        return flush(p);
    default:
        return other(LJ_RESULT_UNCLEAR);
    }
}

/* Answers messages that ask for something, and says whether it did. */
static bool ask(const lj_packet *m)
{
    lj_output o;
    uint8_t what = m->payload[0];
    switch (m->kind) {
    case LJ_KIND_IDENTIFY:
        lj.greeted = true;
        lj_send_identity();
        return true;
    case LJ_KIND_ASK:
        if (what >= LJ_CHANNELS) {
            return false;
        }
        lj_output_read(what, &o);
        if (o.units == 0u) {
            return false;
        }
        lj_send_limits(what, &o);
        return true;
    case LJ_KIND_CLOCK:
        lj_send_time(m->payload);
        return true;
    case LJ_KIND_QUERY:
        if (what == LJ_TOPIC_STATUS) {
            lj_send_status();
        } else if (what == LJ_TOPIC_POSE) {
            lj_send_pose();
        } else {
            return false;
        }
        return true;
    default:
        return false;
    }
}

/* Answers a message and sends what follows the answer. */
static void acknowledge(const lj_packet *m, lj_answer a)
{
    if (m->kind == LJ_KIND_FRAMES && a.result == LJ_RESULT_OK) {
        return;
    }
    lj_send_ack(m, a.result, a.detail);
    if (a.result == LJ_RESULT_OK && m->kind == LJ_KIND_ARM) {
        lj_send_pose();
    }
    if (a.result == LJ_RESULT_OK && m->kind == LJ_KIND_FLUSH) {
        lj_send_credit();
    }
}

/* Takes a message of the host that has all that its kind needs. */
void lj_message(const lj_packet *m)
{
    lj_not_before(lj.now + LJ_LEAD_US); /* what comes now cannot begin earlier */
    lj.heard = lj.now;
    if (!ask(m)) {
        lj_answer a = act(m);
        lj_prune();
        acknowledge(m, a);
    }
    lj_report();
    lj_rouse();
}

#endif
