#include "taut/recipe.h"

#include "taut/units.h"

#define FIELD(member) offsetof(struct taut_recipe, member), sizeof(((struct taut_recipe *)0)->member)
#define MBAR          TAUT_PA_PER_MBAR
#define MBAR_PER_MIN  TAUT_PA_PER_S_PER_MBAR_PER_MIN

/* The fallbacks are common practice (no published source), except the limits: those belong to the part, so none
 * is assumed. Bounds keep out slips of the unit, not unusual wishes. */
/* clang-format off */
static const struct taut_key keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, NULL,
     "name of the recipe, as given when a part is started", FIELD(name)},
    {"drawdown_below_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0.01, 1100, "10", NULL,
     "the bag must come below this absolute pressure before it is shut off", FIELD(drawdown_below_pa)},
    {"drawdown_hold_s", TAUT_KEY_NUMBER, "s", 1, 0, 86400, "10", NULL,
     "and stay below it for so long", FIELD(drawdown_hold_s)},
    {"drawdown_max_s", TAUT_KEY_NUMBER, "s", 1, 1, 86400, "1800", NULL,
     "advise to look for a gross leak when drawdown takes longer than this", FIELD(drawdown_max_s)},
    {"settle_min_s", TAUT_KEY_NUMBER, "s", 1, 0, 86400, "30", NULL,
     "after shut-off, never judge readings earlier than this", FIELD(settle_min_s)},
    {"settle_max_s", TAUT_KEY_NUMBER, "s", 1, 0, 86400, "600", NULL,
     "after shut-off, begin to judge at the latest here; in between the data decide", FIELD(settle_max_s)},
    {"limit_mbar_per_min", TAUT_KEY_NUMBER, "mbar/min", MBAR_PER_MIN, 1e-6, 1000, "", NULL,
     "limit as a rate; this or rise_limit_mbar must be given", FIELD(limit_pa_per_s)},
    {"rise_limit_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 1e-6, 1100, "", NULL,
     "limit as a total rise within rise_within_s", FIELD(rise_limit_pa)},
    {"rise_within_s", TAUT_KEY_NUMBER, "s", 1, 1, 86400, "", NULL,
     "the time that rise_limit_mbar belongs to", FIELD(rise_within_s)},
    {"test_min_s", TAUT_KEY_NUMBER, "s", 1, 1, 86400, "30", NULL,
     "judge at least this long", FIELD(test_min_s)},
    {"test_s", TAUT_KEY_NUMBER, "s", 1, 1, 86400, "300", NULL,
     "judge so long (fixed: exactly, early: at most)", FIELD(test_s)},
    {"mode", TAUT_KEY_CHOICE, "", 1, 0, 0, "early", "fixed|early",
     "fixed: measure the whole time; early: stop as soon as the verdict is sure", FIELD(mode)},
    {"risk", TAUT_KEY_NUMBER, "", 1, 1e-6, 0.2, "0.01", NULL,
     "greatest chance of a wrong pass at the limit and of a wrong fail, as a fraction", FIELD(risk)},
    {"fill_false_alarm_h", TAUT_KEY_NUMBER, "h", 1, 1, 1e6, "1000", NULL,
     "at most one false alarm in so many hours of fill", FIELD(fill_false_alarm_h)},
    {"fill_leak_mbar_per_min", TAUT_KEY_NUMBER, "mbar/min", MBAR_PER_MIN, 1e-3, 1000, "2", NULL,
     "the leak that matters during fill, as the rise of the isolated bag", FIELD(fill_leak_pa_per_s)},
    {"fill_step_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 1e-3, 1100, "1", NULL,
     "or as the step at the gauge while the pump draws", FIELD(fill_step_pa)},
    {"fill_tell_s", TAUT_KEY_NUMBER, "s", 1, 0.1, 86400, "30", NULL,
     "how soon it should be told", FIELD(fill_tell_s)},
    {"fill_below_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0.01, 1100, "", NULL,
     "plain limit: the bag is to stay below this absolute pressure during fill", FIELD(fill_below_pa)},
    {"clamp_limit_mbar_per_min", TAUT_KEY_NUMBER, "mbar/min", MBAR_PER_MIN, 1e-3, 1000, "20", NULL,
     "rise allowed after the clamp, while resin squeezes the dry rest", FIELD(clamp_limit_pa_per_s)},
    {"cure_below_mbar", TAUT_KEY_NUMBER, "mbar", MBAR, 0.01, 1100, "", NULL,
     "plain limit: the bag is to stay below this absolute pressure during cure", FIELD(cure_below_pa)},
    {.name = NULL},
};
/* clang-format on */

const struct taut_key *taut_recipe_keys(size_t *count)
{
    if (count)
        *count = sizeof keys / sizeof keys[0] - 1;
    return keys;
}
