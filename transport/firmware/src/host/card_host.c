/* The host port of a board with a card: a program that plays a script in virtual time, from
 * power-up on. The card is a file that is read into memory; there is no way to write it.
 *
 *   card_host IMAGE [us that the board's clock shows at power-up]
 *
 * Commands come from standard input, one a line, each after the time, us since power-up, up
 * to which the board runs first:
 *
 *   T in MASK          inputs that are active
 *   T byte N ...       bytes from a host
 *   T reset CAUSE      a reset, LJ_RESET_x; power-up is done before the first command
 *   T up MS            as if the board had run for so many ms
 *   T delay US         how long a read takes from now on; 1000 at first
 *   T stall LBA US     how long the next read of a sector takes; * for any
 *   T slow LBA US      how long each read of that sector takes
 *   T broken LBA       that sector cannot be read
 *   T flip BYTE BIT    a bit of the card is changed
 *   T card 0|1         the card is out, in
 *   T slots 0|1        whether slots are told
 *   T step US          how long a step of the program takes; 20 at first
 *   T nap US           how long the program sleeps at most; 2000 at first
 *   T status           tells the counters
 *   T end
 *
 * Answers, with the time in us since power-up:
 *
 *   slot T INDEX VALUE...  a frame was played, with the values on the pins; - where there is
 *                          no pulse. Only where slots are told; INDEX is - without a frame
 *   play T MOTION          what lj_show_motion gives has changed
 *   frame T MOTION         the first frame of a motion is played
 *   code T CODE            what lj_show_code gives has changed
 *   state T STATE CAUSE
 *   drop T
 *   bad T OUTPUT VALUE     an output left its limits, or changed faster than is allowed
 *   status PLAYED LATE CLAMPED LEFT_OUT READS SLOTS CHANGE
 *                          CHANGE is the longest time between two slots, us */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>

#include "../core/lj_show.c" /* for the time it has run */

static uint8_t *card;
static size_t card_size;
static uint64_t clock_us;   /* since power-up */
static uint32_t clock_zero; /* what the board's clock showed then */

static struct {
    uint64_t ready;
    uint32_t lba;
    uint32_t delay;
    uint32_t stall_lba;
    uint32_t stall;
    uint32_t slow_lba;
    uint32_t slow;
    uint32_t broken[16];
    unsigned count; /* of broken */
    uint64_t reads;
    bool in;
    bool reading;
} reader = {.delay = 1000, .stall_lba = 0xfffffffe, .in = true};

static struct {
    uint64_t before;  /* start of the last slot */
    uint64_t longest; /* between two */
    uint64_t count;
    int32_t values[LJ_CHANNELS];
    bool live[LJ_CHANNELS];
    bool told;
} pins;

/* Frames that are played before the first of a motion is; 0: none is on its way. */
static unsigned coming;

static uint32_t step_us = 20;
static uint32_t nap_us = 2000;

static void fail(const char *why)
{
    (void)fprintf(stderr, "%s\n", why);
    exit(2);
}

static uint32_t board_now(void)
{
    return (uint32_t)(clock_us + clock_zero);
}

/* The time since power-up of a time near now. */
static uint64_t since_power(uint32_t at)
{
    return clock_us + (uint64_t)(int64_t)lj_since(at, board_now());
}

/* ---- the card ---- */

void lj_port_card_begin(void)
{
    reader.reading = false;
    reader.ready = clock_us + reader.delay;
}

void lj_port_card_read(uint32_t lba)
{
    reader.reading = true;
    reader.lba = lba;
    reader.ready = clock_us + reader.delay;
    reader.reads++;
    if (reader.slow > 0u && reader.slow_lba == lba) {
        reader.ready = clock_us + reader.slow;
    }
    if (reader.stall > 0u && (reader.stall_lba == lba || reader.stall_lba == 0xffffffffu)) {
        reader.ready = clock_us + reader.stall;
        reader.stall = 0;
    }
    (void)memset(lj_sector, 0xa5, sizeof lj_sector); /* nobody looks at it meanwhile */
}

uint8_t lj_port_card_poll(void)
{
    unsigned i;
    if (clock_us < reader.ready) {
        return LJ_BUSY;
    }
    if (!reader.in) {
        return LJ_FAILED;
    }
    if (!reader.reading) {
        return LJ_DONE;
    }
    for (i = 0; i < reader.count; i++) {
        if (reader.broken[i] == reader.lba) {
            return LJ_FAILED;
        }
    }
    if (reader.lba >= card_size / LJ_SECTOR_SIZE) {
        return LJ_FAILED;
    }
    (void)memcpy(lj_sector, card + (size_t)reader.lba * LJ_SECTOR_SIZE, LJ_SECTOR_SIZE);
    return LJ_DONE;
}

/* ---- pins and line ---- */

#if LJ_WIRE
void lj_port_send(const uint8_t *bytes, uint8_t count)
{
    (void)bytes;
    (void)count;
}
#endif

void lj_port_drop(uint32_t at)
{
    (void)printf("drop %" PRIu64 "\n", since_power(at));
}

/* Holds a value against what is built into the board, and what the card says. */
static void watch(uint8_t n, const lj_pin *pin, uint64_t at)
{
    const lj_axis *a = &lj.axes[n];
    lj_output o;
    int64_t change;
    lj_output_read(n, &o);
    change = llabs((int64_t)a->value - pins.values[n]);
    if (pin->live && (a->value < o.low || a->value > o.high || (pins.live[n] && (change > o.change || change > a->change)))) {
        (void)printf("bad %" PRIu64 " %u %" PRId32 "\n", at, n, a->value);
    }
    pins.values[n] = a->value;
    pins.live[n] = pin->live;
}

