/** @file view.h  What the API shows, as JSON. Pressures in mbar, rates in mbar/min, the unit in the key's name. */
#ifndef TAUTD_WEB_VIEW_H
#define TAUTD_WEB_VIEW_H

#include "web/api.h"
#include "web/json.h"

/** One station in short: all that a table or a card needs.  `key` as in tautd_json_open. */
void tautd_view_summary(struct tautd_json *json, const struct tautd_api_host *host, int station);

/** One station with its channels, running test, history, alarms, run and recipe. */
void tautd_view_station(struct tautd_json *json, const struct tautd_api_host *host, int station);

/** The bench as a whole; the last argument only makes all views alike. */
void tautd_view_stations(struct tautd_json *json, const struct tautd_api_host *host, int unused);
void tautd_view_status(struct tautd_json *json, const struct tautd_api_host *host, int unused);
void tautd_view_channels(struct tautd_json *json, const struct tautd_api_host *host, int unused);
void tautd_view_lines(struct tautd_json *json, const struct tautd_api_host *host, int unused);
void tautd_view_config(struct tautd_json *json, const struct tautd_api_host *host, int unused);

/** The recipe under its file keys and in its file units, driven by the key table. */
void tautd_view_recipe(struct tautd_json *json, const char *key, const struct taut_recipe *recipe);

/** Value, quality, reason and age of one sample, into an open object. `age_s` NaN when never read. */
void tautd_view_sample(struct tautd_json *json, bool temperature, const struct taut_sample *sample, double age_s);

/** Seconds since a channel was last read; NaN when never. */
double tautd_view_age_s(const struct tautd_channel_live *live);

#endif
