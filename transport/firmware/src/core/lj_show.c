/* The show: loading it, its triggers, and the way from motion to motion. */
#include "lj_show.h"

#ifdef LJ_SHOW_PRINT /* the board plays from a card */

#include <string.h>

#if LJ_QUEUE < 4
#error "LJ_QUEUE must be 4 or more where the board plays from a card"
#endif
#if LJ_SHOW_TIMERS < 3 || LJ_SHOW_TIMERS > 16 || LJ_SHOW_RANDOMS < 1 || LJ_SHOW_RANDOMS > 16
#error "LJ_SHOW_TIMERS must be from 3 to 16, and LJ_SHOW_RANDOMS from 1 to 16"
#endif

#if LJ_SHOW_TIMERS > 8
typedef uint16_t timer_mask;
#else
typedef uint8_t timer_mask;
#endif

#define LOST_US 250000u      /* from the last frame to what `lost` says */
#define RETRY_MS 5000u       /* between looks at a card that is refused */
#define JOIN_NONE 0xffffffffu
#define JOIN_MOST_MS 1000000u
#define NO_TIMER 0xffu
#define RAMP_MOST 4095u      /* frames; its square times 2^8 has 32 bits */
#define WAY_MOST 60000u      /* frames, 20 minutes at 50 Hz */
#define READ_US 100000u      /* that a card may take for a sector */
#define PATIENCE 4u          /* sectors of frames that are read before triggers are, come what may */

enum {
    LOAD_VOLUME,
    LOAD_INDEX,
    LOAD_LIST,
    LOAD_BOARD,
    LOAD_FILE,
    LOAD_HEADER,
    LOAD_CHANNELS,
    LOAD_MOTIONS,
    LOAD_TRIGGERS,
    REFUSED, /* the card; it is looked at again after a while */
    OFF,     /* until a reset */
    STOPPED, /* until the edge of an input */
    IDLE,    /* no motion plays. All from here on: one does, or is to */
    SETTLE,  /* axes come to rest */
    MOTION,  /* its record is read */
    POSE,    /* its first pose is read */
    LIMITS,  /* how fast the axes may go there is read */
    JOIN,    /* a faster way is looked for */
    MOVE,    /* on the way */
    FRAMES,  /* frames are queued */
    LAST     /* all are queued */
};

static struct {
    uint32_t at;      /* when the last ms was counted, us */
    uint32_t up;      /* ms since power-up, at most 2^32 - 1 */
    uint32_t edge_up; /* up at the first edge that waits to be looked at */
    uint32_t join;    /* ms, JOIN_NONE */

    uint32_t first;  /* sector of the motion */
    uint32_t frames; /* that it has */
    uint32_t frame;  /* next to queue */
    uint32_t sector; /* in which it is */
    uint16_t from;   /* frame with which a round begins */
    uint8_t place;   /* of the next frame in its sector */
    uint8_t each;    /* frames a sector */
    uint8_t flags;   /* LJ_MOTION_x */

    uint16_t way;  /* frames that a move takes without its ramps at both ends, half of each counted */
    uint16_t ramp; /* frames in which it gains speed */
    uint16_t done; /* frames of it that are queued */

    uint16_t i;       /* of what is gone through: boards, channels, motions, triggers */
    uint16_t motions;
    uint16_t start;   /* motion at power-up */
    uint8_t boards;
    uint8_t board;    /* this one */

    uint16_t current; /* motion */
    uint16_t ended;   /* motion that has ended, until its next interval is drawn */
    uint16_t levels;  /* of inputs */
    uint16_t rose;    /* inputs with an edge that waits to be looked at */
    uint16_t fell;
    uint16_t used;    /* inputs that start something here */
    uint16_t waiting; /* motions that wait, in the order of those that may */
    uint16_t polite;  /* those of them that let the others go first */
    uint16_t wait;    /* ms */
    uint16_t left_out;
    timer_mask locked;    /* timers that ran at edge_up */
    timer_mask due;       /* intervals that have passed */
    timer_mask intervals; /* timers that are such */
    uint16_t mark;    /* index of the motion's first frame */
    uint8_t lock;     /* lockout that begins with the motion */
    uint8_t state;
    uint8_t code;
    uint8_t passed; /* sectors of frames, while triggers wait to be looked at */
    bool marked;   /* that frame is queued */
    bool closed;   /* `ended` was played to its end: others may come after it */
    bool mine;     /* the board has played by itself since the reset */
    bool seen;     /* levels are known */
    bool again;    /* it was loaded before */
    bool quiet;    /* nothing plays because of loading */
} show;

/* Timers count down to 0, ms. While a card is looked at for the board's file, its name is
 * kept in their memory. */
static union {
    uint32_t left[LJ_SHOW_TIMERS];
    uint8_t name[11];
} timers;
static uint32_t randoms[LJ_SHOW_RANDOMS];

/* A pass through the triggers. */
static struct {
    uint16_t i;     /* next motion */
    uint16_t rose;
    uint16_t fell;
    uint16_t ended;
    uint8_t timers; /* of the motions before */
    uint8_t randoms;
    uint8_t waits;
    bool on;
    bool reading;   /* the sector in memory, or on its way, is one of triggers */
    bool started;   /* a motion */
    bool closed;    /* it looks only for what comes after `ended` */
} pass;

static uint16_t bit(uint8_t n)
{
    return (uint16_t)(1u << n);
}

/* ---- states ---- */

static void begin_load(void)
{
    lj_fat_begin();
    show.state = LOAD_VOLUME;
    show.current = LJ_CARD_NONE;
    show.ended = LJ_CARD_NONE;
    show.lock = NO_TIMER;
    show.marked = false;
    show.closed = false;
    show.waiting = 0;
    show.polite = 0;
    show.due = 0;
    show.intervals = 0;
    pass.on = false;
    pass.reading = false;
}

