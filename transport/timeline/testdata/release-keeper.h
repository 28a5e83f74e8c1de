/*
 * limberjack timeline 1
 * motion: "The keeper sees a boat"
 * board: "main"
 * rig: efb764adc0c2ba59
 * rate: 50 Hz
 * tick: 0.5 us
 * frames: 21
 * loop: no
 * channel 0: "head-pan" ticks, offset 0, low 1800, high 4200, rest 3000, released 5-11
 * channel 1: "jaw" ticks, offset 17900, low 2468, high 3024, rest 3024
 * channel 4: "beacon" steps, start 0, rest 0
 * channel 5: "winch" duty, low -32767, high 32767, rest 0, released 5-11
 * channel 6: "lantern" level, low 0, high 65535, rest 0
 * released: in these frames ticks of 0 are no pulse, duty of 0 is a motor that is off
 */
#ifndef LIMBERJACK_THE_KEEPER_SEES_A_MAIN_H
#define LIMBERJACK_THE_KEEPER_SEES_A_MAIN_H

#include <stdint.h>

#ifndef LIMBERJACK_FLASH
#define LIMBERJACK_FLASH
#endif

#define THE_KEEPER_SEES_A_MAIN_RIG "efb764adc0c2ba59"
#define THE_KEEPER_SEES_A_MAIN_RATE_HZ 50.0
#define THE_KEEPER_SEES_A_MAIN_TICK_US 0.5
#define THE_KEEPER_SEES_A_MAIN_FRAME_TICKS 40000UL
#define THE_KEEPER_SEES_A_MAIN_FRAMES 21L
#define THE_KEEPER_SEES_A_MAIN_CHANNELS 5
#define THE_KEEPER_SEES_A_MAIN_LOOP 0

/* columns of the table */
#define THE_KEEPER_SEES_A_MAIN_COLUMN_HEAD_PAN 0
#define THE_KEEPER_SEES_A_MAIN_COLUMN_JAW 1
#define THE_KEEPER_SEES_A_MAIN_COLUMN_BEACON 2
#define THE_KEEPER_SEES_A_MAIN_COLUMN_WINCH 3
#define THE_KEEPER_SEES_A_MAIN_COLUMN_LANTERN 4

/* one entry a channel, in the order of the table's columns; low, high and rest of
 * a stepper are positions in microsteps, and frame 0 stands for its start */
static const char *const the_keeper_sees_a_main_axes[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {"head-pan", "jaw", "beacon", "winch", "lantern"};
static const char *const the_keeper_sees_a_main_units[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {"ticks", "ticks", "steps", "duty", "level"};
static const uint16_t the_keeper_sees_a_main_outputs[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {0, 1, 4, 5, 6};
static const uint16_t the_keeper_sees_a_main_offsets[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {0, 17900, 0, 0, 0};
static const int32_t the_keeper_sees_a_main_low[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {1800, 2468, INT32_MIN, -32767, 0};
static const int32_t the_keeper_sees_a_main_high[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {4200, 3024, 2147483647, 32767, 65535};
static const int32_t the_keeper_sees_a_main_rest[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {3000, 3024, 0, 0, 0};
static const int32_t the_keeper_sees_a_main_start[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {0, 0, 0, 0, 0};
static const int16_t the_keeper_sees_a_main_wrap[THE_KEEPER_SEES_A_MAIN_CHANNELS] = {0, 0, 0, 0, 0};

/* one row a frame; columns of duty and steps are signed 16-bit numbers */
static const uint16_t the_keeper_sees_a_main_frames[THE_KEEPER_SEES_A_MAIN_FRAMES][THE_KEEPER_SEES_A_MAIN_CHANNELS] LIMBERJACK_FLASH = {
    {2657, 3024, 0, 0, 0},
    {2658, 3015, 1, 2057, 0},
    {2661, 2990, 2, 4107, 0},
    {2666, 2949, 4, 6140, 2},
    {2673, 2895, 6, 8149, 7},
    {0, 2832, 7, 0, 19},
    {0, 2764, 8, 0, 41},
    {0, 2694, 10, 0, 81},
    {0, 2628, 11, 0, 144},
    {0, 2569, 13, 0, 238},
    {0, 2521, 14, 0, 374},
    {0, 2488, 16, 0, 560},
    {2797, 2471, 16, 22431, 807},
    {2819, 2471, 18, 23886, 1127},
    {2844, 2488, 19, 25247, 1531},
    {2869, 2521, 20, 26509, 2030},
    {2896, 2569, 21, 27666, 2636},
    {2924, 2628, 21, 28714, 3359},
    {2952, 2694, 23, 29648, 4209},
    {2982, 2764, 23, 30466, 5195},
    {3013, 2832, 23, 31163, 6325},
};

#endif
/* end: 21 frames, crc32 a8b6a4b8 */
