/* Rules that tell the causes of a rise apart. Each gives a weight from 0 to 1; the heaviest wins when it is well ahead.
 * The rules are physics of a bag between a pump and the room, checked on simulated benches (tests/stat/watch_causes). */
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "judge/cause_parts.h"
#include "taut/gas.h"
#include "taut/text.h"
#include "taut/units.h"

static const struct {
    const char *text, *advice;
} causes[TAUT_CAUSES] = {
    [TAUT_CAUSE_NONE] = {"none",          ""                                                                                       },
    [TAUT_CAUSE_UNKNOWN] = {"unknown",       "Look at bag, line, pump and gauge; the readings do not tell which it is."               },
    [TAUT_CAUSE_LEAK] = {"leak",
                         "Press along the tape, pleats and connectors while watching the rate; it falls where the leak is."        },
    [TAUT_CAUSE_SUPPLY] = {"supply",
                         "Look at the pump, its oil and the manifold; clamp the vent lines until the vacuum is back."              },
    [TAUT_CAUSE_LINE_BLOCKED] = {"line-blocked",  "Look for a kink or resin in the vent line between bag and manifold."                    },
    [TAUT_CAUSE_VALVE] = {"valve",         "Look whether the valve stands as commanded; work it by hand if it does not."            },
    [TAUT_CAUSE_RESIN] = {"resin",         "Resin seems to have reached the sensor: close its line, judge the bag by another gauge."},
    [TAUT_CAUSE_MOISTURE] = {"moisture",
                         "Water boils off in the bag: pull vacuum longer, warm the stack or dry it before trying again."           },
    [TAUT_CAUSE_BAROMETER] = {"barometer",     "The ambient pressure changes; judge with an absolute sensor or a barometer channel."    },
    [TAUT_CAUSE_TEMPERATURE] = {"temperature",   "The bag's temperature changes; wait until it is steady, then judge."                    },
    [TAUT_CAUSE_SENSOR] = {"sensor",        "Check the transducer, its plug and its supply; watch a dial gauge until it reads again."},
    [TAUT_CAUSE_EQUALISING] = {"equalising",    "The ends of the bag come together; wait until they have, then judge."                   },
    [TAUT_CAUSE_COMMUNICATION] = {"communication",
                         "Check cable, adapter and the unit's power; watch a dial gauge until answers come again."                 },
};

const char *taut_cause_text(enum taut_cause cause)
{
    return (unsigned)cause < TAUT_CAUSES ? causes[cause].text : "unknown";
}

const char *taut_cause_advice(enum taut_cause cause)
{
    return (unsigned)cause < TAUT_CAUSES ? causes[cause].advice : causes[TAUT_CAUSE_UNKNOWN].advice;
}

bool taut_cause_is_communication(enum taut_reason reason)
{
    switch (reason) {
    case TAUT_REASON_STALE:
    case TAUT_REASON_NO_ANSWER:
    case TAUT_REASON_EXCEPTION:
    case TAUT_REASON_BAD_FRAME:
    case TAUT_REASON_LINE_DOWN:
        return true;
    default:
        return false;
    }
}

/* What the rules look at. Rises are since before the onset; NaN: not known. */
struct features {
    const struct taut_cause_question *q;
    double vent, manifold, far, ambient; /* rises */
    double gap;                          /* vent rise less manifold rise */
    double vent_now, far_gap_before;     /* far less vent, before */
    double early, late, far_late;        /* slopes in the first and last part of the rise */
    double like_water;                   /* slowing down: 0 not at all, 1 as evaporation does on its way to the vapour pressure */
    double water_told;                   /* how well that can be told by now, 0..1 */
    double vapour_pa;                    /* of water at the bag's temperature */
    double by_temperature;               /* rise that the temperature alone explains */
    double age_s;
    double u;
    bool pumped;     /* the valve is commanded open */
    bool far_is_dry; /* the far sensor still shows the gas of this bag */
    bool warm_known;
};

