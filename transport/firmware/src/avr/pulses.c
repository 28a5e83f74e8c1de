/* Pulses of servos, placed to the tick of 0.5 us.
 *
 * An interrupt that flips a pin when its time comes is late by whatever other interrupt
 * runs at that moment. So this one comes EARLY, and waits for the tick itself, with all
 * other interrupts shut out; meanwhile it looks after the line to the host, since a byte
 * comes each 10 us at 1 Mbaud. Edges that are close to each other are done in one go.
 *
 * Twelve pulses of 2.1 ms do not fit one after another into 20 ms: pulses overlap, each
 * with its offset from the start of the slot, as the host has spread them. Where edges
 * would come too close, starts are moved, and the ends with them: no width ever changes.
 * They are moved in three steps:
 *
 *   1. Starts at the same time (a host that does not spread them) are set APART, by the
 *      order of the outputs.
 *   2. Ends that are nearer than APART are spread evenly about where they would be: what
 *      has to give way is shared, so that when two ends pass each other in the course of a
 *      movement neither start moves by more than APART from one slot to the next. This is
 *      the least sum of squares (pool adjacent violators).
 *   3. A start that is nearer than NEAR to any other edge moves on to the next free place.
 *      This is rare, since a start stands where its offset is.
 */
#include <avr/interrupt.h>
#include <util/atomic.h>

#include "lj_avr.h"

enum {
    /* Ticks, 14 us: any other interrupt, and the entry to this one. That of a step takes longer. */
    EARLY = STEPS ? 52 : 28,
    CLOSE = 11,    /* ticks, 88 cycles: a byte of the line, and the last look at the time */
    NEAR = 14,     /* ticks from a start to another edge: 112 cycles, what an edge takes */
    APART = 25,    /* ticks from end to end: 12 us, and half a tick of each */
    HASTE = 400,   /* ticks, in which all events can be moved on, with the line at its busiest */
    ZERO = 2048,   /* ticks that times in a plan are ahead, so that edges may be moved back */
    LAST = 0xf000, /* the latest end in a plan before edges are moved */
    /* Ticks that two edges in the queue may be apart. Between others come rests, half as far
     * apart, so that none is near an edge. */
    FAR = 0x6000,
    EVENTS = 2 * PULSES_MOST + 8
};

/* What is to be done, in order of time, in a ring. */
typedef struct {
    uint16_t time; /* of Timer1 */
    uint8_t port;  /* address of the PORT register, and RAISE where the pin goes up */
    uint8_t mask;  /* 0: nothing */
} event;

enum { RAISE = 0x80 };

static event events[EVENTS];
static volatile uint8_t first; /* the interrupt's */
static volatile uint8_t past;  /* behind the last */
static uint16_t last_time;     /* of the event that was put in last */

static inline uint8_t after(uint8_t i) { return i + 1u == EVENTS ? 0 : (uint8_t)(i + 1u); }

/* Waits until the low byte of the timer is at time or past it, within five cycles of a
 * tick of eight. Time may be no more than 127 ticks away. */
static inline void await(uint8_t time)
{
    uint8_t low;
    __asm__ volatile("1: lds %0, %2\n\t"
                     "sub %0, %1\n\t"
                     "brmi 1b"
                     : "=&r"(low)
                     : "r"(time), "n"(_SFR_MEM_ADDR(TCNT1L)));
}

ISR(TIMER1_COMPA_vect)
{
    uint8_t i = first;
    while (i != past) {
        uint16_t time = events[i].time;
        uint8_t port = events[i].port, mask = events[i].mask;
        volatile uint8_t *reg = (volatile uint8_t *)(uint16_t)(port & (uint8_t)~RAISE);
        /* Only interrupts write to these ports, and code that shuts them out. */
        uint8_t level = port & RAISE ? *reg | mask : *reg & (uint8_t)~mask;
        int16_t left;
        while ((left = (int16_t)(time - TCNT1)) > CLOSE) {
            if (left > 2 * EARLY) { /* a match that was left over */
                first = i;
                OCR1A = time - EARLY;
                return;
            }
            serial_catch();
        }
        if (left > 0)
            await((uint8_t)time);
        *reg = level;
        i = after(i);
        if (i == past)
            break;
        uint16_t gap = events[i].time - time;
        if (gap > EARLY + CLOSE) {
            OCR1A = events[i].time - EARLY;
            if ((uint16_t)(TCNT1 - time) < gap - EARLY) { /* its match is still to come */
                first = i;
                serial_catch();
                return;
            }
        }
    }
    first = i;
    TIMSK1 &= (uint8_t)~(1 << OCIE1A);
}

