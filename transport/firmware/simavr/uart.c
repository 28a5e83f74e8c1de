/* USART0 as far as 8N1 goes: ten bits a byte at the divisor that the
 * program has set, a receive buffer of two bytes and the shift register behind it with its
 * overrun, and a transmit buffer of one byte before the shift register. (ATmega328P data
 * sheet, chapter USART0.) The simulator's own has eleven bits a byte, 64 bytes of receive
 * buffer and no transmit buffer. */
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_uart.h>

#include "ljsim.h"

enum { RXC = 0x80, TXC = 0x40, UDRE = 0x20, FE = 0x10, DOR = 0x08, U2X = 0x02 };
enum { RXCIE = 0x80, UDRIE = 0x20, RXEN = 0x10, TXEN = 0x08 };

typedef struct {
    uint8_t byte, flags;
} received;

static struct {
    avr_uart_t *stock; /* for its interrupt vectors */
    unsigned baud;     /* of the host */

    /* what the host sends: a queue that grows */
    struct { cycles from; uint8_t byte; } *line;
    size_t head, count, room;
    cycles line_free;  /* when the line can carry the next start bit */
    bool arriving;

    received fifo[2];
    unsigned depth;
    received shift;    /* a whole byte that the fifo has no room for */
    bool stuck;
    uint8_t lost;      /* DOR, to go with the byte behind the loss */

    uint8_t status;    /* UCSR0A without FE and DOR, which belong to the byte in front */
    bool sending, loaded;
    uint8_t sent, next;

    unsigned long arrived, overruns, garbled, transmitted;
} u;

void (*uart_sent)(avr_t *avr, uint8_t byte);

unsigned uart_divisor(avr_t *avr, bool *doubled)
{
    *doubled = (u.status & U2X) != 0;
    return ((unsigned)(avr->data[UBRRH_AT] & 15u) << 8) | avr->data[UBRRL_AT];
}

/* cycles of one bit, at the board's divisor */
static unsigned bit(avr_t *avr)
{
    bool doubled;
    unsigned n = uart_divisor(avr, &doubled);
    return (doubled ? 8u : 16u) * (n + 1u);
}

/* Whether a byte at the host's rate can be read at the board's: the data sheet's table
 * "Recommended Maximum Receiver Baud Rate Error", 8 data bits, total error. */
static bool readable(avr_t *avr)
{
    double error = 100.0 * ((double)u.baud * bit(avr) / CLOCK - 1.0);
    return u.status & U2X ? error > -4.00 && error < 3.90 : error > -4.54 && error < 4.58;
}

/* The flag of the register and the interrupt that hangs on its level. */
static void level(avr_t *avr, avr_int_vector_t *vector, uint8_t flag, bool on)
{
    u.status = on ? u.status | flag : u.status & (uint8_t)~flag;
    avr->data[UCSRA_AT] = u.status;
    if (on)
        avr_raise_interrupt(avr, vector);
    else
        avr_clear_interrupt(avr, vector);
    avr->data[UCSRA_AT] = u.status;
}

static void into_fifo(avr_t *avr, received r)
{
    r.flags |= u.lost;
    u.lost = 0;
    u.fifo[u.depth++] = r;
    level(avr, &u.stock->rxc, RXC, true);
}

static void begin_byte(avr_t *avr);

/* The middle of the stop bit. */
static avr_cycle_count_t byte_is_there(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    received r = { u.line[u.head].byte, 0 };
    u.head++;
    u.arriving = false;
    u.arrived++;
    if (!readable(avr)) {
        r.byte ^= 0x55;
        r.flags = FE;
        u.garbled++;
    }
    if (u.depth < 2)
        into_fifo(avr, r);
    else {
        u.shift = r;
        u.stuck = true;
    }
    begin_byte(avr);
    return 0;
}

static avr_cycle_count_t start_bit(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    if (!(avr->data[UCSRB_AT] & RXEN)) { /* nobody listens */
        u.head++;
        u.arriving = false;
        begin_byte(avr);
        return 0;
    }
    if (u.stuck) { /* the start bit pushes out what waits in the shift register */
        u.stuck = false;
        u.lost = DOR;
        u.overruns++;
        printf("o %llu\n", (unsigned long long)when);
    }
    avr_cycle_timer_register(avr, bit(avr) * 19u / 2u, byte_is_there, NULL);
    return 0;
}

/* Plans the start bit of the next byte of the host. */
static void begin_byte(avr_t *avr)
{
    if (u.arriving || u.head == u.count)
        return;
    cycles at = u.line[u.head].from;
    if (at < u.line_free)
        at = u.line_free;
    if (at < avr->cycle)
        at = avr->cycle;
    u.line_free = at + (cycles)(10.0 * CLOCK / u.baud + 0.5);
    u.arriving = true;
    avr_cycle_timer_register(avr, at - avr->cycle, start_bit, NULL);
}

