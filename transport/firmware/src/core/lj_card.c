/* What stands in the sectors of a card. */
#include "lj_card.h"

#ifdef LJ_SHOW_PRINT /* the board plays from a card */

#include <string.h>

#define CHECK_AT 510u
#define CHECK_STEP 64u /* bytes a step; all at once would take an 8-bit processor 1 ms */
#define RECORDS_AT 8u
#define RECORD_SIZE 60u
#define FRAMES_AT 14u
#define HEAD_AT 12u /* numbers of a header, behind its first word */
#define NAME_AT 36u /* in a record */
#define NAME_SIZE 24u
#define SHOW_NAME_SIZE 48u
#define NO_BOARD 0xffu
#define MOST_SECTORS 0x7fffffu /* of a file of FAT */
#define MOST_DRIFT 1000000000
#define MOST_MOTIONS 65534u

/* ---- sectors ---- */

static struct {
    uint16_t crc;
    uint16_t at; /* bytes that are proved */
} check;

/* Proves the next bytes of the sector. */
static uint8_t prove(void)
{
    uint8_t n;
    if (lj_fat_fresh()) {
        check.at = 0;
        check.crc = LJ_CRC_INITIAL;
    }
    for (n = 0; n < CHECK_STEP && check.at < CHECK_AT; n++) {
        check.crc = lj_crc16(check.crc, lj_sector[check.at]);
        check.at++;
    }
    if (check.at < CHECK_AT) {
        return LJ_BUSY;
    }
    return check.crc == lj_get16(lj_sector + CHECK_AT) ? LJ_DONE : LJ_ABSENT;
}

bool lj_card_known(uint8_t file)
{
    uint8_t version = lj_sector[1];
    return version == LJ_CARD_VERSION || (version == LJ_INDEX_VERSION && file == LJ_FILE_INDEX);
}

static uint8_t versions[2]; /* of files, by their first sectors */

uint8_t lj_card_fetch(uint8_t file, uint32_t number, uint8_t kind)
{
    uint8_t outcome = lj_fat_read(file, number);
    if (outcome == LJ_DONE) {
        outcome = prove();
    }
    if (outcome != LJ_DONE) {
        return outcome;
    }
    if (number == 0u) {
        versions[file] = lj_sector[1];
    }
    if (lj_sector[0] != kind || lj_sector[1] != versions[file] || !lj_card_known(file) || lj_get32(lj_sector + 2) != number) {
        outcome = LJ_ABSENT;
    }
    return outcome;
}

/* Whether bytes from one place up to another are zero. */
static bool zero(const uint8_t *p, uint16_t from, uint16_t to)
{
    for (; from < to; from++) {
        if (p[from] != 0u) {
            return false;
        }
    }
    return true;
}

/* Whether a text has only zeros behind its first zero. */
static bool text(const uint8_t *p, uint8_t size)
{
    uint8_t i = 0;
    while (i < size && p[i] != 0u) {
        i++;
    }
    return zero(p, i, size);
}

const uint8_t *lj_card_record(uint16_t i, uint16_t of)
{
    uint16_t first = (uint16_t)(i - i % LJ_RECORDS), count = (uint16_t)(of - first);
    if (count > LJ_RECORDS) {
        count = LJ_RECORDS;
    }
    if (lj_sector[6] != count || lj_sector[7] != 0u || !zero(lj_sector, (uint16_t)(RECORDS_AT + RECORD_SIZE * count), CHECK_AT)) {
        return NULL;
    }
    return lj_sector + RECORDS_AT + RECORD_SIZE * (i - first);
}

/* ---- the container ---- */

uint8_t lj_card_frames(uint8_t channels)
{
    return (uint8_t)((CHECK_AT - FRAMES_AT) / 2u / channels);
}

