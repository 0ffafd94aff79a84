/* SIGKILL at any moment: no row that was reported as written is missing, and what is taken up again is whole.
 * (A power cut is another matter: rows since the last sync may go; it is not simulated here.) */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <signal.h>
#include <sys/wait.h>
#include <time.h>

#include "sink/sink.h"
#include "tt_folder.h"
#include "tt_part.h"

enum { KILLS = 20, TURNS_PER_S = 256, ROWS_PER_TURN = 10 }; /* 2560 rows a second */

static void print_row(const struct taut_station_setup *setup, struct taut_trace_clock *clock, int64_t i, struct taut_text *text)
{
    struct taut_sweep sweep = tt_sweep(5000 + i % 100);
    taut_trace_row(setup, clock, TT_START_WALL_NS + i * 1000000, i * 1000000, TAUT_PHASE_CURE, &sweep, "", text);
}

/* Writes rows and events as the daemon does, and reports after each turn how many rows write() has taken. */
static void write_until_killed(const char *state, int report)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    struct taut_trace_clock clock = {0};
    struct tautd_sink *sink = tautd_sink_new(state, 0.02, NULL);
    struct tautd_folder *folder = sink ? tautd_sink_open(sink, 0, &setup, &run, NULL) : NULL;
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    for (int64_t i = 0; folder && i < 60 * 2560;) {
        for (int k = 0; k < ROWS_PER_TURN; k++, i++) {
            char storage[TAUT_TRACE_ROW_MAX];
            struct taut_text text;
            taut_text_init(&text, storage, sizeof storage);
            print_row(&setup, &clock, i, &text);
            tautd_folder_trace(folder, text.at, text.length, 1);
        }
        char line[64];
        int n = snprintf(line, sizeof line, "{\"row\":%lld,\"effect\":\"note\"}\n", (long long)i);
        tautd_folder_journal(folder, line, (size_t)n);
        tautd_sink_flush(sink);
        uint64_t rows = tautd_folder_rows(folder);
        if (write(report, &rows, sizeof rows) != (ssize_t)sizeof rows)
            break;
        next.tv_nsec += 1000000000 / TURNS_PER_S;
        next.tv_sec += next.tv_nsec / 1000000000;
        next.tv_nsec %= 1000000000;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, NULL);
    }
    _exit(1);
}

/* Let a child run for `ms`, kill it; returns the last number it reported. */
static uint64_t run_and_kill(void (*child)(const char *state, int report), const char *state, int ms)
{
    int ends[2], status;
    uint64_t reported = 0, rows;
    assert_int_equal(pipe2(ends, O_CLOEXEC), 0);
    pid_t pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        close(ends[0]);
        child(state, ends[1]);
        _exit(1);
    }
    close(ends[1]);
    assert_int_equal(read(ends[0], &reported, sizeof reported), sizeof reported); /* it has begun */
    struct timespec pause = {.tv_nsec = ms * 1000000L};
    nanosleep(&pause, NULL);
    assert_int_equal(kill(pid, SIGKILL), 0);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFSIGNALED(status));
    while (read(ends[0], &rows, sizeof rows) == (ssize_t)sizeof rows)
        reported = rows;
    close(ends[0]);
    return reported;
}

/* Every line of the trace is the row that was written, in order; returns how many. */
static uint64_t check_rows(const char *path)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    char *trace = tt_file(path, "trace.csv", NULL), *line = strchr(trace, '\n') + 1;
    uint64_t rows = 0;
    for (; *line; rows++) {
        char storage[TAUT_TRACE_ROW_MAX];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        print_row(&setup, &clock, (int64_t)rows, &text);
        assert_memory_equal(line, text.at, text.length);
        line += text.length;
    }
    free(trace);
    return rows;
}

static void no_reported_row_is_missing_after_a_kill(void **state)
{
    (void)state;
    uint64_t seed = 11, missing = 0, torn = 0, rows_in_all = 0;
    for (int kill_number = 0; kill_number < KILLS; kill_number++) {
        char folder[64], path[128];
        tt_folder_make(folder);
        uint64_t reported = run_and_kill(write_until_killed, folder, 50 + (int)(tt_random(&seed) % 200));
        snprintf(path, sizeof path, "%s/parts/rudder-17/001", folder);
        struct tautd_sink *sink = tautd_sink_new(folder, 0.02, NULL); /* the lock of the killed one is gone */
        assert_non_null(sink);
        struct tautd_folder *again = tautd_sink_reopen(sink, 0, path, NULL);
        assert_non_null(again);
        uint64_t rows = check_rows(path);
        assert_int_equal(tautd_folder_rows(again), rows);
        missing += rows < reported ? reported - rows : 0;
        rows_in_all += rows;
        struct taut_station_setup setup = tt_setup();
        struct taut_trace_clock clock = {0};
        char storage[TAUT_TRACE_ROW_MAX];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        print_row(&setup, &clock, (int64_t)rows, &text);
        tautd_folder_trace(again, text.at, text.length, 1);
        tautd_folder_seal(again);
        assert_true(tt_wait_news(sink, TAUTD_SINK_SEALED, 5, NULL));
        torn += check_rows(path) != rows + 1;
        tautd_sink_free(sink, 5);
        tt_folder_remove(folder);
    }
    print_message("%d kills at %d rows/s: %llu rows, %llu reported rows missing, %llu torn files\n", KILLS,
                  TURNS_PER_S * ROWS_PER_TURN, (unsigned long long)rows_in_all, (unsigned long long)missing,
                  (unsigned long long)torn);
    assert_int_equal(missing, 0);
    assert_int_equal(torn, 0);
}

