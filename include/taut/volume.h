/** @file volume.h  The free volume of a bag, measured: by letting a known volume of air expand into it, or by the
 *  rise that a known leak makes. Both with their standard uncertainty.
 *
 *  The result is the volume at that pressure and in that state: a bag gives way, so it holds for a leak rate
 *  measured at about the same pressure with the same lay-up, and not for another. */
#ifndef TAUT_VOLUME_H
#define TAUT_VOLUME_H

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** A number and its standard uncertainty, both in m3. */
struct taut_volume {
    double m3, u_m3;
};

/** A vessel of known volume is opened into the shut-off bag; pressures are read before and when they have settled. */
struct taut_volume_expansion {
    double reference_m3, u_reference_m3;
    double reference_before_pa; /* in the vessel before: often room pressure */
    double bag_before_pa;
    double after_pa;    /* in both, after temperatures have evened out */
    double u_before_pa; /* standard uncertainty of reference_before_pa */
    double u_pa;        /* of each of the two bag readings: noise and local non-linearity; a common offset
                                   of the gauge cancels but for the reference side */
};

/** Volume by expansion.  Pure.
 *  @param out  untouched on failure
 *  @return     TAUT_OK; TAUT_E_ARG a volume or uncertainty outside its range; TAUT_E_SPREAD the readings do not lie
 *              one between the two others, or the step at the bag is not above three of its own uncertainties
 *  Method: Boyle, V = Vref (p_ref - p_after)/(p_after - p_bag), same temperature (tests/reference/boyle_expansion.csv);
 *  uncertainty by propagation, the inputs taken as independent (JCGM 100). */
TAUT_NODISCARD enum taut_status taut_volume_by_expansion(const struct taut_volume_expansion *in, struct taut_volume *out);

/** A known leak is opened into the shut-off bag; the rise is measured with it closed and open. */
struct taut_volume_leak {
    double leak_pa_m3_per_s, u_leak_pa_m3_per_s; /* at the bag's temperature */
    double closed_pa_per_s, u_closed_pa_per_s;   /* rise of the bag by itself */
    double open_pa_per_s, u_open_pa_per_s;       /* rise with the known leak */
};

/** Volume by a known leak.  Pure.
 *  @param out  untouched on failure
 *  @return     TAUT_OK; TAUT_E_ARG leak not above zero or an uncertainty below zero; TAUT_E_SPREAD the two rises
 *              are not apart by more than three of their uncertainties
 *  Method: V = Q/(r_open - r_closed); uncertainty by propagation (JCGM 100). */
TAUT_NODISCARD enum taut_status taut_volume_by_leak(const struct taut_volume_leak *in, struct taut_volume *out);

#ifdef __cplusplus
}
#endif
#endif
