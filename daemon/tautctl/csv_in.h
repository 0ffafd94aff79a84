/** @file csv_in.h  Tables that other people's loggers, spreadsheets and editors write: lines into cells, cells into
 *  numbers and times, with the place of every cell kept for messages.
 *
 *  Understood: separators , ; tab or blanks; "quoted" cells (RFC 4180, but not across lines); decimal point, or
 *  decimal comma where the comma is not the separator; UTF-8 with or without byte order mark; LF, CRLF or CR;
 *  empty lines and lines that begin with '#' are passed over. Nothing is guessed that could change a number. */
#ifndef TAUTCTL_CSV_IN_H
#define TAUTCTL_CSV_IN_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#include "taut/diag.h"
#include "taut/status.h"

enum { TAUTCTL_CSV_LINE_MAX = 65536, TAUTCTL_CSV_CELLS_MAX = 256 };

struct tautctl_csv {
    const char *name; /* of the file, for messages; borrowed */
    FILE *file;       /* borrowed */
    char separator;   /* 0 until the first line with content has told it */
    int line;         /* number of the line in `text` */
    int cells;
    char *cell[TAUTCTL_CSV_CELLS_MAX]; /* without quotes and surrounding blanks; into `text` */
    int column[TAUTCTL_CSV_CELLS_MAX]; /* of its first byte in the line; the first is 1 */
    char text[TAUTCTL_CSV_LINE_MAX];
};

/** Begin.  @param separator  ',', ';', '\t', ' ' or 0 to take it from the first line with content */
void tautctl_csv_init(struct tautctl_csv *csv, FILE *file, const char *name, char separator);

/** Take the next line with content.
 *  @return TAUT_OK; TAUT_E_NOENT no more lines; TAUT_E_FORMAT or TAUT_E_IO with *diag naming the place */
TAUT_NODISCARD enum taut_status tautctl_csv_next(struct tautctl_csv *csv, struct taut_diag *diag);

/** Pass over `lines` lines of any content (a logger's preamble). Call before the first tautctl_csv_next.
 *  @return as tautctl_csv_next */
TAUT_NODISCARD enum taut_status tautctl_csv_skip(struct tautctl_csv *csv, int lines, struct taut_diag *diag);

/** Fill *diag for cell `index` of the present line: file, line and column are set.  @return status */
enum taut_status tautctl_csv_complain(const struct tautctl_csv *csv, int index, enum taut_status status, struct taut_diag *diag,
                                      const char *format, ...) TAUT_PRINTF(5, 6);

/** A cell as a number.  With separator ',' only a decimal point is taken.
 *  @return TAUT_OK; TAUT_E_FORMAT not a number (then *value is untouched) */
TAUT_NODISCARD enum taut_status tautctl_csv_number(const struct tautctl_csv *csv, const char *cell, double *value);

/** Forms of a time that is not a plain number. */
enum tautctl_clock {
    TAUTCTL_CLOCK_NONE,    /* not a time of these forms */
    TAUTCTL_CLOCK_DATE,    /* date and time of day; UTC when no offset is written */
    TAUTCTL_CLOCK_HMS,     /* h:m:s with or without fraction; more than 24 h allowed */
    TAUTCTL_CLOCK_TWO,     /* two parts: h:m or m:s, which can not be told */
    TAUTCTL_CLOCK_DOUBTFUL /* a date whose order of day and month can not be told, or a 12-hour clock */
};

/** Read a time of one of these forms.  Dates: 2026-11-25 or 2026/11/25 or 25.11.2026, then T or a blank, then
 *  08:26 or 08:26:44 or 08:26:44.120, then nothing, Z or an offset.
 *  @param ns  receives ns since 1970 (DATE) or since midnight (HMS); for TWO first*60 + second, in s, as ns.
 *             Untouched for NONE and DOUBTFUL */
enum tautctl_clock tautctl_csv_clock(const char *cell, int64_t *ns);

#endif
