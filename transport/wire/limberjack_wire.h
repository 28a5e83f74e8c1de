/* Generated from messages.txt by transport/wire/tables: change the table, not this file.
 * The protocol is explained in PROTOCOL.md. Integers are little-endian.
 * LJ_SIZE_x: bytes of the payload without what has no fixed size.
 * LJ_AT_x_y: offset of a field from the start of the payload. */
#ifndef LIMBERJACK_WIRE_H
#define LIMBERJACK_WIRE_H

#define LJ_VERSION 1u
#define LJ_HEAD 4u /* kind, length, sequence number */
#define LJ_OVERHEAD 6u /* head and CRC */
#define LJ_MAX_PAYLOAD 240u
#define LJ_MAX_PACKET 246u
#define LJ_MAX_FRAME 248u /* with COBS and the 0x00 at the end */
#define LJ_MAX_CHANNELS 112u
#define LJ_CRC_POLYNOMIAL 0x1021u /* CRC-16/IBM-3740 */
#define LJ_CRC_INITIAL 0xffffu

/* State: what a board is doing. */
#define LJ_STATE_SILENT 0u /* no pulse leaves: after power-up, a reset or stop 0 */
#define LJ_STATE_ARMED 1u /* pulses leave, the pose is held, frames may be queued */
#define LJ_STATE_PLAYING 2u /* queued frames are played at their times */
#define LJ_STATE_HELD 3u /* playing was stopped by hold; pulses stay, the queue stays */
#define LJ_STATE_STOPPING 4u /* axes are being brought to rest by stop 1 */
#define LJ_STATE_STOPPED 5u /* after stop 1: only what carries weight has pulses; disarmed */
#define LJ_STATE_LOST 6u /* the host was silent too long; each axis did what its policy says; disarmed */

/* Cause: why a board went to its state. */
#define LJ_CAUSE_NONE 0u /* no cause: the state follows from power-up */
#define LJ_CAUSE_HOST 1u /* the host said so */
#define LJ_CAUSE_INPUT 2u /* the stop input */
#define LJ_CAUSE_SILENCE 3u /* no valid message from the host */
#define LJ_CAUSE_RESET 4u /* the board has been reset */
#define LJ_CAUSE_RESETS 5u /* three resets in a minute */

/* Reset: what caused a board's last reset. */
#define LJ_RESET_UNKNOWN 0u /* the board cannot tell */
#define LJ_RESET_POWER 1u /* power came on */
#define LJ_RESET_PIN 2u /* the reset pin (opening a serial port pulls it on many boards) */
#define LJ_RESET_BROWNOUT 3u /* the supply sagged */
#define LJ_RESET_WATCHDOG 4u /* the program did not answer its watchdog */

/* Result: how a message of the host was taken. */
#define LJ_RESULT_OK 0u /* done */
#define LJ_RESULT_STATE 1u /* not now: the board is in another state */
#define LJ_RESULT_LIMITS 2u /* out of the board's own limits */
#define LJ_RESULT_UNSET 3u /* not configured, or not all channels */
#define LJ_RESULT_BOOT 4u /* the board has been reset since it was identified */
#define LJ_RESULT_UNCLEAR 5u /* a number in the message means nothing to this board */
#define LJ_RESULT_CHANNEL 6u /* no such channel */
#define LJ_RESULT_FULL 7u /* no room in the queue */

/* Unit: what a value counts on a channel. */
#define LJ_UNIT_TICKS 0u /* pulse length in ticks of the board; 0 is no pulse in this frame */
#define LJ_UNIT_DUTY 1u /* signed duty of a motor, two's complement */
#define LJ_UNIT_STEPS 2u /* low 16 bits of a stepper's position in microsteps */
#define LJ_UNIT_LEVEL 3u /* brightness of a lamp */
#define LJ_UNIT_STATE 4u /* a switch: 0 is off, all else is on */

/* Policy: what an axis does when the host is lost. */
#define LJ_POLICY_HOLD 0u /* brought to rest, pulses stay */
#define LJ_POLICY_REST 1u /* brought to rest, then moved to its rest value, pulses stay */
#define LJ_POLICY_RELEASE 2u /* brought to rest, then let go, unless it carries weight */

/* Category: how a stop ends, by the stop categories of IEC 60204-1. */
#define LJ_CATEGORY_DROP 0u /* pulses of all axes end now, between two pulses */
#define LJ_CATEGORY_CONTROLLED 1u /* every axis is brought to rest, then let go unless it carries weight */

/* Topic: what a query asks for. */
#define LJ_TOPIC_STATUS 0u /* the board's state and counters */
#define LJ_TOPIC_POSE 1u /* the present values */

/* Flags: what is particular about a channel. */
#define LJ_FLAGS_WEIGHT 0x01u /* the axis carries weight: only stop 0 lets it go */
#define LJ_FLAGS_TURNS 0x02u /* its value is a speed, as of a continuous servo: at rest is where the value is that of rest */

