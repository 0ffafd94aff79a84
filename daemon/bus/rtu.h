/** @file rtu.h  A serial line with its units. One thread owns it.
 *
 *  libmodbus opens the port and frames, with its own recovery off (it sleeps, and it hands out stale answers). A request
 *  has one absolute budget: with the byte time-out switched off libmodbus lets the response time-out govern the whole
 *  answer, so a unit that drips bytes holds the line no longer than a silent one. */
#ifndef TAUTD_BUS_RTU_H
#define TAUTD_BUS_RTU_H

#include <modbus/modbus.h>
#include <stdatomic.h>

#include "bus/frame.h"
#include "config/config.h"

struct tautd_rtu {
    const struct tautd_line_config *line; /* borrowed */
    const atomic_bool *stop;              /* waits end early when this is set; borrowed */
    modbus_t *modbus;
    int fd;        /* -1 when closed */
    uint64_t late; /* answers that came after their time-out */
    /* all in real time */
    int64_t char_ns, gap_ns; /* one character; silence between frames */
    int64_t quiet_from_ns;   /* the last byte on the line, ours or theirs */
    int64_t settle_until_ns; /* a late answer may still come */
};

void tautd_rtu_init(struct tautd_rtu *rtu, const struct tautd_line_config *line, const atomic_bool *stop);

/** Open the port; it must be closed.  @return TAUT_OK; TAUT_E_RANGE or TAUT_E_IO with a diag for a person */
TAUT_NODISCARD enum taut_status tautd_rtu_open(struct tautd_rtu *rtu, struct taut_diag *diag);

/** Wait for silence, ask, and collect the answer.
 *  @param timeout_s  for the answer's first byte; the characters' own time is added
 *  @param settle     when no answer comes keep the line quiet for line->settle_s, for a late one */
void tautd_rtu_ask(struct tautd_rtu *rtu, const struct tautd_ask *ask, double timeout_s, bool settle,
                   struct tautd_exchange *exchange);

void tautd_rtu_close(struct tautd_rtu *rtu);

#endif
