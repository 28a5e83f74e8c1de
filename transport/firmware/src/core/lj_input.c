/* Inputs: polarity and debounce. */
#include "lj_core.h"

#ifndef LJ_INPUTS_COUNT
#define LJ_INPUTS_COUNT 0
#endif
#ifndef LJ_INPUTS_LOW
#define LJ_INPUTS_LOW 0u
#endif
#ifndef LJ_DEBOUNCE_US
#define LJ_DEBOUNCE_US 20000u
#endif
#if LJ_INPUTS_COUNT > 16
#error "LJ_INPUTS_COUNT must be at most 16"
#endif
#if LJ_DEBOUNCE_US > 8000000
#error "LJ_DEBOUNCE_US must be at most 8 s"
#endif

#if LJ_INPUTS_COUNT > 0

/* Times of inputs are kept in 256 us: 16 bits of them are 16.8 s, more than twice the
 * longest debounce. */
#define GRAIN_BITS 8u
#define STEADY ((LJ_DEBOUNCE_US >> GRAIN_BITS) + 1u)

static uint16_t active;
static bool begun; /* a level has been read: what is active at first had no edge */
static uint16_t since[LJ_INPUTS_COUNT]; /* when the level was last that of active */

uint16_t lj_input_read(uint32_t now, uint16_t raw)
{
    uint16_t time = (uint16_t)(now >> GRAIN_BITS & 0xffffu);
    uint16_t levels = (uint16_t)(raw ^ LJ_INPUTS_LOW), changed = (uint16_t)(levels ^ active), bit = 1;
    uint8_t i;
    if (!begun) {
        begun = true;
        active = levels;
        changed = 0;
    }
    for (i = 0; i < LJ_INPUTS_COUNT; i++) {
        if ((changed & bit) == 0u) {
            since[i] = time;
        } else if ((bit & levels & LJ_INPUTS_STOP) != 0u || (uint16_t)(time - since[i]) >= STEADY) {
            active ^= bit; /* a stop is not waited for */
            since[i] = time;
        } else {
            /* it has not been steady for long enough */
        }
        bit = (uint16_t)(bit << 1);
    }
    return active;
}

#else

uint16_t lj_input_read(uint32_t now, uint16_t raw)
{
    (void)now;
    (void)raw;
    return 0;
}

#endif
