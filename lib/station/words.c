#include "taut/station.h"

#include <string.h>

/* Position of `text` in a table of `n` words; -1 when it is not there. */
static int find(const char *const *words, int n, const char *text)
{
    for (int i = 0; i < n; i++)
        if (strcmp(words[i], text) == 0)
            return i;
    return -1;
}

static const char *const phase_words[TAUT_PHASES] = {"idle", "drawdown", "settle", "drop-test", "ready",
                                                     "fill", "clamped",  "cure",   "done"};

const char *taut_phase_text(enum taut_phase phase)
{
    return (unsigned)phase < TAUT_PHASES ? phase_words[phase] : "unknown";
}

enum taut_status taut_phase_parse(const char *text, enum taut_phase *out)
{
    int i = find(phase_words, TAUT_PHASES, text);
    if (i < 0)
        return TAUT_E_NOENT;
    *out = (enum taut_phase)i;
    return TAUT_OK;
}

static const char *const verb_words[TAUT_VERBS] = {"start",  "isolate", "test", "pump",        "fill",  "clamp",  "cure",
                                                   "finish", "abort",   "note", "acknowledge", "reset", "shelve", "unshelve"};

const char *taut_verb_text(enum taut_verb verb)
{
    return (unsigned)verb < TAUT_VERBS ? verb_words[verb] : "unknown";
}

enum taut_status taut_verb_parse(const char *text, enum taut_verb *out)
{
    int i = find(verb_words, TAUT_VERBS, text);
    if (i < 0)
        return TAUT_E_NOENT;
    *out = (enum taut_verb)i;
    return TAUT_OK;
}

static const char *const alarm_words[TAUT_ALARM_KINDS] = {"vacuum-loss", "vacuum-limit", "sensor",      "communication",
                                                          "supply",      "valve",        "not-holding", "record"};

const char *taut_alarm_kind_text(enum taut_alarm_kind kind)
{
    return (unsigned)kind < TAUT_ALARM_KINDS ? alarm_words[kind] : "all";
}

enum taut_status taut_alarm_kind_parse(const char *text, enum taut_alarm_kind *out)
{
    int i = find(alarm_words, TAUT_ALARM_KINDS, text);
    if (i < 0)
        return TAUT_E_NOENT;
    *out = (enum taut_alarm_kind)i;
    return TAUT_OK;
}

/* Delays in seconds: a valve that needs a moment, a single lost answer, are no alarms yet. The watch has its own
 * persistence, so its alarms come at once. */
static const struct {
    struct taut_alarm_design design;
    const char *advice;
} kinds[TAUT_ALARM_KINDS] = {
    [TAUT_ALARM_KIND_VACUUM_LOSS] = {{TAUT_PRIORITY_URGENT, false, 0, 5},
                                     "Press along the tape, the ports and the pleats until the pressure stops rising; "
                                     "clamp the feed if the leak can not be found."                                                     },
    [TAUT_ALARM_KIND_VACUUM_LIMIT] = {{TAUT_PRIORITY_HIGH, false, 2, 5},
                                     "The bag is above the recipe's pressure: check the pump, the vent line and the seal."              },
    [TAUT_ALARM_KIND_SENSOR] = {{TAUT_PRIORITY_HIGH, false, 2, 5},
                                     "Check the transducer, its plug and its supply; watch a dial gauge until it reads again."          },
    [TAUT_ALARM_KIND_COMMUNICATION] = {{TAUT_PRIORITY_HIGH, false, 3, 2},
                                     "Check cable, adapter and unit power; watch a dial gauge until answers come again."                },
    [TAUT_ALARM_KIND_SUPPLY] = {{TAUT_PRIORITY_URGENT, false, 0, 5},
                                     "Check the pump and the manifold; clamp the vent line to keep the vacuum in the bag."              },
    [TAUT_ALARM_KIND_VALVE] = {{TAUT_PRIORITY_HIGH, false, 0, 2},   "Check the valve: it is not where it was commanded."          },
    [TAUT_ALARM_KIND_NOT_HOLDING] = {{TAUT_PRIORITY_MEDIUM, false, 0, 5},
                                     "The bag does not come down: look for an open port, a gross leak or a closed vent line."           },
    [TAUT_ALARM_KIND_RECORD] =
        {{TAUT_PRIORITY_HIGH, false, 0, 2},
                                     "The record can not be written: free the disk or mend it; readings are kept in memory for a while."},
};

const char *taut_alarm_kind_advice(enum taut_alarm_kind kind)
{
    return (unsigned)kind < TAUT_ALARM_KINDS ? kinds[kind].advice : "";
}

const struct taut_alarm_design *taut_alarm_kind_design(enum taut_alarm_kind kind)
{
    return &kinds[kind].design;
}
