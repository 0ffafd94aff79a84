/** @file print.h  The scenario as text: a matching part of taut.yaml, or a table of what it does over time. */
#ifndef TAUTSIM_PRINT_H
#define TAUTSIM_PRINT_H

#include <stdio.h>

#include "bench.h"

/** Lines, channels and outputs of a taut.yaml that reads this bench.
 *  @param host,port  where the first gateway will be; the next ones follow as in the scenario
 *  @param rtu_link   name of the serial line, NULL = gateways over TCP */
void tautsim_print_channels(const struct tautsim_scenario *scenario, const char *host, int port, const char *rtu_link,
                            int rtu_gateway, FILE *out);

/** Run the bench for `seconds` as fast as it goes and write the readings every `every_s` as CSV (RFC 4180): time_s,
 *  then a column per sensor (empty when open or shorted), then the true vent pressure of each bag. */
void tautsim_print_table(struct tautsim_bench *bench, double seconds, double every_s, FILE *out);

#endif
