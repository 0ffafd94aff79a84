/** @file clock.h  The daemon's clocks, and a faster one for a simulated bench.
 *
 *  With a factor of 20 all daemon time (monotonic and wall) runs twenty times as fast as real time, together
 *  with a simulator at the same factor. Waiting for a device (time-outs) stays in real time. */
#ifndef TAUTD_CLOCK_H
#define TAUTD_CLOCK_H

#include <stdint.h>

/** Set once, before any thread is started; 1 is real time. */
void tautd_clock_set_factor(double factor);
double tautd_clock_factor(void);

/** Monotonic daemon time, ns.  Thread-safe. */
int64_t tautd_clock_mono_ns(void);
/** Wall-clock daemon time, ns since 1970.  Thread-safe.  With factor 1 this is CLOCK_REALTIME, steps included. */
int64_t tautd_clock_wall_ns(void);
/** CLOCK_MONOTONIC in real ns, for time-outs. */
int64_t tautd_clock_real_ns(void);
/** The real (CLOCK_MONOTONIC) time at which daemon monotonic time reaches `mono_ns`: an absolute deadline for
 *  clock_nanosleep, timerfd or pthread_cond_clockwait. */
int64_t tautd_clock_real_deadline_ns(int64_t mono_ns);

#endif
