/* A show that a board plays alone, from a card: what starts which motion, and the way from
 * one to the next.
 *
 *   lj_show_begin(now);                    once, after lj_begin
 *   for (;;) {
 *       lj_inputs(now, active); lj_show_inputs(now, active);
 *       lj_advance(now);
 *       more = lj_show_advance(now);       do not sleep when it is true
 *   }
 *
 * All times are us of lj_begin's clock. None of it waits: each call is one short step, and a
 * card that stalls makes nothing late as long as frames are in the queue.
 *
 * The card is never written to. The show plays from power-up on, unless a host has armed
 * the board before, the stop input is active, or three resets in a minute stopped it. Then,
 * and after every stop, it is off:
 *
 *   - stopped by a host: until the next reset or power-up. The host has the board now.
 *   - stopped by the stop input: that being released starts nothing. When an input that
 *     starts a motion has its edge afterwards, the show comes back with that motion. A show
 *     without such an input comes back at power-up.
 *
 * A host that is connected and does not stop the show reads its status, and no more.
 *
 * A motion that waits for a loop to end starts at the end of the round. What comes after a
 * motion starts when that has been played to its end, before all else that is to start. */
#ifndef LJ_SHOW_H
#define LJ_SHOW_H

#include "lj_card.h"

/* lj_config.h may define
 *   LJ_SHOW_PRINT      fingerprint of the board's channels, `print` in FORMAT.md. A board for
 *                      which it is not defined has no card: these files are empty then
 *   LJ_SHOW_PERIOD_NS  period for the pose at rest when no card can be read, ns a frame;
 *                      give it that of the rig
 *   LJ_SHOW_TIMERS     lockouts and random intervals that a show may have, 3 to 16; 4 bytes
 *                      each
 *   LJ_SHOW_RANDOMS    random intervals that a show may have, 1 to 16; 4 bytes each
 *   LJ_FAT_EXTENTS     see lj_fat.h
 * The program that writes cards counts with the same numbers, and refuses what is too much.
 * LJ_QUEUE must be 4 or more. */
#ifndef LJ_SHOW_PERIOD_NS
#define LJ_SHOW_PERIOD_NS 20000000u
#endif
#ifndef LJ_SHOW_TIMERS
#define LJ_SHOW_TIMERS 6
#endif
#ifndef LJ_SHOW_RANDOMS
#define LJ_SHOW_RANDOMS 3
#endif
#define LJ_SHOW_WAITING 16u /* motions that may wait; a bit each */

/* What to show to people, as so many blinks of a light and a pause. */
enum {
    LJ_CODE_NONE,    /* the show runs; a light that is steadily on */
    LJ_CODE_CARD,    /* there is no card, or it does not answer */
    LJ_CODE_FILES,   /* the card has no FAT16 or FAT32 volume with a show in it */
    LJ_CODE_FOREIGN, /* the show is not for this board, or of another version */
    LJ_CODE_DAMAGED, /* a file of the show was changed or cut */
    LJ_CODE_MEMORY,  /* the show has more triggers than the board has memory for */
    LJ_CODE_RESETS,  /* three resets in a minute; take the power off, and look at the supply */
    LJ_CODE_OFF,     /* stopped, or a host has the board */
    LJ_CODE_WORN     /* the show runs; sectors of it were left out. Renew the card */
};

/* Begins, after lj_begin. The outputs are taken when the card has been read, or cannot be. */
void lj_show_begin(uint32_t now);

/* Says which inputs are active, debounced: bit n of the input that the rig numbers n. What is
 * active at first has had no edge. */
void lj_show_inputs(uint32_t now, uint16_t active);

/* Does the next step; true when there is another at once. */
bool lj_show_advance(uint32_t now);

/* LJ_CODE_x. */
uint8_t lj_show_code(void);

/* The motion that plays, or to which the board is on its way; LJ_CARD_NONE: none. */
uint16_t lj_show_motion(void);

/* Sectors that were left out since the start, at most 65535. */
uint16_t lj_show_left_out(void);

#endif