void lj_show_begin(uint32_t now)
{
    (void)memset(&show, 0, sizeof show);
    (void)memset(&timers, 0, sizeof timers);
    show.at = now;
    begin_load();
}

uint8_t lj_show_code(void)
{
    if (lj_refuses()) {
        return LJ_CODE_RESETS;
    }
    return show.code == LJ_CODE_NONE && show.left_out > 0u ? (uint8_t)LJ_CODE_WORN : show.code;
}

uint16_t lj_show_motion(void)
{
    return show.current;
}

uint16_t lj_show_left_out(void)
{
    return show.left_out;
}

static void leave_out(void)
{
    if (show.left_out < 0xffffu) {
        show.left_out++;
    }
}

/* Drops all frames: axes come to rest, and the board is armed. */
static void abandon(void)
{
    if (!lj_own_rest(lj.now) && lj_own()) {
        lj_empty();
        lj.tail = 0;
        lj.tail_ns = 0;
    }
}

/* Takes the outputs with a period. LJ_ABSENT: the board may not. */
static LJ_APART uint8_t take_outputs(uint32_t period)
{
    if (lj_own()) {
        if (lj.setup == period) {
            return LJ_DONE;
        }
        lj_own_stop(lj.now); /* pulses of another period begin with a new setup */
    }
    if (lj_state() == LJ_STATE_STOPPING) {
        return LJ_BUSY;
    }
    if (!lj_own_begin(lj.now, period)) {
        return LJ_ABSENT;
    }
    show.mine = true;
    return LJ_DONE;
}

/* Forgets the edges that wait to be looked at. */
static void forget_edges(void)
{
    show.rose = 0;
    show.fell = 0;
}

/* Leaves the show: nothing plays, and nothing is asked for. */
static void leave(uint8_t state, uint8_t code)
{
    show.state = state;
    show.code = code;
    show.current = LJ_CARD_NONE;
    pass.on = false;
    pass.reading = false;
    forget_edges();
}

static void turn_off(uint8_t state)
{
    leave(state, LJ_CODE_OFF);
}

static bool stopped(void)
{
    return (lj.inputs & LJ_INPUTS_STOP) != 0u;
}

/* The board may not have its outputs: somebody stops it, or a host has it. */
static void withheld(void)
{
    turn_off(stopped() ? STOPPED : OFF);
}

/* The show cannot be played as it is: the board stands at rest. */
static void refuse(uint8_t code)
{
    leave(REFUSED, code);
    show.wait = RETRY_MS;
    show.quiet = false;
}

/* Whether a step of loading has not come to what it should: it goes on, or the show is
 * refused, with a code for what is not there or not sound. */
static bool failed(uint8_t outcome, uint8_t code)
{
    if (outcome == LJ_FAILED) {
        refuse(LJ_CODE_CARD);
    } else if (outcome == LJ_ABSENT) {
        refuse(code);
    } else {
        /* it is there, or on its way */
    }
    return outcome != LJ_DONE;
}

/* The card is gone: each axis does what its policy says. */
static void lose(void)
{
    abandon();
    lj_direct_lost();
    show.code = LJ_CODE_CARD;
    begin_load();
}

/* ---- time and inputs ---- */

static void count(uint32_t ms)
{
    uint8_t i;
    show.up = 0xffffffffu - show.up < ms ? 0xffffffffu : show.up + ms;
    show.wait = (uint16_t)(show.wait > ms ? show.wait - ms : 0u);
    if (show.state < IDLE) {
        return; /* there are no timers */
    }
    for (i = 0; i < LJ_SHOW_TIMERS; i++) {
        if (timers.left[i] == 0u || i == show.lock) {
            continue;
        }
        timers.left[i] = timers.left[i] > ms ? timers.left[i] - ms : 0u;
        if (timers.left[i] == 0u) {
            show.due = (timer_mask)(show.due | (show.intervals & bit(i)));
        }
    }
}

/* Counts the ms that have passed. */
static void tick(uint32_t now)
{
    uint32_t us = now - show.at, ms = 0;
    if (us >= 0x80000000u) { /* time does not go back */
        return;
    }
    if (us >= 100000u) {
        ms = us / 1000u;
        us -= ms * 1000u;
    }
    while (us >= 1000u) {
        us -= 1000u;
        ms++;
    }
    if (ms > 0u) {
        show.at = now - us;
        count(ms);
    }
}

/* The timers that run. While the show is loaded once more nobody knows, and all may. */
static timer_mask running(void)
{
    timer_mask mask = 0;
    uint8_t i;
    if (show.state < IDLE) {
        return show.again ? (timer_mask)~mask : mask;
    }
    for (i = 0; i < LJ_SHOW_TIMERS; i++) {
        if (timers.left[i] > 0u) {
            mask = (timer_mask)(mask | bit(i));
        }
    }
    return mask;
}

void lj_show_inputs(uint32_t now, uint16_t active)
{
    uint16_t rose = (uint16_t)(active & (uint16_t)~show.levels), fell = (uint16_t)(show.levels & (uint16_t)~active);
    tick(now);
    show.levels = active;
    if (!show.seen) {
        show.seen = true;
        return;
    }
    if ((rose | fell) == 0u) {
        return;
    }
    /* What holds is the lockout and the warm-up at the first of several edges, as long as
     * they wait to be looked at: later ones may be ignored some ms too long, never too short. */
    if ((show.rose | show.fell) == 0u && (!pass.on || (pass.rose | pass.fell) == 0u)) {
        show.edge_up = show.up;
        show.locked = running();
    }
    show.rose |= rose;
    show.fell |= fell;
}

