/** @file bag.h  Physics of bags on a common pump, for the simulator and the tests; nothing is judged by it.
 *
 *  A bag is two lumps of gas, near (vent end) and far, joined by a slow conductance: the preform, the flow mesh, a
 *  microporous vent line. A vent line with an isolation valve joins the near end to the manifold, on which the
 *  pump draws. Gas comes in through leaks, out of the materials and from moisture. Resin takes up volume from the
 *  far (feed) end. Two gases are kept apart, air and water vapour, since water stops at its vapour pressure.
 *
 *  Amounts of gas are p V / T (Pa m3 / K): what leaves one lump enters the other, to rounding.
 *  Simplifications: conductances do not depend on pressure; gas is at the bag's temperature at once; the bag does
 *  not stretch; the front advances in one dimension. */
#ifndef TAUT_BAG_H
#define TAUT_BAG_H

#include <stdbool.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_BENCH_BAGS_MAX = 64 };

/** Partial pressures in one lump. */
struct taut_bag_gas {
    double air_pa, water_pa;
};

enum taut_bag_leak_law {
    TAUT_BAG_LEAK_ORIFICE, /* constant while choked (below 0.528 of ambient), then as St Venant and Wantzel */
    TAUT_BAG_LEAK_LAMINAR  /* ambient squared less pressure squared: long thin paths along the tape */
};

/** What a bag is made of. */
struct taut_bag_spec {
    double near_m3, far_m3;   /* gas volume at either end before resin; near > 0, far may be 0 */
    double link_m3_per_s;     /* conductance between them */
    double vent_m3_per_s;     /* conductance of the vent line, valve open */
    double seat_m3_per_s;     /* conductance of the closed valve; 0 = tight */
    double release_pa_m3;     /* gas the materials give off in all (air, resin vapour) */
    double release_s;         /* time constant of that; > 0 */
    double moisture_pa_m3;    /* water in the materials, as vapour at bag temperature */
    double moisture_m3_per_s; /* how fast it evaporates: flow = this * (vapour pressure - water's partial pressure) */
    double far_sensor_frac;   /* where the far sensor sits along the way of the resin, 0 feed to 1 vent */
};

/** One bag now. Fields may be set between steps; those marked "step" are kept by taut_bench_step. */
struct taut_bag {
    struct taut_bag_spec spec;
    struct taut_bag_gas near, far; /* step */
    double near_m3, far_m3;        /* step: gas volume now */
    double temperature_k;          /* step: of the gas */
    double warmer_k;               /* bag above room (exotherm, oven), reached with time constant warming_s */
    double warming_s;
    double leak_near_pa_m3_per_s; /* into full vacuum from a standard atmosphere */
    double leak_far_pa_m3_per_s;
    enum taut_bag_leak_law law;
    bool valve_open;                                /* as it really is */
    bool valve_stuck;                               /* stays where it is whatever is commanded */
    double vent_frac;                               /* what a kink leaves of the vent line: 1 free, 0 shut */
    bool feed_open;                                 /* resin may flow in */
    double fill_s;                                  /* time the front would take to the vent under a full atmosphere; > 0 */
    double front_frac;                              /* step: how far the resin has come, 0 to 0.98 */
    double feed_pa;                                 /* step: pressure of the resin at the feed */
    bool resin_at_vent;                             /* step: the vent sensor sits in resin */
    double held_pa;                                 /* step: what the covered vent sensor still shows */
    double release_left_pa_m3, moisture_left_pa_m3; /* step */
};

struct taut_pump_spec {
    double manifold_m3;
    double speed_m3_per_s;
    double ultimate_pa;       /* speed falls to nothing here: S (1 - ultimate / p) */
    double backflow_m3_per_s; /* conductance from ambient through a pump that stands */
};

