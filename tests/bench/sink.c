/* Work for sink.py to measure.
 *
 *   bench_sink row OURS|SNPRINTF ROWS CHANNELS   print rows into memory (run under callgrind, or timed)
 *   bench_sink trace ROWS CHANNELS               print a trace to stdout, Gaussian noise of 0.05 mbar
 *   bench_sink stall DIR SYNC_S SECONDS          2560 rows a second; time of each turn's hand-over, in ns, sorted figures
 *   bench_sink write DIR SYNC_S                  the same until killed, at most a minute; rows that write() took, 256 times a second
 *   bench_sink mend DIR                          take up what is open, print its rows, end
 *   bench_sink folders DIR COUNT                 resident memory before and with COUNT open folders that have been written to
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "clock.h"
#include "sink/sink.h"
#include "tt_part.h"

static struct taut_station_setup setup_of(int channels)
{
    static const char *const names[TAUT_ROLES] = {"A.vent", "A.far", "A.feed", "pump", "air", "room"};
    struct taut_station_setup setup = {.name = "A"};
    for (int role = 0; role < channels; role++)
        tt_channel(&setup, (enum taut_role)role, names[role]);
    return setup;
}

static double gaussian(uint64_t *seed)
{
    double u = (tt_random(seed) + 1.0) / 2147483649.0, v = tt_random(seed) / 2147483648.0;
    return sqrt(-2 * log(u)) * cos(6.283185307179586 * v);
}

static struct taut_sweep sweep_of(int channels, uint64_t *seed, bool noisy)
{
    struct taut_sweep sweep = {.present = (1u << channels) - 1};
    for (int role = 0; role < channels; role++) {
        int64_t n = 8000 + 300 * role + (noisy ? llround(50 * gaussian(seed)) : (int64_t)(*seed % 64));
        sweep.sample[role] = tt_good(role == TAUT_ROLE_TEMPERATURE ? tt_k(13000 + n) : tt_pa(n));
    }
    return sweep;
}

/* What a row costs the plain way. */
static void snprintf_row(const struct taut_station_setup *setup, int64_t wall_ns, int64_t t_ns, enum taut_phase phase,
                         const struct taut_sweep *sweep, struct taut_text *out)
{
    time_t second = (time_t)(wall_ns / 1000000000);
    struct tm tm;
    char day[32];
    gmtime_r(&second, &tm);
    strftime(day, sizeof day, "%Y-%m-%dT%H:%M:%S", &tm);
    taut_text_addf(out, "%s.%03dZ,%.3f,%s", day, (int)(wall_ns / 1000000 % 1000), (double)t_ns / 1e9, taut_phase_text(phase));
    for (int role = 0; role < TAUT_ROLES; role++) {
        if (!setup->channel[role].wired)
            continue;
        const struct taut_sample *s = &sweep->sample[role];
        taut_text_addf(out, ",%.3f,%s", role == TAUT_ROLE_TEMPERATURE ? s->value - 273.15 : s->value / 100,
                       taut_quality_text(s->quality));
    }
    taut_text_add(out, ",\r\n");
}

static int rows_in_memory(const char *how, long rows, int channels)
{
    struct taut_station_setup setup = setup_of(channels);
    struct taut_trace_clock clock = {0};
    struct taut_sweep sweeps[64];
    char storage[TAUT_TRACE_ROW_MAX];
    size_t bytes = 0;
    for (uint64_t i = 0; i < 64; i++) {
        uint64_t seed = i;
        sweeps[i] = sweep_of(channels, &seed, false);
    }
    for (long i = 0; i < rows; i++) {
        int64_t t_ns = i * 100000000, wall_ns = TT_START_WALL_NS + t_ns;
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        if (how[0] == 'O')
            taut_trace_row(&setup, &clock, wall_ns, t_ns, TAUT_PHASE_DROP_TEST, &sweeps[i & 63], "", &text);
        else
            snprintf_row(&setup, wall_ns, t_ns, TAUT_PHASE_DROP_TEST, &sweeps[i & 63], &text);
        bytes += text.length;
    }
    printf("%zu\n", bytes);
    return 0;
}

static int trace(long rows, int channels)
{
    struct taut_station_setup setup = setup_of(channels);
    struct taut_trace_clock clock = {0};
    uint64_t seed = 1;
    char storage[TAUT_TRACE_ROW_MAX];
    for (long i = 0; i < rows; i++) {
        struct taut_sweep sweep = sweep_of(channels, &seed, true);
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_trace_row(&setup, &clock, TT_START_WALL_NS + i * 100000000, i * 100000000, TAUT_PHASE_CURE, &sweep, "", &text);
        fwrite(text.at, 1, text.length, stdout);
    }
    return 0;
}

static int by_size(const void *a, const void *b)
{
    int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
    return (x > y) - (x < y);
}

enum { TURNS = 256, ROWS = 10 }; /* 2560 rows a second */

static void add_rows(struct tautd_folder *folder, const struct taut_station_setup *setup, struct taut_trace_clock *clock,
                     int64_t from)
{
    for (int64_t i = from; i < from + ROWS; i++) {
        char storage[TAUT_TRACE_ROW_MAX];
        struct taut_text text;
        uint64_t seed = (uint64_t)i;
        struct taut_sweep sweep = sweep_of(1, &seed, false);
        taut_text_init(&text, storage, sizeof storage);
        taut_trace_row(setup, clock, TT_START_WALL_NS + i * 1000000, i * 1000000, TAUT_PHASE_CURE, &sweep, "", &text);
        tautd_folder_trace(folder, text.at, text.length, 1);
    }
}