/* ---- loading ---- */

static void next(uint8_t state)
{
    show.state = state;
    show.i = 0;
}

static void load_volume(void)
{
    if (!failed(lj_fat_mount(), LJ_CODE_FILES)) {
        next(LOAD_INDEX);
    }
}

static void load_index(void)
{
    if (!failed(lj_fat_open(LJ_FILE_INDEX, (const uint8_t *)"SHOW    LJI"), LJ_CODE_FILES)) {
        next(LOAD_LIST);
    }
}

/* Fetches the first sector of a file; false: it is not there yet, or the show was refused. A
 * file of another version is not a damaged one. */
static bool fetch_first(uint8_t file, uint8_t kind)
{
    uint8_t outcome = lj_card_fetch(file, 0, kind);
    bool other = lj_fat_sectors(file) > 0u && !lj_card_known(file);
    return !failed(outcome, other ? (uint8_t)LJ_CODE_FOREIGN : (uint8_t)LJ_CODE_DAMAGED);
}

static LJ_APART void load_list(void)
{
    const lj_card_index *x;
    if (!fetch_first(LJ_FILE_INDEX, LJ_CARD_INDEX)) {
        return;
    }
    x = lj_card_take_index(lj_fat_sectors(LJ_FILE_INDEX));
    if (x == NULL) {
        refuse(LJ_CODE_DAMAGED);
        return;
    }
    show.join = x->join;
    show.motions = x->motions;
    show.start = x->start;
    show.boards = x->boards;
    next(LOAD_BOARD);
}

/* What became of reading something: what was read but cannot be is absent. */
static uint8_t taken(uint8_t outcome, const void *thing)
{
    return outcome == LJ_DONE && thing == NULL ? (uint8_t)LJ_ABSENT : outcome;
}

/* Fetches record i of a list that begins at a sector. */
static uint8_t fetch(uint8_t file, uint32_t table, uint16_t i, uint16_t of, uint8_t kind, const uint8_t **r)
{
    uint8_t outcome = lj_card_fetch(file, table + i / LJ_RECORDS, kind);
    *r = outcome == LJ_DONE ? lj_card_record(i, of) : NULL;
    return taken(outcome, *r);
}

static LJ_APART void load_board(void)
{
    const lj_card_board *b;
    uint8_t name[11];
    const uint8_t *r;
    uint8_t outcome = fetch(LJ_FILE_INDEX, 1, show.i, show.boards, LJ_CARD_BOARDS, &r);
    b = r != NULL ? lj_card_take_board(name, r) : NULL;
    if (failed(taken(outcome, b), LJ_CODE_DAMAGED)) {
        return;
    }
    if (b->print == LJ_SHOW_PRINT && lj_card_named(b->name)) {
        show.board = (uint8_t)show.i;
        (void)memcpy(timers.name, name, sizeof name);
        next(LOAD_FILE);
        return;
    }
    show.i++;
    if (show.i == show.boards) {
        refuse(LJ_CODE_FOREIGN);
    }
}

static void load_file(void)
{
    if (!failed(lj_fat_open(LJ_FILE_SHOW, timers.name), LJ_CODE_DAMAGED)) {
        next(LOAD_HEADER);
    }
}

static LJ_APART void load_header(void)
{
    const lj_card_header *h;
    uint8_t outcome;
    if (!fetch_first(LJ_FILE_SHOW, LJ_CARD_HEADER)) {
        return;
    }
    h = lj_card_take_header(lj_fat_sectors(LJ_FILE_SHOW));
    if (h == NULL) {
        refuse(LJ_CODE_DAMAGED);
        return;
    }
    if (h->print != LJ_SHOW_PRINT || h->tick != (uint32_t)LJ_TICK_PS || h->channels != lj_outputs() || h->board != show.board ||
        h->motions != show.motions || !lj_card_named(lj_card_name()) || !lj_own_fits(h->period)) {
        refuse(LJ_CODE_FOREIGN);
        return;
    }
    outcome = take_outputs(h->period);
    if (outcome == LJ_DONE) {
        show.each = lj_card_frames(h->channels);
        next(LOAD_CHANNELS);
    } else if (outcome != LJ_BUSY) {
        withheld();
    } else {
        /* pulses of another period have to end first */
    }
}

/* The output that is the n-th of those that there are. */
static uint8_t output(uint8_t n)
{
    uint8_t i = 0;
    for (;;) {
        if (lj_axis_is(&lj.axes[i], LJ_MODE_SET)) {
            if (n == 0u) {
                return i;
            }
            n--;
        }
        i++;
    }
}

/* Whether a channel of the card is the output that it should be: it is all that `print`
 * covers. So the card's limits are those that are built in. */
static LJ_APART bool belongs(const lj_card_channel *c, uint8_t n)
{
    lj_output o;
    n = output(n);
    lj_output_read(n, &o);
    return c->output == n && c->unit == o.unit && c->lost == o.lost && (c->flags & (uint8_t)~LJ_CARD_SOUND) == o.flags && c->offset == o.offset &&
           c->low == o.low && c->high == o.high && c->rest == o.rest;
}

/* The first sector of the table of motions. */
static uint32_t table(void)
{
    return 1u + (uint32_t)lj_card_sectors(lj.used);
}

/* Fetches the record of channel show.i. */
static uint8_t fetch_channel(const lj_card_channel **c)
{
    const uint8_t *r;
    uint8_t outcome = fetch(LJ_FILE_SHOW, 1, show.i, lj.used, LJ_CARD_CHANNELS, &r);
    *c = r != NULL ? lj_card_take_channel(r) : NULL;
    if (*c != NULL && !belongs(*c, (uint8_t)show.i)) {
        *c = NULL;
    }
    return taken(outcome, *c);
}

