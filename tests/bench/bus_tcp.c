/* Many gateways at once: no barrier between them, and how steady a period is kept.
 *   bus_tcp [G5] [G6] [G15]     without words: all */
#include <fcntl.h>
#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "bus_load.h"
#include "figure.h"
#include "reference.h"
#include "tt_gateway.h"

/* One line for each connection, all to one emulated gateway; unit i on line i. */
static struct load *load_gateways(int port, int n, double period_s, int priority)
{
    struct load *l = load_new();
    for (int i = 0; i < n; i++) {
        int line = load_line(l, TAUTD_LINE_TCP, NULL, port);
        l->line[line].real_time_priority = priority;
        load_channel(l, line, i, 0, period_s);
    }
    return l;
}

static uint64_t answered(struct tt_gateway *g)
{
    struct tt_gateway_counts c;
    tt_gateway_counts(g, &c);
    return c.answered;
}

/* Mean time from one answer of a gateway to its next, as a multiple of the latency. */
static double cycles(struct tt_gateway *g, struct load *l, int n, double latency_s, double seconds)
{
    uint64_t a = answered(g);
    int64_t begin = tautd_clock_real_ns();
    if (l)
        load_run(l, seconds);
    else
        usleep((useconds_t)(seconds * 1e6));
    double span_s = 1e-9 * (double)(tautd_clock_real_ns() - begin);
    return span_s * n / (double)(answered(g) - a) / latency_s;
}

static void g5(double latency_s, const char *name, const char *goal)
{
    enum { N = 256 };
    const double seconds = 6;
    struct tt_gateway_options o = {.latency_s = latency_s};
    struct tt_gateway *g = tt_gateway_start(&o);
    struct load *l = load_gateways(tt_gateway_port(g), N, 0.0001, 0);
    load_start(l);
    load_run(l, 1);
    double ours = cycles(g, l, N, latency_s, seconds);
    load_free(l);
    struct reference_tcp *r = reference_tcp_start(tt_gateway_port(g), N, 0, false);
    usleep(1000000);
    double theirs = cycles(g, NULL, N, latency_s, seconds);
    reference_tcp_stop(r);
    tt_gateway_stop(g);
    figure(name, ours, goal, "%.3f of the reference's %.3f (goal 1.10)", ours / theirs, theirs);
}

static void g6(void)
{
    enum { N = 64, SILENT = 17 };
    struct tt_gateway_options o = {.latency_s = 0.005};
    struct tt_gateway *g = tt_gateway_start(&o);
    struct load *l = load_gateways(tt_gateway_port(g), N, 0.1, 0);
    double period[2];
    uint64_t missed = 0;
    load_start(l);
    load_run(l, 1);
    for (int silent = 0; silent < 2; silent++) {
        const double seconds = 10;
        struct tautd_bus_stats s;
        if (silent)
            tt_gateway_fault(g, SILENT, TT_FAULT_SILENT, 0, -1);
        load_run(l, 0.5);
        uint64_t good = load_sum(l->good) - l->good[SILENT], bad = load_sum(l->bad) - l->bad[SILENT], skipped = 0;
        for (int i = 0; i < N; i++) {
            tautd_bus_stats(l->bus, i, &s);
            skipped += i == SILENT ? 0 : s.skipped;
        }
        load_run(l, seconds);
        good = load_sum(l->good) - l->good[SILENT] - good;
        bad = load_sum(l->bad) - l->bad[SILENT] - bad;
        for (int i = 0; i < N; i++) {
            tautd_bus_stats(l->bus, i, &s);
            missed += i == SILENT ? 0 : s.skipped;
        }
        missed = missed - skipped + bad;
        period[silent] = seconds * (N - 1) / (double)good;
    }
    figure("G6 period of 63 beside a silent one / without", period[1] / period[0], "<= 1.02", "%.2f ms against %.2f ms",
           1e3 * period[1], 1e3 * period[0]);
    figure("   samples of the others missed", (double)missed, "0", "in 20 s at 10 Hz");
    load_free(l);
    tt_gateway_stop(g);
}

/* ---- G15 ---- */

