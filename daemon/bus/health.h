/** @file health.h  When a unit that does not answer is asked again.  Pure: times come in, in real ns.
 *
 *  On a shared line every unanswered request costs the other units its time-out. So a unit is left alone after
 *  TAUTD_AWAY_AFTER failures in a row, and asked again so rarely that all such units of a line together take at
 *  most one part in eleven of its time. A unit that has answered before is tried with a short time-out, four times
 *  its slowest answer, three times out of four: then it costs little and is found again soon. */
#ifndef TAUTD_BUS_HEALTH_H
#define TAUTD_BUS_HEALTH_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/sample.h"

enum { TAUTD_AWAY_AFTER = 3 };

struct tautd_health {
    int id;       /* unit address */
    int failures; /* in a row */
    bool away;    /* left alone until retry_ns */
    unsigned tries;
    int64_t retry_ns;
    int64_t slowest_ns;      /* slowest good answer; 0 when it never gave one */
    enum taut_reason reason; /* of the last failure */
    uint8_t exception;
};

/** The unit answered (an exception is an answer) after took_ns.  @return true when it had been away */
bool tautd_health_good(struct tautd_health *health, int64_t took_ns);

/** It did not.  @return true when it is left alone from now on */
bool tautd_health_failed(struct tautd_health *health, enum taut_reason reason, uint8_t exception);

/** How long to leave it alone after a try that kept the line busy for cost_ns.
 *  @param away     how many units of this line are away, this one included
 *  @param present  how many are not; with none there is nobody to be slowed
 *  @param most_ns  never longer than this */
int64_t tautd_health_pause_ns(int64_t cost_ns, int away, int present, int64_t most_ns);

/** Time-out of the next request to it, s. Counts the try. */
double tautd_health_timeout_s(struct tautd_health *health, double timeout_s);

/** Pause before a TCP connection is tried again after `failures` in a row: none, then 1, 2, 4 ... most_ns. */
int64_t tautd_health_reconnect_ns(int failures, int64_t most_ns);

#endif
