/* Pins: each change of an output is written with the cycle at which it happened.
 *
 * Pins that a timer has taken follow the timer alone. (The simulator lets any write to the
 * port pull them, too.) */
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>

#include "ljsim.h"

bool pins_quiet;

enum { PORTS = 11 };

/* The ports that there are, and where their DDR is; PORT is one above. An ATmega328P has B, C
 * and D only. */
static const struct {
    char name;
    uint16_t ddr;
} ports[PORTS] = { { 'B', 0x24 }, { 'C', 0x27 }, { 'D', 0x2a }, { 'A', 0x21 }, { 'E', 0x2d }, { 'F', 0x30 },
                   { 'G', 0x33 }, { 'H', 0x101 }, { 'J', 0x104 }, { 'K', 0x107 }, { 'L', 0x10a } };

static unsigned port_count;
static uint8_t levels[PORTS]; /* as they were written */
static struct { uint8_t mask, value; } inputs[PORTS];

static unsigned port_of(char name)
{
    unsigned port = 0;
    while (port < port_count && ports[port].name != name)
        port++;
    if (port == port_count)
        stop_with("there is no port %c", name);
    return port;
}

static void edge(cycles at, unsigned port, unsigned pin, bool level)
{
    uint8_t mask = (uint8_t)(1u << pin);
    if (((levels[port] & mask) != 0) == level)
        return;
    levels[port] = level ? levels[port] | mask : levels[port] & (uint8_t)~mask;
    if (!pins_quiet)
        printf("e %llu %c%u %d\n", (unsigned long long)at, ports[port].name, pin, level);
}

static avr_t *chip;

static bool is_output(unsigned port, unsigned pin) { return chip->data[ports[port].ddr] & (1u << pin); }

/* The outputs of Timer0 and Timer2, which have TCCRnA at such places. */
typedef struct {
    char timer;
    uint8_t comparator;
    uint16_t control; /* address of TCCRnA */
    uint8_t mask;     /* COMnx bits in it */
    char port;
    uint8_t pin;
} dimmer;

static const dimmer small[4] = { { '0', 0, 0x44, 0xc0, 'D', 6 }, { '0', 1, 0x44, 0x30, 'D', 5 }, { '2', 0, 0xb0, 0xc0, 'B', 3 }, { '2', 1, 0xb0, 0x30, 'D', 3 } };
static const dimmer large[4] = { { '0', 0, 0x44, 0xc0, 'B', 7 }, { '0', 1, 0x44, 0x30, 'G', 5 }, { '2', 0, 0xb0, 0xc0, 'B', 4 }, { '2', 1, 0xb0, 0x30, 'H', 6 } };
static const dimmer *timers;

static bool taken(unsigned port, unsigned pin)
{
    for (unsigned i = 0; i < 4; i++)
        if (timers[i].port == ports[port].name && timers[i].pin == pin)
            return (chip->data[timers[i].control] & timers[i].mask) != 0;
    return timer_taken(chip, ports[port].name, pin);
}

static void timed(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    const dimmer *t = param;
    if ((chip->data[t->control] & t->mask) && is_output(port_of(t->port), t->pin))
        edge(chip->cycle, port_of(t->port), t->pin, (value & 1u) != 0);
}

void pins_timed(avr_t *avr, char name, unsigned pin, bool level)
{
    if (is_output(port_of(name), pin))
        edge(avr->cycle, port_of(name), pin, level);
}

/* A pin that is given back has the level of its port again. */
static struct {
    avr_io_write_t write;
    void *param;
} control[2];

static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    unsigned n = (unsigned)(uintptr_t)param;
    control[n].write(avr, at, v, control[n].param);
    for (unsigned i = 0; i < 4; i++) {
        const dimmer *t = &timers[i];
        unsigned port = port_of(t->port);
        if (t->control == at && !(v & t->mask) && is_output(port, t->pin))
            edge(avr->cycle, port, t->pin, (avr->data[ports[port].ddr + 1] >> t->pin & 1u) != 0);
    }
}

static void changed(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    unsigned n = (unsigned)(uintptr_t)param;
    unsigned port = n / 8, pin = n % 8;
    if (is_output(port, pin) && !taken(port, pin))
        edge(chip->cycle, port, pin, (value & 1u) != 0);
}

static avr_irq_t *irq_of(unsigned port, unsigned pin)
{
    return avr_io_getirq(chip, AVR_IOCTL_IOPORT_GETIRQ(ports[port].name), (int)pin);
}

void pins_begin(avr_t *avr)
{
    chip = avr;
    port_count = chip_large() ? PORTS : 3;
    timers = chip_large() ? large : small;
    for (unsigned n = 0; n < 8 * port_count; n++)
        avr_irq_register_notify(irq_of(n / 8, n % 8), changed, (void *)(uintptr_t)n);
    for (unsigned i = 0; i < 4; i++)
        avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ(timers[i].timer), TIMER_IRQ_OUT_COMP + timers[i].comparator),
                                timed, (void *)(uintptr_t)&timers[i]);
    for (unsigned i = 0; i < 2; i++) {
        unsigned io = AVR_DATA_TO_IO(timers[2 * i].control);
        control[i].write = avr->io[io].w.c;
        control[i].param = avr->io[io].w.param;
        over(avr, timers[2 * i].control, avr->io[io].r.c, write_control, (void *)(uintptr_t)i);
    }
}

/* A reset makes inputs of all pins: what was high is so no more. The simulator forgets the
 * levels of inputs, and would not take a pull-up for news. */
void pins_reset(avr_t *avr)
{
    for (unsigned n = 0; n < 8 * port_count; n++) {
        edge(avr->cycle, n / 8, n % 8, false);
        irq_of(n / 8, n % 8)->flags |= IRQ_FLAG_INIT;
    }
}

/* What is driven from outside still is after a reset. */
void pins_drive(avr_t *avr)
{
    for (unsigned port = 0; port < port_count; port++)
        for (unsigned pin = 0; pin < 8; pin++)
            if (inputs[port].mask & (1u << pin))
                pins_input(avr, ports[port].name, pin, (inputs[port].value >> pin & 1u) != 0);
}

/* A level from outside stays, whatever the port's pull-up says. */
void pins_input(avr_t *avr, char name, unsigned pin, bool level)
{
    if (pin > 7)
        stop_with("there is no pin %c%u", name, pin);
    unsigned port = port_of(name);
    uint8_t mask = (uint8_t)(1u << pin);
    inputs[port].mask |= mask;
    inputs[port].value = level ? inputs[port].value | mask : inputs[port].value & (uint8_t)~mask;
    avr_ioport_external_t outside = { .name = (unsigned long)name & 0x7f, .mask = inputs[port].mask, .value = inputs[port].value };
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(name), &outside);
    avr_raise_irq(irq_of(port, pin), level);
}
