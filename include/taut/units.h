/** @file units.h  Pressure, leak and temperature units.  Inside Taut a pressure is absolute pascal, a time
 *  int64 nanoseconds, a temperature kelvin, a volume cubic metre; everything else exists only here, in the
 *  configuration, on displays and in files.
 *
 *  Suffixes in names: _pa _pa_per_s _s _ns _k _m3 _pa_m3_per_s.
 *  Source of the factors: NIST SP 811 and the SI Brochure (tests/reference/pressure_units.csv). */
#ifndef TAUT_UNITS_H
#define TAUT_UNITS_H

#include <stdint.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

#define TAUT_PA_PER_MBAR               100.0
#define TAUT_PA_PER_S_PER_MBAR_PER_MIN (100.0 / 60.0)
#define TAUT_NS_PER_S                  INT64_C(1000000000)
#define TAUT_NS_PER_MS                 INT64_C(1000000)
#define TAUT_KELVIN_AT_0_DEGC          273.15
#define TAUT_STANDARD_ATMOSPHERE_PA    101325.0

/** Factor from a pressure unit to pascal.  Pure.
 *  @param unit  "Pa", "hPa", "kPa", "MPa", "bar", "mbar", "ubar", "atm", "at", "Torr", "mTorr", "mmHg", "inHg",
 *               "inHg_60F", "psi", "inH2O", "mmH2O"; exact spelling
 *  @param pa    receives pascal per unit; untouched on failure
 *  @return      TAUT_OK; TAUT_E_NOENT no such unit */
TAUT_NODISCARD enum taut_status taut_units_pressure(const char *unit, double *pa);

/** Names accepted by taut_units_pressure, separated by ", ".  Pure; never NULL. */
const char *taut_units_pressure_names(void);

static inline double taut_mbar(double pa)
{
    return pa / TAUT_PA_PER_MBAR;
}
static inline double taut_mbar_per_min(double pa_per_s)
{
    return pa_per_s * 60.0 / TAUT_PA_PER_MBAR;
}
static inline double taut_seconds(int64_t ns)
{
    return (double)ns / 1e9;
}
static inline int64_t taut_ns(double s)
{
    return (int64_t)(s * 1e9 + (s < 0 ? -0.5 : 0.5));
}

#ifdef __cplusplus
}
#endif
#endif