bool pulses_any(void) { return first != past; }

/* Puts an event into the ring behind at, where the interrupt does not see it yet. A full
 * ring is no fault: the interrupt will take some. */
static uint8_t put(uint8_t at, uint16_t time, uint8_t port, uint8_t mask)
{
    uint8_t next = after(at);
    while (next == first)
        ;
    events[at].time = time;
    events[at].port = port;
    events[at].mask = mask;
    last_time = time;
    return next;
}

/* Shows the interrupt all events up to end. Where it has nothing else to do and the first
 * of them would not come in time, all are late alike. */
static void publish(uint8_t end)
{
    while (past != end) {
        int16_t late = pulses_any() ? 0 : (int16_t)(clock_ticks() + 3u * EARLY - events[past].time);
        if (late > 0) {
            for (uint8_t i = past; i != end; i = after(i))
                events[i].time += (uint16_t)late + HASTE;
            last_time += (uint16_t)late + HASTE;
        }
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            if (TIMSK1 & (1 << OCIE1A)) {
                past = end;
            } else if ((int16_t)(events[past].time - TCNT1) > EARLY + CLOSE) {
                past = end;
                OCR1A = events[first].time - EARLY;
                TIFR1 = (1 << OCF1A);
                TIMSK1 |= (1 << OCIE1A);
            }
            /* Else the interrupt has come to its end just now: its match would be over. */
        }
    }
}

/* ---- the plan of a slot: times are ticks from ZERO before the start of the slot ---- */

typedef struct {
    uint16_t time;
    uint8_t what; /* number of the pulse, and RAISE at its start */
} edge;

/* A block is a run of pulses whose ends are APART. */
typedef struct {
    int16_t sum;   /* ends less the places that they get: what is left of a mean */
    uint16_t head; /* its first end */
    uint8_t size;
} block;

/* Memory is short, and one is done when the other begins. */
static union {
    block blocks[PULSES_MOST];
    edge plan[2 * PULSES_MOST + 2]; /* in order of time, between two that are none */
} work;

static uint8_t planned;

static inline uint16_t end_of(const pulse *p) { return p->offset + p->width; }

/* Sorts the pulses by their ends; there are few, and mostly they are sorted. */
static void sort(pulse *p, uint8_t count)
{
    for (pulse *next = p + 1; --count > 0; next++) {
        uint16_t end = end_of(next);
        if (end_of(next - 1) <= end)
            continue;
        pulse x = *next, *q = next;
        do {
            *q = *(q - 1);
            q--;
        } while (q > p && end_of(q - 1) > end);
        *q = x;
    }
}

/* Step 1: p is in the order of the outputs, in which a host spreads them. */
static void separate(pulse *p, uint8_t count)
{
    uint16_t before = 0;
    for (pulse *end = p + count; p < end; p++) {
        uint16_t latest = LAST - ZERO - p->width;
        uint16_t at = ZERO + (p->offset < latest ? p->offset : latest);
        if ((uint16_t)(at - before + APART) < 2 * APART)
            at = before + APART;
        before = p->offset = at;
    }
}

/* Step 2: p is in order of its ends. The head of a block stands so that all of the block are
 * as much late as early. */
static void spread(pulse *p, uint8_t count)
{
    block *b = work.blocks;
    const pulse *q = p;
    for (uint8_t i = 0; i < count; i++, b++, q++) {
        b->head = end_of(q);
        b->size = 1;
        b->sum = 0;
        while (b > work.blocks) {
            block *a = b - 1;
            int32_t apart = (int32_t)b->head - a->head - (int16_t)a->size * APART; /* up to 30 ms */
            if (apart >= 0)
                break;
            int16_t d = (int16_t)apart;
            /* It joins the one before it: all of its pulses are d off the places that they
             * get there, and the mean of what is off moves the whole. */
            a->sum = d * (int16_t)b->size + a->sum + b->sum;
            a->size = (uint8_t)(a->size + b->size);
            int16_t size = (int16_t)a->size, by = a->sum / size;
            if (a->sum < 0 && by * size != a->sum)
                by--;
            a->head += (uint16_t)by;
            a->sum -= by * size;
            b = a;
        }
    }
    for (const block *c = work.blocks; c < b; c++) {
        uint16_t end = c->head;
        for (uint8_t n = c->size; n > 0; n--, p++, end += APART)
            p->offset = end - p->width;
    }
}

