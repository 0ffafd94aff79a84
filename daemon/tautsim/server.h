/** @file server.h  The bench on sockets: Modbus TCP gateways, a serial line on a pseudo-terminal, and commands on
 *  standard input and a Unix socket. One thread, one epoll loop. */
#ifndef TAUTSIM_SERVER_H
#define TAUTSIM_SERVER_H

#include "bench.h"
#include "taut/diag.h"

struct tautsim_server_options {
    const char *listen;   /* IPv4 address of the gateways */
    int port;             /* first gateway's port, the next ones follow; -1 = as the scenario says */
    const char *rtu_link; /* name for the pseudo-terminal; NULL = no serial line */
    int rtu_gateway;      /* whose units are on the serial line */
    const char *control;  /* path of the control socket; NULL = none */
};

/** Serve until SIGINT or SIGTERM; says on standard output where it listens.
 *  @return TAUT_OK; TAUT_E_IO with *diag when an address, the link or the control socket can not be had */
TAUT_NODISCARD enum taut_status tautsim_server_run(struct tautsim_bench *bench, const struct tautsim_server_options *options,
                                                   struct taut_diag *diag);

/** Send one command to a control socket and print the reply.
 *  @return exit status: 0 done, 1 refused, 2 no such simulator */
int tautsim_server_ctl(const char *path, const char *command);

#endif
