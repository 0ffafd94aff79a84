#include "taut/status.h"

#include <stddef.h>

static const struct {
    enum taut_status status;
    const char *name, *text;
} names[] = {
    {TAUT_OK,         "TAUT_OK",         "all well"                           },
    {TAUT_E_ARG,      "TAUT_E_ARG",      "an argument is outside its range"   },
    {TAUT_E_FEW,      "TAUT_E_FEW",      "too few usable points"              },
    {TAUT_E_SPREAD,   "TAUT_E_SPREAD",   "the points have no spread"          },
    {TAUT_E_FULL,     "TAUT_E_FULL",     "no room left"                       },
    {TAUT_E_FORMAT,   "TAUT_E_FORMAT",   "not in the expected form"           },
    {TAUT_E_RANGE,    "TAUT_E_RANGE",    "outside the allowed range"          },
    {TAUT_E_STATE,    "TAUT_E_STATE",    "not possible now"                   },
    {TAUT_E_SINGULAR, "TAUT_E_SINGULAR", "the equations have no single answer"},
    {TAUT_E_CONVERGE, "TAUT_E_CONVERGE", "the search did not settle"          },
    {TAUT_E_NOENT,    "TAUT_E_NOENT",    "not found"                          },
    {TAUT_E_EXISTS,   "TAUT_E_EXISTS",   "exists already"                     },
    {TAUT_E_IO,       "TAUT_E_IO",       "the system refused"                 },
    {TAUT_E_TIMEOUT,  "TAUT_E_TIMEOUT",  "no answer in time"                  },
    {TAUT_E_PEER,     "TAUT_E_PEER",     "the device answered wrongly"        },
    {TAUT_E_DENIED,   "TAUT_E_DENIED",   "not allowed"                        },
    {TAUT_E_MEMORY,   "TAUT_E_MEMORY",   "no memory"                          },
};

const char *taut_status_text(enum taut_status status)
{
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (names[i].status == status)
            return names[i].text;
    return "unknown status";
}

const char *taut_status_name(enum taut_status status)
{
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        if (names[i].status == status)
            return names[i].name;
    return "unknown";
}
