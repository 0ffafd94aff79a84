/** @file text.h  Building text in the caller's buffer, without heap and without silent loss. */
#ifndef TAUT_TEXT_H
#define TAUT_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** A text under construction. `full` is set when something did not fit; what was there before stays and the
 *  buffer is always terminated. */
struct taut_text {
    char *at;        /* caller's storage */
    size_t length;   /* bytes used, without the final NUL */
    size_t capacity; /* bytes of storage, with the final NUL; at least 1 */
    bool full;
};

/** Start an empty text in `storage` of `capacity` bytes (at least 1).  The storage is borrowed. */
void taut_text_init(struct taut_text *text, char *storage, size_t capacity);

/** Append `n` bytes.  All or nothing: on overflow nothing is added and `full` is set. */
void taut_text_add_bytes(struct taut_text *text, const char *bytes, size_t n);

/** Append a C string. */
void taut_text_add(struct taut_text *text, const char *string);

/** Append one character. */
void taut_text_add_char(struct taut_text *text, char c);

/** Append printf-style. */
void taut_text_addf(struct taut_text *text, const char *format, ...) TAUT_PRINTF(2, 3);

/** Append `value` in thousandths as a decimal with exactly three places: -1 gives "-0.001".  Fast path of the
 *  trace: no printf. */
void taut_text_add_thousandths(struct taut_text *text, int64_t value);

/** Append a double so that reading it back gives the same bits ("%.17g" at most); a value that is not finite
 *  becomes `null`, as JSON needs. */
void taut_text_add_double(struct taut_text *text, double value);

/** Append `string` as a JSON string with its quotes, escaped after RFC 8259; bytes that are not UTF-8 become U+FFFD. */
void taut_text_add_json_string(struct taut_text *text, const char *string);

/** Append `string` as it may be shown on a terminal: control characters and bytes that are not UTF-8 become '?'. What
 *  does not fit is left out from there on (never half a character) and `full` is set. */
void taut_text_add_printable(struct taut_text *text, const char *string);

/** Is `string` UTF-8 (RFC 3629) all through?  Pure. */
bool taut_text_is_utf8(const char *string);

#ifdef __cplusplus
}
#endif
#endif
