/*
 * limberjack timeline 1
 * motion: "The keeper sees a boat"
 * board: "shore"
 * rig: efb764adc0c2ba59
 * rate: 60 Hz
 * tick: 1 us
 * frames: 24
 * loop: yes
 * channel 2: "wheel" ticks, offset 0, low 1000, high 2000, rest 1500
 * channel 7: "fog-horn" state, low 0, high 1, rest 0
 */
#ifndef LIMBERJACK_THE_KEEPER_SEES_A_SHORE_H
#define LIMBERJACK_THE_KEEPER_SEES_A_SHORE_H

#include <stdint.h>

#ifndef LIMBERJACK_FLASH
#define LIMBERJACK_FLASH
#endif

#define THE_KEEPER_SEES_A_SHORE_RIG "efb764adc0c2ba59"
#define THE_KEEPER_SEES_A_SHORE_RATE_HZ 60.0
#define THE_KEEPER_SEES_A_SHORE_TICK_US 1.0
#define THE_KEEPER_SEES_A_SHORE_FRAME_TICKS 16666UL
#define THE_KEEPER_SEES_A_SHORE_FRAMES 24L
#define THE_KEEPER_SEES_A_SHORE_CHANNELS 2
#define THE_KEEPER_SEES_A_SHORE_LOOP 1

/* columns of the table */
#define THE_KEEPER_SEES_A_SHORE_COLUMN_WHEEL 0
#define THE_KEEPER_SEES_A_SHORE_COLUMN_FOG_HORN 1

/* one entry a channel, in the order of the table's columns; low, high and rest of
 * a stepper are positions in microsteps, and frame 0 stands for its start */
static const char *const the_keeper_sees_a_shore_axes[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {"wheel", "fog-horn"};
static const char *const the_keeper_sees_a_shore_units[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {"ticks", "state"};
static const uint16_t the_keeper_sees_a_shore_outputs[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {2, 7};
static const uint16_t the_keeper_sees_a_shore_offsets[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {0, 0};
static const int32_t the_keeper_sees_a_shore_low[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {1000, 0};
static const int32_t the_keeper_sees_a_shore_high[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {2000, 1};
static const int32_t the_keeper_sees_a_shore_rest[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {1500, 0};
static const int32_t the_keeper_sees_a_shore_start[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {0, 0};
static const int16_t the_keeper_sees_a_shore_wrap[THE_KEEPER_SEES_A_SHORE_CHANNELS] = {0, 0};

/* one row a frame; columns of duty and steps are signed 16-bit numbers */
static const uint16_t the_keeper_sees_a_shore_frames[THE_KEEPER_SEES_A_SHORE_FRAMES][THE_KEEPER_SEES_A_SHORE_CHANNELS] LIMBERJACK_FLASH = {
    {1250, 0},
    {1251, 0},
    {1255, 0},
    {1262, 0},
    {1272, 0},
    {1283, 0},
    {1298, 0},
    {1314, 0},
    {1333, 0},
    {1353, 0},
    {1375, 0},
    {1398, 0},
    {1423, 0},
    {1448, 0},
    {1474, 0},
    {1500, 0},
    {1526, 0},
    {1552, 0},
    {1577, 0},
    {1602, 0},
    {1625, 0},
    {1647, 0},
    {1667, 0},
    {1686, 0},
};

#endif
/* end: 24 frames, crc32 986d93cb */
