/* ljsim [-m CHIP] [-b BAUD] [-c IMAGE] [-p LINK] PROGRAM.elf
 *
 * Runs a program of an ATmega328P, or with -m atmega2560 of that, at 16 MHz in virtual time. Commands come by standard
 * input, a line each; times are cycles since power-up:
 *
 *   run N               runs N cycles
 *   rx T HEX            the host sends bytes, at its baud rate, from time T on
 *   in PIN LEVEL        an input gets a level: in C4 0
 *   reset CAUSE         power, pin, brownout, watchdog
 *   hang                the program stays where it is, until a reset
 *   stat                figures; cycles, slept and load since the last stat
 *   peek NAME N         reads N bytes of a variable; an offset may follow the name: a+4
 *   poke NAME HEX       writes to a variable
 *   eeprom load|store F the EEPROM from or to a file
 *   delay N             the card's time to the start of a block
 *   stall BLOCK N, flip BLOCK BYTE MASK, fail BLOCK, pull 0|1   faults of the card
 *   quiet 0|1           leaves out the lines of edges
 *   pwm attach HZ       a 16-channel driver on the two-wire bus, with an oscillator of HZ
 *   pwm stick N         SDA is held low until N clocks by hand; 0: until pwm release
 *   pwm mute N, pwm power, pwm stat   N addresses go unanswered; its supply fails; figures
 *
 * What happens is written, a line each, before the line "at T" that ends a command:
 *
 *   e T PIN LEVEL       edge of an output
 *   t T HEX             a byte that the board sent, at the end of its stop bit
 *   o T                 a byte was lost, the receiver was full
 *   w T AT HEX          an EEPROM write begins
 *   r T BLOCK           the card is asked for a block
 *   z T CAUSE           the chip was reset by its watchdog, or jumped to 0
 *   p T N WIDTH         a pulse of output N of the driver, in cycles, once it has ended
 *   l T N LEVEL         that output is on or off for whole frames
 *   g T 0|1             outputs of the driver are enabled by OE
 *   u T T               outputs were written, from start to stop
 *   v T TEXT            what the driver's data sheet forbids
 *
 * With -p the board runs in real time behind a pseudo-terminal, of which LINK becomes
 * a symbolic link, until standard input ends; then come all edges and figures. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "ljsim.h"

void stop_with(const char *format, ...)
{
    va_list args;
    va_start(args, format);
    fflush(stdout);
    fputs("ljsim: ", stderr);
    vfprintf(stderr, format, args);
    fputc('\n', stderr);
    va_end(args);
    exit(2);
}

static size_t unhex(const char *text, uint8_t *to, size_t room)
{
    size_t n = 0;
    unsigned v;
    for (; n < room && sscanf(text, "%2x", &v) == 1 && text[1] && text[1] != '\n'; text += 2)
        to[n++] = (uint8_t)v;
    return n;
}

static uint8_t *variable(avr_t *avr, char *name)
{
    unsigned offset = 0;
    char *plus = strchr(name, '+');
    if (plus) {
        *plus = 0;
        offset = (unsigned)strtoul(plus + 1, NULL, 10);
    }
    /* A register goes by its address in data space: @0x6f. */
    return avr->data + (*name == '@' ? strtoul(name + 1, NULL, 0) : chip_symbol(name)) + offset;
}

static void tell_byte(avr_t *avr, uint8_t byte)
{
    printf("t %llu %02x\n", (unsigned long long)avr->cycle, byte);
}

static void stat(avr_t *avr)
{
    fputs("stat", stdout);
    chip_report(avr, stdout);
    uart_report(avr, stdout);
    card_report(stdout);
    printf(" pc=%u\n", avr->pc);
}

