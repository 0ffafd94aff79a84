/* What the drawdown says of bags drawn at random, with known truth: how often a sound bag is called not holding (an
 * alarm for nothing), and how soon a gross leak is called so. Sizes of pumps, bags and noise are our own choice. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "taut/drawdown.h"
#include "taut/units.h"
#include "tt_csv.h"

static uint64_t state_;

static double uniform(void)
{
    uint64_t z = (state_ += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static double normal(void)
{
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += uniform();
    return sum - 6;
}

static double between(double low, double high) /* evenly in the logarithm */
{
    return low * pow(high / low, uniform());
}

enum kind { SINGLE, LOOSE_FILM, FAR_END, LAMINAR, FALLING_SPEED, LEAK, OPEN_LINE, KINDS };
static const char *const kind_text[KINDS] = {
    "one volume", "loose film first", "far end behind a line", "laminar line", "pump losing speed", "gross leak", "open line"};

/* mbar, L, L/s, s; two volumes in a row, the gauge in the first. */
struct bag {
    double near_l, far_l, line_l_per_s, speed_l_per_s, laminar, half_speed_mbar, pump_mbar, leak_mbar_l_per_s, film_s;
    double p_near, p_far;
};

static struct bag draw(enum kind kind)
{
    double tau_s = between(3, 600);
    struct bag b = {.near_l = between(1, 300), .pump_mbar = between(0.5, 5), .p_near = 1013, .p_far = 1013};
    b.speed_l_per_s = b.near_l / tau_s;
    if (kind == LOOSE_FILM)
        b.film_s = between(5, 120);
    if (kind == FAR_END || kind == LAMINAR) {
        b.far_l = b.near_l * between(0.2, 20);
        b.line_l_per_s = b.speed_l_per_s * between(0.1, 3);
        b.laminar = kind == LAMINAR;
    }
    if (kind == FALLING_SPEED)
        b.half_speed_mbar = between(5, 80);
    if (kind == LEAK)
        b.leak_mbar_l_per_s = b.speed_l_per_s * between(70, 800);
    if (kind == OPEN_LINE) {
        b.leak_mbar_l_per_s = b.speed_l_per_s * between(70, 800);
        b.near_l = b.speed_l_per_s * between(0.3, 2);
    }
    return b;
}

static void step(struct bag *b, double t_s, double dt_s)
{
    if (t_s < b->film_s)
        return;
    double speed = b->speed_l_per_s;
    if (b->half_speed_mbar > 0)
        speed *= b->p_near / (b->p_near + b->half_speed_mbar);
    double line =
        b->far_l > 0 ? b->line_l_per_s * (b->laminar > 0 ? (b->p_near + b->p_far) / 2026 : 1) * (b->p_far - b->p_near) : 0;
    double in = line + b->leak_mbar_l_per_s;
    /* exact for a constant inflow over the step */
    double rest = b->pump_mbar + in / speed;
    double before = b->p_near;
    b->p_near = rest + (before - rest) * exp(-speed * dt_s / b->near_l);
    if (b->far_l > 0)
        b->p_far -= line * dt_s / b->far_l;
}

/* Does it come down to 10 mbar within half an hour? */
static bool is_sound(struct bag b)
{
    for (double t_s = 0; t_s < 1800; t_s += 0.05) {
        step(&b, t_s, 0.05);
        if (b.p_near < 10)
            return true;
    }
    return false;
}

/* A bag of this kind; the gauge at the near end must come down if it is a sound one. */
static struct bag draw_one(enum kind kind)
{
    struct bag b;
    do
        b = draw(kind);
    while (kind < LEAK && !is_sound(b));
    return b;
}

struct noise_kind {
    double sd_mbar, phi, step_mbar, period_s;
};
static const struct noise_kind noises[] = {
    {0.02, 0,    0,    0.1},
    {0.1,  0.9,  0,    0.1},
    {0.25, 0.95, 0,    0.1},
    {0.1,  0,    0.25, 0.1},
    {0.1,  0,    0,    1  }
};
enum { NOISES = sizeof noises / sizeof noises[0] };

struct outcome {
    bool reached, not_holding, levelling;
    double reached_s, not_holding_s, tau_s;
};

