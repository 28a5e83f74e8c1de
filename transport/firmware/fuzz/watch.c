#include "watch.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "lj_core.h"

void lj_host_forget(void);

void watch_that(bool good, const char *what)
{
    if (!good) {
        (void)fprintf(stderr, "%s\n", what);
        abort();
    }
}

/* ---- the line, by PROTOCOL.md, as plainly as can be ---- */

/* CRC-16/IBM-3740, bit by bit. */
static uint16_t checksum(const uint8_t *bytes, size_t n)
{
    unsigned crc = 0xffffu;
    size_t i;
    int k;
    for (i = 0; i < n; i++) {
        crc ^= (unsigned)bytes[i] << 8;
        for (k = 0; k < 8; k++) {
            crc = (crc & 0x8000u) != 0u ? (crc << 1 ^ 0x1021u) & 0xffffu : crc << 1;
        }
    }
    return (uint16_t)crc;
}

void watch_decode(watch_packet *p, const uint8_t *bytes, size_t n)
{
    size_t i = 0, k;
    p->count = 0;
    p->sound = false;
    while (i < n) {
        size_t code = bytes[i];
        if (i + code > n || p->count + code > MOST_BODY + 1u) {
            return;
        }
        for (k = 1; k < code; k++) {
            if (p->count == MOST_BODY) {
                return;
            }
            p->body[p->count] = bytes[i + k];
            p->count++;
        }
        i += code;
        if (code < 255u && i < n) {
            if (p->count == MOST_BODY) {
                return;
            }
            p->body[p->count] = 0;
            p->count++;
        }
    }
    p->sound = p->count >= 6u && p->count == p->body[1] + 6u &&
               (p->body[p->count - 2u] | p->body[p->count - 1u] << 8) == checksum(p->body, p->count - 2u);
}

size_t watch_encode(uint8_t *to, watch_packet *p, size_t payload)
{
    size_t n = payload + 6u, i, at = 0, place = 1;
    uint16_t crc;
    p->body[1] = (uint8_t)payload;
    crc = checksum(p->body, n - 2u);
    p->body[n - 2u] = (uint8_t)(crc & 0xffu);
    p->body[n - 1u] = (uint8_t)(crc >> 8);
    for (i = 0; i < n; i++) { /* less than 254 bytes: one code a zero, and one */
        if (p->body[i] == 0u) {
            to[at] = (uint8_t)(place - at);
            at = place;
        } else {
            to[place] = p->body[i];
        }
        place++;
    }
    to[at] = (uint8_t)(place - at);
    to[place] = 0;
    return place + 1u;
}

void lj_port_send(const uint8_t *bytes, uint8_t count)
{
    watch_packet p;
    watch_that(count <= LJ_SENT && count > 1u && memchr(bytes, 0, count) == bytes + count - 1, "what is sent does not end with its first zero");
    watch_decode(&p, bytes, count - 1u);
    watch_that(p.sound && (p.body[0] & 0x40u) != 0u, "what is sent is no message of a board");
}

/* ---- the pins ---- */

static struct {
    bool live;
    uint8_t unit;
    uint16_t value;
} shown[LJ_CHANNELS];

static uint32_t floor_us; /* no slot may begin before */
static uint32_t slots;

void watch_begin(uint32_t now)
{
    (void)memset(shown, 0, sizeof shown);
    floor_us = now;
    slots = 0;
    lj_host_forget();
}

void watch_reset(void)
{
    (void)memset(shown, 0, sizeof shown);
    slots = 0;
}

uint32_t watch_slots(void)
{
    return slots;
}

static int32_t number(uint8_t unit, uint16_t value)
{
    return unit == LJ_UNIT_DUTY ? (int32_t)lj_ahead(value, 0) : (int32_t)value;
}

/* Holds an output that is on against what is built in. A stepper's position has 16 bits of
 * its 32 on the pin: only how far it goes is seen. */
static void watch_pin(uint8_t n, const lj_pin *pin, const lj_slot *s)
{
    lj_output o;
    int32_t x = number(pin->unit, pin->value), d = x - number(pin->unit, shown[n].value);
    lj_output_read(n, &o);
    watch_that((1u << pin->unit & o.units) != 0u, "a unit that the output cannot play");
    watch_that(pin->fresh == !shown[n].live, "an output that was off is not fresh, or one that was on is");
    watch_that(pin->fresh || pin->unit == shown[n].unit, "another unit while it is on");
    if (pin->unit == LJ_UNIT_STEPS) {
        d = lj_ahead(pin->value, shown[n].value);
    } else {
        watch_that(x >= o.low && x <= o.high, "a value beyond the limits");
    }
    watch_that(pin->fresh || (uint32_t)(d < 0 ? -d : d) <= o.change, "a change beyond the limits");
    if (pin->unit == LJ_UNIT_TICKS) {
        uint64_t end = ((uint64_t)pin->offset + pin->value) * LJ_TICK_PS;
        watch_that(end <= (uint64_t)s->room * 1000000u, "a pulse that the next slot cuts");
    }
}

void lj_port_slot(const lj_slot *s)
{
    lj_pin pin;
    uint8_t i;
    watch_that(lj_state() != LJ_STATE_SILENT, "a slot of a silent board");
    watch_that(slots == 0u || lj_since(s->start, floor_us) >= 0, "a slot begins within the last");
    watch_that(s->room >= lj_nearest(s->period), "a slot is too short");
    for (i = 0; i < LJ_CHANNELS; i++) {
        bool is = lj_read_pin(i, &pin);
        if (is && pin.live) {
            watch_pin(i, &pin, s);
        }
        shown[i].live = is && pin.live;
        if (is) {
            shown[i].unit = pin.unit;
            shown[i].value = pin.value;
        }
    }
    floor_us = s->start + s->room;
    slots++;
}

void lj_port_drop(uint32_t at)
{
    (void)at;
    (void)memset(shown, 0, sizeof shown);
}
