/* The alarm state model of ISA-18.2 / IEC 62682 as two tables: one for what the process does, one for what people and
 * logic do. A pair that is in neither table changes nothing. */
#include "taut/alarm.h"

#include <math.h>
#include <stddef.h>

static const char *const state_texts[TAUT_ALARM_STATES] = {
    [TAUT_ALARM_NORM] = "normal",
    [TAUT_ALARM_UNACK] = "unacknowledged",
    [TAUT_ALARM_ACKED] = "acknowledged",
    [TAUT_ALARM_RTNUN] = "returned-unacknowledged",
    [TAUT_ALARM_LUNACK] = "latched-unacknowledged",
    [TAUT_ALARM_LACKED] = "latched-acknowledged",
    [TAUT_ALARM_SHLVD] = "shelved",
    [TAUT_ALARM_DSUPR] = "suppressed",
    [TAUT_ALARM_OOSRV] = "out-of-service",
};

static const char *const priority_texts[] = {
    [TAUT_PRIORITY_LOW] = "low",
    [TAUT_PRIORITY_MEDIUM] = "medium",
    [TAUT_PRIORITY_HIGH] = "high",
    [TAUT_PRIORITY_URGENT] = "urgent",
};

/* A row's own state means "no change". */
struct answer_to_process {
    enum taut_alarm_state on_true, on_false, on_false_latching;
};

static const struct answer_to_process process[TAUT_ALARM_STATES] = {
    [TAUT_ALARM_NORM] = {TAUT_ALARM_UNACK, TAUT_ALARM_NORM,   TAUT_ALARM_NORM  },
    [TAUT_ALARM_UNACK] = {TAUT_ALARM_UNACK, TAUT_ALARM_RTNUN,  TAUT_ALARM_LUNACK},
    [TAUT_ALARM_ACKED] = {TAUT_ALARM_ACKED, TAUT_ALARM_NORM,   TAUT_ALARM_LACKED},
    [TAUT_ALARM_RTNUN] = {TAUT_ALARM_UNACK, TAUT_ALARM_RTNUN,  TAUT_ALARM_RTNUN },
    [TAUT_ALARM_LUNACK] = {TAUT_ALARM_UNACK, TAUT_ALARM_LUNACK, TAUT_ALARM_LUNACK},
    [TAUT_ALARM_LACKED] = {TAUT_ALARM_UNACK, TAUT_ALARM_LACKED, TAUT_ALARM_LACKED},
    [TAUT_ALARM_SHLVD] = {TAUT_ALARM_SHLVD, TAUT_ALARM_SHLVD,  TAUT_ALARM_SHLVD },
    [TAUT_ALARM_DSUPR] = {TAUT_ALARM_DSUPR, TAUT_ALARM_DSUPR,  TAUT_ALARM_DSUPR },
    [TAUT_ALARM_OOSRV] = {TAUT_ALARM_OOSRV, TAUT_ALARM_OOSRV,  TAUT_ALARM_OOSRV },
};

/* What an action leads to; TAUT_ALARM_STATES: the action has no meaning there. */
enum { NO = TAUT_ALARM_STATES, BY_CONDITION = TAUT_ALARM_STATES + 1 };

