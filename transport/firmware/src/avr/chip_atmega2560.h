/* The ATmega2560 as a board: all in which it differs from the other chips. The board names
 * are those of the boards that are common with this chip.
 *
 * | output | pin | board name | can also be |
 * |---|---|---|---|
 * | 0 | PA0 | D22 | stepper: steps on PE3 (D5), direction here |
 * | 1 | PA1 | D23 | stepper: steps on PE4 (D2); lamp, motor on PG5 (D4, OC0B); direction of both here |
 * | 2 | PA2 | D24 | stepper: steps on PE5 (D3), direction here |
 * | 3 | PA3 | D25 | stepper: steps on PH3 (D6); lamp, motor on PH6 (D9, OC2B); direction of both here |
 * | 4 | PA4 | D26 | stepper: steps on PH4 (D7); lamp, motor on PB4 (D10, OC2A); direction of both here |
 * | 5 | PA5 | D27 | stepper: steps on PH5 (D8), direction here |
 * | 6 | PA6 | D28 | |
 * | 7 | PA7 | D29 | |
 * | 8 | PC7 | D30 | lamp, motor on PB7 (D13, OC0A), direction here |
 * | 9 | PC6 | D31 | |
 * | 10 | PC5 | D32 | |
 * | 11 | PC4 | D33 | |
 * | 12 | PC3 | D34 | |
 * | 13 | PC2 | D35 | |
 * | 14 | PC1 | D36 | |
 * | 15 | PC0 | D37 | |
 *
 * The pins of steps, lamps and motors are outputs in any case, and low. Inputs: 0, the stop input,
 * is PK0 (A8), 1 to 7 are PK1 (A9), PK2 (A10), PK3 (A11), PK4 (A12), PK5 (A13), PK6 (A14) and
 * PK7 (A15). The card has PB0 to PB3 (D53, D52, D51,
 * D50: select, clock, data to it, data from it), the line PE0 and PE1 (D0, D1).
 *
 * Fuses: crystal without division (low 0xff or 0xf7), brown-out detector at 4.3 V (extended
 * 0xfc; ATmega640/1280/1281/2560/2561 data sheet, table "BODLEVEL Fuse Coding"): at 16 MHz the
 * chip wants 4.5 V at least ("Speed Grades"), and below that it may do anything. */
#ifndef LJ_CHIP_H
#define LJ_CHIP_H

#define CHIP_NUMBER 2560
#define CHIP_OUTPUTS 16
#define CHIP_LINES 20  /* of CHIP_PINS */
#define CHIP_PULSES 16 /* in a slot */

/* Outputs from 0 on that can be steppers: each has a compare unit of Timer3 or Timer4. */
#define CHIP_STEPPERS 6

/* An address of a port, and how it is read from flash. Pulses come from ports A to G only,
 * whose addresses have 7 bits. */
typedef uint16_t chip_port;
#define CHIP_READ_PORT(from) pgm_read_word(from)

#define CHIP_PINS \
    { \
        { AT(PORTA), 1 << 0, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 1, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 2, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 3, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 4, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 5, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 6, 0, 0, 0, NONE }, \
        { AT(PORTA), 1 << 7, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 7, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 6, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 5, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 4, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 3, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 2, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 1, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 0, 0, 0, 0, NONE }, \
        { AT(PORTG), 1 << 5, &OCR0B, &TCCR0A, 1 << COM0B1, 1 }, \
        { AT(PORTH), 1 << 6, &OCR2B, &TCCR2A, 1 << COM2B1, 3 }, \
        { AT(PORTB), 1 << 4, &OCR2A, &TCCR2A, 1 << COM2A1, 4 }, \
        { AT(PORTB), 1 << 7, &OCR0A, &TCCR0A, 1 << COM0A1, 8 }, \
    }

/* The line of CHIP_PINS on which an output is dimmed. */
#define CHIP_DIMMED(n) ((uint8_t)((n) == 1 ? 16 : (n) == 3 ? 17 : (n) == 4 ? 18 : 19))

/* The steppers' compare units: DO(stepper, timer, unit, port of the steps' pin, its bit, port
 * of the direction's pin, its bit). */
#define CHIP_EACH_STEPPER(DO) \
    DO(0, 3, A, E, 3, A, 0) \
    DO(1, 3, B, E, 4, A, 1) \
    DO(2, 3, C, E, 5, A, 2) \
    DO(3, 4, A, H, 3, A, 3) \
    DO(4, 4, B, H, 4, A, 4) \
    DO(5, 4, C, H, 5, A, 5)

/* Inputs, and their pull-ups. */
#define CHIP_PULL_UP() (PORTK = 0xff)
#define CHIP_INPUTS() (PINK)

/* The card's pins, all on port B. */
enum { CHIP_SELECT = 1 << PORTB0, CHIP_CLOCK = 1 << PORTB1, CHIP_MOSI = 1 << PORTB2, CHIP_MISO = 1 << PORTB3 };

/* The light of a board that plays from a card: PL0 (D49); D13, the board's own, is a lamp's or
 * a motor's. No interrupt writes to this port. */
#define CHIP_LIGHT_BEGIN() (DDRL |= 1 << PORTL0)
#define CHIP_LIGHT_ON() (PORTL |= 1 << PORTL0)
#define CHIP_LIGHT_OFF() (PORTL &= (uint8_t) ~(1 << PORTL0))

/* The interrupts of the line to the host. */
#define CHIP_RECEIVED USART0_RX_vect
#define CHIP_EMPTY USART0_UDRE_vect

#endif
