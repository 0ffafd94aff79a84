/** @file time.h  Wall-clock text.  There is no clock here: callers pass nanoseconds in.
 *
 *  Durations and slopes use the time since a run began (int64 ns, from the monotonic clock); wall time, int64
 *  ns since 1970-01-01T00:00:00Z without leap seconds, is for people and records only. */
#ifndef TAUT_TIME_H
#define TAUT_TIME_H

#include <stddef.h>
#include <stdint.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_TIME_TEXT_MAX = 32 };

/** Write "2026-11-25T08:26:44.120Z" (RFC 3339, UTC, milliseconds, rounded down).  Pure.
 *  @param wall_ns  years 0001 to 9999; outside them the nearest is written
 *  @param out      at least TAUT_TIME_TEXT_MAX bytes, terminated */
void taut_time_print(int64_t wall_ns, char out[TAUT_TIME_TEXT_MAX]);

/** Read an RFC 3339 date-time.  A leap second counts as the second after it.  Pure.
 *  @return TAUT_OK; TAUT_E_FORMAT not the RFC's grammar; TAUT_E_RANGE no such day or hour; then *wall_ns is untouched */
TAUT_NODISCARD enum taut_status taut_time_parse(const char *text, int64_t *wall_ns);

#ifdef __cplusplus
}
#endif
#endif
