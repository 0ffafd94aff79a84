/** @file json.h  Writing JSON (RFC 8259) into a text: one line for the journal, indented for people to read. */
#ifndef TAUT_RECORD_JSON_H
#define TAUT_RECORD_JSON_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/text.h"

/** A JSON text under construction; keeps commas and indentation right. */
struct taut_json {
    struct taut_text *text; /* borrowed */
    bool indented;
    bool first; /* no member yet in the open object or array */
    int depth;
};

/** Begin an object '{' or an array '['.
 *  @param key  name of the member; NULL inside an array and for the outermost */
void taut_json_begin(struct taut_json *json, const char *key, char bracket);
/** End it with '}' or ']'. */
void taut_json_end(struct taut_json *json, char bracket);

void taut_json_string(struct taut_json *json, const char *key, const char *value);
/** `null` when the string is empty. */
void taut_json_string_or_null(struct taut_json *json, const char *key, const char *value);
void taut_json_bool(struct taut_json *json, const char *key, bool value);
void taut_json_whole(struct taut_json *json, const char *key, int64_t value);
/** Reads back to the same bits; `null` when not finite. */
void taut_json_double(struct taut_json *json, const char *key, double value);
/** Rounded for people; `null` when not finite. */
void taut_json_rounded(struct taut_json *json, const char *key, double value, int decimals);
/** Nanoseconds as seconds: three decimals for whole milliseconds, else nine. */
void taut_json_seconds(struct taut_json *json, const char *key, int64_t ns);
/** Wall time, RFC 3339. */
void taut_json_time(struct taut_json *json, const char *key, int64_t wall_ns);

#endif
