/* Wrong configurations and what is said about them: every file in wrong/ gives exactly the lines of the .txt beside
 * it and no configuration; every file in warned/ gives a configuration and exactly those warnings. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <limits.h>
#include <unistd.h>

#include "support.h"

static struct tautd_findings findings; /* large, and used by one test at a time */

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

/* Every .yaml of a folder against its .txt; @return how many */
static int check_folder(const char *name, bool usable)
{
    char folder[PATH_MAX];
    snprintf(folder, sizeof folder, "%s/tests/config/%s", TAUT_SOURCE, name);
    DIR *dir = opendir(folder);
    assert_non_null(dir);
    int files = 0, bad = 0;
    for (struct dirent *entry; (entry = readdir(dir));) {
        size_t n = strlen(entry->d_name), size;
        if (n < 6 || strcmp(entry->d_name + n - 5, ".yaml") != 0)
            continue;
        char path[2 * PATH_MAX], expected_path[2 * PATH_MAX];
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        snprintf(expected_path, sizeof expected_path, "%s/%.*s.txt", folder, (int)n - 5, entry->d_name);
        char *text = read_file(path, &size), *expected = read_file(expected_path, NULL);
        struct tautd_config *config = tautd_config_parse(base_name(path), text, size, &findings);
        char *found = findings_text(&findings);
        if (strcmp(found, expected) != 0 || (config != NULL) != usable) {
            print_error("%s\nexpected:\n%sfound:\n%s", entry->d_name, expected, found);
            bad++;
        }
        tautd_config_free(config);
        free(text);
        free(expected);
        free(found);
        files++;
    }
    closedir(dir);
    assert_int_equal(bad, 0);
    return files;
}

static void each_wrong_configuration_gives_its_exact_messages(void **state)
{
    (void)state;
    assert_true(check_folder("wrong", false) >= 100);
}

static void each_doubtful_configuration_gives_its_exact_warnings(void **state)
{
    (void)state;
    assert_true(check_folder("warned", true) >= 4);
}

static void expect_one(const char *expected)
{
    char *found = findings_text(&findings);
    assert_string_equal(found, expected);
    free(found);
}

static void a_file_that_is_not_there_is_named(void **state)
{
    (void)state;
    assert_null(tautd_config_load("/nonexistent/taut.yaml", &findings));
    expect_one("/nonexistent/taut.yaml: can not be read: No such file or directory\n");
}

static void a_folder_is_no_configuration(void **state)
{
    (void)state;
    assert_null(tautd_config_load("/", &findings));
    expect_one("/: can not be read: Is a directory\n");
}

static void a_file_over_one_mebibyte_is_refused(void **state)
{
    (void)state;
    char path[] = "/tmp/taut-config-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    FILE *file = fdopen(fd, "w");
    for (int i = 0; i < 70000; i++)
        fputs("# sixteen bytes\n", file);
    fclose(file);
    assert_null(tautd_config_load(path, &findings));
    remove(path);
    assert_int_equal(findings.count, 1);
    assert_string_equal(findings.finding[0].text, "the file is larger than 1048576 bytes");
}

static void a_very_long_path_keeps_its_end(void **state)
{
    (void)state;
    char path[300];
    memset(path, 'd', sizeof path);
    strcpy(path + 280, "/taut.yaml");
    assert_null(tautd_config_parse(path, "", 0, &findings));
    const char *file = findings.finding[0].file;
    assert_int_equal(strlen(file), sizeof findings.finding[0].file - 1);
    assert_memory_equal(file, "...", 3);
    assert_string_equal(file + strlen(file) - 10, "/taut.yaml");
}

static void more_mistakes_than_can_be_kept_are_counted(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    fputs("lines:\n", out);
    for (int i = 0; i < 150; i++)
        fprintf(out, "  - {name: l%d, kind: none}\n", i);
    fclose(out);
    assert_null(tautd_config_parse("x", text, size, &findings));
    free(text);
    assert_int_equal(findings.count, 150 + 3); /* and three sections that are missing */
    assert_int_equal(findings.finding[TAUTD_FINDINGS_MAX - 1].line, TAUTD_FINDINGS_MAX + 1);
}

