/* Running hours in EEPROM. They are kept in a ring of records, so that each cell is
 * written once a lap: with 16 records 100,000 hours are 6,250 writes of a cell that
 * bears 100,000 (ATmega328P data sheet, "Features": 100,000 write and erase cycles).
 *
 * A record is the number of hours in three bytes, least first, and their CRC-8
 * (polynomial 0x07). The record of hour h stands at place h modulo the number of
 * records, so that at any time at most one of them, the oldest, is half written, and all
 * others follow each other. Reading relies on that: where power was lost within a byte,
 * anything may stand in it, even what the CRC takes for right.
 *
 * A part of an hour is lost with the power, but not with a reset. */
#include "lj_core.h"

#ifndef LJ_HOURS_AT
#define LJ_HOURS_AT 0u
#endif
#ifndef LJ_HOURS_SLOTS
#define LJ_HOURS_SLOTS 16u
#endif
#if LJ_HOURS_SLOTS < 3 || LJ_HOURS_SLOTS > 64
#error "LJ_HOURS_SLOTS must be from 3 to 64"
#endif

#define RECORD 4u
#define HOUR_US 3600000000u
#define NONE 0xffffffu /* what an empty EEPROM holds */

static struct {
    uint32_t hours;
    uint32_t last; /* when lj_hours_run was called */
    uint8_t record[RECORD];
    uint8_t left; /* bytes of it that are not written */
} tally;

/* The part of an hour, which a reset leaves; right only with its complement. */
static LJ_KEPT struct {
    uint32_t us;
    uint32_t check;
} part;

static uint8_t crc8(const uint8_t *p)
{
    uint8_t crc = 0, i, bit;
    for (i = 0; i < RECORD - 1u; i++) {
        crc ^= p[i];
        for (bit = 0; bit < 8u; bit++) {
            bool top = (crc & 0x80u) != 0u;
            crc = (uint8_t)(crc << 1);
            if (top) {
                crc ^= 0x07u;
            }
        }
    }
    return crc;
}

static uint16_t place(uint32_t hours)
{
    return (uint16_t)(LJ_HOURS_AT + hours % LJ_HOURS_SLOTS * RECORD);
}

/* The hours of the record at the place of some hour, or NONE. */
static uint32_t record_of(uint32_t hours)
{
    uint8_t r[RECORD], i;
    uint32_t h;
    for (i = 0; i < RECORD; i++) {
        r[i] = lj_port_eeprom_read((uint16_t)(place(hours) + i));
    }
    h = r[0] | (uint32_t)r[1] << 8 | (uint32_t)r[2] << 16;
    return crc8(r) == r[3] && h % LJ_HOURS_SLOTS == hours % LJ_HOURS_SLOTS ? h : NONE;
}

/* The latest record that follows one: half a record does so only where it is right. Behind
 * it may stand one that does not, where a cell between is worn out; it is at most a lap
 * ahead. */
static uint32_t latest(void)
{
    uint32_t best = 0, top, h;
    uint8_t i;
    for (i = 0; i < LJ_HOURS_SLOTS; i++) {
        h = record_of(i);
        if (h != NONE && h > best && record_of(h + LJ_HOURS_SLOTS - 1u) == h - 1u) {
            best = h;
        }
    }
    top = best;
    for (i = 0; i < LJ_HOURS_SLOTS; i++) {
        h = record_of(i);
        if (h != NONE && h > top && h <= best + LJ_HOURS_SLOTS) {
            top = h;
        }
    }
    return top;
}

void lj_hours_begin(uint32_t now)
{
    tally.hours = latest();
    tally.last = now;
    tally.left = 0;
    if (part.check != ~part.us || part.us >= HOUR_US) {
        part.us = 0;
        part.check = ~part.us;
    }
}

/* Begins the record of one hour more. */
static void count(void)
{
    uint32_t h = tally.hours + 1u;
    if (h >= NONE) {
        return; /* 1,900 years */
    }
    tally.hours = h;
    tally.record[0] = (uint8_t)(h & 0xffu);
    tally.record[1] = (uint8_t)(h >> 8 & 0xffu);
    tally.record[2] = (uint8_t)(h >> 16 & 0xffu);
    tally.record[3] = crc8(tally.record);
    tally.left = RECORD;
}

/* Writes one byte, unless it stands there already. */
static void write_byte(void)
{
    uint8_t i = (uint8_t)(RECORD - tally.left);
    uint16_t at = (uint16_t)(place(tally.hours) + i);
    if (!lj_port_eeprom_ready()) {
        return;
    }
    if (lj_port_eeprom_read(at) != tally.record[i]) {
        lj_port_eeprom_write(at, tally.record[i]);
    }
    tally.left--;
}

bool lj_hours_run(uint32_t now, bool running)
{
    uint32_t us = now - tally.last;
    tally.last = now;
    if (running) {
        us += part.us; /* half an hour and an hour at most: no overflow */
        if (us >= HOUR_US) {
            us -= HOUR_US;
            count();
        }
        part.check = ~us;
        part.us = us;
    }
    if (tally.left > 0u) {
        write_byte();
    }
    return tally.left > 0u;
}

uint32_t lj_hours(void)
{
    return tally.hours;
}
