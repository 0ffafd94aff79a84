/* Making a part's folder, taking one up again, and the marks of open parts.
 *
 * Failure policy: each function does all or nothing and says why not. Nothing half made is left behind; what a crash
 * leaves half made carries no mark, and its run number is skipped. */
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "sink/inside.h"
#include "taut/taut.h"

enum taut_status tautd_sink_next_run(struct tautd_sink *sink, const char *part, int *number, struct taut_diag *diag)
{
    char name[TAUT_FOLDER_NAME_MAX];
    enum taut_status status = taut_part_folder(part, name, diag);
    if (status)
        return status;
    int dir = tautd_disk_folder(sink->options.ops, sink->parts, name, false);
    if (dir < 0 && errno == ENOENT) {
        *number = 1;
        return TAUT_OK;
    }
    int last = dir < 0 ? -1 : tautd_disk_last_run(dir);
    if (last < 0)
        status = tautd_disk_refuse(diag, name, "the part's folder can not be read");
    else
        *number = last + 1;
    if (dir >= 0)
        close(dir);
    return status;
}

static struct tautd_folder *new_folder(struct tautd_sink *sink, int station, struct taut_diag *diag)
{
    struct tautd_folder *folder = calloc(1, sizeof *folder);
    if (!folder) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
        return NULL;
    }
    folder->sink = sink;
    folder->station = station;
    folder->dir = folder->stream[TAUTD_STREAM_TRACE].fd = folder->stream[TAUTD_STREAM_JOURNAL].fd = -1;
    return folder;
}

static void enlist(struct tautd_folder *folder)
{
    struct tautd_sink *sink = folder->sink;
    pthread_mutex_lock(&sink->lock);
    folder->next = sink->folders;
    sink->folders = folder;
    pthread_mutex_unlock(&sink->lock);
}

/* Make one of the two growing files with its first line, on disk when this returns. */
static int make_stream(struct tautd_folder *folder, int which, const char *name, const struct taut_text *text)
{
    const struct tautd_file_ops *ops = folder->sink->options.ops;
    struct tautd_stream *stream = &folder->stream[which];
    stream->fd = ops->open_at(folder->dir, name, O_WRONLY | O_CREAT | O_EXCL | O_APPEND | O_NOFOLLOW | O_CLOEXEC, 0640);
    if (stream->fd < 0 || tautd_disk_write(ops, stream->fd, text->at, text->length) < 0 || ops->sync_data(stream->fd) < 0)
        return -1;
    stream->written = stream->synced = (int64_t)text->length;
    return 0;
}

static int make_files(struct tautd_folder *folder, const struct taut_station_setup *setup, const struct taut_run *run)
{
    const size_t size = TAUT_JOURNAL_LINE_MAX > TAUT_METADATA_MAX ? TAUT_JOURNAL_LINE_MAX : TAUT_METADATA_MAX;
    char *storage = malloc(size);
    struct taut_text text;
    if (!storage) {
        errno = ENOMEM;
        return -1;
    }
    taut_text_init(&text, storage, size);
    taut_trace_header(setup, &text);
    int result = make_stream(folder, TAUTD_STREAM_TRACE, TAUTD_TRACE, &text);
    if (result == 0) {
        taut_text_init(&text, storage, size);
        taut_journal_open(setup, run, "tautd " TAUT_VERSION, &text);
        result = make_stream(folder, TAUTD_STREAM_JOURNAL, TAUTD_JOURNAL, &text);
    }
    if (result == 0) {
        taut_text_init(&text, storage, size);
        taut_trace_metadata(setup, run, &text);
        result = tautd_disk_put(folder->sink->options.ops, folder->dir, TAUTD_METADATA, text.at, text.length);
    }
    int error = errno;
    free(storage);
    errno = error;
    return result;
}

/* The mark names the folder and the station, one a line. */
static int make_mark(struct tautd_folder *folder, const char *station, const char *below)
{
    char text[2 * TAUT_FOLDER_NAME_MAX + TAUT_NAME_MAX];
    int n = snprintf(text, sizeof text, "%s\n%s\n", below, station);
    return tautd_disk_put(folder->sink->options.ops, folder->sink->open, folder->mark, text, (size_t)n);
}

struct tautd_folder *tautd_sink_open(struct tautd_sink *sink, int station_index, const struct taut_station_setup *setup,
                                     const struct taut_run *run, struct taut_diag *diag)
{
    const struct tautd_file_ops *ops = sink->options.ops;
    char part[TAUT_FOLDER_NAME_MAX], station[TAUT_FOLDER_NAME_MAX], number[16], below[2 * TAUT_FOLDER_NAME_MAX];
    struct tautd_folder *folder;
    if (taut_part_folder(run->part, part, diag) || taut_part_folder(setup->name, station, diag) ||
        !(folder = new_folder(sink, station_index, diag)))
        return NULL;
    snprintf(number, sizeof number, "%03d", run->number);
    snprintf(below, sizeof below, TAUTD_PARTS "/%s/%s", part, number);
    snprintf(folder->path, sizeof folder->path, "%.3000s/%s", sink->state_dir, below);
    snprintf(folder->mark, sizeof folder->mark, "%s+%s+%s", station, part, number);
    int part_dir = tautd_disk_folder(ops, sink->parts, part, true);
    bool made = false;
    if (part_dir < 0 || ops->sync(sink->parts) < 0 || !(made = ops->make_dir_at(part_dir, number, 0750) == 0)) {
        tautd_disk_refuse(diag, folder->path, "the part's folder can not be made");
    } else if ((folder->dir = tautd_disk_folder(ops, part_dir, number, false)) < 0 || make_files(folder, setup, run) < 0 ||
               ops->sync(part_dir) < 0) {
        tautd_disk_refuse(diag, folder->path, "the part's files can not be written");
    } else if (make_mark(folder, setup->name, below) < 0) {
        tautd_disk_refuse(diag, folder->path, "the part can not be marked as open");
    } else {
        close(part_dir);
        enlist(folder);
        return folder;
    }
    if (folder->dir >= 0) { /* leave nothing half made, so that the next attempt finds the number free */
        ops->unlink_at(folder->dir, TAUTD_TRACE, 0);
        ops->unlink_at(folder->dir, TAUTD_JOURNAL, 0);
        ops->unlink_at(folder->dir, TAUTD_METADATA, 0);
        ops->unlink_at(sink->open, folder->mark, 0);
    }
    if (made)
        ops->unlink_at(part_dir, number, AT_REMOVEDIR);
    if (part_dir >= 0) {
        ops->unlink_at(sink->parts, part, AT_REMOVEDIR); /* only when it has no other run */
        close(part_dir);
    }
    tautd_sink_free_folder(folder);
    return NULL;
}

