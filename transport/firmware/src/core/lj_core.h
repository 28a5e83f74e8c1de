/* What the files of the player share. A port includes limberjack.h only. */
#ifndef LJ_CORE_H
#define LJ_CORE_H

#include "limberjack.h"

/* ---- one output in motion ---- */

/* What an axis does while no frame drives it. */
enum {
    LJ_AIM_HOLD, /* come to rest, stay */
    LJ_AIM_FREE, /* come to rest, then be let go */
    LJ_AIM_HOME, /* come to rest, then go to the rest value */
    LJ_AIM_GO,   /* go to the rest value */
    LJ_AIM_POSE  /* go to a pose, softly */
};

/* lj_axis.mode: the aim and what is so now. */
#define LJ_MODE_AIM 0x07u
#define LJ_MODE_SET 0x08u   /* configured */
#define LJ_MODE_LIVE 0x10u  /* pulses leave */
#define LJ_MODE_SHOWN 0x20u /* pulses left in the last slot */
#define LJ_MODE_BACK 0x40u  /* the last change was negative */
#define LJ_MODE_KNOWN 0x80u /* it had pulses in this unit since the reset: value is where it was left */

/* lj_axis.kind: what was configured. */
#define LJ_AXIS_UNIT 0x07u
#define LJ_AXIS_LOST 0x18u
#define LJ_AXIS_LOST_SHIFT 3u
#define LJ_AXIS_WEIGHT 0x20u
#define LJ_AXIS_TURNS 0x40u
#define LJ_AXIS_WIDE 0x80u /* slow has a 17th bit */

/* A limit of a stepper has 32 bits. All other units count 16, which are kept as they
 * stand on the wire. */
#if LJ_STEPPERS
typedef int32_t lj_limit;
#else
typedef uint16_t lj_limit;
#endif

/* Memory is short: a change has 17 bits with its sign, and so has slow, of which two
 * bits stand in mode and kind. */
typedef struct {
    int32_t value;
    lj_limit low; /* see lj_axis_low and the others */
    lj_limit high;
    lj_limit rest;
    uint16_t offset; /* ticks */
    uint16_t change;
    uint16_t slow;
    uint16_t pace; /* size of the change of the last slot */
    uint8_t kind;
    uint8_t mode;
} lj_axis;

/* A channel as a host or a rig configures it: an output, whose units and soft do not count. */
typedef lj_output lj_channel;

void lj_axis_configure(lj_axis *a, const lj_channel *c);
void lj_axis_bound(lj_axis *a, uint32_t change, uint32_t slow);
void lj_axis_place(lj_axis *a, int32_t x);
void lj_axis_free(lj_axis *a);
bool lj_axis_follow(lj_axis *a, uint16_t value);
void lj_axis_settle(lj_axis *a, uint32_t soft);
bool lj_axis_begin(const lj_axis *a, uint16_t value, int32_t *x);
void lj_axis_seek(lj_axis *a, uint16_t value, uint32_t soft);
bool lj_axis_settled(const lj_axis *a);
bool lj_axis_resting(const lj_axis *a);
bool lj_axis_number(const lj_axis *a, uint16_t value, int32_t near, int32_t *x);
uint16_t lj_axis_bridge(const lj_axis *a, uint16_t from, uint16_t to, uint16_t part, uint16_t whole);

static inline uint8_t lj_axis_unit(const lj_axis *a)
{
    return (uint8_t)(a->kind & LJ_AXIS_UNIT);
}

static inline bool lj_axis_is(const lj_axis *a, uint8_t mode)
{
    return (a->mode & mode) != 0u;
}

static inline uint8_t lj_axis_aim(const lj_axis *a)
{
    return (uint8_t)(a->mode & LJ_MODE_AIM);
}

static inline void lj_axis_direct(lj_axis *a, uint8_t aim)
{
    a->mode = (uint8_t)((a->mode & (uint8_t)~LJ_MODE_AIM) | aim);
}

static inline bool lj_axis_weight(const lj_axis *a)
{
    return (a->kind & LJ_AXIS_WEIGHT) != 0u;
}

static inline bool lj_axis_turns(const lj_axis *a)
{
    return lj_axis_unit(a) == LJ_UNIT_DUTY || (a->kind & LJ_AXIS_TURNS) != 0u;
}

