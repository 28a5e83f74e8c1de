/* The chip's two-wire interface as a master, and a 16-channel driver of the PCA9685 kind on
 * the bus, with an oscillator of its own. (ATmega328P data sheet, chapter "2-wire Serial
 * Interface"; NXP, PCA9685 data sheet, rev. 4: sections below are its.) The simulator's own
 * interface has no bus time and no bus that hangs.
 *
 * The driver is not lenient: what the data sheet forbids or leaves open is told as a
 * violation, and then it does the worst that it may. */
#include <string.h>

#include <simavr/avr_ioport.h>
#include <simavr/avr_twi.h>

#include "ljsim.h"

enum { TWBR = 0xb8, TWSR = 0xb9, TWDR = 0xbb, TWCR = 0xbc, DDRC = 0x27, PORTC = 0x28, DDRD = 0x2a, PORTD = 0x2b };
enum { TWINT = 0x80, TWEA = 0x40, TWSTA = 0x20, TWSTO = 0x10, TWWC = 0x08, TWEN = 0x04, TWIE = 0x01 };
enum { SDA = 1 << 4, SCL = 1 << 5, OE = 1 << 2 };
enum { MODE1 = 0x00, MODE2 = 0x01, LED0 = 0x06, LED_END = 0x46, ALL_LED = 0xfa, PRE_SCALE = 0xfe };
enum { RESTART = 0x80, AI = 0x20, SLEEP = 0x10, ALLCALL = 0x01, OCH = 0x08, WHOLE = 0x1000, COUNTS = 4096 };

typedef struct {
    uint16_t on, off;
} output;

static struct {
    avr_t *chip;
    avr_twi_t *stock; /* for its interrupt vector */
    bool here;

    /* the interface */
    uint8_t todo;       /* TWSTO, TWSTA, or 0: a byte */
    bool open;          /* between start and stop */
    bool receiving;     /* the master */
    uint8_t expects;    /* what the next byte is */

    /* the bus */
    bool stuck;         /* somebody holds SDA low */
    unsigned clocks;    /* by hand, until it is let go; 0: for good */
    unsigned mute;      /* addresses that are not acknowledged */
    bool low[2];        /* SDA, SCL, by hand */

    /* the driver */
    double osc;         /* Hz */
    bool selected, reading, numbered;
    uint8_t pointer;
    uint8_t reg[256];
    bool touched;       /* outputs, since the last start */
    output staged[16];  /* as of the last STOP */
    output active[16];  /* in this frame */
    bool runs;
    double frame;       /* cycles at which it began */
    cycles awake;
    struct { cycles at; bool on; } gate[64]; /* of this frame: outputs enabled or not */
    unsigned gates;
    cycles began;       /* of the transaction */

    unsigned long starts, stops, bytes, refused, recovered, violations, frames;
} p;

/* What the next byte on the bus is, for the interface. */
enum { ADDRESS, DATA };

static unsigned long long whole(double cycles) { return (unsigned long long)(cycles + 0.5); }

static void violation(const char *what)
{
    p.violations++;
    printf("v %llu %s\n", (unsigned long long)p.chip->cycle, what);
}

/* ---- the driver's outputs ---- */

static double count_cycles(void) { return (p.reg[PRE_SCALE] + 1.0) * CLOCK / p.osc; }

static output output_of(unsigned n)
{
    const uint8_t *r = &p.reg[LED0 + 4 * n];
    return (output){ (uint16_t)(r[0] | r[1] << 8), (uint16_t)(r[2] | r[3] << 8) };
}

static bool all_off(const output *o)
{
    for (unsigned n = 0; n < 16; n++)
        if (!(o[n].off & WHOLE))
            return false;
    return true;
}

/* A pulse is told when it has ended; what OE cut out of it is not there. */
static void tell(unsigned n, double from, double to)
{
    for (unsigned i = 0; i < p.gates; i++) {
        double open = (double)p.gate[i].at, close = i + 1 < p.gates ? (double)p.gate[i + 1].at : to;
        double a = from > open ? from : open, b = to < close ? to : close;
        if (p.gate[i].on && b > a)
            printf("p %llu %u %llu\n", whole(a), n, whole(b) - whole(a));
    }
}

/* Ends a frame, of which pulses are told up to a time. */
static void close_frame(double at)
{
    if (!p.runs)
        return;
    for (unsigned n = 0; n < 16; n++) {
        output o = p.active[n];
        if ((o.off | o.on) & WHOLE)
            continue;
        double rise = p.frame + o.on * count_cycles(), fall = p.frame + o.off * count_cycles();
        if (rise < at)
            tell(n, rise, fall < at ? fall : at);
    }
    p.gate[0] = p.gate[p.gates - 1];
    p.gates = 1;
    p.frames++;
}

