#include "taut/learn.h"

#include <math.h>
#include <string.h>

/* The first third of what is known may be a bag that still relaxes. */
enum { DROP_RATIO = 3, FIRST_BINS = 40, LEAST_BINS = 20 };

void taut_learn_init(struct taut_learn *learn)
{
    memset(learn, 0, sizeof *learn);
}

static void set_gap(struct taut_learn_set *set)
{
    for (int j = 0; j < TAUT_LEARN_SCALES; j++) {
        set->scale[j].have = 0;
        set->scale[j].have_half = false;
    }
}

void taut_learn_gap(struct taut_learn *learn)
{
    set_gap(&learn->older);
    set_gap(&learn->newer);
}

static void set_push(struct taut_learn_set *set, double mean)
{
    for (int j = 0; j < TAUT_LEARN_SCALES; j++) {
        struct taut_learn_scale *s = &set->scale[j];
        if (s->have == 2) {
            double second = mean - 2 * s->before[1] + s->before[0];
            s->sum_sq += second * second;
            s->n++;
        } else {
            s->have++;
        }
        s->before[0] = s->before[1];
        s->before[1] = mean;
        s->have_half = !s->have_half;
        if (s->have_half) {
            s->half = mean;
            return;
        }
        mean = 0.5 * (s->half + mean);
    }
}

void taut_learn_push(struct taut_learn *learn, double mean_pa)
{
    set_push(&learn->older, mean_pa);
    set_push(&learn->newer, mean_pa);
    learn->bins++;
    uint64_t turn = learn->newer.from == 0 ? FIRST_BINS : DROP_RATIO * learn->newer.from;
    if (learn->bins >= turn) {
        learn->older = learn->newer;
        memset(&learn->newer, 0, sizeof learn->newer);
        learn->newer.from = learn->bins;
    }
}

/* Variance of the sum of m members of an AR(1) of unit variance. */
static double ar1_sum_variance(double phi, int m)
{
    double memory = phi / (1 - phi);
    return m + 2 * memory * (m - (1 - pow(phi, m)) / (1 - phi));
}

double taut_learn_ar1_ms(double phi, int m)
{
    /* var(a - 2b + c) of three adjoining sums from the variances of sums over m, 2m, 3m bins */
    double v1 = ar1_sum_variance(phi, m), v2 = ar1_sum_variance(phi, 2 * m), v3 = ar1_sum_variance(phi, 3 * m);
    double next = 0.5 * (v2 - 2 * v1);        /* covariance of neighbours */
    double second = 0.5 * (v3 - 2 * v2 + v1); /* of next but one */
    return (6 * v1 - 8 * next + 2 * second) / ((double)m * m);
}

double taut_learn_walk_ms(int m)
{
    return m + 1.0 / m;
}

enum { PHIS = 9, RATIOS = 24 };
static const double phi_grid[PHIS] = {0, 0.2, 0.4, 0.55, 0.7, 0.8, 0.88, 0.94, 0.97};

/* Step variance of the walk per bin over the noise variance: 1e-5 (hardly any) to 3. */
static double ratio_at(int i)
{
    return 1e-5 * pow(10.0, i * (5.5 / (RATIOS - 1)));
}

/* Neighbouring second differences overlap, so n of them tell less than n independent ones would. */
static const double worth = 0.55;

struct grid {
    double log_like[PHIS][RATIOS];
    double variance[PHIS][RATIOS]; /* of the noise, most likely at this phi and ratio */
};

static void fill_grid(const struct taut_learn_set *set, double floor_variance, struct grid *grid)
{
    for (int p = 0; p < PHIS; p++) {
        double ar1[TAUT_LEARN_SCALES];
        for (int j = 0; j < TAUT_LEARN_SCALES; j++)
            ar1[j] = taut_learn_ar1_ms(phi_grid[p], 1 << j);
        for (int r = 0; r < RATIOS; r++) {
            double dof = 0, scaled = 0, logs = 0;
            for (int j = 0; j < TAUT_LEARN_SCALES; j++) {
                double nu = worth * set->scale[j].n;
                if (nu < 1)
                    break;
                double expected = ar1[j] + ratio_at(r) * taut_learn_walk_ms(1 << j);
                dof += nu;
                scaled += nu * set->scale[j].sum_sq / set->scale[j].n / expected;
                logs += nu * log(expected);
            }
            double variance = fmax(scaled / dof, floor_variance);
            grid->variance[p][r] = variance;
            grid->log_like[p][r] = -0.5 * (logs + dof * log(variance) + scaled / variance);
        }
    }
}

/* The wander at a quantile of its posterior (flat in the grid), with the most likely noise beside it. */
static void choose(const struct grid *grid, double quantile, struct taut_noise *noise)
{
    double best = -INFINITY, weight[RATIOS] = {0}, total = 0;
    int phi_of[RATIOS];
    for (int p = 0; p < PHIS; p++)
        for (int r = 0; r < RATIOS; r++)
            best = fmax(best, grid->log_like[p][r]);
    for (int r = 0; r < RATIOS; r++) {
        phi_of[r] = 0;
        for (int p = 0; p < PHIS; p++) {
            weight[r] += exp(grid->log_like[p][r] - best);
            if (grid->log_like[p][r] > grid->log_like[phi_of[r]][r])
                phi_of[r] = p;
        }
        total += weight[r];
    }
    int r = 0;
    for (double below = weight[0]; r < RATIOS - 1 && below < quantile * total; below += weight[r])
        r++;
    double variance = grid->variance[phi_of[r]][r];
    noise->phi = phi_grid[phi_of[r]];
    noise->sigma_pa = sqrt(variance);
    noise->wander_pa_per_sqrt_s = sqrt(variance * ratio_at(r) / noise->spacing_s);
}

void taut_learn_noise(const struct taut_learn *learn, double spacing_s, double floor_pa, double quantile,
                      struct taut_noise *noise)
{
    const struct taut_learn_set *set = &learn->older;
    /* With nothing known: a coarse sensor on a restless bag. */
    *noise =
        (struct taut_noise){.spacing_s = spacing_s, .sigma_pa = fmax(20.0, floor_pa), .phi = 0.8, .wander_pa_per_sqrt_s = 1.0};
    if (set->scale[0].n < LEAST_BINS)
        return;
    struct grid grid;
    fill_grid(set, fmax(floor_pa * floor_pa, 1e-4), &grid);
    noise->learnt_s = spacing_s * (double)(learn->bins - set->from);
    choose(&grid, quantile, noise);
}
