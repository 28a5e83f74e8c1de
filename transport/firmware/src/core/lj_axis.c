/* One output in motion. Whatever drives it, its value changes by at most `change` from
 * slot to slot and stays in low..high. */
#include "lj_core.h"

/* Bounds of what a change can be worth: a value has 16 bits, and a stepper's position
 * cannot be told apart beyond half of that. */
#define WIDEST_CHANGE 65535u
#define WIDEST_STEPS 32767u

static int32_t clamp(int32_t x, int32_t low, int32_t high)
{
    if (x < low) {
        return low;
    }
    return x > high ? high : x;
}

static int32_t speed_of(const lj_axis *a)
{
    return lj_axis_is(a, LJ_MODE_BACK) ? -(int32_t)a->pace : (int32_t)a->pace;
}

static void set_speed(lj_axis *a, int32_t speed)
{
    a->mode = (uint8_t)(a->mode & (uint8_t)~LJ_MODE_BACK);
    if (speed < 0) {
        a->mode |= LJ_MODE_BACK;
        speed = -speed;
    }
    a->pace = (uint16_t)speed;
}

/* Sets how much an axis may change from slot to slot, and how much its change may. */
void lj_axis_bound(lj_axis *a, uint32_t change, uint32_t slow)
{
    uint32_t most = lj_axis_unit(a) == LJ_UNIT_STEPS ? WIDEST_STEPS : WIDEST_CHANGE;
    change = change < most ? change : most;
    slow = slow < 2u * WIDEST_CHANGE ? slow : 2u * WIDEST_CHANGE;
    a->kind = (uint8_t)(a->kind & (uint8_t)~LJ_AXIS_WIDE);
    if (slow > 0xffffu) {
        a->kind |= LJ_AXIS_WIDE;
    }
    a->change = (uint16_t)change;
    a->slow = (uint16_t)(slow & 0xffffu);
    if (a->pace > a->change) {
        a->pace = a->change;
    }
}

void lj_axis_configure(lj_axis *a, const lj_channel *c)
{
    if (lj_axis_unit(a) != c->unit) {
        a->mode = (uint8_t)(a->mode & (uint8_t)~LJ_MODE_KNOWN);
    }
    a->kind = (uint8_t)(c->unit | (uint8_t)(c->lost << LJ_AXIS_LOST_SHIFT));
    if ((c->flags & LJ_FLAGS_WEIGHT) != 0u) {
        a->kind |= LJ_AXIS_WEIGHT;
    }
    if ((c->flags & LJ_FLAGS_TURNS) != 0u) {
        a->kind |= LJ_AXIS_TURNS;
    }
    a->low = (lj_limit)c->low;
    a->high = (lj_limit)c->high;
    a->rest = (lj_limit)c->rest;
    a->offset = c->offset;
    a->mode |= LJ_MODE_SET;
    lj_axis_bound(a, c->change, c->slow);
}

/* Puts an axis that has no pulses to a value. */
void lj_axis_place(lj_axis *a, int32_t x)
{
    a->value = clamp(x, lj_axis_low(a), lj_axis_high(a));
    set_speed(a, 0);
    a->mode |= LJ_MODE_LIVE | LJ_MODE_KNOWN;
    lj_axis_direct(a, LJ_AIM_HOLD);
}

/* Lets the axis go. */
void lj_axis_free(lj_axis *a)
{
    a->mode = (uint8_t)(a->mode & (uint8_t)~LJ_MODE_LIVE);
    set_speed(a, 0);
}

/* The way from value to x, at most `most` long either way: the difference itself may need
 * 33 bits. */
static int32_t way_to(int32_t value, int32_t x, int32_t most)
{
    uint32_t way = x >= value ? (uint32_t)x - (uint32_t)value : (uint32_t)value - (uint32_t)x;
    int32_t size = way < (uint32_t)most ? (int32_t)way : most;
    return x >= value ? size : -size;
}

/* Changes the value by v, but not beyond the limits. */
static void move(lj_axis *a, int32_t v)
{
    v = v < 0 ? -way_to(lj_axis_low(a), a->value, -v) : way_to(a->value, lj_axis_high(a), v);
    a->value += v;
    set_speed(a, v);
}

