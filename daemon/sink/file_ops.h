/** @file file_ops.h  The system calls by which the sink changes the disk, as a table: a test wraps it and lets the
 *  N-th call fail. Each behaves as the call it is named after, errno included. */
#ifndef TAUTD_FILE_OPS_H
#define TAUTD_FILE_OPS_H

#include <stdint.h>
#include <sys/types.h>

struct tautd_file_ops {
    int (*open_at)(int dir, const char *name, int flags, mode_t mode);
    int (*make_dir_at)(int dir, const char *name, mode_t mode);
    ssize_t (*write)(int fd, const void *bytes, size_t n);
    int (*sync_data)(int fd); /* fdatasync */
    int (*sync)(int fd);      /* fsync; for folders */
    int (*rename_at)(int from_dir, const char *from, int to_dir, const char *to);
    int (*unlink_at)(int dir, const char *name, int flags);
    int (*truncate)(int fd, off_t size);
    int (*chmod)(int fd, mode_t mode);
    int64_t (*real_ns)(void); /* CLOCK_MONOTONIC: when to try again */
};

/** The real ones. */
extern const struct tautd_file_ops tautd_file_ops_real;

#endif
