/* A count lasts (prescale + 1) / osc, 4.88 us at 50 Hz and 25 MHz, and a tick 0.5 us. The
 * factor between them has 16 bits, so that a pulse of n counts is off by less than n / 65536
 * of a count before it is rounded: 0.008 of one for 2.5 ms at 50 Hz. */
#include "pwm_counts.h"

#define LONGEST 100000UL /* us: the product with 30 MHz has 32 bits */

bool pwm_scale_set(pwm_scale *s, uint16_t osc, uint32_t period)
{
    const uint32_t kilo = 1000UL * PWM_COUNTS; /* us times kHz are thousands */
    uint32_t by, whole, part;
    uint8_t shift = 14;
    if (osc < PWM_OSC_LOW || osc > PWM_OSC_HIGH || period > LONGEST) {
        return false;
    }
    by = (osc * period + kilo / 2u) / kilo; /* osc / (4096 rate), to the nearest */
    if (by < PWM_FASTEST + 1u || by > PWM_SLOWEST + 1u) {
        return false;
    }
    s->prescale = (uint8_t)(by - 1u);
    by *= 2000u; /* osc ticks of 0.5 us have so many counts */
    whole = ((uint32_t)osc << shift) / by;
    part = ((uint32_t)osc << shift) % by;
    while (whole < 0x8000u) {
        part *= 2u;
        whole *= 2u;
        if (part >= by) {
            part -= by;
            whole++;
        }
        shift++;
    }
    if (2u * part >= by && whole < 0xffffu) {
        whole++;
    }
    s->factor = (uint16_t)whole;
    s->shift = shift;
    return true;
}

uint16_t pwm_counts(const pwm_scale *s, uint16_t ticks, uint16_t low, uint16_t high)
{
    uint32_t product = (uint32_t)ticks * s->factor, one = 1UL << s->shift;
    uint32_t counts = product >> s->shift, below = product & (one - 1u), above = one - below;
    bool up, down;
    if (below == 0u) {
        return counts < PWM_COUNTS ? (uint16_t)counts : PWM_COUNTS - 1u;
    }
    down = ticks >= low && (uint32_t)(uint16_t)(ticks - low) * s->factor >= below;
    up = ticks <= high && (uint32_t)(uint16_t)(high - ticks) * s->factor >= above;
    if (below >= above ? up || !down : up && !down) {
        counts++;
    }
    return counts < PWM_COUNTS ? (uint16_t)counts : PWM_COUNTS - 1u;
}

uint32_t pwm_frame_us(uint8_t prescale, uint16_t osc)
{
    return (uint32_t)(1000UL * PWM_COUNTS * (prescale + 1u) / osc + 1u);
}
