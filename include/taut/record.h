/** @file record.h  The texts of a part's folder: trace row, metadata, journal line, record.  All into the caller's
 *  buffer; every file is plain text that a person can read in thirty years. */
#ifndef TAUT_RECORD_H
#define TAUT_RECORD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "taut/diag.h"
#include "taut/station.h"
#include "taut/status.h"
#include "taut/text.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Storage that is always enough, bytes with the final NUL. */
enum {
    TAUT_TRACE_ROW_MAX = 2048,     /* header, one row or one gap row */
    TAUT_METADATA_MAX = 16384,     /* taut_trace_metadata */
    TAUT_JOURNAL_LINE_MAX = 16384, /* any journal line, the first included */
    TAUT_RECORD_MAX = 196608       /* record.json with all tests and alarms */
};

/** Header line of trace.csv: time_utc,elapsed_s,phase, then per wired role <name>_mbar (or <name>_degC) and
 *  <name>_quality, then event.  RFC 4180, CRLF line ends. */
void taut_trace_header(const struct taut_station_setup *setup, struct taut_text *out);

/** Remembers the last printed second, so that a row costs no calendar arithmetic. Zero it first. */
struct taut_trace_clock {
    int64_t second;
    char text[24];
};

/** One row, always one line: a line break in the event becomes a space, and an event is cut at 255 bytes. A good
 *  reading that can not be printed (not finite) is written as bad:not-a-number. A value is empty when the role was not read or its value is not a number; a quality is "good",
 *  "uncertain:<reason>", "bad:<reason>", or empty when the role was not read.
 *  @param phase       of the station after the step
 *  @param event_text  "" or a short word for the event column; quoted as RFC 4180 needs */
void taut_trace_row(const struct taut_station_setup *setup, struct taut_trace_clock *clock, int64_t wall_ns, int64_t t_ns,
                    enum taut_phase phase, const struct taut_sweep *sweep, const char *event_text, struct taut_text *out);

/** Read one row back, by the header's columns.
 *  @param row   one line without its line end, as split by taut_csv_split
 *  The station's sweep comes back bit for bit. */
struct taut_trace_columns {
    int time_utc, elapsed_s, phase, event; /* -1 when missing */
    int value[TAUT_ROLES], quality[TAUT_ROLES];
};
TAUT_NODISCARD enum taut_status taut_trace_columns(const struct taut_station_setup *setup, const char *header_line,
                                                   struct taut_trace_columns *out, struct taut_diag *diag);
TAUT_NODISCARD enum taut_status taut_trace_parse(const struct taut_trace_columns *columns, char *line, int64_t *wall_ns,
                                                 int64_t *t_ns, struct taut_sweep *sweep, struct taut_diag *diag);

/** A row that marks `lost` rows that could not be written: time, elapsed_s and phase of the first of them, no
 *  readings, and "gap <lost> rows lost" in the event column.
 *  @param lost_row  the first lost row, as taut_trace_row made it */
void taut_trace_gap(const char *lost_row, int64_t lost, struct taut_text *out);

/** Is the line (without its line end) such a mark?  @param lost  receives the count when it is one. */
bool taut_trace_is_gap(const char *line, int64_t *lost);

/** Split one CSV record (RFC 4180) in place.
 *  @param line    one record without its line end; fields are unquoted in place
 *  @param fields  receives pointers into line; at most `most`
 *  @return        number of fields; negative taut_status: TAUT_E_FORMAT (open quote, text after a quote), TAUT_E_FULL */
int taut_csv_split(char *line, char separator, char **fields, int most);

/** CSV on the Web description of the trace, with UCUM units.  JSON. */
void taut_trace_metadata(const struct taut_station_setup *setup, const struct taut_run *run, struct taut_text *out);

/** First journal line (a journal line that does not fit is left out whole, and out->full is set): format, software, setup and run with the recipe as used; all that a replay needs. */
void taut_journal_open(const struct taut_station_setup *setup, const struct taut_run *run, const char *software,
                       struct taut_text *out);

/** One journal line for an event that went into the station (not for sweeps).
 *  @param rows    trace rows written before it
 *  @param status  what the step returned: refused commands are journalled too, and replay refuses them again */
void taut_journal_event(const struct taut_event *event, int64_t rows, enum taut_status status, struct taut_text *out);

/** One journal line for an effect; for readers, ignored by replay. */
void taut_journal_effect(const struct taut_station *station, const struct taut_effect *effect, int64_t rows,
                         struct taut_text *out);

/** One number of a drop test's result as it stands in record.json and in the journal's verdict lines. */
struct taut_record_field {
    const char *name; /* member name; SI unit in its suffix */
    size_t offset;    /* of the double in struct taut_droptest_result */
};

/** Table of every double in a result.  Pure; *count receives its length. */
const struct taut_record_field *taut_record_fields(size_t *count);

/** The drop test with this number (1 is the run's first), or NULL when the history does not hold it.  Pure. */
const struct taut_test_record *taut_record_test(const struct taut_station *station, int number);

/** record.json. Doubles are printed so that they read back to the same bits.
 *  @param verdict_rule  the decision rule in words; NULL: in the words of taut_record_rule */
void taut_record_print(const struct taut_station *station, const char *software, const char *verdict_rule, struct taut_text *out);

/** The rule by which a recipe's drop test is judged, in words with its numbers.  Pure.
 *  @param out,size  caller's storage, 512 bytes are enough; terminated */
void taut_record_rule(const struct taut_recipe *recipe, char *out, size_t size);

/** A part id as a folder name, by a documented rule: ASCII letters, digits, '-', '_' and '.' stay (a '.' not
 *  first); everything else becomes '_'; cut at 48 bytes; when anything was changed or cut, "~" and the sixteen hex
 *  digits of the id's 64-bit FNV-1a hash are added, so that different ids do not share a folder.
 *  @return TAUT_OK; TAUT_E_ARG empty, not UTF-8, a control character, or TAUT_PART_ID_MAX bytes and longer */
enum { TAUT_FOLDER_NAME_MAX = 80 };
TAUT_NODISCARD enum taut_status taut_part_folder(const char *part, char out[TAUT_FOLDER_NAME_MAX], struct taut_diag *diag);

#ifdef __cplusplus
}
#endif
#endif
