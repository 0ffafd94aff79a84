/** @file worker.h  One thread: a serial line with all its units, or one unit of a TCP line. */
#ifndef TAUTD_BUS_WORKER_H
#define TAUTD_BUS_WORKER_H

#include "bus/health.h"
#include "bus/link.h"
#include "bus/plan.h"
#include "bus/queue.h"

enum { TAUTD_BUSY_BINS = 10, TAUTD_UNITS_MAX = 256 };

struct tautd_worker {
    const struct tautd_config *config; /* borrowed */
    const struct tautd_line_config *line;
    struct tautd_queue *queue; /* borrowed */
    int line_index;
    int unit; /* TCP: the one unit; RTU: -1 */
    struct tautd_link link;
    struct tautd_plan plan;
    struct tautd_health *health; /* one per unit */
    int units;
    int64_t open_after_ns;  /* real time before which the line is not opened again */
    int64_t probe_after_ns; /* real time before which no unit that is away is asked */
    int64_t wake_owed_ns;   /* real time at which the queue's reader must be woken; 0 = nothing owed */
    bool up;

    pthread_t thread;
    bool started;
    pthread_mutex_t lock;
    pthread_cond_t wake;
    atomic_bool stop;
    signed char *want;                /* per output: -1 nothing, 0 off, 1 on; guarded by lock */
    int wanted;                       /* how many are not -1; guarded by lock */
    struct tautd_bus_stats stats;     /* guarded by lock */
    int64_t busy_ns[TAUTD_BUSY_BINS]; /* guarded by lock */
    int64_t busy_second[TAUTD_BUSY_BINS];
};

/** Prepare; nothing runs yet.  @return TAUT_E_MEMORY */
TAUT_NODISCARD enum taut_status tautd_worker_init(struct tautd_worker *worker, const struct tautd_config *config, int line_index,
                                                  int unit, struct tautd_queue *queue, int64_t start_ns);
TAUT_NODISCARD enum taut_status tautd_worker_start(struct tautd_worker *worker);
/** Ask it to end; returns at once. */
void tautd_worker_stop(struct tautd_worker *worker);
/** Wait for its end and free what it holds. */
void tautd_worker_destroy(struct tautd_worker *worker);

void tautd_worker_write(struct tautd_worker *worker, int output, bool on);
/** Add its counters to *sum. */
void tautd_worker_stats(struct tautd_worker *worker, struct tautd_bus_stats *sum);

#endif
