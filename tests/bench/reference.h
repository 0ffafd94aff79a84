/* The least C programs that do what the bus does, to measure it against: own framing, no checks, no recovery. */
#ifndef REFERENCE_H
#define REFERENCE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

/* One serial line polled as fast as t3.5 allows by a thread of its own. */
struct reference_rtu;
struct reference_rtu *reference_rtu_start(const char *device, int baud, int bits, int units, int registers);
void reference_rtu_stop(struct reference_rtu *reference);

/* N connections to a gateway polled by one thread over epoll: each again as soon as it answered, or all of them at every
 * period. */
struct reference_tcp;
struct reference_tcp *reference_tcp_start(int port, int connections, double period_s /* 0: at once */, bool real_time);
uint64_t reference_tcp_answers(const struct reference_tcp *reference);
void reference_tcp_stop(struct reference_tcp *reference);

#endif
