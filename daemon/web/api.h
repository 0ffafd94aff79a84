/** @file api.h  HTTP/JSON over a Unix socket and, if configured, loopback TCP; live values as server-sent events.
 *
 *  SIGPIPE must be ignored by the program.
 *  Runs inside the main loop (one epoll descriptor per listener); never blocks. It sees the daemon only through
 *  struct tautd_api_host, so it can be tested with a made-up host. */
#ifndef TAUTD_API_H
#define TAUTD_API_H

#include <stdbool.h>
#include <stdint.h>

#include "bus/bus.h"
#include "config/config.h"
#include "taut/diag.h"
#include "taut/station.h"
#include "taut/status.h"

/** Who is asking. */
struct tautd_api_peer {
    bool local; /* over the Unix socket; then uid and gid are the kernel's word */
    unsigned uid, gid;
    char name[TAUT_WHO_MAX]; /* account name, or "tcp" */
};

/** Live state of one channel. */
struct tautd_channel_live {
    struct taut_sample sample;
    int64_t mono_ns;
    double number; /* as decoded */
    uint8_t exception;
    uint64_t good, bad;
};

/** What the daemon lends to the API. All pointers stay owned by the daemon and are read on the loop thread only. */
struct tautd_api_host {
    void *ctx;
    const struct tautd_config *(*config)(void *ctx);
    const struct taut_station *(*station)(void *ctx, int index);
    const struct tautd_channel_live *(*channel)(void *ctx, int index);
    void (*line_stats)(void *ctx, int line, struct tautd_bus_stats *out);
    const char *(*folder)(void *ctx, int station); /* path of the open run; NULL when none */
    uint64_t (*rows)(void *ctx, int station);      /* trace rows written (by write()) in the open run */
    /** Give a command. For START: part, recipe name (or "" for the station's default) in the arguments. */
    enum taut_status (*command)(void *ctx, int station, const struct taut_command *command, const char *part, const char *recipe,
                                const struct tautd_api_peer *peer, struct taut_diag *diag);
    int64_t (*uptime_ns)(void *ctx);
};

struct tautd_api;

/** Open the listeners of `config->api`.  *host is copied; its ctx is borrowed until free.  @return NULL with *diag */
struct tautd_api *tautd_api_new(const struct tautd_config *config, const struct tautd_api_host *host, struct taut_diag *diag);

/** TCP port in use (useful when the configuration says 0: any); 0 when there is no TCP listener. */
int tautd_api_port(const struct tautd_api *api);

/** Descriptors for the main loop's epoll (level-triggered, readable); at most 4. @return how many */
int tautd_api_fds(const struct tautd_api *api, int *fds, int most);

/** Nobody is connected: tautd_api_run has nothing to do until a descriptor is readable. */
bool tautd_api_idle(const struct tautd_api *api);

/** Longest time the loop may sleep, in real ms; -1 for no bound. */
int tautd_api_timeout_ms(const struct tautd_api *api);

/** Serve what is waiting. Call when a descriptor is readable, when the time-out ran out, and after tautd_api_publish. */
void tautd_api_run(struct tautd_api *api);

/** Something changed: send events to the listeners of /v1/live. `what` is "sweep", "phase", "alarm", "verdict", ...;
 *  sweeps are thinned to ten a second of real time per station. */
void tautd_api_publish(struct tautd_api *api, int station, const char *what);

/** Finish open answers (at most a second) and free. NULL is allowed. */
void tautd_api_free(struct tautd_api *api);

#endif
