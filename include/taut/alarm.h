/** @file alarm.h  One alarm's life after ISA-18.2 / IEC 62682 (tests/reference/alarm_transitions.csv). */
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
    TAUT_ALARM_OOSRV
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
    TAUT_ALARM_RETURN_TO_SERVICE
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
    bool condition;          /* after the delays */
    bool raw;                /* as last given */
    int64_t raw_since_ns;    /* since when raw has its value */
    int64_t since_ns;        /* of the present state */
    int64_t raised_ns;       /* when the condition last became true */
    int64_t shelved_until_ns;
};

/** "normal", "unacknowledged", "acknowledged", "returned-unacknowledged", "latched-unacknowledged",
 *  "latched-acknowledged", "shelved", "suppressed", "out-of-service". */
const char *taut_alarm_state_text(enum taut_alarm_state state);
const char *taut_alarm_priority_text(enum taut_alarm_priority priority);

/** Start in NORM.  Pure. */
void taut_alarm_init(struct taut_alarm *alarm);

/** Tell the condition as it is now; also lets delays and shelving run out.  @return true when the state changed. */
bool taut_alarm_input(struct taut_alarm *alarm, const struct taut_alarm_design *design, bool condition, int64_t t_ns);

/** An operator's or the program's action.
 *  @param until_ns  for SHELVE: when it ends; ignored else
 *  @param changed   receives whether the state changed
 *  @return TAUT_OK; TAUT_E_STATE the action has no meaning in this state (nothing changed) */
TAUT_NODISCARD enum taut_status taut_alarm_act(struct taut_alarm *alarm, const struct taut_alarm_design *design,
                                               enum taut_alarm_event event, int64_t t_ns, int64_t until_ns, bool *changed);

/** True in UNACK, RTNUN, LUNACK: the horn sounds, the lamp flashes. */
bool taut_alarm_calls(const struct taut_alarm *alarm);

#ifdef __cplusplus
}
#endif
#endif
