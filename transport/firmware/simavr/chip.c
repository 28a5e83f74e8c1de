/* What the simulator leaves out of the chip: the time of interrupt entries and of waking,
 * the time of an EEPROM write, resets with their cause; and what is measured: sleep, and
 * how deep the stack was. */
#include <stdlib.h>
#include <string.h>

#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_cycle_timers.h>

#include "ljsim.h"

enum { EEMPE = 0x04, EEPE = 0x02 };
enum { PAINT = 0xa5 }; /* of memory that nothing has written to; also what power-up leaves there */

static elf_firmware_t program;
static bool large;

bool chip_large(void) { return large; }

/* Where memory begins, behind the registers: data sheets, "SRAM Data Memory". */
static uint32_t memory(void) { return large ? 0x200 : 0x100; }
static cycles slept, slept_at_mark;
static bool asleep;
static unsigned long entries, resets;

avr_io_t *io_of_kind(avr_t *avr, const char *kind)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, kind))
            return io;
    stop_with("the simulator has no %s", kind);
    return NULL;
}

void over(avr_t *avr, uint16_t at, avr_io_read_t read, avr_io_write_t write, void *param)
{
    unsigned io = AVR_DATA_TO_IO(at);
    avr->io[io].r.c = read;
    avr->io[io].r.param = param;
    avr->io[io].w.c = write;
    avr->io[io].w.param = param;
}

static void sleeps(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    slept += how_long + 1;
    asleep = true;
}

/* Four cycles to enter an interrupt, four more out of sleep: ATmega328P data sheet,
 * "Interrupt Response Time"; five and five where an address has three bytes: that of the
 * ATmega2560. */
static void enters(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    avr_t *avr = param;
    if (!value)
        return;
    entries++;
    avr->cycle += (asleep ? 2u : 1u) * (large ? 5u : 4u);
    asleep = false;
}

static struct {
    avr_io_write_t write;
    void *param;
    bool busy;
} eeprom;

static avr_cycle_count_t written(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)when;
    (void)param;
    eeprom.busy = false;
    avr->data[EECR_AT] &= (uint8_t)~EEPE;
    return 0;
}

/* An erase and write takes 3.4 ms: data sheet, table "EEPROM Mode Bits". */
static void write_eecr(avr_t *avr, avr_io_addr_t at, uint8_t v, void *param)
{
    (void)param;
    bool writes = (avr->data[EECR_AT] & EEMPE) && (v & EEPE);
    if (eeprom.busy && (v & EEPE))
        stop_with("the program writes to EEPROM while it is busy");
    eeprom.write(avr, at, v, eeprom.param);
    if (writes) {
        eeprom.busy = true;
        printf("w %llu %u %02x\n", (unsigned long long)avr->cycle, avr->data[0x41] | avr->data[0x42] << 8, avr->data[0x40]);
        avr_cycle_timer_register(avr, (cycles)CLOCK * 34 / 10000, written, NULL);
    }
    if (eeprom.busy)
        avr->data[EECR_AT] |= EEPE;
}

/* Messages of the simulator would stand between ours. */
static void logs(avr_t *avr, const int level, const char *format, va_list args)
{
    (void)avr;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, args);
}

/* A compiler that looks at the whole program writes a dot and more behind some names. */
uint32_t chip_symbol(const char *name)
{
    size_t n = strlen(name);
    for (uint32_t i = 0; i < program.symbolcount; i++) {
        const char *symbol = program.symbol[i]->symbol;
        if (!strncmp(symbol, name, n) && (symbol[n] == 0 || symbol[n] == '.'))
            return program.symbol[i]->addr & 0xffffu;
    }
    stop_with("the program has no symbol %s", name);
    return 0;
}

static void paint(avr_t *avr)
{
    memset(avr->data + memory(), PAINT, (size_t)avr->ramend + 1 - memory());
}

/* Inputs of interrupts that are low would be polled in each cycle. A reset forgets it. */
static void strict(avr_t *avr)
{
    for (uint8_t n = 0; n < (large ? 8 : 2); n++)
        avr_extint_set_strict_lvl_trig(avr, n, 0);
}

avr_t *chip_begin(const char *chip, const char *elf)
{
    large = !strcmp(chip, "atmega2560");
    avr_global_logger_set(logs);
    if (elf_read_firmware(elf, &program))
        stop_with("%s is no program", elf);
    avr_t *avr = avr_make_mcu_by_name(chip);
    if (!avr)
        stop_with("the simulator does not know the chip");
    avr_init(avr);
    program.frequency = CLOCK;
    avr_load_firmware(avr, &program);
    avr->frequency = CLOCK;
    avr->sleep = sleeps;
    avr->run_cycle_limit = 1000000; /* the default is 1, at half of the speed */
    strict(avr);
    for (uint8_t v = 1; v < (large ? 57 : 26); v++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, v);
        if (irq)
            avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, enters, avr);
    }
    unsigned io = AVR_DATA_TO_IO(EECR_AT);
    eeprom.write = avr->io[io].w.c;
    eeprom.param = avr->io[io].w.param;
    avr->io[io].w.c = write_eecr;
    paint(avr);
    avr->data[MCUSR_AT] = 1; /* PORF */
    return avr;
}

