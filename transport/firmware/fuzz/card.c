/* Fuzzes the card player: FAT16 and FAT32 volumes, directory, chains, index and container.
 *
 * An input is changes of a card that is right. LJ_CARDS names the file of those cards, which
 * the tests write: a u32 of how many, and for each a u32 of its bytes, a u32 of how many
 * sectors index and container have, where each of these stands, and the bytes. All integers
 * are little-endian. In an input,
 *
 *   byte 0   which card
 *   byte 1   bit 0: places count in index and container, one behind the other, and not on the
 *            card; bit 1: a sector that was changed gets a right CRC; bits 2 to 4: what else
 *            happens, see `weather`
 *   then     changes of four bytes each: a place in 24 bits, and a new byte to put there
 *
 * FuzzCardFiles and FuzzCardVolume in Go read the same changes. The player is held to what no
 * card may change (watch.c), to a limit of what it does in one step, and, where it plays, to
 * the sectors that a plain reader finds. */
#include <stdio.h>
#include <stdlib.h>

#include "../src/core/lj_show.c"

#include "fat.h"
#include "watch.h"

#define HEAD 2u
#define CHANGE 4u
#define MOST (HEAD + 256u * CHANGE)
#define LOADING 20000u /* steps; a card that claims long chains may take longer */
#define PLAYING 1500u  /* steps */
#define STEP_US 500u
#define WORK 300u /* of a step: as many successors as a sector of the FAT holds, and some */
#define WAITED 20000u /* steps for one sector */
#define BOOT 7u
#define POWER_US (0u - 3000000u) /* near where the clock goes around */
#define MUTE_US 600000u
#define NOWHERE 0xffffffffu

int LLVMFuzzerInitialize(int *count, char ***words);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed);
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t most); /* the library's own */

/* ---- the cards ---- */

typedef struct {
    uint8_t *bytes;
    uint32_t length;
    uint32_t *places; /* sectors of index and container */
    uint32_t sectors; /* of both */
} medium;

static medium *cards;
static uint32_t cards_count;
static medium *in; /* the card that is in */

static void get(FILE *f, void *to, size_t n)
{
    watch_that(fread(to, 1, n, f) == n, "the file of cards is too short");
}

static uint32_t get_number(FILE *f)
{
    uint8_t b[4];
    get(f, b, sizeof b);
    return lj_get32(b);
}

int LLVMFuzzerInitialize(int *argc, char ***words)
{
    FILE *f = fopen(LJ_CARDS, "rb");
    uint32_t i, k;
    (void)argc;
    (void)words;
    watch_that(f != NULL, "there is no file of cards");
    cards_count = get_number(f);
    cards = calloc(cards_count, sizeof *cards);
    watch_that(cards != NULL, "there is no memory");
    for (i = 0; i < cards_count; i++) {
        medium *m = &cards[i];
        m->length = get_number(f);
        m->sectors = get_number(f);
        m->places = calloc(m->sectors, sizeof *m->places);
        m->bytes = malloc(m->length);
        watch_that(m->places != NULL && m->bytes != NULL, "there is no memory");
        for (k = 0; k < m->sectors; k++) {
            m->places[k] = get_number(f);
        }
        get(f, m->bytes, m->length);
    }
    (void)fclose(f);
    return 0;
}

/* ---- changes ---- */

static struct {
    uint32_t at;
    uint8_t was;
} undo[MOST / CHANGE * 3u]; /* a byte and its CRC */
static uint32_t undo_count;

static void put(uint32_t at, uint8_t byte)
{
    undo[undo_count].at = at;
    undo[undo_count].was = in->bytes[at];
    undo_count++;
    in->bytes[at] = byte;
}

/* Gives a sector the CRC that it should have. */
static void seal(uint32_t at)
{
    uint16_t crc = LJ_CRC_INITIAL, i;
    for (i = 0; i < 510u; i++) {
        crc = lj_crc16(crc, in->bytes[at + i]);
    }
    put(at + 510u, (uint8_t)(crc & 0xffu));
    put(at + 511u, (uint8_t)(crc >> 8));
}

