/** @file fill.h  How long a fill takes, and what a leak costs meanwhile: the air it lets in against the room between
 *  the fibres. Rough on purpose, with every assumption in the input. */
#ifndef TAUT_FILL_H
#define TAUT_FILL_H

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Straight flow from a feed line along a strip, at constant pressures. */
struct taut_fill_strip {
    double porosity;       /* share of the lay-up that is not fibre, (0, 1) */
    double viscosity_pa_s; /* of the resin */
    double length_m;
    double permeability_m2; /* of the lay-up with its flow medium */
    double drive_pa;        /* feed pressure less bag pressure */
};

/** Time until the resin has gone `length_m`, s; NaN when an input is not above zero.  Pure.
 *  Source: Darcy's law, t = porosity viscosity L^2 / (2 K dP) (tests/reference/darcy_fill_time.csv). */
double taut_fill_time_s(const struct taut_fill_strip *strip);

/** Where the front is after t_s (m, not past length_m), and how fast it is at the far end (m/s).  Pure. */
double taut_fill_front_m(const struct taut_fill_strip *strip, double t_s);
double taut_fill_end_speed_m_per_s(const struct taut_fill_strip *strip);

/** What a leak is weighed against. */
struct taut_fill_budget {
    double pore_m3;    /* room that the resin is to fill: part volume times porosity */
    double fill_s;     /* time from opening the feed to the clamp */
    double stays_frac; /* share of the air that stays in the part, (0, 1]; 1 is the worst case */
    double bubble_pa;  /* pressure in the resin when it sets; low means large bubbles */
    double void_frac;  /* voids allowed, as a share of pore_m3, (0, 1) */
};

struct taut_fill_cost {
    double air_pa_m3; /* drawn in over the fill */
    double air_mol;
    double air_normal_cm3;    /* at 0 degC, 1013.25 mbar */
    double void_frac;         /* bubbles as a share of the pores, when stays_frac of the air stays */
    double limit_pa_m3_per_s; /* leak that uses the budget up */
};

/** Air that a leak draws in over a fill, and the leak that the budget allows.  Pure.
 *  @param pa_m3_per_s  throughput at t_k, at least 0 (a leak through film is choked: it stays the same during the fill)
 *  @return             TAUT_OK; TAUT_E_ARG an input outside its range (then *out is untouched)
 *  Method: ideal gas; void = stays q t / (p_bubble V_pore). Our own rule of thumb, no published source. */
TAUT_NODISCARD enum taut_status taut_fill_weigh(const struct taut_fill_budget *budget, double pa_m3_per_s, double t_k,
                                                struct taut_fill_cost *out);

#ifdef __cplusplus
}
#endif
#endif