static void obey(avr_t *avr, char *line)
{
    static uint8_t bytes[1 << 16];
    static char rest[(1 << 17) + 64];
    char word[64];
    unsigned long long n;
    unsigned a, b, m;
    if (sscanf(line, "run %llu", &n) == 1)
        chip_run(avr, avr->cycle + n);
    else if (sscanf(line, "rx %llu %131072s", &n, rest) == 2)
        uart_send(avr, n, bytes, unhex(rest, bytes, sizeof bytes));
    else if (sscanf(line, "in %c%u %u", word, &a, &b) == 3)
        pins_input(avr, word[0], a, b != 0);
    else if (sscanf(line, "reset %15s", word) == 1)
        chip_reset(avr, word);
    else if (!strcmp(line, "hang\n"))
        chip_hang(avr);
    else if (!strcmp(line, "stat\n"))
        stat(avr);
    else if (sscanf(line, "peek %63s %u", word, &a) == 2) {
        const uint8_t *p = variable(avr, word);
        fputs("m ", stdout);
        while (a--)
            printf("%02x", *p++);
        putchar('\n');
    } else if (sscanf(line, "poke %63s %1024s", word, rest) == 2) {
        size_t count = unhex(rest, bytes, sizeof bytes);
        memcpy(variable(avr, word), bytes, count);
    } else if (sscanf(line, "eeprom load %1024s", rest) == 1)
        chip_eeprom(avr, rest, false);
    else if (sscanf(line, "eeprom store %1024s", rest) == 1)
        chip_eeprom(avr, rest, true);
    else if (sscanf(line, "delay %llu", &n) == 1)
        card_delay(n);
    else if (sscanf(line, "stall %u %llu", &a, &n) == 2)
        card_stall(a, n);
    else if (sscanf(line, "flip %u %u %x", &a, &b, &m) == 3)
        card_flip(a, b, (uint8_t)m);
    else if (sscanf(line, "fail %u", &a) == 1)
        card_fail(a);
    else if (sscanf(line, "pull %u", &a) == 1)
        card_pull(a != 0);
    else if (sscanf(line, "quiet %u", &a) == 1)
        pins_quiet = a != 0;
    else if (!strncmp(line, "pwm ", 4))
        pwm_command(avr, line + 4);
    else
        stop_with("there is no command %.40s", line);
    printf("at %llu\n", (unsigned long long)avr->cycle);
    fflush(stdout);
}

/* ---- real time behind a pseudo-terminal ---- */

static int master;

static void into_terminal(avr_t *avr, uint8_t byte)
{
    (void)avr;
    if (write(master, &byte, 1) != 1 && errno != EAGAIN)
        stop_with("the pseudo-terminal takes nothing: %s", strerror(errno));
}

static int open_terminal(const char *link)
{
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) || unlockpt(master))
        stop_with("there is no pseudo-terminal: %s", strerror(errno));
    const char *name = ptsname(master);
    int slave = open(name, O_RDWR | O_NOCTTY); /* kept open, so that a host may come and go */
    struct termios raw;
    if (slave < 0 || tcgetattr(slave, &raw))
        stop_with("%s cannot be opened", name);
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    unlink(link);
    if (symlink(name, link))
        stop_with("%s cannot be made: %s", link, strerror(errno));
    return slave;
}

static cycles elapsed(const struct timespec *since)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (cycles)((double)(now.tv_sec - since->tv_sec) * CLOCK + (double)(now.tv_nsec - since->tv_nsec) * (CLOCK / 1e9));
}

static void in_real_time(avr_t *avr, const char *link, unsigned baud)
{
    struct timespec start;
    uint8_t bytes[64];
    struct pollfd input = { .fd = 0, .events = POLLIN };
    open_terminal(link);
    uart_sent = into_terminal;
    clock_gettime(CLOCK_MONOTONIC, &start);
    puts("ready");
    fflush(stdout);
    for (;;) {
        if (poll(&input, 1, 1) > 0 && read(0, bytes, sizeof bytes) <= 0)
            break;
        cycles now = elapsed(&start);
        /* No more bytes than the line carries in 2 ms wait inside: the others wait at the host. */
        while (avr->cycle < now) {
            size_t room = baud / 10 / 500 + 1;
            ssize_t n = uart_waiting() < room ? read(master, bytes, sizeof bytes < room ? sizeof bytes : room) : 0;
            if (n > 0)
                uart_send(avr, avr->cycle, bytes, (size_t)n);
            chip_run(avr, avr->cycle + CLOCK / 2000);
        }
    }
    stat(avr);
    unlink(link);
}

int main(int argc, char **argv)
{
    const char *image = NULL, *link = NULL, *kind = "atmega328p";
    unsigned baud = 250000;
    int option;
    while ((option = getopt(argc, argv, "m:b:c:p:")) != -1) {
        switch (option) {
        case 'm':
            kind = optarg;
            break;
        case 'b':
            baud = (unsigned)strtoul(optarg, NULL, 10);
            break;
        case 'c':
            image = optarg;
            break;
        case 'p':
            link = optarg;
            break;
        default:
            return 2;
        }
    }
    if (optind != argc - 1 || baud == 0)
        stop_with("usage: ljsim [-m CHIP] [-b BAUD] [-c IMAGE] [-p LINK] PROGRAM.elf");
    static char buffer[1 << 20];
    setvbuf(stdout, buffer, _IOFBF, sizeof buffer);
    avr_t *avr = chip_begin(kind, argv[optind]);
    uart_begin(avr, baud);
    timer_begin(avr);
    card_begin(avr, image);
    pins_begin(avr);
    if (link) {
        in_real_time(avr, link, baud);
        return 0;
    }
    uart_sent = tell_byte;
    static char line[1 << 18];
    while (fgets(line, sizeof line, stdin))
        obey(avr, line);
    return 0;
}