static void apply(const uint8_t *changes, size_t size, uint8_t flags)
{
    for (; size >= CHANGE; size -= CHANGE, changes += CHANGE) {
        uint32_t at = changes[0] | (uint32_t)changes[1] << 8 | (uint32_t)changes[2] << 16;
        if ((flags & 1u) != 0u) {
            at %= in->sectors * LJ_SECTOR_SIZE;
            at = in->places[at / LJ_SECTOR_SIZE] * LJ_SECTOR_SIZE + at % LJ_SECTOR_SIZE;
        } else {
            at %= in->length;
        }
        put(at, changes[3]);
        if ((flags & 2u) != 0u) {
            seal(at - at % LJ_SECTOR_SIZE);
        }
    }
}

static void revert(void)
{
    while (undo_count > 0u) {
        undo_count--;
        in->bytes[undo[undo_count].at] = undo[undo_count].was;
    }
}

/* ---- the card as the player sees it ---- */

static struct {
    uint32_t lba;   /* NOWHERE: it is started */
    uint32_t ready; /* us */
    uint32_t delay; /* us a read */
    uint32_t every; /* so many reads two fail; 0: none */
    uint32_t mute;  /* so many reads one is not answered; 0: none */
    uint32_t reads;
    bool out;
} port;

static uint32_t now_us;

void lj_port_card_begin(void)
{
    port.lba = NOWHERE;
    port.ready = now_us + port.delay;
}

void lj_port_card_read(uint32_t lba)
{
    port.lba = lba;
    port.reads++;
    port.ready = now_us + (port.mute > 0u && port.reads % port.mute == 0u ? MUTE_US : port.delay);
    (void)memset(lj_sector, 0xa5, LJ_SECTOR_SIZE); /* nobody looks at it meanwhile */
}

static bool on_card(uint32_t lba)
{
    return lba < in->length / LJ_SECTOR_SIZE;
}

uint8_t lj_port_card_poll(void)
{
    if (lj_since(now_us, port.ready) < 0) {
        return LJ_BUSY;
    }
    if (port.out) {
        return LJ_FAILED;
    }
    if (port.lba == NOWHERE) {
        return LJ_DONE;
    }
    if (!on_card(port.lba) || (port.every > 0u && (port.reads + 2u) % port.every < 2u)) { /* twice: once is tried again */
        return LJ_FAILED;
    }
    (void)memcpy(lj_sector, in->bytes + (size_t)port.lba * LJ_SECTOR_SIZE, LJ_SECTOR_SIZE);
    return LJ_DONE;
}

/* ---- a plain reader, which has all of the card before it: by Microsoft's "FAT: General
 * Overview of On-Disk Format", 1.03 (2000) ---- */

static struct {
    uint32_t fat;
    uint32_t root; /* first sector, or FAT32: first cluster */
    uint32_t data;
    uint32_t entries; /* of a root directory of FAT16 */
    uint32_t size;    /* sectors of a cluster */
    bool wide;
} plain;

static const uint8_t *plain_sector(uint32_t lba)
{
    return on_card(lba) ? in->bytes + (size_t)lba * LJ_SECTOR_SIZE : NULL;
}

static void plain_mount(void)
{
    const uint8_t *s = in->bytes;
    uint32_t begin = 0, i;
    if (!((s[0] == 0xebu || s[0] == 0xe9u) && lj_get16(s + 11) == 512u && lj_get16(s + 510) == 0xaa55u)) {
        for (i = 446; i < 510u && begin == 0u; i += 16u) {
            uint8_t type = s[i + 4u];
            if (type == 4u || type == 6u || type == 0xbu || type == 0xcu || type == 0xeu) {
                begin = lj_get32(s + i + 8u);
            }
        }
        s = plain_sector(begin);
        watch_that(s != NULL, "it plays from a volume that is not on the card");
    }
    plain.wide = lj_get16(s + 22) == 0u;
    plain.size = s[13];
    plain.fat = begin + lj_get16(s + 14);
    plain.entries = lj_get16(s + 17);
    i = plain.fat + s[16] * (plain.wide ? lj_get32(s + 36) : lj_get16(s + 22));
    plain.data = i + (plain.entries + 15u) / 16u;
    plain.root = plain.wide ? lj_get32(s + 44) : i;
}