/* Outputs take over what was written at the end of their low time (7.3.4), which is here
 * the end of the frame. */
static void take_over(double at)
{
    for (unsigned n = 0; n < 16; n++) {
        output was = p.active[n], o = p.staged[n];
        bool high = (o.on & WHOLE) && !(o.off & WHOLE);
        if (high != ((was.on & WHOLE) && !(was.off & WHOLE)))
            printf("l %llu %u %d\n", whole(at), n, high);
        if (!((o.on | o.off) & WHOLE)) {
            if (o.on == o.off)
                violation("ON and OFF are equal (7.3.4)");
            else if (o.on > o.off) /* figure 11 */
                violation("a pulse goes over the end of the frame: each change of it leaves one out");
        }
        p.active[n] = o;
    }
}

static avr_cycle_count_t frame_is_over(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    double end = p.frame + COUNTS * count_cycles();
    close_frame(end);
    take_over(end);
    p.frame = end;
    /* "When all LED outputs are configured as always OFF, the prescale counter and all
     * associated PWM cycle timing logic are disabled": table 7, remark. */
    p.runs = !all_off(p.active);
    if (p.runs)
        avr_cycle_timer_register(avr, whole(end + COUNTS * count_cycles()) - avr->cycle, frame_is_over, NULL);
    return 0;
}

static void run(void)
{
    if (p.runs || (p.reg[MODE1] & SLEEP) || all_off(p.staged))
        return;
    take_over((double)p.chip->cycle);
    p.runs = true;
    p.frame = (double)p.chip->cycle;
    avr_cycle_timer_register(p.chip, whole(COUNTS * count_cycles()), frame_is_over, NULL);
}

/* The oscillator stops, or the supply is gone: pulses are cut. */
static void halt(void)
{
    avr_cycle_timer_cancel(p.chip, frame_is_over, NULL);
    close_frame((double)p.chip->cycle);
    p.runs = false;
}

static void power_up(void)
{
    memset(p.reg, 0, sizeof p.reg);
    p.reg[MODE1] = SLEEP | ALLCALL;
    p.reg[MODE2] = 0x04;
    p.reg[PRE_SCALE] = 0x1e;
    for (unsigned n = 0; n < 16; n++) {
        p.reg[LED0 + 4 * n + 3] = WHOLE >> 8;
        p.staged[n] = p.active[n] = output_of(n);
    }
    p.selected = false;
}

/* OE is low active, and has a pull-up. */
static void gate(void)
{
    const uint8_t *d = p.chip->data;
    bool on = (d[DDRD] & OE) && !(d[PORTD] & OE);
    if (on == p.gate[p.gates - 1].on)
        return;
    if (p.gates == sizeof p.gate / sizeof *p.gate)
        stop_with("OE changes too often");
    p.gate[p.gates].at = p.chip->cycle;
    p.gate[p.gates++].on = on;
    printf("g %llu %d\n", (unsigned long long)p.chip->cycle, on);
}

/* ---- the driver on the bus ---- */

static void write_mode1(uint8_t v)
{
    bool slept = (p.reg[MODE1] & SLEEP) != 0;
    if ((v & RESTART) && (slept || p.chip->cycle < p.awake))
        violation("RESTART is set within 500 us of the start of the oscillator (7.3.1.1)");
    if (v & ~(RESTART | AI | SLEEP | ALLCALL))
        violation("a mode that nobody asked for");
    p.reg[MODE1] = v & (uint8_t)~RESTART;
    if (!slept && (v & SLEEP)) {
        if (!all_off(p.active))
            violation("it is put to sleep with outputs on (7.3.1.1)");
        halt();
    }
    if (slept && !(v & SLEEP)) {
        p.awake = p.chip->cycle + CLOCK / 2000;
        run();
    }
}

static void write_register(uint8_t at, uint8_t v)
{
    if (at >= LED0 && at < LED_END) {
        if (p.chip->cycle < p.awake)
            violation("an output is written within 500 us of the start of the oscillator (7.3.1, note 2)");
        p.reg[at] = v & ((at - LED0) & 1 ? 0x1f : 0xff);
        p.touched = true;
    } else if (at >= ALL_LED && at < PRE_SCALE) {
        /* Outputs change on STOP for 06h to 45h only (7.3.2, note 2). */
        for (unsigned n = 0; n < 16; n++) {
            p.reg[LED0 + 4 * n + (at - ALL_LED)] = v & (at & 1 ? 0x1f : 0xff);
            p.staged[n] = output_of(n);
        }
        run();
    } else if (at == PRE_SCALE) {
        if (!(p.reg[MODE1] & SLEEP))
            violation("the prescaler is written while the oscillator runs (7.3.5)");
        else
            p.reg[at] = v < 3 ? 3 : v;
    } else if (at == MODE1)
        write_mode1(v);
    else if (at == MODE2) {
        if (v & ~0x04)
            violation("a mode that nobody asked for");
        p.reg[at] = v;
    } else
        violation("a register that nobody should write to");
}