static const double room_k = 295, slow_pa_per_s = 0.5 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;

static double rise_of(const struct taut_cause_history *h, enum taut_role role, double onset_s)
{
    return cause_now(h, role) - cause_before(h, role, onset_s);
}

/* 0 below `low`, 1 above `high`, straight between; 0 for a number that is not known. */
static double ramp(double x, double low, double high)
{
    if (isnan(x))
        return 0;
    return fmin(fmax((x - low) / (high - low), 0), 1);
}

/* In a shut bag the first moments belong to the line and the ends; after them water evaporates at a rate that is
 * proportional to what is missing to its vapour pressure, and a leak at one that hardly changes. */
static void look_at_water(const struct taut_cause_history *h, struct features *f)
{
    double on = f->q->onset_s, age = f->age_s, half = 0.5 * h->spacing_s;
    double cut = fmax(0.15 * age, half), split = 0.55 * age;
    double early = cause_slope(h, TAUT_ROLE_VENT, on + cut, on + split + half);
    double late = cause_slope(h, TAUT_ROLE_VENT, on + split - half, f->q->now_s);
    double p_early = cause_mean(h, TAUT_ROLE_VENT, on + cut, on + split + half);
    double p_late = cause_mean(h, TAUT_ROLE_VENT, on + split - half, f->q->now_s);
    double expected = fmax(f->vapour_pa - p_late, 0) / fmax(f->vapour_pa - p_early, 1);
    if (isnan(early) || isnan(late))
        return;
    f->early = early;
    f->late = late;
    f->like_water = (1 - late / early) / fmax(1 - expected, 0.05);
    f->water_told = p_early > 1.2 * f->vapour_pa ? 1 : ramp(1 - expected, 0.08, 0.2);
    if (p_early > 1.2 * f->vapour_pa)
        f->like_water = 0;
}

static struct features look(const struct taut_cause_history *h, const struct taut_cause_question *q)
{
    double third = fmax((q->now_s - q->onset_s) / 3, 1.6 * h->spacing_s);
    double t_before = cause_before(h, TAUT_ROLE_TEMPERATURE, q->onset_s), t_now = cause_now(h, TAUT_ROLE_TEMPERATURE);
    double vent_before = cause_before(h, TAUT_ROLE_VENT, q->onset_s);
    struct features f = {
        .q = q,
        .vent = rise_of(h, TAUT_ROLE_VENT, q->onset_s),
        .manifold = rise_of(h, TAUT_ROLE_MANIFOLD, q->onset_s),
        .far = rise_of(h, TAUT_ROLE_FAR, q->onset_s),
        .ambient = rise_of(h, TAUT_ROLE_AMBIENT, q->onset_s),
        .vent_now = cause_now(h, TAUT_ROLE_VENT),
        .far_gap_before = cause_before(h, TAUT_ROLE_FAR, q->onset_s) - vent_before,
        .early = cause_slope(h, TAUT_ROLE_VENT, q->onset_s - 0.5 * h->spacing_s, q->onset_s + third),
        .late = cause_slope(h, TAUT_ROLE_VENT, q->now_s - third - 0.5 * h->spacing_s, q->now_s),
        .far_late = cause_slope(h, TAUT_ROLE_FAR, q->now_s - third - 0.5 * h->spacing_s, q->now_s),
        .age_s = q->now_s - q->onset_s,
        .u = q->u_pa,
        .pumped = q->hold == TAUT_HOLD_PUMPED || q->hold == TAUT_HOLD_LEARN || q->hold == TAUT_HOLD_CURE,
        .warm_known = isfinite(t_now),
    };
    f.gap = f.vent - f.manifold;
    f.vapour_pa = taut_gas_water_vapour_pa(f.warm_known ? t_now : room_k);
    if (!f.pumped || q->hold == TAUT_HOLD_CURE)
        look_at_water(h, &f);
    f.by_temperature = isfinite(t_before) ? f.vent_now * (t_now - t_before) / t_now : 0;
    f.far_is_dry = isfinite(f.far) && fabs(f.far_gap_before) < 2000 && fabs(f.far) < 20 * fmax(f.vent, 100);
    return f;
}

