/** @file poller.h  One thread for all TCP connections. Every unit keeps its own schedule: a silent gateway holds up
 *  nobody. */
#ifndef TAUTD_BUS_POLLER_H
#define TAUTD_BUS_POLLER_H

#include "bus/bus.h"
#include "bus/queue.h"

struct tautd_poller;

/** Prepare the units of all TCP lines and start the thread; signals must be blocked.
 *  With no such unit no thread is started.
 *  @return NULL for want of memory, descriptors or a thread */
struct tautd_poller *tautd_poller_new(const struct tautd_config *config, struct tautd_queue *queue, int64_t start_ns);

/** @return TAUT_E_NOENT when the output is on no TCP line */
enum taut_status tautd_poller_write(struct tautd_poller *poller, int output, bool on);

/** Add the counters of one line to *sum.  @return how many units it has */
int tautd_poller_stats(struct tautd_poller *poller, int line, struct tautd_bus_stats *sum);

/** End the thread and free. NULL is allowed. */
void tautd_poller_free(struct tautd_poller *poller);

#endif
