/* Counting rare events in seeded studies: what a count says about a rate, and which seeds to look at.
 *
 * A study fails when a count as high (or as low) as seen would come by chance in fewer than one of 10 000 studies if
 * the true rate were just at its bound. So a sound judge does not fail the suite, and a rate that is really above the
 * bound does: which factor shows at a given number of runs is printed with the bound.
 * Include it after cmocka.h. */
#ifndef TT_STUDY_H
#define TT_STUDY_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { TT_STUDY_SEEDS = 8 };

struct tt_count {
    int runs, events;
    uint64_t seed[TT_STUDY_SEEDS]; /* of the first events */
};

static inline bool tt_study_full(void)
{
    const char *full = getenv("TAUT_STAT_FULL");
    return full && full[0] == '1';
}

static inline int tt_study_runs(int quick, int full)
{
    return tt_study_full() ? full : quick;
}

static inline void tt_count_add(struct tt_count *c, bool event, uint64_t seed)
{
    c->runs++;
    if (event) {
        if (c->events < TT_STUDY_SEEDS)
            c->seed[c->events] = seed;
        c->events++;
    }
}

static inline double tt_count_rate(const struct tt_count *c)
{
    return c->runs > 0 ? (double)c->events / c->runs : 0;
}

/* P(X >= k) for X binomial (n, p) */
static inline double tt_binomial_tail(int n, int k, double p)
{
    double sum = 0;
    for (int i = k; i <= n; i++)
        sum += exp(lgamma(n + 1.0) - lgamma(i + 1.0) - lgamma(n - i + 1.0) + i * log(p) + (n - i) * log1p(-p));
    return sum;
}

/* Least count that is too high for a rate of `bound`. */
static inline int tt_study_too_many(int runs, double bound)
{
    int k = (int)(runs * bound);
    while (tt_binomial_tail(runs, k, bound) >= 1e-4)
        k++;
    return k;
}

static inline void tt_study_at_most(const struct tt_count *c, double bound, const char *what)
{
    int too_many = tt_study_too_many(c->runs, bound);
    if (c->events >= too_many) {
        char seeds[200] = "";
        size_t used = 0;
        for (int i = 0; i < c->events && i < TT_STUDY_SEEDS; i++)
            used += (size_t)snprintf(seeds + used, sizeof seeds - used, " %llu", (unsigned long long)c->seed[i]);
        fail_msg("%s: %d of %d, stated at most %g (%d would be too many); seeds%s", what, c->events, c->runs, bound, too_many,
                 seeds);
    }
}

#endif