static const unsigned char action[TAUT_ALARM_EVENTS][TAUT_ALARM_STATES] = {
  /*                                 NORM UNACK ACKED RTNUN LUNACK LACKED SHLVD DSUPR OOSRV */
    [TAUT_ALARM_ACKNOWLEDGE] = {NO,               TAUT_ALARM_ACKED, TAUT_ALARM_ACKED, TAUT_ALARM_NORM,  TAUT_ALARM_LACKED, TAUT_ALARM_LACKED, NO,
                                NO,                                                                                                                                               NO              },
    [TAUT_ALARM_RESET] = {NO,               NO,               NO,               NO,               NO,                TAUT_ALARM_NORM,   NO,               NO,               NO              },
    [TAUT_ALARM_SHELVE] = {TAUT_ALARM_SHLVD, TAUT_ALARM_SHLVD, TAUT_ALARM_SHLVD, TAUT_ALARM_SHLVD, TAUT_ALARM_SHLVD,
                                TAUT_ALARM_SHLVD,                                                                                             TAUT_ALARM_SHLVD, NO,               NO              },
    [TAUT_ALARM_UNSHELVE] = {NO,               NO,               NO,               NO,               NO,                NO,                BY_CONDITION,     NO,               NO              },
    [TAUT_ALARM_SUPPRESS] = {TAUT_ALARM_DSUPR, TAUT_ALARM_DSUPR, TAUT_ALARM_DSUPR, TAUT_ALARM_DSUPR, TAUT_ALARM_DSUPR,
                                TAUT_ALARM_DSUPR,                                                                                             NO,               TAUT_ALARM_DSUPR, NO              },
    [TAUT_ALARM_UNSUPPRESS] = {NO,               NO,               NO,               NO,               NO,                NO,                NO,               BY_CONDITION,     NO              },
    [TAUT_ALARM_OUT_OF_SERVICE] = {TAUT_ALARM_OOSRV, TAUT_ALARM_OOSRV, TAUT_ALARM_OOSRV, TAUT_ALARM_OOSRV, TAUT_ALARM_OOSRV,
                                TAUT_ALARM_OOSRV,                                                                                             NO,               NO,               TAUT_ALARM_OOSRV},
    [TAUT_ALARM_RETURN_TO_SERVICE] = {NO,               NO,               NO,               NO,               NO,                NO,                NO,               NO,               BY_CONDITION    },
    [TAUT_ALARM_RE_ALARM] = {NO,               NO,               TAUT_ALARM_UNACK, NO,               NO,                NO,                NO,               NO,               NO              },
};

const char *taut_alarm_state_text(enum taut_alarm_state state)
{
    return (unsigned)state < TAUT_ALARM_STATES ? state_texts[state] : "unknown";
}

const char *taut_alarm_priority_text(enum taut_alarm_priority priority)
{
    return (unsigned)priority <= TAUT_PRIORITY_URGENT ? priority_texts[priority] : "unknown";
}

void taut_alarm_init(struct taut_alarm *alarm)
{
    *alarm = (struct taut_alarm){.state = TAUT_ALARM_NORM};
}

static bool go(struct taut_alarm *alarm, enum taut_alarm_state next, int64_t t_ns)
{
    if (next == alarm->state)
        return false;
    alarm->state = next;
    alarm->since_ns = t_ns;
    return true;
}

static enum taut_alarm_state by_condition(const struct taut_alarm *alarm)
{
    return alarm->condition ? TAUT_ALARM_UNACK : TAUT_ALARM_NORM;
}

static bool shelving_ran_out(const struct taut_alarm *alarm, int64_t t_ns)
{
    return alarm->state == TAUT_ALARM_SHLVD && t_ns >= alarm->shelved_until_ns;
}

/* The raw condition through the delays.  A delay that is not a positive number is none. */
static void let_delays_run(struct taut_alarm *alarm, const struct taut_alarm_design *design, bool raw, int64_t t_ns)
{
    if (raw != alarm->raw) {
        alarm->raw = raw;
        alarm->raw_since_ns = t_ns;
    }
    double delay_s = raw ? design->on_delay_s : design->off_delay_s;
    if (raw == alarm->condition || (delay_s > 0 && (double)(t_ns - alarm->raw_since_ns) < delay_s * 1e9))
        return;
    alarm->condition = raw;
    if (raw)
        alarm->raised_ns = t_ns;
}

