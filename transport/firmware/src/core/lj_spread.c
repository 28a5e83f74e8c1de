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
