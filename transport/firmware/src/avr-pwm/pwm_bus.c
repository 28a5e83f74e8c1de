/* The chip's two-wire interface as a master: ATmega328P data sheet, chapter "2-wire Serial
 * Interface", tables of the status codes. SDA is PC4 (A4), SCL PC5 (A5), each with a pull-up
 * resistor on the driver's board (2.2 to 4.7 kilohm at 400 kHz). */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay.h>
#include <util/twi.h>

#include "lj_avr.h"
#include "pwm_bus.h"

#ifndef LJ_PORT_PWM_ADDRESS
#define LJ_PORT_PWM_ADDRESS 0x40 /* of 7 bits: all address pins of the driver low */
#endif

#if LJ_PORT_PWM_ADDRESS < 0x40 || LJ_PORT_PWM_ADDRESS > 0x7f || LJ_PORT_PWM_ADDRESS == 0x70
#error "LJ_PORT_PWM_ADDRESS is of 7 bits, 0x40 to 0x7f, and not 0x70, which means all drivers"
#endif

enum {
    RATE = (16000000UL / 400000UL - 16UL) / 2UL, /* TWBR at prescaler 1: 12 */
    SDA = 1 << PORTC4,
    SCL = 1 << PORTC5,
    HALF = 5, /* us of a clock by hand: 100 kHz */
    GO = (1 << TWINT) | (1 << TWEN) | (1 << TWIE)
};

/* What is under way: it goes from one to the next. */
enum { CHECK_ADDRESS, CHECK, READ_ADDRESS, READ, WRITE };

static volatile uint8_t state; /* bus_state */
static volatile bool off; /* all off is wanted */
static uint8_t phase;
static uint8_t target;       /* register */
static const uint8_t *from;
static uint8_t left;         /* bytes to write */
static uint8_t one;          /* the byte where it is one */
static uint8_t mode;         /* MODE1 as it was read in a check */

static inline void write_one(uint8_t reg, uint8_t byte)
{
    phase = WRITE;
    target = reg;
    one = byte;
    from = &one;
    left = 1;
}

/* One a byte, for which the bus waits: it calls nothing, so that little has to be saved. */
ISR(TWI_vect)
{
    uint8_t status = TW_STATUS, control = GO, with = BUS_BUSY;
    if (status == TW_MT_DATA_ACK && left > 0 && phase == WRITE && !off) {
        left--;
        TWDR = *from++;
        TWCR = GO;
        return;
    }
    switch (status) {
    case TW_MT_DATA_ACK: /* it has taken the last byte, or the register's number */
        if (phase == WRITE && !off)
            with = BUS_DONE;
        else {
            phase = phase == CHECK_ADDRESS ? CHECK : READ;
            control |= 1 << TWSTA;
        }
        break;
    case TW_START:
    case TW_REP_START:
        TWDR = (uint8_t)(LJ_PORT_PWM_ADDRESS << 1 | (phase == CHECK || phase == READ ? TW_READ : TW_WRITE));
        break;
    case TW_MT_SLA_ACK:
        TWDR = phase == CHECK_ADDRESS ? (uint8_t)MODE1 : target;
        break;
    case TW_MR_SLA_ACK: /* of the two modes the second is the last byte */
        if (phase == CHECK)
            control |= 1 << TWEA;
        break;
    case TW_MR_DATA_ACK:
        mode = TWDR;
        break;
    case TW_MR_DATA_NACK:
        one = TWDR;
        if (phase == READ && !off)
            with = BUS_DONE;
        else if (!off && (mode != MODE1_RUN || one != MODE2_RUN))
            with = BUS_FAILED;
        else {
            phase = WRITE;
            control |= 1 << TWSTA;
        }
        break;
    case TW_MT_SLA_NACK:
    case TW_MT_DATA_NACK:
    case TW_MR_SLA_NACK:
        with = BUS_FAILED;
        break;
    default: /* another speaks, or a condition where none may be: only on a disturbed bus */
        state = BUS_FAILED;
        TWCR = 0;
        return;
    }
    if ((control & (1 << TWSTA)) && off) {
        off = false;
        write_one(ALL_LED_OFF_H, FULL);
    }
    if (with != BUS_BUSY) {
        state = with;
        control = (1 << TWINT) | (1 << TWEN) | (1 << TWSTO);
    }
    TWCR = control;
}

static void begin(void)
{
    state = BUS_BUSY;
    TWSR = 0;
    TWBR = RATE;
    /* The stop condition of the one before may still be under way, for 5 us at most; what
     * does not end is told by whoever waits for this. */
    for (uint8_t n = 0; n < 100 && (TWCR & (1 << TWSTO)); n++)
        ;
    TWCR = GO | (1 << TWSTA);
}

void bus_write(uint8_t reg, uint8_t byte)
{
    write_one(reg, byte);
    begin();
}

void bus_read(uint8_t reg)
{
    phase = READ_ADDRESS;
    target = reg;
    begin();
}

uint8_t bus_read_byte(void) { return one; }

void bus_outputs(const uint8_t *bytes, uint8_t count)
{
    phase = CHECK_ADDRESS;
    target = LED0_ON_L;
    from = bytes;
    left = count;
    begin();
}

void bus_off(void)
{
    bool idle;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        idle = state != BUS_BUSY;
        off = !idle;
    }
    if (idle)
        bus_write(ALL_LED_OFF_H, FULL);
}

bus_state bus_poll(void)
{
    bus_state s;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        s = (bus_state)state;
        if (s != BUS_BUSY)
            state = BUS_IDLE;
    }
    return s;
}

/* A line is pulled low, or let go: the port's bits are 0. */
static void pull(uint8_t line, bool low)
{
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        if (low)
            DDRC |= line;
        else
            DDRC &= (uint8_t)~line;
    }
    _delay_us(HALF);
}

bool bus_free(void)
{
    TWCR = 0;
    off = false;
    state = BUS_IDLE;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { PORTC &= (uint8_t) ~(SDA | SCL); }
    pull(SDA, false);
    pull(SCL, false);
    for (uint8_t n = 0; n < 9 && !(PINC & SDA); n++) {
        pull(SCL, true);
        pull(SCL, false);
    }
    pull(SCL, true);
    pull(SDA, true);
    pull(SCL, false);
    pull(SDA, false);
    return (PINC & (SDA | SCL)) == (SDA | SCL);
}
