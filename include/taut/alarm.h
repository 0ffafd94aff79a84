/** @file alarm.h  One alarm's life after ISA-18.2 / IEC 62682 (tests/reference/alarm_transitions.csv), and the lamp
 *  that shows it. */
#ifndef TAUT_ALARM_H
#define TAUT_ALARM_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/limits.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum taut_alarm_state {
    TAUT_ALARM_NORM,
    TAUT_ALARM_UNACK,
    TAUT_ALARM_ACKED,
    TAUT_ALARM_RTNUN,
    TAUT_ALARM_LUNACK,
    TAUT_ALARM_LACKED,
    TAUT_ALARM_SHLVD,
    TAUT_ALARM_DSUPR,
    TAUT_ALARM_OOSRV,
    TAUT_ALARM_STATES
};

enum taut_alarm_priority { TAUT_PRIORITY_LOW, TAUT_PRIORITY_MEDIUM, TAUT_PRIORITY_HIGH, TAUT_PRIORITY_URGENT };

enum taut_alarm_event {
    TAUT_ALARM_ACKNOWLEDGE,
    TAUT_ALARM_RESET,
    TAUT_ALARM_SHELVE, /* until a time */
    TAUT_ALARM_UNSHELVE,
    TAUT_ALARM_SUPPRESS, /* by design, per phase */
    TAUT_ALARM_UNSUPPRESS,
    TAUT_ALARM_OUT_OF_SERVICE,
    TAUT_ALARM_RETURN_TO_SERVICE,
    TAUT_ALARM_RE_ALARM, /* acknowledged long ago and still there: call again */
    TAUT_ALARM_EVENTS
};

/** What an alarm is like; constant per kind. */
struct taut_alarm_design {
    enum taut_alarm_priority priority;
    bool latching;
    double on_delay_s;  /* the condition must hold so long before the alarm comes */
    double off_delay_s; /* and be gone so long before it goes */
};

struct taut_alarm {
    enum taut_alarm_state state;
    bool condition;       /* after the delays */
    bool raw;             /* as last given */
    int64_t raw_since_ns; /* since when raw has its value */
    int64_t since_ns;     /* of the present state */
    int64_t raised_ns;    /* when the condition last became true */
    int64_t shelved_until_ns;
};

/** "normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "latched-unacknowledged",
 *  "latched-acknowledged", "shelved", "suppressed", "out-of-service". */
const char *taut_alarm_state_text(enum taut_alarm_state state);
const char *taut_alarm_priority_text(enum taut_alarm_priority priority);

/** Start in NORM.  Pure. */
void taut_alarm_init(struct taut_alarm *alarm);

/** Tell the condition as it is now; also lets delays and shelving run out.  Between two calls the condition counts
 *  as having stayed what the first of them said; times never decrease.  Pure; O(1).
 *  @return true when the state changed */
bool taut_alarm_input(struct taut_alarm *alarm, const struct taut_alarm_design *design, bool condition, int64_t t_ns);

/** An operator's or the program's action.  Shelving that has run out by `t_ns` ends first.
 *  @param until_ns  for SHELVE: when it ends, later than t_ns; ignored else
 *  @param changed   receives whether the state changed; may be NULL
 *  @return TAUT_OK (also for acknowledging twice, which changes nothing); TAUT_E_ARG shelving that ends before it
 *          starts; TAUT_E_STATE the action has no meaning in this state.  After an error nothing has changed but
 *          shelving that had run out, which *changed tells. */
TAUT_NODISCARD enum taut_status taut_alarm_act(struct taut_alarm *alarm, const struct taut_alarm_design *design,
                                               enum taut_alarm_event event, int64_t t_ns, int64_t until_ns, bool *changed);

/** True in UNACK, RTNUN, LUNACK: the horn sounds, the lamp flashes. */
bool taut_alarm_calls(const struct taut_alarm *alarm);

/** A condition with a deadband: true from `limit` upwards, and once true until the value is below limit - deadband.
 *  A value that is not a number leaves it as it was.  Pure. */
bool taut_alarm_above(bool now, double value, double limit, double deadband);

/* ---- the lamp ---- */

/** Colours with the meanings of IEC 60073 and IEC 60204-1 (tests/reference/indicator_colours.csv). */
enum taut_lamp_colour { TAUT_LAMP_GREEN, TAUT_LAMP_WHITE, TAUT_LAMP_BLUE, TAUT_LAMP_YELLOW, TAUT_LAMP_RED, TAUT_LAMP_COLOURS };

/** How an alarm is shown: never by colour alone, so a shape and a word go with it. */
struct taut_lamp {
    enum taut_lamp_colour colour;
    const char *colour_text; /* "green", "white", "blue", "yellow", "red" */
    const char *shape_text;  /* "square", "bar", "circle", "triangle", "octagon": one per colour */
    const char *meaning;     /* one or two words: "normal", "set aside", "action needed", "abnormal", "emergency" */
    bool flashing;           /* not acknowledged yet */
};

/** Lamp for a state and a priority.  Several alarms share a lamp by showing the greatest of taut_lamp_rank.  Pure. */
struct taut_lamp taut_alarm_lamp(enum taut_alarm_state state, enum taut_alarm_priority priority);

/** Order in which lamps hide one another: colour first, then flashing before steady.  Pure. */
int taut_lamp_rank(const struct taut_lamp *lamp);

#ifdef __cplusplus
}
#endif
#endif