static uint8_t fetch_motion(uint16_t i, const lj_card_motion **m)
{
    const uint8_t *r;
    uint8_t outcome = fetch(LJ_FILE_SHOW, table(), i, show.motions, LJ_CARD_MOTIONS, &r);
    *m = r != NULL ? lj_card_take_motion(r, lj_fat_sectors(LJ_FILE_SHOW), show.each) : NULL;
    return taken(outcome, *m);
}

static uint8_t fetch_trigger(uint16_t i, const lj_card_trigger **t)
{
    const uint8_t *r;
    uint8_t outcome = fetch(LJ_FILE_INDEX, 1u + (uint32_t)lj_card_sectors(show.boards), i, show.motions, LJ_CARD_TRIGGERS, &r);
    *t = r != NULL ? lj_card_take_trigger(r, i, show.motions, show.start, show.boards) : NULL;
    return taken(outcome, *t);
}

static LJ_APART void load_channels(void)
{
    const lj_card_channel *c;
    if (failed(fetch_channel(&c), LJ_CODE_DAMAGED)) {
        return;
    }
    show.i++;
    if (show.i == lj.used) {
        show.first = table() + lj_card_sectors(show.motions);
        next(LOAD_MOTIONS);
    }
}

/* Each motion begins where the one before ends, and the last one ends the file. */
static LJ_APART void load_motions(void)
{
    const lj_card_motion *m;
    uint8_t outcome = fetch_motion(show.i, &m);
    if (outcome == LJ_DONE && m->first != show.first) {
        outcome = LJ_ABSENT;
    }
    if (failed(outcome, LJ_CODE_DAMAGED)) {
        return;
    }
    show.first = lj_card_end(m);
    show.i++;
    if (show.i < show.motions) {
        return;
    }
    if (show.first != lj_fat_sectors(LJ_FILE_SHOW)) {
        refuse(LJ_CODE_DAMAGED);
        return;
    }
    (void)memset(&timers, 0, sizeof timers);
    (void)memset(&pass, 0, sizeof pass);
    next(LOAD_TRIGGERS);
}

/* ---- triggers ---- */

/* Where a motion's memory is. */
typedef struct {
    uint8_t lock;     /* timer */
    uint8_t interval; /* timer */
    uint8_t random;
    uint16_t wait;    /* bit */
    bool input;       /* one of this board starts it */
} slots;

/* Gives the memory of the next motion, in order; false where there is no more. */
static bool allot(const lj_card_trigger *t, slots *s)
{
    bool interval = (t->starts & LJ_STARTS_INTERVAL) != 0u;
    s->input = (t->starts & LJ_STARTS_INPUT) != 0u && t->board == show.board && t->input < 16u;
    s->lock = NO_TIMER;
    s->interval = NO_TIMER;
    s->random = 0;
    s->wait = 0;
    if (s->input && t->lockout > 0u) {
        s->lock = pass.timers;
        pass.timers++;
    }
    if (interval) {
        s->interval = pass.timers;
        pass.timers++;
        s->random = pass.randoms;
        pass.randoms++;
    }
    if ((s->input || interval || t->after[0] != 0u) && t->busy == LJ_ON_BUSY_WAIT) {
        s->wait = (uint16_t)(pass.waits < LJ_SHOW_WAITING ? 1u << pass.waits : 0u);
        pass.waits++;
    }
    return pass.timers <= LJ_SHOW_TIMERS && pass.randoms <= LJ_SHOW_RANDOMS && pass.waits <= LJ_SHOW_WAITING;
}

/* Takes note that an interval that has passed is dealt with. */
static void forget(const slots *s)
{
    if (s->interval != NO_TIMER) {
        show.due = (timer_mask)(show.due & (uint16_t)~bit(s->interval));
    }
}

/* Draws the next interval of a motion, if it has one. */
static void draw(const lj_card_trigger *t, const slots *s)
{
    if (s->interval == NO_TIMER) {
        return;
    }
    forget(s);
    timers.left[s->interval] = lj_card_interval(&randoms[s->random], t->least, t->greatest);
    if (timers.left[s->interval] == 0u) {
        show.due = (timer_mask)(show.due | bit(s->interval));
    }
}

/* Makes a motion the one to play. */
static void choose(uint16_t i, const lj_card_trigger *t, const slots *s)
{
    if (show.current != LJ_CARD_NONE) {
        show.ended = show.current;
        show.closed = false;
    }
    if (show.lock != NO_TIMER) { /* it was on the way to one that now does not start */
        timers.left[show.lock] = 0;
    }
    show.current = i;
    show.polite = 0;
    show.marked = false;
    show.lock = s->lock;
    if (s->lock != NO_TIMER) {
        /* The ms in which it begins is not a whole one. */
        timers.left[s->lock] = t->lockout < 0xffffffffu ? t->lockout + 1u : t->lockout;
    }
    if (show.state >= IDLE) {
        abandon();
        show.state = SETTLE;
    }
    pass.started = true;
}

static void loaded(void)
{
    show.again = true;
    show.quiet = false;
    show.left_out = 0;
    show.code = LJ_CODE_NONE;
    show.state = show.current != LJ_CARD_NONE ? SETTLE : IDLE;
}

