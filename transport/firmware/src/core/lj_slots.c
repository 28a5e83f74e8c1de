/* When a slot begins, and what stands in it. */
#include <stddef.h>

#include "lj_core.h"

/* Whether there are slots. */
static bool pulsing(void)
{
    uint8_t i;
    if (lj.state != LJ_STATE_STOPPED && lj.state != LJ_STATE_LOST) {
        return lj.state != LJ_STATE_SILENT;
    }
    for (i = 0; i < LJ_CHANNELS; i++) {
        if (lj_axis_is(&lj.axes[i], LJ_MODE_LIVE)) {
            return true;
        }
    }
    return false;
}

/* The time before which no slot may begin. */
static uint32_t earliest(void)
{
    return lj_later(lj.floor, lj.prev + lj.room);
}

/* How far the next frame is from the last one that was played, and how far the first
 * queued one is; false where no missing frame stands between two that are known. */
static bool hole(uint16_t *part, uint16_t *whole)
{
    int16_t n = lj_ahead(lj.queue.next, lj.index);
    if (lj.queue.first == 0 || !lj.lasting || n < 1 || n > (int16_t)LJ_QUEUE) {
        return false;
    }
    *part = (uint16_t)n;
    *whole = (uint16_t)(n + lj.queue.first);
    return true;
}

/* part/whole of a size, where the product would need more than 32 bits. */
static uint32_t share(uint32_t size, uint16_t part, uint16_t whole)
{
    uint32_t q = size / whole, r = size % whole;
    return q * part + r * part / whole;
}

/* The time of the next frame to play, and whether it is one that is missing. The time of
 * that is on the line between the frames around it. Where there is none before it, it is
 * left out, and the time is that of the first queued one. */
static bool upcoming(uint32_t *at, bool *missing)
{
    uint16_t part, whole;
    int32_t way;
    if (lj.state != LJ_STATE_PLAYING || lj.queue.count == 0u) {
        return false;
    }
    *at = lj_queue_time(&lj.queue);
    *missing = LJ_WIRE != 0 && hole(&part, &whole); /* a board by itself queues them in order */
    if (LJ_WIRE != 0 && *missing) {
        way = lj_since(*at, lj.last);
        *at = way < 0 ? lj.last - share(lj.last - *at, part, whole) : lj.last + share(*at - lj.last, part, whole);
    }
    return true;
}

/* The start of the next slot; false where there are none. */
bool lj_next_slot(uint32_t *start)
{
    uint32_t least = earliest(), usual = lj.prev + lj.period, at;
    bool missing;
    if (!pulsing()) {
        return false;
    }
    if (upcoming(&at, &missing)) {
        at = lj_later(at, least);
        if (lj_since(at, usual + lj_nearest(lj.period)) < 0) {
            *start = at;
            return true;
        }
    }
    *start = lj_later(usual, least);
    return true;
}

/* Drops the first queued frame, and what is missing before it. */
static void leave_out(void)
{
    int16_t n;
    for (n = lj.queue.first; n >= 0; n--) {
        lj_queue_skip(&lj.queue);
    }
}

/* Drops the next frame, where it will not be played any more. */
static bool pruned(void)
{
    uint32_t at;
    bool missing, late;
    if (!upcoming(&at, &missing)) {
        return false;
    }
    late = lj_since(earliest(), at) > (int32_t)(lj.period + lj.period / 2u);
    if (LJ_WIRE != 0 && missing) {
        if (late) {
            lj_queue_skip(&lj.queue);
        }
        return late;
    }
    if (lj_since(at, lj.begin) < 0) {
        leave_out();
        return true;
    }
    if (late || (lj.queue.marks[lj_queue_place(&lj.queue, (uint16_t)lj.queue.first)] & LJ_MARK_LATE) != 0u) {
        lj_kept.late++;
        leave_out();
        return true;
    }
    return false;
}

/* Drops frames that will not be played any more: those before the begin, those that came
 * late, and those whose slot other pulses keep taken for one and a half periods. */
void lj_prune(void)
{
    while (pruned()) {
    }
}

/* Moves one axis on, on the way to rest by no more than the rig's soft change. */
static void settle_softly(lj_axis *a, uint8_t i)
{
    lj_output o;
    lj_output_read(i, &o);
    lj_axis_settle(a, o.soft);
}

/* Moves all axes on without a frame. Between two queued frames that are far apart they
 * stand still; a board that plays by itself brings them to rest there, since it knows that
 * frames are missing. */
static void settle(void)
{
    bool between = lj.state == LJ_STATE_PLAYING && lj.queue.count > 0u && !lj.own;
    uint8_t i, n = 0;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        if (between) {
            if (!lj_axis_turns(a)) {
                a->pace = 0;
            }
        } else if (!lj.own || lj.seek == NULL || !lj.seek(a, i, n)) {
            settle_softly(a, i);
        } else {
            /* it has moved */
        }
        if (lj_axis_is(a, LJ_MODE_SET)) {
            n++;
        }
    }
}

