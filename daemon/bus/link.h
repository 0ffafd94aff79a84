/** @file link.h  One way to units: a serial line or a TCP connection. One thread owns it.
 *
 *  libmodbus does the framing, with its own recovery off (it sleeps, and it hands out stale answers). A request has
 *  one absolute budget: with the byte time-out switched off libmodbus lets the response time-out govern the whole
 *  answer, so a peer that drips bytes holds a request no longer than a silent one. */
#ifndef TAUTD_BUS_LINK_H
#define TAUTD_BUS_LINK_H

#include <modbus/modbus.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>

#include "bus/frame.h"
#include "config/config.h"

/** One exchange: the answer, when it was, and what it did to the link. */
struct tautd_exchange {
    struct tautd_answer answer;
    int64_t sent_ns, got_ns;           /* daemon time */
    int64_t sent_real_ns, got_real_ns; /* real time */
    bool lost;                         /* the link is of no more use: close it */
    bool partial;                      /* something came, but no whole frame */
    int error;                         /* errno as seen, for a person */
};

struct tautd_link {
    const struct tautd_line_config *line; /* borrowed */
    const atomic_bool *stop;              /* waits end early when this is set */
    modbus_t *modbus;
    pthread_mutex_t lock; /* guards fd between the owner and tautd_link_interrupt */
    int fd;               /* -1 when closed */
    uint64_t late;        /* answers that came after their time-out */
    /* rtu, all in real time */
    int64_t char_ns, gap_ns; /* one character; silence between frames */
    int64_t quiet_from_ns;   /* the last byte on the line, ours or theirs */
    int64_t settle_until_ns; /* a late answer may still come */
    /* tcp */
    uint16_t transaction;
    void *resolving; /* a name look-up that has not ended, see tcp.c */
};

/** How a kind of line works. Errors of open are for a person. */
struct tautd_link_kind {
    enum taut_status (*open)(struct tautd_link *link, double timeout_s, struct taut_diag *diag);
    /** @param settle  after a failure keep the line quiet for line->settle_s, for a late answer */
    void (*ask)(struct tautd_link *link, const struct tautd_ask *ask, double timeout_s, bool settle,
                struct tautd_exchange *exchange);
};

extern const struct tautd_link_kind tautd_link_rtu, tautd_link_tcp;

void tautd_link_init(struct tautd_link *link, const struct tautd_line_config *line, const atomic_bool *stop);
/** Open; the link must be closed.  @return TAUT_OK, or TAUT_E_IO / TAUT_E_TIMEOUT with diag */
TAUT_NODISCARD enum taut_status tautd_link_open(struct tautd_link *link, double timeout_s, struct taut_diag *diag);
void tautd_link_ask(struct tautd_link *link, const struct tautd_ask *ask, double timeout_s, bool settle,
                    struct tautd_exchange *exchange);
void tautd_link_close(struct tautd_link *link);
/** End a wait of the owner's on a TCP connection.  Any thread. */
void tautd_link_interrupt(struct tautd_link *link);
void tautd_link_destroy(struct tautd_link *link);

/* For the kinds. */
/** Take over a connected descriptor; refuses one that select() could not watch (libmodbus would abort). */
TAUT_NODISCARD enum taut_status tautd_link_adopt(struct tautd_link *link, int fd, struct taut_diag *diag);
/** Collect one answer within the budget.  @return bytes, 0 for a frame of another serial unit, or -1 with errno */
int tautd_link_collect(struct tautd_link *link, double budget_s, uint8_t *adu);
/** Fill in the exchange after a failed system call or time-out. */
void tautd_link_failed(struct tautd_exchange *exchange, int error);
int64_t tautd_link_ns(double s);
/** Let go of a look-up that has not ended. */
void tautd_link_forget_lookup(struct tautd_link *link);

#endif
