/* A bare AVR at 16 MHz as a board: what its parts say to each other.
 *
 *   start.c    reset cause, the loop, watchdog, sleep
 *   clock.c    us, from Timer1
 *   pulses.c   pulses of servos, placed by Timer1
 *   outputs.c  what is no pulse: motors, lamps, switches; inputs
 *   steps.c    steppers, where the chip has outputs for them
 *   serial.c   the line to the host, unless LJ_WIRE is 0
 *   eeprom.c   bytes in EEPROM
 *   sd.c       blocks of an SD card
 *
 * Which pin does what, and whatever else differs from chip to chip, stands in one file a
 * chip, chip_NAME.h.
 *
 * Pulses end with a reset, whatever the program would like: an axis that carries weight
 * needs a counterweight, a spring or a rest. */
#ifndef LJ_AVR_H
#define LJ_AVR_H

#include <stdbool.h>
#include <stdint.h>

#include <avr/io.h>

#include "limberjack.h"

#if defined(__AVR_ATmega328P__)
#include "chip_atmega328p.h"
#elif defined(__AVR_ATmega2560__)
#include "chip_atmega2560.h"
#else
#error "there is no chip_NAME.h for this chip: take -mmcu=atmega328p or -mmcu=atmega2560"
#endif

#if defined(LJ_PORT_CHIP) && LJ_PORT_CHIP != CHIP_NUMBER
#error "the rig's program is for another chip than the one that is chosen: choose the board Uno for an ATmega328P, Mega 2560 for an ATmega2560"
#endif

#if F_CPU != 16000000UL
#error "the timers are set for 16 MHz"
#endif

#if LJ_TICK_PS != 500000
#error "a tick of this board is 0.5 us: give its board in the rig tick: 0.5us"
#endif

/* Of what assembler uses by name: a compiler that looks at the whole program (-flto, as the
 * common IDE has it) does not see that, and would give it another name. */
#define OF_ASSEMBLER __attribute__((externally_visible))

/* From lj_config.h. LJ_LEAD_US should be 2500 where the period allows it: a slot of twelve
 * servos takes 1.1 ms to work out and to plan, and a message that has come just before may
 * take another. A slot that is planned too late has its pulses later, never shorter. */
#ifndef LJ_PORT_BAUD
#define LJ_PORT_BAUD 250000UL /* 115200 is 2.1 % off at 16 MHz */
#endif
#ifndef LJ_PORT_RECEIVED
#define LJ_PORT_RECEIVED 256 /* bytes that wait to be read, a power of two up to 256 */
#endif
#ifndef LJ_PORT_SENDING
#define LJ_PORT_SENDING 128 /* bytes that wait to be sent, a power of two up to 256 */
#endif

/* 1: a light tells how the show is, where the board plays one. See the chip's file for its pin. */
#ifndef LJ_PORT_LIGHT
#define LJ_PORT_LIGHT 0
#endif

/* ---- clock.c ---- */

/* Starts Timer1: 0.5 us a tick. */
void clock_begin(void);

/* us since the start, in 32 bits. Not in interrupts. */
uint32_t clock_us(void);

/* Ticks of 0.5 us, the low 16 bits of twice the us. Not in interrupts. */
uint16_t clock_ticks(void);

/* Lets the processor be woken in so many us, at most 30000, and says whether that time has
 * come. */
void clock_wake(uint16_t us);
bool clock_woken(void);

/* ---- pulses.c ---- */

/* A pulse that is asked for. */
typedef struct {
    uint16_t offset; /* ticks from the start of the slot */
    uint16_t width;  /* ticks */
    uint8_t port;    /* address of the PORT register */
    uint8_t mask;    /* bit in it */
} pulse;

enum {
    PULSES_MOST = LJ_CHANNELS < CHIP_PULSES ? LJ_CHANNELS : CHIP_PULSES, /* in a slot */
    PULSE_WIDEST = 0x6000 /* ticks, 12.3 ms */
};

/* Gives the pulses of a slot that begins at start, us. The array is used up. */
void pulses_give(uint32_t start, pulse *list, uint8_t count);

/* Pulses that have begun are finished, others do not come. No interrupt is held up. */
void pulses_drop(void);

/* Whether a pulse is on, or will be. */
bool pulses_any(void);

/* ---- steps.c ---- */

/* Whether this program has steppers. */
#define STEPS (CHIP_STEPPERS > 0 && LJ_STEPPERS)

#if STEPS

void steps_begin(void);

/* Gives a stepper its position in a slot. */
void steps_give(uint8_t n, const lj_pin *p, const lj_slot *slot);

/* A step that has begun is finished, others do not come. */
void steps_drop(void);

#if LJ_HOMING
/* Looks at the switches of steppers that look for their zero; to be called as often as can
 * be while lj_port_homing. inputs are the levels of the pins. */
void steps_look(uint32_t now, uint16_t inputs);
#endif

#endif

/* ---- outputs.c ---- */

void outputs_begin(void);

/* Does what is due at now, us: motors, lamps and switches at the start of their slot. */
void outputs_advance(uint32_t now);

/* Levels of the input pins, bit n of input n. */
uint16_t inputs_read(void);

/* ---- serial.c ---- */

#if LJ_WIRE

void serial_begin(void);

/* Takes the oldest byte, and is false when there is none. */
bool serial_take(uint8_t *byte);

/* Whether what waits is worth to be read: the end of a message, or much. */
bool serial_ripe(void);

/* How many ticks ago the zero came that was taken last, at most 32 ms; false where others
 * have come since. */
bool serial_age(uint16_t *ticks);

/* Bytes that were lost because nobody took them. */
uint16_t serial_lost(void);

/* The receiver's ring, which two interrupts write to. Where the next byte goes stands in a
 * register that takes one cycle to read and to write; the other end is the loop's. A zero
 * ends a message: that one has come is in another, and when, in ticks, in serial_ended. */
#define serial_in GPIOR0
#define serial_zero GPIOR1
extern volatile uint8_t serial_out OF_ASSEMBLER;
extern uint8_t serial_ring[LJ_PORT_RECEIVED] OF_ASSEMBLER;
extern volatile uint16_t serial_missed OF_ASSEMBLER, serial_ended OF_ASSEMBLER;

/* Puts the byte that has come into the ring, if one has. Only in interrupts. */
__attribute__((always_inline)) static inline void serial_catch(void)
{
    if (!(UCSR0A & (1 << RXC0)))
        return;
    uint8_t byte = UDR0;
    uint8_t at = serial_in;
    uint8_t next = (uint8_t)(at + 1u) & (uint8_t)(LJ_PORT_RECEIVED - 1);
    if (next == serial_out) {
        serial_missed++;
        return;
    }
    serial_ring[at] = byte;
    serial_in = next;
    if (byte == 0) {
        serial_zero = 1;
        serial_ended = TCNT1;
    }
}

#else

static inline void serial_catch(void) {}

#endif

#endif