/* The manifold went up at least as much as the bag: gas comes from the pump's side. */
static double of_supply(const struct features *f)
{
    if (!f->pumped || isnan(f->manifold))
        return 0;
    double moved = ramp(f->manifold / f->u, 3, 6), share = ramp(f->manifold / f->vent, 0.5, 0.8);
    /* a leak lifts the bag clear of the manifold; a lost supply does not */
    double apart = ramp(f->gap / fmax(f->u, 0.05 * f->vent), 2, 5);
    /* slow, all alike, and no barometer to look at: that may be the weather */
    bool weather = isnan(f->ambient) && f->vent / f->age_s < slow_pa_per_s;
    return moved * share * (1 - apart) * (weather ? 0.35 : 1);
}

/* The rise against the one the bag has when it is shut off: 0 as slow, 1 far quicker; 0.5 when that is not known.  It
 * is the beginning that counts: in a blocked bag the advancing resin squeezes the gas faster and faster. */
static double quickness(const struct features *f)
{
    double shut = f->q->isolated_pa_per_s;
    return isnan(shut) || isnan(f->early) ? 0.5 : ramp(f->early / shut, 3, 6);
}

/* Gas that comes in against a pump makes a rise that levels off; a rise that goes on and on is something else. */
static double goes_on(const struct features *f)
{
    return ramp(f->late / f->early, 0.6, 0.9) * ramp(f->age_s, 60, 120);
}

/* The bag rises alone, no faster than it does when it is shut off, and the relieved manifold does not rise. */
static double of_block(const struct features *f)
{
    if (!f->pumped || isnan(f->manifold))
        return 0;
    double apart = ramp(f->gap / f->u, 2, 4), fell = ramp(-f->manifold / f->u, 2, 4), rose = ramp(f->manifold / f->u, 2, 4);
    /* levelled off: as well a small leak against the pump, of which only the tail was seen */
    double level = (1 - ramp(f->late / f->early, 0.2, 0.5)) * (1 - fell);
    return apart * (1 - rose) * (1 - 0.4 * level) * fmin(0.9 * (1 - quickness(f)) + 0.5 * fell, 1);
}

/* Only the judged sensor rises, steadily, and nothing else moves: the other sensor of the bag, the manifold. */
static double of_sensor(const struct features *f)
{
    if (!(f->vent > 5 * f->u) || !f->pumped)
        return 0;
    double still = isnan(f->manifold) ? 0.5 : 1 - ramp(fabs(f->manifold) / f->u, 2, 4);
    if (!f->far_is_dry) /* one witness less: never sure */
        return 0.65 * still * goes_on(f) * quickness(f);
    double alone = 1 - ramp(fabs(f->far) / fmax(2 * f->u, 0.06 * f->vent), 0.7, 1.2);
    return alone * still * ramp(f->late / f->early, 0.5, 0.8) * ramp(f->age_s, 25, 60);
}

/* A shut bag that slows down as evaporation does. */
static double of_moisture(const struct features *f)
{
    double margin = f->warm_known ? 0 : 0.3; /* without a thermometer the room is guessed */
    return f->water_told * ramp(f->like_water, 0.45, 0.7) * (1 - ramp(f->like_water, 1.5 + margin, 2.2 + margin));
}

/* In a shut bag the vent rises towards a far end that falls. */
static double of_equalising(const struct features *f)
{
    if (f->pumped)
        return 0;
    if (f->far_is_dry)
        return ramp(f->far_gap_before / f->u, 2, 4) * fmax(ramp(-f->far / f->u, 1, 3), ramp(-f->far_late / f->late, 0, 0.2));
    return 0.6 * (1 - ramp(f->late / f->early, 0.2, 0.5)) * (1 - of_moisture(f));
}