/* Opens, writes, seals one run after another, so that the kill falls anywhere in a folder's life. */
static void make_runs_until_killed(const char *state, int report)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    struct tautd_sink *sink = tautd_sink_new(state, 0.005, NULL);
    uint64_t sealed = 0;
    struct tautd_sink_news news;
    for (int number = 1; sink && number < 100000; number++) {
        struct taut_run run = tt_run("hatch", number);
        struct tautd_folder *folder = tautd_sink_open(sink, 0, &setup, &run, NULL);
        if (!folder)
            break;
        for (int64_t i = 0; i < 5; i++) {
            char storage[TAUT_TRACE_ROW_MAX];
            struct taut_text text;
            taut_text_init(&text, storage, sizeof storage);
            print_row(&setup, &clock, i, &text);
            tautd_folder_trace(folder, text.at, text.length, 1);
            tautd_sink_flush(sink);
        }
        tautd_folder_put(folder, "record.json", "{\"part\":\"hatch\"}\n", 17);
        tautd_folder_seal(folder);
        while (tautd_sink_take(sink, &news, 1) == 1)
            sealed += news.kind == TAUTD_SINK_SEALED;
        if (write(report, &sealed, sizeof sealed) != (ssize_t)sizeof sealed)
            break;
    }
    _exit(1);
}

struct taken {
    struct tautd_sink *sink;
    int count;
};

static void take_up_and_seal(void *ctx, const char *station, const char *path)
{
    struct taken *taken = ctx;
    struct taut_diag diag = {0};
    struct tautd_folder *folder = tautd_sink_reopen(taken->sink, 0, path, &diag);
    assert_string_equal(station, "A");
    if (!folder)
        fail_msg("%s: %s", diag.file, diag.text);
    tautd_folder_put(folder, "record.json", "{\"part\":\"hatch\"}\n", 17);
    tautd_folder_seal(folder);
    taken->count++;
}

static void every_part_is_sealed_or_can_be_taken_up_after_a_kill(void **state)
{
    (void)state;
    uint64_t seed = 5;
    int open_in_all = 0;
    for (int kill_number = 0; kill_number < KILLS; kill_number++) {
        char folder[64], command[600];
        tt_folder_make(folder);
        uint64_t sealed = run_and_kill(make_runs_until_killed, folder, 10 + (int)(tt_random(&seed) % 50));
        struct taken taken = {.sink = tautd_sink_new(folder, 0.02, NULL)};
        assert_non_null(taken.sink);
        tautd_sink_open_folders(taken.sink, take_up_and_seal, &taken);
        for (int i = 0; i < taken.count; i++)
            assert_true(tt_wait_news(taken.sink, TAUTD_SINK_SEALED, 5, NULL));
        tautd_sink_free(taken.sink, 5);
        /* now every folder that has a sum is right, and at most one was killed in the making, before its mark */
        snprintf(command, sizeof command,
                 "cd %s/parts/hatch && bad=0; none=0; for d in *; do if [ -e $d/SHA256SUMS ]; then "
                 "(cd $d && sha256sum --quiet --strict -c SHA256SUMS && test $(wc -l < trace.csv) -ge 1) || bad=1; "
                 "else none=$((none+1)); fi; done; test $bad = 0 && test $none -le 1 && test $(ls %s/open | wc -l) = 0 && "
                 "test $(ls | wc -l) -ge %llu",
                 folder, folder, (unsigned long long)sealed);
        assert_int_equal(system(command), 0);
        open_in_all += taken.count;
        tt_folder_remove(folder);
    }
    print_message("%d kills: %d parts were open and are sealed now\n", KILLS, open_in_all);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_reported_row_is_missing_after_a_kill),
        cmocka_unit_test(every_part_is_sealed_or_can_be_taken_up_after_a_kill),
    };
    return cmocka_run_group_tests_name("kill", tests, NULL, NULL);
}