static bool read_mark(int dir, const char *name, char *text, size_t size)
{
    int fd = openat(dir, name, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return false;
    ssize_t n = read(fd, text, size - 1);
    close(fd);
    text[n > 0 ? n : 0] = '\0';
    return n > 0;
}

static void each_mark(struct tautd_sink *sink, void (*each)(void *ctx, const char *mark, const char *station, const char *path),
                      void *ctx)
{
    char(*names)[TAUTD_MARK_MAX] = NULL;
    int count = tautd_disk_marks(sink->open, &names);
    for (int i = 0; i < count; i++) {
        char text[4 * TAUT_FOLDER_NAME_MAX], path[PATH_MAX];
        if (!read_mark(sink->open, names[i], text, sizeof text))
            continue;
        char *station = strchr(text, '\n'), *end;
        if (!station || !(end = strchr(station + 1, '\n')))
            continue;
        *station++ = '\0';
        *end = '\0';
        snprintf(path, sizeof path, "%.3000s/%s", sink->state_dir, text);
        each(ctx, names[i], station, path);
    }
    free(names);
}

/* The mark whose first line names this folder. */
struct find_mark {
    const char *path;
    char *mark;
};

static void match_mark(void *ctx, const char *mark, const char *station, const char *path)
{
    struct find_mark *find = ctx;
    (void)station;
    if (strcmp(path, find->path) == 0)
        snprintf(find->mark, TAUTD_MARK_MAX, "%s", mark);
}

static int take_up_stream(struct tautd_folder *folder, int which, const char *name, uint64_t *lines)
{
    const struct tautd_file_ops *ops = folder->sink->options.ops;
    struct tautd_stream *stream = &folder->stream[which];
    struct stat info;
    int64_t cut;
    stream->fd = ops->open_at(folder->dir, name, O_RDWR | O_APPEND | O_NOFOLLOW | O_CLOEXEC, 0);
    if (stream->fd < 0 || tautd_disk_mend(ops, folder->dir, name, stream->fd, lines, &cut) < 0 || fstat(stream->fd, &info) < 0)
        return -1;
    stream->written = info.st_size;
    stream->synced = 0; /* what was written before the end may not be on disk yet */
    return 0;
}

struct tautd_folder *tautd_sink_reopen(struct tautd_sink *sink, int station_index, const char *path, struct taut_diag *diag)
{
    size_t n = strlen(sink->state_dir);
    if (strncmp(path, sink->state_dir, n) != 0 || strncmp(path + n, "/" TAUTD_PARTS "/", sizeof TAUTD_PARTS + 1) != 0) {
        taut_diag_set(diag, TAUT_E_ARG, "%.100s is not a part's folder below %.100s", path, sink->state_dir);
        return NULL;
    }
    struct tautd_folder *folder = new_folder(sink, station_index, diag);
    if (!folder)
        return NULL;
    snprintf(folder->path, sizeof folder->path, "%s", path);
    each_mark(sink, match_mark, &(struct find_mark){.path = path, .mark = folder->mark});
    uint64_t rows, lines;
    folder->dir = tautd_disk_walk(sink->options.ops, sink->dir, path + n + 1);
    if (folder->dir < 0 || take_up_stream(folder, TAUTD_STREAM_TRACE, TAUTD_TRACE, &rows) < 0 ||
        take_up_stream(folder, TAUTD_STREAM_JOURNAL, TAUTD_JOURNAL, &lines) < 0) {
        tautd_disk_refuse(diag, path, "the open part can not be taken up again");
    } else if (rows == 0 || lines == 0) {
        taut_diag_set(diag, TAUT_E_FORMAT, "%s has no first line: the part can not be taken up again",
                      rows == 0 ? TAUTD_TRACE : TAUTD_JOURNAL);
    } else {
        atomic_store(&folder->rows, rows - 1);
        enlist(folder);
        return folder;
    }
    tautd_sink_free_folder(folder);
    return NULL;
}

struct tell_each {
    void (*each)(void *ctx, const char *station, const char *path);
    void *ctx;
};

static void tell(void *ctx, const char *mark, const char *station, const char *path)
{
    struct tell_each *to = ctx;
    (void)mark;
    to->each(to->ctx, station, path);
}

void tautd_sink_open_folders(struct tautd_sink *sink, void (*each)(void *ctx, const char *station, const char *path), void *ctx)
{
    each_mark(sink, tell, &(struct tell_each){.each = each, .ctx = ctx});
}
