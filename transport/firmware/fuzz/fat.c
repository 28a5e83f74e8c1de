/* The reader of files, with what a fuzzer has to know of its inside: how much it does in one
 * step, and how it forgets the card when the power goes. */
#include "lj_core.h"

#include "fat.h"

uint32_t fat_work;

static uint16_t counted16(const uint8_t *p)
{
    fat_work++;
    return lj_get16(p);
}

static uint32_t counted32(const uint8_t *p)
{
    fat_work++;
    return lj_get32(p);
}

#define lj_get16 counted16
#define lj_get32 counted32

#include "../src/core/lj_fat.c"

void fat_forget(void)
{
    (void)memset(&card, 0, sizeof card);
    (void)memset(extent_from, 0, sizeof extent_from);
    (void)memset(extent_count, 0, sizeof extent_count);
    (void)memset(&lj_sector_of_card, 0, sizeof lj_sector_of_card);
}
