/* The loop's side of the sink.
 *
 * Failure policy: a part is only started when its folder, header and first journal line are on disk; else the start
 * is refused with the system's reason. From then on the loop never waits and never fails: trouble comes back as news. */
#include "sink/sink.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "clock.h"
#include "sink/inside.h"
#include "taut/taut.h"

static void notify(struct tautd_sink *sink)
{
    uint64_t one = 1;
    ssize_t ignored = write(sink->event, &one, sizeof one); /* an eventfd: fails only when already readable */
    (void)ignored;
}

void tautd_sink_trouble(struct tautd_folder *folder, unsigned bit, const char *what, int error)
{
    if (folder->trouble & bit)
        return;
    folder->trouble |= bit;
    folder->failures++;
    snprintf(folder->text, sizeof folder->text, "%.160s: %s", what, strerror(error));
    notify(folder->sink);
}

void tautd_sink_trouble_over(struct tautd_folder *folder, unsigned bit)
{
    if (!(folder->trouble & bit))
        return;
    folder->trouble &= ~bit;
    if (folder->trouble == 0)
        notify(folder->sink);
}

/* ---- making and ending ---- */

struct tautd_sink_options tautd_sink_options_ordinary(double sync_s)
{
    return (struct tautd_sink_options){
        .sync_s = sync_s,
        .retry_s = 1,
        .bound = 4u << 20,
        .journal_bound = 5u << 20,
        .ops = &tautd_file_ops_real,
    };
}

struct tautd_sink *tautd_sink_new(const char *state_dir, double sync_s, struct taut_diag *diag)
{
    struct tautd_sink_options options = tautd_sink_options_ordinary(sync_s);
    return tautd_sink_new_with(state_dir, &options, diag);
}

/* Like mkdir -p. The state folder's own path is the owner's choice, so links in it are followed. */
static int make_path(const struct tautd_file_ops *ops, const char *path)
{
    char copy[PATH_MAX];
    if ((size_t)snprintf(copy, sizeof copy, "%s", path) >= sizeof copy) {
        errno = ENAMETOOLONG;
        return -1;
    }
    for (char *slash = copy[0] ? strchr(copy + 1, '/') : NULL; slash; slash = strchr(slash + 1, '/')) {
        *slash = '\0';
        if (ops->make_dir_at(AT_FDCWD, copy, 0750) < 0 && errno != EEXIST)
            return -1;
        *slash = '/';
    }
    return ops->make_dir_at(AT_FDCWD, copy, 0750) < 0 && errno != EEXIST ? -1 : 0;
}

static bool open_state(struct tautd_sink *sink, struct taut_diag *diag)
{
    const struct tautd_file_ops *ops = sink->options.ops;
    if (make_path(ops, sink->state_dir) < 0 ||
        (sink->dir = ops->open_at(AT_FDCWD, sink->state_dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC, 0)) < 0) {
        tautd_disk_refuse(diag, sink->state_dir, "the state folder can not be opened");
        return false;
    }
    sink->lock_file = ops->open_at(sink->dir, "lock", O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0640);
    if (sink->lock_file < 0) {
        tautd_disk_refuse(diag, sink->state_dir, "the state folder can not be written");
        return false;
    }
    if (flock(sink->lock_file, LOCK_EX | LOCK_NB) < 0) {
        taut_diag_set(diag, TAUT_E_STATE, "another tautd is using the state folder %s", sink->state_dir);
        return false;
    }
    if ((sink->parts = tautd_disk_folder(ops, sink->dir, TAUTD_PARTS, true)) < 0 ||
        (sink->open = tautd_disk_folder(ops, sink->dir, TAUTD_OPEN, true)) < 0 || ops->sync(sink->dir) < 0) {
        tautd_disk_refuse(diag, sink->state_dir, "the folders parts and open can not be made in it");
        return false;
    }
    return true;
}

static void close_all(struct tautd_sink *sink)
{
    int fds[] = {sink->parts, sink->open, sink->lock_file, sink->dir, sink->event};
    for (size_t i = 0; i < sizeof fds / sizeof fds[0]; i++)
        if (fds[i] >= 0)
            close(fds[i]);
}

