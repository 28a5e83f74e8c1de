/* Files in the root directory of a FAT16 or FAT32 volume, read only.
 *
 * Nothing here waits: each function takes one step and is called again, with the same
 * arguments, as long as it gives LJ_BUSY. Time is that of the last lj_advance. There is
 * one sector of memory, which belongs to whoever was given LJ_DONE last, until the next
 * call of any of them.
 *
 * By Microsoft's "FAT: General Overview of On-Disk Format", 1.03 (2000). */
#ifndef LJ_FAT_H
#define LJ_FAT_H

#include <stdbool.h>
#include <stdint.h>

#include "lj_core.h"

#ifndef LJ_FAT_EXTENTS
#define LJ_FAT_EXTENTS 6 /* pieces of files that are remembered, 6 bytes each; 2 to 64 */
#endif

#define LJ_SECTOR_SIZE 512u

/* Outcomes of a step. */
enum {
    LJ_BUSY,   /* call again */
    LJ_DONE,   /* done; of a read: the sector is in lj_sector */
    LJ_FAILED, /* the card did not give it */
    LJ_ABSENT  /* the card is readable, and it is not there */
};

/* The sector that was read last. Two bytes each are numbers, the lower one first. */
typedef union {
    uint8_t bytes[LJ_SECTOR_SIZE];
    uint32_t words[LJ_SECTOR_SIZE / 4u]; /* so that numbers in it are where a processor wants them */
} lj_sector_memory;
extern lj_sector_memory lj_sector_of_card;
#define lj_sector (lj_sector_of_card.bytes)

/* ---- what the port has ---- */

/* Begins to start the card, again if need be. lj_port_card_poll tells the outcome. */
void lj_port_card_begin(void);

/* Begins to read a sector of the card into lj_sector. */
void lj_port_card_read(uint32_t lba);

/* Goes on with what was begun: LJ_BUSY, LJ_DONE or LJ_FAILED. It must not wait. A card that
 * is busy for too long is begun anew by the caller. */
uint8_t lj_port_card_poll(void);

/* ---- files ---- */

/* The two files that are open at a time. */
enum {
    LJ_FILE_INDEX,
    LJ_FILE_SHOW,
    LJ_FILES
};

/* Forgets the volume and the files. */
void lj_fat_begin(void);

/* Finds the volume: on the card as a whole, or in the first partition that FAT has. */
uint8_t lj_fat_mount(void);

/* Finds a file by its name of 11 characters, as directories have it, and its pieces. Files
 * are opened in the order of their numbers. */
uint8_t lj_fat_open(uint8_t file, const uint8_t *name);

/* The length of a file in sectors; 0 where it does not end with a whole one. */
uint32_t lj_fat_sectors(uint8_t file);

/* Reads a sector of a file, from 0. A piece that is not remembered is found by the chain
 * from the last one that is, or from where the last read was. */
uint8_t lj_fat_read(uint8_t file, uint32_t sector);

/* Says once, after each read from the card, that lj_sector holds something new. */
bool lj_fat_fresh(void);

#endif
