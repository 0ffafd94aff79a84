/** @file step.h  Inside the station: what its files share. */
#ifndef TAUT_STATION_STEP_H
#define TAUT_STATION_STEP_H

#include "taut/station.h"

/** Append an effect; NULL when the list is full (it is sized so that one step can not fill it). */
struct taut_effect *step_effect(struct taut_effects *effects, enum taut_effect_kind kind);

/** Set every alarm's condition from what the station knows now, and report those that changed. */
void step_alarms(struct taut_station *station, struct taut_effects *effects);

/** Acknowledge, reset, shelve, unshelve. */
enum taut_status step_alarm_command(struct taut_station *station, const struct taut_command *command,
                                    struct taut_effects *effects, struct taut_diag *diag);

/** A command for the phases. */
enum taut_status step_phase_command(struct taut_station *station, const struct taut_event *event, struct taut_effects *effects,
                                    struct taut_diag *diag);

/** Change phase, with everything that belongs to entering it. */
void step_enter(struct taut_station *station, enum taut_phase to, struct taut_effects *effects);

/** Drive or note the valve. */
void step_valve(struct taut_station *station, bool open, struct taut_effects *effects);

/** Close the bag off and begin to settle. */
void step_isolate(struct taut_station *station, struct taut_effects *effects);

/** The running drop test is decided: keep it, tell it, and go on to ready or back to drawdown. */
void step_verdict(struct taut_station *station, struct taut_effects *effects);

#endif