static struct outcome follow(enum kind kind, const struct noise_kind *noise, uint64_t seed, double most_s)
{
    struct taut_drawdown d;
    assert_int_equal(taut_drawdown_init(&d, 1000, 1800), TAUT_OK);
    state_ = seed * 1000003 + (uint64_t)kind * 7919;
    struct bag b = draw_one(kind);
    struct outcome out = {.tau_s = b.near_l / b.speed_l_per_s};
    double e = 0;
    for (double t_s = 0; t_s < most_s && !out.reached && !out.not_holding; t_s += noise->period_s) {
        e = noise->phi * e + sqrt(1 - noise->phi * noise->phi) * noise->sd_mbar * normal();
        double p = b.p_near + e;
        if (noise->step_mbar > 0)
            p = noise->step_mbar * round(p / noise->step_mbar);
        const struct taut_drawdown_result *r = taut_drawdown_push(&d, taut_ns(t_s), p * 100);
        out.levelling = out.levelling || r->state == TAUT_DRAWDOWN_LEVELLING;
        if (r->state == TAUT_DRAWDOWN_NOT_HOLDING) {
            out.not_holding = true;
            out.not_holding_s = t_s;
        }
        out.reached = r->state == TAUT_DRAWDOWN_REACHED;
        for (int i = 0; i < 4; i++)
            step(&b, t_s, noise->period_s / 4);
    }
    return out;
}

static int runs(void)
{
    return getenv("TAUT_STAT_FULL") ? 400 : 12;
}

static void sound_bags_are_hardly_ever_called_not_holding(void **state)
{
    (void)state;
    int all = 0, wrong = 0;
    printf("\n%-24s %-34s %6s %12s %10s\n", "sound bag", "noise", "runs", "not holding", "levelling");
    for (int kind = 0; kind < LEAK; kind++) {
        for (int n = 0; n < NOISES; n++) {
            int called = 0, levelling = 0;
            for (int i = 0; i < runs(); i++) {
                struct outcome o = follow((enum kind)kind, &noises[n], (uint64_t)(i + 1 + n * 100000), 3600);
                called += o.not_holding;
                levelling += o.levelling;
                if (o.not_holding)
                    printf("  seed %d: tau %.0f s, not holding after %.1f s\n", i + 1 + n * 100000, o.tau_s, o.not_holding_s);
            }
            printf("%-24s sd %.2f phi %.2f step %.2f every %.1f s %6d %12d %10d\n", kind_text[kind], noises[n].sd_mbar,
                   noises[n].phi, noises[n].step_mbar, noises[n].period_s, runs(), called, levelling);
            all += runs();
            wrong += called;
        }
    }
    printf("not holding in %d of %d\n", wrong, all);
    assert_true(wrong <= all / 100);
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static void gross_leaks_are_called_in_a_few_time_constants(void **state)
{
    (void)state;
    static double ratio[400];
    printf("\n%-24s %-34s %6s %8s %28s\n", "leaking bag", "noise", "runs", "missed", "time: median, 95 % (s or tau)");
    for (int kind = LEAK; kind < KINDS; kind++) {
        for (int n = 0; n < NOISES; n++) {
            int missed = 0, count = 0;
            for (int i = 0; i < runs(); i++) {
                struct outcome o = follow((enum kind)kind, &noises[n], (uint64_t)(i + 1 + n * 100000), 3600);
                if (!o.not_holding)
                    missed++;
                else
                    ratio[count++] = kind == OPEN_LINE ? o.not_holding_s : o.not_holding_s / fmax(o.tau_s, 5);
            }
            qsort(ratio, (size_t)count, sizeof ratio[0], ascending);
            double median = count ? ratio[count / 2] : (double)NAN, high = count ? ratio[(int)(0.95 * count)] : (double)NAN;
            printf("%-24s sd %.2f phi %.2f step %.2f every %.1f s %6d %8d %12.1f %12.1f %s\n", kind_text[kind], noises[n].sd_mbar,
                   noises[n].phi, noises[n].step_mbar, noises[n].period_s, runs(), missed, median, high,
                   kind == OPEN_LINE ? "s" : "tau");
            assert_int_equal(missed, 0);
            assert_true(kind == OPEN_LINE ? high < 60 : high < 8);
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sound_bags_are_hardly_ever_called_not_holding),
        cmocka_unit_test(gross_leaks_are_called_in_a_few_time_constants),
    };
    return cmocka_run_group_tests_name("drawdown kinds", tests, NULL, NULL);
}
