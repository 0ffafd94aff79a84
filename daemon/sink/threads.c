/* The two threads behind the loop. The writer only calls write(): rows reach the kernel each turn, and from there
 * outlive the program. The syncer does all that may take long: fdatasync, whole files, checksums, sealing.
 *
 * Failure policy: a failed write keeps the rows and is tried again after a pause; meanwhile nothing else of that
 * folder is written, so the order holds. After a failed fdatasync the kernel may have thrown the pages away while
 * calling them clean, so the bytes since the last good sync are written once more before the next one. */
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "clock.h"
#include "sink/inside.h"

static const char *const stream_names[TAUTD_STREAMS] = {TAUTD_TRACE, TAUTD_JOURNAL};

static void wait_until(struct tautd_sink *sink, pthread_cond_t *condition, int64_t real_ns)
{
    if (real_ns == INT64_MAX) {
        pthread_cond_wait(condition, &sink->lock);
        return;
    }
    struct timespec at = {.tv_sec = real_ns / 1000000000, .tv_nsec = real_ns % 1000000000};
    pthread_cond_timedwait(condition, &sink->lock, &at);
}

static int64_t pause_ns(const struct tautd_sink *sink)
{
    return (int64_t)(sink->options.retry_s * 1e9);
}

/* ---- writer ---- */

static uint64_t count_lines(const char *bytes, size_t n)
{
    uint64_t lines = 0;
    const char *end = bytes + n;
    while ((bytes = memchr(bytes, '\n', (size_t)(end - bytes)))) {
        lines++;
        bytes++;
    }
    return lines;
}

/* Write what waits in one stream.  Returns false when a write failed. Called with the lock, which it gives up
 * during the call; the bytes stay put meanwhile, since only this thread takes them off. */
static bool write_stream(struct tautd_folder *folder, int which)
{
    struct tautd_sink *sink = folder->sink;
    struct tautd_stream *stream = &folder->stream[which];
    const char *bytes;
    size_t n;
    while ((bytes = tautd_backlog_front(&stream->queue, &n))) {
        pthread_mutex_unlock(&sink->lock);
        ssize_t done = sink->options.ops->write(stream->fd, bytes, n);
        int error = done == 0 ? ENOSPC : errno;
        uint64_t lines = done > 0 && which == TAUTD_STREAM_TRACE ? count_lines(bytes, (size_t)done) : 0;
        pthread_mutex_lock(&sink->lock);
        if (done <= 0) {
            if (done < 0 && error == EINTR)
                continue;
            folder->retry_ns[0] = sink->options.ops->real_ns() + pause_ns(sink);
            tautd_sink_trouble(folder, 1u << which, stream_names[which], error);
            return false;
        }
        stream->written += done;
        atomic_fetch_add(&folder->rows, lines);
        tautd_backlog_done(&stream->queue, (size_t)done, &sink->held);
        tautd_sink_trouble_over(folder, 1u << which);
    }
    return true;
}

static bool waits(const struct tautd_folder *folder)
{
    return !tautd_backlog_empty(&folder->stream[TAUTD_STREAM_TRACE].queue) ||
           !tautd_backlog_empty(&folder->stream[TAUTD_STREAM_JOURNAL].queue);
}

static bool gaps(const struct tautd_folder *folder)
{
    return folder->lost > 0 || folder->lost_lines > 0;
}

/* Trace before journal: a journal line names the number of rows before it. */
static void write_folder(struct tautd_folder *folder)
{
    folder->busy++;
    folder->retry_ns[0] = 0;
    bool whole = write_stream(folder, TAUTD_STREAM_TRACE) && write_stream(folder, TAUTD_STREAM_JOURNAL);
    if (whole && gaps(folder)) { /* room again: do not wait for the next row to say so */
        tautd_sink_mark_gap(folder);
        whole = write_stream(folder, TAUTD_STREAM_TRACE) && write_stream(folder, TAUTD_STREAM_JOURNAL);
        if (whole && gaps(folder))
            folder->retry_ns[0] = folder->sink->options.ops->real_ns() + pause_ns(folder->sink);
    }
    folder->busy--;
}

