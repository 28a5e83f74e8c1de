/* The player of a controller board, for any processor that has a C99 compiler.
 *
 * One player in one program: its memory is static, nothing is allocated, nothing
 * waits. The program around it (the port) has the clock, the pins and the line:
 *
 *   lj_begin(now, cause, boot);            once, after each reset
 *   for (;;) {
 *       lj_receive(now, byte);             for each byte that has come, where there is a wire
 *       lj_inputs(now, active);            when the inputs may have changed
 *       lj_advance(now);                   as often as can be, at least each ms
 *   }
 *
 * All of it is called from one thread, outside of interrupts. In return the player
 * calls lj_port_send, lj_port_slot and lj_port_drop, which the port has.
 *
 * Times are us of the board's own clock in 32 bits; they go around after 71.6
 * minutes and are compared by lj_since only. They must not go back, and lj_advance
 * has to be called at least each half hour, also by a board that does nothing.
 *
 * What it does is said in PROTOCOL.md beside limberjack_wire.h, which has the numbers of
 * the messages. */
#ifndef LIMBERJACK_H
#define LIMBERJACK_H

#include <stdbool.h>
#include <stdint.h>

#include "limberjack_wire.h"
#include "lj_target.h" /* of the port: LJ_FLASH, LJ_FLASH_READ, LJ_KEPT, LJ_APART */
#include "lj_config.h" /* of the rig: see below */

/* lj_target.h, of the port, defines
 *   LJ_FLASH                     an attribute of constants that stay in flash, or nothing
 *   LJ_FLASH_READ(to, from, n)   copies n bytes from there
 *   LJ_KEPT                      an attribute of variables that a reset leaves as they are
 *                                (section .noinit), or nothing
 * and may define
 *   LJ_APART                     an attribute of functions that must not become part of others,
 *                                whose stack would be held for longer
 *
 * lj_config.h, of the rig, defines
 *   LJ_CHANNELS       outputs, 1 to 112
 *   LJ_QUEUE          frames that the queue holds, 1 to 255
 *   LJ_PAYLOAD        longest payload that is taken, bytes, 32 to 240. A channel takes 26,
 *                     frames take 10 + 2 a channel and frame
 *   LJ_NAME           the board's name, "...", at most LJ_PAYLOAD - 26 bytes
 *   LJ_TICK_PS        ps in a tick of a pulse
 *   LJ_LEAST_NS       shortest period, ns a frame
 *   LJ_GREATEST_NS    longest period, ns a frame, at most 1 s
 *   LJ_PRINT          CRC-32 of the rig, 0: none
 *   LJ_OUTPUTS        { lj_output, ... }, LJ_CHANNELS of them
 * and may define
 *   LJ_LEAD_US        how long before its start a slot is given to the port, us, at most
 *                     a quarter of the shortest period; 0 unless defined
 *   LJ_STEPPERS       0 where no output can play steps, which saves memory; otherwise 1
 *   LJ_WIRE           0 leaves out what a host is heard and answered with: such a board only
 *                     plays by itself. It has no lj_receive and needs no lj_port_send, and
 *                     all else, limits, stops and resets, is as ever; otherwise 1
 *   LJ_HOMING         1 where steppers look for their zero by themselves, for which the port
 *                     has lj_port_homing; otherwise 0
 *   LJ_INPUTS_COUNT   inputs that lj_input.c reads, 0 to 16; input 0 is the stop input
 *   LJ_INPUTS_LOW     mask of the inputs that are active at a low level
 *   LJ_DEBOUNCE_US    how long an input must be steady, us
 *   LJ_HOURS_AT       first byte of the running hours in EEPROM
 *   LJ_HOURS_SLOTS    records of 4 bytes there, 3 to 64
 * Whatever else a port needs (pins, baud) it takes from the same file under names that
 * begin with LJ_PORT_. */
#ifndef LJ_APART
#define LJ_APART
#endif
#ifndef LJ_LEAD_US
#define LJ_LEAD_US 0u
#endif
#ifndef LJ_STEPPERS
#define LJ_STEPPERS 1
#endif
#ifndef LJ_WIRE
#define LJ_WIRE 1
#endif
#ifndef LJ_HOMING
#define LJ_HOMING 0
#endif

/* An output, as the rig's builder allows it. These limits hold whatever a host or a
 * card says. Values are in the unit of the channel. */
typedef struct {
    uint8_t units;   /* LJ_UNITS_x that it can play; 0: there is no such output */
    uint8_t flags;   /* LJ_FLAGS_x that hold in any case: weight, turns */
    uint8_t unit;    /* LJ_UNIT_x when it plays without a host */
    uint8_t lost;    /* LJ_POLICY_x then */
    uint16_t offset; /* ticks from the start of a slot to the pulse then */
    int32_t low;     /* least value */
    int32_t high;    /* greatest value */
    int32_t rest;    /* value at rest */
    uint32_t change; /* greatest change from slot to slot */
    uint32_t slow;   /* greatest change of that: how hard stops brake */
    uint32_t soft;   /* greatest change from slot to slot in moves that no frame asks for */
} lj_output;

