/* What a serial line carries, against strict units on emulated lines and a reference master on a second line beside.
 *   bus_serial [G1] [G2] [G3] [G4] [violations SECONDS]     without words: G1 to G4 */
#include "bus_load.h"
#include "figure.h"
#include "reference.h"
#include "tt_rtu_unit.h"

struct wire {
    const char *name;
    int baud, bits, units, registers; /* registers asked for at once from each unit */
};

static const struct wire wires[] = {
    {"9600 8E1, 8 units",        9600,   11, 8, 2 },
    {"19200 8E1, 8 units",       19200,  11, 8, 2 },
    {"38400 8E1, 8 units",       38400,  11, 8, 2 },
    {"115200 8N1, 8 units",      115200, 10, 8, 2 },
    {"19200 8E1, 16 registers",  19200,  11, 1, 16},
    {"115200 8N1, 16 registers", 115200, 10, 1, 16},
};
enum { WIRES = sizeof wires / sizeof wires[0] };
static const double turnaround_s = 0.005, at_once_s = 0.0001;

static struct tt_rtu *emulate(const struct wire *w)
{
    struct tt_rtu_options o = {
        .baud = w->baud, .bits = w->bits, .turnaround_s = turnaround_s, .first_unit = 1, .last_unit = w->units};
    return tt_rtu_start(&o);
}

