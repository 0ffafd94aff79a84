/** @file queue.h  Readings on their way from the workers to the main loop.
 *
 *  Bounded, never blocking: what does not fit is counted. The main loop is woken at most once per TAUTD_QUEUE_HOLD_NS
 *  of a steady stream, since a wake-up costs more than a reading; a lone reading wakes it at once.
 *  Thread-safe, many writers, one reader. */
#ifndef TAUTD_BUS_QUEUE_H
#define TAUTD_BUS_QUEUE_H

#include <pthread.h>

#include "bus/bus.h"

/* Real time; less than the 5 ms within which the main loop takes readings of one station for one moment. */
#define TAUTD_QUEUE_HOLD_NS INT64_C(4000000)

struct tautd_queue {
    pthread_mutex_t lock;
    struct tautd_reading *slot;
    unsigned size, head, used; /* guarded by lock */
    int64_t told_ns;           /* when the reader was last woken, real; guarded by lock */
    bool told;                 /* a wake-up is on its way or owed by a writer; guarded by lock */
    int fd;
};

/** @return TAUT_E_MEMORY or TAUT_E_IO; then nothing is held */
TAUT_NODISCARD enum taut_status tautd_queue_open(struct tautd_queue *queue, unsigned size);
void tautd_queue_close(struct tautd_queue *queue);

/** Append.
 *  @param lost  how many did not fit
 *  @return      0, or the real time at which the caller owes a call of tautd_queue_wake */
int64_t tautd_queue_push(struct tautd_queue *queue, const struct tautd_reading *reading, int n, int *lost);

/** Wake the reader: owed by the writer to whom tautd_queue_push gave a time. */
void tautd_queue_wake(struct tautd_queue *queue);

/** Take up to `most`, oldest first; fewer than `most` means that none is left. The descriptor stays readable as long as
 *  some are. */
int tautd_queue_take(struct tautd_queue *queue, struct tautd_reading *out, int most);

#endif
