/* Failure policy: nothing here decides. A failed call is reported with errno and leaves what was whole before whole;
 * the caller tells the person and tries again. */
#include "sink/disk.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <sodium.h>

enum { PIECE = 65536 };

enum taut_status tautd_disk_refuse(struct taut_diag *diag, const char *path, const char *what)
{
    int error = errno;
    enum taut_status status = error == ENOENT ? TAUT_E_NOENT : error == EEXIST ? TAUT_E_EXISTS : TAUT_E_IO;
    taut_diag_set(diag, status, "%s: %s", what, strerror(error));
    if (diag)
        snprintf(diag->file, sizeof diag->file, "%s", path);
    return status;
}

int tautd_disk_folder(const struct tautd_file_ops *ops, int dir, const char *name, bool make)
{
    if (make && ops->make_dir_at(dir, name, 0750) < 0 && errno != EEXIST)
        return -1;
    return ops->open_at(dir, name, O_RDONLY | O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC, 0);
}

int tautd_disk_walk(const struct tautd_file_ops *ops, int dir, const char *path)
{
    int at = -1;
    for (;;) {
        char name[NAME_MAX + 1];
        size_t n = strcspn(path, "/");
        if (n == 0 || n > NAME_MAX || strncmp(path, ".", n) == 0 || strncmp(path, "..", n) == 0) {
            errno = EINVAL;
            if (at >= 0)
                close(at);
            return -1;
        }
        memcpy(name, path, n);
        name[n] = '\0';
        int below = tautd_disk_folder(ops, at < 0 ? dir : at, name, false);
        int error = errno;
        if (at >= 0)
            close(at);
        errno = error;
        if (below < 0 || path[n] == '\0')
            return below;
        at = below;
        path += n + 1;
    }
}

int tautd_disk_write(const struct tautd_file_ops *ops, int fd, const char *bytes, size_t n)
{
    while (n > 0) {
        ssize_t done = ops->write(fd, bytes, n);
        if (done < 0 && errno == EINTR)
            continue;
        if (done <= 0) {
            if (done == 0)
                errno = ENOSPC;
            return -1;
        }
        bytes += done;
        n -= (size_t)done;
    }
    return 0;
}

static int close_after(int fd, int result)
{
    int error = errno;
    close(fd);
    errno = error;
    return result;
}

int tautd_disk_put(const struct tautd_file_ops *ops, int dir, const char *name, const char *bytes, size_t n)
{
    char beside[NAME_MAX + 1];
    snprintf(beside, sizeof beside, ".%.200s.new", name);
    int fd = ops->open_at(dir, beside, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0640);
    if (fd < 0)
        return -1;
    int result = tautd_disk_write(ops, fd, bytes, n);
    if (result == 0)
        result = ops->sync_data(fd);
    result = close_after(fd, result);
    if (result == 0)
        result = ops->rename_at(dir, beside, dir, name);
    if (result < 0) {
        int error = errno;
        ops->unlink_at(dir, beside, 0);
        errno = error;
        return -1;
    }
    return ops->sync(dir);
}

struct extent {
    int64_t size, whole; /* bytes in all; bytes up to the end of the last usable line */
    uint64_t lines;
    bool lines_after; /* whole lines follow the first NUL byte */
};

static int measure(int fd, struct extent *extent)
{
    char *piece = malloc(PIECE);
    bool nul = false;
    ssize_t n = 0;
    *extent = (struct extent){0};
    while (piece && (n = pread(fd, piece, PIECE, extent->size)) > 0) {
        for (ssize_t i = 0; i < n; i++) {
            if (piece[i] == '\0') {
                nul = true;
            } else if (piece[i] == '\n' && nul) {
                extent->lines_after = true;
            } else if (piece[i] == '\n') {
                extent->whole = extent->size + i + 1;
                extent->lines++;
            }
        }
        extent->size += n;
    }
    if (!piece) {
        errno = ENOMEM;
        return -1;
    }
    free(piece);
    return n < 0 ? -1 : 0;
}