static void one_station_too_many_is_counted_and_refused(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    fputs("lines: [{name: l, kind: tcp, host: h}]\nrecipes: [{name: r, limit_mbar_per_min: 1}]\nchannels:\n", out);
    for (int i = 0; i <= TAUTD_STATIONS_MAX; i++)
        fprintf(out,
                "  - {name: c%d, line: l, unit: 1, table: input, register: %d, type: uint16, reference: absolute, "
                "range: [0, 1], u_mbar: 1}\n",
                i, i);
    fputs("stations:\n", out);
    for (int i = 0; i <= TAUTD_STATIONS_MAX; i++)
        fprintf(out, "  - {name: s%d, vent: c%d}\n", i, i);
    fclose(out);
    assert_null(tautd_config_parse("x", text, size, &findings));
    free(text);
    assert_int_equal(findings.count, 1);
    assert_string_equal(findings.finding[0].text, "stations: found 65; allowed: at most 64");
}

static void a_flood_of_values_is_cut_off(void **state)
{
    (void)state;
    size_t size = 0, most = 900000;
    char *text = malloc(most + 100);
    assert_non_null(text);
    size += (size_t)sprintf(text, "lines: [");
    while (size < most)
        size += (size_t)sprintf(text + size, "1,\n");
    size += (size_t)sprintf(text + size, "1]\n");
    assert_null(tautd_config_parse("x", text, size, &findings));
    free(text);
    assert_int_equal(findings.count, 1);
    assert_string_equal(findings.finding[0].text, "more values than any configuration needs");
}

static void a_flood_of_keys_is_cut_off(void **state)
{
    (void)state;
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    for (int i = 0; i < 90000; i++)
        fprintf(out, "k%d: 1\n", i);
    fclose(out);
    assert_null(tautd_config_parse("x", text, size, &findings));
    free(text);
    expect_one("x:101:1: more keys than any section has\n");
}

static void a_serial_device_under_two_names_is_one_device(void **state)
{
    (void)state;
    char folder[] = "/tmp/taut-config-XXXXXX", device[64], link[64], text[1024];
    assert_non_null(mkdtemp(folder));
    snprintf(device, sizeof device, "%s/tty0", folder);
    snprintf(link, sizeof link, "%s/by-id", folder);
    FILE *file = fopen(device, "w");
    assert_non_null(file);
    fclose(file);
    assert_int_equal(symlink(device, link), 0);
    snprintf(text, sizeof text,
             "lines:\n  - {name: a, kind: rtu, device: %s}\n  - {name: b, kind: rtu, device: %s}\n"
             "channels: [{name: c, line: a, unit: 1, table: input, register: 0, type: uint16, reference: absolute, "
             "range: [0, 1], u_mbar: 1}]\nstations: [{name: s, vent: c}]\nrecipes: [{name: r, limit_mbar_per_min: 1}]\n",
             device, link);
    assert_null(tautd_config_parse("x", text, strlen(text), &findings));
    remove(link);
    remove(device);
    remove(folder);
    assert_int_equal(findings.count, 1);
    assert_string_equal(findings.finding[0].text,
                        "lines[1].device: line \"a\" (on line 2) has this device already; put all its channels on one line");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_wrong_configuration_gives_its_exact_messages),
        cmocka_unit_test(each_doubtful_configuration_gives_its_exact_warnings),
        cmocka_unit_test(a_file_that_is_not_there_is_named),
        cmocka_unit_test(a_folder_is_no_configuration),
        cmocka_unit_test(a_file_over_one_mebibyte_is_refused),
        cmocka_unit_test(a_very_long_path_keeps_its_end),
        cmocka_unit_test(more_mistakes_than_can_be_kept_are_counted),
        cmocka_unit_test(one_station_too_many_is_counted_and_refused),
        cmocka_unit_test(a_flood_of_values_is_cut_off),
        cmocka_unit_test(a_flood_of_keys_is_cut_off),
        cmocka_unit_test(a_serial_device_under_two_names_is_one_device),
    };
    return cmocka_run_group_tests_name("config wrong", tests, NULL, NULL);
}
