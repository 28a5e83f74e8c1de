/* The start after a reset, and the loop. */
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "lj_avr.h"

#ifdef LJ_SHOW_PRINT
#include "lj_show.h"
#endif

/* Bytes of memory above what is static: at power-up noise, different from start to start. */
extern uint8_t _end;

/* MCUSR as it was after the reset. */
extern uint8_t lj_flags OF_ASSEMBLER;
uint8_t lj_flags LJ_KEPT;

/* Before memory is initialised: a watchdog that has fired stays on, at its shortest time. What
 * the reset was has to be read from MCUSR, and cleared there, before the watchdog can be
 * switched off (data sheet, "Watchdog Timer"). r1 is 0 here. */
__asm__(".section .init3,\"ax\",@progbits\n\t"
        "in r24, 0x34\n\t" /* MCUSR */
        "sts lj_flags, r24\n\t"
        "out 0x34, r1\n\t"
        "wdr\n\t"
        "ldi r24, 0x18\n\t" /* WDCE, WDE */
        "sts 0x60, r24\n\t" /* WDTCSR */
        "sts 0x60, r1\n\t"
        ".text");

/* A number that differs from power-up to power-up, by what memory holds then. */
static uint16_t noise(void)
{
    uint16_t sum = (uint16_t)lj_hours();
    for (const uint8_t *p = &_end; p < (const uint8_t *)SP; p++)
        sum = (uint16_t)(sum * 31u + *p);
    return sum;
}

/* Power-up raises the flag of the brown-out as well, and a brown-out may be with others. A
 * bootloader that clears MCUSR leaves 0: then the board cannot tell. */
static uint8_t cause(void)
{
    if (lj_flags & (1 << PORF))
        return LJ_RESET_POWER;
    if (lj_flags & (1 << BORF))
        return LJ_RESET_BROWNOUT;
    if (lj_flags & (1 << WDRF))
        return LJ_RESET_WATCHDOG;
    if (lj_flags & (1 << EXTRF))
        return LJ_RESET_PIN;
    return LJ_RESET_UNKNOWN;
}

enum {
    BYTES = 64,     /* of the line that are taken in one round */
    FEW = 16,       /* of them before something else may be due: a byte takes up to 15 us */
    LONGEST = 2000, /* us that the processor sleeps: inputs are read as often */
    LOOK = 200,     /* the same while a stepper looks for its zero */
    SHORTEST = 60   /* us that a sleep is worth */
};

#if LJ_WIRE

/* When the zero came that was just taken. A host finds the board's clock by the time that
 * stands in an answer, as if it stood in the middle between question and answer: so it is
 * the middle between the zero and now, and the host is not misled when the loop was busy. */
static uint32_t message_time(void)
{
    uint16_t ago;
    uint32_t now = clock_us();
    return serial_age(&ago) ? now - ago / 4u : now;
}

/* Takes what has come. Only the zero behind a message needs its time to be exact. */
static void listen(void)
{
    static uint16_t lost;
    uint8_t byte;
    uint32_t now = clock_us();
    for (uint8_t n = 0; n < BYTES && serial_take(&byte); n++) {
        if (byte == 0)
            now = message_time();
        lj_receive(now, byte);
        if (n % FEW == FEW - 1)
            lj_advance(now = clock_us());
    }
    if (serial_lost() != lost) {
        /* What was cut short ends here: its check counts it as bad. */
        lost = serial_lost();
        lj_receive(clock_us(), 0);
    }
}

#else

static void serial_begin(void) {}

static bool serial_ripe(void) { return false; }

static void listen(void) {}

#endif

/* How long the processor may sleep, us. */
static inline uint16_t longest(void)
{
#if STEPS && LJ_HOMING
    if (lj_port_homing())
        return LOOK;
#endif
    return LONGEST;
}

/* Sleeps until a message has come, or there is something to do. Edges of pulses and other
 * interrupts wake the processor, too, but not the loop. */
static void rest(void)
{
    uint32_t wait = lj_wait(clock_us());
    if (wait < SHORTEST)
        return;
    clock_wake(wait < longest() ? (uint16_t)wait : longest());
    for (;;) {
        cli();
        if (serial_ripe() || clock_woken())
            break;
        SMCR = (1 << SE); /* idle: timers and the line run on */
        sei();            /* the instruction behind it is done before any interrupt */
        sleep_cpu();
        SMCR = 0;
    }
    sei();
}

#if defined(LJ_SHOW_PRINT) && LJ_PORT_LIGHT

#define HALF 250000L /* us that a blink is on, and off */
enum { DARK = 6 };   /* halves from one code to the next */

/* Blinks as often as lj_show_code says, in between it is dark; steadily on is well. */
static void light(uint32_t now)
{
    static uint32_t since;
    static uint8_t half, shown;
    uint8_t code = lj_show_code();
    if (code == shown && code != LJ_CODE_NONE && lj_since(now, since) < HALF)
        return;
    since = now;
    if (code != shown || half >= 2u * code + DARK)
        half = 0;
    shown = code;
    if (code == LJ_CODE_NONE || (half >= DARK && !(half & 1u))) /* a new code begins in the dark */
        CHIP_LIGHT_ON();
    else
        CHIP_LIGHT_OFF();
    half++;
}

#else

static void light(uint32_t now) { (void)now; }

#endif

/* A show from a card, where the board has one; whether it goes on at once. */
static void show_begin(void)
{
#ifdef LJ_SHOW_PRINT
#if LJ_PORT_LIGHT
    CHIP_LIGHT_BEGIN();
#endif
    lj_show_begin(clock_us());
#endif
}

static bool show_advance(uint32_t now, uint16_t inputs)
{
#ifdef LJ_SHOW_PRINT
    lj_show_inputs(now, inputs);
    return lj_show_advance(now);
#else
    (void)now;
    (void)inputs;
    return false;
#endif
}

int main(void)
{
    outputs_begin();
    clock_begin();
    serial_begin();
    wdt_enable(WDTO_120MS);
    sei();
    lj_hours_begin(clock_us());
    lj_begin(clock_us(), lj_dip(cause()), noise());
    show_begin();
    for (;;) {
        wdt_reset();
        listen();
        lj_advance(clock_us());
        uint32_t now = clock_us();
        uint16_t inputs = lj_input_read(now, inputs_read());
        lj_inputs(now, inputs);
        outputs_advance(now);
        light(now);
#if STEPS && LJ_HOMING
        steps_look(now, inputs_read());
#endif
        bool more = show_advance(now, inputs);
        if (!lj_hours_run(now, lj_state() != LJ_STATE_SILENT) && !more)
            rest();
    }
}
