/* The host port: constants are like any others, and memory outlasts lj_begin. */
#ifndef LJ_TARGET_H
#define LJ_TARGET_H

#include <stddef.h>
#include <string.h>

#define LJ_FLASH
#define LJ_FLASH_READ(to, from, n) ((void)memcpy((to), (from), (n)))
#define LJ_KEPT

#endif
