/* Every system call of the sink fails once, and each kind fails for a while: a start is refused with the reason or the
 * trouble is told, no row that was reported as written is lost, and when the disk works again the part is sealed
 * whole. Loop: fail call 1, 2, 3 ... of a kind until a whole part passes without the fault being hit. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <errno.h>
#include <stdatomic.h>

#include "clock.h"
#include "sink/sink_new.h"
#include "tt_folder.h"
#include "tt_part.h"

enum call { OPEN, MAKE_DIR, WRITE, SHORT_WRITE, SYNC_DATA, SYNC, RENAME, UNLINK, TRUNCATE, CHMOD, CALLS };
static const char *const call_names[CALLS] = {"openat", "mkdirat",  "write",    "short write", "fdatasync",
                                              "fsync",  "renameat", "unlinkat", "ftruncate",   "fchmod"};
static const int call_errors[CALLS] = {EMFILE, ENOSPC, ENOSPC, 0, EIO, EIO, EIO, EROFS, EIO, EPERM};

static struct {
    _Atomic int kind, count, from, to; /* calls number from..to of `kind` fail; the first is 1 */
    _Atomic int hits;
} fault;

static void plan(enum call kind, int from, int to)
{
    fault.kind = (int)kind;
    fault.from = from;
    fault.to = to;
    fault.count = fault.hits = 0;
}

static bool fails(enum call kind)
{
    if (fault.kind != (int)kind)
        return false;
    int number = ++fault.count;
    if (number < fault.from || number > fault.to)
        return false;
    fault.hits++;
    errno = call_errors[kind];
    return true;
}

static int open_at(int dir, const char *name, int flags, mode_t mode)
{
    return fails(OPEN) ? -1 : tautd_file_ops_real.open_at(dir, name, flags, mode);
}

static int make_dir_at(int dir, const char *name, mode_t mode)
{
    return fails(MAKE_DIR) ? -1 : tautd_file_ops_real.make_dir_at(dir, name, mode);
}

static ssize_t write_some(int fd, const void *bytes, size_t n)
{
    if (fails(WRITE))
        return -1;
    return tautd_file_ops_real.write(fd, bytes, n > 7 && fails(SHORT_WRITE) ? 7 : n);
}

static int sync_data(int fd)
{
    return fails(SYNC_DATA) ? -1 : tautd_file_ops_real.sync_data(fd);
}

static int sync_folder(int fd)
{
    return fails(SYNC) ? -1 : tautd_file_ops_real.sync(fd);
}

static int rename_at(int from_dir, const char *from, int to_dir, const char *to)
{
    return fails(RENAME) ? -1 : tautd_file_ops_real.rename_at(from_dir, from, to_dir, to);
}

static int unlink_at(int dir, const char *name, int flags)
{
    return fails(UNLINK) ? -1 : tautd_file_ops_real.unlink_at(dir, name, flags);
}

static int cut(int fd, off_t size)
{
    return fails(TRUNCATE) ? -1 : tautd_file_ops_real.truncate(fd, size);
}

static int change_mode(int fd, mode_t mode)
{
    return fails(CHMOD) ? -1 : tautd_file_ops_real.chmod(fd, mode);
}

static int64_t real_ns(void)
{
    return tautd_clock_real_ns();
}

static const struct tautd_file_ops ops = {open_at,   make_dir_at, write_some, sync_data,   sync_folder,
                                          rename_at, unlink_at,   cut,        change_mode, real_ns};

static struct tautd_sink_options options(void)
{
    return (struct tautd_sink_options){.sync_s = 0.004, .retry_s = 0.01, .bound = 1 << 20, .journal_bound = 2 << 20, .ops = &ops};
}

static void print_row(int64_t i, struct taut_text *text)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    struct taut_sweep sweep = tt_sweep(5000 + i % 100);
    taut_trace_row(&setup, &clock, TT_START_WALL_NS + i * 100000000, i * 100000000, TAUT_PHASE_CURE, &sweep, "", text);
}

