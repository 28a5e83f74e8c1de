/* Reads an SD card beside the pulses: block after block, each twice where it fails, and
 * counts. Byte i of block n is n x 7 + i x 3. */
#include "sd.h"

volatile uint16_t good, bad, wrong, tries;
volatile uint8_t absent;

static uint8_t block[512];
static uint32_t number;

enum { START, STARTING, NEXT, READING };
static uint8_t stage;
static uint8_t again;

static bool sound(void)
{
    for (uint16_t i = 0; i < sizeof block; i++)
        if (block[i] != (uint8_t)(number * 7u + i * 3u))
            return false;
    return true;
}

void card_step(void);
void card_step(void)
{
    sd_state s = sd_poll();
    switch (stage) {
    case START:
        tries++;
        (void)sd_begin();
        stage = STARTING;
        break;
    case STARTING:
        if (s == SD_DONE)
            stage = NEXT;
        else if (s == SD_FAILED) {
            absent = 1;
            stage = START;
        }
        break;
    case NEXT:
        stage = sd_start_read(number, block) ? READING : START;
        break;
    default:
        if (s == SD_BUSY)
            break;
        if (s == SD_DONE) {
            if (sound())
                good++;
            else
                wrong++;
        } else {
            bad++;
            again = !again;
        }
        if (!again)
            number++;
        stage = NEXT;
        break;
    }
}