/* A jump to itself, in place of the instruction that would be next. */
static struct { uint8_t was[2]; avr_flashaddr_t at; bool hangs; } hung;

void chip_hang(avr_t *avr)
{
    if (hung.hangs)
        return;
    hung.at = avr->pc;
    hung.hangs = true;
    memcpy(hung.was, avr->flash + hung.at, 2);
    avr->flash[hung.at] = 0xff; /* rjmp .-2 */
    avr->flash[hung.at + 1] = 0xcf;
}

static void unhang(avr_t *avr)
{
    if (hung.hangs)
        memcpy(avr->flash + hung.at, hung.was, 2);
    hung.hangs = false;
}

/* Resets the chip. Memory keeps its contents, but for a loss of power; a dip is one that memory
 * outlives: power-on and brown-out are flagged (data sheet, "MCU Status Register"). */
void chip_reset(avr_t *avr, const char *cause)
{
    static const struct { const char *name; uint8_t flag; } causes[] = { { "power", 1 }, { "pin", 2 }, { "brownout", 4 }, { "watchdog", 8 }, { "dip", 5 } };
    for (unsigned i = 0; i < sizeof causes / sizeof causes[0]; i++) {
        if (strcmp(causes[i].name, cause))
            continue;
        pins_reset(avr);
        uint8_t *kept = malloc((size_t)avr->ramend + 1);
        if (!kept)
            stop_with("no memory");
        memcpy(kept, avr->data, (size_t)avr->ramend + 1);
        avr_reset(avr);
        strict(avr);
        memcpy(avr->data + memory(), kept + memory(), (size_t)avr->ramend + 1 - memory());
        free(kept);
        if (i == 0)
            paint(avr);
        avr->data[MCUSR_AT] = causes[i].flag;
        eeprom.busy = false;
        unhang(avr);
        resets++;
        uart_reset(avr);
        timer_reset(avr);
        card_reset();
        pins_drive(avr);
        return;
    }
    stop_with("there is no reset by %s", cause);
}

static bool over_now;

static avr_cycle_count_t time_is_over(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)param;
    over_now = true;
    return when + 1; /* without any timer the simulator would sleep for 1000 cycles */
}

void chip_run(avr_t *avr, cycles until)
{
    if (until <= avr->cycle)
        return;
    over_now = false;
    avr_cycle_timer_cancel(avr, time_is_over, NULL);
    avr_cycle_timer_register(avr, until - avr->cycle, time_is_over, NULL);
    while (!over_now) {
        cycles before = avr->cycle;
        avr_flashaddr_t pc = avr->pc;
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed)
            stop_with("the program ended at cycle %llu, near byte 0x%x of flash", (unsigned long long)before, pc);
        if (avr->cycle < before)
            stop_with("the simulator's time went back");
        if (before > 1000 && avr->pc == 0 && pc != 0) { /* its watchdog, or a jump astray */
            printf("z %llu %s\n", (unsigned long long)avr->cycle, avr->data[MCUSR_AT] & 8 ? "watchdog" : "jump");
            pins_reset(avr);
            uart_reset(avr);
            timer_reset(avr);
            card_reset();
            pins_drive(avr);
            strict(avr);
            unhang(avr);
            resets++;
            over_now = false;
            avr_cycle_timer_cancel(avr, time_is_over, NULL);
            if (until <= avr->cycle)
                return;
            avr_cycle_timer_register(avr, until - avr->cycle, time_is_over, NULL);
        }
    }
}

/* The stack grows down towards what is static: the lowest byte that was written to. */
static unsigned stack(avr_t *avr)
{
    uint32_t at = chip_symbol("_end");
    while (at <= avr->ramend && avr->data[at] == PAINT)
        at++;
    return avr->ramend + 1u - at;
}

void chip_report(avr_t *avr, FILE *out)
{
    static cycles mark;
    cycles all = avr->cycle - mark, rest = slept - slept_at_mark;
    fprintf(out, " cycles=%llu slept=%llu load=%.4f stack=%u static=%u entries=%lu resets=%lu", (unsigned long long)all,
            (unsigned long long)rest, all ? 1.0 - (double)rest / (double)all : 0.0, stack(avr), chip_symbol("_end") - memory(), entries, resets);
    mark = avr->cycle;
    slept_at_mark = slept;
}

void chip_eeprom(avr_t *avr, const char *file, bool store)
{
    avr_eeprom_t *e = (avr_eeprom_t *)io_of_kind(avr, "eeprom");
    FILE *f = fopen(file, store ? "wb" : "rb");
    if (!f)
        stop_with("%s cannot be opened", file);
    size_t n = store ? fwrite(e->eeprom, 1, e->size, f) : fread(e->eeprom, 1, e->size, f);
    if (fclose(f) || n != e->size)
        stop_with("%s does not hold %u bytes", file, e->size);
}