static void wait_turn(struct timespec *next)
{
    next->tv_nsec += 1000000000 / TURNS;
    next->tv_sec += next->tv_nsec / 1000000000;
    next->tv_nsec %= 1000000000;
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, next, NULL);
}

static int stall(const char *dir, double sync_s, int seconds)
{
    struct taut_station_setup setup = setup_of(1);
    struct taut_run run = tt_run("bench", 1);
    struct taut_trace_clock clock = {0};
    struct tautd_sink *sink = tautd_sink_new(dir, sync_s, NULL);
    struct tautd_folder *folder = sink ? tautd_sink_open(sink, 0, &setup, &run, NULL) : NULL;
    int turns = seconds * TURNS;
    int64_t *took = calloc((size_t)turns, sizeof *took);
    if (!folder || !took)
        return 1;
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    for (int turn = 0; turn < turns; turn++) {
        int64_t start = tautd_clock_real_ns();
        add_rows(folder, &setup, &clock, (int64_t)turn * ROWS);
        tautd_sink_flush(sink);
        took[turn] = tautd_clock_real_ns() - start;
        wait_turn(&next);
    }
    qsort(took, (size_t)turns, sizeof *took, by_size);
    printf("p50 %lld p99 %lld p999 %lld max %lld\n", (long long)took[turns / 2], (long long)took[turns * 99L / 100],
           (long long)took[turns * 999L / 1000], (long long)took[turns - 1]);
    tautd_sink_free(sink, 10);
    free(took);
    return 0;
}

static int write_until_killed(const char *dir, double sync_s)
{
    struct taut_station_setup setup = setup_of(1);
    struct taut_run run = tt_run("bench", 1);
    struct taut_trace_clock clock = {0};
    struct tautd_sink *sink = tautd_sink_new(dir, sync_s, NULL);
    struct tautd_folder *folder = sink ? tautd_sink_open(sink, 0, &setup, &run, NULL) : NULL;
    struct timespec next;
    clock_gettime(CLOCK_MONOTONIC, &next);
    for (int turn = 0; folder && turn < 60 * TURNS; turn++) {
        char line[32];
        add_rows(folder, &setup, &clock, (int64_t)turn * ROWS);
        tautd_sink_flush(sink);
        int n = snprintf(line, sizeof line, "%llu\n", (unsigned long long)tautd_folder_rows(folder));
        if (write(STDOUT_FILENO, line, (size_t)n) != n)
            break;
        wait_turn(&next);
    }
    return 1;
}

static void take_up(void *sink, const char *station, const char *path)
{
    struct taut_diag diag = {0};
    struct tautd_folder *folder = tautd_sink_reopen(sink, 0, path, &diag);
    if (folder)
        printf("%s %llu\n", station, (unsigned long long)tautd_folder_rows(folder));
    else
        printf("%s: %s\n", diag.file, diag.text);
}

static int mend(const char *dir)
{
    struct tautd_sink *sink = tautd_sink_new(dir, 1, NULL);
    if (!sink)
        return 1;
    tautd_sink_open_folders(sink, take_up, sink);
    tautd_sink_free(sink, 10);
    return 0;
}

static long resident_kib(void)
{
    long kib = -1;
    char line[128];
    FILE *file = fopen("/proc/self/status", "r");
    while (file && fgets(line, sizeof line, file))
        if (sscanf(line, "VmRSS: %ld", &kib) == 1)
            break;
    if (file)
        fclose(file);
    return kib;
}

static int folders(const char *dir, int count)
{
    struct taut_station_setup setup = setup_of(4);
    struct taut_trace_clock clock = {0};
    struct tautd_sink *sink = tautd_sink_new(dir, 1, NULL);
    long before = resident_kib();
    struct tautd_folder *open[256];
    for (int i = 0; i < count && i < 256; i++) {
        struct taut_run run = tt_run("bench", i + 1);
        if (!(open[i] = tautd_sink_open(sink, i, &setup, &run, NULL)))
            return 1;
    }
    for (int64_t turn = 0; turn < 300; turn++) {
        for (int i = 0; i < count && i < 256; i++) {
            char storage[TAUT_TRACE_ROW_MAX];
            struct taut_text text;
            uint64_t seed = (uint64_t)turn;
            struct taut_sweep sweep = sweep_of(4, &seed, false);
            taut_text_init(&text, storage, sizeof storage);
            taut_trace_row(&setup, &clock, TT_START_WALL_NS, turn * 100000000, TAUT_PHASE_CURE, &sweep, "", &text);
            tautd_folder_trace(open[i], text.at, text.length, 1);
        }
        tautd_sink_flush(sink);
        usleep(10000);
    }
    printf("before %ld with %ld\n", before, resident_kib());
    tautd_sink_free(sink, 10);
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 5 && strcmp(argv[1], "row") == 0)
        return rows_in_memory(argv[2], atol(argv[3]), atoi(argv[4]));
    if (argc == 4 && strcmp(argv[1], "trace") == 0)
        return trace(atol(argv[2]), atoi(argv[3]));
    if (argc == 5 && strcmp(argv[1], "stall") == 0)
        return stall(argv[2], atof(argv[3]), atoi(argv[4]));
    if (argc == 4 && strcmp(argv[1], "write") == 0)
        return write_until_killed(argv[2], atof(argv[3]));
    if (argc == 3 && strcmp(argv[1], "mend") == 0)
        return mend(argv[2]);
    if (argc == 4 && strcmp(argv[1], "folders") == 0)
        return folders(argv[2], atoi(argv[3]));
    fprintf(stderr, "see the head of tests/bench/sink.c\n");
    return 2;
}