/* Copy bytes [from, to) of `in` to where `out` stands. */
static int copy(const struct tautd_file_ops *ops, int in, int out, int64_t from, int64_t to)
{
    char *piece = malloc(PIECE);
    int result = piece ? 0 : -1;
    if (!piece)
        errno = ENOMEM;
    while (result == 0 && from < to) {
        ssize_t n = pread(in, piece, to - from < PIECE ? (size_t)(to - from) : PIECE, from);
        if (n <= 0) {
            if (n == 0)
                errno = EIO;
            result = -1;
            break;
        }
        result = tautd_disk_write(ops, out, piece, (size_t)n);
        from += n;
    }
    free(piece);
    return result;
}

static int save_cut(const struct tautd_file_ops *ops, int dir, const char *name, int fd, const struct extent *extent)
{
    char beside[NAME_MAX + 1];
    snprintf(beside, sizeof beside, "%.200s.cut", name);
    int out = ops->open_at(dir, beside, O_WRONLY | O_CREAT | O_APPEND | O_NOFOLLOW | O_CLOEXEC, 0640);
    if (out < 0)
        return -1;
    int result = copy(ops, fd, out, extent->whole, extent->size);
    if (result == 0)
        result = ops->sync_data(out);
    return close_after(out, result);
}

int tautd_disk_mend(const struct tautd_file_ops *ops, int dir, const char *name, int fd, uint64_t *lines, int64_t *cut)
{
    struct extent extent;
    if (measure(fd, &extent) < 0)
        return -1;
    *lines = extent.lines;
    *cut = extent.size - extent.whole;
    if (*cut == 0)
        return 0;
    if (extent.lines_after && save_cut(ops, dir, name, fd, &extent) < 0)
        return -1;
    if (ops->truncate(fd, extent.whole) < 0)
        return -1;
    return ops->sync_data(fd);
}

int tautd_disk_rewrite(const struct tautd_file_ops *ops, int dir, const char *name, int64_t from, int64_t to)
{
    int in = ops->open_at(dir, name, O_RDONLY | O_NOFOLLOW | O_CLOEXEC, 0);
    if (in < 0)
        return -1;
    int out = ops->open_at(dir, name, O_WRONLY | O_NOFOLLOW | O_CLOEXEC, 0); /* not O_APPEND: in place */
    if (out < 0)
        return close_after(in, -1);
    int result = lseek(out, from, SEEK_SET) < 0 ? -1 : copy(ops, in, out, from, to);
    result = close_after(out, result);
    return close_after(in, result);
}

/* Names of the plain files in a folder, sorted; those of unfinished replacements (".x.new") are left out. */
struct names {
    int count, room;
    char (*name)[NAME_MAX + 1];
};

static int add_name(struct names *names, const char *name)
{
    if (names->count == names->room) {
        int room = names->room ? 2 * names->room : 16;
        char(*more)[NAME_MAX + 1] = realloc(names->name, (size_t)room * sizeof *more);
        if (!more) {
            errno = ENOMEM;
            return -1;
        }
        names->name = more;
        names->room = room;
    }
    snprintf(names->name[names->count++], NAME_MAX + 1, "%.255s", name);
    return 0;
}

static int by_name(const void *a, const void *b)
{
    return strcmp(a, b);
}