/* Plays the next frame, or bridges it. */
static void frame(uint32_t at, bool missing)
{
    const uint16_t *row;
    uint16_t part = 1, whole = 1;
    uint8_t i, n = 0;
    while (LJ_WIRE != 0 && !missing && lj.queue.first > 0) {
        lj_queue_skip(&lj.queue);
    }
    row = lj.queue.values[lj_queue_place(&lj.queue, LJ_WIRE != 0 && missing ? (uint16_t)lj.queue.first : 0u)];
    if (LJ_WIRE != 0 && missing) {
        (void)hole(&part, &whole);
        lj_kept.bridged++;
    } else {
        lj_kept.played++;
    }
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        if (lj_axis_is(a, LJ_MODE_SET)) {
            uint16_t value = row[n];
            if (LJ_WIRE != 0 && missing) {
                value = lj_axis_bridge(a, lj.bridge[n], value, part, whole);
            }
            lj.bridge[n] = value;
            n++;
            if (lj_axis_follow(a, value)) {
                lj_kept.clamped++;
            }
        }
    }
    lj.index = lj.queue.next;
    lj.last = at;
    lj.lasting = true;
    lj_queue_skip(&lj.queue);
}

/* Some ticks in whole us, and the rest in ps. A tick has up to 32 bits of ps, so that the
 * product has no room; its parts have. */
uint32_t lj_pulse_us(uint32_t ticks, uint32_t *ps)
{
    const uint32_t us = (uint32_t)LJ_TICK_PS / 1000000u;
    const uint32_t ns = (uint32_t)LJ_TICK_PS / 1000u % 1000u;
    const uint32_t rest = (uint32_t)LJ_TICK_PS % 1000u;
    uint32_t low = ticks * rest, mid = ticks * ns + low / 1000u;
    *ps = mid % 1000u * 1000u + low % 1000u;
    return ticks * us + mid / 1000u;
}

bool lj_read_pin(uint8_t n, lj_pin *pin)
{
    const lj_axis *a;
    if (n >= LJ_CHANNELS) {
        return false;
    }
    a = &lj.axes[n];
    pin->unit = lj_axis_unit(a);
    pin->live = lj_axis_is(a, LJ_MODE_LIVE);
    pin->fresh = pin->live && !lj_axis_is(a, LJ_MODE_SHOWN);
    pin->offset = a->offset;
    pin->value = pin->live || pin->unit == LJ_UNIT_STEPS ? lj_axis_wire(a) : 0u;
    return lj_axis_is(a, LJ_MODE_SET | LJ_MODE_LIVE | LJ_MODE_SHOWN);
}

/* The least time to the next slot: no pulse may still be on then. */
static uint32_t room(void)
{
    uint32_t longest = 0, least = lj_nearest(lj.period), us, ps;
    uint8_t i;
    for (i = 0; i < LJ_CHANNELS; i++) {
        const lj_axis *a = &lj.axes[i];
        if (lj_axis_is(a, LJ_MODE_LIVE) && lj_axis_unit(a) == LJ_UNIT_TICKS) {
            uint32_t end = (uint32_t)a->offset + lj_axis_wire(a);
            longest = end > longest ? end : longest;
        }
    }
    us = lj_pulse_us(longest, &ps);
    if (ps > 0u) {
        us++;
    }
    return us > least ? us : least;
}

/* Ends a stop when all axes are at rest. */
static void finish(void)
{
    uint8_t i;
    if (lj.state != LJ_STATE_STOPPING) {
        return;
    }
    for (i = 0; i < LJ_CHANNELS; i++) {
        if (!lj_axis_settled(&lj.axes[i])) {
            return;
        }
    }
    lj_enter(LJ_STATE_STOPPED, lj.cause);
}

/* Plays one slot. */
void lj_play(uint32_t start)
{
    lj_slot s = {0};
    uint32_t at;
    bool missing;
    uint8_t i;
    if (upcoming(&at, &missing) && lj_since(at, start) <= 0) {
        s.framed = true;
        s.bridged = missing;
        s.index = (uint16_t)(lj.queue.next + (missing ? 0u : (uint16_t)lj.queue.first));
        frame(at, missing);
    } else {
        settle();
    }
    s.start = start;
    s.state = lj.state;
    s.period = lj.period;
    s.room = room();
    lj.prev = start;
    lj.room = s.room;
    lj_port_slot(&s);
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_axis *a = &lj.axes[i];
        a->mode = (uint8_t)(a->mode & (uint8_t)~LJ_MODE_SHOWN);
        if (lj_axis_is(a, LJ_MODE_LIVE)) {
            a->mode |= LJ_MODE_SHOWN;
        }
    }
    lj_prune();
    finish();
}
