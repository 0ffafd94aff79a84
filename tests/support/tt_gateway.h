/** @file tt_gateway.h  A Modbus TCP gateway on loopback with any number of connections and a set latency. */
#ifndef TT_GATEWAY_H
#define TT_GATEWAY_H

#include <stdbool.h>
#include <stdint.h>

#include "tt_modbus.h"

struct tt_gateway;

struct tt_gateway_options {
    int port;         /* 0 = any */
    double latency_s; /* from request to answer */
    int registers;    /* how many each table has; 0 = 65536 */
    int log;          /* keep the arrival times of so many requests; 0 = none */
};

struct tt_gateway_counts {
    uint64_t connections, requests, answered, writes, others /* functions but 3, 4, 5 */;
    uint64_t answered_by[256];
    uint8_t last_request[12];
    uint16_t coil_address, coil_value; /* of the last write */
    int open;                          /* connections now */
};

/** One request's arrival, by connection in order of their opening. */
struct tt_arrival {
    int connection;
    int64_t at_ns; /* CLOCK_MONOTONIC */
};

struct tt_gateway *tt_gateway_start(const struct tt_gateway_options *options);
int tt_gateway_port(const struct tt_gateway *gateway);
/** Let unit `unit` (0: all) misbehave for the next `times` requests to it (-1: for ever). */
void tt_gateway_fault(struct tt_gateway *gateway, int unit, enum tt_fault fault, int argument, int times);
void tt_gateway_counts(struct tt_gateway *gateway, struct tt_gateway_counts *out);
/** Close the listening socket and all connections, or listen again on the same port. */
void tt_gateway_listen(struct tt_gateway *gateway, bool on);
/** Arrivals so far; borrowed until tt_gateway_stop, complete only when nobody sends any more. */
int tt_gateway_log(struct tt_gateway *gateway, const struct tt_arrival **log);
void tt_gateway_stop(struct tt_gateway *gateway);

#endif