/** All bags of one manifold. */
struct taut_bench {
    struct taut_pump_spec pump;
    bool pump_runs;
    double pump_frac;              /* share of its speed left: wear, a clogged filter */
    double ultimate_rise_pa_per_s; /* slow loss: the ultimate pressure creeps up */
    double ultimate_extra_pa;      /* step */
    double manifold_leak_pa_m3_per_s;
    struct taut_bag_gas manifold; /* step */
    double manifold_k;            /* its temperature, for the amounts of gas; stays as at the start */
    double ambient_pa;            /* barometer */
    double temperature_k;         /* room */
    double in_pa_m3_per_k;        /* step: gas that came in since the start */
    double out_pa_m3_per_k;       /* step: gas the pump took away */
    int bags;
    struct taut_bag bag[TAUT_BENCH_BAGS_MAX];
};

/** Where a pressure is looked at. */
enum taut_place { TAUT_PLACE_VENT, TAUT_PLACE_FAR, TAUT_PLACE_FEED, TAUT_PLACE_MANIFOLD, TAUT_PLACE_AMBIENT };

/** A bench without bags, pump standing, all at ambient pressure.  Pure.
 *  @return TAUT_OK; TAUT_E_ARG a size or pressure that is not positive; then *bench is untouched */
TAUT_NODISCARD enum taut_status taut_bench_init(struct taut_bench *bench, const struct taut_pump_spec *pump, double ambient_pa,
                                                double temperature_k);

/** Add an empty bag at ambient pressure, tight, valve open, feed shut.  Pure.
 *  @param index  receives its number; may be NULL
 *  @return TAUT_OK; TAUT_E_ARG; TAUT_E_FULL; on failure nothing changes */
TAUT_NODISCARD enum taut_status taut_bench_add(struct taut_bench *bench, const struct taut_bag_spec *spec, int *index);

/** Let dt_s pass.  Pure; cost grows with dt_s times the fastest exchange rate.
 *  Stable and non-negative at any step: symmetric splitting into flows that are each solved exactly (exchange and
 *  pump by exponentials), in sub-steps of at most a quarter of the fastest time constant and 1000 at most.
 *  Source: p = pu + (p0 - pu) exp(-S t / V) (any vacuum text); Strang 1968 for the splitting, from memory. */
void taut_bench_step(struct taut_bench *bench, double dt_s);

/** Pressure at a place, absolute Pa, as a perfect gauge there shows it: in the resin behind the front it falls
 *  linearly from feed to front (Darcy); a vent gauge in resin holds its last value.  Pure.
 *  @param bag  index; ignored for manifold and ambient */
double taut_bench_pressure_pa(const struct taut_bench *bench, int bag, enum taut_place place);

/** Command the valve; a stuck one stays.  Pure. */
void taut_bag_valve(struct taut_bag *bag, bool open);

/** Leak that lets the isolated empty bag rise by so much.  Pure.
 *  @param rate_pa_per_s  rise of the mean pressure, bag under full vacuum
 *  @param ambient_pa     with this pressure outside
 *  @return               Pa m3/s, for leak_near_pa_m3_per_s or leak_far_pa_m3_per_s */
double taut_bag_leak_for_rate(const struct taut_bag *bag, double rate_pa_per_s, double ambient_pa);

/** Set the front of the resin by hand; the gas before it is squeezed or expands.  Pure.  0 to 0.98. */
void taut_bag_set_front(struct taut_bag *bag, double front_frac);

/** Resin reaches the vent sensor now, wherever the front is: from here on it shows its last value.  Pure. */
void taut_bag_cover_vent(struct taut_bag *bag);

/** Share of the choked flow that passes into p_pa from ambient_pa, 0 to 1.  Pure.
 *  Source: St Venant-Wantzel for air, gamma 1.4 (tests/reference/orifice_viscous.csv); laminar: (pa2 - p2) / pa2. */
double taut_bag_leak_share(enum taut_bag_leak_law law, double p_pa, double ambient_pa);

/** Gas in all lumps, p V / T, Pa m3/K.  Pure. */
double taut_bench_gas(const struct taut_bench *bench);

#ifdef __cplusplus
}
#endif
#endif