void lj_port_slot(const lj_slot *s)
{
    uint64_t at = since_power(s->start);
    lj_pin pin;
    uint8_t i;
    if (pins.count > 0u && at - pins.before > pins.longest) {
        pins.longest = at - pins.before;
    }
    pins.before = at;
    pins.count++;
    if (s->framed && coming > 0u) {
        coming--;
        if (coming == 0u) {
            (void)printf("frame %" PRIu64 " %u\n", at, show.current);
        }
    }
    if (pins.told) {
        (void)printf("slot %" PRIu64, at);
        (void)printf(s->framed ? " %u" : " -", s->index);
    }
    for (i = 0; i < LJ_CHANNELS; i++) {
        if (!lj_read_pin(i, &pin)) {
            continue;
        }
        watch(i, &pin, at);
        if (pins.told) {
            (void)printf(pin.live ? " %u" : " -", pin.value);
        }
    }
    if (pins.told) {
        (void)printf("\n");
    }
}

/* ---- time ---- */

static uint16_t inputs;

/* Tells what has changed. */
static void tell(void)
{
    static uint16_t motion = LJ_CARD_NONE;
    static uint8_t code, state;
    static bool before;
    bool begun = show.state >= FRAMES && show.frame > 0u;
    if (motion != lj_show_motion()) {
        motion = lj_show_motion();
        (void)printf("play %" PRIu64 " %d\n", clock_us, motion == LJ_CARD_NONE ? -1 : (int)motion);
    }
    if (begun != before) {
        before = begun;
        coming = begun ? lj.queue.count : 0u;
    }
    if (code != lj_show_code()) {
        code = lj_show_code();
        (void)printf("code %" PRIu64 " %u\n", clock_us, code);
    }
    if (state != lj_state()) {
        state = lj_state();
        (void)printf("state %" PRIu64 " %u %u\n", clock_us, state, lj_cause());
    }
}

/* Runs the board's program up to a time. */
static void run(uint64_t until)
{
    while (clock_us < until) {
        uint32_t now = board_now(), wait;
        bool more;
        lj_inputs(now, inputs);
        lj_show_inputs(now, inputs);
        lj_advance(now);
        more = lj_show_advance(now);
        tell();
        wait = more ? step_us : lj_wait(now);
        wait = wait < nap_us ? wait : nap_us;
        wait = wait > 0u ? wait : 1u;
        clock_us += wait < until - clock_us ? wait : until - clock_us;
    }
    lj_advance(board_now());
}

static void begin(uint8_t cause)
{
    (void)memset(pins.live, 0, sizeof pins.live);
    lj_begin(board_now(), cause, 7);
    lj_show_begin(board_now());
}

/* ---- the script ---- */

static uint32_t number(void)
{
    char word[32];
    if (scanf("%31s", word) != 1) {
        fail("a number is missing");
    }
    return word[0] == '*' ? 0xffffffffu : (uint32_t)strtoul(word, NULL, 0);
}

static void status(void)
{
    (void)printf("status %" PRIu32 " %u %u %u %" PRIu64 " %" PRIu64 " %" PRIu64 "\n", lj_kept.played, lj_kept.late,
                 lj_kept.clamped, lj_show_left_out(), reader.reads, pins.count, pins.longest);
    pins.longest = 0;
}

static bool command(const char *word)
{
    uint32_t a;
    if (strcmp(word, "in") == 0) {
        inputs = (uint16_t)number();
#if LJ_WIRE
    } else if (strcmp(word, "byte") == 0) {
        lj_receive(board_now(), (uint8_t)number());
#endif
    } else if (strcmp(word, "reset") == 0) {
        begin((uint8_t)number());
    } else if (strcmp(word, "up") == 0) {
        show.up = number();
    } else if (strcmp(word, "delay") == 0) {
        reader.delay = number();
    } else if (strcmp(word, "stall") == 0) {
        reader.stall_lba = number();
        reader.stall = number();
    } else if (strcmp(word, "slow") == 0) {
        reader.slow_lba = number();
        reader.slow = number();
    } else if (strcmp(word, "broken") == 0) {
        reader.broken[reader.count++ % 16u] = number();
    } else if (strcmp(word, "flip") == 0) {
        a = number();
        card[a] ^= (uint8_t)(1u << number());
    } else if (strcmp(word, "card") == 0) {
        reader.in = number() != 0u;
    } else if (strcmp(word, "slots") == 0) {
        pins.told = number() != 0u;
    } else if (strcmp(word, "step") == 0) {
        step_us = number();
    } else if (strcmp(word, "nap") == 0) {
        nap_us = number();
    } else if (strcmp(word, "status") == 0) {
        status();
    } else {
        return false;
    }
    return true;
}

static void load(const char *name)
{
    FILE *f = fopen(name, "rb");
    if (f == NULL || fseek(f, 0, SEEK_END) != 0) {
        fail("the image cannot be read");
    }
    card_size = (size_t)ftell(f);
    card = malloc(card_size + 1u);
    if (card == NULL || fseek(f, 0, SEEK_SET) != 0 || fread(card, 1, card_size, f) != card_size) {
        fail("the image cannot be read");
    }
    (void)fclose(f);
}

int main(int argc, char **argv)
{
    uint64_t at;
    char word[32];
    if (argc < 2) {
        fail("card_host IMAGE [us]");
    }
    load(argv[1]);
    clock_zero = argc > 2 ? (uint32_t)strtoul(argv[2], NULL, 0) : 0u;
    begin(LJ_RESET_POWER);
    while (scanf("%" SCNu64 " %31s", &at, word) == 2) {
        run(at);
        if (strcmp(word, "end") == 0) {
            break;
        }
        if (!command(word)) {
            fail("no such command");
        }
    }
    status();
    free(card);
    return 0;
}
