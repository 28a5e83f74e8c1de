/* The ATmega328P as a board: all in which it differs from the other chips.
 *
 * | output | pin | board name | can also be |
 * |---|---|---|---|
 * | 0 | PD2 | D2 | direction of the motor on 1 |
 * | 1 | PD3 | D3 | lamp, motor (OC2B) |
 * | 2 | PD4 | D4 | direction of the motor on 3 |
 * | 3 | PD5 | D5 | lamp, motor (OC0B) |
 * | 4 | PD6 | D6 | lamp, motor (OC0A) |
 * | 5 | PD7 | D7 | direction of the motor on 4 |
 * | 6 | PB0 | D8 | |
 * | 7 | PB1 | D9 | |
 * | 8 | PC0 | A0 | |
 * | 9 | PC1 | A1 | |
 * | 10 | PC2 | A2 | |
 * | 11 | PC3 | A3 | |
 *
 * An output that is a direction of another is no output of its own (its units in
 * lj_config.h are 0). This chip has no steppers. Inputs: 0, the stop input, is PC4 (A4), 1 is
 * PC5 (A5). The card has PB2 to PB5 (D10 to D13), the line PD0 and PD1.
 *
 * Fuses: full-swing or low-power crystal without division (low 0xff or 0xf7), brown-out
 * detector at 4.3 V (extended 0xfc; ATmega328P data sheet, table "BODLEVEL Fuse Coding"):
 * at 16 MHz the chip wants 3.8 V at least ("Speed Grades"), and below that it may do anything. */
#ifndef LJ_CHIP_H
#define LJ_CHIP_H

#define CHIP_NUMBER 328
#define CHIP_OUTPUTS 12
#define CHIP_LINES 12  /* of CHIP_PINS */
#define CHIP_PULSES 12 /* in a slot */

#define CHIP_STEPPERS 0

/* An address of a port, and how it is read from flash. */
typedef uint8_t chip_port;
#define CHIP_READ_PORT(from) pgm_read_byte(from)

#define CHIP_PINS \
    { \
        { AT(PORTD), 1 << 2, 0, 0, 0, NONE }, \
        { AT(PORTD), 1 << 3, &OCR2B, &TCCR2A, 1 << COM2B1, 0 }, \
        { AT(PORTD), 1 << 4, 0, 0, 0, NONE }, \
        { AT(PORTD), 1 << 5, &OCR0B, &TCCR0A, 1 << COM0B1, 2 }, \
        { AT(PORTD), 1 << 6, &OCR0A, &TCCR0A, 1 << COM0A1, 5 }, \
        { AT(PORTD), 1 << 7, 0, 0, 0, NONE }, \
        { AT(PORTB), 1 << 0, 0, 0, 0, NONE }, \
        { AT(PORTB), 1 << 1, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 0, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 1, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 2, 0, 0, 0, NONE }, \
        { AT(PORTC), 1 << 3, 0, 0, 0, NONE }, \
    }

/* The line of CHIP_PINS on which an output is dimmed. */
#define CHIP_DIMMED(n) (n)

/* Inputs, and their pull-ups. */
#define CHIP_PULL_UP() (PORTC |= (1 << PORTC4) | (1 << PORTC5))
#define CHIP_INPUTS() ((PINC >> 4) & 3u)

/* The card's pins, all on port B. */
enum { CHIP_SELECT = 1 << PORTB2, CHIP_MOSI = 1 << PORTB3, CHIP_MISO = 1 << PORTB4, CHIP_CLOCK = 1 << PORTB5 };

/* The light of a board that plays from a card alone: PD1 (D1), which the line does not need
 * then; D13, the board's own, is the card's clock. Each is one instruction, since interrupts
 * write to this port. */
#define CHIP_LIGHT_BEGIN() (DDRD |= 1 << PORTD1)
#define CHIP_LIGHT_ON() (PORTD |= 1 << PORTD1)
#define CHIP_LIGHT_OFF() (PORTD &= (uint8_t) ~(1 << PORTD1))

/* The interrupts of the line to the host. */
#define CHIP_RECEIVED USART_RX_vect
#define CHIP_EMPTY USART_UDRE_vect

#endif