/* Units: the units that an output can play; bit n is the unit with number n. */
#define LJ_UNITS_TICKS 0x01u /* pulses of a servo */
#define LJ_UNITS_DUTY 0x02u /* a motor */
#define LJ_UNITS_STEPS 0x04u /* a stepper */
#define LJ_UNITS_LEVEL 0x08u /* a lamp */
#define LJ_UNITS_STATE 0x10u /* a switch */

/* Inputs: the inputs of a board that are active now; bits from 1 on are the board's own. */
#define LJ_INPUTS_STOP 0x01u /* the stop input */

/* identify, from the host */
#define LJ_KIND_IDENTIFY 0x01u
#define LJ_SIZE_IDENTIFY 1u
#define LJ_AT_IDENTIFY_VERSION 0u /* u8: newest version the host speaks */

/* ask, from the host */
#define LJ_KIND_ASK 0x02u
#define LJ_SIZE_ASK 1u
#define LJ_AT_ASK_CHANNEL 0u /* u8: number of the output, from 0 */

/* clock, from the host */
#define LJ_KIND_CLOCK 0x03u
#define LJ_SIZE_CLOCK 4u
#define LJ_AT_CLOCK_TOKEN 0u /* u32: comes back as it is */

/* setup, from the host */
#define LJ_KIND_SETUP 0x04u
#define LJ_SIZE_SETUP 7u
#define LJ_AT_SETUP_CHANNELS 0u /* u8: how many channels will be configured, 1 to 112 */
#define LJ_AT_SETUP_PERIOD 1u /* u32: ns from frame to frame */
#define LJ_AT_SETUP_SILENCE 5u /* u16: ms without a valid message before the board is lost; 250 is usual */

/* channel, from the host */
#define LJ_KIND_CHANNEL 0x05u
#define LJ_SIZE_CHANNEL 26u
#define LJ_AT_CHANNEL_CHANNEL 0u /* u8: number of the output, from 0 */
#define LJ_AT_CHANNEL_UNIT 1u /* Unit: what values count */
#define LJ_AT_CHANNEL_LOST 2u /* Policy: what the axis does when the host is lost */
#define LJ_AT_CHANNEL_FLAGS 3u /* Flags: weight */
#define LJ_AT_CHANNEL_OFFSET 4u /* u16: start of the pulse in its frame, in ticks */
#define LJ_AT_CHANNEL_LOW 6u /* i32: least value */
#define LJ_AT_CHANNEL_HIGH 10u /* i32: greatest value */
#define LJ_AT_CHANNEL_REST 14u /* i32: value at rest */
#define LJ_AT_CHANNEL_CHANGE 18u /* u32: greatest change from frame to frame */
#define LJ_AT_CHANNEL_SLOW 22u /* u32: greatest change of the change from frame to frame: how hard stops brake */

/* arm, from the host */
#define LJ_KIND_ARM 0x06u
#define LJ_SIZE_ARM 2u
#define LJ_AT_ARM_BOOT 0u /* u16: of the identity, so that a board that was reset cannot be armed unseen */
#define LJ_AT_ARM_VALUES 2u /* values*: one a configured channel, in ascending order of channels */

/* frames, from the host */
#define LJ_KIND_FRAMES 0x07u
#define LJ_SIZE_FRAMES 10u
#define LJ_AT_FRAMES_INDEX 0u /* index: number of the first frame */
#define LJ_AT_FRAMES_TIME 2u /* tick: when the first frame begins */
#define LJ_AT_FRAMES_SPACING 6u /* u32: ns from frame to frame in this message */
#define LJ_AT_FRAMES_VALUES 10u /* values*: frame after frame, one value a configured channel in ascending order */

/* start, from the host */
#define LJ_KIND_START 0x08u
#define LJ_SIZE_START 4u
#define LJ_AT_START_TIME 0u /* tick: start */

/* hold, from the host */
#define LJ_KIND_HOLD 0x09u
#define LJ_SIZE_HOLD 0u

/* resume, from the host */
#define LJ_KIND_RESUME 0x0au
#define LJ_SIZE_RESUME 4u
#define LJ_AT_RESUME_TIME 0u /* tick: when the first queued frame begins */

/* stop, from the host */
#define LJ_KIND_STOP 0x0bu
#define LJ_SIZE_STOP 1u
#define LJ_AT_STOP_CATEGORY 0u /* Category: how the stop ends */

/* query, from the host */
#define LJ_KIND_QUERY 0x0cu
#define LJ_SIZE_QUERY 1u
#define LJ_AT_QUERY_TOPIC 0u /* Topic: which */

/* flush, from the host */
#define LJ_KIND_FLUSH 0x0du
#define LJ_SIZE_FLUSH 2u
#define LJ_AT_FLUSH_INDEX 0u /* index: first frame to drop */

