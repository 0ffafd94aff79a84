/* Part folders on disk: whole, safe, durable, told. SHA256SUMS is checked by the sha256sum program. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "sink/sink.h"
#include "sink/sink_new.h"
#include "tt_folder.h"
#include "tt_part.h"

struct bench {
    char state[64];
    struct tautd_sink *sink;
    struct taut_station_setup setup;
    struct taut_trace_clock clock;
};

static int set_up(void **state)
{
    struct bench *bench = calloc(1, sizeof *bench);
    tt_folder_make(bench->state);
    bench->setup = tt_setup();
    bench->sink = tautd_sink_new(bench->state, 0.2, NULL);
    assert_non_null(bench->sink);
    *state = bench;
    return 0;
}

static int tear_down(void **state)
{
    struct bench *bench = *state;
    tautd_sink_free(bench->sink, 5);
    tt_folder_remove(bench->state);
    free(bench);
    return 0;
}

static struct tautd_folder *start(struct bench *bench, const char *part, int number)
{
    struct taut_run run = tt_run(part, number);
    struct taut_diag diag = {0};
    struct tautd_folder *folder = tautd_sink_open(bench->sink, 0, &bench->setup, &run, &diag);
    if (!folder)
        fail_msg("%s: %s", diag.file, diag.text);
    return folder;
}

static void row(struct bench *bench, struct tautd_folder *folder, int64_t i)
{
    char storage[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    struct taut_sweep sweep = tt_sweep(5000 + i % 100);
    taut_text_init(&text, storage, sizeof storage);
    taut_trace_row(&bench->setup, &bench->clock, TT_START_WALL_NS + i * 100000000, i * 100000000, TAUT_PHASE_CURE, &sweep, "",
                   &text);
    tautd_folder_trace(folder, text.at, text.length, 1);
}

static bool exists(const char *folder, const char *name)
{
    char path[4400];
    struct stat info;
    snprintf(path, sizeof path, "%.4096s/%.200s", folder, name);
    return lstat(path, &info) == 0;
}

static void a_new_part_has_header_description_journal_and_mark_at_once(void **state)
{
    struct bench *bench = *state;
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    char path[128];
    snprintf(path, sizeof path, "%s/parts/rudder-17/001", bench->state);
    assert_string_equal(tautd_folder_path(folder), path);
    char *trace = tt_file(path, "trace.csv", NULL), *journal = tt_file(path, "journal.jsonl", NULL);
    assert_non_null(strstr(trace, "time_utc,elapsed_s,phase,A.vent_mbar"));
    assert_int_equal(tt_count(trace, '\n'), 1);
    assert_non_null(strstr(journal, "\"part\":\"rudder-17\""));
    assert_int_equal(tt_count(journal, '\n'), 1);
    assert_true(exists(path, "trace.csv-metadata.json"));
    assert_true(exists(bench->state, "open/A+rudder-17+001"));
    free(trace);
    free(journal);
}

static void files_are_for_owner_and_group_only(void **state)
{
    struct bench *bench = *state;
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    static const char *const names[] = {"trace.csv", "journal.jsonl", "trace.csv-metadata.json"};
    char path[300];
    struct stat info;
    assert_int_equal(stat(tautd_folder_path(folder), &info), 0);
    assert_int_equal(info.st_mode & 07, 0);
    for (int i = 0; i < 3; i++) {
        snprintf(path, sizeof path, "%.200s/%s", tautd_folder_path(folder), names[i]);
        assert_int_equal(stat(path, &info), 0);
        assert_int_equal(info.st_mode & 0137, 0);
    }
}

static void rows_and_events_reach_their_files_in_order(void **state)
{
    struct bench *bench = *state;
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    for (int64_t i = 0; i < 5000; i++) {
        row(bench, folder, i);
        if (i % 100 == 0)
            tautd_folder_journal(folder, "{\"row\":1}\n", 10);
        if (i % 10 == 0)
            tautd_sink_flush(bench->sink);
    }
    tautd_sink_flush(bench->sink);
    assert_true(tt_wait_rows(folder, 5000, 5));
    char *trace = tt_file(tautd_folder_path(folder), "trace.csv", NULL), *line = strchr(trace, '\n') + 1;
    for (int64_t i = 0; i < 5000; i++, line = strchr(line, '\n') + 1)
        assert_int_equal(atof(strchr(line, ',') + 1) * 10 + 0.5, i);
    assert_string_equal(line, "");
    free(trace);
}

static void a_sealed_folder_passes_sha256sum_and_is_read_only(void **state)
{
    struct bench *bench = *state;
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    char path[128], command[300];
    struct stat info;
    snprintf(path, sizeof path, "%s", tautd_folder_path(folder));
    for (int64_t i = 0; i < 1000; i++)
        row(bench, folder, i);
    tautd_folder_put(folder, "record.json", "{}\n", 3);
    tautd_folder_put(folder, "record.json", "{\"part\": 1}\n", 12);
    tautd_folder_seal(folder);
    struct tautd_sink_news news;
    assert_true(tt_wait_news(bench->sink, TAUTD_SINK_SEALED, 5, &news));
    assert_string_equal(news.text, path);
    snprintf(command, sizeof command, "cd %s && sha256sum --quiet --strict -c SHA256SUMS && test $(wc -l < SHA256SUMS) = 4",
             path);
    assert_int_equal(system(command), 0);
    char *record = tt_file(path, "record.json", NULL), *trace = tt_file(path, "trace.csv", NULL);
    assert_string_equal(record, "{\"part\": 1}\n");
    assert_int_equal(tt_count(trace, '\n'), 1001);
    free(record);
    free(trace);
    assert_false(exists(bench->state, "open/A+rudder-17+001"));
    snprintf(command, sizeof command, "%s/trace.csv", path);
    assert_int_equal(stat(command, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0440);
}

static void run_numbers_go_on_from_the_greatest_there_is(void **state)
{
    struct bench *bench = *state;
    int number = 0;
    assert_int_equal(tautd_sink_next_run(bench->sink, "hatch", &number, NULL), TAUT_OK);
    assert_int_equal(number, 1);
    start(bench, "hatch", 1);
    start(bench, "hatch", 7);
    assert_int_equal(tautd_sink_next_run(bench->sink, "hatch", &number, NULL), TAUT_OK);
    assert_int_equal(number, 8);
    char path[200];
    snprintf(path, sizeof path, "%s/parts/hatch/notes", bench->state);
    assert_int_equal(mkdir(path, 0700), 0);
    snprintf(path, sizeof path, "%s/parts/hatch/1000", bench->state);
    assert_int_equal(mkdir(path, 0700), 0);
    assert_int_equal(tautd_sink_next_run(bench->sink, "hatch", &number, NULL), TAUT_OK);
    assert_int_equal(number, 1001);
}

static void a_run_that_exists_is_not_written_over(void **state)
{
    struct bench *bench = *state;
    struct taut_run run = tt_run("hatch", 1);
    struct taut_diag diag = {0};
    start(bench, "hatch", 1);
    assert_null(tautd_sink_open(bench->sink, 1, &bench->setup, &run, &diag));
    assert_int_equal(diag.status, TAUT_E_EXISTS);
    assert_non_null(strstr(diag.file, "parts/hatch/001"));
}

static void no_part_id_leaves_the_parts_folder(void **state)
{
    struct bench *bench = *state;
    static const char *const ids[] = {"../x", "..", ".", "/etc", "a/b", "\xC3\xA9t\xC3\xA9", " ", "a_b", "a b"};
    for (size_t i = 0; i < sizeof ids / sizeof ids[0]; i++) {
        struct tautd_folder *folder = start(bench, ids[i], 1);
        char resolved[4096], parts[4096], below[128];
        assert_non_null(realpath(tautd_folder_path(folder), resolved));
        snprintf(below, sizeof below, "%s/parts", bench->state);
        assert_non_null(realpath(below, parts));
        assert_memory_equal(resolved, parts, strlen(parts));
        assert_int_equal(tt_count(resolved + strlen(parts), '/'), 2);
    }
    char longest[301];
    memset(longest, 'x', 300);
    longest[300] = '\0';
    struct taut_run run = tt_run("", 1);
    struct taut_diag diag = {0};
    assert_null(tautd_sink_open(bench->sink, 0, &bench->setup, &run, &diag));
    assert_int_equal(diag.status, TAUT_E_ARG);
    int number;
    assert_int_equal(tautd_sink_next_run(bench->sink, longest, &number, &diag), TAUT_E_ARG);
}

static void a_link_in_place_of_a_folder_is_not_followed(void **state)
{
    struct bench *bench = *state;
    char outside[64], path[200];
    struct taut_run run = tt_run("linked", 1);
    struct taut_diag diag = {0};
    tt_folder_make(outside);
    snprintf(path, sizeof path, "%s/parts/linked", bench->state);
    assert_int_equal(symlink(outside, path), 0);
    assert_null(tautd_sink_open(bench->sink, 0, &bench->setup, &run, &diag));
    assert_int_equal(diag.status, TAUT_E_IO);
    assert_false(exists(outside, "001"));
    assert_null(tautd_sink_reopen(bench->sink, 0, "/etc", &diag));
    snprintf(path, sizeof path, "%s/parts/../../etc", bench->state);
    assert_null(tautd_sink_reopen(bench->sink, 0, path, &diag));
    tt_folder_remove(outside);
}

static void a_second_daemon_is_kept_off_the_state_folder(void **state)
{
    struct bench *bench = *state;
    struct taut_diag diag = {0};
    assert_null(tautd_sink_new(bench->state, 1, &diag));
    assert_int_equal(diag.status, TAUT_E_STATE);
    assert_non_null(strstr(diag.text, "another tautd"));
}

static void a_state_folder_that_can_not_be_made_is_refused_with_the_reason(void **state)
{
    (void)state;
    struct taut_diag diag = {0};
    assert_null(tautd_sink_new("/proc/taut/state", 1, &diag));
    assert_int_equal(diag.status, TAUT_E_NOENT);
    assert_string_equal(diag.file, "/proc/taut/state");
    assert_null(tautd_sink_new("/dev/null/state", 1, &diag));
    assert_int_equal(diag.status, TAUT_E_IO);
    assert_non_null(strstr(diag.text, "Not a directory"));
}

struct seen {
    int count;
    char station[8][40], path[8][200];
};

static void see(void *ctx, const char *station, const char *path)
{
    struct seen *seen = ctx;
    snprintf(seen->station[seen->count], 40, "%s", station);
    snprintf(seen->path[seen->count++], 200, "%s", path);
}

static void append(const char *folder, const char *name, const char *bytes, size_t n)
{
    char path[4400];
    snprintf(path, sizeof path, "%.4096s/%.200s", folder, name);
    FILE *file = fopen(path, "ab");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, n, file), n);
    fclose(file);
}

static void open_parts_are_found_again_and_mended(void **state)
{
    struct bench *bench = *state;
    char path[128];
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    snprintf(path, sizeof path, "%s", tautd_folder_path(folder));
    for (int64_t i = 0; i < 10; i++)
        row(bench, folder, i);
    tautd_sink_free(bench->sink, 5); /* as at the end of the program: the part stays open */
    append(path, "trace.csv", "2026-11-25T08:00:09.9", 21);
    append(path, "journal.jsonl", "{\"row\":3,\0\0\0\0", 13);
    bench->sink = tautd_sink_new(bench->state, 0.2, NULL);
    assert_non_null(bench->sink);
    struct seen seen = {0};
    tautd_sink_open_folders(bench->sink, see, &seen);
    assert_int_equal(seen.count, 1);
    assert_string_equal(seen.station[0], "A");
    assert_string_equal(seen.path[0], path);
    folder = tautd_sink_reopen(bench->sink, 0, path, NULL);
    assert_non_null(folder);
    assert_int_equal(tautd_folder_rows(folder), 10);
    row(bench, folder, 10);
    tautd_folder_seal(folder);
    assert_true(tt_wait_news(bench->sink, TAUTD_SINK_SEALED, 5, NULL));
    size_t size;
    char *trace = tt_file(path, "trace.csv", NULL), *journal = tt_file(path, "journal.jsonl", &size);
    assert_int_equal(tt_count(trace, '\n'), 12);
    assert_string_equal(trace + strlen(trace) - 2, "\r\n");
    assert_int_equal(strlen(journal), size);
    assert_int_equal(tt_count(journal, '\n'), 1);
    assert_false(exists(path, "journal.jsonl.cut"));
    seen.count = 0;
    tautd_sink_open_folders(bench->sink, see, &seen);
    assert_int_equal(seen.count, 0);
    free(trace);
    free(journal);
}