/* ---- what the port calls ---- */

/* Begins, after any reset. cause is LJ_RESET_x; take care to tell LJ_RESET_PIN from the
 * others, since three brown-outs or resets by the watchdog within a minute keep the board from
 * arming until its power has been off; one that is unknown does not count. boot is the number
 * of this start where memory marked LJ_KEPT knows of no earlier one; otherwise it is one more
 * than that of the last. */
void lj_begin(uint32_t now, uint8_t cause, uint16_t boot);

/* What a reset was, to be asked before lj_begin by a port whose memory may outlive a loss of
 * power. Power that is back so soon that memory marked LJ_KEPT is still right, in the first
 * minute of a run, was a supply that gave way, and counts as LJ_RESET_BROWNOUT; else a supply
 * that hiccups would never be counted. After a minute it is somebody who switched the board
 * off and on, however soon. */
uint8_t lj_dip(uint8_t cause);

/* Takes a byte from the line. now is when it came, or at the latest is being read. */
#if LJ_WIRE
void lj_receive(uint32_t now, uint8_t byte);
#endif

/* Says which inputs are active: LJ_INPUTS_STOP and the board's own, debounced. */
void lj_inputs(uint32_t now, uint16_t active);

/* Does all that is due. */
void lj_advance(uint32_t now);

/* The time from now to when lj_advance has something to do, us; 0 when it has. */
uint32_t lj_wait(uint32_t now);

/* Says that the program did not run until now: slots that were due did not come. */
void lj_skip(uint32_t now);

/* Sets the supply that a status tells, mV; 0: not measured. */
void lj_supply(uint16_t mv);

/* LJ_STATE_x, LJ_CAUSE_x and whether three resets stopped the show. */
uint8_t lj_state(void);
uint8_t lj_cause(void);
bool lj_refuses(void);

/* ---- what the port has ---- */

/* Sends a frame as it stands on a serial line: COBS, with the zero at its end. count
 * is at most LJ_SENT. It must not wait: a port that has no room for all of the frame
 * drops it whole. What is not answered is asked again, status and credit come again. */
#if LJ_WIRE
void lj_port_send(const uint8_t *bytes, uint8_t count);
#endif

/* The longest frame that is sent, bytes. */
#define LJ_SENT_IDENTITY (LJ_SIZE_IDENTITY + (sizeof(LJ_NAME) - 1u))
#define LJ_SENT_POSE (LJ_SIZE_POSE + (LJ_CHANNELS + 7u) / 8u + 2u * LJ_CHANNELS)
#define LJ_SENT_LONGER (LJ_SENT_IDENTITY > LJ_SENT_POSE ? LJ_SENT_IDENTITY : LJ_SENT_POSE)
#define LJ_SENT ((LJ_SENT_LONGER > LJ_SIZE_STATUS ? LJ_SENT_LONGER : LJ_SIZE_STATUS) + LJ_OVERHEAD + 2u)

/* A stretch of time in which each output has at most one pulse. */
typedef struct {
    uint32_t start;  /* when it begins */
    uint32_t room;   /* us, the least time to the start of the next slot: all pulses end in it */
    uint32_t period; /* us, the usual time to it */
    uint16_t index;  /* of the frame */
    uint8_t state;   /* LJ_STATE_x */
    bool framed;     /* a frame is played */
    bool bridged;    /* a frame that is missing is played */
} lj_slot;

/* One output in a slot. */
typedef struct {
    uint8_t unit;    /* LJ_UNIT_x */
    bool live;       /* it is on */
    bool fresh;      /* it was off in the slot before */
    uint16_t offset; /* ticks from the start of the slot to that of a pulse */
    uint16_t value;  /* as on the wire; 0 where it is off, but for a stepper's position */
} lj_pin;

/* Is given each slot, LJ_LEAD_US before its start or, where the program was busy, later.
 * The pulses of the slot before may still be on: they end before slot->start. slot is
 * valid until the function returns; within it, lj_read_pin gives the outputs. An output
 * of unit ticks whose live is false has no pulse in this slot; a motor, lamp or switch
 * is off from the start of the slot on; a stepper gets no steps. */
void lj_port_slot(const lj_slot *slot);

/* Gives output n in the slot that lj_port_slot is given, and is false where n is not
 * configured and has no pulses. Elsewhere it gives what the next slot would have. */
bool lj_read_pin(uint8_t n, lj_pin *pin);

/* All outputs are off from now on: no slot follows until the board is armed anew. A
 * pulse of a servo and a step that have begun before at are finished, all else that was
 * given does not come any more; motors, lamps and switches go off at once. */
void lj_port_drop(uint32_t at);

/* Whether a stepper has not found its zero, or is on its way from there to where the player
 * takes it to be. Meanwhile it does not follow its positions. */
#if LJ_HOMING
bool lj_port_homing(void);
#endif

/* ---- playing without a host: what the card player calls ---- */

