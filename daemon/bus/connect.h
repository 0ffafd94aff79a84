/** @file connect.h  A TCP connection without waiting: names are looked up beside us, connecting goes on by itself. */
#ifndef TAUTD_BUS_CONNECT_H
#define TAUTD_BUS_CONNECT_H

#include <netdb.h>
#include <stdint.h>

#include "config/config.h"

struct tautd_lookup;

/** Addresses of a host: at once for a numeric one, else a look-up is started or asked after.
 *  @param lookup  NULL at first; kept by the caller while a look-up runs
 *  @return 0 with *out (freeaddrinfo), EAI_INPROGRESS while it runs, or another EAI code */
int tautd_connect_resolve(const struct tautd_line_config *line, struct tautd_lookup **lookup, struct addrinfo **out);

/** Let go of a look-up that has not ended. NULL is allowed. */
void tautd_connect_forget(struct tautd_lookup *lookup);

/** Begin to connect; the descriptor does not block.
 *  @param error  0 when connected, EINPROGRESS while it goes on, else what went wrong
 *  @return descriptor, or -1 */
int tautd_connect_begin(const struct addrinfo *to, double timeout_s, int *error);

/** What a person should look at. */
const char *tautd_connect_why(int error);

#endif
