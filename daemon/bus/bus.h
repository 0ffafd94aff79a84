/** @file bus.h  Polling: one worker thread per serial line, one per TCP connection (gateway and unit).
 *
 *  Failure policy: a worker that can not get an answer says so (a reading with quality bad and the reason, one
 *  per channel and period, also while it is left alone or the line is down) and goes on. Nothing is
 *  repeated, nothing is guessed. No device is ever written to but through tautd_bus_write for a configured output.
 *
 *  Threads: all functions here are called from the main loop only, unless stated. */
#ifndef TAUTD_BUS_H
#define TAUTD_BUS_H

#include <stdbool.h>
#include <stdint.h>

#include "config/config.h"
#include "taut/sample.h"
#include "taut/status.h"

struct tautd_bus;

/** One transfer's outcome for one channel. */
struct tautd_reading {
    int channel;               /* index into config->channel; -1 - output for the outcome of a write */
    int64_t mono_ns;           /* daemon time, middle of request and answer */
    int64_t half_ns;           /* half of their distance: the time uncertainty */
    double number;             /* decoded, before scale and offset; NaN when bad */
    enum taut_quality quality; /* good or bad */
    enum taut_reason reason;
    uint8_t exception; /* Modbus exception code with TAUT_REASON_EXCEPTION */
    bool written;      /* for a write: done */
};

/** Counters of one line, for the API and the tests. Snapshot. */
struct tautd_bus_stats {
    uint64_t requests, answers, timeouts, exceptions, bad_frames, reconnects, late, lost /* queue full */;
    uint64_t skipped; /* periods that passed while the line was busy */
    double busy_frac; /* share of the last 10 s that an exchange was under way */
    bool up;
};

/** Start the workers for a configuration (borrowed until tautd_bus_free).
 *  Never fails because a device is not there: that is a reading.
 *  @return NULL only for want of memory or threads, with *diag */
struct tautd_bus *tautd_bus_new(const struct tautd_config *config, struct taut_diag *diag);

/** Descriptor that is readable when readings wait. */
int tautd_bus_fd(const struct tautd_bus *bus);

/** Take waiting readings in order of arrival.  @return how many, at most `most`; fewer than `most` = none left */
int tautd_bus_take(struct tautd_bus *bus, struct tautd_reading *out, int most);

/** Ask for an output's coil to be switched (`on` is the coil's state; which state opens a valve is the caller's
 *  matter). Sent ahead of polls, once more if it fails; the outcome comes as a reading with channel -1 - output.
 *  Newest wins.  @return TAUT_OK, TAUT_E_ARG no such output, TAUT_E_NOENT its line is not polled */
enum taut_status tautd_bus_write(struct tautd_bus *bus, int output, bool on);

/** Counters of line `line`. */
void tautd_bus_stats(const struct tautd_bus *bus, int line, struct tautd_bus_stats *out);

/** Stop all workers (at most one time-out) and free. NULL is allowed. */
void tautd_bus_free(struct tautd_bus *bus);

/** Read `count` registers once, outside of any running bus (for `tautctl probe`): opens the line, one exchange,
 *  closes.  @param table  enum tautd_table
 *  @return TAUT_OK; TAUT_E_IO, TAUT_E_TIMEOUT, TAUT_E_PEER with a diag that says what was seen */
TAUT_NODISCARD enum taut_status tautd_bus_probe(const struct tautd_line_config *line, int unit, int table, int reg, int count,
                                                uint16_t *registers, struct taut_diag *diag);

#endif
