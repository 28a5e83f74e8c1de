/* What no board may do, whatever it is given. The fuzzers here share the port that holds
 * the player to it: a program that breaks it is aborted, which is a finding. */
#ifndef LJ_FUZZ_WATCH_H
#define LJ_FUZZ_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MOST_PAYLOAD 240u
#define MOST_BODY (MOST_PAYLOAD + 6u) /* with head and CRC */

/* A packet as the fuzzers read it, by a decoder of their own. */
typedef struct {
    uint8_t body[MOST_BODY]; /* head, payload and CRC */
    size_t count;            /* bytes of it */
    bool sound;              /* length and CRC are right */
} watch_packet;

/* Decodes the bytes between two zeros. */
void watch_decode(watch_packet *p, const uint8_t *bytes, size_t n);

/* Encodes head and payload, whose length and CRC it makes right. Gives how many bytes stand
 * in `to`, which has room for MOST_BODY + 2; the last one is the zero. */
size_t watch_encode(uint8_t *to, watch_packet *p, size_t payload);

/* Forgets what was, and has the board get power at a time. */
void watch_begin(uint32_t now);

/* The board is reset: its pins are off, and no slot is planned. */
void watch_reset(void);

/* Slots since then. */
uint32_t watch_slots(void);

/* Ends the program with a message where something is not as it should be. */
void watch_that(bool good, const char *what);

#endif