static uint8_t least(uint8_t what, uint8_t other) { return (what | other) & RAISE ? NEAR : APART; }

/* How far an edge has to move on to be clear of those that are planned. at is the first
 * behind it; plan begins with an edge at 0, and ends with one that never comes. */
static uint16_t clearance(uint16_t time, uint8_t what, const edge *at)
{
    uint8_t need = least(what, (at - 1)->what);
    uint16_t d = time - (at - 1)->time;
    if (d < need)
        return need - d;
    need = least(what, at->what);
    d = at->time - time;
    return d < need ? d + need : 0;
}

/* Step 3: moves pulses on until both of their edges are clear. p is in order of its ends, so
 * that places are looked for from the back. */
static void place(const pulse *p, uint8_t count)
{
    edge *const plan = work.plan, *past_last = plan + 1;
    plan[0].time = 0;
    plan[0].what = 0;
    plan[1].time = 0xffff;
    for (uint8_t k = 0; k < count; k++, p++) {
        uint16_t start = p->offset, end = end_of(p), by;
        edge *i = past_last;
        while ((i - 1)->time >= start)
            i--;
        edge *j = i;
        do {
            while (i->time < start)
                i++;
            by = clearance(start, RAISE, i);
            if (by == 0) {
                while (j->time < end)
                    j++;
                by = clearance(end, 0, j);
            }
            start += by;
            end += by;
        } while (by != 0);
        past_last += 2;
        edge *q = past_last;
        for (; q - 2 >= j; q--)
            *q = *(q - 2);
        q->time = end;
        q->what = k;
        for (q--; q - 1 >= i; q--)
            *q = *(q - 1);
        q->time = start;
        q->what = k | RAISE;
    }
    planned = (uint8_t)(past_last - plan - 1);
}

/* The time of Timer1 that is ZERO in the plan of a slot: later where its first edge would
 * not come in time, or meet the last of the slot before. */
static uint16_t origin(uint32_t start)
{
    uint16_t at = (uint16_t)(start << 1);
    int32_t begin = (int32_t)work.plan[1].time - ZERO;
    uint16_t soonest = clock_ticks() + 3u * EARLY;
    int32_t need = (int16_t)(soonest - at);
    if (!pulses_any()) {
        last_time = soonest; /* nothing is before, and rests count from here */
    } else {
        int32_t other = (int32_t)(int16_t)(last_time - at) + APART;
        if (other > need)
            need = other;
    }
    if (begin < need)
        at += (uint16_t)(need - begin);
    return at - ZERO;
}

void pulses_give(uint32_t start, pulse *list, uint8_t count)
{
    uint8_t n = 0;
    for (uint8_t i = 0; i < count; i++)
        if (list[i].width > 0 && list[i].width <= PULSE_WIDEST)
            list[n++] = list[i];
    if (n == 0)
        return;
    separate(list, n);
    sort(list, n);
    spread(list, n);
    place(list, n);
    uint16_t zero = origin(start);
    uint8_t at = past;
    for (const edge *e = work.plan + 1; e <= work.plan + planned; e++) {
        const pulse *p = &list[e->what & (uint8_t)~RAISE];
        uint16_t time = zero + e->time;
        while ((uint16_t)(time - last_time) > FAR)
            at = put(at, last_time + FAR / 2, p->port, 0);
        at = put(at, time, (uint8_t)(p->port | (e->what & RAISE)), p->mask);
    }
    publish(at);
}

/* Whether the interrupt has still to come to an event. */
static bool pending(uint8_t i)
{
    uint8_t from = first, end = past;
    uint8_t way = (uint8_t)(i >= from ? i - from : i + EVENTS - from);
    uint8_t all = (uint8_t)(end >= from ? end - from : end + EVENTS - from);
    return way < all;
}

void pulses_drop(void)
{
    for (uint8_t i = first; i != past; i = after(i)) {
        uint8_t port = events[i].port & (uint8_t)~RAISE, mask = events[i].mask;
        if (!(events[i].port & RAISE) || mask == 0)
            continue;
        bool waits;
        ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
        {
            waits = pending(i);
            if (waits)
                events[i].mask = 0;
        }
        if (!waits) /* it has begun, so that its end must come */
            continue;
        uint8_t j = after(i);
        while (j != past && (events[j].port != port || events[j].mask != mask))
            j = after(j);
        if (j != past)
            events[j].mask = 0;
    }
}