/* Signals belong to the loop, so they are blocked in the threads. */
static bool start_threads(struct tautd_sink *sink)
{
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_mutex_init(&sink->lock, NULL);
    pthread_cond_init(&sink->wake_writer, &monotonic);
    pthread_cond_init(&sink->wake_syncer, &monotonic);
    pthread_cond_init(&sink->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    bool started = pthread_create(&sink->writer, NULL, tautd_sink_writer, sink) == 0;
    if (started && pthread_create(&sink->syncer, NULL, tautd_sink_syncer, sink) != 0) {
        pthread_mutex_lock(&sink->lock);
        sink->ending = true;
        pthread_cond_signal(&sink->wake_writer);
        pthread_mutex_unlock(&sink->lock);
        pthread_join(sink->writer, NULL);
        started = false;
    }
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    if (started) {
        pthread_setname_np(sink->writer, "sink-write");
        pthread_setname_np(sink->syncer, "sink-sync");
    }
    return started;
}

struct tautd_sink *tautd_sink_new_with(const char *state_dir, const struct tautd_sink_options *options, struct taut_diag *diag)
{
    struct tautd_sink *sink = calloc(1, sizeof *sink);
    if (!sink) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
        return NULL;
    }
    sink->options = *options;
    sink->dir = sink->parts = sink->open = sink->lock_file = -1;
    snprintf(sink->state_dir, sizeof sink->state_dir, "%s", state_dir);
    sink->event = eventfd(0, EFD_NONBLOCK | EFD_CLOEXEC);
    if (sink->event < 0) {
        tautd_disk_refuse(diag, state_dir, "no descriptor for news");
    } else if (open_state(sink, diag)) {
        if (start_threads(sink))
            return sink;
        taut_diag_set(diag, TAUT_E_MEMORY, "the threads that write can not be started");
    }
    close_all(sink);
    free(sink);
    return NULL;
}

void tautd_sink_free_folder(struct tautd_folder *folder)
{
    for (int i = 0; i < TAUTD_STREAMS; i++) {
        tautd_backlog_free(&folder->stream[i].queue, &folder->sink->held);
        if (folder->stream[i].fd >= 0)
            close(folder->stream[i].fd);
    }
    for (int i = 0; i < folder->puts; i++)
        free(folder->put[i].bytes);
    if (folder->dir >= 0)
        close(folder->dir);
    free(folder);
}

void tautd_sink_free(struct tautd_sink *sink, double most_s)
{
    if (!sink)
        return;
    int64_t end_ns = tautd_clock_real_ns() + (int64_t)(most_s * 1e9);
    struct timespec end = {.tv_sec = end_ns / 1000000000, .tv_nsec = end_ns % 1000000000};
    pthread_mutex_lock(&sink->lock);
    sink->ending = sink->write_now = sink->sync_now = true;
    pthread_cond_signal(&sink->wake_writer);
    pthread_cond_signal(&sink->wake_syncer);
    while (!sink->syncer_ended && pthread_cond_timedwait(&sink->changed, &sink->lock, &end) != ETIMEDOUT)
        ;
    bool ended = sink->writer_ended && sink->syncer_ended;
    pthread_mutex_unlock(&sink->lock);
    if (!ended) { /* a disk that hangs holds a thread in the kernel: leave all that it may still touch */
        pthread_detach(sink->writer);
        pthread_detach(sink->syncer);
        return;
    }
    pthread_join(sink->writer, NULL);
    pthread_join(sink->syncer, NULL);
    for (struct tautd_folder *folder = sink->folders, *next; folder; folder = next) {
        next = folder->next;
        tautd_sink_free_folder(folder);
    }
    pthread_cond_destroy(&sink->wake_writer);
    pthread_cond_destroy(&sink->wake_syncer);
    pthread_cond_destroy(&sink->changed);
    pthread_mutex_destroy(&sink->lock);
    close_all(sink);
    free(sink);
}

/* ---- news ---- */

int tautd_sink_fd(const struct tautd_sink *sink)
{
    return sink->event;
}

/* The next piece of news of one folder; false when there is none. */
static bool next_news(struct tautd_folder *folder, struct tautd_sink_news *news)
{
    *news = (struct tautd_sink_news){.station = folder->station, .dropped_rows = folder->dropped};
    snprintf(news->text, sizeof news->text, "%s", folder->text);
    if (folder->failures != folder->told_failures) {
        folder->told_failures = folder->failures;
        folder->told_failing = true;
        news->kind = TAUTD_SINK_FAILING;
        return true;
    }
    if (folder->told_failing && folder->trouble == 0) {
        folder->told_failing = false;
        news->kind = TAUTD_SINK_WORKING;
        return true;
    }
    news->kind = TAUTD_SINK_SEALED;
    snprintf(news->text, sizeof news->text, "%.255s", folder->path);
    return folder->sealed;
}

int tautd_sink_take(struct tautd_sink *sink, struct tautd_sink_news *out, int most)
{
    uint64_t count;
    ssize_t ignored = read(sink->event, &count, sizeof count);
    (void)ignored;
    int n = 0;
    pthread_mutex_lock(&sink->lock);
    for (struct tautd_folder **at = &sink->folders; *at;) {
        struct tautd_folder *folder = *at;
        bool told_sealed = false;
        while (n < most && !told_sealed && next_news(folder, &out[n]))
            told_sealed = out[n++].kind == TAUTD_SINK_SEALED;
        if (told_sealed && folder->busy == 0) {
            *at = folder->next;
            tautd_sink_free_folder(folder);
        } else {
            at = &folder->next;
        }
    }
    if (n == most)
        notify(sink);
    pthread_mutex_unlock(&sink->lock);
    return n;
}

