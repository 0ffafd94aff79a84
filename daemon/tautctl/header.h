/** @file header.h  What a column's heading tells of unit and reference: "p_mbar", "Pressure (mbar a)", "time [min]". */
#ifndef TAUTCTL_HEADER_H
#define TAUTCTL_HEADER_H

#include <stdbool.h>

/** Pressure unit in a heading.
 *  @param unit       receives a name of taut_units_pressure, or "" when there is none
 *  @param reference  receives 0 absolute, 1 gauge, -1 not said
 *  @return           true when there is a unit */
bool tautctl_header_pressure(const char *heading, char unit[16], int *reference);

/** Time unit in a heading: index into TAUTCTL_TIME_UNITS, or -1. */
int tautctl_header_time_unit(const char *heading);

/** Does the heading name a time, elapsed time or time stamp?  3 for elapsed time,
 *  2 for another time, 1 for a date, 0 for none. */
int tautctl_header_is_time(const char *heading);

/** Is the heading's temperature in kelvin?  1 K, 0 degrees Celsius, -1 not said. */
int tautctl_header_kelvin(const char *heading);

/** Does the heading hold this word (letters only, any case)? */
bool tautctl_header_has(const char *heading, const char *word);

#endif
