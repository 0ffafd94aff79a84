/** @file tcp.h  One connection to one unit of a Modbus TCP gateway, as a state machine that never blocks.
 *
 *  The frame is read here and not by libmodbus, which takes an answer from another unit for good, spends six system
 *  calls on one answer, and ends the process at descriptor 1024. The length is in the frame's header, so reading it
 *  is little; judging it is in frame.c.
 *
 *  Failure policy: after any failure but an exception the connection is of no more use, since a late answer would be
 *  read as the next one: the exchange says so (`lost`), and its owner closes it. */
#ifndef TAUTD_BUS_TCP_H
#define TAUTD_BUS_TCP_H

#include <netdb.h>

#include "bus/frame.h"
#include "config/config.h"

enum tautd_tcp_state { TAUTD_TCP_CLOSED, TAUTD_TCP_LOOKUP, TAUTD_TCP_CONNECTING, TAUTD_TCP_IDLE, TAUTD_TCP_ASKED };

enum tautd_tcp_news {
    TAUTD_TCP_NOTHING,
    TAUTD_TCP_CONNECTED,
    TAUTD_TCP_REFUSED,  /* could not connect: diag */
    TAUTD_TCP_ANSWERED, /* the exchange is over, well or badly: exchange */
    TAUTD_TCP_GONE      /* the other side closed, or spoke unasked: close */
};

struct tautd_tcp_lookup;

struct tautd_tcp {
    const struct tautd_line_config *line; /* borrowed */
    int epoll;                            /* its descriptors are watched there, with `tag` */
    uint32_t tag;
    enum tautd_tcp_state state;
    int fd;
    int64_t deadline_ns;             /* of connecting or of the answer, real */
    int64_t look_ns;                 /* call step at this real time at the latest; INT64_MAX when idle or closed */
    struct tautd_tcp_lookup *lookup; /* one that has not ended */
    struct addrinfo *address, *trying;
    uint16_t transaction;
    struct tautd_ask ask;
    struct tautd_exchange exchange;
    struct taut_diag diag;
    int size;
    uint8_t frame[300]; /* an answer has at most 260 bytes */
};

void tautd_tcp_init(struct tautd_tcp *tcp, const struct tautd_line_config *line, int epoll, uint32_t tag);

/** Begin to connect; news comes from tautd_tcp_step. The connection must be closed. */
void tautd_tcp_connect(struct tautd_tcp *tcp, double timeout_s);

/** Send a request; the connection must be idle.  @return ANSWERED when that failed at once, else NOTHING */
enum tautd_tcp_news tautd_tcp_ask(struct tautd_tcp *tcp, const struct tautd_ask *ask, double timeout_s);

/** Go on: the descriptor has something (`ready`), or it may be time. */
enum tautd_tcp_news tautd_tcp_step(struct tautd_tcp *tcp, bool ready);

void tautd_tcp_close(struct tautd_tcp *tcp);
/** Close, and let go of a look-up that has not ended. */
void tautd_tcp_destroy(struct tautd_tcp *tcp);

/** One exchange on a connection of its own, waiting for it.
 *  @return TAUT_OK when something was exchanged: then *exchange; else TAUT_E_IO or TAUT_E_TIMEOUT with diag */
TAUT_NODISCARD enum taut_status tautd_tcp_exchange(const struct tautd_line_config *line, const struct tautd_ask *ask,
                                                   double timeout_s, struct tautd_exchange *exchange, struct taut_diag *diag);

#endif
