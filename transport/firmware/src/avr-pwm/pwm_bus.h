/* The two-wire bus to the driver, at 400 kHz, by interrupts. Nothing here waits, but
 * bus_free, at most 0.2 ms. */
#ifndef LJ_PWM_BUS_H
#define LJ_PWM_BUS_H

#include <stdbool.h>
#include <stdint.h>

typedef enum {
    BUS_IDLE,
    BUS_BUSY,
    BUS_DONE,
    BUS_FAILED /* no answer, the wrong mode, or the bus is not as it should be */
} bus_state;

enum { BUS_MOST = 64 }; /* bytes in one go */

/* Registers of the driver: PCA9685 data sheet, rev. 4, table 4. */
enum { MODE1 = 0x00, MODE2 = 0x01, LED0_ON_L = 0x06, ALL_LED_OFF_H = 0xfd, PRE_SCALE = 0xfe };
enum { RESTART = 0x80, AUTO_INCREMENT = 0x20, SLEEP = 0x10, FULL = 0x10, OUTDRV = 0x04 };
enum { MODE1_RUN = AUTO_INCREMENT, MODE2_RUN = OUTDRV /* outputs change on STOP, totem pole */ };

/* Sends a byte to a register. It begins only when the bus is not busy, as the others. */
void bus_write(uint8_t reg, uint8_t byte);

/* Reads a register; bus_read_byte gives it when it is done. */
void bus_read(uint8_t reg);
uint8_t bus_read_byte(void);

/* Sends the outputs from the first on, 4 bytes each, in one go, so that all change at its
 * end. Before, in the same go, it reads the modes: a driver that lost its supply for a
 * moment has others, and gets nothing, since its prescaler is another, too. The bytes must
 * stay until it is done. */
void bus_outputs(const uint8_t *bytes, uint8_t count);

/* Switches all outputs off in one write, within 0.2 ms: outputs that are under way are
 * given up. The only one that may come while the bus is busy. */
void bus_off(void);

/* What came of the last one. Done and failed are told once. */
bus_state bus_poll(void);

/* Gives up what is under way, and frees the bus: clocks until nobody holds the data line
 * any more, nine times at most (UM10204, "Bus clear"), then makes a stop condition. False where
 * a line stays low. */
bool bus_free(void);

#endif
