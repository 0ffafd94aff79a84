/* Every recorded part replays to what its expect.kv says. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <dirent.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sink/replay.h"
#include "taut/taut.h"

struct found {
    char folder[512];
    struct taut_station station;
    struct tautd_replay_report report;
};

static void near(const struct found *found, const char *key, double value, const char *expected)
{
    double wanted, tolerance = 0;
    if (sscanf(expected, "%lf +- %lf", &wanted, &tolerance) < 1 || !(fabs(value - wanted) <= tolerance))
        fail_msg("%s: %s is %g, expected %s", found->folder, key, value, expected);
}

static void same(const struct found *found, const char *key, const char *value, const char *expected)
{
    if (strcmp(value, expected) != 0)
        fail_msg("%s: %s is %s, expected %s", found->folder, key, value, expected);
}

static void check_test(const struct found *found, const char *key, const char *what, const struct taut_droptest_result *r,
                       const char *expected)
{
    double truth = strtod(expected, NULL);
    if (strcmp(what, "verdict") == 0)
        same(found, key, taut_verdict_text(r->verdict), expected);
    else if (strcmp(what, "why") == 0)
        same(found, key, taut_droptest_why_word(r->why), expected);
    else if (strcmp(what, "rate_mbar_per_min") == 0)
        near(found, key, taut_mbar_per_min(r->rate_pa_per_s), expected);
    else if (strcmp(what, "true_mbar_per_min") != 0)
        fail_msg("%s: unknown key %s", found->folder, key);
    else if (!(taut_mbar_per_min(r->rate_low_pa_per_s) <= truth && truth <= taut_mbar_per_min(r->rate_high_pa_per_s)))
        fail_msg("%s: %s %s is not between %g and %g", found->folder, key, expected, taut_mbar_per_min(r->rate_low_pa_per_s),
                 taut_mbar_per_min(r->rate_high_pa_per_s));
}

static void check_line(const struct found *found, const char *key, const char *expected)
{
    char *rest;
    long number = strtol(key, &rest, 10);
    if (rest != key && *rest == '.') {
        const struct taut_test_record *test = taut_record_test(&found->station, (int)number);
        assert_non_null(test);
        check_test(found, key, rest + 1, &test->result, expected);
    } else if (strcmp(key, "rows") == 0) {
        near(found, key, (double)found->report.rows, expected);
    } else if (strcmp(key, "tests") == 0) {
        near(found, key, found->station.tests, expected);
    } else if (strcmp(key, "phase") == 0) {
        same(found, key, taut_phase_text(found->station.phase), expected);
    } else {
        fail_msg("%s: unknown key %s", found->folder, key);
    }
}

/* Returns how many expectations were checked. */
static int check_folder(const char *folder)
{
    static struct found found;
    struct taut_diag diag = {0};
    char path[600], key[64], expected[128];
    snprintf(found.folder, sizeof found.folder, "%s", folder);
    if (tautd_replay(folder, &found.station, &found.report, &diag))
        fail_msg("%s:%d: %s", diag.file, diag.line, diag.text);
    assert_int_equal(found.report.disagreements, 0);
    snprintf(path, sizeof path, "%s/expect.kv", folder);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    int checked = 0;
    for (; fscanf(file, "%63s %127[^\n]", key, expected) == 2; checked++)
        check_line(&found, key, expected);
    assert_true(feof(file));
    fclose(file);
    return checked;
}

static void every_recorded_part_replays_to_its_verdict(void **state)
{
    (void)state;
    DIR *dir = opendir(TAUT_SOURCE "/tests/golden");
    assert_non_null(dir);
    const struct dirent *entry;
    int folders = 0;
    while ((entry = readdir(dir))) {
        char folder[512];
        if (!strstr(entry->d_name, "__"))
            continue;
        snprintf(folder, sizeof folder, TAUT_SOURCE "/tests/golden/%.200s", entry->d_name);
        int checked = check_folder(folder);
        assert_true(checked >= 5);
        print_message("%s: %d expectations\n", entry->d_name, checked);
        folders++;
    }
    closedir(dir);
    assert_true(folders >= 4);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_recorded_part_replays_to_its_verdict),
    };
    return cmocka_run_group_tests_name("golden", tests, NULL, NULL);
}
