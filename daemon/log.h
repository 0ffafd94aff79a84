/** @file log.h  Log lines to stderr with systemd's "<level>" prefix when the journal reads them, rate-limited per
 *  call site's key.  Thread-safe. */
#ifndef TAUTD_LOG_H
#define TAUTD_LOG_H

#include "taut/status.h"

enum tautd_level { TAUTD_ERROR = 3, TAUTD_WARNING = 4, TAUTD_NOTICE = 5, TAUTD_INFO = 6, TAUTD_DEBUG = 7 };

/** Highest level that is written; TAUTD_NOTICE at start. */
void tautd_log_set_level(enum tautd_level level);

/** One line. Newlines in the text become spaces. */
void tautd_log(enum tautd_level level, const char *format, ...) TAUT_PRINTF(2, 3);

/** The same, but for one `key` at most once a minute of real time; what was held back is counted in the next line. */
void tautd_log_sparse(enum tautd_level level, const char *key, const char *format, ...) TAUT_PRINTF(3, 4);

#endif
