/* Reads a card that was changed, over and over: a program for fuzzing.
 *
 * From standard input comes the image of a card, a u32 of its length and its bytes; then, for
 * each round, a u32 of how many changes and the changes, each a u32 of the place and a byte
 * to put there. All integers are little-endian. Each round answers with
 *
 *   code:u8     what lj_show_code gives when the show is loaded or refused; 255: neither in
 *               a million steps
 *   count:u32   sectors of frames of all motions, where the show is loaded
 *   good:u8     of each, in order: 1 where it is what it should be
 *
 * after which the show has run for some seconds of virtual time, and the changes are undone. */
#include <stdio.h>
#include <stdlib.h>

#include "../core/lj_show.c"

#define STEPS 1000000u
#define RUN_STEPS 30000u

static uint8_t *card_bytes;
static uint32_t card_length;
static uint32_t asked_for;
static uint32_t now_us;

static void fail(const char *why)
{
    (void)fprintf(stderr, "%s\n", why);
    exit(2);
}

void lj_port_card_begin(void)
{
    asked_for = 0;
}

void lj_port_card_read(uint32_t lba)
{
    asked_for = lba;
}

uint8_t lj_port_card_poll(void)
{
    if (asked_for >= card_length / LJ_SECTOR_SIZE) {
        return LJ_FAILED;
    }
    (void)memcpy(lj_sector, card_bytes + (size_t)asked_for * LJ_SECTOR_SIZE, LJ_SECTOR_SIZE);
    return LJ_DONE;
}

void lj_port_send(const uint8_t *bytes, uint8_t count)
{
    (void)bytes;
    (void)count;
}

void lj_port_drop(uint32_t at)
{
    (void)at;
}

/* No value leaves what is built in, whatever the card says. */
void lj_port_slot(const lj_slot *s)
{
    lj_output o;
    uint8_t i;
    (void)s;
    for (i = 0; i < LJ_CHANNELS; i++) {
        lj_output_read(i, &o);
        if (lj_axis_is(&lj.axes[i], LJ_MODE_LIVE) && (lj.axes[i].value < o.low || lj.axes[i].value > o.high)) {
            fail("an output leaves its limits");
        }
    }
}

static bool get(void *to, size_t n)
{
    return fread(to, 1, n, stdin) == n;
}

static bool get32_in(uint32_t *x)
{
    uint8_t b[4];
    if (!get(b, sizeof b)) {
        return false;
    }
    *x = lj_get32(b);
    return true;
}

/* One step of the board's program. */
static void go(uint16_t inputs)
{
    now_us += 500u;
    lj_show_inputs(now_us, inputs);
    lj_advance(now_us);
    (void)lj_show_advance(now_us);
}

/* Reads a sector, whatever it takes. */
static uint8_t wait_for(uint8_t file, uint32_t number, uint8_t kind)
{
    uint8_t outcome;
    do {
        now_us += 500u;
        lj_advance(now_us);
        outcome = lj_card_fetch(file, number, kind);
    } while (outcome == LJ_BUSY);
    return outcome;
}

/* Tells of the sectors of frames, in memory that grows. */
static uint32_t sectors(uint8_t **good)
{
    uint32_t n = 0, i, total = lj_fat_sectors(LJ_FILE_SHOW);
    uint16_t k;
    const lj_card_motion *stands;
    lj_card_motion m;
    *good = calloc(total, 1);
    for (k = 0; *good != NULL && k < show.motions; k++) {
        const uint8_t *r;
        if (wait_for(LJ_FILE_SHOW, table() + k / LJ_RECORDS, LJ_CARD_MOTIONS) != LJ_DONE) {
            fail("the table cannot be read again");
        }
        r = lj_card_record(k, show.motions);
        stands = r == NULL ? NULL : lj_card_take_motion(r, total, show.each);
        if (stands == NULL) {
            fail("the table is not what it was");
        }
        m = *stands; /* the sector goes */
        for (i = 0; i * show.each < m.frames && n < total; i++) {
            uint32_t left = m.frames - i * show.each;
            uint8_t count = left < show.each ? (uint8_t)left : show.each;
            (*good)[n] = wait_for(LJ_FILE_SHOW, m.first + i, LJ_CARD_FRAMES) == LJ_DONE &&
                         lj_card_holds(k, i * show.each, count, lj.used);
            n++;
        }
    }
    return n;
}

static void round_of(void)
{
    uint32_t i, n = 0;
    uint8_t code = 255, head[5], *good = NULL;
    lj_begin(now_us, LJ_RESET_POWER, 1);
    lj_show_begin(now_us);
    for (i = 0; i < STEPS && show.state < REFUSED; i++) {
        go(0);
    }
    if (show.state >= REFUSED) {
        code = lj_show_code();
    }
    if (show.state >= IDLE) {
        n = sectors(&good);
    }
    head[0] = code;
    lj_put32(head + 1, n);
    (void)fwrite(head, 1, sizeof head, stdout);
    if (n > 0u) {
        (void)fwrite(good, 1, n, stdout);
    }
    free(good);
    for (i = 0; i < RUN_STEPS; i++) {
        go(i / 1000u % 2u == 0u ? 2u : 4u);
    }
    (void)fflush(stdout);
}

int main(void)
{
    uint32_t n, i;
    if (!get32_in(&card_length) || (card_bytes = malloc(card_length + 1u)) == NULL || !get(card_bytes, card_length)) {
        fail("there is no image");
    }
    while (get32_in(&n)) {
        uint32_t *places = calloc(n + 1u, sizeof *places);
        uint8_t *before = calloc(n + 1u, 1);
        for (i = 0; places != NULL && before != NULL && i < n; i++) {
            uint8_t byte;
            if (!get32_in(&places[i]) || !get(&byte, 1) || places[i] >= card_length) {
                fail("a change is missing");
            }
            before[i] = card_bytes[places[i]];
            card_bytes[places[i]] = byte;
        }
        round_of();
        for (i = n; i > 0u; i--) {
            card_bytes[places[i - 1u]] = before[i - 1u];
        }
        free(places);
        free(before);
    }
    free(card_bytes);
    return 0;
}