void *tautd_sink_writer(void *arg)
{
    struct tautd_sink *sink = arg;
    pthread_mutex_lock(&sink->lock);
    for (;;) {
        int64_t now = sink->options.ops->real_ns(), next = INT64_MAX;
        bool left = false, tell = false;
        sink->write_now = false;
        for (struct tautd_folder *folder = sink->folders; folder; folder = folder->next) {
            if (!waits(folder) && !gaps(folder) && !folder->sealing)
                continue;
            if (folder->retry_ns[0] <= now) {
                write_folder(folder);
                tell = tell || sink->syncer_idle || folder->sealing;
            }
            if (folder->retry_ns[0] > 0) {
                left = true;
                next = folder->retry_ns[0] < next ? folder->retry_ns[0] : next;
            }
        }
        if (tell) {
            sink->sync_now = true;
            pthread_cond_signal(&sink->wake_syncer);
        }
        if (sink->write_now)
            continue;
        if (sink->ending && !left)
            break;
        wait_until(sink, &sink->wake_writer, next);
    }
    sink->writer_ended = true;
    pthread_cond_signal(&sink->wake_syncer);
    pthread_mutex_unlock(&sink->lock);
    return NULL;
}

/* ---- syncer ---- */

static bool dirty(const struct tautd_stream *stream)
{
    return stream->rewrite || stream->synced < stream->written;
}

static void sync_stream(struct tautd_folder *folder, int which)
{
    struct tautd_sink *sink = folder->sink;
    struct tautd_stream *stream = &folder->stream[which];
    const struct tautd_file_ops *ops = sink->options.ops;
    int64_t from = stream->synced, to = stream->written;
    bool rewrite = stream->rewrite;
    pthread_mutex_unlock(&sink->lock);
    int result = rewrite ? tautd_disk_rewrite(ops, folder->dir, stream_names[which], from, to) : 0;
    if (result == 0)
        result = ops->sync_data(stream->fd);
    int error = errno;
    pthread_mutex_lock(&sink->lock);
    if (result < 0) {
        stream->rewrite = true;
        folder->retry_ns[1] = ops->real_ns() + pause_ns(sink);
        tautd_sink_trouble(folder, (unsigned)TAUTD_TROUBLE_SYNC_TRACE << which, stream_names[which], error);
        return;
    }
    stream->rewrite = false;
    stream->synced = to;
    tautd_sink_trouble_over(folder, (unsigned)TAUTD_TROUBLE_SYNC_TRACE << which);
}

static void put_first(struct tautd_folder *folder)
{
    struct tautd_sink *sink = folder->sink;
    struct tautd_put put = folder->put[0];
    folder->put[0].bytes = NULL; /* ours now: a newer one of that name must not free it */
    pthread_mutex_unlock(&sink->lock);
    int result = tautd_disk_put(sink->options.ops, folder->dir, put.name, put.bytes, put.n);
    int error = errno;
    pthread_mutex_lock(&sink->lock);
    if (result < 0) {
        if (folder->put[0].bytes)
            free(put.bytes); /* replaced meanwhile */
        else
            folder->put[0] = put;
        folder->retry_ns[1] = sink->options.ops->real_ns() + pause_ns(sink);
        tautd_sink_trouble(folder, TAUTD_TROUBLE_PUT, put.name, error);
        return;
    }
    free(put.bytes);
    tautd_sink_trouble_over(folder, TAUTD_TROUBLE_PUT);
    if (folder->put[0].bytes)
        return; /* the newer one is next */
    folder->puts--;
    memmove(&folder->put[0], &folder->put[1], (size_t)folder->puts * sizeof folder->put[0]);
}

