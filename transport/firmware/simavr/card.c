/* SPI in master mode, timed by its divider, and a read-only SDHC card behind it. (SD
 * Specifications, Part 1, Physical Layer Simplified Specification, chapter 7 "SPI Mode";
 * ATmega328P data sheet, chapter SPI.) The simulator's own SPI takes 100 us a byte. */
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_spi.h>

#include "ljsim.h"

enum { SPIF = 0x80, WCOL = 0x40, SPI2X = 0x01, SPE = 0x40 };
enum { BLOCK = 512 };

typedef struct {
    uint32_t block;
    cycles delay;
    bool fails, flips;
    unsigned byte;
    uint8_t mask;
} fault;

static struct {
    avr_spi_t *stock;
    uint8_t select; /* its pin in port B: PB2, or PB0 of an ATmega2560 */
    bool busy, looked;
    uint8_t out, in, status;

    FILE *image;
    uint32_t blocks;
    bool gone;
    cycles delay;
    fault faults[64];
    unsigned fault_count;

    uint8_t command[6];
    unsigned have;
    uint8_t answer[8]; /* of the command */
    unsigned answer_at, answer_count;
    bool idle, application, reading;
    unsigned tries;
    cycles ready; /* when the block's token comes */
    uint8_t data[1 + BLOCK + 2];
    unsigned data_at, data_count;

    unsigned long reads, commands, collisions;
} c;

static uint8_t crc7(const uint8_t *p, unsigned n)
{
    uint8_t crc = 0;
    while (n--) {
        uint8_t d = *p++;
        for (int i = 0; i < 8; i++, d = (uint8_t)(d << 1)) {
            crc = (uint8_t)(crc << 1);
            if ((d ^ crc) & 0x80)
                crc ^= 0x09;
        }
    }
    return crc & 0x7f;
}

static uint16_t crc16(const uint8_t *p, unsigned n)
{
    uint16_t crc = 0;
    while (n--) {
        crc ^= (uint16_t)(*p++ << 8);
        for (int i = 0; i < 8; i++)
            crc = (uint16_t)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
    }
    return crc;
}

static fault *fault_of(uint32_t block, bool make)
{
    for (unsigned i = 0; i < c.fault_count; i++)
        if (c.faults[i].block == block)
            return &c.faults[i];
    if (!make)
        return NULL;
    if (c.fault_count == 64)
        stop_with("there can be 64 blocks with faults");
    c.faults[c.fault_count] = (fault){ .block = block, .delay = c.delay };
    return &c.faults[c.fault_count++];
}

void card_delay(cycles all) { c.delay = all; }
void card_stall(uint32_t block, cycles delay) { fault_of(block, true)->delay = delay; }
void card_fail(uint32_t block) { fault_of(block, true)->fails = true; }
void card_pull(bool out)
{
    c.gone = out;
    c.idle = true;
    c.have = 0;
    c.reading = false;
    c.tries = 0;
}

void card_flip(uint32_t block, unsigned byte, uint8_t mask)
{
    fault *f = fault_of(block, true);
    f->flips = true;
    f->byte = byte % BLOCK;
    f->mask = mask;
}

static void begin_read(avr_t *avr, uint32_t block)
{
    fault *f = fault_of(block, false);
    c.reading = true;
    c.ready = avr->cycle + (f ? f->delay : c.delay);
    c.data_at = 0;
    c.reads++;
    printf("r %llu %u\n", (unsigned long long)avr->cycle, block);
    if (f && f->fails) {
        c.data[0] = 0x04; /* error token: ECC failed */
        c.data_count = 1;
        return;
    }
    c.data[0] = 0xfe;
    if (fseek(c.image, (long)block * BLOCK, SEEK_SET) || fread(c.data + 1, 1, BLOCK, c.image) != BLOCK)
        stop_with("the card's image cannot be read");
    uint16_t crc = crc16(c.data + 1, BLOCK);
    c.data[1 + BLOCK] = (uint8_t)(crc >> 8);
    c.data[2 + BLOCK] = (uint8_t)crc;
    if (f && f->flips)
        c.data[1 + f->byte] ^= f->mask;
    c.data_count = sizeof c.data;
}

static void give(unsigned count, const uint8_t *bytes)
{
    c.answer[0] = 0xff; /* at least one byte goes by before an answer */
    memcpy(c.answer + 1, bytes, count);
    c.answer_at = 0;
    c.answer_count = count + 1;
}

static void r1(uint8_t flags)
{
    uint8_t r = (uint8_t)(flags | (c.idle ? 1 : 0));
    give(1, &r);
}

