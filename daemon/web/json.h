/** @file json.h  A small JSON writer over taut_text: commas and keys in one place, nothing allocated. */
#ifndef TAUTD_WEB_JSON_H
#define TAUTD_WEB_JSON_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/text.h"

struct tautd_json {
    struct taut_text *borrowed_text;
    bool comma; /* something stands before the next value on this level */
};

/** `key` is NULL inside an array and at the top.  `bracket` is '{' or '[' and its partner. */
void tautd_json_open(struct tautd_json *json, const char *key, char bracket);
void tautd_json_close(struct tautd_json *json, char bracket);
/** NULL becomes null. */
void tautd_json_string(struct tautd_json *json, const char *key, const char *value);
/** Nine significant digits; what is not finite becomes null. */
void tautd_json_number(struct tautd_json *json, const char *key, double value);
void tautd_json_whole(struct tautd_json *json, const char *key, int64_t value);
void tautd_json_count(struct tautd_json *json, const char *key, uint64_t value);
void tautd_json_flag(struct tautd_json *json, const char *key, bool value);
/** RFC 3339 time, or null when wall_ns is 0. */
void tautd_json_time(struct tautd_json *json, const char *key, int64_t wall_ns);

#endif
