/** @file leak.h  The size of a leak: from the rise of a closed volume, in the units people ask for, and as the
 *  round hole that would let the same air in.
 *
 *  A leak is kept as throughput, Pa.m3/s, at the temperature of the gas; divided by R T it is an amount, mol/s.
 *  One "standard cm3" is a different amount for each reference state (0 or 20 degC: 7.3 % apart), so the state
 *  always goes with the number. A bag is no rigid vessel: throughput from a rate takes the volume as constant. */
#ifndef TAUT_LEAK_H
#define TAUT_LEAK_H

#include <stddef.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Factor from a unit of throughput to Pa.m3/s.  Pure.
 *  @param unit         "Pa.m3/s", "mbar.L/s", "Pa.L/s", "mbar.L/min", "mbar.L/h", "Torr.L/s", "atm.cm3/s",
 *                      "atm.cm3/min", "bar.cm3/min"; exact spelling
 *  @param pa_m3_per_s  receives the factor; untouched on failure
 *  @return             TAUT_OK; TAUT_E_NOENT no such unit
 *  Source: tests/reference/leak_units.csv. */
TAUT_NODISCARD enum taut_status taut_leak_unit(const char *unit, double *pa_m3_per_s);

/** Names accepted by taut_leak_unit, separated by ", ".  Pure; never NULL. */
const char *taut_leak_unit_names(void);

/** Amount of gas in a throughput at t_k, mol/s, and back.  Pure.  Source: ideal gas law. */
double taut_leak_mol_per_s(double pa_m3_per_s, double t_k);
double taut_leak_pa_m3_per_s(double mol_per_s, double t_k);

/** A reference state for "standard" volumes. */
struct taut_leak_standard {
    const char *name; /* "0 degC, 1013.25 mbar" */
    const char *used; /* who uses it */
    double t_k, p_pa;
};

/** The states that are met in practice; the first is that of DIN 1343.  Pure.  *count receives how many. */
const struct taut_leak_standard *taut_leak_standards(size_t *count);

/** An amount as standard cm3/min of a reference state.  Pure. */
double taut_leak_standard_cm3_per_min(double mol_per_s, const struct taut_leak_standard *standard);

/** A closed volume seen twice. */
struct taut_leak_rise {
    double volume_m3;
    double p1_pa, p2_pa, t1_k, t2_k; /* absolute pressure and gas temperature at both times */
    double dt_s;
};

/** Air that came in between two looks at a closed volume, with the temperatures taken out.  Pure.
 *  @param mol_per_s  receives the leak (negative when gas was lost); untouched on failure
 *  @return           TAUT_OK; TAUT_E_ARG volume, time or a temperature not above zero
 *  Method: n = V/(R dt) (p2/T2 - p1/T1), ideal gas (tests/reference/rate_of_rise.csv; 40 CFR 1065.644). */
TAUT_NODISCARD enum taut_status taut_leak_from_rise(const struct taut_leak_rise *rise, double *mol_per_s);

/** Pressure in a closed volume into which air leaks through a long narrow path (laminar flow), Pa.  Pure.
 *  @param k_per_pa_s  dp/dt = k (ambient^2 - p^2)
 *  @param t_s         after p0_pa, at least 0;  0 <= p0 < ambient
 *  Source: tests/reference/rise_laminar_leak.csv. */
double taut_leak_laminar_rise_pa(double p0_pa, double ambient_pa, double k_per_pa_s, double t_s);

enum taut_leak_regime {
    TAUT_LEAK_CHOKED,       /* viscous; the flow does not depend on the pressure behind the hole */
    TAUT_LEAK_SUBCRITICAL,  /* viscous; it does */
    TAUT_LEAK_TRANSITIONAL, /* the hole is about as wide as the mean free path */
    TAUT_LEAK_MOLECULAR     /* and narrower */
};

/** "choked", "subcritical", "transitional", "molecular". */
const char *taut_leak_regime_text(enum taut_leak_regime regime);

/** Throughput of air through an ideal thin round hole, Pa.m3/s at the upstream temperature.  Pure.
 *  @param d_m  diameter, m;  p_up_pa >= p_down_pa >= 0, p_up_pa > 0
 *  Source: St Venant and Wantzel, discharge coefficient 1 (tests/reference/orifice_viscous.csv). */
double taut_leak_orifice_viscous(double d_m, double p_up_pa, double p_down_pa, double t_k);

/** The same in molecular flow, for a gas of kg_per_mol.  Pure.
 *  Source: Q = A sqrt(R T / 2 pi M) (p1 - p2) (tests/reference/orifice_molecular.csv). */
double taut_leak_orifice_molecular(double d_m, double p_up_pa, double p_down_pa, double t_k, double kg_per_mol);

/** Everything that is said about one leak. NaN where it can not be said. */
struct taut_leak_sizes {
    double pa_m3_per_s, mbar_l_per_s, mol_per_s;
    double normal_cm3_per_min;   /* at 0 degC, 1013.25 mbar (DIN 1343) */
    double standard_cm3_per_min; /* at 20 degC, 1013.25 mbar */
    double hole_m;               /* equivalent diameter: an ideal thin hole, never "the hole"; NaN for no leak */
    double knudsen;              /* mean free path outside over diameter */
    enum taut_leak_regime regime;
};

/** Sizes of a leak from ambient into a bag.  Pure.
 *  @param pa_m3_per_s  throughput at t_k
 *  @param ambient_pa   above bag_pa, which is at least 0
 *  @return             TAUT_OK; TAUT_E_ARG a pressure or temperature outside its range (then *out is untouched) */
TAUT_NODISCARD enum taut_status taut_leak_describe(double pa_m3_per_s, double t_k, double ambient_pa, double bag_pa,
                                                   struct taut_leak_sizes *out);

#ifdef __cplusplus
}
#endif
#endif
