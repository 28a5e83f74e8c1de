#ifndef LJ_FUZZ_FAT_H
#define LJ_FUZZ_FAT_H

#include <stdint.h>

/* Numbers of boot sectors, directories and chains that were read. */
extern uint32_t fat_work;

/* The power goes. */
void fat_forget(void);

#endif
