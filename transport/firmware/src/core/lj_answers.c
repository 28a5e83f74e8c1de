/* What the board sends. */
#include "lj_core.h"

#if LJ_WIRE

#define BODY 5u /* where a payload begins in a frame: behind the byte of COBS and the head */

/* Each message is built where it is encoded, on the stack. */
#define FRAME(size) uint8_t frame[(size) + LJ_OVERHEAD + 2u], *const p = frame + BODY

static void finish(uint8_t *frame, uint8_t kind, uint8_t length)
{
    frame[1] = kind;
    lj_line_send(frame, length);
}

static LJ_FLASH const char name[] = LJ_NAME;
#define NAME_SIZE (sizeof(LJ_NAME) - 1u)

void lj_send_identity(void)
{
    FRAME(LJ_SIZE_IDENTITY + NAME_SIZE);
    p[LJ_AT_IDENTITY_VERSION] = LJ_VERSION;
    lj_put16(p + LJ_AT_IDENTITY_BOOT, lj_kept.boot);
    p[LJ_AT_IDENTITY_CAUSE] = lj.reset;
    lj_put16(p + LJ_AT_IDENTITY_RESETS, lj_kept.resets);
    p[LJ_AT_IDENTITY_CHANNELS] = LJ_CHANNELS;
    lj_put16(p + LJ_AT_IDENTITY_DEPTH, LJ_QUEUE);
    p[LJ_AT_IDENTITY_PAYLOAD] = LJ_PAYLOAD;
    lj_put32(p + LJ_AT_IDENTITY_TICK, LJ_TICK_PS);
    lj_put32(p + LJ_AT_IDENTITY_LEAST, LJ_LEAST_NS);
    lj_put32(p + LJ_AT_IDENTITY_GREATEST, LJ_GREATEST_NS);
    lj_put32(p + LJ_AT_IDENTITY_PRINT, LJ_PRINT);
    LJ_FLASH_READ(p + LJ_AT_IDENTITY_NAME, name, NAME_SIZE);
    finish(frame, LJ_KIND_IDENTITY, (uint8_t)(LJ_SIZE_IDENTITY + NAME_SIZE));
}

void lj_send_limits(uint8_t n, const lj_output *o)
{
    FRAME(LJ_SIZE_LIMITS);
    p[LJ_AT_LIMITS_CHANNEL] = n;
    p[LJ_AT_LIMITS_UNITS] = o->units;
    lj_put32(p + LJ_AT_LIMITS_LOW, (uint32_t)o->low);
    lj_put32(p + LJ_AT_LIMITS_HIGH, (uint32_t)o->high);
    lj_put32(p + LJ_AT_LIMITS_CHANGE, o->change);
    finish(frame, LJ_KIND_LIMITS, LJ_SIZE_LIMITS);
}

void lj_send_time(const uint8_t *token)
{
    FRAME(LJ_SIZE_TIME);
    lj_put32(p + LJ_AT_TIME_TOKEN, lj_get32(token));
    lj_put32(p + LJ_AT_TIME_RECEIVED, lj.now);
    lj_put32(p + LJ_AT_TIME_SENT, lj.now);
    finish(frame, LJ_KIND_TIME, LJ_SIZE_TIME);
}

void lj_send_ack(const lj_packet *about, uint8_t result, uint8_t detail)
{
    FRAME(LJ_SIZE_ACK);
    p[LJ_AT_ACK_ABOUT] = about->kind;
    lj_put16(p + LJ_AT_ACK_SEQUENCE, about->sequence);
    p[LJ_AT_ACK_RESULT] = result;
    p[LJ_AT_ACK_DETAIL] = detail;
    finish(frame, LJ_KIND_ACK, LJ_SIZE_ACK);
}

/* Sends a status, and the credit that follows it. */
void lj_send_status(void)
{
    FRAME(LJ_SIZE_STATUS);
    lj.changed = false;
    lj.due = lj.now + LJ_STATUS_US;
    p[LJ_AT_STATUS_STATE] = lj.state;
    p[LJ_AT_STATUS_CAUSE] = lj.cause;
    lj_put32(p + LJ_AT_STATUS_TIME, lj.now);
    lj_put16(p + LJ_AT_STATUS_INDEX, lj.queue.next);
    lj_put16(p + LJ_AT_STATUS_QUEUED, lj.queue.count);
    lj_put32(p + LJ_AT_STATUS_PLAYED, lj_kept.played);
    lj_put16(p + LJ_AT_STATUS_LATE, lj_kept.late);
    lj_put16(p + LJ_AT_STATUS_BRIDGED, lj_kept.bridged);
    lj_put16(p + LJ_AT_STATUS_CLAMPED, lj_kept.clamped);
    lj_put16(p + LJ_AT_STATUS_BAD, lj_kept.bad);
    lj_put16(p + LJ_AT_STATUS_UNKNOWN, lj_kept.unknown);
    lj_put16(p + LJ_AT_STATUS_INPUTS, lj.inputs);
    lj_put16(p + LJ_AT_STATUS_SUPPLY, lj.supply);
    finish(frame, LJ_KIND_STATUS, LJ_SIZE_STATUS);
    lj_send_credit();
}

void lj_send_pose(void)
{
    FRAME(LJ_SENT_POSE);
    uint8_t *live = p + LJ_AT_POSE_LIVE, *values = live + (lj.used + 7u) / 8u;
    uint8_t i, n = 0;
    p[LJ_AT_POSE_STATE] = lj.state;
    p[LJ_AT_POSE_COUNT] = lj.used;
    for (i = 0; i < LJ_CHANNELS; i++) {
        const lj_axis *a = &lj.axes[i];
        if (!lj_axis_is(a, LJ_MODE_SET)) {
            continue;
        }
        if ((n & 7u) == 0u) {
            live[n / 8u] = 0;
        }
        if (lj_axis_is(a, LJ_MODE_LIVE)) {
            live[n / 8u] = (uint8_t)(live[n / 8u] | (uint8_t)(1u << (n & 7u)));
        }
        lj_put16(values + 2u * n, lj_axis_wire(a));
        n++;
    }
    finish(frame, LJ_KIND_POSE, (uint8_t)(LJ_SIZE_POSE + (n + 7u) / 8u + 2u * n));
}

void lj_send_credit(void)
{
    FRAME(LJ_SIZE_CREDIT);
    lj.told = lj.queue.next;
    lj_put16(p + LJ_AT_CREDIT_LIMIT, (uint16_t)(lj.told + LJ_QUEUE));
    lj_put16(p + LJ_AT_CREDIT_FREE, (uint16_t)(LJ_QUEUE - lj.queue.count));
    finish(frame, LJ_KIND_CREDIT, LJ_SIZE_CREDIT);
}

/* Sends what is due without being asked for. A board is silent until it has been asked
 * who it is. */
void lj_report(void)
{
    const int16_t quarter = LJ_QUEUE < 4 ? 1 : (int16_t)(LJ_QUEUE / 4);
    if (!lj.greeted) {
        return;
    }
    if (lj.changed) {
        lj_send_status();
    } else if (lj_ahead(lj.queue.next, lj.told) >= quarter) {
        lj_send_credit();
    } else {
        /* nothing new */
    }
}

#endif
