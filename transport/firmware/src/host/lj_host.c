/* The host port: the board's program with a script instead of a line, a clock and pins.
 *
 * Reads commands from standard input and answers `run` with all that has come out since
 * the last. All integers are little-endian. Commands are a letter and its arguments; `at`
 * is the board's time, u32 in us.
 *
 *   N boot:u16 tick:u32 supply:u16   a new board gets power, its time being tick
 *   R at cause:u8                    a reset; the board's time is 0 then
 *   B at count:u8 bytes              bytes from the host
 *   A at                             time passes
 *   W at                             the same, as far and as often as lj_wait says
 *   I at inputs:u16                  the inputs are these
 *   i at raw:u16                     levels of the input pins, through lj_input_read
 *   S at                             the program did not run until now
 *   o at what:u8 ...                 the board plays by itself; what is a letter:
 *       b period:u32  m count:u8 values  f count:u8 values  g frames:u16  s start:u32  r  x
 *   ?                                gives a record q
 *   p steps:u16 span:u16             gives a record p: the intervals of a spread
 *   Q                                run: gives u32 length and the records
 *
 * Records: a letter and what is in it.
 *
 *   s count:u8 bytes   sent
 *   l start:u32 room:u32 period:u32 index:u16 state:u8 flags:u8 pins:u8, and a pin each:
 *     output:u8 unit:u8 flags:u8 offset:u16 value:u16
 *   d at:u32 cut:u8    pulses are dropped
 *   o yes:u8           what the function of o gave
 *   i inputs:u16       what lj_input_read gave
 *   q state:u8 cause:u8 flags:u8 room:u8; flags: 1 own, 2 moving, 4 played, 8 refuses */
#include <stdio.h>
#include <stdlib.h>

#include "limberjack.h"

static struct {
    uint8_t *bytes;
    size_t count;
    size_t room;
} out;

static uint16_t inputs;
static uint16_t supply;

static void fail(const char *why)
{
    (void)fprintf(stderr, "%s\n", why);
    exit(2);
}

static void put(uint32_t x, unsigned bytes)
{
    for (; bytes > 0u; bytes--) {
        if (out.count == out.room) {
            out.room = out.room * 2u + 1024u;
            out.bytes = realloc(out.bytes, out.room);
            if (out.bytes == NULL) {
                fail("no memory");
            }
        }
        out.bytes[out.count] = (uint8_t)(x & 0xffu);
        out.count++;
        x >>= 8;
    }
}

static uint32_t get(unsigned bytes)
{
    uint32_t x = 0;
    unsigned i;
    for (i = 0; i < bytes; i++) {
        int c = getchar();
        if (c == EOF) {
            fail("the script ends within a command");
        }
        x |= (uint32_t)c << (8u * i);
    }
    return x;
}

void lj_port_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t i;
    put('s', 1);
    put(count, 1);
    for (i = 0; i < count; i++) {
        put(bytes[i], 1);
    }
}

void lj_port_slot(const lj_slot *s)
{
    lj_pin pin;
    uint8_t i, n = 0;
    size_t count;
    put('l', 1);
    put(s->start, 4);
    put(s->room, 4);
    put(s->period, 4);
    put(s->index, 2);
    put(s->state, 1);
    put((s->framed ? 1u : 0u) | (s->bridged ? 2u : 0u), 1);
    count = out.count;
    put(0, 1);
    for (i = 0; i < LJ_CHANNELS; i++) {
        if (lj_read_pin(i, &pin)) {
            n++;
            put(i, 1);
            put(pin.unit, 1);
            put((pin.live ? 1u : 0u) | (pin.fresh ? 2u : 0u), 1);
            put(pin.offset, 2);
            put(pin.value, 2);
        }
    }
    out.bytes[count] = n;
}

static void dropped(uint32_t at, bool cut)
{
    put('d', 1);
    put(at, 4);
    put(cut ? 1u : 0u, 1);
}

void lj_port_drop(uint32_t at)
{
    dropped(at, false);
}

/* The host port has no EEPROM; see lj_hours_host.c. */
static void begin(uint32_t tick, uint8_t cause, uint16_t boot)
{
    lj_begin(tick, cause, boot);
    lj_supply(supply);
    lj_inputs(tick, inputs);
}

