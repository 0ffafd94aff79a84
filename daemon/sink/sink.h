/** @file sink.h  Part folders on disk: one thread writes, one makes it durable; the main loop never waits.
 *
 *  Failure policy: when a write fails (disk full, read-only, gone) the rows stay in memory up to the bound and
 *  are tried again each second; past the bound rows are dropped and counted, and the gap is marked in the trace
 *  ("gap" in the event column) when writing works again. The loop learns of both by tautd_sink_take. */
#ifndef TAUTD_SINK_H
#define TAUTD_SINK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "taut/diag.h"
#include "taut/station.h"
#include "taut/status.h"

struct tautd_sink;
struct tautd_folder; /* one open part folder; owned by the sink */

enum tautd_sink_news_kind {
    TAUTD_SINK_FAILING, /* this folder can not be written; text says why */
    TAUTD_SINK_WORKING, /* it can again; dropped rows counted */
    TAUTD_SINK_SEALED   /* record and checksums are on disk */
};

struct tautd_sink_news {
    enum tautd_sink_news_kind kind;
    int station;
    uint64_t dropped_rows;
    char text[256];
};

/** @param state_dir  folder that holds parts/ and open/ ; made when missing
 *  @param sync_s     trace to disk at least so often
 *  @return NULL with *diag when the folder can not be made or written */
struct tautd_sink *tautd_sink_new(const char *state_dir, double sync_s, struct taut_diag *diag);

/** Readable when news wait. */
int tautd_sink_fd(const struct tautd_sink *sink);
int tautd_sink_take(struct tautd_sink *sink, struct tautd_sink_news *out, int most);

/** Next free run number for a part: 1 + the greatest run folder there is.  Reads the disk (start of a part only). */
TAUT_NODISCARD enum taut_status tautd_sink_next_run(struct tautd_sink *sink, const char *part, int *number,
                                                    struct taut_diag *diag);

/** Make parts/<part>/<run>/, write header, metadata and first journal line, mark it open for its station.
 *  Synchronous, so that a start can be refused with the reason.  @return NULL with *diag */
struct tautd_folder *tautd_sink_open(struct tautd_sink *sink, int station_index, const struct taut_station_setup *setup,
                                     const struct taut_run *run, struct taut_diag *diag);

/** Take a folder up again after a crash (path from tautd_sink_open_folders): a torn last line is cut off both files. */
struct tautd_folder *tautd_sink_reopen(struct tautd_sink *sink, int station_index, const char *path, struct taut_diag *diag);

/** Queue bytes for trace.csv or journal.jsonl; whole lines only.  Never blocks. */
void tautd_folder_trace(struct tautd_folder *folder, const char *bytes, size_t n, int rows);
void tautd_folder_journal(struct tautd_folder *folder, const char *bytes, size_t n);
/** Once per loop turn: wake the writer when anything was queued. */
void tautd_sink_flush(struct tautd_sink *sink);

/** Replace a whole small file (record.json) by write, sync, rename. */
void tautd_folder_put(struct tautd_folder *folder, const char *name, const char *bytes, size_t n);

/** Write what is queued, SHA256SUMS, sync, remove the open mark; the folder is then gone from the sink and read-only. */
void tautd_folder_seal(struct tautd_folder *folder);

/** Path of the folder; borrowed. Rows that write() has taken so far. */
const char *tautd_folder_path(const struct tautd_folder *folder);
uint64_t tautd_folder_rows(const struct tautd_folder *folder);

/** Folders that were open when the program last ended: calls `each` for every one. */
void tautd_sink_open_folders(struct tautd_sink *sink, void (*each)(void *ctx, const char *station, const char *path), void *ctx);

/** Write and sync everything, at most `most_s` seconds; folders stay open on disk. Then free. NULL is allowed. */
void tautd_sink_free(struct tautd_sink *sink, double most_s);

#endif
