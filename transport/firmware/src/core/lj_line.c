/* Packets on a serial line: Consistent Overhead Byte Stuffing (Cheshire and Baker,
 * IEEE/ACM Transactions on Networking 7(2), 1999) around head, payload and CRC. */
#include "lj_core.h"

/* One step of the CRC, most significant bit first, without a table. */
uint16_t lj_crc16(uint16_t crc, uint8_t byte)
{
    uint16_t x = (uint16_t)((crc >> 8) ^ byte);
    x ^= (uint16_t)(x >> 4);
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)(x << 12) ^ (uint16_t)(x << 5) ^ x);
}

#if LJ_WIRE

#define FULL 255u /* the code of a block that no zero follows */

/* The packet that is being received is decoded and checked byte by byte, so that one that
 * is too long for the memory is still told from one that is broken. The CRC is the last
 * two bytes, which are known as such only at the end: two bytes wait. */
static struct {
    uint8_t body[LJ_HEAD + LJ_PAYLOAD];
    uint8_t wait[2];
    uint16_t crc;
    uint8_t raw;   /* bytes since the last zero, at most 255 */
    uint8_t count; /* bytes decoded, with those that wait */
    uint8_t block; /* bytes to come in this block */
    bool zero;     /* a zero stands behind this block, if another follows */
} in;

static void restart(void)
{
    in.crc = LJ_CRC_INITIAL;
    in.raw = 0;
    in.count = 0;
    in.block = 0;
    in.zero = false;
}

void lj_line_begin(void)
{
    restart();
}

/* Adds a decoded byte to the packet. */
static void add(uint8_t byte)
{
    if (in.count >= 2u) {
        uint8_t i = (uint8_t)(in.count - 2u);
        in.crc = lj_crc16(in.crc, in.wait[0]);
        if (i < sizeof in.body) {
            in.body[i] = in.wait[0];
        }
    }
    in.wait[0] = in.wait[1];
    in.wait[1] = byte;
    in.count++; /* no more than the raw bytes, which end in time */
}

/* Takes a byte that is no zero. */
static void keep(uint8_t byte)
{
    if (in.raw == LJ_MAX_FRAME) {
        return; /* too long; it ends at the next zero */
    }
    in.raw++;
    if (in.block > 0u) {
        in.block--;
        add(byte);
        return;
    }
    if (in.zero) {
        add(0);
    }
    in.block = (uint8_t)(byte - 1u);
    in.zero = byte != FULL;
}

/* Whether what a zero has ended is a packet. */
static bool whole(void)
{
    return in.raw < LJ_MAX_FRAME && in.block == 0u && in.count >= LJ_OVERHEAD &&
           in.body[1] <= LJ_MAX_PAYLOAD && in.count == in.body[1] + LJ_OVERHEAD &&
           lj_get16(in.wait) == in.crc;
}

#define NO_KIND 255u

/* The least length of the payload of a kind of the host; NO_KIND for other kinds. */
static uint8_t least(uint8_t kind)
{
    switch (kind) {
    case LJ_KIND_IDENTIFY:
        return LJ_SIZE_IDENTIFY;
    case LJ_KIND_ASK:
        return LJ_SIZE_ASK;
    case LJ_KIND_CLOCK:
        return LJ_SIZE_CLOCK;
    case LJ_KIND_SETUP:
        return LJ_SIZE_SETUP;
    case LJ_KIND_CHANNEL:
        return LJ_SIZE_CHANNEL;
    case LJ_KIND_ARM:
        return LJ_SIZE_ARM;
    case LJ_KIND_FRAMES:
        return LJ_SIZE_FRAMES;
    case LJ_KIND_START:
        return LJ_SIZE_START;
    case LJ_KIND_HOLD:
        return LJ_SIZE_HOLD;
    case LJ_KIND_RESUME:
        return LJ_SIZE_RESUME;
    case LJ_KIND_STOP:
        return LJ_SIZE_STOP;
    case LJ_KIND_QUERY:
        return LJ_SIZE_QUERY;
    case LJ_KIND_FLUSH:
        return LJ_SIZE_FLUSH;
    default:
        return NO_KIND;
    }
}

/* Whether a payload has all that its kind needs, no half value, and room here. */
static bool known(uint8_t kind, uint8_t length)
{
    uint8_t n = least(kind);
    bool values = kind == LJ_KIND_ARM || kind == LJ_KIND_FRAMES;
    return length >= n && length <= LJ_PAYLOAD && !(values && ((length ^ n) & 1) != 0);
}

/* Takes the packet that a zero has ended. What is due is done first, but not for what is no
 * message of a host. */
static void end(uint32_t now)
{
    lj_packet p;
    if (!whole()) {
        lj_kept.bad++;
        return;
    }
    p.kind = in.body[0];
    p.length = in.body[1];
    p.sequence = lj_get16(in.body + 2);
    p.payload = in.body + LJ_HEAD;
    if (least(p.kind) != NO_KIND) {
        lj_advance(now);
    }
    if (!known(p.kind, p.length)) {
        lj_kept.unknown++;
        return;
    }
    lj_message(&p);
}

void lj_receive(uint32_t now, uint8_t byte)
{
    if (byte != 0u) {
        keep(byte);
        return;
    }
    if (in.raw > 0u) {
        end(now);
        restart();
    }
}

/* Encodes n bytes behind the first in place: each zero becomes the way to the next. Only
 * for less than 254 bytes. */
static void stuff(uint8_t *frame, uint8_t n)
{
    uint8_t i, code = 1;
    for (i = n; i > 0u; i--) {
        if (frame[i] == 0u) {
            frame[i] = code;
            code = 0;
        }
        code++;
    }
    frame[0] = code;
}

/* Sends a message, whose kind and payload stand in the frame already. */
void lj_line_send(uint8_t *frame, uint8_t length)
{
    uint8_t i, n = (uint8_t)(LJ_HEAD + length);
    uint16_t crc = LJ_CRC_INITIAL;
    frame[2] = length;
    lj_put16(frame + 3, lj.sequence);
    lj.sequence++;
    for (i = 1; i <= n; i++) {
        crc = lj_crc16(crc, frame[i]);
    }
    lj_put16(frame + 1u + n, crc);
    n = (uint8_t)(n + 2u);
    stuff(frame, n);
    frame[n + 1u] = 0;
    lj_port_send(frame, (uint8_t)(n + 2u));
}

#endif