/* Moves towards x within change, and says whether it is not there then. */
static bool move_to(lj_axis *a, int32_t x)
{
    move(a, way_to(a->value, x, (int32_t)a->change));
    return a->value != x;
}

/* Gives in x what a value on the wire counts: for steps the position nearest to another.
 * False where that has no 32 bits; then x is the end of them. */
bool lj_axis_number(const lj_axis *a, uint16_t value, int32_t near, int32_t *x)
{
    switch (lj_axis_unit(a)) {
    case LJ_UNIT_STEPS: {
        int32_t d = lj_ahead(value, (uint16_t)((uint32_t)near & 0xffffu));
        if (d < 0 ? near < INT32_MIN - d : near > INT32_MAX - d) {
            *x = d < 0 ? INT32_MIN : INT32_MAX;
            return false;
        }
        *x = near + d;
        break;
    }
    case LJ_UNIT_DUTY:
        *x = lj_ahead(value, 0);
        break;
    case LJ_UNIT_STATE:
        *x = value != 0u ? 1 : 0;
        break;
    default:
        *x = (int32_t)value;
        break;
    }
    return true;
}

/* Gives in x where an axis without pulses is taken to stand by a value on the wire: of a
 * stepper the position within its limits, or, where those are wider than what the value
 * tells apart, the one nearest to rest. */
bool lj_axis_begin(const lj_axis *a, uint16_t value, int32_t *x)
{
    uint32_t width = (uint32_t)lj_axis_high(a) - (uint32_t)lj_axis_low(a);
    int32_t near = lj_axis_rest(a);
    if (width < 0x10000u) {
        near = lj_axis_low(a) + (int32_t)((width + 1u) / 2u);
    }
    return lj_axis_number(a, value, near, x) && *x >= lj_axis_low(a) && *x <= lj_axis_high(a);
}

/* The value at which an axis whose value is a speed stands still. */
static int32_t standstill(const lj_axis *a)
{
    return lj_axis_unit(a) == LJ_UNIT_DUTY ? clamp(0, lj_axis_low(a), lj_axis_high(a)) : lj_axis_rest(a);
}

/* Whether the axis stands still. */
bool lj_axis_resting(const lj_axis *a)
{
    return a->pace == 0u && (!lj_axis_turns(a) || a->value == standstill(a));
}

/* The greatest speed in low..high from which an axis that goes at it for one slot and
 * then slows down stops within a way; or low, where it goes too far even from that.
 * From v it goes v + (v-slow) + (v-2 slow) + ..., that is (n+1) v - slow n (n+1) / 2
 * with n = v / slow. Between multiples of slow that is a straight line, so two or three
 * of them are tried from the upper end on. Bounds: v and n are below 2^16, so that all of
 * it has 32 bits. */
static int32_t fastest(uint32_t way, int32_t low, int32_t high, uint32_t slow)
{
    uint32_t v, n, back;
    if (high <= low) {
        return low;
    }
    if (high <= 0) {
        return high;
    }
    v = (uint32_t)high;
    n = v / slow;
    back = slow * ((n & 1u) == 0u ? n / 2u * (n + 1u) : (n + 1u) / 2u * n);
    if ((n + 1u) * v - back <= way) {
        return high;
    }
    while (back > way) { /* at n slow it would go too far */
        if ((int32_t)(n * slow) <= low) {
            return low;
        }
        back -= n * slow;
        n--;
    }
    v = (way + back) / (n + 1u);
    return (int32_t)v > low ? (int32_t)v : low;
}

/* Goes on towards a target, with at most `change` a slot and a change of that of at most
 * slow, so that it comes to rest there. */
static void approach(lj_axis *a, int32_t target, int32_t change)
{
    int32_t slow = lj_axis_slow(a), speed = speed_of(a), low, high;
    bool back = target < a->value;
    uint32_t way = back ? (uint32_t)a->value - (uint32_t)target : (uint32_t)target - (uint32_t)a->value;
    if (back) {
        speed = -speed;
    }
    low = clamp(speed - slow, -(int32_t)a->change, INT32_MAX);
    high = speed + slow < change ? speed + slow : change;
    if (high < low) { /* faster than a soft move may be: slow down to it */
        high = low;
    }
    speed = fastest(way, low, high, (uint32_t)slow);
    move(a, back ? -speed : speed);
}

