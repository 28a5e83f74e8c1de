/* Playing without a host: frames from elsewhere go through the same queue and the same
 * axes. */
#include "lj_core.h"

/* Goes through the outputs: first to see whether all fit, then to take them. */
static bool each_output(bool take)
{
    lj_output o;
    uint8_t i;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        lj_output_read(i, &o);
        if (o.units == 0u) {
            continue;
        }
        if (!take) {
            if (!lj_allowed(&o, &o) || !lj_continues(a, &o)) {
                return false;
            }
            continue;
        }
        lj_axis_configure(a, &o);
        if (!lj_axis_is(a, LJ_MODE_LIVE)) {
            lj_axis_place(a, lj_axis_is(a, LJ_MODE_KNOWN) ? a->value : o.rest);
        }
    }
    return true;
}

bool lj_own_fits(uint32_t period_ns)
{
    uint32_t before = lj.setup;
    bool fits;
    lj.setup = period_ns; /* each pulse has to fit into it */
    fits = period_ns >= LJ_LEAST_NS && period_ns <= LJ_GREATEST_NS && each_output(false);
    lj.setup = before;
    return fits;
}

bool lj_own_begin(uint32_t now, uint32_t period_ns)
{
    lj_advance(now);
    if (!lj_disarmed() || lj_refuses() || (lj.inputs & LJ_INPUTS_STOP) != 0u || !lj_own_fits(period_ns)) {
        return false;
    }
    lj.setup = period_ns;
    (void)each_output(true);
    lj.used = lj_outputs();
    lj.channels = 0; /* a host that arms afterwards has to configure anew */
    lj.period = (period_ns + 500u) / 1000u;
    lj.tail = 0;
    lj.tail_ns = 0;
    lj.own = true;
    lj_direct(LJ_AIM_HOLD);
    lj_queue_clear(&lj.queue, 0);
    lj.lasting = false;
    lj.told = 0;
    lj_kept.played = 0;
    lj_not_before(lj.now + LJ_LEAD_US);
    lj_enter(LJ_STATE_ARMED, LJ_CAUSE_NONE);
    lj_report();
    lj_rouse();
    return true;
}

bool lj_own(void)
{
    return lj.own;
}

/* Moves an axis on its way to a pose; false where it has none. i is its output, n its
 * number among those that there are. */
static bool seek(lj_axis *a, uint8_t i, uint8_t n)
{
    lj_output o;
    if (lj_axis_aim(a) != LJ_AIM_POSE || lj.state != LJ_STATE_ARMED) {
        return false;
    }
    lj_output_read(i, &o);
    lj_axis_seek(a, lj.bridge[n], o.soft > 0u ? o.soft : o.change);
    return true;
}

bool lj_own_move(const uint8_t *values)
{
    uint8_t i, n = 0;
    if (!lj.own || lj.state != LJ_STATE_ARMED) {
        return false;
    }
    lj.seek = seek;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        uint16_t value;
        if (!lj_axis_is(a, LJ_MODE_SET)) {
            continue;
        }
        value = lj_get16(values + 2u * n);
        lj.bridge[n] = value;
        n++;
        if (lj_axis_off(a, value)) {
            lj_axis_direct(a, LJ_AIM_HOLD);
            continue;
        }
        if (!lj_axis_is(a, LJ_MODE_LIVE)) {
            lj_axis_place(a, a->value); /* where it was left */
        }
        lj_axis_direct(a, lj_axis_turns(a) ? LJ_AIM_HOLD : LJ_AIM_POSE);
    }
    return true;
}

bool lj_own_moving(void)
{
    uint8_t i;
#if LJ_HOMING
    if (lj_port_homing()) {
        return true;
    }
#endif
    for (i = 0; i < LJ_CHANNELS; i++) {
        const lj_axis *a = &lj.axes[i];
        if (lj_axis_is(a, LJ_MODE_LIVE) && (lj_axis_aim(a) == LJ_AIM_POSE || !lj_axis_resting(a))) {
            return true;
        }
    }
    return false;
}

uint8_t lj_own_room(void)
{
    return (uint8_t)(LJ_QUEUE - lj.queue.count);
}

bool lj_own_frame(const uint8_t *values)
{
    uint16_t *row;
    uint8_t i;
    bool late;
    if (!lj.own || lj.queue.count >= LJ_QUEUE) {
        return false;
    }
    late = lj.state == LJ_STATE_PLAYING && lj_since(lj.now, lj.tail) > (int32_t)(lj.period / 2u);
    row = lj_queue_put(&lj.queue, lj.queue.count, lj.tail, late);
    for (i = 0; i < lj.used; i++) {
        row[i] = lj_get16(values + 2u * i);
    }
    (void)lj_own_gap(1);
    lj_prune();
    lj_rouse();
    return true;
}

/* A period has at most 1 s, so that a gap has at most 255 s, and none of this overflows. */
bool lj_own_gap(uint8_t frames)
{
    uint32_t us = lj.setup / 1000u, ns = (lj.setup - us * 1000u) * frames + lj.tail_ns, carry = ns / 1000u;
    if (!lj.own) {
        return false;
    }
    lj.tail += us * frames + carry;
    lj.tail_ns = (uint16_t)(ns - carry * 1000u);
    return true;
}

bool lj_own_start(uint32_t now, uint32_t at)
{
    uint32_t later;
    lj_advance(now);
    if (!lj.own || lj.state != LJ_STATE_ARMED || lj.queue.count == 0u) {
        return false;
    }
    at = lj_later(lj_later(at, lj.now + LJ_LEAD_US), lj.prev + lj.period);
    later = at - lj_queue_time(&lj.queue);
    lj_queue_shift(&lj.queue, later);
    lj.tail += later;
    lj.begin = at;
    lj.lasting = false;
    lj_direct(LJ_AIM_HOLD);
    lj_enter(LJ_STATE_PLAYING, LJ_CAUSE_NONE);
    lj_report();
    lj_rouse();
    return true;
}

bool lj_own_played(void)
{
    return lj.own && lj.state == LJ_STATE_PLAYING && lj.queue.count == 0u;
}

bool lj_own_rest(uint32_t now)
{
    lj_advance(now);
    if (!lj.own || lj.state != LJ_STATE_PLAYING) {
        return false;
    }
    lj_empty();
    lj_direct(LJ_AIM_HOLD);
    lj.tail = 0;
    lj.tail_ns = 0;
    lj_enter(LJ_STATE_ARMED, LJ_CAUSE_NONE);
    lj_report();
    lj_rouse();
    return true;
}

void lj_own_stop(uint32_t now)
{
    lj_advance(now);
    if (lj.own) {
        lj_stop(LJ_CAUSE_NONE);
        lj_report();
        lj_rouse();
    }
}