bool taut_alarm_input(struct taut_alarm *alarm, const struct taut_alarm_design *design, bool condition, int64_t t_ns)
{
    let_delays_run(alarm, design, condition, t_ns);
    if (shelving_ran_out(alarm, t_ns))
        return go(alarm, by_condition(alarm), t_ns);
    const struct answer_to_process *answer = &process[alarm->state];
    if (alarm->condition)
        return go(alarm, answer->on_true, t_ns);
    return go(alarm, design->latching ? answer->on_false_latching : answer->on_false, t_ns);
}

enum taut_status taut_alarm_act(struct taut_alarm *alarm, const struct taut_alarm_design *design, enum taut_alarm_event event,
                                int64_t t_ns, int64_t until_ns, bool *changed)
{
    (void)design;
    bool unused;
    if (changed == NULL)
        changed = &unused;
    *changed = shelving_ran_out(alarm, t_ns) && go(alarm, by_condition(alarm), t_ns);
    if ((unsigned)event >= TAUT_ALARM_EVENTS || (event == TAUT_ALARM_SHELVE && until_ns <= t_ns))
        return TAUT_E_ARG;
    unsigned next = action[event][alarm->state];
    if (next == NO)
        return TAUT_E_STATE;
    if (event == TAUT_ALARM_SHELVE)
        alarm->shelved_until_ns = until_ns;
    if (go(alarm, next == BY_CONDITION ? by_condition(alarm) : (enum taut_alarm_state)next, t_ns))
        *changed = true;
    return TAUT_OK;
}

bool taut_alarm_calls(const struct taut_alarm *alarm)
{
    return alarm->state == TAUT_ALARM_UNACK || alarm->state == TAUT_ALARM_RTNUN || alarm->state == TAUT_ALARM_LUNACK;
}

bool taut_alarm_above(bool now, double value, double limit, double deadband)
{
    if (isnan(value) || isnan(limit))
        return now;
    return value >= limit || (now && value >= limit - deadband);
}

/* One shape per colour, so that neither a colour-blind eye nor a grey print loses anything. */
static const struct taut_lamp lamps[TAUT_LAMP_COLOURS] = {
    [TAUT_LAMP_GREEN] = {TAUT_LAMP_GREEN,  "green",  "square",   "normal",        false},
    [TAUT_LAMP_WHITE] = {TAUT_LAMP_WHITE,  "white",  "bar",      "set aside",     false},
    [TAUT_LAMP_BLUE] = {TAUT_LAMP_BLUE,   "blue",   "circle",   "action needed", false},
    [TAUT_LAMP_YELLOW] = {TAUT_LAMP_YELLOW, "yellow", "triangle", "abnormal",      false},
    [TAUT_LAMP_RED] = {TAUT_LAMP_RED,    "red",    "octagon",  "emergency",     false},
};

/* While the condition lasts the priority gives the colour; once it is gone only a person's action is still due. */
static enum taut_lamp_colour lamp_colour(enum taut_alarm_state state, enum taut_alarm_priority priority)
{
    switch (state) {
    case TAUT_ALARM_NORM:
        return TAUT_LAMP_GREEN;
    case TAUT_ALARM_UNACK:
    case TAUT_ALARM_ACKED:
        return priority >= TAUT_PRIORITY_URGENT ? TAUT_LAMP_RED : TAUT_LAMP_YELLOW;
    case TAUT_ALARM_RTNUN:
    case TAUT_ALARM_LUNACK:
    case TAUT_ALARM_LACKED:
        return TAUT_LAMP_BLUE;
    default:
        return TAUT_LAMP_WHITE;
    }
}

struct taut_lamp taut_alarm_lamp(enum taut_alarm_state state, enum taut_alarm_priority priority)
{
    struct taut_lamp lamp = lamps[lamp_colour(state, priority)];
    lamp.flashing = taut_alarm_calls(&(struct taut_alarm){.state = state});
    return lamp;
}

int taut_lamp_rank(const struct taut_lamp *lamp)
{
    return 2 * (int)lamp->colour + (lamp->flashing ? 1 : 0);
}
