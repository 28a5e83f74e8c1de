/* ljsim: an ATmega328P or an ATmega2560 in virtual time, for tests. Links libsimavr (GPL-3): see README.md.
 * Each device is one file: uart.c, timer.c, card.c (SPI and an SD card), pwm.c (the two-wire bus
 * and a driver of 16 outputs), pins.c, chip.c (reset, sleep, interrupt entry, EEPROM time), main.c (commands). */
#ifndef LJSIM_H
#define LJSIM_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include <simavr/sim_avr.h>
#include <simavr/sim_io.h>

#define CLOCK 16000000u /* Hz */

/* Addresses in data space, which both chips have in common: their data sheets, "Register Summary". */
enum {
    MCUSR_AT = 0x54, EECR_AT = 0x3f, SPCR_AT = 0x4c, SPSR_AT = 0x4d, SPDR_AT = 0x4e, PORTB_AT = 0x25, DDRB_AT = 0x24,
    UCSRA_AT = 0xc0, UCSRB_AT = 0xc1, UBRRL_AT = 0xc4, UBRRH_AT = 0xc5, UDR_AT = 0xc6
};

typedef uint64_t cycles;

/* io gives a module of the simulator by its kind and place among those. */
avr_io_t *io_of_kind(avr_t *avr, const char *kind);

/* over lays handlers over those that the simulator has for a register. */
void over(avr_t *avr, uint16_t at, avr_io_read_t read, avr_io_write_t write, void *param);

/* stop_with ends the program with a message: a mistake of whoever calls it. */
void stop_with(const char *format, ...);

/* ---- uart.c ---- */
void uart_begin(avr_t *avr, unsigned baud);
void uart_reset(avr_t *avr);
void uart_send(avr_t *avr, cycles from, const uint8_t *bytes, size_t count);
size_t uart_waiting(void); /* bytes that have not begun to arrive */
unsigned uart_divisor(avr_t *avr, bool *doubled);
void uart_report(avr_t *avr, FILE *out);
/* Is told of each byte that the board sent, at the end of its stop bit. */
extern void (*uart_sent)(avr_t *avr, uint8_t byte);

/* ---- timer.c ---- */
void timer_begin(avr_t *avr);
void timer_reset(avr_t *avr);
bool timer_taken(avr_t *avr, char port, unsigned pin); /* whether a compare unit has a pin */

/* ---- card.c ---- */
void card_begin(avr_t *avr, const char *image);
void card_reset(void);
void card_delay(cycles all);                           /* time to a block's start token */
void card_stall(uint32_t block, cycles delay);         /* the same, of one block */
void card_flip(uint32_t block, unsigned byte, uint8_t mask); /* bits that the line flips */
void card_fail(uint32_t block);                        /* an error token in place of it */
void card_pull(bool out);                              /* the card is out of its socket */
void card_report(FILE *out);

/* ---- pins.c ---- */
void pins_begin(avr_t *avr);
void pins_reset(avr_t *avr);
void pins_drive(avr_t *avr);
void pins_input(avr_t *avr, char port, unsigned pin, bool level);
void pins_timed(avr_t *avr, char port, unsigned pin, bool level); /* a timer has set a pin */
extern bool pins_quiet; /* edges are counted, not written */

/* ---- pwm.c ---- */
void pwm_command(avr_t *avr, const char *line);

/* ---- chip.c ---- */
avr_t *chip_begin(const char *chip, const char *elf);
bool chip_large(void); /* it is an ATmega2560 */
void chip_reset(avr_t *avr, const char *cause);
void chip_hang(avr_t *avr);
void chip_run(avr_t *avr, cycles until);
void chip_report(avr_t *avr, FILE *out);
uint32_t chip_symbol(const char *name); /* address in data space; ends the program where there is none */
void chip_eeprom(avr_t *avr, const char *file, bool store);

#endif
