/* Ticks of 0.5 us in counts of a 12-bit driver of the PCA9685 kind. Plain C, for any
 * processor; sections are those of NXP's PCA9685 data sheet, rev. 4. */
#ifndef LJ_PWM_COUNTS_H
#define LJ_PWM_COUNTS_H

#include <stdbool.h>
#include <stdint.h>

enum {
    PWM_COUNTS = 4096,        /* in a frame of the driver */
    PWM_SLOWEST = 255,        /* prescale: 23.8 Hz at 25 MHz */
    PWM_FASTEST = 3,          /* the driver takes no less: 7.3.5; 1526 Hz at 25 MHz */
    PWM_OSC_LOW = 20000,      /* kHz, of which the factor has room */
    PWM_OSC_HIGH = 30000
};

typedef struct {
    uint8_t prescale; /* register PRE_SCALE: a count lasts prescale + 1 periods of the oscillator */
    uint8_t shift;
    uint16_t factor;  /* counts in a tick, times 2^shift: 32768 to 65535 */
} pwm_scale;

/* Gives the scale at which the driver's frame lasts period, us, as nearly as the prescaler
 * can: round(osc / (4096 rate)) - 1 (7.3.5). osc is the oscillator's frequency, kHz. False where
 * the driver is too slow or too fast for that. */
bool pwm_scale_set(pwm_scale *s, uint16_t osc, uint32_t period);

/* Gives the counts nearest to so many ticks, but none that are less than low or more than
 * high ticks where there are others: a limit is not rounded over. */
uint16_t pwm_counts(const pwm_scale *s, uint16_t ticks, uint16_t low, uint16_t high);

/* Gives how long a frame of the driver lasts, us, rounded up. */
uint32_t pwm_frame_us(uint8_t prescale, uint16_t osc);

#endif
