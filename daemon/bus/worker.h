/** @file worker.h  One thread: a serial line with all its units. */
#ifndef TAUTD_BUS_WORKER_H
#define TAUTD_BUS_WORKER_H

#include "bus/feed.h"
#include "bus/rtu.h"

struct tautd_worker {
    struct tautd_feed feed;
    struct tautd_rtu rtu;
    int64_t open_after_ns;  /* real time before which the port is not opened again */
    int64_t probe_after_ns; /* real time before which no unit that is away is asked */
    int64_t wake_owed_ns;
    pthread_t thread;
    bool started;
    pthread_cond_t wake; /* with feed.lock */
    atomic_bool stop;
};

/** Prepare; nothing runs yet.  @return TAUT_E_MEMORY; destroy it in any case */
TAUT_NODISCARD enum taut_status tautd_worker_init(struct tautd_worker *worker, const struct tautd_config *config, int line_index,
                                                  struct tautd_queue *queue, int64_t start_ns);
TAUT_NODISCARD enum taut_status tautd_worker_start(struct tautd_worker *worker);
/** Ask it to end; returns at once. */
void tautd_worker_stop(struct tautd_worker *worker);
/** Wait for its end and free what it holds. */
void tautd_worker_destroy(struct tautd_worker *worker);
void tautd_worker_write(struct tautd_worker *worker, int output, bool on);

#endif