static double of_temperature(const struct features *f)
{
    if (!(f->by_temperature > 2 * f->u))
        return 0;
    double known = isnan(f->q->isolated_pa_per_s) ? 0 : f->q->isolated_pa_per_s * f->age_s;
    double share = f->by_temperature / f->vent, with_known = (f->by_temperature + known) / f->vent;
    return ramp(share, 0.3, 0.4) * ramp(with_known, 0.5, 0.75) * (1 - ramp(share, 1.6, 2.2));
}

/* Gauge sensors without their barometer show its fall as a rise, all by the same amount. */
static double of_barometer(const struct features *f)
{
    if (!(fabs(f->ambient) > 3 * f->u))
        return 0;
    double share = -f->ambient / f->vent;
    double all = isnan(f->manifold) ? 0.7 : 1 - ramp(fabs(f->gap) / fmax(3 * f->u, 0.2 * f->vent), 0.7, 1.5);
    return ramp(share, 0.6, 0.8) * (1 - ramp(share, 1.2, 1.5)) * all;
}

/* Valve commanded shut, but the bag goes where the manifold goes. */
static double of_valve(const struct features *f)
{
    double follows = 1 - ramp(fabs(f->gap) / fmax(2 * f->u, 0.15 * fabs(f->manifold)), 0.8, 1.5);
    if (!f->pumped)
        return ramp(f->manifold / f->u, 4, 7) * follows;
    /* commanded open and never opened: blocked from the first moment on */
    return of_block(f) * (1 - ramp(f->q->onset_s - f->q->hold_s, 10, 20));
}

/* What comes in lifts both ends; without a second sensor a rise that does not slow down much. */
static double both_ends_rise(const struct features *f)
{
    return f->far_is_dry ? ramp(f->far_late / f->late, 0, 0.4) : ramp(f->late / f->early, 0.2, 0.5);
}

static double of_leak(const struct features *f)
{
    if (!f->pumped)
        return (0.6 + 0.25 * f->water_told) * (1 - ramp(f->like_water, 0.3, 0.6)) * both_ends_rise(f);
    if (isnan(f->manifold))
        return 0.6;
    double apart = ramp(f->gap / fmax(f->u, 0.02 * f->vent), 2, 4);
    double rose = ramp(f->manifold / f->u, 2, 4);
    return 0.85 * apart * fmax(quickness(f) * (1 - 0.6 * goes_on(f)), rose);
}

static const struct {
    enum taut_cause cause;
    double (*weight)(const struct features *f);
} rules[] = {
    {TAUT_CAUSE_LEAK,         of_leak       },
    {TAUT_CAUSE_SUPPLY,       of_supply     },
    {TAUT_CAUSE_LINE_BLOCKED, of_block      },
    {TAUT_CAUSE_VALVE,        of_valve      },
    {TAUT_CAUSE_MOISTURE,     of_moisture   },
    {TAUT_CAUSE_BAROMETER,    of_barometer  },
    {TAUT_CAUSE_TEMPERATURE,  of_temperature},
    {TAUT_CAUSE_SENSOR,       of_sensor     },
    {TAUT_CAUSE_EQUALISING,   of_equalising },
};

/* A valve that never opened is a blocked line too, a drifting sensor a leak too: the special case wins over its general one. */
static bool covers(enum taut_cause special, enum taut_cause general)
{
    switch (special) {
    case TAUT_CAUSE_VALVE:
        return general == TAUT_CAUSE_LINE_BLOCKED || general == TAUT_CAUSE_SUPPLY || general == TAUT_CAUSE_LEAK;
    case TAUT_CAUSE_BAROMETER:
    case TAUT_CAUSE_TEMPERATURE:
        return general == TAUT_CAUSE_SUPPLY || general == TAUT_CAUSE_LEAK;
    case TAUT_CAUSE_SENSOR:
    case TAUT_CAUSE_MOISTURE:
    case TAUT_CAUSE_EQUALISING:
        return general == TAUT_CAUSE_LEAK;
    default:
        return false;
    }
}