static void add_row(struct tautd_sink *sink, struct tautd_folder *folder, int64_t i)
{
    char storage[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    print_row(i, &text);
    tautd_folder_trace(folder, text.at, text.length, 1);
    tautd_folder_journal(folder, "{\"row\":1,\"effect\":\"note\"}\n", 26);
    tautd_sink_flush(sink);
}

/* Rows 0 .. n-1, whole, once each, in order; returns n. A torn last line is left out. */
static int64_t whole_rows(const char *path)
{
    char *trace = tt_file(path, "trace.csv", NULL), *line = strchr(trace, '\n') + 1;
    int64_t rows = 0;
    while (strchr(line, '\n')) {
        char storage[TAUT_TRACE_ROW_MAX];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        print_row(rows, &text);
        assert_memory_equal(line, text.at, text.length);
        line += text.length;
        rows++;
    }
    free(trace);
    return rows;
}

struct told {
    int failing, working, sealed;
    uint64_t dropped;
    char text[256];
};

static void take_news(struct tautd_sink *sink, struct told *told)
{
    struct tautd_sink_news news;
    while (tautd_sink_take(sink, &news, 1) == 1) {
        told->failing += news.kind == TAUTD_SINK_FAILING;
        told->working += news.kind == TAUTD_SINK_WORKING;
        told->sealed += news.kind == TAUTD_SINK_SEALED;
        told->dropped = news.dropped_rows;
        if (news.kind == TAUTD_SINK_FAILING)
            memcpy(told->text, news.text, sizeof told->text);
    }
}

static bool wait_for(struct tautd_sink *sink, struct told *told, const int *what, double most_s)
{
    for (int i = 0; i < (int)(most_s * 500); i++) {
        take_news(sink, told);
        if (*what > 0)
            return true;
        usleep(2000);
    }
    return false;
}

enum { ROWS = 30 };

/* One part from the making of the sink to the seal. Returns false when the fault was not hit. `lasting`: the fault
 * ends only after it was told. */
static bool make_part(enum call kind, bool lasting)
{
    struct tautd_sink_options how = options();
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    struct taut_diag diag = {0};
    struct told told = {0};
    char state[64], below[80], path[128], command[256];
    tt_folder_make(state);
    snprintf(below, sizeof below, "%s/a/state", state);
    snprintf(path, sizeof path, "%s/parts/rudder-17/001", below);
    struct tautd_sink *sink = tautd_sink_new_with(below, &how, &diag);
    if (!sink) {
        assert_true(fault.hits > 0 && diag.status != TAUT_OK && diag.text[0]);
        fault.to = 0;
        sink = tautd_sink_new_with(below, &how, &diag);
        assert_non_null(sink);
    }
    struct tautd_folder *folder = tautd_sink_open(sink, 0, &setup, &run, &diag);
    if (!folder) { /* refused with the reason; once it works the same number is free */
        assert_true(fault.hits > 0 && diag.status != TAUT_OK && diag.text[0]);
        fault.to = 0;
        int number = 0;
        assert_int_equal(tautd_sink_next_run(sink, "rudder-17", &number, NULL), TAUT_OK);
        if (number != 1) /* the fault kept the half-made folder from being removed: its number is skipped */
            assert_int_equal(kind, UNLINK);
        run.number = number;
        snprintf(path, sizeof path, "%s/parts/rudder-17/%03d", below, number);
        folder = tautd_sink_open(sink, 0, &setup, &run, &diag);
        assert_non_null(folder);
    }
    int hits_before = fault.hits;
    for (int64_t i = 0; i < ROWS; i++) {
        add_row(sink, folder, i);
        if (i % 10 == 0)
            usleep(3000);
        assert_true((int64_t)tautd_folder_rows(folder) <= whole_rows(path)); /* reported, so written */
    }
    tautd_folder_put(folder, "record.json", "{}\n", 3);
    tautd_folder_seal(folder);
    for (int i = 0; i < 2500 && told.sealed == 0; i++, usleep(2000)) {
        take_news(sink, &told);
        if (lasting && told.failing > 0)
            fault.to = 0;
    }
    assert_int_equal(told.sealed, 1);
    bool hit_later = fault.hits > hits_before;
    if (hit_later && kind != SHORT_WRITE) {
        if (told.failing == 0)
            fail_msg("%s failed and was not told", call_names[kind]);
        assert_non_null(strstr(told.text, strerror(call_errors[kind])));
        if (told.working == 0)
            fail_msg("%s %d: failing %d, never working", call_names[kind], fault.from, told.failing);
    }
    assert_int_equal(told.dropped, 0);
    assert_int_equal(whole_rows(path), ROWS);
    snprintf(command, sizeof command, "cd %s && sha256sum --quiet --strict -c SHA256SUMS && test $(wc -l < journal.jsonl) = %d",
             path, ROWS + 1);
    assert_int_equal(system(command), 0);
    tautd_sink_free(sink, 5);
    tt_folder_remove(state);
    return fault.hits > 0;
}

static void each_call_fails_once(enum call kind)
{
    int n = 1;
    for (plan(kind, n, n); make_part(kind, false); plan(kind, n, n))
        assert_true(++n < 500);
    print_message("%s: %d calls failed one at a time\n", call_names[kind], n - 1);
    assert_true(n > 1 || kind == TRUNCATE); /* only a torn file is cut */
}

static void each_call_fails_for_a_while(enum call kind)
{
    int n = 1;
    for (plan(kind, n, INT32_MAX); make_part(kind, true); plan(kind, n, INT32_MAX))
        assert_true((n += 3) < 500);
    print_message("%s: failed for a while from %d places\n", call_names[kind], (n - 1) / 3);
}

#define ONCE(name, kind)                                                                                                         \
    static void name(void **state)                                                                                               \
    {                                                                                                                            \
        (void)state;                                                                                                             \
        each_call_fails_once(kind);                                                                                              \
    }
#define WHILE(name, kind)                                                                                                        \
    static void name(void **state)                                                                                               \
    {                                                                                                                            \
        (void)state;                                                                                                             \
        each_call_fails_for_a_while(kind);                                                                                       \
    }
ONCE(an_openat_that_fails_loses_nothing, OPEN)
ONCE(a_mkdirat_that_fails_loses_nothing, MAKE_DIR)
ONCE(a_write_that_fails_loses_nothing, WRITE)
ONCE(a_write_that_is_short_is_continued, SHORT_WRITE)
ONCE(an_fdatasync_that_fails_loses_nothing, SYNC_DATA)
ONCE(an_fsync_that_fails_loses_nothing, SYNC)
ONCE(a_renameat_that_fails_loses_nothing, RENAME)
ONCE(an_unlinkat_that_fails_loses_nothing, UNLINK)
ONCE(an_fchmod_that_fails_loses_nothing, CHMOD)
WHILE(a_disk_that_is_full_for_a_while_loses_nothing, WRITE)
WHILE(a_disk_that_can_not_sync_for_a_while_loses_nothing, SYNC_DATA)
WHILE(a_folder_that_can_not_sync_for_a_while_loses_nothing, SYNC)
WHILE(names_that_can_not_change_for_a_while_lose_nothing, RENAME)
WHILE(a_lack_of_descriptors_for_a_while_loses_nothing, OPEN)

/* The torn end of a file can not be cut off: the part is refused, not taken up damaged. */
static void a_torn_part_that_can_not_be_mended_is_refused(void **state)
{
    (void)state;
    struct tautd_sink_options how = options();
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    struct taut_diag diag = {0};
    char folder_path[64], path[128], trace[160];
    tt_folder_make(folder_path);
    plan(TRUNCATE, 1, 1);
    struct tautd_sink *sink = tautd_sink_new_with(folder_path, &how, NULL);
    assert_non_null(tautd_sink_open(sink, 0, &setup, &run, NULL));
    tautd_sink_free(sink, 5);
    snprintf(path, sizeof path, "%s/parts/rudder-17/001", folder_path);
    snprintf(trace, sizeof trace, "%s/trace.csv", path);
    FILE *file = fopen(trace, "ab");
    fputs("torn", file);
    fclose(file);
    sink = tautd_sink_new_with(folder_path, &how, NULL);
    assert_null(tautd_sink_reopen(sink, 0, path, &diag));
    assert_int_equal(diag.status, TAUT_E_IO);
    struct tautd_folder *folder = tautd_sink_reopen(sink, 0, path, &diag);
    assert_non_null(folder);
    assert_int_equal(tautd_folder_rows(folder), 0);
    tautd_sink_free(sink, 5);
    tt_folder_remove(folder_path);
}

/* Memory for rows that wait is bounded: past it rows are dropped, counted, told and marked. */
static void rows_past_the_bound_are_counted_and_marked(void **state)
{
    (void)state;
    struct tautd_sink_options how = options();
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    struct told told = {0};
    char folder_path[64], path[128];
    how.bound = 32768;
    tt_folder_make(folder_path);
    plan(WRITE, INT32_MAX, INT32_MAX);
    struct tautd_sink *sink = tautd_sink_new_with(folder_path, &how, NULL);
    struct tautd_folder *folder = tautd_sink_open(sink, 0, &setup, &run, NULL);
    snprintf(path, sizeof path, "%s", tautd_folder_path(folder));
    add_row(sink, folder, 0);
    assert_true(tt_wait_rows(folder, 1, 5));
    plan(WRITE, 1, INT32_MAX);
    for (int64_t i = 1; i < 2000; i++)
        add_row(sink, folder, i);
    assert_true(wait_for(sink, &told, &told.failing, 5));
    assert_int_equal(tautd_folder_rows(folder), 1);
    fault.to = 0;
    assert_true(wait_for(sink, &told, &told.working, 5));
    for (int64_t i = 2000; i < 2010; i++)
        add_row(sink, folder, i);
    tautd_folder_seal(folder);
    assert_true(wait_for(sink, &told, &told.sealed, 5));
    tautd_sink_free(sink, 5);

    char *trace = tt_file(path, "trace.csv", NULL), *line = strchr(trace, '\n') + 1, *end;
    int64_t next = 0, lost = 0, gaps = 0;
    for (; (end = strchr(line, '\n')); line = end + 1) {
        int64_t n;
        end[-1] = '\0';
        if (taut_trace_is_gap(line, &n)) {
            assert_int_equal(atof(strchr(line, ',') + 1) * 10 + 0.5, next); /* the time of the first lost row */
            next += n;
            lost += n;
            gaps++;
        } else {
            assert_int_equal(atof(strchr(line, ',') + 1) * 10 + 0.5, next);
            next++;
        }
    }
    assert_int_equal(next, 2010);
    assert_int_equal(gaps, 1);
    assert_true(lost > 1000 && lost < 2000);
    assert_int_equal(told.dropped, lost);
    free(trace);
    tt_folder_remove(folder_path);
}

/* After a failed fdatasync the kernel may call lost pages clean: the bytes since the last good one are written again. */
static _Atomic int written_again;
static ssize_t count_again(int fd, const void *bytes, size_t n)
{
    int flags = fcntl(fd, F_GETFL);
    if (!(flags & O_APPEND) && n > 100)
        written_again += (int)n;
    return write(fd, bytes, n);
}

static void bytes_that_may_be_lost_in_a_failed_sync_are_written_again(void **state)
{
    (void)state;
    struct tautd_file_ops counting = ops;
    struct tautd_sink_options how = options();
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    struct told told = {0};
    char folder_path[64], path[128];
    counting.write = count_again;
    how.ops = &counting;
    tt_folder_make(folder_path);
    plan(SYNC_DATA, INT32_MAX, INT32_MAX);
    struct tautd_sink *sink = tautd_sink_new_with(folder_path, &how, NULL);
    struct tautd_folder *folder = tautd_sink_open(sink, 0, &setup, &run, NULL);
    snprintf(path, sizeof path, "%s", tautd_folder_path(folder));
    usleep(20000);
    written_again = 0;
    plan(SYNC_DATA, 1, 1);
    for (int64_t i = 0; i < 5; i++)
        add_row(sink, folder, i);
    assert_true(wait_for(sink, &told, &told.working, 5));
    assert_int_equal(told.failing, 1);
    assert_true(written_again > 0);
    for (int64_t i = 5; i < 10; i++)
        add_row(sink, folder, i);
    assert_true(tt_wait_rows(folder, 10, 5));
    assert_int_equal(whole_rows(path), 10);
    tautd_sink_free(sink, 5);
    assert_int_equal(whole_rows(path), 10);
    tt_folder_remove(folder_path);
}

/* A disk that hangs must not keep the daemon from ending, nor the loop from turning. */
static _Atomic int hang_ms;
static struct tautd_sink *left_behind; /* what a hanging thread still holds is not freed */
static ssize_t slow_write(int fd, const void *bytes, size_t n)
{
    for (int i = 0; i < hang_ms; i++)
        usleep(1000);
    return write(fd, bytes, n);
}

static void a_disk_that_hangs_holds_up_neither_the_loop_nor_the_end(void **state)
{
    (void)state;
    static struct tautd_file_ops hanging;
    hanging = ops;
    hanging.write = slow_write;
    struct tautd_sink_options how = options();
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    char folder_path[64];
    how.ops = &hanging;
    tt_folder_make(folder_path);
    plan(WRITE, INT32_MAX, INT32_MAX);
    left_behind = tautd_sink_new_with(folder_path, &how, NULL);
    struct tautd_folder *folder = tautd_sink_open(left_behind, 0, &setup, &run, NULL);
    hang_ms = 2000;
    add_row(left_behind, folder, 0);
    usleep(20000);
    int64_t start = tautd_clock_real_ns();
    for (int64_t i = 1; i < 1000; i++)
        add_row(left_behind, folder, i);
    int64_t queued = tautd_clock_real_ns();
    assert_true(tautd_folder_rows(folder) == 0);
    tautd_sink_free(left_behind, 0.1);
    int64_t ended = tautd_clock_real_ns();
    assert_true(queued - start < INT64_C(1500000000));
    assert_true(ended - queued < INT64_C(1500000000));
    hang_ms = 0;
    usleep(2300000); /* let the threads end before their folder goes */
    tt_folder_remove(folder_path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_openat_that_fails_loses_nothing),
        cmocka_unit_test(a_mkdirat_that_fails_loses_nothing),
        cmocka_unit_test(a_write_that_fails_loses_nothing),
        cmocka_unit_test(a_write_that_is_short_is_continued),
        cmocka_unit_test(an_fdatasync_that_fails_loses_nothing),
        cmocka_unit_test(an_fsync_that_fails_loses_nothing),
        cmocka_unit_test(a_renameat_that_fails_loses_nothing),
        cmocka_unit_test(an_unlinkat_that_fails_loses_nothing),
        cmocka_unit_test(an_fchmod_that_fails_loses_nothing),
        cmocka_unit_test(a_disk_that_is_full_for_a_while_loses_nothing),
        cmocka_unit_test(a_disk_that_can_not_sync_for_a_while_loses_nothing),
        cmocka_unit_test(a_folder_that_can_not_sync_for_a_while_loses_nothing),
        cmocka_unit_test(names_that_can_not_change_for_a_while_lose_nothing),
        cmocka_unit_test(a_lack_of_descriptors_for_a_while_loses_nothing),
        cmocka_unit_test(a_torn_part_that_can_not_be_mended_is_refused),
        cmocka_unit_test(rows_past_the_bound_are_counted_and_marked),
        cmocka_unit_test(bytes_that_may_be_lost_in_a_failed_sync_are_written_again),
        cmocka_unit_test(a_disk_that_hangs_holds_up_neither_the_loop_nor_the_end),
    };
    return cmocka_run_group_tests_name("fault_sink", tests, NULL, NULL);
}
