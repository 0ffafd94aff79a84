/** @file client.h  Asking the daemon over its Unix socket. Every question has a time-out. */
#ifndef TAUTCTL_CLIENT_H
#define TAUTCTL_CLIENT_H

#include <cjson/cJSON.h>
#include <stdbool.h>
#include <stddef.h>

/** Ask for `path`, such as "/v1/status".  Trouble is told on stderr.
 *  @param raw  receives the body as sent (free it); NULL when not wanted
 *  @param out  receives the parsed body (cJSON_Delete); NULL when not wanted
 *  @return     TAUTCTL_OK, TAUTCTL_REFUSED, TAUTCTL_UNREACHABLE or TAUTCTL_TROUBLE; nothing is received on failure */
int tautctl_get(const char *path, char **raw, cJSON **out);

/** The same with a JSON body to be posted. */
int tautctl_post(const char *path, const cJSON *body, cJSON **out);

/** One event of a stream; `data` is valid during the call.  @return false to end the stream */
typedef bool tautctl_event(void *ctx, const char *name, const char *data);

/** Follow the server-sent events of `path` until `each` returns false.
 *  @return TAUTCTL_OK when `each` ended it; else as above (TAUTCTL_UNREACHABLE also when the daemon goes away) */
int tautctl_follow(const char *path, tautctl_event *each, void *ctx);

/** "/v1/stations/NAME" or "/v1/stations/NAME/WHAT" into `out`.
 *  @return false when it can not be a station's name (letters, digits, '.', '_', '-'; under 40 bytes) */
bool tautctl_station_path(const char *station, const char *what, char *out, size_t size);

/** Text of a key, or "" when it is missing or null. */
const char *tautctl_text(const cJSON *object, const char *key);
/** Number of a key, or NaN. */
double tautctl_number(const cJSON *object, const char *key);
bool tautctl_flag(const cJSON *object, const char *key);

#endif