static LJ_APART void load_triggers(void)
{
    const lj_card_trigger *t;
    slots s;
    if (failed(fetch_trigger(show.i, &t), LJ_CODE_DAMAGED)) {
        return;
    }
    if (!allot(t, &s)) {
        refuse(LJ_CODE_MEMORY);
        return;
    }
    if (s.input) {
        show.used |= bit((uint8_t)t->input);
    }
    if (s.interval != NO_TIMER) {
        show.intervals = (timer_mask)(show.intervals | bit(s.interval));
        randoms[s.random] = t->seed;
    }
    if (s.lock != NO_TIMER && show.again && !show.quiet) {
        timers.left[s.lock] = t->lockout; /* it may have run when the card was lost */
    }
    if (show.i == show.start && !show.quiet) {
        choose(show.i, t, &s);
    } else {
        draw(t, &s);
    }
    show.i++;
    if (show.i == show.motions) {
        loaded();
    }
}

/* Whether an input of this motion has had its edge, at a time when it counts. */
static bool asked(const lj_card_trigger *t, const slots *s)
{
    uint16_t edges = (t->flags & LJ_TRIGGER_FALLING) != 0u ? pass.fell : pass.rose;
    bool locked = s->lock != NO_TIMER && (show.locked & bit(s->lock)) != 0u;
    return s->input && (edges & bit((uint8_t)t->input)) != 0u && !locked && show.edge_up >= t->warm_up;
}

/* Keeps an edge for the next pass. */
static void keep(const lj_card_trigger *t)
{
    if ((t->flags & LJ_TRIGGER_FALLING) != 0u) {
        show.fell |= bit((uint8_t)t->input);
    } else {
        show.rose |= bit((uint8_t)t->input);
    }
}

/* A start of a motion while another plays, or it plays itself. */
static void ask_busy(uint16_t i, const lj_card_trigger *t, const slots *s, bool due)
{
    if (i != show.current && t->busy == LJ_ON_BUSY_WAIT) {
        show.waiting |= s->wait;
        forget(s);
    } else if (i != show.current && t->busy == LJ_ON_BUSY_INTERRUPT) {
        show.waiting &= (uint16_t)~s->wait;
        forget(s);
        choose(i, t, s);
    } else if (due) { /* dropped */
        draw(t, s);
    } else {
        /* forgotten */
    }
}

/* A start of motion i at the end of the one that it comes after. Nothing else has started
 * since, unless that interrupted; so it starts. One that waits lets those go first that wait
 * already, wherever it stands in the show, so that a ring of motions lets others in. */
static void follow(uint16_t i, const lj_card_trigger *t, const slots *s)
{
    bool waits = t->busy == LJ_ON_BUSY_WAIT && show.waiting != 0u;
    if (show.current == LJ_CARD_NONE && !waits) {
        choose(i, t, s);
        return;
    }
    if (show.current == LJ_CARD_NONE) {
        show.polite |= (uint16_t)(s->wait & (uint16_t)~show.waiting);
    }
    if (!pass.started || t->busy == LJ_ON_BUSY_WAIT) {
        ask_busy(i, t, s, false);
    } else {
        /* one motion a pass is started */
    }
}

/* Looks at what starts motion i. One motion a pass is started; what else asks is kept for
 * the next one. */
static void look(uint16_t i, const lj_card_trigger *t, const slots *s)
{
    bool due = s->interval != NO_TIMER && (show.due & bit(s->interval)) != 0u;
    bool edge = asked(t, s);
    uint16_t waiting;
    if (pass.ended == i) {
        draw(t, s);
        due = false;
    }
    if (pass.closed) {
        if (lj_card_after(t, pass.ended)) {
            follow(i, t, s);
        }
        return;
    }
    if (pass.started) {
        if (edge) {
            keep(t);
        }
        return;
    }
    if (show.current != LJ_CARD_NONE || show.closed) { /* until it was asked what comes after, the board is busy */
        if (edge || due) {
            ask_busy(i, t, s, due);
        }
        return;
    }
    waiting = (uint16_t)(show.waiting & (uint16_t)~show.polite);
    if (edge || due || ((waiting != 0u ? waiting : show.waiting) & s->wait) != 0u) {
        show.waiting &= (uint16_t)~s->wait;
        forget(s);
        choose(i, t, s);
    }
}

/* Whether something may have asked for a motion. */
static bool wanted(void)
{
    return (show.rose | show.fell) != 0u || show.due != 0u || show.ended != LJ_CARD_NONE ||
           (show.waiting != 0u && show.current == LJ_CARD_NONE);
}

static void begin_pass(void)
{
    (void)memset(&pass, 0, sizeof pass);
    pass.on = true;
    pass.ended = show.ended;
    pass.closed = show.closed;
    show.ended = LJ_CARD_NONE;
    show.closed = false;
    if (!pass.closed) {
        pass.rose = show.rose;
        pass.fell = show.fell;
        forget_edges();
    }
}

/* Goes on with the pass. */
static LJ_APART void step_pass(void)
{
    const lj_card_trigger *t;
    slots s;
    uint8_t outcome = fetch_trigger(pass.i, &t);
    pass.reading = true;
    if (outcome == LJ_BUSY) {
        return;
    }
    show.passed = 0;
    if (outcome != LJ_DONE || !allot(t, &s)) {
        /* The motion that plays goes on; without one, there is nothing to do any more. */
        leave_out();
        pass.on = false;
        pass.reading = false;
        show.ended = pass.ended;
        show.closed = pass.closed;
        show.wait = RETRY_MS;
        if (show.current == LJ_CARD_NONE) {
            lose();
        }
        return;
    }
    look(pass.i, t, &s);
    pass.i++;
    pass.on = pass.i < show.motions;
    pass.reading = pass.on && pass.i % LJ_RECORDS != 0u;
}

/* ---- on the way to a motion ---- */