struct strays {
    double p99_ms, p999_ms;
    int missed, periods;
};

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* How far the intervals at the gateway are from the period, from two seconds after the start on. */
static struct strays strays_of(struct tt_gateway *g, double period_s)
{
    enum { CONNECTIONS = 1024 };
    static int64_t last[CONNECTIONS];
    const struct tt_arrival *log;
    struct strays s = {0};
    int n = tt_gateway_log(g, &log), count = 0;
    double *stray = malloc((size_t)(n + 1) * sizeof *stray);
    memset(last, 0, sizeof last);
    if (!stray || n < 1000)
        abort();
    for (int i = 0; i < n; i++) {
        int c = log[i].connection;
        if (last[c] > log[0].at_ns + INT64_C(2000000000)) {
            double away = fabs(1e-9 * (double)(log[i].at_ns - last[c]) - period_s);
            stray[count++] = 1e3 * away;
            s.missed += away > 0.5 * period_s;
        }
        last[c] = log[i].at_ns;
    }
    qsort(stray, (size_t)count, sizeof *stray, by_value);
    s.p99_ms = stray[(int)(0.99 * count)];
    s.p999_ms = stray[(int)(0.999 * count)];
    s.periods = count;
    free(stray);
    return s;
}

static struct tt_gateway *watching_gateway(void)
{
    struct tt_gateway_options o = {.latency_s = 0.005, .log = 100000};
    return tt_gateway_start(&o);
}

enum { BENCHES = 256 };
static const double run_s = 12, period_s = 0.1;

static struct strays strays_of_bus(int priority)
{
    struct tt_gateway *g = watching_gateway();
    struct load *l = load_gateways(tt_gateway_port(g), BENCHES, period_s, priority);
    load_start(l);
    load_run(l, run_s);
    load_free(l);
    struct strays s = strays_of(g, period_s);
    tt_gateway_stop(g);
    return s;
}

static struct strays strays_of_reference(bool real_time)
{
    struct tt_gateway *g = watching_gateway();
    struct reference_tcp *r = reference_tcp_start(tt_gateway_port(g), BENCHES, period_s, real_time);
    usleep((useconds_t)(run_s * 1e6));
    reference_tcp_stop(r);
    struct strays s = strays_of(g, period_s);
    tt_gateway_stop(g);
    return s;
}

/* Two loops that never sleep and one that writes to disk and waits for it. They end with us. */
static void start_disturbance(pid_t pid[3])
{
    for (int i = 0; i < 3; i++) {
        pid[i] = fork();
        if (pid[i] != 0)
            continue;
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        char name[] = "/tmp/tt-bench-XXXXXX";
        int fd = i == 2 ? mkstemp(name) : -1;
        if (fd >= 0)
            unlink(name);
        for (volatile unsigned turn = 0;; turn = turn + 1)
            if (fd >= 0 && (pwrite(fd, "disturbance", 11, (off_t)(turn % 1024) * 4096) != 11 || fdatasync(fd) != 0))
                _exit(1);
    }
}

static void g15(void)
{
    for (int loaded = 0; loaded < 2; loaded++) {
        pid_t pid[3];
        if (loaded)
            start_disturbance(pid);
        struct strays reference = strays_of_reference(true), plain = strays_of_reference(false);
        struct strays ours = strays_of_bus(0), real_time = strays_of_bus(10);
        for (int i = 0; i < 3 && loaded; i++) {
            kill(pid[i], SIGKILL);
            waitpid(pid[i], NULL, 0);
        }
        const char *where = loaded ? "two busy loops and a disk writer" : "as found";
        char name[80];
        snprintf(name, sizeof name, "G15 strays p99.9 / reference FIFO, %s", loaded ? "loaded" : "quiet");
        figure(name, real_time.p999_ms / reference.p999_ms, "<= 1.5", "%.2f against %.2f ms, real-time priority",
               real_time.p999_ms, reference.p999_ms);
        figure("   the same without real-time priority", ours.p999_ms / plain.p999_ms, "none",
               "%.2f against %.2f ms (p99 %.2f, %.2f), %s", ours.p999_ms, plain.p999_ms, ours.p99_ms, plain.p99_ms, where);
        figure("   periods missed", (double)real_time.missed, "0", "of %d; without priority %d; reference %d", real_time.periods,
               ours.missed, reference.missed);
    }
}

int main(int argc, char **argv)
{
    for (int i = 1; i < argc || i == 1; i++) {
        const char *word = i < argc ? argv[i] : "";
        if (!*word || strcmp(word, "G5") == 0) {
            g5(0.02, "G5 sweep / latency, 256 at 20 ms", "<= 1.20");
            g5(0.1, "G5 sweep / latency, 256 at 100 ms", "<= 1.06");
        }
        if (!*word || strcmp(word, "G6") == 0)
            g6();
        if (!*word || strcmp(word, "G15") == 0)
            g15();
    }
    return figures_missed > 0;
}