static void weigh(const struct features *f, struct taut_cause_answer *answer)
{
    enum taut_cause best = TAUT_CAUSE_UNKNOWN;
    double weight = 0, second = 0;
    for (size_t i = 0; i < sizeof rules / sizeof rules[0]; i++) {
        double w = rules[i].weight(f);
        if (w <= 0)
            continue;
        if (w > weight || (w > 0.6 && covers(rules[i].cause, best))) {
            if (!covers(rules[i].cause, best))
                second = weight;
            best = rules[i].cause;
            weight = w;
        } else if (!covers(best, rules[i].cause)) {
            second = fmax(second, w);
        }
    }
    answer->cause = weight > 0.4 && weight - second > 0.15 ? best : TAUT_CAUSE_UNKNOWN;
    answer->confidence = answer->cause == TAUT_CAUSE_UNKNOWN ? 1 - weight : fmin(weight, 1 - 0.8 * second);
}

/* With a sensor at either end: the end that rises more is nearer to the leak. */
static enum taut_cause_end nearer_end(const struct features *f)
{
    if (!f->far_is_dry)
        return TAUT_END_UNKNOWN;
    if (f->far - f->vent > fmax(3 * f->u, 0.1 * f->vent))
        return TAUT_END_FAR;
    return f->vent - f->far > fmax(3 * f->u, 0.1 * f->vent) || f->pumped ? TAUT_END_VENT : TAUT_END_UNKNOWN;
}

static void add_rise(struct taut_text *text, const char *name, double rise_pa)
{
    if (isfinite(rise_pa))
        taut_text_addf(text, "; %s %+.2f", name, taut_mbar(rise_pa));
}

static void say(const struct features *f, struct taut_cause_answer *answer)
{
    struct taut_text text;
    taut_text_init(&text, answer->evidence, sizeof answer->evidence);
    taut_text_addf(&text, "bag %+.2f mbar on %.2f mbar in %.0f s, now %.2f mbar/min", taut_mbar(f->q->above_pa),
                   taut_mbar(f->q->baseline_pa), f->age_s, taut_mbar_per_min(f->q->rate_pa_per_s));
    add_rise(&text, "manifold", f->manifold);
    add_rise(&text, "far end", f->far);
    if (fabs(f->ambient) > 3 * f->u)
        add_rise(&text, "barometer", f->ambient);
    if (answer->cause == TAUT_CAUSE_MOISTURE)
        taut_text_addf(&text, "; water boils at %.1f mbar", taut_mbar(f->vapour_pa));
    if (fabs(f->by_temperature) > f->u)
        taut_text_addf(&text, "; temperature explains %+.2f", taut_mbar(f->by_temperature));
    if (answer->cause == TAUT_CAUSE_LINE_BLOCKED && isfinite(f->q->isolated_pa_per_s))
        taut_text_addf(&text, "; shut off it rose %.2f mbar/min", taut_mbar_per_min(f->q->isolated_pa_per_s));
    if (answer->end != TAUT_END_UNKNOWN)
        taut_text_addf(&text, "; nearer the %s end", answer->end == TAUT_END_FAR ? "far" : "vent");
}

void taut_cause_judge(const struct taut_cause_history *history, const struct taut_cause_question *question,
                      struct taut_cause_answer *answer)
{
    struct features f = look(history, question);
    memset(answer, 0, sizeof *answer);
    if (isnan(f.vent))
        f.vent = question->above_pa; /* the first seconds: no row yet */
    weigh(&f, answer);
    answer->end = answer->cause == TAUT_CAUSE_LEAK ? nearer_end(&f) : TAUT_END_UNKNOWN;
    say(&f, answer);
}
