/** @file gas.h  What is known of air and water vapour: constants, vapour pressure, standard atmosphere, mean free path. */
#ifndef TAUT_GAS_H
#define TAUT_GAS_H

#ifdef __cplusplus
extern "C" {
#endif

#define TAUT_GAS_CONSTANT     8.31446261815324 /* J/(mol K); exact since the SI of 2019 */
#define TAUT_AIR_KG_PER_MOL   0.0289647        /* dry air */
#define TAUT_WATER_KG_PER_MOL 0.0180153
#define TAUT_AIR_GAMMA        1.4 /* ratio of specific heats */

/** Vapour pressure over liquid water, Pa.  Pure.
 *  A bag that levels off near it holds moisture: water boils there until it is gone (2339 Pa, 23 mbar, at 20 degC).
 *  @param t_k  273.16 to 647.096 K; NaN outside
 *  Source: IAPWS-IF97 region 4 (tests/reference/water_vapour_check.csv, water_vapour_pressure.csv). */
double taut_gas_water_vapour_pa(double t_k);

/** Pressure of the standard atmosphere at a height, Pa: what "full vacuum" has to be compared with up a hill.  Pure.
 *  @param geopotential_m  -5000 to 11000 m; NaN outside
 *  Source: ISO 2533 (tests/reference/isa_pressure_altitude.csv). */
double taut_gas_standard_atmosphere_pa(double geopotential_m);

/** Viscosity of air, Pa s.  Pure.  Source: Sutherland's formula with the constants of the US Standard Atmosphere 1976
 *  (from memory). */
double taut_gas_air_viscosity_pa_s(double t_k);

/** Mean free path in air, m, from the viscosity: eta/p sqrt(pi R T / 2 M).  Pure.  Source: kinetic gas theory. */
double taut_gas_air_free_path_m(double p_pa, double t_k);

#ifdef __cplusplus
}
#endif
#endif
