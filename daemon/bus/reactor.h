/** @file reactor.h  One thread for all TCP connections: each unit has a connection, a schedule and a back-off of its own,
 *  and nothing in it ever blocks. (A thread for each cost five times the CPU and four times the memory.) */
#ifndef TAUTD_BUS_REACTOR_H
#define TAUTD_BUS_REACTOR_H

#include <stdatomic.h>

#include "bus/feed.h"
#include "bus/tcp.h"

enum tautd_peer_job { TAUTD_JOB_NONE, TAUTD_JOB_POLL, TAUTD_JOB_WRITE };

/** One unit of a TCP line. */
struct tautd_peer {
    struct tautd_feed feed;
    struct tautd_tcp tcp;
    int64_t open_after_ns; /* real time before which it is not connected again */
    enum tautd_peer_job job;
    int which; /* the block, or the output */
    bool on;   /* the coil's wanted state */
    int attempt;
};

struct tautd_reactor {
    struct tautd_peer *peer;
    int64_t *next_ns; /* per peer, real: when it needs attention */
    int peers, room;
    struct tautd_queue *queue; /* borrowed */
    int64_t wake_owed_ns;
    int epoll, nudge; /* nudge: an eventfd for stop and writes */
    pthread_t thread;
    bool started, coarse; /* coarse: no epoll_pwait2 here */
    atomic_bool stop;
};

/** Prepare for up to `room` units.  @return TAUT_E_MEMORY or TAUT_E_IO; destroy it in any case */
TAUT_NODISCARD enum taut_status tautd_reactor_init(struct tautd_reactor *reactor, int room, struct tautd_queue *queue);
/** Add a unit, before the start.  @return TAUT_E_MEMORY */
TAUT_NODISCARD enum taut_status tautd_reactor_add(struct tautd_reactor *reactor, const struct tautd_config *config,
                                                  int line_index, int unit, int64_t start_ns);
TAUT_NODISCARD enum taut_status tautd_reactor_start(struct tautd_reactor *reactor);
/** Ask it to end; returns at once. */
void tautd_reactor_stop(struct tautd_reactor *reactor);
/** Wait for its end, close all connections and free. */
void tautd_reactor_destroy(struct tautd_reactor *reactor);
void tautd_reactor_write(struct tautd_reactor *reactor, struct tautd_peer *peer, int output, bool on);

#endif
