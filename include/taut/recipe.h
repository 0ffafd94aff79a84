/** @file recipe.h  The limits and times for a kind of part.  Times in s, pressures in absolute Pa, rates in Pa/s. */
#ifndef TAUT_RECIPE_H
#define TAUT_RECIPE_H

#include <stddef.h>

#include "taut/keys.h"
#include "taut/limits.h"

#ifdef __cplusplus
extern "C" {
#endif

enum taut_test_mode { TAUT_TEST_FIXED, TAUT_TEST_EARLY };

struct taut_recipe {
    char name[TAUT_NAME_MAX];
    /* drawdown */
    double drawdown_below_pa; /* the bag must come below this before it is shut off */
    double drawdown_hold_s;   /* and stay there for so long */
    double drawdown_max_s;    /* advice to look for a gross leak after this */
    /* settle and drop test */
    double settle_min_s, settle_max_s;   /* after shut-off, before the test is judged; the data decide in between */
    double limit_pa_per_s;               /* limit as a rate; NaN when the recipe has none */
    double rise_limit_pa, rise_within_s; /* limit as a total rise within a time; NaN when the recipe has none */
    double test_min_s, test_s;           /* least and (fixed: exactly; early: at most) this long */
    int mode;                            /* enum taut_test_mode */
    double risk;                         /* greatest chance of a wrong pass at the limit, and of a wrong fail */
    /* fill watch */
    double fill_false_alarm_h;   /* at most one false alarm in so many hours */
    double fill_leak_pa_per_s;   /* the leak that matters, as the rise of the isolated bag */
    double fill_step_pa;         /* or its step at the gauge while the pump draws */
    double fill_tell_s;          /* how soon it should be told */
    double fill_below_pa;        /* plain limit: the bag is to stay below this during fill; NaN for none */
    double clamp_limit_pa_per_s; /* rise allowed after the clamp (the dry rest is squeezed) */
    double cure_below_pa;        /* plain limit during cure; NaN for none */
};

/** The table of recipe keys; ends with a row whose name is NULL.  *count without that row when not NULL. */
const struct taut_key *taut_recipe_keys(size_t *count);

#ifdef __cplusplus
}
#endif
#endif
