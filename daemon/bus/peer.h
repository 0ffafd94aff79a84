/** @file peer.h  One unit behind a TCP gateway: a connection of its own, a schedule of its own. A state machine that
 *  never blocks; the poller owns it and calls it when its time has come or its descriptor has something. */
#ifndef TAUTD_BUS_PEER_H
#define TAUTD_BUS_PEER_H

#include <stdbool.h>

#include "bus/bus.h"
#include "bus/frame.h"
#include "bus/health.h"
#include "bus/plan.h"
#include "bus/queue.h"

struct addrinfo;
struct tautd_lookup;

enum { TAUTD_PEER_FRAME = 260 + 8, TAUTD_POLLER_BATCH = 128 };

/** What all peers of a poller share. */
struct tautd_peer_world {
    const struct tautd_config *config; /* borrowed */
    struct tautd_queue *queue;         /* borrowed */
    int epoll;
    struct tautd_reading batch[TAUTD_POLLER_BATCH]; /* readings on their way to the queue */
    int batched;
    int64_t wake_owed_ns; /* real time at which the queue's reader must be woken; 0 = nothing owed */
};

enum tautd_peer_state {
    TAUTD_PEER_DOWN,       /* until open_after_ns */
    TAUTD_PEER_RESOLVING,  /* a name look-up runs beside us */
    TAUTD_PEER_CONNECTING, /* until deadline_ns */
    TAUTD_PEER_READY,      /* connected, nothing asked */
    TAUTD_PEER_ASKING      /* an answer is awaited until deadline_ns */
};

struct tautd_peer {
    struct tautd_peer_world *world;
    const struct tautd_line_config *line;
    int line_index, unit;
    enum tautd_peer_state state;
    int fd;
    int64_t deadline_ns, open_after_ns; /* real time */
    int64_t next_ns;                    /* real time at which it wants to be called; INT64_MAX for never */
    int heap_index;                     /* its place in the poller's heap */
    struct tautd_plan plan;
    struct tautd_health health;
    struct tautd_lookup *lookup;
    struct addrinfo *addresses, *address; /* all found, and the one being tried */
    /* the request under way */
    struct tautd_ask ask;
    int asked_block;  /* index, or -1 for a write */
    int asked_output; /* for a write */
    int write_tries;
    uint16_t transaction;
    int64_t sent_ns, sent_real_ns;
    uint8_t frame[TAUTD_PEER_FRAME];
    int got; /* bytes of the answer so far */
    /* writes that wait: per output of the configuration -1 nothing, 0 off, 1 on; NULL when it has no outputs */
    signed char *want;
    int wanted;
    struct tautd_bus_stats stats;
    int64_t busy_ns[10], busy_second[10]; /* of the last seconds */
};

/** @return TAUT_E_MEMORY */
TAUT_NODISCARD enum taut_status tautd_peer_init(struct tautd_peer *peer, struct tautd_peer_world *world, int line, int unit,
                                                int64_t start_ns);
/** Its time has come: connect, give up waiting, ask what is due. Sets next_ns. */
void tautd_peer_turn(struct tautd_peer *peer, int64_t now_ns);
/** Its descriptor is ready. Sets next_ns. */
void tautd_peer_ready(struct tautd_peer *peer, unsigned events, int64_t now_ns);
/** An output is to be driven; newest wins. Sets next_ns. */
void tautd_peer_want(struct tautd_peer *peer, int output, bool on);
void tautd_peer_destroy(struct tautd_peer *peer);
/** Hand the batched readings to the queue. */
void tautd_peer_hand_over(struct tautd_peer_world *world);

#endif