/* The memory of a frame that is so far behind the last queued one. Nobody else uses it
 * as long as the queue is not full: the pose from which a move began stands in the first,
 * the one to which it goes in the second. */
static uint16_t *behind(uint8_t ahead)
{
    return lj.queue.values[lj_queue_place(&lj.queue, (uint16_t)(lj.queue.count + ahead))];
}

static void settle(void)
{
    if (lj_state() == LJ_STATE_ARMED && !lj_own_moving()) {
        show.state = MOTION;
    }
}

/* Ends the motion. */
static void end(void)
{
    show.ended = show.current;
    show.closed = true;
    show.current = LJ_CARD_NONE;
    show.lock = NO_TIMER;
    show.marked = false;
    show.state = IDLE;
}

/* Whether what is needed on the way to a motion is not there: yet, or any more. */
static bool gone(uint8_t outcome)
{
    if (outcome == LJ_FAILED || outcome == LJ_ABSENT) {
        lose();
    }
    return outcome != LJ_DONE;
}

static LJ_APART void read_motion(void)
{
    const lj_card_motion *m;
    if (gone(fetch_motion(show.current, &m))) {
        return;
    }
    show.first = m->first;
    show.frames = m->frames;
    show.from = m->prelude; /* read where it loops without a pause */
    show.flags = m->flags;
    show.frame = 0;
    show.sector = m->first;
    show.place = 0;
    show.state = POSE;
}

/* The frames that the sector of the next frame holds. */
static uint8_t held(void)
{
    uint32_t left = show.frames - (show.frame - show.place);
    return left < show.each ? (uint8_t)left : show.each;
}

/* Brings the next frame's sector into memory. LJ_ABSENT: it is damaged. */
static uint8_t frames(void)
{
    uint8_t outcome = lj_card_fetch(LJ_FILE_SHOW, show.sector, LJ_CARD_FRAMES);
    if (outcome == LJ_DONE && !lj_card_holds(show.current, show.frame - show.place, held(), lj.used)) {
        outcome = LJ_ABSENT;
    }
    return outcome;
}

/* Leaves out the rest of the sector, and gives how many frames that are. */
static uint8_t skip(void)
{
    uint8_t n = (uint8_t)(held() - show.place);
    leave_out();
    show.frame += n;
    show.place = 0;
    show.sector++;
    show.passed++;
    return n;
}

/* The value to which an axis goes before the motion begins. Switches jump with it, and a
 * pulse that is to end then stays until then. */
static uint16_t target(const lj_axis *a, uint16_t from, uint16_t to)
{
    return lj_axis_unit(a) == LJ_UNIT_STATE || lj_axis_off(a, to) ? from : to;
}

static uint16_t origin(const lj_axis *a, uint16_t to)
{
    bool off = !lj_axis_is(a, LJ_MODE_LIVE) && lj_axis_off(a, to);
    return off ? 0u : lj_axis_wire(a);
}

static LJ_APART void read_pose(void)
{
    const uint8_t *values;
    uint8_t n, outcome = frames();
    if (outcome == LJ_BUSY) {
        return;
    }
    if (outcome != LJ_DONE) {
        (void)skip();
        if (outcome == LJ_FAILED) {
            lose();
        } else if (show.frame >= show.frames) {
            end();
        } else {
            /* it begins with the first sector that is good */
        }
        return;
    }
    values = lj_card_values(0, lj.used);
    for (n = 0; n < lj.used; n++) {
        const lj_axis *a = &lj.axes[output(n)];
        uint16_t to = lj_get16(values + 2u * n);
        behind(0)[n] = origin(a, to);
        behind(1)[n] = target(a, behind(0)[n], to);
    }
    show.way = 0;
    show.ramp = 0;
    next(LIMITS);
}