/* The cluster behind one. */
static uint32_t plain_next(uint32_t cluster)
{
    uint32_t at = cluster * (plain.wide ? 4u : 2u);
    const uint8_t *s = plain_sector(plain.fat + at / LJ_SECTOR_SIZE);
    watch_that(s != NULL, "it plays by a chain that is not on the card");
    s += at % LJ_SECTOR_SIZE;
    return plain.wide ? lj_get32(s) & 0x0fffffffu : lj_get16(s);
}

/* Where sector n of a chain of clusters stands. */
static uint32_t plain_place(uint32_t cluster, uint32_t n)
{
    uint32_t k;
    for (k = n / plain.size; k > 0u; k--) {
        cluster = plain_next(cluster);
    }
    return plain.data + (cluster - 2u) * plain.size + n % plain.size;
}

/* The first cluster of a file, which is there since it is played. */
static uint32_t plain_find(const uint8_t *name)
{
    uint32_t n;
    for (n = 0; n < 0x10000u; n++) {
        const uint8_t *s = plain_sector(plain.wide ? plain_place(plain.root, n) : plain.root + n);
        uint32_t i;
        for (i = 0; s != NULL && i < LJ_SECTOR_SIZE && s[i] != 0u; i += 32u) {
            if ((s[i + 11u] & 0x18u) == 0u && memcmp(s + i, name, 11) == 0) {
                return lj_get16(s + i + 26u) | (plain.wide ? (uint32_t)lj_get16(s + i + 20u) << 16 : 0u);
            }
        }
        watch_that(s != NULL && i == LJ_SECTOR_SIZE, "it plays a file that is not in the directory");
    }
    return 0;
}

/* ---- the board ---- */

static uint32_t most_work;

static bool go(uint16_t inputs)
{
    uint32_t before = fat_work;
    bool at_once;
    lj_inputs(now_us, 0);
    lj_show_inputs(now_us, inputs);
    lj_advance(now_us);
    at_once = lj_show_advance(now_us);
    watch_that(fat_work - before <= WORK, "a step does too much at once");
    if (fat_work - before > most_work) {
        most_work = fat_work - before;
    }
    return at_once;
}

static uint8_t read_sector(uint8_t file, uint32_t n)
{
    uint32_t i;
    uint8_t outcome = LJ_BUSY;
    for (i = 0; i < WAITED && outcome == LJ_BUSY; i++) {
        now_us += STEP_US;
        lj_advance(now_us);
        outcome = lj_fat_read(file, n);
    }
    return outcome;
}

/* Holds sectors of a file against those that the plain reader finds, in an order that goes to
 * and fro. */
static void compare(uint8_t file, const uint8_t *name)
{
    uint32_t cluster = plain_find(name), total = lj_fat_sectors(file), i;
    for (i = 0; i < 24u && i < total; i++) {
        uint32_t n = i * 7919u % total, lba = plain_place(cluster, n);
        uint8_t outcome = read_sector(file, n);
        const uint8_t *want = plain_sector(lba);
        watch_that(outcome != LJ_ABSENT, "a sector of a file that is played is not there");
        if (outcome == LJ_DONE) {
            watch_that(want != NULL && memcmp(lj_sector, want, LJ_SECTOR_SIZE) == 0, "a sector of a file is another");
        } else {
            watch_that(want == NULL, "a sector that is on the card cannot be read");
        }
    }
}

