/** @file diag.h  A finding that a person must be able to act on: where, what was found, what is allowed. */
#ifndef TAUT_DIAG_H
#define TAUT_DIAG_H

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

struct taut_diag {
    enum taut_status status;
    char file[128]; /* empty when no file is concerned */
    int line;       /* 1 is the first; 0 when not known */
    int column;     /* 1 is the first; 0 when not known */
    char text[256]; /* one sentence, no newline */
};

/** Fill a finding that belongs to no file.  Pure.
 *  @param diag    caller's storage; NULL is allowed and ignored
 *  @param status  kept in the finding and returned, so that `return taut_diag_set(...)` reads well
 *  @param format  printf format; a text that is too long is cut
 *  @return        status */
enum taut_status taut_diag_set(struct taut_diag *diag, enum taut_status status, const char *format, ...) TAUT_PRINTF(3, 4);

/** Write "file:line:column: text" (parts that are not known are left out).  Pure.
 *  @param out,size  caller's storage, size in bytes; always terminated when size > 0
 *  @return          out */
const char *taut_diag_print(const struct taut_diag *diag, char *out, unsigned long size);

#ifdef __cplusplus
}
#endif
#endif
