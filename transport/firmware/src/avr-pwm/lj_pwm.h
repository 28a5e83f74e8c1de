/* A 16-channel driver of the PCA9685 kind as the outputs of an ATmega328P: what its parts
 * say to each other. All else is the bare board's (../avr): of that, outputs.c and pulses.c
 * give way to these.
 *
 *   pwm_driver.c   outputs: starts the driver, gives it each slot, gets it back
 *   pwm_bus.c      the two-wire bus, by interrupts
 *   pwm_counts.c   ticks in counts
 *
 * lj_config.h may define
 *   LJ_PORT_PWM_OSC_KHZ   frequency of the driver's oscillator, kHz: 25000 unless measured.
 *                         PULSES ARE WRONG BY AS MUCH AS IT IS: oscillators of 23 to 27 MHz
 *                         are found, 8 % off. To calibrate, measure the frequency of any
 *                         servo output, in Hz: oscillator = frequency x 4096 x (prescale +
 *                         1), prescale 121 at 50 Hz and 25000.
 *   LJ_PORT_PWM_ADDRESS   of 7 bits, 0x40 unless address pins are wired otherwise
 *   LJ_PORT_BAUD and others of ../avr/lj_avr.h
 * It needs LJ_INPUTS_COUNT of at least 1, a longest period of at most 1048576 /
 * LJ_PORT_PWM_OSC_KHZ ms, and LJ_LEAD_US of about 2000: in that time a slot gets to the driver (16
 * outputs take 2.0 ms). With 16 outputs there is memory for LJ_QUEUE of 12, and in flash there is no
 * room for a card's show (LJ_SHOW_PRINT).
 *
 * Outputs can be servos, switches and lamps (LJ_UNITS_TICKS, STATE, LEVEL). Lamps flicker at
 * the frame's rate, which is seen at 50 Hz; switches change when a frame begins, as the
 * trigger of a sound player does, up to 20 ms late then. Motors and steppers cannot be had here.
 *
 * | driver | board |
 * |---|---|
 * | SDA, SCL | PC4 (A4), PC5 (A5) |
 * | OE | PD2 (D2), with a resistor of 1 to 4.7 kilohm to the driver's supply: outputs are off while the chip starts |
 * | VCC | 5 V of the board; servos have a supply of their own, V+ |
 *
 * Inputs: 0, the stop input, to 3 are PC0 to PC3 (A0 to A3), 4 to 7 are PD3 to PD6 (D3 to
 * D6), all with the chip's pull-up, to be closed towards ground. The line has PD0 and PD1.
 *
 * What is other than on the bare board:
 *
 * - A pulse has whole counts: 4.88 us at 50 Hz and 25 MHz, about 0.44 degrees of a servo that
 *   turns 180 degrees in 2 ms. It is the nearest one within the rig's limits.
 * - The driver has its own clock, and its frames are not in step with the board's slots. It
 *   takes over what was written last at the end of its frame (data sheet 7.3.4), never within
 *   a pulse. So a pulse starts up to two frames after its slot: one until the driver's frame
 *   begins, and the output's place in it. Both periods are as near as the
 *   prescaler allows (50 Hz and 25 MHz: 50.03 Hz; at other oscillators up to 0.4 % off): from time to
 *   time a frame's value is passed over, or stays for two frames, at 50 Hz and 25 MHz each
 *   35 s, at worst each 5 s.
 * - Offsets of pulses are the driver's: outputs start one after another over its frame, so
 *   that they do not load the supply at once, each always at the same place, and end in the
 *   frame in which they start. (If one passed the frame's end, the driver would leave out a
 *   pulse at each change: data sheet, figure 11.)
 * - Where the board's program ends, the driver goes on with the pulses that it has until the
 *   watchdog has started the program again: servos stay where they are for 0.2 s. Behind a
 *   bootloader that waits it is longer; with the resistor at OE it is not.
 *
 * What goes wrong on the bus is told by pwm_faults and mended: a data line that is held low
 * is clocked free, a driver that lost its supply is started anew. Axes then move on from
 * where they were shown last, within their limits. Where that takes longer than 0.1 s, the
 * board says that its stop input is active, and stops; it does so too where there is no
 * driver. CAUTION: servos without pulses are limp, and what carries weight sinks; when
 * pulses come back they go to where they should be, faster than any limit says. The bus has no
 * check of what it carries: keep it short, away from the cables of motors, with its
 * ground beside it. */
#ifndef LJ_PWM_H
#define LJ_PWM_H

#include <stdint.h>

/* How often the bus did not do what it should; it stays at the most. */
extern uint16_t pwm_faults;

/* How often the driver was started. */
extern uint16_t pwm_starts;

#endif