/* Whether a value asks for no pulses. */
static inline bool lj_axis_off(const lj_axis *a, uint16_t value)
{
    return lj_axis_unit(a) == LJ_UNIT_TICKS && value == 0u;
}

/* A limit as a number. */
static inline int32_t lj_axis_limit(const lj_axis *a, lj_limit x)
{
#if LJ_STEPPERS
    (void)a;
    return x;
#else
    return lj_axis_unit(a) == LJ_UNIT_DUTY ? (int32_t)(int16_t)x : (int32_t)x;
#endif
}

static inline int32_t lj_axis_low(const lj_axis *a)
{
    return lj_axis_limit(a, a->low);
}

static inline int32_t lj_axis_high(const lj_axis *a)
{
    return lj_axis_limit(a, a->high);
}

static inline int32_t lj_axis_rest(const lj_axis *a)
{
    return lj_axis_limit(a, a->rest);
}

/* What the axis does when it is lost: LJ_POLICY_x. */
static inline uint8_t lj_axis_lost(const lj_axis *a)
{
    return (uint8_t)((a->kind & LJ_AXIS_LOST) >> LJ_AXIS_LOST_SHIFT);
}

/* The greatest change of its change from slot to slot. */
static inline int32_t lj_axis_slow(const lj_axis *a)
{
    return (int32_t)a->slow + ((a->kind & LJ_AXIS_WIDE) != 0u ? 0x10000 : 0);
}

/* The value as it stands on the wire. */
static inline uint16_t lj_axis_wire(const lj_axis *a)
{
    return (uint16_t)((uint32_t)a->value & 0xffffu);
}

/* ---- frames that wait ---- */

#define LJ_MARK_PRESENT 0x01u
#define LJ_MARK_LATE 0x02u /* its time had passed when it came */

/* Frames by their indices, from the next to play on: a frame stands where its index
 * puts it, so that frames may come in any order, or twice, and leave holes. */
typedef struct {
    uint32_t times[LJ_QUEUE];
    uint16_t values[LJ_QUEUE][LJ_CHANNELS];
    uint8_t marks[LJ_QUEUE];
    uint8_t head;   /* place of the next to play */
    uint8_t count;  /* frames */
    int16_t first;  /* how far the first frame is ahead of next, where there is one */
    uint16_t next;  /* index of the next to play */
} lj_queue;

uint8_t lj_queue_place(const lj_queue *q, uint16_t ahead);
uint16_t *lj_queue_put(lj_queue *q, uint16_t ahead, uint32_t time, bool late);
void lj_queue_skip(lj_queue *q);
void lj_queue_cut(lj_queue *q, int16_t ahead);
void lj_queue_clear(lj_queue *q, uint16_t next);
void lj_queue_shift(lj_queue *q, uint32_t us);
void lj_queue_age(lj_queue *q);

static inline uint32_t lj_queue_time(const lj_queue *q)
{
    return q->times[lj_queue_place(q, (uint16_t)q->first)];
}

/* How far index i is ahead of another. */
static inline int16_t lj_ahead(uint16_t i, uint16_t of)
{
    return (int16_t)(uint16_t)(i - of);
}

/* ---- the board ---- */

typedef struct {
    uint8_t kind;
    uint8_t length; /* of the payload */
    uint16_t sequence;
    const uint8_t *payload;
} lj_packet;

typedef struct {
    lj_axis axes[LJ_CHANNELS];
    lj_queue queue;
    uint16_t bridge[LJ_CHANNELS]; /* values of the last frame, or the pose to go to */

    /* Moves an axis on its way to a pose; NULL until there is one. What never moves to a pose
     * is linked without all that it takes. */
    bool (*seek)(lj_axis *a, uint8_t output, uint8_t n);

    uint32_t now;
    uint32_t wake;   /* nothing is due before */
    uint32_t period; /* us */
    uint32_t setup;  /* period, ns */
    uint32_t heard;  /* when the host was heard */
    uint32_t due;    /* when the next status is due */
    uint32_t begin;  /* frames before are not played */
    uint32_t last;   /* time of the frame that was played last */
    uint32_t prev;   /* start of the last slot */
    uint32_t room;   /* least time from it to the next, us */
    uint32_t floor;  /* no slot begins before */
    uint32_t born;   /* when the program began, for the time that it runs */
    uint32_t tail;   /* without a host: time of the next frame to queue */
    uint16_t tail_ns;
    uint16_t silence; /* ms */
    uint16_t index;   /* of the frame that was played last */
    uint16_t told;    /* next frame when the last credit was sent */
    uint16_t sequence; /* of the next message to send */
    uint16_t inputs;
    uint16_t supply; /* mV */
    uint8_t state;
    uint8_t cause;
    uint8_t reset;
    uint8_t channels; /* of the setup; 0: no setup has come */
    uint8_t used;     /* outputs that are configured */
    bool lasting;     /* last is a frame's */
    bool greeted;     /* identify has come */
    bool changed;     /* a status has to be sent at once */
    bool own;         /* it plays without a host */
} lj_board;

