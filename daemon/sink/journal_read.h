/** @file journal_read.h  Journal lines back into what they were made from (lib/record/journal.c writes them). */
#ifndef TAUTD_JOURNAL_READ_H
#define TAUTD_JOURNAL_READ_H

#include <stdbool.h>

#include <cjson/cJSON.h>

#include "taut/diag.h"
#include "taut/station.h"

/** First line.  @param software  at least 64 bytes */
TAUT_NODISCARD enum taut_status tautd_journal_read_open(const char *line, struct taut_station_setup *setup, struct taut_run *run,
                                                        char *software, struct taut_diag *diag);

/** A later line. */
struct tautd_journal_line {
    bool is_event;      /* else an effect: only row and lost_lines are set */
    int64_t row;        /* trace rows before it; -1 when the line does not say */
    int64_t lost_lines; /* of a mark of lost lines */
    struct taut_event event;
    enum taut_status status; /* what the step returned then */
};
TAUT_NODISCARD enum taut_status tautd_journal_read_line(const char *line, struct tautd_journal_line *out, struct taut_diag *diag);

/** Seconds as in the files to ns: whole milliseconds. */
int64_t tautd_journal_ns(double seconds);

#endif
