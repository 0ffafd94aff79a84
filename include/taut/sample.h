/** @file sample.h  One reading with its quality, and the sweep in which readings reach a station.
 *
 *  Pressures are absolute pascal. A pressure that enters a station is first rounded to 0.1 Pa (0.001 mbar) and
 *  its time to a millisecond, the resolutions of the trace; so a trace holds exactly what the station saw and a
 *  replay gives the same verdict to the bit. */
#ifndef TAUT_SAMPLE_H
#define TAUT_SAMPLE_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Three classes, after IEC 61131 and OPC practice. Only good values may lead to a pass. */
enum taut_quality { TAUT_QUALITY_BAD = 0, TAUT_QUALITY_UNCERTAIN = 1, TAUT_QUALITY_GOOD = 2 };

/** Why a value is not good. Texts: taut_reason_text. */
enum taut_reason {
    TAUT_REASON_NONE = 0,
    TAUT_REASON_NOT_A_NUMBER, /* NaN or infinity in the registers */
    TAUT_REASON_OUT_OF_RANGE, /* outside the channel's stated range */
    TAUT_REASON_UNDER_RANGE,  /* 4-20 mA loop between 3.6 and 3.8 mA */
    TAUT_REASON_OVER_RANGE,   /* 4-20 mA loop between 20.5 and 21 mA */
    TAUT_REASON_LOOP_LOW,     /* 4-20 mA loop at or below 3.6 mA: open wire or failed transmitter */
    TAUT_REASON_LOOP_HIGH,    /* 4-20 mA loop at or above 21 mA: short or failed transmitter */
    TAUT_REASON_FROZEN,       /* not one bit has changed for the channel's frozen_s */
    TAUT_REASON_STALE,        /* older than the channel's stale_s; no newer one has come */
    TAUT_REASON_NO_ANSWER,    /* the unit did not answer in time */
    TAUT_REASON_EXCEPTION,    /* the unit answered with a Modbus exception */
    TAUT_REASON_BAD_FRAME,    /* an answer that is damaged, of another unit, or not to this question */
    TAUT_REASON_LINE_DOWN,    /* the serial device or TCP connection is not there */
    TAUT_REASON_NO_AMBIENT,   /* a gauge or vacuum value without a usable barometer */
    TAUT_REASON_FAULTY,       /* the device says so itself */
    TAUT_REASONS
};

/** "good", "uncertain", "bad". */
const char *taut_quality_text(enum taut_quality quality);

/** Word for files and screens: "not-a-number", "no-answer", ...; "" for none. */
const char *taut_reason_text(enum taut_reason reason);

/** Reason from its word.  TAUT_E_NOENT when unknown; then *out is untouched. */
TAUT_NODISCARD enum taut_status taut_reason_parse(const char *text, enum taut_reason *out);

/** A value and how far it may be believed. */
struct taut_sample {
    double value; /* absolute Pa, or K; NaN when bad */
    enum taut_quality quality;
    enum taut_reason reason;
};

/** What a channel means to its station. */
enum taut_role {
    TAUT_ROLE_VENT = 0,    /* bag pressure at the vent (vacuum) side; the one that is judged */
    TAUT_ROLE_FAR,         /* bag pressure at the far end */
    TAUT_ROLE_FEED,        /* pressure at the resin side */
    TAUT_ROLE_MANIFOLD,    /* pump side of the valve, common to stations */
    TAUT_ROLE_AMBIENT,     /* barometer */
    TAUT_ROLE_TEMPERATURE, /* bag or room temperature, K */
    TAUT_ROLES
};

/** "vent", "far", "feed", "manifold", "ambient", "temperature". */
const char *taut_role_text(enum taut_role role);

/** Readings of one station that belong to one moment (their own times within 5 ms of it). A role that is not
 *  `present` was not read in this sweep; a read that failed is present and bad. An empty sweep only tells that
 *  time has passed. */
struct taut_sweep {
    unsigned present; /* bit (1u << role) */
    struct taut_sample sample[TAUT_ROLES];
};

/** Round to the trace's resolution, 0.1 Pa.  NaN stays NaN. */
static inline double taut_sample_round_pa(double pa)
{
    return isfinite(pa) ? (double)llround(pa * 10.0) / 10.0 : pa;
}

/** Present and good. */
static inline bool taut_sweep_good(const struct taut_sweep *sweep, enum taut_role role)
{
    return (sweep->present & (1u << role)) != 0 && sweep->sample[role].quality == TAUT_QUALITY_GOOD;
}

#ifdef __cplusplus
}
#endif
#endif