/* A second descriptor with a position of its own, since reading a folder moves it. */
static DIR *list(int dir)
{
    int fd = openat(dir, ".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return NULL;
    DIR *entries = fdopendir(fd);
    if (!entries)
        close_after(fd, -1);
    return entries;
}

/* The caller frees names->name, also after a failure. */
static int list_files(int dir, struct names *names)
{
    *names = (struct names){0};
    DIR *entries = list(dir);
    if (!entries)
        return -1;
    const struct dirent *entry;
    int result = 0;
    while (result == 0 && (entry = readdir(entries))) {
        struct stat info;
        if (entry->d_name[0] == '.' || strcmp(entry->d_name, TAUTD_SUMS) == 0 || strpbrk(entry->d_name, "\\\n\r"))
            continue;
        if (fstatat(dir, entry->d_name, &info, AT_SYMLINK_NOFOLLOW) == 0 && S_ISREG(info.st_mode))
            result = add_name(names, entry->d_name);
    }
    closedir(entries);
    if (names->count > 1)
        qsort(names->name, (size_t)names->count, sizeof names->name[0], by_name);
    return result;
}

static int digest(int dir, const char *name, char hex[2 * crypto_hash_sha256_BYTES + 1])
{
    int fd = openat(dir, name, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
    if (fd < 0)
        return -1;
    crypto_hash_sha256_state state;
    crypto_hash_sha256_init(&state);
    char *piece = malloc(PIECE);
    ssize_t n = -1;
    while (piece && (n = read(fd, piece, PIECE)) > 0)
        crypto_hash_sha256_update(&state, (const unsigned char *)piece, (unsigned long long)n);
    free(piece);
    unsigned char sum[crypto_hash_sha256_BYTES];
    crypto_hash_sha256_final(&state, sum);
    sodium_bin2hex(hex, 2 * crypto_hash_sha256_BYTES + 1, sum, sizeof sum);
    return close_after(fd, n < 0 ? -1 : 0);
}

int tautd_disk_sums(const struct tautd_file_ops *ops, int dir)
{
    struct names names;
    char *text = NULL;
    size_t used = 0, size = 0;
    int result = list_files(dir, &names);
    if (result == 0) {
        size = (size_t)names.count * (NAME_MAX + 80) + 1;
        text = malloc(size);
        result = text ? 0 : -1;
    }
    for (int i = 0; result == 0 && i < names.count; i++) {
        char hex[2 * crypto_hash_sha256_BYTES + 1];
        result = digest(dir, names.name[i], hex);
        if (result == 0)
            used += (size_t)snprintf(text + used, size - used, "%s  %s\n", hex, names.name[i]);
    }
    if (result == 0)
        result = tautd_disk_put(ops, dir, TAUTD_SUMS, text, used);
    int error = errno;
    free(names.name);
    free(text);
    errno = error;
    return result;
}

int tautd_disk_read_only(const struct tautd_file_ops *ops, int dir)
{
    struct names names;
    int result = list_files(dir, &names);
    if (result == 0)
        result = add_name(&names, TAUTD_SUMS);
    for (int i = 0; result == 0 && i < names.count; i++) {
        int fd = openat(dir, names.name[i], O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
        result = fd < 0 ? -1 : close_after(fd, ops->chmod(fd, 0440));
    }
    int error = errno;
    free(names.name);
    errno = error;
    return result;
}

int tautd_disk_last_run(int dir)
{
    DIR *entries = list(dir);
    if (!entries)
        return -1;
    int last = 0;
    const struct dirent *entry;
    while ((entry = readdir(entries))) {
        size_t digits = strspn(entry->d_name, "0123456789");
        int number = digits > 0 && digits < 9 && entry->d_name[digits] == '\0' ? (int)strtol(entry->d_name, NULL, 10) : 0;
        if (number > last)
            last = number;
    }
    closedir(entries);
    return last;
}

int tautd_disk_marks(int dir, char (**marks)[TAUTD_MARK_MAX])
{
    struct names names;
    int count = 0;
    *marks = NULL;
    if (list_files(dir, &names) == 0 && names.count > 0)
        *marks = malloc((size_t)names.count * sizeof **marks);
    for (int i = 0; *marks && i < names.count; i++)
        if (strlen(names.name[i]) < sizeof **marks)
            snprintf((*marks)[count++], sizeof **marks, "%.175s", names.name[i]);
    free(names.name);
    return count;
}
