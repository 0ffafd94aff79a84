/* Failure policy: as replay.c. What was recorded is never taken on trust: every number is compared to the bit. */
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cjson/cJSON.h>

#include "sink/disk.h"
#include "sink/replay.h"
#include "taut/record.h"

struct comparison {
    const struct taut_station *station;
    struct tautd_difference *out;
    int most, found, compared;
};

static void differ(struct comparison *c, int test, const char *name, const char *recorded, const char *computed)
{
    if (c->found < c->most) {
        struct tautd_difference *d = &c->out[c->found];
        d->test = test;
        snprintf(d->name, sizeof d->name, "%s", name);
        snprintf(d->recorded, sizeof d->recorded, "%.39s", recorded);
        snprintf(d->computed, sizeof d->computed, "%.39s", computed);
    }
    c->found++;
}

static void compare_word(struct comparison *c, int test, const cJSON *object, const char *name, const char *computed)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
    const char *recorded = cJSON_IsString(item) ? item->valuestring : "nothing";
    if (strcmp(recorded, computed) != 0)
        differ(c, test, name, recorded, computed);
}

static uint64_t bits(double value)
{
    uint64_t all;
    memcpy(&all, &value, sizeof all);
    return all;
}

/* null stands for every number that is not finite. */
static void compare_number(struct comparison *c, int test, const cJSON *object, const char *name, double computed)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
    bool is_number = cJSON_IsNumber(item);
    if (is_number ? bits(item->valuedouble) == bits(computed) : cJSON_IsNull(item) && !isfinite(computed))
        return;
    char was[40] = "nothing", is[40];
    if (is_number)
        snprintf(was, sizeof was, "%.17g", item->valuedouble);
    snprintf(is, sizeof is, "%.17g", computed);
    differ(c, test, name, was, is);
}

/* Seconds with three or nine decimals: exact in a double for two months. */
static void compare_time(struct comparison *c, int test, const cJSON *object, const char *name, int64_t computed_ns)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
    double seconds = cJSON_IsNumber(item) ? item->valuedouble : (double)NAN;
    if (fabs(seconds) < 9e9 && llabs(llround(seconds * 1e9) - computed_ns) <= (fabs(seconds) > 4e6 ? 1000 : 0))
        return;
    char was[40], is[40];
    snprintf(was, sizeof was, "%.9f", seconds);
    snprintf(is, sizeof is, "%.9f", (double)computed_ns / 1e9);
    differ(c, test, name, was, is);
}

static void compare_test(struct comparison *c, const cJSON *object)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, "number");
    int number = cJSON_IsNumber(item) ? item->valueint : 0;
    const struct taut_test_record *test = taut_record_test(c->station, number);
    if (!test) {
        if (number <= 0 || number > c->station->tests) /* else older than the history: nothing to compare with */
            differ(c, number, "drop test", "run", "not run");
        return;
    }
    const struct taut_droptest_result *result = &test->result;
    size_t count;
    const struct taut_record_field *fields = taut_record_fields(&count);
    c->compared++;
    compare_word(c, number, object, "verdict", taut_verdict_text(result->verdict));
    compare_word(c, number, object, "why", taut_droptest_why_word(result->why));
    compare_time(c, number, object, "ended_s", test->ended_ns);
    compare_time(c, number, object, "isolated_s", result->isolated_ns);
    compare_time(c, number, object, "from_s", result->from_ns);
    compare_time(c, number, object, "to_s", result->to_ns);
    compare_number(c, number, object, "n_used", result->n_used);
    compare_number(c, number, object, "n_not_good", result->n_not_good);
    for (size_t i = 0; i < count; i++) {
        double computed;
        memcpy(&computed, (const char *)result + fields[i].offset, sizeof computed);
        compare_number(c, number, object, fields[i].name, computed);
    }
}

static enum taut_status read_whole(const char *path, char **text, struct taut_diag *diag)
{
    int fd = open(path, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
    struct stat info;
    size_t used = 0;
    *text = NULL;
    if (fd >= 0 && fstat(fd, &info) == 0 && (*text = malloc((size_t)info.st_size + 1))) {
        ssize_t n;
        while (used < (size_t)info.st_size && (n = read(fd, *text + used, (size_t)info.st_size - used)) > 0)
            used += (size_t)n;
        (*text)[used] = '\0';
        close(fd);
        return TAUT_OK;
    }
    enum taut_status status = tautd_disk_refuse(diag, path, "the file can not be read");
    if (fd >= 0)
        close(fd);
    return status;
}

static enum taut_status compare_record(struct comparison *c, const char *path, const char *text, struct taut_diag *diag)
{
    cJSON *json = cJSON_Parse(text);
    const cJSON *tests = cJSON_GetObjectItemCaseSensitive(json, "tests"), *test;
    if (!cJSON_IsArray(tests)) {
        cJSON_Delete(json);
        taut_diag_set(diag, TAUT_E_FORMAT, "not a record: no list \"tests\"");
        if (diag)
            snprintf(diag->file, sizeof diag->file, "%.127s", path);
        return TAUT_E_FORMAT;
    }
    cJSON_ArrayForEach(test, tests) compare_test(c, test);
    compare_number(c, 0, json, "tests_run", c->station->tests);
    if (c->station->phase == TAUT_PHASE_DONE)
        compare_word(c, 0, json, "result", c->station->aborted ? "aborted" : "finished");
    cJSON_Delete(json);
    return TAUT_OK;
}

/* Lines of the journal that hold a verdict; a torn last line is left out. */
static void compare_journal(struct comparison *c, char *text)
{
    int verdicts = 0;
    for (char *line = text, *end; (end = strchr(line, '\n')); line = end + 1) {
        *end = '\0';
        if (!strstr(line, "\"effect\":\"verdict\""))
            continue;
        cJSON *json = cJSON_Parse(line);
        const cJSON *test = cJSON_GetObjectItemCaseSensitive(json, "test");
        if (test) {
            compare_test(c, test);
            verdicts++;
        }
        cJSON_Delete(json);
    }
    char was[16], is[16];
    snprintf(was, sizeof was, "%d", verdicts);
    snprintf(is, sizeof is, "%d", c->station->tests);
    if (verdicts != c->station->tests)
        differ(c, 0, "tests_run", was, is);
}

enum taut_status tautd_replay_compare(const char *folder, const struct taut_station *station, struct tautd_difference *out,
                                      int most, int *differences, int *compared, struct taut_diag *diag)
{
    struct comparison c = {.station = station, .out = out, .most = most};
    char path[PATH_MAX], *text = NULL;
    snprintf(path, sizeof path, "%.4000s/" TAUTD_RECORD, folder);
    enum taut_status status = read_whole(path, &text, diag);
    if (status == TAUT_OK) {
        status = compare_record(&c, path, text, diag);
    } else if (status == TAUT_E_NOENT) {
        snprintf(path, sizeof path, "%.4000s/" TAUTD_JOURNAL, folder);
        status = read_whole(path, &text, diag);
        if (status == TAUT_OK && text)
            compare_journal(&c, text);
    }
    free(text);
    *differences = c.found;
    *compared = c.compared;
    return status;
}