static void lines_after_a_hole_of_nul_bytes_are_kept_aside(void **state)
{
    struct bench *bench = *state;
    char path[128];
    struct tautd_folder *folder = start(bench, "rudder-17", 1);
    snprintf(path, sizeof path, "%s", tautd_folder_path(folder));
    tautd_sink_free(bench->sink, 5);
    append(path, "trace.csv", "\0\0\0\0good row\r\ntorn", 18);
    bench->sink = tautd_sink_new(bench->state, 0.2, NULL);
    folder = tautd_sink_reopen(bench->sink, 0, path, NULL);
    assert_non_null(folder);
    assert_int_equal(tautd_folder_rows(folder), 0);
    size_t size;
    char *cut = tt_file(path, "trace.csv.cut", &size);
    assert_int_equal(size, 18);
    assert_memory_equal(cut, "\0\0\0\0good row\r\ntorn", 18);
    free(cut);
}

static void a_new_run_may_start_before_the_last_is_sealed(void **state)
{
    struct bench *bench = *state;
    struct tautd_folder *first = start(bench, "rudder-17", 1);
    row(bench, first, 0);
    tautd_folder_seal(first);
    start(bench, "rudder-17", 2);
    assert_true(tt_wait_news(bench->sink, TAUTD_SINK_SEALED, 5, NULL));
    assert_true(exists(bench->state, "open/A+rudder-17+002"));
    assert_false(exists(bench->state, "open/A+rudder-17+001"));
}

int main(void)
{
#define SINK_TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        SINK_TEST(a_new_part_has_header_description_journal_and_mark_at_once),
        SINK_TEST(files_are_for_owner_and_group_only),
        SINK_TEST(rows_and_events_reach_their_files_in_order),
        SINK_TEST(a_sealed_folder_passes_sha256sum_and_is_read_only),
        SINK_TEST(run_numbers_go_on_from_the_greatest_there_is),
        SINK_TEST(a_run_that_exists_is_not_written_over),
        SINK_TEST(no_part_id_leaves_the_parts_folder),
        SINK_TEST(a_link_in_place_of_a_folder_is_not_followed),
        SINK_TEST(a_second_daemon_is_kept_off_the_state_folder),
        cmocka_unit_test(a_state_folder_that_can_not_be_made_is_refused_with_the_reason),
        SINK_TEST(open_parts_are_found_again_and_mended),
        SINK_TEST(lines_after_a_hole_of_nul_bytes_are_kept_aside),
        SINK_TEST(a_new_run_may_start_before_the_last_is_sealed),
    };
    return cmocka_run_group_tests_name("sink", tests, NULL, NULL);
}
