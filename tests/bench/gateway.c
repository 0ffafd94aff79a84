/* One emulated gateway as a program: units 0 to 255, each with its own connection, a set latency.
 *   gateway LATENCY_MS [LOG]
 * Prints its port; ends when standard input closes, then prints counts and, with LOG arrivals kept, how far the
 * period of each connection strayed from 100 ms. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tt_gateway.h"

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int by_connection(const void *a, const void *b)
{
    const struct tt_arrival *x = a, *y = b;
    if (x->connection != y->connection)
        return x->connection < y->connection ? -1 : 1;
    return (x->at_ns > y->at_ns) - (x->at_ns < y->at_ns);
}

/* The first two seconds are left out: connecting is no steady state. */
static void print_periods(const struct tt_arrival *log, int n)
{
    if (n < 1000)
        return;
    int64_t begin = log[0].at_ns;
    struct tt_arrival *sorted = malloc((size_t)n * sizeof *sorted);
    double *stray_ms = malloc((size_t)n * sizeof *stray_ms);
    if (!sorted || !stray_ms)
        return;
    memcpy(sorted, log, (size_t)n * sizeof *sorted);
    qsort(sorted, (size_t)n, sizeof *sorted, by_connection);
    int count = 0, missed = 0;
    for (int i = 1; i < n; i++) {
        if (sorted[i].connection != sorted[i - 1].connection || sorted[i - 1].at_ns < begin + 2000000000)
            continue;
        double ms = (double)(sorted[i].at_ns - sorted[i - 1].at_ns) / 1e6 - 100.0;
        stray_ms[count++] = ms < 0 ? -ms : ms;
        missed += ms > 50.0;
    }
    qsort(stray_ms, (size_t)count, sizeof *stray_ms, by_value);
    if (count > 100)
        printf("periods %d p50_ms %.3f p99_ms %.3f p999_ms %.3f missed %d\n", count, stray_ms[count / 2],
               stray_ms[(int)(count * 0.99)], stray_ms[(int)(count * 0.999)], missed);
    free(sorted);
    free(stray_ms);
}

int main(int argc, char **argv)
{
    if (argc < 2)
        return 64;
    struct tt_gateway_options options = {.latency_s = atof(argv[1]) / 1e3, .log = argc > 2 ? atoi(argv[2]) : 16};
    struct tt_gateway *gateway = tt_gateway_start(&options);
    if (!gateway)
        return 1;
    printf("port %d\n", tt_gateway_port(gateway));
    fflush(stdout);
    while (getchar() != EOF) {
    }
    struct tt_gateway_counts counts;
    tt_gateway_counts(gateway, &counts);
    const struct tt_arrival *log;
    int n = tt_gateway_log(gateway, &log);
    printf("answered %llu writes %llu\n", (unsigned long long)counts.answered, (unsigned long long)counts.writes);
    if (n > 0)
        printf("first_ns %lld\n", (long long)log[0].at_ns);
    if (argc > 2)
        print_periods(log, n);
    tt_gateway_stop(gateway);
    return 0;
}