/* identity, from the board */
#define LJ_KIND_IDENTITY 0x41u
#define LJ_SIZE_IDENTITY 26u
#define LJ_AT_IDENTITY_VERSION 0u /* u8: newest version the board speaks */
#define LJ_AT_IDENTITY_BOOT 1u /* u16: another number after each reset */
#define LJ_AT_IDENTITY_CAUSE 3u /* Reset: of the last reset */
#define LJ_AT_IDENTITY_RESETS 4u /* u16: since power-up */
#define LJ_AT_IDENTITY_CHANNELS 6u /* u8: how many outputs it has */
#define LJ_AT_IDENTITY_DEPTH 7u /* u16: how many frames its queue holds, below 32768 */
#define LJ_AT_IDENTITY_PAYLOAD 9u /* u8: longest payload it takes, at most 240 */
#define LJ_AT_IDENTITY_TICK 10u /* u32: ps in a tick of a pulse */
#define LJ_AT_IDENTITY_LEAST 14u /* u32: shortest period, ns a frame */
#define LJ_AT_IDENTITY_GREATEST 18u /* u32: longest period, ns a frame */
#define LJ_AT_IDENTITY_PRINT 22u /* u32: CRC-32 of the rig built into the board; 0: none */
#define LJ_AT_IDENTITY_NAME 26u /* bytes*: in UTF-8 */

/* limits, from the board */
#define LJ_KIND_LIMITS 0x42u
#define LJ_SIZE_LIMITS 14u
#define LJ_AT_LIMITS_CHANNEL 0u /* u8: number of the output */
#define LJ_AT_LIMITS_UNITS 1u /* Units: it can play */
#define LJ_AT_LIMITS_LOW 2u /* i32: least value */
#define LJ_AT_LIMITS_HIGH 6u /* i32: greatest value */
#define LJ_AT_LIMITS_CHANGE 10u /* u32: greatest change from frame to frame */

/* time, from the board */
#define LJ_KIND_TIME 0x43u
#define LJ_SIZE_TIME 12u
#define LJ_AT_TIME_TOKEN 0u /* u32: of the clock message */
#define LJ_AT_TIME_RECEIVED 4u /* tick: board's time when the message had come */
#define LJ_AT_TIME_SENT 8u /* tick: board's time when this answer leaves */

/* ack, from the board */
#define LJ_KIND_ACK 0x44u
#define LJ_SIZE_ACK 5u
#define LJ_AT_ACK_ABOUT 0u /* kind: kind of the message */
#define LJ_AT_ACK_SEQUENCE 1u /* u16: sequence number of the message */
#define LJ_AT_ACK_RESULT 3u /* Result: how it was taken */
#define LJ_AT_ACK_DETAIL 4u /* u8: the channel for limits, unset and channel; otherwise the state */

/* status, from the board */
#define LJ_KIND_STATUS 0x45u
#define LJ_SIZE_STATUS 28u
#define LJ_AT_STATUS_STATE 0u /* State: what the board is doing */
#define LJ_AT_STATUS_CAUSE 1u /* Cause: why */
#define LJ_AT_STATUS_TIME 2u /* tick: board's time now */
#define LJ_AT_STATUS_INDEX 6u /* index: next frame to play */
#define LJ_AT_STATUS_QUEUED 8u /* u16: frames in the queue */
#define LJ_AT_STATUS_PLAYED 10u /* u32: frames played since arm */
#define LJ_AT_STATUS_LATE 14u /* u16: frames dropped because their time had passed */
#define LJ_AT_STATUS_BRIDGED 16u /* u16: missing frames bridged */
#define LJ_AT_STATUS_CLAMPED 18u /* u16: values cut to limits */
#define LJ_AT_STATUS_BAD 20u /* u16: packets with a wrong CRC or framing */
#define LJ_AT_STATUS_UNKNOWN 22u /* u16: messages of unknown kinds */
#define LJ_AT_STATUS_INPUTS 24u /* Inputs: active now */
#define LJ_AT_STATUS_SUPPLY 26u /* u16: mV; 0: not measured */

/* pose, from the board */
#define LJ_KIND_POSE 0x46u
#define LJ_SIZE_POSE 2u
#define LJ_AT_POSE_STATE 0u /* State: what the board is doing */
#define LJ_AT_POSE_COUNT 1u /* u8: configured channels */
#define LJ_AT_POSE_LIVE 2u /* mask[count]: bit i of byte i/8, from the least: pulses leave on that channel */

/* credit, from the board */
#define LJ_KIND_CREDIT 0x47u
#define LJ_SIZE_CREDIT 4u
#define LJ_AT_CREDIT_LIMIT 0u /* index: first frame that there is no room for */
#define LJ_AT_CREDIT_FREE 2u /* u16: frames that there is room for */

#endif