const lj_card_header *lj_card_take_header(uint32_t sectors)
{
    const lj_card_header *h = (const lj_card_header *)(const void *)(lj_sector + HEAD_AT);
    bool good = memcmp(lj_sector + 6, "LJCARD", 6) == 0 && h->sectors == sectors && sectors <= MOST_SECTORS && h->data < sectors &&
                h->channels >= 1u && h->channels <= LJ_MAX_CHANNELS && h->frames == lj_card_frames(h->channels) &&
                h->motions >= 1u && h->motions <= MOST_MOTIONS && h->period != 0u && h->tick != 0u && h->drift >= -MOST_DRIFT &&
                h->drift <= MOST_DRIFT && h->table == 1u + (uint32_t)lj_card_sectors(h->channels) &&
                h->data == h->table + lj_card_sectors(h->motions) && zero(h->none, 0, sizeof h->none) &&
                text(lj_sector + 56, NAME_SIZE) && zero(lj_sector, 56u + NAME_SIZE, CHECK_AT);
    return good ? h : NULL;
}

const uint8_t *lj_card_name(void)
{
    return lj_sector + 56;
}

bool lj_card_named(const uint8_t *name)
{
    static const char own[] LJ_FLASH = LJ_NAME;
    char mine[sizeof own];
    uint8_t n = (uint8_t)(sizeof own - 1u);
    LJ_FLASH_READ(mine, own, sizeof own);
    if (n > NAME_SIZE) { /* it was cut, at the end of a character */
        n = NAME_SIZE;
        while (n > 0u && ((uint8_t)mine[n] & 0xc0u) == 0x80u) {
            n--;
        }
    }
    return memcmp(name, mine, n) == 0 && zero(name, n, NAME_SIZE);
}

const lj_card_channel *lj_card_take_channel(const uint8_t *r)
{
    const lj_card_channel *c = (const lj_card_channel *)(const void *)r;
    bool good = c->none == 0u && text(r + NAME_AT, NAME_SIZE) && c->unit <= LJ_UNIT_STATE && c->lost <= LJ_POLICY_RELEASE &&
                c->flags <= (LJ_FLAGS_WEIGHT | LJ_FLAGS_TURNS | LJ_CARD_SOUND) && c->low <= c->rest && c->rest <= c->high &&
                (c->unit != LJ_UNIT_TICKS || c->low >= 1) && c->change != 0u && c->slow != 0u && c->soft != 0u && c->rise != 0u;
    return good ? c : NULL;
}

const lj_card_motion *lj_card_take_motion(const uint8_t *r, uint32_t sectors, uint8_t each)
{
    const lj_card_motion *m = (const lj_card_motion *)(const void *)r;
    bool good = zero(m->none, 0, sizeof m->none) && text(r + NAME_AT, NAME_SIZE) && m->flags <= (LJ_MOTION_LOOP | LJ_MOTION_SEAMLESS) &&
                m->frames > m->prelude && m->from == (m->flags == (LJ_MOTION_LOOP | LJ_MOTION_SEAMLESS) ? m->prelude : 0u) &&
                m->sectors == (m->frames - 1u) / each + 1u && m->first <= MOST_SECTORS && m->sectors <= MOST_SECTORS &&
                lj_card_end(m) <= sectors;
    return good ? m : NULL;
}

bool lj_card_holds(uint16_t motion, uint32_t frame, uint8_t count, uint8_t channels)
{
    const uint8_t *s = lj_sector;
    return lj_get16(s + 6) == motion && lj_get32(s + 8) == frame && s[12] == count && s[13] == 0u &&
           zero(s, (uint16_t)(FRAMES_AT + 2u * count * channels), CHECK_AT);
}

const uint8_t *lj_card_values(uint8_t i, uint8_t channels)
{
    return lj_sector + FRAMES_AT + 2u * i * channels;
}

/* ---- the index ---- */