/* Brings the axis to rest: its change a slot shrinks by slow a slot. */
static void brake(lj_axis *a)
{
    int32_t slow = lj_axis_slow(a), speed = speed_of(a);
    if (lj_axis_turns(a)) {
        approach(a, standstill(a), (int32_t)a->change);
    } else if (speed > 0) {
        move(a, speed > slow ? speed - slow : 0);
    } else {
        move(a, speed < -slow ? speed + slow : 0);
    }
}

/* Plays a frame's value, and says whether it had to be changed. A servo's pulses end
 * with a value of 0 and come back at whatever value is next; an axis that carries weight
 * is held instead. */
bool lj_axis_follow(lj_axis *a, uint16_t value)
{
    int32_t want;
    bool whole;
    if (lj_axis_off(a, value)) {
        if (lj_axis_is(a, LJ_MODE_LIVE) && lj_axis_weight(a)) {
            brake(a);
            return true;
        }
        lj_axis_free(a);
        return false;
    }
    whole = lj_axis_number(a, value, a->value, &want);
    if (!lj_axis_is(a, LJ_MODE_LIVE)) {
        lj_axis_place(a, want);
        return !whole || a->value != want;
    }
    return move_to(a, want) || !whole;
}

/* Moves the axis on by a slot in which no frame drives it; to rest by at most soft a
 * slot. */
void lj_axis_settle(lj_axis *a, uint32_t soft)
{
    int32_t fast = soft > 0u && soft < a->change ? (int32_t)soft : (int32_t)a->change;
    uint8_t aim = lj_axis_aim(a);
    if (!lj_axis_is(a, LJ_MODE_LIVE)) {
        return;
    }
    if (aim == LJ_AIM_GO) {
        approach(a, lj_axis_rest(a), fast);
    } else if (!lj_axis_resting(a)) {
        brake(a);
    } else if (aim == LJ_AIM_HOME) {
        lj_axis_direct(a, LJ_AIM_GO);
        approach(a, lj_axis_rest(a), fast);
    } else if (aim == LJ_AIM_FREE && !lj_axis_weight(a)) {
        lj_axis_free(a);
    } else {
        /* it stays */
    }
}

/* Moves the axis on towards a value by at most soft a slot; there, it aims to hold. */
void lj_axis_seek(lj_axis *a, uint16_t value, uint32_t soft)
{
    int32_t target;
    (void)lj_axis_number(a, value, a->value, &target);
    target = clamp(target, lj_axis_low(a), lj_axis_high(a));
    if (a->value == target && a->pace == 0u) {
        lj_axis_direct(a, LJ_AIM_HOLD);
        return;
    }
    approach(a, target, soft < a->change ? (int32_t)soft : (int32_t)a->change);
}

/* Whether a stopped axis has nothing left to do. */
bool lj_axis_settled(const lj_axis *a)
{
    return !lj_axis_is(a, LJ_MODE_LIVE) ||
           (lj_axis_resting(a) && (lj_axis_aim(a) != LJ_AIM_FREE || lj_axis_weight(a)));
}

/* The value at part/whole of the way between two frames' values. Switches, and servos
 * that have no pulse in one of the frames, do not change on the way. */
uint16_t lj_axis_bridge(const lj_axis *a, uint16_t from, uint16_t to, uint16_t part, uint16_t whole)
{
    uint8_t unit = lj_axis_unit(a);
    int32_t way;
    if (unit == LJ_UNIT_STATE || (unit == LJ_UNIT_TICKS && (from == 0u || to == 0u))) {
        return from;
    }
    if (unit == LJ_UNIT_STEPS) {
        way = lj_ahead(to, from);
    } else if (unit == LJ_UNIT_DUTY) {
        way = (int32_t)lj_ahead(to, 0) - lj_ahead(from, 0);
    } else {
        way = (int32_t)to - (int32_t)from;
    }
    way = way * (int32_t)part / (int32_t)whole;
    return (uint16_t)(from + ((uint32_t)way & 0xffffu));
}
