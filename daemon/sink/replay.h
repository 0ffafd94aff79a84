/** @file replay.h  A part's folder read back and put through the station step again. Used by `tautctl replay` and
 *  by the daemon when it takes up an open part after a crash. No threads, no writes. */
#ifndef TAUTD_REPLAY_H
#define TAUTD_REPLAY_H

#include "taut/diag.h"
#include "taut/station.h"
#include "taut/status.h"

struct tautd_replay_report {
    int64_t rows;       /* trace rows from the start, lost ones included */
    int64_t events;     /* journal events given to the station */
    int64_t torn_bytes; /* cut off the end of both files: a crash in mid-line */
    int64_t last_t_ns, last_wall_ns;
    int64_t lost_rows;     /* of `rows`: marked as lost in the trace; the station has not seen them now */
    int64_t lost_events;   /* marked as lost in the journal */
    int64_t disagreements; /* commands that were taken then and refused now, or the other way round */
    char software[64];     /* that wrote the folder */
};

/** Rebuild the station's state from trace.csv and journal.jsonl.
 *  @param folder  path of a run's folder
 *  @param out     caller's storage; the state after the last whole row and event
 *  @return TAUT_OK; TAUT_E_NOENT or TAUT_E_IO a file can not be read; TAUT_E_FORMAT a line that can not be
 *          understood, *diag names file and line */
TAUT_NODISCARD enum taut_status tautd_replay(const char *folder, struct taut_station *out, struct tautd_replay_report *report,
                                             struct taut_diag *diag);

/** One number, or word, that is not as it was recorded. */
struct tautd_difference {
    int test; /* number of the drop test, 1 is the first; 0 for the run itself */
    char name[40], recorded[40], computed[40];
};

/** Compare a replayed station's drop tests, every number to the bit, with record.json, or with the verdicts in the
 *  journal when there is no record yet.
 *  @param out          receives the first `most` differences
 *  @param differences  receives how many there are
 *  @param compared     receives how many drop tests were compared
 *  @return TAUT_OK; TAUT_E_NOENT, TAUT_E_IO, TAUT_E_FORMAT as tautd_replay */
TAUT_NODISCARD enum taut_status tautd_replay_compare(const char *folder, const struct taut_station *station,
                                                     struct tautd_difference *out, int most, int *differences, int *compared,
                                                     struct taut_diag *diag);

#endif
