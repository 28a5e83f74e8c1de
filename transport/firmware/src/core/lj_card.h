/* The sectors of a show on a card: FORMAT.md of the program that writes them has every
 * byte. All of these look at the sector that is in lj_sector, and take nothing for granted
 * in it. */
#ifndef LJ_CARD_H
#define LJ_CARD_H

#include "lj_fat.h"

/* What stands in a sector is read where it stands, until the next sector is asked for:
 * numbers with the lower byte first, each at a multiple of its size. */
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "the card player needs a processor that stores the lower byte first"
#endif

/* ---- sectors ---- */

#define LJ_CARD_VERSION 1u  /* of the format */
#define LJ_INDEX_VERSION 2u /* newest of the index */

#define LJ_CARD_HEADER 0x48u
#define LJ_CARD_CHANNELS 0x43u
#define LJ_CARD_MOTIONS 0x4du
#define LJ_CARD_FRAMES 0x46u
#define LJ_CARD_INDEX 0x49u
#define LJ_CARD_BOARDS 0x42u
#define LJ_CARD_TRIGGERS 0x54u

#define LJ_RECORDS 8u /* records a sector */

/* Reads a sector of a file and proves its CRC, kind, version and number, by steps.
 * LJ_ABSENT: it was read, and is not sound. All sectors of an index are of the version of its
 * first, which has to be read before them. */
uint8_t lj_card_fetch(uint8_t file, uint32_t number, uint8_t kind);

/* Whether the sector in memory is of a version that can be read in the first of a file. */
bool lj_card_known(uint8_t file);

/* Record i of a kind that has so many, where the sector that should hold it does; NULL
 * where its frame is not right. */
const uint8_t *lj_card_record(uint16_t i, uint16_t of);

/* The sectors that so many records take. */
static inline uint16_t lj_card_sectors(uint16_t records)
{
    return (uint16_t)(records / LJ_RECORDS + (records % LJ_RECORDS != 0u ? 1u : 0u));
}

/* ---- the container ---- */

/* From byte 12 of the header on. */
typedef struct {
    uint32_t sectors; /* of the file */
    uint32_t crc;     /* of all the others */
    uint32_t print;
    uint32_t rig;
    uint32_t period;  /* ns */
    int32_t drift;    /* parts per thousand million, applied already */
    uint32_t tick;    /* ps */
    uint8_t channels;
    uint8_t frames;   /* a sector */
    uint16_t motions;
    uint32_t table;   /* first sector of motions */
    uint32_t data;    /* first sector of frames */
    uint8_t board;
    uint8_t none[3];
} lj_card_header;

/* The header of a file of so many sectors; NULL where it cannot be. */
const lj_card_header *lj_card_take_header(uint32_t sectors);

/* Whether the name of the board in the header, or in a record, is this one's. */
bool lj_card_named(const uint8_t *name);
const uint8_t *lj_card_name(void);

/* Frames that a sector holds. */
uint8_t lj_card_frames(uint8_t channels);

typedef struct {
    uint8_t output;
    uint8_t unit;
    uint8_t lost;
    uint8_t flags;   /* LJ_FLAGS_x, and LJ_CARD_SOUND */
    uint16_t offset; /* ticks */
    uint16_t none;
    int32_t low;
    int32_t high;
    int32_t rest;
    uint32_t change; /* a frame */
    uint32_t slow;   /* a frame a frame */
    uint32_t soft;   /* 1/65536 unit a frame */
    uint32_t rise;   /* 1/65536 unit a frame a frame */
} lj_card_channel;

#define LJ_CARD_SOUND 0x04u /* it starts the sound player */

/* A record of a channel; NULL where it cannot be. */
const lj_card_channel *lj_card_take_channel(const uint8_t *record);

typedef struct {
    uint32_t first;   /* sector of its frames */
    uint32_t frames;
    uint32_t from;    /* frame with which a round begins */
    uint32_t crc;
    uint32_t sectors; /* of its frames */
    uint16_t prelude; /* frames */
    uint16_t words;   /* sectors behind those of frames */
    uint8_t flags;    /* LJ_MOTION_x */
    uint8_t none[11];
} lj_card_motion;

/* The sector behind a motion. */
static inline uint32_t lj_card_end(const lj_card_motion *m)
{
    return m->first + m->sectors + m->words;
}

#define LJ_MOTION_LOOP 0x01u
#define LJ_MOTION_SEAMLESS 0x02u

/* The record of a motion in a file of so many sectors, with so many frames a sector; NULL
 * where it cannot be. */
const lj_card_motion *lj_card_take_motion(const uint8_t *record, uint32_t sectors, uint8_t each);

/* Whether the sector holds count frames of a motion from one on. */
bool lj_card_holds(uint16_t motion, uint32_t frame, uint8_t count, uint8_t channels);

/* The values of its i-th frame, two bytes each. */
const uint8_t *lj_card_values(uint8_t i, uint8_t channels);

/* ---- the index ---- */

#define LJ_CARD_NONE 0xffffu

/* From byte 12 of the header on. */
typedef struct {
    uint32_t sectors; /* of the file */
    uint32_t crc;     /* of all the others */
    uint32_t join;    /* ms, 0xffffffff: none */
    uint16_t motions;
    uint16_t start;   /* motion at power-up, LJ_CARD_NONE: none */
    uint32_t table;   /* first sector of triggers */
    uint8_t boards;
    uint8_t none[15];
} lj_card_index;

/* The header of an index of so many sectors; NULL where it cannot be. */
const lj_card_index *lj_card_take_index(uint32_t sectors);

typedef struct {
    uint8_t file[12];
    uint32_t print;
    uint32_t crc;
    uint32_t sectors;
    uint8_t none[12];
    uint8_t name[24]; /* of the board */
} lj_card_board;

/* A record of a board, and the name of its file as directories have it; NULL where it
 * cannot be. */
const lj_card_board *lj_card_take_board(uint8_t *file, const uint8_t *record);

typedef struct {
    uint8_t starts;    /* LJ_STARTS_x */
    uint8_t busy;      /* LJ_ON_BUSY_x */
    uint8_t flags;     /* LJ_TRIGGER_x */
    uint8_t board;
    uint16_t input;
    uint16_t none;
    uint32_t warm_up;  /* ms */
    uint32_t lockout;  /* ms */
    uint32_t least;    /* ms */
    uint32_t greatest; /* ms */
    uint32_t seed;
    uint16_t after[4]; /* motions at whose end it starts, their number + 1 */
} lj_card_trigger;

#define LJ_STARTS_POWER 0x01u
#define LJ_STARTS_INPUT 0x02u
#define LJ_STARTS_INTERVAL 0x04u
#define LJ_ON_BUSY_DROP 0u
#define LJ_ON_BUSY_WAIT 1u
#define LJ_ON_BUSY_INTERRUPT 2u
#define LJ_TRIGGER_FALLING 0x01u

/* The record of what starts motion i, of so many; NULL where it cannot be. */
const lj_card_trigger *lj_card_take_trigger(const uint8_t *record, uint16_t i, uint16_t motions, uint16_t start, uint8_t boards);

/* Whether it starts at the end of a motion. */
bool lj_card_after(const lj_card_trigger *t, uint16_t motion);

/* Draws an interval in ms, and keeps the state of the generator. */
uint32_t lj_card_interval(uint32_t *state, uint32_t least, uint32_t greatest);

#endif
