#include "taut/droptest.h"

#include <math.h>
#include <stdio.h>

#include "taut/units.h"

const char *taut_verdict_text(enum taut_verdict verdict)
{
    static const char *const text[] = {"none", "pass", "fail", "inconclusive"};
    return (unsigned)verdict < sizeof text / sizeof text[0] ? text[verdict] : "none";
}

static const struct {
    const char *word, *text;
} whys[TAUT_WHYS] = {
    [TAUT_WHY_NONE] = {"",                  "not decided yet"                                                                     },
    [TAUT_WHY_BOUND_BELOW_LIMIT] = {"bound-below-limit", "the upper confidence bound lies below the limit"                                     },
    [TAUT_WHY_BOUND_ABOVE_LIMIT] = {"bound-above-limit", "the lower confidence bound lies above the limit"                                     },
    [TAUT_WHY_TOO_SHORT] = {"too-short",         "the confidence interval still spans the limit: a longer test would decide"           },
    [TAUT_WHY_TOO_NOISY] = {"too-noisy",         "with this noise or drift no test of reasonable length could decide"                  },
    [TAUT_WHY_TRANSIENT] = {"transient",         "the rise is still bending: a leak and gas evening out can not be told apart yet"     },
    [TAUT_WHY_STILL_PUMPED] =
        {"still-pumped",
                       "nothing shows that the bag was shut off: the pressure falls, stays at the base, or follows the manifold; "
         "check the valve"                                                                                                        },
    [TAUT_WHY_BAD_READINGS] = {"bad-readings",      "too many readings of the sensor were missing or not good"                            },
    [TAUT_WHY_NO_CHANGE] = {"no-change",         "the readings did not change at all: the sensor is frozen or too coarse for this test"},
    [TAUT_WHY_INTERRUPTED] = {"interrupted",       "the test was interrupted"                                                            },
    [TAUT_WHY_STOPPED] = {"stopped",           "the test was ended before it was decided"                                            },
};

const char *taut_droptest_why_word(enum taut_droptest_why why)
{
    return (unsigned)why < TAUT_WHYS ? whys[why].word : "";
}

const char *taut_droptest_why_text(enum taut_droptest_why why)
{
    return (unsigned)why < TAUT_WHYS ? whys[why].text : "";
}

struct taut_droptest_rule taut_droptest_rule_from_recipe(const struct taut_recipe *recipe)
{
    return (struct taut_droptest_rule){
        .limit_pa_per_s = recipe->limit_pa_per_s,
        .rise_limit_pa = recipe->rise_limit_pa,
        .rise_within_s = recipe->rise_within_s,
        .mode = recipe->mode == TAUT_TEST_FIXED ? TAUT_TEST_FIXED : TAUT_TEST_EARLY,
        .risk = recipe->risk,
        .settle_min_s = recipe->settle_min_s,
        .settle_max_s = recipe->settle_max_s,
        .test_min_s = recipe->test_min_s,
        .test_s = recipe->test_s,
        .resolution_pa = 0,
        .drift_pa_per_s = 0,
        .volume_m3 = NAN,
        .u_volume_m3 = NAN,
        .temperature_drift_k_per_s = 0,
    };
}

static const char *shape_of(const struct taut_droptest_result *r, char *out, size_t size)
{
    if (!isfinite(r->rate_pa_per_s))
        return "too few readings to fit";
    if (r->model == TAUT_RISE_LINE)
        return "rise is straight";
    snprintf(out, size, "rise is levelling off (time constant %.1f min, %.2f mbar): gas evening out, moisture or a slow line",
             r->tau_s / 60, taut_mbar(r->amplitude_pa));
    return out;
}

void taut_droptest_explain(const struct taut_droptest_rule *rule, const struct taut_droptest_result *result, char *out)
{
    char shape[120], rate[96] = "", bound[64] = "";
    double percent = 100 * rule->risk;
    if (isfinite(result->rate_pa_per_s)) {
        snprintf(rate, sizeof rate, "; leak %.3f mbar/min, 95 %% within %.3f to %.3f", taut_mbar_per_min(result->rate_pa_per_s),
                 taut_mbar_per_min(result->rate_95_low_pa_per_s), taut_mbar_per_min(result->rate_95_high_pa_per_s));
        if (result->rate_low_pa_per_s > 0)
            snprintf(bound, sizeof bound, "; at least %.3f (risk %.2g %%)", taut_mbar_per_min(result->rate_low_pa_per_s),
                     percent);
        else
            snprintf(bound, sizeof bound, "; no leak above %.3f (risk %.2g %%)", taut_mbar_per_min(result->rate_high_pa_per_s),
                     percent);
    }
    snprintf(out, TAUT_TEXT_MAX, "%s%s%s", shape_of(result, shape, sizeof shape), rate, bound);
}
