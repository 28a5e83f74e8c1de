/* SD cards by SPI: SD Specifications, Part 1, Physical Layer Simplified Specification,
 * chapter 7. Cards of version 2 (SDHC, SDXC) count in blocks, older ones in bytes. */
#include <avr/io.h>
#include <util/crc16.h>

#include "lj_avr.h"
#include "sd.h"

#ifdef LJ_SHOW_PRINT
#include "lj_fat.h"
#endif

enum {
    GO_IDLE = 0, SEND_IF_COND = 8, SET_BLOCKLEN = 16, READ_BLOCK = 17, SEND_OP_COND = 41, APP = 55, READ_OCR = 58,
    R1_IDLE = 0x01,
    TOKEN = 0xfe,
    BLOCK = 512,
    STEP = 32,             /* bytes of a block a step */
    TRIES = 8,             /* bytes within which a card answers a command: 7.5.1.1 */
    LOOKS = 16             /* bytes a step in which a token is looked for */
};

/* us: a start may take 1 s (ACMD41, 6.4.1), a read 100 ms of a card that keeps to the
 * standard (7.3.3.1); bad ones take longer. */
#define START_TIME 1500000UL
#define READ_TIME 500000UL

enum stage { OFF, WAKE, RESET, VERSION, OPEN, KIND, LENGTH, READY, WAIT_TOKEN, DATA };

static enum stage stage;
static sd_state state;
static bool bytes;       /* the card counts in bytes */
static bool second;      /* the card is of version 2 */
static uint32_t since;   /* when what is under way began */
static uint8_t *target;
static uint16_t have;
static uint16_t crc;

static uint8_t exchange(uint8_t out)
{
    SPDR = out;
    while (!(SPSR & (1 << SPIF)))
        ;
    return SPDR;
}

static void release(void)
{
    PORTB |= CHIP_SELECT; /* only this file and interrupts of pulses write to PORTB: one instruction */
    exchange(0xff);  /* the card lets go of the line with the clock: 7.2 */
}

/* Slow to start (100 to 400 kHz, 4.2.1 note), then as fast as the chip can. */
static void speed(bool fast)
{
    SPCR = (1 << SPE) | (1 << MSTR) | (fast ? 0 : 1 << SPR1);
    SPSR = fast ? 1 << SPI2X : 0;
}

/* Sends a command and gives its first byte of answer, 0xff where there is none. */
static uint8_t command(uint8_t kind, uint32_t arg)
{
    PORTB &= (uint8_t)~CHIP_SELECT;
    exchange(0xff);
    exchange((uint8_t)(0x40u | kind));
    exchange((uint8_t)(arg >> 24));
    exchange((uint8_t)(arg >> 16));
    exchange((uint8_t)(arg >> 8));
    exchange((uint8_t)arg);
    /* Checked for the first two only; these are their values. */
    exchange(kind == GO_IDLE ? 0x95 : 0x87);
    uint8_t answer = 0xff;
    for (uint8_t n = 0; n <= TRIES && answer & 0x80u; n++)
        answer = exchange(0xff);
    return answer;
}

/* Reads the four bytes behind the answer of CMD8 and CMD58. */
static uint32_t more(void)
{
    uint32_t v = 0;
    for (uint8_t n = 0; n < 4; n++)
        v = v << 8 | exchange(0xff);
    return v;
}

static void fail(enum stage to)
{
    release();
    stage = to;
    state = SD_FAILED;
}

static void done(enum stage to)
{
    release();
    stage = to;
    state = SD_DONE;
}

bool sd_begin(void)
{
    if (state == SD_BUSY)
        return false;
    PORTB |= CHIP_SELECT | CHIP_MISO; /* pull-up: no card is all ones */
    DDRB |= CHIP_SELECT | CHIP_MOSI | CHIP_CLOCK;
    speed(false);
    stage = WAKE;
    state = SD_BUSY;
    since = clock_us();
    return true;
}

bool sd_start_read(uint32_t block, uint8_t *to)
{
    if (stage != READY)
        return false;
    state = SD_BUSY;
    uint8_t answer = command(READ_BLOCK, bytes ? block * BLOCK : block);
    if (answer != 0) {
        fail(answer == 0xff ? OFF : READY);
        return true;
    }
    target = to;
    have = 0;
    crc = 0;
    since = clock_us();
    stage = WAIT_TOKEN;
    return true;
}

static void look_for_token(void)
{
    for (uint8_t n = 0; n < LOOKS; n++) {
        uint8_t b = exchange(0xff);
        if (b == TOKEN) {
            stage = DATA;
            return;
        }
        if (b != 0xff) { /* an error token */
            fail(READY);
            return;
        }
    }
    if (lj_since(clock_us(), since) > (int32_t)READ_TIME)
        fail(OFF);
}

static void take_data(void)
{
    for (uint8_t n = 0; n < STEP; n++) {
        uint8_t b = exchange(0xff);
        target[have++] = b;
        crc = _crc_xmodem_update(crc, b);
    }
    if (have < BLOCK)
        return;
    uint16_t sent = (uint16_t)((uint16_t)exchange(0xff) << 8);
    sent |= exchange(0xff);
    if (sent == crc)
        done(READY);
    else
        fail(READY);
}

/* One step of the start; each sends one command or two. */
static void start(void)
{
    uint8_t answer;
    switch (stage) {
    case WAKE: /* at least 74 clocks with the card not selected: 6.4.1 */
        for (uint8_t n = 0; n < 10; n++)
            exchange(0xff);
        stage = RESET;
        break;
    case RESET:
        answer = command(GO_IDLE, 0);
        release();
        if (answer == R1_IDLE)
            stage = VERSION;
        break;
    case VERSION: /* 2.7 to 3.6 V, and a pattern that comes back */
        answer = command(SEND_IF_COND, 0x1aa);
        second = answer == R1_IDLE;
        if (second && (more() & 0xfff) != 0x1aa) {
            fail(OFF);
            return;
        }
        release();
        stage = OPEN;
        break;
    case OPEN:
        command(APP, 0);
        answer = command(SEND_OP_COND, second ? 0x40000000 : 0);
        release();
        if (answer == 0)
            stage = KIND;
        break;
    case KIND:
        answer = command(READ_OCR, 0);
        bytes = (more() & 0x40000000) == 0;
        release();
        if (answer != 0) {
            fail(OFF);
            return;
        }
        stage = LENGTH;
        break;
    default:
        if (command(SET_BLOCKLEN, BLOCK) != 0) {
            fail(OFF);
            return;
        }
        speed(true);
        done(READY);
        return;
    }
    if (lj_since(clock_us(), since) > (int32_t)START_TIME)
        fail(OFF);
}

sd_state sd_poll(void)
{
    if (state != SD_BUSY)
        return state;
    if (stage == WAIT_TOKEN)
        look_for_token();
    else if (stage == DATA)
        take_data();
    else
        start();
    return state;
}

#ifdef LJ_SHOW_PRINT

void lj_port_card_begin(void) { (void)sd_begin(); }

void lj_port_card_read(uint32_t lba)
{
    if (!sd_start_read(lba, lj_sector))
        state = SD_FAILED; /* it is not started */
}

uint8_t lj_port_card_poll(void)
{
    switch (sd_poll()) {
    case SD_DONE:
        return LJ_DONE;
    case SD_BUSY:
        return LJ_BUSY;
    default:
        return LJ_FAILED;
    }
}

#endif