static void step(void)
{
    if (!(p.reg[MODE1] & AI))
        return;
    p.pointer++; /* table 4, remark */
    if (p.pointer == LED_END || p.pointer == PRE_SCALE + 1)
        p.pointer = 0;
}

/* A byte from the master, and whether it is acknowledged. */
static bool takes(uint8_t v, bool address)
{
    p.bytes++;
    if (address) {
        p.selected = v >> 1 == 0x40 || (v >> 1 == 0x70 && (p.reg[MODE1] & ALLCALL));
        if (p.mute > 0) {
            p.mute -= p.mute != 65535;
            p.selected = false;
        }
        p.reading = v & 1;
        p.numbered = p.reading;
        p.refused += !p.selected;
        return p.selected;
    }
    if (!p.selected)
        return false;
    if (!p.numbered) {
        p.pointer = v;
        p.numbered = true;
        return true;
    }
    write_register(p.pointer, v);
    step();
    return true;
}

static uint8_t gives(void)
{
    uint8_t v = p.reg[p.pointer];
    p.bytes++;
    step();
    return v;
}

static void stop_condition(void)
{
    p.stops++;
    p.selected = false;
    if (!p.touched)
        return;
    p.touched = false;
    printf("u %llu %llu\n", (unsigned long long)p.began, (unsigned long long)p.chip->cycle);
    for (unsigned n = 0; n < 16; n++)
        p.staged[n] = output_of(n);
    run();
}

/* ---- the interface ---- */

static cycles bit_time(void)
{
    static const unsigned by[4] = { 1, 4, 16, 64 };
    return 16 + 2 * p.chip->data[TWBR] * by[p.chip->data[TWSR] & 3];
}

static void finish(uint8_t status)
{
    p.chip->data[TWSR] = (uint8_t)((p.chip->data[TWSR] & 3) | status);
    p.chip->data[TWCR] |= TWINT;
    avr_raise_interrupt(p.chip, &p.stock->twi);
}

static avr_cycle_count_t over_now(avr_t *avr, avr_cycle_count_t when, void *param);

static void plan(cycles bits) { avr_cycle_timer_register(p.chip, bits * bit_time(), over_now, NULL); }

static void start_condition(void)
{
    if (p.stuck && !p.open) /* the bus is busy: the interface waits, for ever */
        return;
    finish(p.open ? 0x10 : 0x08);
    if (!p.open)
        p.began = p.chip->cycle;
    p.open = true;
    p.selected = false; /* as seen by the driver; outputs that were written wait on for STOP */
    p.expects = ADDRESS;
    p.starts++;
}

static void byte_over(void)
{
    uint8_t *d = p.chip->data;
    if (p.stuck) { /* a 1 that reads as 0 is another master's; zeros go through, and are acknowledged */
        if (p.receiving)
            d[TWDR] = 0;
        else if (d[TWDR] != 0) {
            p.open = false;
            finish(0x38);
            return;
        }
    }
    if (p.expects == ADDRESS) {
        bool ack = takes(d[TWDR], true);
        p.receiving = d[TWDR] & 1;
        p.expects = DATA;
        finish((uint8_t)(p.receiving ? ack ? 0x40 : 0x48 : ack ? 0x18 : 0x20));
    } else if (p.receiving) {
        if (!p.stuck)
            d[TWDR] = gives();
        finish(d[TWCR] & TWEA ? 0x50 : 0x58);
    } else
        finish(takes(d[TWDR], false) ? 0x28 : 0x30);
}

static avr_cycle_count_t over_now(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    if (p.todo == TWSTO) {
        p.open = false;
        avr->data[TWCR] &= (uint8_t)~TWSTO;
        p.todo = 0;
        if (!p.stuck)
            stop_condition();
        if (avr->data[TWCR] & TWSTA) {
            p.todo = TWSTA;
            plan(2);
        }
    } else if (p.todo == TWSTA)
        start_condition();
    else
        byte_over();
    return 0;
}

