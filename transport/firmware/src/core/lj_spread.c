/* Steps spread evenly over a span: n intervals of base or base + 1, by the remainder
 * that is carried from one to the next, as on a straight line on a grid (Bresenham, IBM
 * Systems Journal 4(1), 1965). */
#include "lj_core.h"

void lj_spread_begin(lj_spread *s, uint16_t steps, uint16_t span)
{
    s->steps = steps;
    s->count = steps;
    s->base = 0;
    s->more = 0;
    s->sum = 0;
    if (steps > 0u) {
        s->base = (uint16_t)(span / steps);
        s->more = (uint16_t)(span % steps);
    }
}

uint16_t lj_spread_next(lj_spread *s)
{
    uint16_t interval = s->base;
    if (s->count == 0u) {
        return 0;
    }
    if (s->sum >= (uint16_t)(s->steps - s->more)) { /* sum + more reaches steps */
        s->sum = (uint16_t)(s->sum - (uint16_t)(s->steps - s->more));
        interval++;
    } else {
        s->sum = (uint16_t)(s->sum + s->more);
    }
    if (s->count == s->steps) {
        interval = (uint16_t)(interval / 2u); /* the first comes in the middle of its interval */
    }
    s->count--;
    return interval;
}