static void reset(uint32_t at)
{
    lj_pin pin;
    bool live = false;
    uint8_t i;
    lj_advance(at);
    for (i = 0; i < LJ_CHANNELS; i++) {
        live = (lj_read_pin(i, &pin) && pin.live) || live;
    }
    if (live) {
        dropped(at, true);
    }
    begin(0, (uint8_t)get(1), 0);
}

static const uint8_t *values(void)
{
    static uint8_t v[256];
    uint32_t i, n = get(1);
    for (i = 0; i < n; i++) {
        v[i] = (uint8_t)get(1);
    }
    return v;
}

static void own(uint32_t at)
{
    bool yes = true;
    switch (get(1)) {
    case 'b':
        yes = lj_own_begin(at, get(4));
        break;
    case 'm':
        lj_advance(at);
        yes = lj_own_move(values());
        break;
    case 'f':
        lj_advance(at);
        yes = lj_own_frame(values());
        break;
    case 'g':
        lj_advance(at);
        yes = lj_own_gap((uint8_t)get(2));
        break;
    case 's':
        yes = lj_own_start(at, get(4));
        break;
    case 'r':
        yes = lj_own_rest(at);
        break;
    case 'x':
        lj_own_stop(at);
        break;
    default:
        fail("no such function");
    }
    put('o', 1);
    put(yes ? 1u : 0u, 1);
}

static void query(void)
{
    put('q', 1);
    put(lj_state(), 1);
    put(lj_cause(), 1);
    put((lj_own() ? 1u : 0u) | (lj_own_moving() ? 2u : 0u) | (lj_own_played() ? 4u : 0u) | (lj_refuses() ? 8u : 0u), 1);
    put(lj_own_room(), 1);
}

static void spread(void)
{
    lj_spread s;
    uint16_t steps = (uint16_t)get(2), span = (uint16_t)get(2), i;
    lj_spread_begin(&s, steps, span);
    put('p', 1);
    for (i = 0; i < steps; i++) {
        put(lj_spread_next(&s), 2);
    }
    put(lj_spread_next(&s), 2);
}

static void run(void)
{
    size_t all = out.count;
    put((uint32_t)all, 4);
    (void)fwrite(out.bytes + all, 1, 4, stdout);
    (void)fwrite(out.bytes, 1, all, stdout);
    (void)fflush(stdout);
    out.count = 0;
}

/* Goes from event to event, as a program that sleeps between them. */
static void wait_until(uint32_t at, uint32_t from)
{
    while (lj_since(at, from) > 0) {
        uint32_t wait = lj_wait(from), left = at - from;
        from += wait < left ? wait : left;
        lj_advance(from);
    }
}

static void timed(int command, uint32_t at)
{
    static uint32_t before;
    uint32_t n;
    switch (command) {
    case 'R':
        reset(at);
        at = 0;
        break;
    case 'B':
        for (n = get(1); n > 0u; n--) {
            lj_receive(at, (uint8_t)get(1));
        }
        break;
    case 'A':
        lj_advance(at);
        break;
    case 'W':
        wait_until(at, before);
        break;
    case 'I':
        inputs = (uint16_t)get(2);
        lj_inputs(at, inputs);
        break;
    case 'i':
        inputs = lj_input_read(at, (uint16_t)get(2));
        put('i', 1);
        put(inputs, 2);
        lj_inputs(at, inputs);
        break;
    case 'S':
        lj_skip(at);
        break;
    case 'o':
        own(at);
        break;
    default:
        fail("no such command");
    }
    before = at;
}

void lj_host_forget(void);

int main(void)
{
    int c;
    while ((c = getchar()) != EOF) {
        if (c == 'N') {
            uint16_t boot = (uint16_t)get(2);
            uint32_t tick = get(4);
            supply = (uint16_t)get(2);
            inputs = 0;
            lj_host_forget();
            begin(tick, LJ_RESET_POWER, boot);
        } else if (c == '?') {
            query();
        } else if (c == 'p') {
            spread();
        } else if (c == 'Q') {
            run();
        } else {
            timed(c, get(4));
        }
    }
    return 0;
}