static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    bool flag = (avr->data[at] & TWINT) && !(v & TWINT), stopping = p.todo == TWSTO && (avr->data[at] & TWSTO);
    avr->data[at] = (uint8_t)((v & (TWEA | TWSTA | TWSTO | TWEN | TWIE)) | (flag ? TWINT : 0));
    if (!flag)
        avr_clear_interrupt(avr, &p.stock->twi);
    if (!(v & TWEN)) {
        avr_cycle_timer_cancel(avr, over_now, NULL);
        p.todo = 0;
        p.open = false;
        return;
    }
    if (!(v & TWINT))
        return;
    if (stopping)
        violation("a stop condition is not waited for");
    avr_cycle_timer_cancel(avr, over_now, NULL);
    p.todo = p.open && (v & TWSTO) ? TWSTO : v & TWSTA;
    avr->data[at] &= p.todo == TWSTO ? 0xff : (uint8_t)~TWSTO;
    if (p.todo == 0 && !p.open)
        return; /* nothing to do but to listen */
    plan(p.todo == 0 ? 9 : 1);
}

static void write_plain(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    if (at == TWSR)
        v = (uint8_t)((avr->data[at] & 0xf8) | (v & 3));
    if (at == TWDR && !(avr->data[TWCR] & TWINT) && p.open)
        violation("TWDR is written while a byte is shifted");
    avr->data[at] = v;
}

/* ---- lines by hand ---- */

static void let_go(void)
{
    p.stuck = false;
    pins_input(p.chip, 'C', 4, true);
}

/* Port C as it drives its lines, while the interface is off. */
static void lines(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    bool sda = value & SDA, scl = value & SCL;
    if (p.chip->data[TWCR] & TWEN)
        return;
    if ((sda || scl) && (p.chip->data[PORTC] & (SDA | SCL)))
        violation("a line of the bus is driven high");
    if (scl && !p.low[1] && p.stuck && p.clocks > 0 && --p.clocks == 0) {
        p.recovered++;
        let_go();
    }
    if (p.low[0] && !sda && !scl && !p.stuck) /* SDA rises while SCL is high */
        stop_condition();
    p.low[0] = sda;
    p.low[1] = scl;
}

static void port_d(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    gate();
}

/* A reset of the chip: the driver knows nothing of it. Timers are gone, though. */
static void reset(avr_io_t *io)
{
    (void)io;
    if (!p.here)
        return;
    avr_t *avr = p.chip;
    p.todo = 0;
    p.open = p.low[0] = p.low[1] = false;
    pins_input(avr, 'C', 4, !p.stuck);
    pins_input(avr, 'C', 5, true);
    gate();
    if (!p.runs)
        return;
    double end = p.frame + COUNTS * count_cycles();
    avr_cycle_timer_register(avr, end > (double)avr->cycle ? whole(end) - avr->cycle : 1, frame_is_over, NULL);
}

static avr_io_t module = { .kind = "driver", .reset = reset };

static void attach(avr_t *avr, double osc)
{
    if (p.here)
        stop_with("there is a driver already");
    p.here = true;
    p.chip = avr;
    p.osc = osc;
    p.stock = (avr_twi_t *)io_of_kind(avr, "twi");
    p.gates = 1;
    over(avr, TWCR, NULL, write_control, NULL);
    over(avr, TWDR, NULL, write_plain, NULL);
    over(avr, TWSR, NULL, write_plain, NULL);
    over(avr, TWBR, NULL, write_plain, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('C'), IOPORT_IRQ_DIRECTION_ALL), lines, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_DIRECTION_ALL), port_d, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_PIN_ALL), port_d, NULL);
    avr_register_io(avr, &module);
    power_up();
    pins_input(avr, 'C', 4, true);
    pins_input(avr, 'C', 5, true);
}

static void report(void)
{
    printf("driver rate=%.1f starts=%lu stops=%lu bytes=%lu refused=%lu recovered=%lu violations=%lu frames=%lu prescale=%u mode1=%u mode2=%u\n",
           (double)CLOCK / (double)bit_time(), p.starts, p.stops, p.bytes, p.refused, p.recovered, p.violations, p.frames, p.reg[PRE_SCALE],
           p.reg[MODE1], p.reg[MODE2]);
}

void pwm_command(avr_t *avr, const char *line)
{
    double hz;
    unsigned n;
    if (sscanf(line, "attach %lf", &hz) == 1)
        attach(avr, hz);
    else if (!p.here)
        stop_with("there is no driver");
    else if (sscanf(line, "stick %u", &n) == 1) {
        p.stuck = true;
        p.clocks = n;
        pins_input(avr, 'C', 4, false);
    } else if (!strcmp(line, "release\n"))
        let_go();
    else if (sscanf(line, "mute %u", &n) == 1)
        p.mute = n;
    else if (!strcmp(line, "power\n")) {
        halt();
        power_up();
    } else if (!strcmp(line, "stat\n"))
        report();
    else
        stop_with("there is no command pwm %.40s", line);
}
