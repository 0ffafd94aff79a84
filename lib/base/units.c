#include "taut/units.h"

#include <stddef.h>
#include <string.h>

/* Both inches of mercury are kept apart: the conventional one and the one at 60 degF differ by 0.28 %. */
static const struct {
    const char *name;
    double pa;
} pressure_units[] = {
    {"Pa",       1.0                           },
    {"hPa",      100.0                         },
    {"kPa",      1000.0                        },
    {"MPa",      1e6                           },
    {"bar",      1e5                           },
    {"mbar",     100.0                         },
    {"ubar",     0.1                           },
    {"atm",      101325.0                      },
    {"at",       98066.5                       },
    {"Torr",     101325.0 / 760.0              },
    {"mTorr",    101325.0 / 760000.0           },
    {"mmHg",     133.322387415                 },
    {"inHg",     3386.388640341                },
    {"inHg_60F", 3376.85                       },
    {"psi",      8896443230521.0 / 1290320000.0},
    {"inH2O",    249.08891                     },
    {"mmH2O",    9.80665                       },
};

enum taut_status taut_units_pressure(const char *unit, double *pa)
{
    for (size_t i = 0; i < sizeof pressure_units / sizeof pressure_units[0]; i++) {
        if (strcmp(unit, pressure_units[i].name) == 0) {
            *pa = pressure_units[i].pa;
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

const char *taut_units_pressure_names(void)
{
    return "Pa, hPa, kPa, MPa, bar, mbar, ubar, atm, at, Torr, mTorr, mmHg, inHg, inHg_60F, psi, inH2O, mmH2O";
}
