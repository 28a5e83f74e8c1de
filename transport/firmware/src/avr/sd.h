/* Blocks of an SD card in SPI mode, read only. Nothing here waits for the card: sd_poll
 * goes on by a short step each time it is called, at most about 0.15 ms. */
#ifndef LJ_SD_H
#define LJ_SD_H

#include <stdbool.h>
#include <stdint.h>

typedef enum { SD_IDLE, SD_BUSY, SD_DONE, SD_FAILED } sd_state;

/* Begins to start the card; sd_poll tells when it is ready (done) or there is none
 * (failed). False where that is under way already. */
bool sd_begin(void);

/* Begins to read a block of 512 bytes into memory, which must stay until it is done. False
 * where the card is busy or not started. */
bool sd_start_read(uint32_t block, uint8_t *to);

/* Goes on. Done and failed are told until something new begins. A block whose CRC is wrong
 * has failed. After a failed block the card stays started, unless it does not answer. */
sd_state sd_poll(void);

#endif
