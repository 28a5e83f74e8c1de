/* What the core asks of the compiler and the chip: avr-gcc, avr-libc, ATmega328P. */
#ifndef LJ_TARGET_H
#define LJ_TARGET_H

#include <stddef.h>

#include <avr/pgmspace.h>

#define LJ_FLASH PROGMEM
#define LJ_FLASH_READ(to, from, n) ((void)memcpy_P((to), (from), (n)))
#define LJ_KEPT __attribute__((section(".noinit")))
#define LJ_APART __attribute__((noinline))

#endif
