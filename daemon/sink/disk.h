/** @file disk.h  What the sink does on the disk, without threads: safe paths, whole files, torn tails, checksums.
 *
 *  Every name is opened relative to a folder that is already open, and no symbolic link below the state folder is
 *  followed, so no part id and no link can lead outside. Functions return 0 or -1 with errno unless stated. */
#ifndef TAUTD_DISK_H
#define TAUTD_DISK_H

#include <stddef.h>
#include <stdint.h>

#include "sink/file_ops.h"
#include "taut/diag.h"
#include "taut/record.h"

#define TAUTD_TRACE    "trace.csv"
#define TAUTD_METADATA "trace.csv-metadata.json"
#define TAUTD_JOURNAL  "journal.jsonl"
#define TAUTD_RECORD   "record.json"
#define TAUTD_SUMS     "SHA256SUMS"

/** Name of an open part's mark, "<station>+<part>+<run>": one for each run, so that sealing the last run of a station
 *  can never take the mark of the next. */
enum { TAUTD_MARK_MAX = 2 * TAUT_FOLDER_NAME_MAX + 16 };

/** Fill a finding about a path from errno: "<what>: <system's words>".  @return TAUT_E_IO, TAUT_E_NOENT or TAUT_E_EXISTS */
enum taut_status tautd_disk_refuse(struct taut_diag *diag, const char *path, const char *what);

/** Open a folder below `dir`; made first (0750) when `make`.  @return descriptor or -1 */
int tautd_disk_folder(const struct tautd_file_ops *ops, int dir, const char *name, bool make);

/** Open "a/b/c" below `dir`, one name at a time; "", "." and ".." are refused (EINVAL). */
int tautd_disk_walk(const struct tautd_file_ops *ops, int dir, const char *path);

/** Write all bytes; short writes are continued. */
int tautd_disk_write(const struct tautd_file_ops *ops, int fd, const char *bytes, size_t n);

/** Make or replace a whole file: write beside it, sync, rename, sync the folder. The old one stays whole on failure. */
int tautd_disk_put(const struct tautd_file_ops *ops, int dir, const char *name, const char *bytes, size_t n);

/** Cut what does not end in a line end, and anything from the first NUL byte on, off the end of a file. A cut that
 *  holds whole lines (they follow a NUL) is first saved beside it as "<name>.cut".
 *  @param lines  receives the whole lines left
 *  @param cut    receives the bytes cut off */
int tautd_disk_mend(const struct tautd_file_ops *ops, int dir, const char *name, int fd, uint64_t *lines, int64_t *cut);

/** Put bytes [from, to) of a file once more, after the system said that it may have lost them. */
int tautd_disk_rewrite(const struct tautd_file_ops *ops, int dir, const char *name, int64_t from, int64_t to);

/** Write SHA256SUMS over every plain file in the folder, sorted by name. */
int tautd_disk_sums(const struct tautd_file_ops *ops, int dir);

/** Take write permission off every file in the folder. */
int tautd_disk_read_only(const struct tautd_file_ops *ops, int dir);

/** Greatest run number (a name of digits only) in a folder; 0 when none. -1 with errno. */
int tautd_disk_last_run(int dir);

/** Names of the plain files in a folder that do not begin with a dot.
 *  @param marks  receives an array to be freed by the caller, or NULL; longer names are left out
 *  @return       how many; 0 on failure */
int tautd_disk_marks(int dir, char (**marks)[TAUTD_MARK_MAX]);

#endif