/* The container's name, which the player keeps while it looks for the file only. */
static const uint8_t *container(void)
{
    static uint8_t name[11];
    const uint8_t *r;
    lj_show_begin(now_us);
    while (show.state < LOAD_FILE) {
        now_us += STEP_US;
        (void)go(0);
    }
    watch_that(show.state == LOAD_FILE, "the index is not what it was");
    r = timers.name;
    (void)memcpy(name, r, sizeof name);
    while (show.state < REFUSED) {
        now_us += STEP_US;
        (void)go(0);
    }
    return name;
}

/* What happens besides. 1: the card goes and comes back; 2: a host talks; 3 and 4: reads take
 * their time; 5 and 7: some fail; 6: some get no answer. */
static uint8_t weather(uint8_t flags)
{
    static const uint32_t delays[8] = {0, 0, 0, 900, 100000, 0, 0, 0};
    static const uint32_t every[8] = {0, 0, 0, 0, 0, 29, 0, 97};
    uint8_t w = flags >> 2 & 7u;
    (void)memset(&port, 0, sizeof port);
    port.delay = delays[w];
    port.every = every[w];
    port.mute = w == 6u ? 37u : 0u;
    return w;
}

/* A host on the line says something, by the number of the step. */
static void meddle(uint32_t i)
{
    uint8_t frame[MOST_BODY + 2u];
    watch_packet p = {0};
    size_t n, k;
    p.body[0] = (uint8_t)(1u + i / 16u % LJ_KIND_FLUSH);
    if (p.body[0] == LJ_KIND_STOP && i < PLAYING / 2u) {
        return;
    }
    p.body[4] = (uint8_t)(i & 3u);
    n = watch_encode(frame, &p, p.body[0] == LJ_KIND_CHANNEL ? LJ_SIZE_CHANNEL : p.body[0] == LJ_KIND_SETUP ? LJ_SIZE_SETUP : 4u);
    for (k = 0; k < n; k++) {
        lj_receive(now_us, frame[k]);
    }
}

static void play_on(uint8_t w)
{
    uint32_t i;
    bool at_once = true;
    for (i = 0; i < PLAYING; i++) {
        uint32_t wait = at_once ? STEP_US : lj_wait(now_us);
        now_us += wait < STEP_US ? STEP_US : wait > 8u * STEP_US ? 8u * STEP_US : wait;
        port.out = w == 1u && i > PLAYING / 3u && i < PLAYING / 2u;
        if (w == 2u && i % 16u == 0u) {
            meddle(i);
        }
        at_once = go((uint16_t)(i / 100u % 2u == 0u ? 2u : 4u));
    }
    port.out = false;
}

static void round_of(uint8_t flags)
{
    uint32_t i;
    uint8_t w = weather(flags);
    now_us = POWER_US;
    fat_forget();
    watch_begin(now_us);
    lj_begin(now_us, LJ_RESET_POWER, BOOT);
    lj_show_begin(now_us);
    for (i = 0; i < LOADING && show.state < REFUSED; i++) {
        now_us += STEP_US;
        (void)go(0);
    }
    if (show.state < REFUSED) {
        return;
    }
    watch_that(lj_show_code() <= LJ_CODE_WORN, "there is no such code");
    if (show.state >= IDLE && w < 3u) {
        const uint8_t *name = container();
        watch_that(show.state >= IDLE, "a card that was played is refused");
        plain_mount();
        compare(LJ_FILE_SHOW, name);
        compare(LJ_FILE_INDEX, (const uint8_t *)"SHOW    LJI");
    }
    play_on(w);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < HEAD || size > MOST) {
        return 0;
    }
    in = &cards[data[0] % cards_count];
    apply(data + HEAD, size - HEAD, data[1]);
    round_of(data[1]);
    revert();
    return 0;
}

/* ---- changes that are tried ---- */

static uint32_t dice;

/* xorshift of 32 bits by G. Marsaglia, Journal of Statistical Software 8(14), 2003. */
static uint32_t roll(uint32_t n)
{
    dice ^= dice << 13;
    dice ^= dice >> 17;
    dice ^= dice << 5;
    return dice % n;
}