/* ---- what the loop hands over ---- */

void tautd_sink_mark_gap(struct tautd_folder *folder)
{
    struct tautd_sink *sink = folder->sink;
    char row[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    if (folder->lost > 0) {
        taut_text_init(&text, row, sizeof row);
        taut_trace_gap(folder->lost_row, (int64_t)folder->lost, &text);
        if (tautd_backlog_push(&folder->stream[TAUTD_STREAM_TRACE].queue, text.at, text.length, &sink->held, sink->options.bound))
            folder->lost = 0;
    }
    if (folder->lost_lines > 0) {
        taut_text_init(&text, row, sizeof row);
        taut_text_addf(&text, "{\"effect\":\"gap\",\"lines_lost\":%llu}\n", (unsigned long long)folder->lost_lines);
        if (tautd_backlog_push(&folder->stream[TAUTD_STREAM_JOURNAL].queue, text.at, text.length, &sink->held,
                               sink->options.journal_bound))
            folder->lost_lines = 0;
    }
    if (folder->lost == 0 && folder->lost_lines == 0)
        tautd_sink_trouble_over(folder, TAUTD_TROUBLE_FULL);
}

void tautd_folder_trace(struct tautd_folder *folder, const char *bytes, size_t n, int rows)
{
    struct tautd_sink *sink = folder->sink;
    pthread_mutex_lock(&sink->lock);
    tautd_sink_mark_gap(folder);
    if (folder->lost > 0 ||
        !tautd_backlog_push(&folder->stream[TAUTD_STREAM_TRACE].queue, bytes, n, &sink->held, sink->options.bound)) {
        if (folder->lost == 0) {
            size_t length = strcspn(bytes, "\n");
            snprintf(folder->lost_row, sizeof folder->lost_row, "%.*s", (int)length, bytes);
        }
        folder->lost += (uint64_t)rows;
        folder->dropped += (uint64_t)rows;
        tautd_sink_trouble(folder, TAUTD_TROUBLE_FULL, "rows are dropped: the memory for rows that wait is full", ENOBUFS);
    }
    sink->queued = true;
    pthread_mutex_unlock(&sink->lock);
}

void tautd_folder_journal(struct tautd_folder *folder, const char *bytes, size_t n)
{
    struct tautd_sink *sink = folder->sink;
    struct tautd_backlog *queue = &folder->stream[TAUTD_STREAM_JOURNAL].queue;
    pthread_mutex_lock(&sink->lock);
    tautd_sink_mark_gap(folder);
    if (folder->lost_lines > 0 || !tautd_backlog_push(queue, bytes, n, &sink->held, sink->options.journal_bound)) {
        folder->lost_lines++;
        tautd_sink_trouble(folder, TAUTD_TROUBLE_FULL, "events are dropped: the memory for lines that wait is full", ENOBUFS);
    }
    sink->queued = true;
    pthread_mutex_unlock(&sink->lock);
}

void tautd_sink_flush(struct tautd_sink *sink)
{
    pthread_mutex_lock(&sink->lock);
    if (sink->queued) {
        sink->queued = false;
        sink->write_now = true;
        pthread_cond_signal(&sink->wake_writer);
    }
    pthread_mutex_unlock(&sink->lock);
}

void tautd_folder_put(struct tautd_folder *folder, const char *name, const char *bytes, size_t n)
{
    struct tautd_sink *sink = folder->sink;
    char *copy = malloc(n ? n : 1);
    pthread_mutex_lock(&sink->lock);
    int i = 0;
    while (i < folder->puts && strcmp(folder->put[i].name, name) != 0)
        i++;
    if (!copy || i == TAUTD_PUTS_MAX) {
        tautd_sink_trouble(folder, TAUTD_TROUBLE_PUT, name, copy ? ENOBUFS : ENOMEM);
        free(copy);
    } else {
        if (i == folder->puts)
            folder->puts++;
        else
            free(folder->put[i].bytes);
        memcpy(copy, bytes, n);
        folder->put[i] = (struct tautd_put){.bytes = copy, .n = n};
        snprintf(folder->put[i].name, sizeof folder->put[i].name, "%s", name);
        sink->sync_now = true;
        pthread_cond_signal(&sink->wake_syncer);
    }
    pthread_mutex_unlock(&sink->lock);
}

void tautd_folder_seal(struct tautd_folder *folder)
{
    struct tautd_sink *sink = folder->sink;
    pthread_mutex_lock(&sink->lock);
    folder->sealing = true;
    sink->write_now = sink->sync_now = true;
    pthread_cond_signal(&sink->wake_writer);
    pthread_cond_signal(&sink->wake_syncer);
    pthread_mutex_unlock(&sink->lock);
}

const char *tautd_folder_path(const struct tautd_folder *folder)
{
    return folder->path;
}

uint64_t tautd_folder_rows(const struct tautd_folder *folder)
{
    return atomic_load(&folder->rows);
}