extern lj_board lj;

/* What a reset leaves as it is. The check holds what is above it, which changes at a
 * reset only; so no reset finds it half written, unless it comes within the first
 * moments after one. */
typedef struct {
    uint32_t ages[2]; /* us from the last resets that no one asked for to this start, or LJ_LONG */
    uint16_t boot;
    uint16_t resets; /* since power-up */
    uint16_t refuse; /* not 0: three in a minute */
    uint16_t check;
    uint32_t up; /* us since this start, or a little more than LJ_LONG */
    uint32_t played;
    uint16_t late;
    uint16_t bridged;
    uint16_t clamped;
    uint16_t bad;
    uint16_t unknown;
} lj_memory;

extern lj_memory lj_kept;

#define LJ_LONG 0x40000000u /* us, 17.9 minutes: as long ago as times are told apart */
#define LJ_STATUS_US 100000u
#define LJ_NOBODY 255u /* no one channel, in the detail of an ack */

/* The least time from slot to slot: 15/16 of the period. */
static inline uint32_t lj_nearest(uint32_t period)
{
    return period - period / 16u;
}

uint32_t lj_later(uint32_t a, uint32_t b);
void lj_renew(uint32_t *t);
void lj_not_before(uint32_t t);

/* lj_player.c */
bool lj_armed(void);
bool lj_disarmed(void);
void lj_enter(uint8_t state, uint8_t cause);
void lj_empty(void);
void lj_direct(uint8_t aim);
void lj_direct_lost(void);
void lj_stop(uint8_t cause);
void lj_drop(void);
void lj_rouse(void);

/* lj_slots.c */
void lj_prune(void);
bool lj_next_slot(uint32_t *at);
void lj_play(uint32_t at);
uint32_t lj_pulse_us(uint32_t ticks, uint32_t *ps);

/* lj_messages.c */
#if LJ_WIRE
void lj_message(const lj_packet *p);
#endif
bool lj_allowed(const lj_output *o, const lj_channel *c);
bool lj_continues(const lj_axis *a, const lj_channel *c);
void lj_output_read(uint8_t n, lj_output *o);
uint8_t lj_outputs(void);

/* lj_answers.c */
#if LJ_WIRE
void lj_report(void);
void lj_send_identity(void);
void lj_send_limits(uint8_t n, const lj_output *o);
void lj_send_time(const uint8_t *token);
void lj_send_ack(const lj_packet *about, uint8_t result, uint8_t detail);
void lj_send_status(void);
void lj_send_pose(void);
void lj_send_credit(void);
#else
static inline void lj_report(void)
{
    /* there is nobody to tell */
}
#endif

/* lj_line.c */
#if LJ_WIRE
void lj_line_begin(void);
void lj_line_send(uint8_t *frame, uint8_t length);
#endif
uint16_t lj_crc16(uint16_t crc, uint8_t byte);

static inline uint16_t lj_get16(const uint8_t *p)
{
    return (uint16_t)(p[0] | (uint16_t)((uint16_t)p[1] << 8));
}

static inline uint32_t lj_get32(const uint8_t *p)
{
    return lj_get16(p) | (uint32_t)lj_get16(p + 2) << 16;
}

/* A number of 32 bits as a two's complement. */
static inline int32_t lj_signed32(uint32_t x)
{
    return lj_since(x, 0);
}

static inline void lj_put16(uint8_t *p, uint16_t x)
{
    p[0] = (uint8_t)(x & 0xffu);
    p[1] = (uint8_t)(x >> 8);
}

static inline void lj_put32(uint8_t *p, uint32_t x)
{
    lj_put16(p, (uint16_t)(x & 0xffffu));
    lj_put16(p + 2, (uint16_t)(x >> 16));
}

#endif