/* Takes the outputs: configures all of them as the rig says, with slots of period ns, and
 * lets pulses leave where there are none now: where the output was left when it last had
 * some since the reset, or else at the value of rest. False, with nothing
 * changed, where the board is armed already, the stop input is active, three resets
 * stopped the show, or the period is out of limits. A board that plays by itself answers
 * to a host that it is armed, playing or held, takes no frames of it, and obeys its stop. */
bool lj_own_begin(uint32_t now, uint32_t period_ns);

/* Whether slots of period ns are within limits and as long as the pulses in them. */
bool lj_own_fits(uint32_t period_ns);

/* Says whether the board plays by itself. It is false after a stop of any kind. */
bool lj_own(void);

/* Begins a move of all axes from where they are to a pose, at most `soft` and `slow` of the
 * rig from slot to slot. values are two bytes each, as on the wire, one an output that
 * there is, in ascending order; a 0 in ticks leaves an axis as it is, and what turns comes
 * to a standstill until a frame drives it. Only while armed. */
bool lj_own_move(const uint8_t *values);

/* Says whether axes still move towards a pose, or have not come to rest, or look for their
 * zero. */
bool lj_own_moving(void);

/* How many frames there is room for. */
uint8_t lj_own_room(void);

/* Queues one frame, a period after the one before; values as in lj_own_move. The first
 * is due at lj_own_start. False when there is no room. */
bool lj_own_frame(const uint8_t *values);

/* Leaves out so many frames, as of a damaged sector: axes stand still for their time. */
bool lj_own_gap(uint8_t frames);

/* Begins to play what is queued, the first frame at a time that is neither past nor before
 * the next slot is due: so pulses keep their period. */
bool lj_own_start(uint32_t now, uint32_t at);

/* Says that all queued frames are played: axes are at rest or come to it. */
bool lj_own_played(void);

/* Stays in the pose of the last frame when all are played: the state is armed again, so
 * that a move or other frames can follow. */
bool lj_own_rest(uint32_t now);

/* Ends by stop 1: all axes come to rest, and what carries no weight is let go. */
void lj_own_stop(uint32_t now);

/* ---- helpers for ports ---- */

/* The time from earlier to t in us, negative where t is before it, while they are less
 * than 35.8 minutes apart. (C99 6.3.1.3 leaves it to the compiler what becomes of the upper
 * half; all that have two's complements, which uint32_t and int32_t together ask for, keep
 * the bits.) */
static inline int32_t lj_since(uint32_t t, uint32_t earlier)
{
    return (int32_t)(t - earlier);
}

/* Spreads steps evenly over a span of time: the intervals of a span add up to it, and
 * none differs from another by more than one. */
typedef struct {
    uint16_t count; /* steps of the span that are left */
    uint16_t steps; /* of the span */
    uint16_t base;  /* shortest interval */
    uint16_t more;  /* what it is short of, in parts of steps */
    uint16_t sum;   /* remainder that is carried from step to step */
} lj_spread;

/* Begins a span, in ticks of a timer of the port; it divides, so not in an interrupt. The
 * first step comes half an interval after the begin. steps may be 0. */
void lj_spread_begin(lj_spread *s, uint16_t steps, uint16_t span);

/* The interval to the next step in ticks, 0 when there is none. It does not divide, and
 * stands here so that it can become part of an interrupt. */
static inline uint16_t lj_spread_next(lj_spread *s)
{
    uint16_t interval = s->base;
    if (s->count == 0u) {
        return 0;
    }
    if (s->sum >= (uint16_t)(s->steps - s->more)) { /* sum + more reaches steps */
        s->sum = (uint16_t)(s->sum - (uint16_t)(s->steps - s->more));
        interval++;
    } else {
        s->sum = (uint16_t)(s->sum + s->more);
    }
    if (s->count == s->steps) {
        interval = (uint16_t)(interval / 2u); /* the first comes in the middle of its interval */
    }
    s->count--;
    return interval;
}

/* Reads the inputs: raw are the levels of the pins, bit n of input n. Gives the inputs that
 * are active, to be handed to lj_inputs: of LJ_INPUTS_LOW polarity, and steady for
 * LJ_DEBOUNCE_US. The stop input acts at once, and is released when it is steady. It is to
 * be called at least each 8 s, better each ms. */
uint16_t lj_input_read(uint32_t now, uint16_t raw);

/* Running hours. lj_hours_begin reads them from EEPROM. lj_hours_run is called at least each
 * half hour, with what is counted as running or not, and while it gives true again soon: it
 * then has bytes to write, one a call. */
void lj_hours_begin(uint32_t now);
bool lj_hours_run(uint32_t now, bool running);
uint32_t lj_hours(void);

/* The port's EEPROM. lj_port_eeprom_ready is false while a write is under way; the others
 * are called only when it is true. Writing begins, and does not wait for its end. */
bool lj_port_eeprom_ready(void);
uint8_t lj_port_eeprom_read(uint16_t at);
void lj_port_eeprom_write(uint16_t at, uint8_t byte);

#endif
