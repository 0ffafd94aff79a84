/** @file sink_new.h  The sink with everything adjustable; tautd_sink_new takes the ordinary values. */
#ifndef TAUTD_SINK_NEW_H
#define TAUTD_SINK_NEW_H

#include "sink/file_ops.h"
#include "sink/sink.h"

struct tautd_sink_options {
    double sync_s;                    /* to disk at least so often */
    double retry_s;                   /* pause before a failed call is tried again */
    size_t bound;                     /* bytes of rows kept in memory while they can not be written, all folders together */
    size_t journal_bound;             /* the same with the journal's reserve: journal lines are dropped later than rows */
    const struct tautd_file_ops *ops; /* borrowed until the sink is freed */
};

struct tautd_sink_options tautd_sink_options_ordinary(double sync_s);

struct tautd_sink *tautd_sink_new_with(const char *state_dir, const struct tautd_sink_options *options, struct taut_diag *diag);

#endif
