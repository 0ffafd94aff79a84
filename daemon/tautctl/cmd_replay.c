/* tautctl replay: a part's verdicts computed again from its readings, and compared with what was recorded.
 * Failure policy: reads only; says which file and line can not be understood; agrees only when every number does. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "sink/disk.h"
#include "sink/replay.h"
#include "taut/taut.h"
#include "tautctl/tautctl.h"

enum { SHOWN_MAX = 20 };

static const char help[] = "Usage: tautctl replay FOLDER\n\n"
                           "Puts the readings and events in a part's folder through the judgement again and\n"
                           "compares every number of every drop test with record.json (or, while the part is\n"
                           "still open, with the journal), to the bit.\n\n"
                           "Exit codes: 0 all agrees, 1 something differs (each difference is printed),\n"
                           "65 a file is damaged (file and line are printed), 66 a file can not be read.\n";

static void print_test(const struct taut_station *station, int number)
{
    const struct taut_test_record *test = taut_record_test(station, number);
    if (!test)
        return;
    const struct taut_droptest_result *r = &test->result;
    printf("drop test %d: %s, %s\n", number, taut_verdict_text(r->verdict), taut_droptest_why_text(r->why));
    if (isfinite(r->rate_pa_per_s))
        printf("    leak rate %.4f mbar/min (%.4f to %.4f), judged over %.1f s\n", taut_mbar_per_min(r->rate_pa_per_s),
               taut_mbar_per_min(r->rate_low_pa_per_s), taut_mbar_per_min(r->rate_high_pa_per_s), r->span_s);
    if (isfinite(r->rise_pa))
        printf("    rise %.3f mbar (%.3f to %.3f)\n", taut_mbar(r->rise_pa), taut_mbar(r->rise_low_pa),
               taut_mbar(r->rise_high_pa));
}

static void print_replay(const struct taut_station *station, const struct tautd_replay_report *report)
{
    char started[TAUT_TIME_TEXT_MAX];
    taut_time_print(station->run.started_wall_ns, started);
    printf("part %s, run %d, station %s, started %s, recipe %s\n", station->run.part, station->run.number, station->setup.name,
           started, station->run.recipe.name);
    printf("%lld rows, %lld events, written by %s; phase at the end: %s\n", (long long)report->rows, (long long)report->events,
           report->software, taut_phase_text(station->phase));
    if (report->torn_bytes > 0)
        printf("%lld bytes at the end are a torn line and were left out\n", (long long)report->torn_bytes);
    if (report->lost_rows > 0 || report->lost_events > 0)
        printf("%lld rows and %lld events are marked as lost: the disk could not be written then\n", (long long)report->lost_rows,
               (long long)report->lost_events);
    if (report->disagreements > 0)
        printf("%lld events were taken then and refused now, or the other way round\n", (long long)report->disagreements);
    for (int number = 1; number <= station->tests; number++)
        print_test(station, number);
}

static int refuse(enum taut_status status, const struct taut_diag *diag)
{
    char line[512];
    int code = status == TAUT_E_MEMORY ? TAUTCTL_TROUBLE : status == TAUT_E_FORMAT ? TAUTCTL_BAD_INPUT : TAUTCTL_NO_INPUT;
    return tautctl_say(code, "%s", taut_diag_print(diag, line, sizeof line));
}

/* A crash may tear the last line of an open part; nothing may tear a sealed one. */
static bool is_sealed(const char *folder)
{
    char path[4200];
    return snprintf(path, sizeof path, "%s/" TAUTD_SUMS, folder) < (int)sizeof path && access(path, F_OK) == 0;
}

static int compare(const char *folder, const struct taut_station *station, const struct tautd_replay_report *report)
{
    struct tautd_difference difference[SHOWN_MAX];
    struct taut_diag diag = {0};
    int differences, compared;
    enum taut_status status = tautd_replay_compare(folder, station, difference, SHOWN_MAX, &differences, &compared, &diag);
    if (status)
        return refuse(status, &diag);
    for (int i = 0; i < differences && i < SHOWN_MAX; i++) {
        const struct tautd_difference *d = &difference[i];
        if (d->test > 0)
            printf("drop test %d: ", d->test);
        printf("%s was recorded as %s and is computed as %s\n", d->name, d->recorded, d->computed);
    }
    if (differences > SHOWN_MAX)
        printf("and %d more differences\n", differences - SHOWN_MAX);
    if (differences == 0 && report->disagreements == 0) {
        printf("agrees with what was recorded, to the bit (%d drop tests)\n", compared);
        return TAUTCTL_OK;
    }
    puts(report->lost_rows > 0 || report->lost_events > 0 ? "differs from what was recorded; the lost rows may be why"
                                                          : "differs from what was recorded");
    return TAUTCTL_REFUSED;
}

int tautctl_cmd_replay(int argc, char **argv)
{
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    if (argc != 2)
        return tautctl_usage("replay", "name one folder of a part's run");
    struct taut_station *station = calloc(1, sizeof *station);
    struct tautd_replay_report report;
    struct taut_diag diag = {0};
    if (!station)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    enum taut_status status = tautd_replay(argv[1], station, &report, &diag);
    int code;
    if (status) {
        code = refuse(status, &diag);
    } else {
        print_replay(station, &report);
        code = compare(argv[1], station, &report);
        if (report.torn_bytes > 0 && is_sealed(argv[1]))
            code = tautctl_say(TAUTCTL_BAD_INPUT, "%s is sealed, and yet a file ends in a torn line", argv[1]);
    }
    free(station);
    return code;
}
