/* A fuzzer for the player in C alone, for libFuzzer or what has its interface: the bytes
 * are commands, among them raw bytes of a line, packets with a right CRC, and what a card's
 * player asks for. watch.c holds the player to what no host may change. */
#include <string.h>

#include "lj_core.h"
#include "watch.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct {
    const uint8_t *at;
    size_t left;
} tape;

static uint32_t now;

static uint8_t take(void)
{
    if (tape.left == 0u) {
        return 0;
    }
    tape.left--;
    tape.at++;
    return tape.at[-1];
}

static uint16_t take16(void)
{
    uint8_t low = take();
    return (uint16_t)(low | take() << 8);
}

#define BODY 5u /* where a payload begins: behind the byte of COBS and the head */

static uint8_t frame[LJ_MAX_FRAME];

/* Gives the player a message whose payload of n bytes stands in the frame. */
static void say(uint8_t kind, uint8_t n)
{
    uint16_t crc = LJ_CRC_INITIAL;
    uint8_t i, code = 1;
    frame[1] = kind;
    frame[2] = n;
    frame[3] = 0;
    frame[4] = 0;
    for (i = 1; i < BODY + n; i++) {
        crc = lj_crc16(crc, frame[i]);
    }
    lj_put16(frame + BODY + n, crc);
    for (i = (uint8_t)(n + 6u); i > 0u; i--) {
        if (frame[i] == 0u) {
            frame[i] = code;
            code = 0;
        }
        code++;
    }
    frame[0] = code;
    for (i = 0; i < n + 7u; i++) {
        lj_receive(now, frame[i]);
    }
    lj_receive(now, 0);
}

/* A message from the tape. Some fields are made right, since they are hard to guess. */
static void message(uint8_t kind)
{
    uint8_t *p = frame + BODY, n = (uint8_t)(take() % 128u), i;
    for (i = 0; i < n; i++) {
        p[i] = take();
    }
    if (kind == LJ_KIND_ARM && n >= LJ_SIZE_ARM) {
        lj_put16(p, lj_kept.boot);
    }
    if (kind == LJ_KIND_FRAMES && n >= LJ_SIZE_FRAMES) {
        lj_put16(p + LJ_AT_FRAMES_INDEX, (uint16_t)(lj.queue.next + (p[0] & 7u)));
        lj_put32(p + LJ_AT_FRAMES_TIME, now + lj_get16(p + LJ_AT_FRAMES_TIME) * 4u - 50000u);
        lj_put32(p + LJ_AT_FRAMES_SPACING, lj.setup + (p[LJ_AT_FRAMES_SPACING] & 15u) * 10000u);
    }
    if ((kind == LJ_KIND_START || kind == LJ_KIND_RESUME) && n >= LJ_SIZE_START) {
        lj_put32(p, now + lj_get16(p));
    }
    say(kind, n);
}

/* A channel within what its output allows. */
static void channel(uint8_t i, const lj_output *o)
{
    uint8_t *p = frame + BODY;
    p[LJ_AT_CHANNEL_CHANNEL] = i;
    p[LJ_AT_CHANNEL_UNIT] = o->unit;
    p[LJ_AT_CHANNEL_LOST] = take() % 3u;
    p[LJ_AT_CHANNEL_FLAGS] = take() & 3u;
    lj_put16(p + LJ_AT_CHANNEL_OFFSET, (uint16_t)(take() * 140u));
    lj_put32(p + LJ_AT_CHANNEL_LOW, (uint32_t)o->low);
    lj_put32(p + LJ_AT_CHANNEL_HIGH, (uint32_t)o->high);
    lj_put32(p + LJ_AT_CHANNEL_REST, (uint32_t)o->rest);
    lj_put32(p + LJ_AT_CHANNEL_CHANGE, 1u + take16() % o->change);
    lj_put32(p + LJ_AT_CHANNEL_SLOW, 1u + take16());
    say(LJ_KIND_CHANNEL, LJ_SIZE_CHANNEL);
}

/* A whole configuration, and an arm at rest. */
static void ready(void)
{
    uint8_t *p = frame + BODY, i, n = 0;
    lj_output o;
    p[LJ_AT_SETUP_CHANNELS] = lj_outputs();
    lj_put32(p + LJ_AT_SETUP_PERIOD, 20000000u);
    lj_put16(p + LJ_AT_SETUP_SILENCE, 250);
    say(LJ_KIND_SETUP, LJ_SIZE_SETUP);
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_output_read(i, &o);
        if (o.units != 0u) {
            channel(i, &o);
        }
    }
    lj_put16(p + LJ_AT_ARM_BOOT, lj_kept.boot);
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_output_read(i, &o);
        if (o.units != 0u) {
            lj_put16(p + LJ_AT_ARM_VALUES + 2u * n, (uint16_t)((uint32_t)o.rest & 0xffffu));
            n++;
        }
    }
    say(LJ_KIND_ARM, (uint8_t)(LJ_SIZE_ARM + 2u * n));
}

/* What a card player would do. */
static void own(uint8_t what)
{
    uint8_t values[2u * LJ_CHANNELS], i;
    for (i = 0; i < sizeof values; i++) {
        values[i] = what > 5u ? take() : 0u;
    }
    switch (what & 7u) {
    case 0:
        (void)lj_own_begin(now, 20000000u);
        break;
    case 1:
        (void)lj_own_start(now, now + take16());
        break;
    case 2:
        (void)lj_own_gap(take());
        break;
    case 3:
        (void)lj_own_rest(now);
        break;
    case 4:
        lj_own_stop(now);
        break;
    case 5:
        (void)lj_own_moving();
        break;
    case 6:
        (void)lj_own_move(values);
        break;
    default:
        (void)lj_own_frame(values);
        break;
    }
}

/* Does what one byte of the tape says. */
static void act(uint8_t what)
{
    switch (what >> 4) {
    case 0:
    case 1:
        now += (uint32_t)take() * 128u;
        lj_advance(now);
        break;
    case 2:
        lj_receive(now, take());
        break;
    case 3:
        ready();
        break;
    case 4:
        lj_inputs(now, what & 3u);
        break;
    case 5:
        if (what == 0x5fu) {
            watch_reset();
            lj_begin(now, take() % 5u, 3);
        } else if (what == 0x5eu) {
            now += (uint32_t)take() * 1000u;
            lj_skip(now);
        } else {
            now += (uint32_t)take() * 1000u;
            lj_advance(now);
        }
        break;
    case 6:
    case 7:
        own(what & 15u);
        break;
    default:
        message(what & 15u);
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size > 4096u) {
        return 0;
    }
    tape.at = data;
    tape.left = size;
    now = 0xfff00000u;
    watch_begin(now);
    lj_begin(now, LJ_RESET_POWER, 1);
    lj.greeted = true;
    while (tape.left > 0u) {
        act(take());
    }
    return 0;
}