static int line_of(struct load *l, const struct wire *w, struct tt_rtu *rtu)
{
    int line = load_line(l, TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    l->line[line].baud = w->baud;
    l->line[line].parity = w->bits == 11 ? TAUTD_PARITY_EVEN : TAUTD_PARITY_NONE;
    for (int unit = 1; unit <= w->units; unit++)
        for (int reg = 0; reg < w->registers; reg += 2)
            load_channel(l, line, unit, reg, at_once_s);
    return line;
}

static struct tt_rtu_counts counts(struct tt_rtu *rtu)
{
    struct tt_rtu_counts c;
    tt_rtu_counts(rtu, &c);
    return c;
}

/* Share of the time between two answers for which the line was needed. */
static double use(const struct tt_rtu_counts *a, const struct tt_rtu_counts *b)
{
    return b->last_answer_ns > a->last_answer_ns
               ? (double)(b->wire_ns - a->wire_ns) / (double)(b->last_answer_ns - a->last_answer_ns)
               : 0;
}

static double cycle_s(const struct wire *w)
{
    return (13 + 2 * w->registers) * (double)w->bits / w->baud + turnaround_s + 1e-9 * (double)tt_rtu_gap_ns(w->baud, w->bits);
}

static void g1(double seconds)
{
    uint64_t violations = 0, polls = 0;
    for (int i = 0; i < WIRES; i++) {
        const struct wire *w = &wires[i];
        struct tt_rtu *ours = emulate(w), *theirs = emulate(w);
        struct load *l = load_new();
        char name[80];
        line_of(l, w, ours);
        load_start(l);
        struct reference_rtu *reference = reference_rtu_start(tt_rtu_path(theirs), w->baud, w->bits, w->units, w->registers);
        load_run(l, 0.5);
        struct tt_rtu_counts a = counts(ours), ra = counts(theirs);
        load_run(l, seconds);
        struct tt_rtu_counts b = counts(ours), rb = counts(theirs);
        double u = use(&a, &b), ru = use(&ra, &rb);
        snprintf(name, sizeof name, "G1 line use / reference, %s", w->name);
        figure(name, ru > 0 ? u / ru : 0, ">= 0.98", "%.3f against %.3f of the time; quiet goal 0.97", u, ru);
        violations += b.violations;
        polls += b.requests;
        reference_rtu_stop(reference);
        load_free(l);
        tt_rtu_stop(ours);
        tt_rtu_stop(theirs);
    }
    char beside[80];
    snprintf(beside, sizeof beside, "in %llu polls", (unsigned long long)polls);
    gate("G1 requests sooner than t3.5", (double)violations, violations == 0, "0", beside);
}

/* All six cases at once: the count that gates. */
static void count_violations(double seconds)
{
    struct tt_rtu *rtu[WIRES];
    struct load *l = load_new();
    uint64_t violations = 0, polls = 0, unanswered = 0;
    char beside[80];
    for (int i = 0; i < WIRES; i++) {
        rtu[i] = emulate(&wires[i]);
        line_of(l, &wires[i], rtu[i]);
    }
    load_start(l);
    load_run(l, seconds);
    for (int i = 0; i < WIRES; i++) {
        struct tautd_bus_stats s;
        tautd_bus_stats(l->bus, i, &s);
        unanswered += s.timeouts + s.bad_frames;
        struct tt_rtu_counts c = counts(rtu[i]);
        violations += c.violations;
        polls += c.requests;
    }
    load_free(l);
    for (int i = 0; i < WIRES; i++)
        tt_rtu_stop(rtu[i]);
    snprintf(beside, sizeof beside, "in %llu polls on six lines at once", (unsigned long long)polls);
    gate("G1 requests sooner than t3.5", (double)violations, violations == 0 && polls > 0, "0", beside);
    figure("   without a good answer", (double)unanswered, "0", "%s", beside);
}

static void g2(double seconds)
{
    static const struct wire eight[] = {
        {"19200 8E1",  19200,  11, 1, 16},
        {"115200 8N1", 115200, 10, 1, 16}
    };
    for (int i = 0; i < 2; i++) {
        const struct wire *w = &eight[i];
        struct wire single = *w;
        struct tt_rtu *rtu = emulate(w);
        struct load *l = load_new();
        char name[80];
        single.registers = 2;
        line_of(l, w, rtu);
        load_start(l);
        load_run(l, 0.5);
        uint64_t before = load_sum(l->good);
        struct tt_rtu_counts a = counts(rtu);
        load_run(l, seconds);
        struct tt_rtu_counts b = counts(rtu);
        double span_s = 1e-9 * (double)(b.last_answer_ns - a.last_answer_ns),
               rate = (double)(load_sum(l->good) - before) / span_s;
        snprintf(name, sizeof name, "G2 eight neighbours / joined limit, %s", w->name);
        figure(name, rate * cycle_s(w) / 8, ">= 0.95", "%.0f samples/s, %.1f times the limit of single reads", rate,
               rate * cycle_s(&single));
        load_free(l);
        tt_rtu_stop(rtu);
    }
}

static double healthy(struct load *l, struct tt_rtu *rtu, double seconds, int dead)
{
    struct tt_rtu_counts a = counts(rtu);
    load_run(l, seconds);
    struct tt_rtu_counts b = counts(rtu);
    uint64_t n = 0;
    for (int unit = 1; unit <= 8; unit++)
        n += unit == dead ? 0 : b.answered_by[unit] - a.answered_by[unit];
    return (double)n / seconds;
}

static void g3(bool known)
{
    const struct wire *w = &wires[1];
    struct tt_rtu *rtu = emulate(w);
    struct load *l = load_new();
    enum { DEAD = 4 };
    line_of(l, w, rtu);
    double alone = 0;
    if (known) {
        load_start(l);
        load_run(l, 0.5);
        alone = healthy(l, rtu, 6, 0) * 7 / 8;
        tt_rtu_fault(rtu, DEAD, TT_FAULT_SILENT, 0, -1);
    } else {
        alone = 7 / cycle_s(w) / 8; /* the line's limit, for seven of eight */
        tt_rtu_fault(rtu, DEAD, TT_FAULT_SILENT, 0, -1);
        load_start(l);
    }
    load_run(l, 30);
    double rate = healthy(l, rtu, 22, DEAD);
    /* with one silent the line has more time for the seven: compare with seven of seven as well */
    figure(known ? "G3 neighbours' polls, one of 8 gone silent" : "G3 neighbours' polls, one of 8 never heard", rate / alone,
           ">= 0.90", "%.1f against %.1f polls/s; of the line's limit for seven %.3f", rate, alone, rate * cycle_s(w));
    int64_t back_ns = tautd_clock_mono_ns();
    uint64_t before = l->good[DEAD - 1];
    tt_rtu_fault(rtu, DEAD, TT_FAULT_NONE, 0, 0);
    for (int i = 0; i < 300 && l->good[DEAD - 1] == before; i++)
        load_run(l, 0.05);
    figure("   found again after, s", 1e-9 * (double)(l->last_good_ns[DEAD - 1] - back_ns), "<= 10", "violations %llu",
           (unsigned long long)counts(rtu).violations);
    load_free(l);
    tt_rtu_stop(rtu);
}

static void g4(double seconds)
{
    enum { BUSES = 4 };
    const struct wire *w = &wires[1];
    double worst = 1, alone = 0;
    for (int buses = 1; buses <= BUSES; buses += BUSES - 1) {
        struct tt_rtu *rtu[BUSES];
        struct tt_rtu_counts a[BUSES];
        struct load *l = load_new();
        for (int i = 0; i < buses; i++) {
            rtu[i] = emulate(w);
            line_of(l, w, rtu[i]);
        }
        load_start(l);
        load_run(l, 0.5);
        for (int i = 0; i < buses; i++)
            a[i] = counts(rtu[i]);
        load_run(l, seconds);
        for (int i = 0; i < buses; i++) {
            struct tt_rtu_counts b = counts(rtu[i]);
            double u = use(&a[i], &b);
            alone = buses == 1 ? u : alone;
            worst = u < worst ? u : worst;
        }
        load_free(l);
        for (int i = 0; i < buses; i++)
            tt_rtu_stop(rtu[i]);
    }
    figure("G4 four lines at once, worst / one alone", worst / alone, ">= 0.97", "%.3f against %.3f of the time", worst, alone);
}

int main(int argc, char **argv)
{
    for (int i = 1; i < argc || i == 1; i++) {
        const char *word = i < argc ? argv[i] : "";
        if (strcmp(word, "violations") == 0)
            count_violations(i + 1 < argc ? atof(argv[++i]) : 5);
        if (!*word || strcmp(word, "G1") == 0)
            g1(6);
        if (!*word || strcmp(word, "G2") == 0)
            g2(6);
        if (!*word || strcmp(word, "G3") == 0) {
            g3(true);
            g3(false);
        }
        if (!*word || strcmp(word, "G4") == 0)
            g4(8);
        if (!*word)
            count_violations(25);
    }
    return figures_missed > 0;
}
