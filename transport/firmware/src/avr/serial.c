/* The line to the host: 8 data bits, no parity, one stop bit, rings in memory on both ways.
 *
 * The chip's receiver holds two bytes and one that is being received, 30 us at 1 Mbaud: so
 * long may interrupts be busy with something else. The interrupt of the pulses, which can
 * take longer, looks after the line while it waits. */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "lj_avr.h"

#if LJ_WIRE

/* Twice the speed: eight samples a bit, the finer divisor. Rounded to the nearest, as in
 * the data sheet's tables. */
#define DIVISOR ((F_CPU / 4UL / LJ_PORT_BAUD - 1UL) / 2UL)

#if DIVISOR > 4095
#error "LJ_PORT_BAUD is too low"
#endif

/* +-2.5 % together with what the host's clock is off stays within the receiver's limits of
 * -4.00 to +3.90 % (data sheet, maximum receiver baud rate error, double speed). */
#define ACTUAL (F_CPU / 8UL / (DIVISOR + 1UL))
#if ACTUAL * 1000UL > LJ_PORT_BAUD * 1025UL || ACTUAL * 1000UL < LJ_PORT_BAUD * 975UL
#error "LJ_PORT_BAUD cannot be had from 16 MHz: take 250000, 500000 or 1000000"
#endif

volatile uint8_t serial_out;
uint8_t serial_ring[LJ_PORT_RECEIVED];
volatile uint16_t serial_missed, serial_ended;

static uint8_t sending[LJ_PORT_SENDING];
static volatile uint8_t sending_in, sending_out;

#define NEXT(i, size) ((uint8_t)((i) + 1u) & (uint8_t)((size) - 1))

void serial_begin(void)
{
    serial_in = 0;
    UBRR0 = (uint16_t)DIVISOR;
    UCSR0A = (1 << U2X0);
    UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);
    UCSR0B = (1 << RXEN0) | (1 << TXEN0) | (1 << RXCIE0);
    /* Ends what a reset has cut short, so that it does not spoil the first message. */
    UDR0 = 0;
}

/* The interrupt of a byte that has come: the same as serial_catch, in 58 cycles in place of
 * the 83 of a compiler that saves more than it needs, and 29 for a second one. At 1 Mbaud one
 * comes each 160. */
#define TEXT(x) #x
#define NUMBER(x) TEXT(x)
#define RECEIVED NUMBER(CHIP_RECEIVED) /* the name of its vector */
__asm__(".global " RECEIVED "\n" RECEIVED ":\n\t"
        "push r24\n\t"
        "in r24, 0x3f\n\t" /* SREG */
        "push r24\n\t"
        "push r25\n\t"
        "push r30\n\t"
        "push r31\n"
        "3:\n\t"
        "lds r24, 0xc6\n\t" /* UDR0 */
        "in r30, 0x1e\n\t"  /* GPIOR0: serial_in */
        "mov r25, r30\n\t"
        "inc r25\n\t"
        "andi r25, " NUMBER(LJ_PORT_RECEIVED) " - 1\n\t"
        "lds r31, serial_out\n\t"
        "cp r25, r31\n\t"
        "breq 1f\n\t"
        "out 0x1e, r25\n\t"
        "ldi r31, 0\n\t"
        "subi r30, lo8(-(serial_ring))\n\t"
        "sbci r31, hi8(-(serial_ring))\n\t"
        "st Z, r24\n\t"
        "tst r24\n\t"
        "brne 2f\n\t"
        "ldi r24, 1\n\t"
        "out 0x2a, r24\n\t" /* GPIOR1: serial_zero */
        "lds r24, 0x84\n\t" /* TCNT1 */
        "sts serial_ended, r24\n\t"
        "lds r24, 0x85\n\t"
        "sts serial_ended + 1, r24\n"
        "2:\n\t"
        "lds r24, 0xc0\n\t" /* UCSR0A */
        "sbrc r24, 7\n\t"   /* another has come */
        "rjmp 3b\n\t"
        "pop r31\n\t"
        "pop r30\n\t"
        "pop r25\n\t"
        "pop r24\n\t"
        "out 0x3f, r24\n\t"
        "pop r24\n\t"
        "reti\n"
        "1:\n\t" /* full */
        "lds r30, serial_missed\n\t"
        "lds r31, serial_missed + 1\n\t"
        "adiw r30, 1\n\t"
        "sts serial_missed + 1, r31\n\t"
        "sts serial_missed, r30\n\t"
        "rjmp 2b\n");

ISR(CHIP_EMPTY)
{
    uint8_t at = sending_out;
    if (at == sending_in) {
        UCSR0B &= (uint8_t)~(1 << UDRIE0);
        return;
    }
    UDR0 = sending[at];
    sending_out = NEXT(at, LJ_PORT_SENDING);
}

bool serial_ripe(void)
{
    return serial_zero != 0 || (uint8_t)((serial_in - serial_out) & (LJ_PORT_RECEIVED - 1)) > LJ_PORT_RECEIVED / 4;
}

bool serial_take(uint8_t *byte)
{
    uint8_t at = serial_out;
    if (at == serial_in) {
        serial_zero = 0;
        /* One may have come in between. */
        if (at == serial_in)
            return false;
        serial_zero = 1;
    }
    *byte = serial_ring[at];
    serial_out = NEXT(at, LJ_PORT_RECEIVED);
    return true;
}

bool serial_age(uint16_t *ticks)
{
    bool last;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        last = serial_in == serial_out;
        *ticks = TCNT1 - serial_ended;
    }
    return last;
}

uint16_t serial_lost(void)
{
    uint16_t n;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { n = serial_missed; }
    return n;
}

void lj_port_send(const uint8_t *bytes, uint8_t count)
{
    uint8_t at = sending_in;
    uint8_t waiting = (uint8_t)(at - sending_out) & (uint8_t)(LJ_PORT_SENDING - 1);
    if (count > (uint8_t)(LJ_PORT_SENDING - 1) - waiting)
        return;
    while (count--) {
        sending[at] = *bytes++;
        at = NEXT(at, LJ_PORT_SENDING);
    }
    sending_in = at;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { UCSR0B |= (1 << UDRIE0); }
}

#endif
