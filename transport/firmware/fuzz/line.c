/* Fuzzes the player by its line: the input is what comes over the wire, in pieces of up to 37
 * bytes; after each, as many tenths of a millisecond pass as its first byte says. FuzzLine in
 * Go reads the same inputs, and compares this player with the board in Go on each.
 *
 * The player is held to what no host may change (watch.c), and its decoder to a plain one. The
 * changes that are tried go through packets: those with a wrong CRC lead nowhere. */
#include <stdlib.h>

#include "lj_core.h"
#include "watch.h"

#define PIECE 37u
#define MOST 4096u /* bytes of an input */
#define BOOT 7u
#define POWER_US (0u - 20000u) /* near where the clock goes around */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed);
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t most); /* the library's own */

/* ---- what the decoder has to find ---- */

static struct {
    uint8_t raw[LJ_MAX_FRAME];
    size_t count; /* since the last zero, at most LJ_MAX_FRAME */
    uint16_t bad;
    uint16_t unknown;
} plain;

/* The least payload of each kind that a host sends. */
static const uint8_t sizes[] = {0, LJ_SIZE_IDENTIFY, LJ_SIZE_ASK, LJ_SIZE_CLOCK, LJ_SIZE_SETUP, LJ_SIZE_CHANNEL,
                                LJ_SIZE_ARM, LJ_SIZE_FRAMES, LJ_SIZE_START, LJ_SIZE_HOLD, LJ_SIZE_RESUME,
                                LJ_SIZE_STOP, LJ_SIZE_QUERY, LJ_SIZE_FLUSH};
#define KINDS ((uint8_t)sizeof sizes)

static bool taken(const watch_packet *p)
{
    uint8_t kind = p->body[0], n = p->body[1];
    bool values = kind == LJ_KIND_ARM || kind == LJ_KIND_FRAMES;
    return kind >= 1u && kind < KINDS && n >= sizes[kind] && n <= LJ_PAYLOAD && (!values || (n - sizes[kind]) % 2 == 0);
}

static void plainly(uint8_t byte)
{
    watch_packet p;
    if (byte != 0u) {
        if (plain.count < LJ_MAX_FRAME) {
            plain.raw[plain.count] = byte;
            plain.count++;
        }
        return;
    }
    if (plain.count == 0u) {
        return;
    }
    watch_decode(&p, plain.raw, plain.count);
    if (plain.count == LJ_MAX_FRAME || !p.sound) {
        plain.bad++;
    } else if (!taken(&p)) {
        plain.unknown++;
    } else {
        /* the player takes it */
    }
    plain.count = 0;
}

/* ---- one input ---- */

static void hear(uint32_t now, const uint8_t *bytes, size_t n)
{
    size_t i;
    for (i = 0; i < n; i++) {
        plainly(bytes[i]);
        lj_receive(now, bytes[i]);
        watch_that(lj_kept.bad == plain.bad && lj_kept.unknown == plain.unknown, "the decoder counts otherwise than a plain one");
    }
}

static void say(uint32_t now, uint8_t kind, uint8_t byte)
{
    uint8_t frame[MOST_BODY + 2u];
    watch_packet p = {0};
    p.body[0] = kind;
    p.body[4] = byte;
    hear(now, frame, watch_encode(frame, &p, 1));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint32_t now = POWER_US;
    if (size > MOST) {
        return 0;
    }
    (void)memset(&plain, 0, sizeof plain);
    watch_begin(now);
    lj_begin(now, LJ_RESET_POWER, BOOT);
    lj_inputs(now, 0);
    say(now, LJ_KIND_IDENTIFY, 1);
    while (size > 0u) {
        size_t n = size < PIECE ? size : PIECE;
        hear(now, data, n);
        now += data[0] * 100u;
        lj_advance(now);
        data += n;
        size -= n;
    }
    say(now, LJ_KIND_QUERY, LJ_TOPIC_STATUS);
    say(now, LJ_KIND_QUERY, LJ_TOPIC_POSE);
    return 0;
}

/* ---- changes ---- */

static uint32_t dice;

/* xorshift of 32 bits by G. Marsaglia, Journal of Statistical Software 8(14), 2003. */
static uint32_t roll(uint32_t n)
{
    dice ^= dice << 13;
    dice ^= dice >> 17;
    dice ^= dice << 5;
    return dice % n;
}

/* One frame of the input: where it begins and how long it is, with its zero. */
typedef struct {
    size_t at;
    size_t count;
} span;

/* Chooses one; the last may have no zero. */
static span choose(const uint8_t *data, size_t size)
{
    span s = {0, 0};
    size_t i, n = 0, which;
    for (i = 0; i < size; i++) {
        n += data[i] == 0u ? 1u : 0u;
    }
    which = n > 0u ? roll((uint32_t)n) : 0u;
    for (i = 0; i < size && which > 0u; i++) {
        which -= data[i] == 0u ? 1u : 0u;
    }
    s.at = i;
    while (i < size && data[i] != 0u) {
        i++;
    }
    s.count = (i < size ? i + 1u : i) - s.at;
    return s;
}

/* Puts bytes in the place of a frame; the input stays as it is where there is no room. */
static size_t replace(uint8_t *data, size_t size, size_t most, span s, const uint8_t *bytes, size_t n)
{
    if (size - s.count + n > most) {
        return size;
    }
    (void)memmove(data + s.at + n, data + s.at + s.count, size - s.at - s.count);
    (void)memcpy(data + s.at, bytes, n);
    return size - s.count + n;
}

/* A packet of a kind that a host sends, with as much payload as it needs at least. */
static size_t invent(watch_packet *p)
{
    size_t i, n;
    p->body[0] = (uint8_t)(1u + roll(KINDS - 1u));
    p->body[2] = 0;
    p->body[3] = 0;
    n = sizes[p->body[0]];
    for (i = 0; i < n; i++) {
        p->body[4u + i] = (uint8_t)(roll(2) == 0u ? 0u : roll(256));
    }
    return n;
}

/* Changes head or payload of a packet; gives the new length of the payload. */
static size_t change(watch_packet *p)
{
    size_t n = p->body[1];
    if (roll(16) == 0u) {
        p->body[0] = (uint8_t)roll(KINDS + 2u);
    }
    if (n == 0u) {
        p->body[4] = 0;
        n = 1;
    }
    return LLVMFuzzerMutate(p->body + 4, n, roll(4) == 0u ? MOST_PAYLOAD : n);
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed)
{
    uint8_t frame[2u * (MOST_BODY + 2u)];
    watch_packet p;
    size_t n;
    span s;
    dice = seed | 1u;
    most = most < MOST ? most : MOST;
    if (size == 0u || size > most || roll(5) == 0u) {
        return LLVMFuzzerMutate(data, size, most);
    }
    s = choose(data, size);
    switch (roll(8)) {
    case 0: /* one more */
        s.count = 0;
        return replace(data, size, most, s, frame, watch_encode(frame, &p, invent(&p)));
    case 1: /* twice */
        if (s.count > sizeof frame) {
            break;
        }
        (void)memcpy(frame, data + s.at, s.count);
        n = s.count;
        s = choose(data, size);
        s.count = 0;
        return replace(data, size, most, s, frame, n);
    case 2: /* not at all */
        return s.count < size ? replace(data, size, most, s, frame, 0) : size;
    default:
        break;
    }
    watch_decode(&p, data + s.at, s.count > 0u ? s.count - 1u : 0u);
    if (!p.sound) {
        return LLVMFuzzerMutate(data, size, most);
    }
    return replace(data, size, most, s, frame, watch_encode(frame, &p, change(&p)));
}
