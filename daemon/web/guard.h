/** @file guard.h  Who may ask, and is the question well formed?  Pure; no I/O. */
#ifndef TAUTD_WEB_GUARD_H
#define TAUTD_WEB_GUARD_H

#include <stdbool.h>
#include <stddef.h>

/** Does a Host header name this machine's loopback: "localhost", 127.x.x.x or [::1], each with or without a port?
 *  Anything else may be a foreign page's name that was made to point here (DNS rebinding). */
bool tautd_guard_host(const char *host);

/** Is an Origin header "http://<host>" or "https://<host>" (the latter behind a proxy)?  "null" is not. */
bool tautd_guard_origin(const char *origin, const char *host);

/** May a raw request target be looked at: begins with '/', printable ASCII, no "%00", at most TAUTD_GUARD_TARGET_MAX bytes. */
enum { TAUTD_GUARD_TARGET_MAX = 1024 };
bool tautd_guard_target(const char *target);

/** Is it text for people: UTF-8 without control characters (also not U+0080 to U+009F)? */
bool tautd_guard_text(const char *text);

#endif
