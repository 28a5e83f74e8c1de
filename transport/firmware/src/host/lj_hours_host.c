/* Runs the running hours for so many hours on an EEPROM that forgets its power in the
 * middle of writes, and prints what came of it:
 *
 *   program hours worn     worn: a cell that is stuck at 0, or -1
 *
 * After each hour, power is lost in each of the bytes that it writes, and what that leaves
 * in the byte is tried: its old value, its new one, others, and now and then all 256. */
#include <stdio.h>
#include <stdlib.h>

#include "limberjack.h"

#define SIZE 512u

static uint8_t cells[SIZE];
static uint32_t writes[SIZE];
static long worn = -1;
static unsigned busy;

static struct {
    uint16_t at;
    uint8_t byte;
} written[8];
static unsigned count;

void lj_port_send(const uint8_t *bytes, uint8_t n)
{
    (void)bytes;
    (void)n;
}

void lj_port_slot(const lj_slot *slot)
{
    (void)slot;
}

void lj_port_drop(uint32_t at)
{
    (void)at;
}

/* A write takes two looks. */
bool lj_port_eeprom_ready(void)
{
    if (busy > 0u) {
        busy--;
    }
    return busy == 0u;
}

uint8_t lj_port_eeprom_read(uint16_t at)
{
    if (at >= SIZE) {
        abort();
    }
    return (long)at == worn ? 0u : cells[at];
}

void lj_port_eeprom_write(uint16_t at, uint8_t byte)
{
    if (at >= SIZE || busy > 0u || count == 8u) {
        abort();
    }
    cells[at] = byte;
    writes[at]++;
    written[count].at = at;
    written[count].byte = byte;
    count++;
    busy = 2;
}

/* What is found when power comes back after it was lost in write k, which left a byte. */
static uint32_t after(const uint8_t *before, unsigned k, uint8_t left)
{
    unsigned i;
    (void)memcpy(cells, before, SIZE);
    for (i = 0; i < k; i++) {
        cells[written[i].at] = written[i].byte;
    }
    cells[written[k].at] = left;
    busy = 0;
    lj_hours_begin(0);
    return lj_hours();
}

int main(int argc, char **argv)
{
    static uint8_t before[SIZE], whole[SIZE];
    long hours = argc > 1 ? strtol(argv[1], NULL, 10) : 0;
    long h, cuts = 0, wrong = 0, ahead = 0, behind = 0;
    uint32_t now = 0xffff0000u, most = 0, i;
    worn = argc > 2 ? strtol(argv[2], NULL, 10) : -1;
    (void)memset(cells, 0xff, sizeof cells);
    lj_hours_begin(now);
    for (h = 1; h <= hours; h++) {
        unsigned k, parts;
        (void)memcpy(before, cells, SIZE);
        count = 0;
        for (parts = 0; parts < 3u; parts++) { /* 20 minutes, and ten of rest that do not count */
            now += 600000000u;
            (void)lj_hours_run(now, false);
            now += 1200000000u;
            (void)lj_hours_run(now, true);
        }
        while (lj_hours_run(now, true)) {
        }
        if (lj_hours() != (uint32_t)h) {
            (void)printf("after %ld hours it says %lu\n", h, (unsigned long)lj_hours());
            return 1;
        }
        (void)memcpy(whole, cells, SIZE);
        for (k = 0; k < count && worn < 0; k++) {
            unsigned left, step = h % 61 == 0 || h % 256 < 2 ? 1u : 85u;
            for (left = 0; left < 256u + 2u; left += left < 256u && left + step > 256u ? 256u - left : (left < 256u ? step : 1u)) {
                uint8_t byte = left == 256u ? before[written[k].at] : left == 257u ? written[k].byte : (uint8_t)left;
                uint32_t found = after(before, k, byte);
                cuts++;
                if (found != (uint32_t)h && found != (uint32_t)h - 1u) {
                    wrong++;
                }
            }
        }
        (void)memcpy(cells, whole, SIZE);
        busy = 0;
        lj_hours_begin(now);
        if (lj_hours() > (uint32_t)h) {
            ahead++;
        }
        if (lj_hours() < (uint32_t)h) {
            behind++; /* goes on in memory all the same */
            (void)lj_hours_run(now + 1800000000u, true);
            (void)lj_hours_run(now + 3600000000u, true);
            now += 3600000000u;
            while (lj_hours_run(now, true)) {
            }
            count = 0;
        }
    }
    for (i = 0; i < SIZE; i++) {
        most = writes[i] > most ? writes[i] : most;
    }
    (void)printf("hours %lu cuts %ld wrong %ld ahead %ld behind %ld most %lu\n", (unsigned long)lj_hours(), cuts, wrong, ahead, behind,
                 (unsigned long)most);
    return 0;
}
