#include "sink/file_ops.h"

#include <fcntl.h>
#include <stdio.h>
#include <sys/stat.h>
#include <unistd.h>

#include "clock.h"

static int real_open_at(int dir, const char *name, int flags, mode_t mode)
{
    return openat(dir, name, flags, mode); /* variadic, so it needs a plain cover */
}

const struct tautd_file_ops tautd_file_ops_real = {
    .open_at = real_open_at,
    .make_dir_at = mkdirat,
    .write = write,
    .sync_data = fdatasync,
    .sync = fsync,
    .rename_at = renameat,
    .unlink_at = unlinkat,
    .truncate = ftruncate,
    .chmod = fchmod,
    .real_ns = tautd_clock_real_ns,
};
