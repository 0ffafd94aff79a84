/** @file replay.h  A part's folder read back and put through the station step again. Used by `tautctl replay` and
 *  by the daemon when it takes up an open part after a crash. No threads, no writes. */
#ifndef TAUTD_REPLAY_H
#define TAUTD_REPLAY_H

#include "taut/diag.h"
#include "taut/station.h"
#include "taut/status.h"

struct tautd_replay_report {
    int64_t rows;       /* whole trace rows read */
    int64_t events;     /* journal events given to the station */
    int64_t torn_bytes; /* cut off the end of both files: a crash in mid-line */
    int64_t last_t_ns, last_wall_ns;
};

/** Rebuild the station's state from trace.csv and journal.jsonl.
 *  @param folder  path of a run's folder
 *  @param out     caller's storage; the state after the last whole row and event
 *  @return TAUT_OK; TAUT_E_NOENT or TAUT_E_IO a file can not be read; TAUT_E_FORMAT a line that can not be
 *          understood, *diag names file and line */
TAUT_NODISCARD enum taut_status tautd_replay(const char *folder, struct taut_station *out, struct tautd_replay_report *report,
                                             struct taut_diag *diag);

#endif
