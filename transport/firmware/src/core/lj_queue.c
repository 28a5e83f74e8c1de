/* Frames that wait for their time. */
#include "lj_core.h"

uint8_t lj_queue_place(const lj_queue *q, uint16_t ahead)
{
    uint16_t i = (uint16_t)(q->head + ahead);
    return (uint8_t)(i < LJ_QUEUE ? i : i - LJ_QUEUE);
}

/* Adds a frame that is ahead of next by less than the depth, and gives the memory of its
 * values. A frame that comes again takes the place of the first. */
uint16_t *lj_queue_put(lj_queue *q, uint16_t ahead, uint32_t time, bool late)
{
    uint8_t i = lj_queue_place(q, ahead);
    if (q->count == 0u || (int32_t)ahead < q->first) {
        q->first = (int16_t)ahead;
    }
    if ((q->marks[i] & LJ_MARK_PRESENT) == 0u) {
        q->count++;
    }
    q->times[i] = time;
    q->marks[i] = late ? (uint8_t)(LJ_MARK_PRESENT | LJ_MARK_LATE) : (uint8_t)LJ_MARK_PRESENT;
    return q->values[i];
}

static void drop(lj_queue *q, uint8_t place)
{
    if ((q->marks[place] & LJ_MARK_PRESENT) != 0u) {
        q->marks[place] = 0u;
        q->count--;
    }
}

/* Goes on to the next frame, and drops the one that was to be played. */
void lj_queue_skip(lj_queue *q)
{
    drop(q, q->head);
    q->head = lj_queue_place(q, 1);
    q->next++;
    q->first--;
    if (q->count > 0u && q->first < 0) {
        q->first = 0;
        while ((q->marks[lj_queue_place(q, (uint16_t)q->first)] & LJ_MARK_PRESENT) == 0u) {
            q->first++;
        }
    }
}

/* Drops all frames that are at least so far ahead of next. */
void lj_queue_cut(lj_queue *q, int16_t ahead)
{
    uint16_t i;
    for (i = ahead > 0 ? (uint16_t)ahead : 0u; i < LJ_QUEUE; i++) {
        drop(q, lj_queue_place(q, i));
    }
}

/* Drops all frames and goes on with another index. */
void lj_queue_clear(lj_queue *q, uint16_t next)
{
    lj_queue_cut(q, 0);
    q->next = next;
}

/* Moves the times of all frames. */
void lj_queue_shift(lj_queue *q, uint32_t us)
{
    uint8_t i;
    for (i = 0; i < LJ_QUEUE; i++) {
        q->times[i] += us;
    }
}

/* Keeps times that are long past from becoming future ones. */
void lj_queue_age(lj_queue *q)
{
    uint8_t i;
    for (i = 0; i < LJ_QUEUE; i++) {
        lj_renew(&q->times[i]);
    }
}
