/** @file live.h  Server-sent events: who listens, what they have seen, what they are still owed.
 *
 *  Every event carries a station's whole summary, so that one missed event loses nothing. Of sweeps only the newest of
 *  each station is kept: a slow reader skips, and nobody waits for it. Other events stay for a while, so that a
 *  listener that was cut off gets them by Last-Event-ID. */
#ifndef TAUTD_WEB_LIVE_H
#define TAUTD_WEB_LIVE_H

#include <microhttpd.h>
#include <stdint.h>

#include "web/api.h"

struct tautd_live;

/** The host is borrowed until free.  @return NULL for want of memory */
struct tautd_live *tautd_live_new(const struct tautd_api_host *host);

/** Note that something happened; anything but a sweep is drawn at once. */
void tautd_live_publish(struct tautd_live *live, int station, const char *what);

/** Draw the sweeps that are due and wake the listeners that are owed something. */
void tautd_live_run(struct tautd_live *live);

/** Real ms until tautd_live_run has something to do; -1 for no bound. */
int tautd_live_timeout_ms(const struct tautd_live *live);

/** Room for another listener? */
bool tautd_live_has_room(const struct tautd_live *live);

/** Answer a request with the stream.
 *  @param station   only this one; -1 for all
 *  @param seen      Last-Event-ID as sent, or NULL
 *  @param response  receives the answer, to be queued and destroyed by the caller
 *  @return          TAUT_OK; TAUT_E_FULL too many listeners; TAUT_E_MEMORY */
TAUT_NODISCARD enum taut_status tautd_live_attach(struct tautd_live *live, struct MHD_Connection *connection, int station,
                                                  const char *seen, struct MHD_Response **response);

/** End all streams: they finish at the next run of their listener. */
void tautd_live_end(struct tautd_live *live);

/** After MHD has let go of all streams. NULL is allowed. */
void tautd_live_free(struct tautd_live *live);

#endif