/* Checksums, then the mark goes; write permission last, so that a folder whose mark is left can be taken up again. */
static int seal_on_disk(const struct tautd_folder *folder)
{
    const struct tautd_sink *sink = folder->sink;
    const struct tautd_file_ops *ops = sink->options.ops;
    if (tautd_disk_sums(ops, folder->dir) < 0)
        return -1;
    if (ops->unlink_at(sink->open, folder->mark, 0) < 0 && errno != ENOENT)
        return -1;
    if (ops->sync(sink->open) < 0)
        return -1;
    return tautd_disk_read_only(ops, folder->dir);
}

static void seal(struct tautd_folder *folder)
{
    struct tautd_sink *sink = folder->sink;
    pthread_mutex_unlock(&sink->lock);
    int result = seal_on_disk(folder);
    int error = errno;
    pthread_mutex_lock(&sink->lock);
    if (result < 0) {
        folder->retry_ns[1] = sink->options.ops->real_ns() + pause_ns(sink);
        tautd_sink_trouble(folder, TAUTD_TROUBLE_SEAL, TAUTD_SUMS, error);
        return;
    }
    tautd_sink_trouble_over(folder, TAUTD_TROUBLE_SEAL);
    folder->sealed = true;
    uint64_t one = 1;
    ssize_t ignored = write(sink->event, &one, sizeof one); /* an eventfd: fails only when already readable */
    (void)ignored;
}

/* Nothing waits and the writer is not at work on it, so all there is has been written. Called with `busy` raised by
 * this thread. Asked anew each time: while the lock was given up, the loop may have queued more. */
static bool drained(const struct tautd_folder *folder)
{
    return !waits(folder) && !gaps(folder) && folder->busy == 1;
}

/* One pass over a folder.  Returns whether work is left for later. */
static bool sync_folder(struct tautd_folder *folder, bool due)
{
    if (folder->sealed)
        return false;
    struct tautd_stream *trace = &folder->stream[TAUTD_STREAM_TRACE], *journal = &folder->stream[TAUTD_STREAM_JOURNAL];
    folder->busy++;
    folder->retry_ns[1] = 0;
    for (int i = 0; i < TAUTD_STREAMS && folder->retry_ns[1] == 0; i++)
        if (dirty(&folder->stream[i]) && (due || folder->stream[i].rewrite || (folder->sealing && drained(folder))))
            sync_stream(folder, i);
    while (folder->puts > 0 && folder->retry_ns[1] == 0)
        put_first(folder);
    if (folder->sealing && folder->retry_ns[1] == 0 && drained(folder) && !dirty(trace) && !dirty(journal))
        seal(folder);
    folder->busy--;
    return folder->puts > 0 || dirty(trace) || dirty(journal) || (folder->sealing && !folder->sealed);
}

void *tautd_sink_syncer(void *arg)
{
    struct tautd_sink *sink = arg;
    int64_t every = (int64_t)(sink->options.sync_s * 1e9);
    pthread_mutex_lock(&sink->lock);
    for (;;) {
        int64_t now = sink->options.ops->real_ns(), next = INT64_MAX;
        bool due = sink->ending || now - sink->last_sync_ns >= every, left = false, last_pass = sink->writer_ended;
        sink->sync_now = false;
        if (due)
            sink->last_sync_ns = now;
        for (struct tautd_folder *folder = sink->folders; folder; folder = folder->next) {
            if (folder->retry_ns[1] <= now && sync_folder(folder, due))
                left = true;
            if (folder->retry_ns[1] > 0) {
                left = true;
                next = folder->retry_ns[1] < next ? folder->retry_ns[1] : next;
            }
        }
        pthread_cond_broadcast(&sink->changed);
        if (last_pass && !left)
            break;
        if (left && sink->last_sync_ns + every < next)
            next = sink->last_sync_ns + every;
        if (sink->sync_now || last_pass != sink->writer_ended)
            continue;
        sink->syncer_idle = next == INT64_MAX;
        wait_until(sink, &sink->wake_syncer, next);
        sink->syncer_idle = false;
    }
    sink->syncer_ended = true;
    pthread_cond_broadcast(&sink->changed);
    pthread_mutex_unlock(&sink->lock);
    return NULL;
}
