/** @file inside.h  What sink.c (called by the loop) and threads.c (writer and syncer) share.
 *
 *  One lock guards every field below unless stated. It is held for copies of a few kilobytes at most, never over a
 *  system call on a file. A thread that works on a folder without the lock has raised `busy`. */
#ifndef TAUTD_SINK_INSIDE_H
#define TAUTD_SINK_INSIDE_H

#include <limits.h>
#include <pthread.h>
#include <stdatomic.h>

#include "sink/backlog.h"
#include "sink/disk.h"
#include "sink/file_ops.h"
#include "sink/sink.h"
#include "sink/sink_new.h"
#include "taut/record.h"

#define TAUTD_PARTS "parts"
#define TAUTD_OPEN  "open"

enum { TAUTD_STREAMS = 2, TAUTD_PUTS_MAX = 4 }; /* trace and journal; whole files waiting */
enum { TAUTD_STREAM_TRACE, TAUTD_STREAM_JOURNAL };

/** What keeps a folder from being whole on disk, as bits. */
enum tautd_trouble {
    TAUTD_TROUBLE_WRITE_TRACE = 1 << TAUTD_STREAM_TRACE,
    TAUTD_TROUBLE_WRITE_JOURNAL = 1 << TAUTD_STREAM_JOURNAL,
    TAUTD_TROUBLE_SYNC_TRACE = 4 << TAUTD_STREAM_TRACE,
    TAUTD_TROUBLE_SYNC_JOURNAL = 4 << TAUTD_STREAM_JOURNAL,
    TAUTD_TROUBLE_PUT = 16,
    TAUTD_TROUBLE_SEAL = 32,
    TAUTD_TROUBLE_FULL = 64 /* rows are being dropped */
};

struct tautd_stream {
    int fd; /* constant while open */
    struct tautd_backlog queue;
    int64_t written, synced; /* bytes in the file; of them on disk */
    bool rewrite;            /* a sync failed: [synced, written) must be put once more */
};

struct tautd_put {
    char name[64];
    char *bytes;
    size_t n;
};

struct tautd_folder {
    struct tautd_folder *next;
    struct tautd_sink *sink;
    int station;
    char path[PATH_MAX]; /* constant */
    char mark[TAUTD_MARK_MAX];
    int dir; /* constant while open */
    struct tautd_stream stream[TAUTD_STREAMS];
    struct tautd_put put[TAUTD_PUTS_MAX];
    int puts;
    _Atomic uint64_t rows;
    int64_t retry_ns[2]; /* writer, syncer: not before; 0 = at once */
    uint64_t lost;       /* rows dropped since the last mark in the trace */
    char lost_row[TAUT_TRACE_ROW_MAX];
    uint64_t dropped;    /* in all */
    uint64_t lost_lines; /* journal lines dropped since the last mark in the journal */
    unsigned trouble, failures, told_failures;
    bool told_failing;
    char text[256]; /* of the newest failure */
    bool sealing, sealed;
    int busy;
};

struct tautd_sink {
    char state_dir[PATH_MAX];
    int dir, parts, open, lock_file;
    int event; /* eventfd: news wait */
    struct tautd_sink_options options;
    pthread_mutex_t lock;
    pthread_cond_t wake_writer, wake_syncer, changed;
    pthread_t writer, syncer;
    struct tautd_folder *folders;
    size_t held; /* bytes of queue storage */
    bool queued; /* since the last flush */
    bool write_now, sync_now, ending;
    bool syncer_idle; /* it waits without a time: a write must wake it */
    bool writer_ended, syncer_ended;
    int64_t last_sync_ns;
};

/** Begin a trouble, with the reason from `error`; the loop is told when it is a new one. Called with the lock. */
void tautd_sink_trouble(struct tautd_folder *folder, unsigned bit, const char *what, int error);
void tautd_sink_trouble_over(struct tautd_folder *folder, unsigned bit);

/** Put the marks of dropped rows and lines into the queues, if there is room. Called with the lock. */
void tautd_sink_mark_gap(struct tautd_folder *folder);

/** Close and free; it is in no list any more. */
void tautd_sink_free_folder(struct tautd_folder *folder);

void *tautd_sink_writer(void *sink);
void *tautd_sink_syncer(void *sink);

#endif