const lj_card_index *lj_card_take_index(uint32_t sectors)
{
    const lj_card_index *x = (const lj_card_index *)(const void *)(lj_sector + HEAD_AT);
    bool good = memcmp(lj_sector + 6, "LJSHOW", 6) == 0 && x->sectors == sectors && x->boards >= 1u && x->motions >= 1u &&
                x->motions <= MOST_MOTIONS && x->table == 1u + (uint32_t)lj_card_sectors(x->boards) &&
                sectors == x->table + lj_card_sectors(x->motions) && (x->start == LJ_CARD_NONE || x->start < x->motions) &&
                zero(x->none, 0, sizeof x->none) && text(lj_sector + 48, SHOW_NAME_SIZE) &&
                zero(lj_sector, 48u + SHOW_NAME_SIZE, CHECK_AT);
    return good ? x : NULL;
}

static bool letter(uint8_t c, uint8_t i)
{
    return (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_' || (c == '~' && i > 0u);
}

/* Makes a name as MAIN.LJC into one as a directory has it; false where no container can
 * be named so. */
static bool file_name(uint8_t *file, const uint8_t *r)
{
    uint8_t n = 0;
    (void)memset(file, ' ', 11);
    while (n < 8u && letter(r[n], n)) {
        file[n] = r[n];
        n++;
    }
    (void)memcpy(file + 8, "LJC", 3);
    return n > 0u && memcmp(r + n, ".LJC", 4) == 0 && zero(r, (uint16_t)(n + 4u), 12);
}

const lj_card_board *lj_card_take_board(uint8_t *file, const uint8_t *r)
{
    const lj_card_board *b = (const lj_card_board *)(const void *)r;
    bool good = file_name(file, b->file) && zero(b->none, 0, sizeof b->none) && text(b->name, NAME_SIZE);
    return good ? b : NULL;
}

bool lj_card_after(const lj_card_trigger *t, uint16_t motion)
{
    uint8_t k;
    for (k = 0; k < 4u; k++) {
        if (t->after[k] == motion + 1u) {
            return true;
        }
    }
    return false;
}

/* Whether what it comes after are motions that there are, with nothing but zeros behind them,
 * and the version knows of that. */
static bool follows_some(const lj_card_trigger *t, uint16_t motions)
{
    uint8_t k;
    if (versions[LJ_FILE_INDEX] < LJ_INDEX_VERSION) {
        motions = 0;
    }
    for (k = 0; k < 4u; k++) {
        if (t->after[k] > motions) {
            return false;
        }
        if (t->after[k] == 0u) {
            motions = 0; /* none behind it */
        }
    }
    return true;
}

const lj_card_trigger *lj_card_take_trigger(const uint8_t *r, uint16_t i, uint16_t motions, uint16_t start, uint8_t boards)
{
    const lj_card_trigger *t = (const lj_card_trigger *)(const void *)r;
    bool good = t->none == 0u && follows_some(t, motions) && text(r + NAME_AT, NAME_SIZE) && t->starts <= 7u &&
                t->busy <= LJ_ON_BUSY_INTERRUPT && t->flags <= 3u &&
                ((t->starts & LJ_STARTS_INPUT) != 0u ? t->board < boards : t->board == NO_BOARD) && t->greatest >= t->least &&
                ((t->starts & LJ_STARTS_INTERVAL) == 0u || t->seed != 0u) && ((t->starts & LJ_STARTS_POWER) != 0u) == (i == start);
    return good ? t : NULL;
}

/* xorshift of 32 bits by G. Marsaglia, Journal of Statistical Software 8(14), 2003. */
static uint32_t step(uint32_t x)
{
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    return x;
}

uint32_t lj_card_interval(uint32_t *state, uint32_t least, uint32_t greatest)
{
    uint32_t span = greatest - least, x;
    uint8_t k = 0;
    while (k < 32u && span >> k != 0u) {
        k++;
    }
    if (k == 0u) {
        return least;
    }
    do {
        *state = step(*state);
        x = *state >> (32u - k);
    } while (x > span);
    return least + x;
}

#endif
