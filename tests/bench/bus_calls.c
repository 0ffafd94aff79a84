/* How many system calls a sample costs on the bus side, by strace: the difference of two runs, so that start and end fall
 * out.
 *   bus_calls                        measure; exit 1 when the gate is missed
 *   bus_calls load PORT N HZ SECONDS the program measured: prints how many samples came */
#include <sys/wait.h>
#include <unistd.h>

#include "bus_load.h"
#include "figure.h"
#include "tt_gateway.h"

static int load_main(char **argv)
{
    int port = atoi(argv[0]), n = atoi(argv[1]);
    double hz = atof(argv[2]), seconds = atof(argv[3]);
    struct load *l = load_new();
    for (int i = 0; i < n; i++)
        load_channel(l, load_line(l, TAUTD_LINE_TCP, NULL, port), i, 0, 1 / hz);
    load_start(l);
    load_run(l, seconds);
    printf("samples %llu\n", (unsigned long long)load_sum(l->good));
    load_free(l);
    return 0;
}

/* @return system calls; *samples as printed by the program under strace */
static double run_once(const char *self, int port, int n, double hz, double seconds, double *samples)
{
    char line[600], folder[] = "/tmp/tt-calls-XXXXXX", file[64];
    double calls = 0;
    if (!mkdtemp(folder))
        abort();
    snprintf(file, sizeof file, "%s/strace", folder);
    snprintf(line, sizeof line, "strace -f -c -U name,calls -o %s %s load %d %d %g %g", file, self, port, n, hz, seconds);
    FILE *pipe = popen(line, "r");
    *samples = 0;
    if (!pipe || fscanf(pipe, "samples %lf", samples) != 1)
        fprintf(stderr, "strace gave nothing; is it installed, and allowed here?\n");
    if (pipe)
        pclose(pipe);
    FILE *table = fopen(file, "r");
    for (char row[200], name[64]; table && fgets(row, sizeof row, table);) {
        double count;
        if (sscanf(row, "%63s %lf", name, &count) == 2 && strcmp(name, "total") != 0)
            calls += count;
    }
    if (table)
        fclose(table);
    unlink(file);
    rmdir(folder);
    return calls;
}

static double per_sample(const char *self, int n, double hz, double *samples)
{
    struct tt_gateway_options o = {.latency_s = 0.002};
    struct tt_gateway *g = tt_gateway_start(&o);
    double few, many, short_calls = run_once(self, tt_gateway_port(g), n, hz, 2, &few);
    double long_calls = run_once(self, tt_gateway_port(g), n, hz, 6, &many);
    tt_gateway_stop(g);
    *samples = many - few;
    return *samples > 0 ? (long_calls - short_calls) / *samples : 0;
}

int main(int argc, char **argv)
{
    if (argc == 6 && strcmp(argv[1], "load") == 0)
        return load_main(argv + 2);
    if (system("command -v strace >/dev/null") != 0) {
        fputs("skipped: needs strace\n", stderr);
        return 77;
    }
    static const struct {
        int n;
        double hz;
    } runs[] = {
        {1,  10},
        {16, 10},
        {64, 10}
    };
    for (size_t i = 0; i < sizeof runs / sizeof runs[0]; i++) {
        double samples, calls = per_sample(argv[0], runs[i].n, runs[i].hz, &samples);
        char name[80], beside[80];
        snprintf(name, sizeof name, "G8 bus: system calls per sample, %d at 10 Hz", runs[i].n);
        snprintf(beside, sizeof beside, "%.0f samples, the reader's own calls included", samples);
        if (samples <= 0)
            return 77;
        if (runs[i].n == 1)
            figure(name, calls, "none", "%s", beside); /* each wakes the reader */
        else
            gate(name, calls, calls <= 9.0, "<= 9", beside);
    }
    return figures_missed > 0;
}