static uint32_t least(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

/* Sets how fast an axis may be to what the card says where that is less than what is built
 * in. All else of the channel is what is built in: `belongs` has seen to it. */
static LJ_APART void narrow(lj_axis *a, const lj_card_channel *c)
{
    lj_output o;
    lj_output_read(c->output, &o);
    lj_axis_bound(a, least(c->change, o.change), least(c->slow, o.slow));
}

/* How far axis n has to go, and whether back. */
static uint16_t distance(const lj_axis *a, uint8_t n, bool *back)
{
    uint16_t from = behind(0)[n], to = behind(1)[n];
    switch (lj_axis_unit(a)) {
    case LJ_UNIT_STEPS:
        *back = lj_ahead(to, from) < 0;
        break;
    case LJ_UNIT_DUTY:
        *back = lj_ahead(to, 0) < lj_ahead(from, 0);
        break;
    default:
        *back = to < from;
        break;
    }
    return *back ? (uint16_t)(from - to) : (uint16_t)(to - from);
}

/* How hard an axis brakes, in 16 bits. */
static uint16_t braking(const lj_axis *a)
{
    return (a->kind & LJ_AXIS_WIDE) != 0u ? 0xffffu : a->slow;
}

/* Makes the move long enough for an axis. One that goes at a speed of d / way a frame, and
 * gains that in `ramp` frames, takes way + ramp frames. */
static void lengthen(const lj_axis *a, const lj_card_channel *c, uint16_t d)
{
    uint32_t soft = least(c->soft, (uint32_t)a->change << 16), rise = least(c->rise, (uint32_t)braking(a) << 16);
    uint32_t way, ramp;
    if (d == 0u) {
        return;
    }
    way = least((((uint32_t)d << 16) - 1u) / soft + 1u, WAY_MOST);
    ramp = least((soft - 1u) / rise + 1u, RAMP_MOST);
    if (way > show.way) {
        show.way = (uint16_t)way;
    }
    if (ramp > show.ramp) {
        show.ramp = (uint16_t)ramp;
    }
}

/* The frames that `join` allows for a move. */
static uint32_t joined(void)
{
    return show.join == JOIN_NONE ? 0xffffu : least(least(show.join, JOIN_MOST_MS) * 1000u / lj.period, 0xffffu);
}

static void planned(void)
{
    show.done = 0;
    show.state = MOVE;
}

/* Cuts a move of so many frames into its way and ramps. */
static void cut(uint16_t whole)
{
    show.ramp = whole >= 6u ? (uint16_t)(whole / 3u) : 1u;
    show.ramp = show.ramp < RAMP_MOST ? show.ramp : RAMP_MOST;
    show.way = whole > show.ramp ? (uint16_t)(whole - show.ramp) : 1u;
}

/* Takes the limits of all axes, and finds how long the move takes by them. */
static LJ_APART void read_limits(void)
{
    const lj_card_channel *c;
    bool back;
    if (gone(fetch_channel(&c))) {
        return;
    }
    narrow(&lj.axes[c->output], c);
    lengthen(&lj.axes[c->output], c, distance(&lj.axes[c->output], (uint8_t)show.i, &back));
    show.i++;
    if (show.i < lj.used) {
        return;
    }
    if (show.way < show.ramp) {
        show.way = show.ramp;
    }
    if ((uint32_t)show.way + show.ramp > joined()) {
        cut((uint16_t)joined());
        show.state = JOIN;
    } else {
        planned();
    }
}

/* Whether an axis may go that fast at all. */
static bool legal(const lj_axis *a, uint16_t d)
{
    uint32_t area = (uint32_t)show.way * show.ramp;
    return d <= (uint32_t)a->change * show.way && (d <= area || d <= braking(a) * area);
}

/* Makes a move that is too fast for an axis longer, step by step. */
static LJ_APART void join(void)
{
    uint16_t whole = (uint16_t)(show.way + show.ramp);
    bool back;
    uint8_t n;
    for (n = 0; n < lj.used; n++) {
        const lj_axis *a = &lj.axes[output(n)];
        if (!legal(a, distance(a, n, &back)) && whole < WAY_MOST) {
            cut((uint16_t)(whole + whole / 8u + 1u));
            return;
        }
    }
    planned();
}

/* How much of a move is done after k frames, of 65536: at even speed, with a parabola of
 * `ramp` frames at both ends. */
static uint32_t share(uint32_t k)
{
    uint32_t way = show.way, ramp = show.ramp;
    if (k <= ramp) {
        return ((k * k << 8) / ramp << 7) / way;
    }
    if (k >= way) {
        k = way + ramp - k;
        return 65536u - ((k * k << 8) / ramp << 7) / way;
    }
    return ((2u * k - ramp) << 15) / way;
}

/* Queues the next frame of the move. */
static LJ_APART void push_move(void)
{
    uint8_t values[2 * LJ_CHANNELS], n;
    uint32_t part;
    bool back;
    show.done++;
    part = share(show.done);
    for (n = 0; n < lj.used; n++) {
        const lj_axis *a = &lj.axes[output(n)];
        uint16_t from = behind(0)[n], to = behind(1)[n];
        uint16_t way = (uint16_t)((distance(a, n, &back) * part + 0x8000u) >> 16);
        lj_put16(values + 2u * n, (uint16_t)(back ? from - way : from + way));
        behind(2)[n] = to;
        behind(1)[n] = from;
    }
    (void)lj_own_frame(values);
}

/* Begins to play as soon as the queue is full, or will not get fuller. */
static void start(bool full)
{
    if (full && lj_state() == LJ_STATE_ARMED) {
        (void)lj_own_start(lj.now, lj.now);
    }
}

static void move(void)
{
    if (show.done + 1u >= (uint32_t)show.way + show.ramp) {
        show.state = FRAMES; /* the end of the move is the motion's first frame */
    } else if (lj.queue.count + 3u <= LJ_QUEUE) {
        push_move();
    } else {
        start(true);
    }
}

/* ---- playing ---- */

/* The lockout counts from when the motion's first frame is played: until then it is held. */
static void mark(void)
{
    if (show.lock != NO_TIMER && !show.marked) {
        show.marked = true;
        show.mark = (uint16_t)(lj.queue.next + lj.queue.count);
    }
}

static void unlock(void)
{
    if (show.marked && lj_ahead(lj.queue.next, show.mark) > 0) {
        show.marked = false;
        show.lock = NO_TIMER;
    }
}

/* Goes to the next frame in order. */
static void onward(void)
{
    show.frame++;
    show.place++;
    if (show.place == show.each) {
        show.place = 0;
        show.sector++;
        show.passed++;
    }
}

/* Whether the motion goes on after its last frame; then goes to the frame that follows. */
static bool round_again(void)
{
    if (show.flags != (LJ_MOTION_LOOP | LJ_MOTION_SEAMLESS) || show.waiting != 0u) {
        return false;
    }
    show.frame = show.from;
    show.place = (uint8_t)(show.from % show.each);
    show.sector = show.first + (uint16_t)(show.from / show.each);
    return true;
}

/* Whether so much is planned ahead that no more has to be read: of frames or, where some are
 * left out, of time. */
static bool ahead(void)
{
    return lj_own_room() == 0u || (lj_state() == LJ_STATE_PLAYING && lj.queue.count > 0u &&
                                   lj_since(lj.tail, lj.now) > (int32_t)(lj.period * (uint32_t)LJ_QUEUE));
}

static void play(void)
{
    uint8_t outcome;
    if (ahead()) {
        start(lj.queue.count > 0u);
        return;
    }
    if (show.frame >= show.frames && !round_again()) {
        show.state = LAST;
        return;
    }
    outcome = frames();
    if (outcome == LJ_DONE) {
        mark();
        (void)lj_own_frame(lj_card_values(show.place, lj.used));
        onward();
    } else if (outcome != LJ_BUSY) {
        (void)lj_own_gap(skip());
    } else {
        /* it is being read */
    }
}

static void last(void)
{
    start(lj.queue.count > 0u);
    if (lj_state() == LJ_STATE_PLAYING && !lj_own_played()) {
        return;
    }
    (void)lj_own_rest(lj.now);
    if ((show.flags & LJ_MOTION_LOOP) != 0u && show.waiting == 0u) {
        show.state = SETTLE;
    } else {
        end();
    }
}

/* Whether the card has given nothing for too long. */
static bool starved(void)
{
    return (show.state == MOVE || show.state == FRAMES) && lj_own_played() &&
           lj_since(lj.now, lj.last + lj.period) > (int32_t)LOST_US;
}

/* ---- the next step ---- */

/* Whether there is time to read a sector of triggers, for which there is no other memory than
 * that of the frames: those have to be read again behind it. So it is begun when as many as
 * can be are planned, in the first quarter of a period, and when the sector gives enough of
 * them not to need the next one too soon. That is three reads until there is peace again. */
static bool spare(void)
{
    uint32_t left, enough, all = LJ_QUEUE;
    if (lj_state() != LJ_STATE_PLAYING || show.passed >= PATIENCE) {
        return true;
    }
    if (show.state == MOVE) {
        all = LJ_QUEUE - 2u; /* move() leaves two */
        left = (uint32_t)show.way + show.ramp - show.done;
    } else if (show.state == FRAMES) {
        left = show.frames <= show.each ? show.each : (uint32_t)held() - show.place;
    } else {
        return true;
    }
    enough = least(3u * READ_US / lj.period + 1u, (uint32_t)LJ_QUEUE + show.each);
    return left + LJ_QUEUE >= enough && lj_since(lj.tail, lj.now) > (int32_t)(lj.period * all + lj.period / 4u * 3u);
}

/* Whether triggers are looked at next. What was begun is brought to its end while the sector
 * is in memory: nothing would ever be done if frames were read in between. */
static bool looks(void)
{
    if (pass.reading) {
        return true;
    }
    if (!pass.on && !(wanted() && show.wait == 0u)) {
        show.passed = 0;
        return false;
    }
    return spare();
}

static bool triggers(void)
{
    if (!looks()) {
        return false;
    }
    if (!pass.on) {
        begin_pass();
    }
    step_pass();
    return true;
}

/* Holds the outputs at rest while there is no show. */
static void refused(void)
{
    if (!lj_own() && take_outputs(LJ_SHOW_PERIOD_NS) == LJ_ABSENT) {
        withheld();
        return;
    }
    forget_edges();
    if (show.wait == 0u) {
        begin_load();
    }
}

/* Comes back after the stop input, when somebody asks for it. */
static void revive(void)
{
    uint16_t edges = (uint16_t)((show.rose | show.fell) & show.used);
    show.rose = (uint16_t)(show.rose & edges);
    show.fell = (uint16_t)(show.fell & edges);
    if (edges == 0u || stopped() || lj_state() == LJ_STATE_STOPPING) {
        forget_edges();
        return;
    }
    begin_load();
    show.locked = 0;
    show.quiet = true;
    show.code = LJ_CODE_NONE;
}

static void step(void)
{
    switch (show.state) {
    case LOAD_VOLUME: load_volume(); break;
    case LOAD_INDEX: load_index(); break;
    case LOAD_LIST: load_list(); break;
    case LOAD_BOARD: load_board(); break;
    case LOAD_FILE: load_file(); break;
    case LOAD_HEADER: load_header(); break;
    case LOAD_CHANNELS: load_channels(); break;
    case LOAD_MOTIONS: load_motions(); break;
    case LOAD_TRIGGERS: load_triggers(); break;
    case REFUSED: refused(); break;
    case STOPPED: revive(); break;
    case SETTLE: settle(); break;
    case MOTION: read_motion(); break;
    case POSE: read_pose(); break;
    case LIMITS: read_limits(); break;
    case JOIN: join(); break;
    case MOVE: move(); break;
    case FRAMES: play(); break;
    case LAST: last(); break;
    default: break;
    }
}

/* Whether the next step need not wait for time to pass. */
static bool more(void)
{
    switch (show.state) {
    case REFUSED: case OFF: case STOPPED:
        return false;
    case IDLE: case SETTLE: case LAST:
        return looks();
    case MOVE:
        return lj_state() == LJ_STATE_ARMED || lj.queue.count + 3u <= LJ_QUEUE || looks();
    case FRAMES:
        return lj_state() == LJ_STATE_ARMED || !ahead() || looks();
    default:
        return true;
    }
}

bool lj_show_advance(uint32_t now)
{
    uint8_t before = show.state;
    lj_advance(now); /* all below goes by lj.now */
    tick(now);
    unlock();
    if (show.state == OFF) {
        return false;
    }
    if (lj_refuses()) {
        turn_off(OFF);
        return false;
    }
    if (show.mine && !lj_own() && lj_cause() != LJ_CAUSE_NONE && show.state != STOPPED && !show.quiet) {
        turn_off(lj_cause() == LJ_CAUSE_INPUT ? STOPPED : OFF);
        return false;
    }
    if (starved()) {
        lose();
    } else if (show.state < IDLE || !triggers()) {
        step();
    } else {
        /* a trigger was looked at */
    }
    return show.state != before || more();
}

#endif
