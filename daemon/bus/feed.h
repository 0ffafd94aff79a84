/** @file feed.h  What a serial line and a unit behind TCP have in common: what is read when, how it is reported, what was
 *  asked to be written, and the counters. */
#ifndef TAUTD_BUS_FEED_H
#define TAUTD_BUS_FEED_H

#include "bus/health.h"
#include "bus/plan.h"
#include "bus/queue.h"

enum { TAUTD_BUSY_BINS = 10, TAUTD_UNITS_MAX = 256 };

struct tautd_feed {
    const struct tautd_config *config; /* borrowed, like the next two */
    const struct tautd_line_config *line;
    struct tautd_queue *queue;
    int line_index;
    int unit;              /* the one unit, or -1 for all of the line */
    int64_t *wake_owed_ns; /* of the thread: real time at which the queue's reader must be woken; 0 = nothing owed */
    struct tautd_plan plan;
    struct tautd_health *health; /* one per unit */
    int units;
    bool up;

    pthread_mutex_t lock; /* guards what follows */
    signed char *want;    /* per output: -1 nothing, 0 off, 1 on */
    int wanted;           /* how many are not -1 */
    struct tautd_bus_stats stats;
    int64_t busy_ns[TAUTD_BUSY_BINS], busy_second[TAUTD_BUSY_BINS];
};

/** Plan line `line_index`, unit `unit` (-1: all).  @return TAUT_E_MEMORY; destroy it in any case */
TAUT_NODISCARD enum taut_status tautd_feed_init(struct tautd_feed *feed, const struct tautd_config *config, int line_index,
                                                int unit, struct tautd_queue *queue, int64_t *wake_owed_ns, int64_t start_ns);
void tautd_feed_destroy(struct tautd_feed *feed);

/** Index of the block that is due first; -1 when nothing is read. */
int tautd_feed_earliest(const struct tautd_feed *feed);
/** Set the block's next time: of its grid, the first after now. What lies between was missed, and is counted. */
void tautd_feed_schedule(struct tautd_feed *feed, struct tautd_block *block);

/** One reading for each channel of a block.  @param x  the exchange, or NULL when there was none */
void tautd_feed_report(struct tautd_feed *feed, const struct tautd_block *block, const struct tautd_exchange *x,
                       enum taut_reason reason, uint8_t exception);
/** The outcome of a write.  @param x  its last exchange, or NULL when the line was down */
void tautd_feed_report_write(struct tautd_feed *feed, int output, bool on, const struct tautd_exchange *x);

/** Count an exchange; `late` answers so far. */
void tautd_feed_count(struct tautd_feed *feed, const struct tautd_exchange *x, uint64_t late);
void tautd_feed_count_open(struct tautd_feed *feed);
void tautd_feed_set_up(struct tautd_feed *feed, bool up);
/** Note what an exchange says of a unit, and log a change.  @return whether it answered */
bool tautd_feed_learn(struct tautd_feed *feed, struct tautd_health *health, const struct tautd_exchange *x);
/** When a unit refused registers that only a gap or padding holds, ask without them from now on. */
void tautd_feed_tighten(struct tautd_feed *feed, int block, const struct tautd_exchange *x);

/** Ask for an output.  Any thread. */
void tautd_feed_want(struct tautd_feed *feed, int output, bool on);
/** Take a wanted output; the lock must be held.  @return false when none is wanted */
bool tautd_feed_wanted(struct tautd_feed *feed, int *output, bool *on);
struct tautd_ask tautd_feed_coil(const struct tautd_feed *feed, int output, bool on);
struct tautd_health *tautd_feed_health(struct tautd_feed *feed, int unit);

/** Add its counters to *sum.  Any thread. */
void tautd_feed_stats(struct tautd_feed *feed, struct tautd_bus_stats *sum);

/** Set up the calling thread: name, exact sleeping, and a real-time priority if one is asked for (0: none). A refusal is
 *  logged once. */
void tautd_feed_thread(const char *name, int priority);

#endif