/* A place on the card where something stands: boot sector, the sectors behind it, or the first
 * of those in which files are. */
static uint32_t spot(const medium *m, uint8_t flags)
{
    uint32_t n = (flags & 1u) != 0u ? m->sectors : m->length / LJ_SECTOR_SIZE, s, i = 0;
    switch (roll(4)) {
    case 0:
        s = roll(n < 4u ? n : 4u);
        break;
    case 1:
        s = roll(n);
        break;
    default:
        for (s = roll(n); (flags & 1u) == 0u && i < 64u; i++) { /* one that is not empty */
            const uint8_t *b = m->bytes + (size_t)s * LJ_SECTOR_SIZE;
            if (b[0] != 0u || memcmp(b, b + 1, LJ_SECTOR_SIZE - 1u) != 0) {
                break;
            }
            s = roll(n);
        }
        break;
    }
    return s * LJ_SECTOR_SIZE + (roll(2) == 0u ? roll(LJ_SECTOR_SIZE) : roll(100));
}

static uint8_t value(void)
{
    static const uint8_t usual[] = {0, 1, 2, 3, 4, 8, 16, 0x7f, 0x80, 0xf8, 0xfe, 0xff};
    return roll(2) == 0u ? usual[roll(sizeof usual)] : (uint8_t)roll(256);
}

/* Adds a number of 1, 2 or 4 bytes, or puts it in the place of another. */
static size_t edit(uint8_t *data, size_t size, size_t most)
{
    const medium *m = &cards[data[0] % cards_count];
    uint32_t at = spot(m, data[1]), bytes = 1u << roll(3), k;
    size_t have = (size - HEAD) / CHANGE, to = roll(3) == 0u && have > 0u ? roll((uint32_t)have) : have;
    uint8_t first = value(), rest = roll(2) == 0u ? 0u : value();
    for (k = 0; k < bytes; k++) {
        uint8_t *r = data + HEAD + CHANGE * (to + k);
        if (HEAD + CHANGE * (to + k + 1u) > most) {
            break;
        }
        r[0] = (uint8_t)((at + k) & 0xffu);
        r[1] = (uint8_t)((at + k) >> 8 & 0xffu);
        r[2] = (uint8_t)((at + k) >> 16 & 0xffu);
        r[3] = k == 0u ? first : rest;
        have = to + k + 1u > have ? to + k + 1u : have;
    }
    return HEAD + CHANGE * have;
}

size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t most, unsigned seed)
{
    size_t have, i;
    dice = seed | 1u;
    most = most < MOST ? most : MOST;
    if (most < HEAD + CHANGE) {
        return size;
    }
    if (size < HEAD) {
        data[0] = (uint8_t)roll(cards_count);
        data[1] = (uint8_t)roll(32);
        size = HEAD;
    }
    have = (size - HEAD) / CHANGE;
    switch (roll(12)) {
    case 0:
        data[0] = (uint8_t)roll(cards_count);
        return size;
    case 1:
        data[1] = (uint8_t)(data[1] ^ 1u << roll(5));
        return size;
    case 2: /* one less */
        if (have > 0u) {
            i = roll((uint32_t)have);
            have--;
            (void)memmove(data + HEAD + CHANGE * i, data + HEAD + CHANGE * (i + 1u), CHANGE * (have - i));
        }
        return HEAD + CHANGE * have;
    case 3: /* another byte, or another place near it */
    case 4:
        if (have > 0u) {
            uint8_t *r = data + HEAD + CHANGE * roll((uint32_t)have);
            if (roll(2) == 0u) {
                r[3] = value();
            } else {
                r[0] = (uint8_t)(r[0] + roll(9) - 4u);
            }
            return HEAD + CHANGE * have;
        }
        return edit(data, size, most);
    case 5:
        size = LLVMFuzzerMutate(data, size, most);
        return size < HEAD ? HEAD : HEAD + (size - HEAD) / CHANGE * CHANGE;
    default:
        return edit(data, size, most);
    }
}