void uart_send(avr_t *avr, cycles from, const uint8_t *bytes, size_t count)
{
    if (u.head > 4096 && u.head == u.count)
        u.head = u.count = 0;
    if (u.count + count > u.room) {
        u.room = 2 * (u.count + count);
        u.line = realloc(u.line, u.room * sizeof *u.line);
        if (!u.line)
            stop_with("no memory");
    }
    for (size_t i = 0; i < count; i++) {
        u.line[u.count].from = from;
        u.line[u.count++].byte = bytes[i];
    }
    begin_byte(avr);
}

size_t uart_waiting(void) { return u.count - u.head; }

static uint8_t read_data(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)at;
    (void)param;
    if (u.depth == 0)
        return avr->data[UDR_AT];
    uint8_t byte = u.fifo[0].byte;
    u.fifo[0] = u.fifo[1];
    u.depth--;
    level(avr, &u.stock->rxc, RXC, false);
    if (u.stuck) {
        u.stuck = false;
        into_fifo(avr, u.shift);
    } else if (u.depth > 0)
        level(avr, &u.stock->rxc, RXC, true);
    return byte;
}

static uint8_t read_status(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)avr;
    (void)at;
    (void)param;
    return u.status | (u.depth > 0 ? u.fifo[0].flags : 0);
}

static void write_status(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)at;
    (void)param;
    u.status = (uint8_t)((u.status & ~U2X) | (v & U2X));
    if (v & TXC)
        u.status &= (uint8_t)~TXC;
    avr->data[UCSRA_AT] = u.status;
}

/* Interrupts that are allowed while their flag is up come at once. */
static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    avr->data[at] = v;
    if (!(v & RXEN)) {
        u.depth = 0;
        u.stuck = false;
        level(avr, &u.stock->rxc, RXC, false);
    }
    if ((v & RXCIE) && (u.status & RXC))
        avr_raise_interrupt(avr, &u.stock->rxc);
    if ((v & UDRIE) && (u.status & UDRE))
        avr_raise_interrupt(avr, &u.stock->udrc);
}

static avr_cycle_count_t byte_is_sent(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    u.transmitted++;
    if (uart_sent)
        uart_sent(avr, u.sent);
    if (!u.loaded) {
        u.sending = false;
        level(avr, &u.stock->txc, TXC, true);
        return 0;
    }
    u.sent = u.next;
    u.loaded = false;
    level(avr, &u.stock->udrc, UDRE, true);
    return when + 10u * bit(avr);
}

static void write_data(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)at;
    (void)param;
    if (!(avr->data[UCSRB_AT] & TXEN) || u.loaded)
        return; /* the chip drops it, too */
    if (u.sending) {
        u.next = v;
        u.loaded = true;
        level(avr, &u.stock->udrc, UDRE, false);
        return;
    }
    u.sent = v;
    u.sending = true;
    level(avr, &u.stock->udrc, UDRE, true);
    avr_cycle_timer_register(avr, 10u * bit(avr), byte_is_sent, NULL);
}

static void write_plain(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    avr->data[at] = v;
}

/* A reset of the chip: what is on the line goes on to come. */
void uart_reset(avr_t *avr)
{
    bool arriving = u.arriving;
    u.depth = 0;
    u.stuck = u.sending = u.loaded = u.arriving = false;
    u.lost = 0;
    u.status = UDRE;
    avr->data[UCSRA_AT] = u.status;
    if (arriving) { /* the reset took its timer away, and the byte is lost */
        u.head++;
        begin_byte(avr);
    }
}

void uart_begin(avr_t *avr, unsigned baud)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart") && ((avr_uart_t *)io)->name == '0')
            u.stock = (avr_uart_t *)io;
    if (!u.stock)
        stop_with("the simulator has no USART0");
    u.baud = baud;
    u.stock->flags = 0; /* no echo of lines, no sleep on polls */
    over(avr, UDR_AT, read_data, write_data, NULL);
    over(avr, UCSRA_AT, read_status, write_status, NULL);
    over(avr, UCSRB_AT, NULL, write_control, NULL);
    over(avr, UBRRL_AT, NULL, write_plain, NULL);
    over(avr, UBRRH_AT, NULL, write_plain, NULL);
    uart_reset(avr);
}

void uart_report(avr_t *avr, FILE *out)
{
    bool doubled;
    unsigned n = uart_divisor(avr, &doubled);
    fprintf(out, " ubrr=%u u2x=%d baud=%.1f arrived=%lu overruns=%lu garbled=%lu transmitted=%lu", n, doubled,
            (double)CLOCK / bit(avr), u.arrived, u.overruns, u.garbled, u.transmitted);
}
