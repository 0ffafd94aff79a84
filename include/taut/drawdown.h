/** @file drawdown.h  The bag while the pump draws it down: how far it will get, when it will be there, and whether it
 *  will get there at all.
 *
 *  Model of the recent half of the curve: p(t) = p_u + B exp(-t/tau), tau = volume over pumping speed at the bag,
 *  p_u the ultimate pressure of bag, leak and pump together; beside it a curve that slows down as a laminar line
 *  does, p(t) = a / (1 + b t). A bag that is simply large falls steadily; one with a gross leak or an open line
 *  levels off far above the target. */
#ifndef TAUT_DRAWDOWN_H
#define TAUT_DRAWDOWN_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Pressure after t_s of pumping a volume at constant speed, Pa.  Pure.
 *  Source: any vacuum text (tests/reference/pump_down.csv). */
double taut_drawdown_pressure_pa(double p0_pa, double ultimate_pa, double tau_s, double t_s);

/** Time to come from p0 to target, s; 0 when it is there, INFINITY when the target is not above the ultimate
 *  pressure.  Pure.  (tests/reference/pump_down_time.csv) */
double taut_drawdown_time_s(double p0_pa, double target_pa, double ultimate_pa, double tau_s);

/** Pressure at which a leak and a pump balance, Pa.  Pure.  (tests/reference/pump_equilibrium.csv) */
double taut_drawdown_equilibrium_pa(double ultimate_pa, double leak_pa_m3_per_s, double speed_m3_per_s);

enum taut_drawdown_state {
    TAUT_DRAWDOWN_EARLY,       /* too little seen */
    TAUT_DRAWDOWN_NOT_BEGUN,   /* still at ambient: film being drawn in, line shut, or pump not on */
    TAUT_DRAWDOWN_FALLING,     /* on its way */
    TAUT_DRAWDOWN_SLOW_LINE,   /* on its way, ever slower, as through a slow line */
    TAUT_DRAWDOWN_LEVELLING,   /* will level off above the target */
    TAUT_DRAWDOWN_NOT_HOLDING, /* levels off far above it: gross leak or open line */
    TAUT_DRAWDOWN_RISING,      /* pressure goes up */
    TAUT_DRAWDOWN_REACHED,     /* at or below the target */
    TAUT_DRAWDOWN_STATES
};

/** Word for files ("not-holding") and sentence for the operator. Never NULL. */
const char *taut_drawdown_word(enum taut_drawdown_state state);
const char *taut_drawdown_text(enum taut_drawdown_state state);

struct taut_drawdown_result {
    enum taut_drawdown_state state;
    double elapsed_s;                                      /* since the first reading (of this fall) */
    double p_pa;                                           /* now, smoothed */
    double highest_pa;                                     /* seen since the start */
    double slope_pa_per_s, u_slope_pa_per_s;               /* now */
    double ultimate_pa, u_ultimate_pa;                     /* NaN while the curve does not tell */
    double tau_s;                                          /* volume over speed, recent; NaN while not known */
    double early_tau_s;                                    /* the same over the first halving; NaN before it */
    double to_target_s, to_target_low_s, to_target_high_s; /* from now; NaN not known, INFINITY never */
    double noise_pa;                                       /* scatter about the fit */
};

enum { TAUT_DRAWDOWN_BINS = 128 };

/** Working storage, under 4 KiB; plain, no destroy.  Treat the inside as private. */
struct taut_drawdown {
    double target_pa, max_s;
    struct taut_drawdown_result result;
    int64_t start_ns, last_ns, fit_ns;
    int64_t level_ns;          /* since when it looks levelled, 0 = it does not */
    double level_pa;           /* where it was first seen to level */
    int doubts;                /* fits in a row that see it fall again */
    double lowest_pa, width_s; /* width of a bin: doubles when the bins are full */
    int bins;                  /* closed ones and the open last one */
    bool started;
    double t_s[TAUT_DRAWDOWN_BINS], p_pa[TAUT_DRAWDOWN_BINS]; /* means */
    float weight[TAUT_DRAWDOWN_BINS];                         /* readings in each */
};

/** Begin.  Pure.
 *  @param target_pa  absolute pressure to reach, above 0
 *  @param max_s      a bag that needs longer than this is not coming down, above 0
 *  @return           TAUT_OK; TAUT_E_ARG (then *drawdown is untouched) */
TAUT_NODISCARD enum taut_status taut_drawdown_init(struct taut_drawdown *drawdown, double target_pa, double max_s);

/** Give one good reading (leave out others).  Fixed memory; a few operations, and a fit over at most 128 means
 *  twice a second of the readings' time, later every five seconds.  Times never decrease; one that does, or a pressure that is no number, is passed
 *  over.  When the pressure climbs back by a third of its fall, the record begins anew.
 *  @return borrowed result; valid until the next call */
const struct taut_drawdown_result *taut_drawdown_push(struct taut_drawdown *drawdown, int64_t t_ns, double p_pa);

#ifdef __cplusplus
}
#endif
#endif