static void obey(avr_t *avr)
{
    uint8_t kind = c.command[0] & 0x3f;
    uint32_t arg = (uint32_t)c.command[1] << 24 | (uint32_t)c.command[2] << 16 | (uint32_t)c.command[3] << 8 | c.command[4];
    bool application = c.application;
    c.application = false;
    c.commands++;
    if ((kind == 0 || kind == 8) && c.command[5] != (uint8_t)(crc7(c.command, 5) << 1 | 1)) {
        r1(0x08);
        return;
    }
    switch (kind) {
    case 0:
        c.idle = true;
        c.tries = 0;
        r1(0);
        return;
    case 8: {
        uint8_t r[5] = { 0x01, 0, 0, (uint8_t)(arg >> 8 & 15), (uint8_t)arg };
        give(5, r);
        return;
    }
    case 55:
        c.application = true;
        r1(0);
        return;
    case 41:
        if (!application)
            break;
        c.idle = !(++c.tries > 3 && (arg & 0x40000000u));
        r1(0);
        return;
    case 58: {
        uint8_t r[5] = { (uint8_t)c.idle, c.idle ? 0x00 : 0xc0, 0xff, 0x80, 0x00 };
        give(5, r);
        return;
    }
    case 16:
        r1(arg == BLOCK ? 0 : 0x40);
        return;
    case 17:
        if (c.idle)
            break;
        if (arg >= c.blocks) {
            r1(0x40);
            return;
        }
        r1(0);
        begin_read(avr, arg);
        return;
    }
    r1(0x04);
}

/* One byte each way. */
static uint8_t exchange(avr_t *avr, uint8_t out)
{
    if (!c.image || c.gone || (avr->data[PORTB_AT] & c.select) || !(avr->data[DDRB_AT] & c.select)) {
        c.have = 0;
        c.answer_count = 0;
        c.reading = false;
        return 0xff;
    }
    uint8_t in = 0xff;
    if (c.answer_at < c.answer_count)
        in = c.answer[c.answer_at++];
    else if (c.reading && avr->cycle >= c.ready) {
        in = c.data[c.data_at++];
        c.reading = c.data_at < c.data_count;
    }
    if (c.have == 0 && (out & 0xc0) != 0x40)
        return in;
    c.command[c.have++] = out;
    if (c.have == 6) {
        c.have = 0;
        obey(avr);
    }
    return in;
}

static unsigned divider(avr_t *avr)
{
    static const unsigned by[4] = { 4, 16, 64, 128 };
    unsigned d = by[avr->data[SPCR_AT] & 3];
    return c.status & SPI2X ? d / 2 : d;
}

static avr_cycle_count_t shifted(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    c.busy = false;
    c.in = exchange(avr, c.out);
    c.status |= SPIF;
    c.looked = false;
    avr->data[SPSR_AT] = c.status;
    avr_raise_interrupt(avr, &c.stock->spi);
    return 0;
}

/* Reading the status and then using the data register takes the flag back. */
static void used(avr_t *avr)
{
    if (!c.looked)
        return;
    c.looked = false;
    c.status &= (uint8_t)~(SPIF | WCOL);
    avr->data[SPSR_AT] = c.status;
    avr_clear_interrupt(avr, &c.stock->spi);
}

static void write_data(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)at;
    (void)param;
    used(avr);
    if (!(avr->data[SPCR_AT] & SPE))
        return;
    if (c.busy) {
        c.status |= WCOL;
        c.collisions++;
        return;
    }
    c.busy = true;
    c.out = v;
    avr_cycle_timer_register(avr, 8u * divider(avr), shifted, NULL);
}

static uint8_t read_data(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)at;
    (void)param;
    used(avr);
    return c.in;
}

static uint8_t read_status(avr_t *avr, avr_io_addr_t at, void *param)
{
    (void)avr;
    (void)at;
    (void)param;
    c.looked = (c.status & SPIF) != 0;
    return c.status;
}

static void write_status(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    c.status = (uint8_t)((c.status & ~SPI2X) | (v & SPI2X));
    avr->data[at] = c.status;
}

static void write_control(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    avr->data[at] = v;
}

/* A reset of the chip: the byte that is on its way is lost. The card goes on as it was. */
void card_reset(void)
{
    c.busy = c.looked = false;
    c.status = 0;
}

void card_begin(avr_t *avr, const char *image)
{
    c.stock = (avr_spi_t *)io_of_kind(avr, "spi");
    c.select = chip_large() ? 0x01 : 0x04;
    c.in = 0xff;
    c.idle = true;
    c.delay = CLOCK / 2000; /* 0.5 ms */
    over(avr, SPDR_AT, read_data, write_data, NULL);
    over(avr, SPSR_AT, read_status, write_status, NULL);
    over(avr, SPCR_AT, NULL, write_control, NULL);
    if (!image)
        return;
    if (!(c.image = fopen(image, "rb")) || fseek(c.image, 0, SEEK_END))
        stop_with("%s cannot be opened", image);
    c.blocks = (uint32_t)(ftell(c.image) / BLOCK);
}

void card_report(FILE *out)
{
    fprintf(out, " commands=%lu reads=%lu collisions=%lu", c.commands, c.reads, c.collisions);
}
