/* The configuration from a file or from memory.
 *
 * Failure policy: with one mistake or more there is no configuration at all, only the findings. */
#include "config/config.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "config/read.h"

static void check_all(struct tautd_reader *reader)
{
    tautd_check_daemon(reader);
    tautd_check_lines(reader);
    tautd_check_channels(reader);
    tautd_check_outputs(reader);
    tautd_check_recipes(reader);
    tautd_check_stations(reader);
    tautd_check_load(reader);
    if (reader->report->findings->count == 0)
        tautd_check_unused(reader);
}

struct tautd_config *tautd_config_parse(const char *name, const char *text, size_t size, struct tautd_findings *findings)
{
    memset(findings, 0, sizeof *findings);
    struct tautd_report report = {
        .file = name, .findings = findings, .needed = "lines, channels, stations and recipes", .example = "lines"};
    struct tautd_node *top = tautd_document_parse(text, size, &report);
    struct tautd_config *config = top ? calloc(1, sizeof *config) : NULL;
    if (top && !config)
        tautd_report_error(&report, 0, 0, "no memory");
    if (config) {
        struct tautd_reader reader = {.report = &report, .config = config};
        snprintf(config->path, sizeof config->path, "%s", name);
        if (tautd_reader_read(&reader, top))
            check_all(&reader);
        tautd_reader_end(&reader);
    }
    tautd_node_free(top);
    tautd_report_sort(findings);
    if (findings->count == 0)
        return config;
    tautd_config_free(config);
    return NULL;
}

/* Reads to the end, at most one byte more than allowed (so that the parser refuses it).  @return -1 on failure */
static ssize_t read_all(int fd, char *text, size_t most)
{
    size_t used = 0;
    while (used < most) {
        ssize_t n = read(fd, text + used, most - used);
        if (n == 0)
            break;
        if (n < 0 && errno != EINTR)
            return -1;
        used += n > 0 ? (size_t)n : 0;
    }
    return (ssize_t)used;
}

struct tautd_config *tautd_config_load(const char *path, struct tautd_findings *findings)
{
    memset(findings, 0, sizeof *findings);
    struct tautd_report report = {.file = path, .findings = findings};
    enum { ROOM = TAUTD_DOCUMENT_BYTES_MAX + 1 };
    struct tautd_config *config = NULL;
    char *text = malloc(ROOM);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    ssize_t size = fd >= 0 && text ? read_all(fd, text, ROOM) : -1;
    if (size >= 0)
        config = tautd_config_parse(path, text, (size_t)size, findings);
    else
        tautd_report_error(&report, 0, 0, "can not be read: %s", text ? strerror(errno) : "no memory");
    if (fd >= 0)
        close(fd);
    free(text);
    return config;
}

void tautd_config_free(struct tautd_config *config)
{
    if (!config)
        return;
    free(config->line);
    free(config->channel);
    free(config->station);
    free(config->recipe);
    free(config->output);
    free(config);
}

/* ---- what a station knows of its channels ------------------------------------------------------------------------ */

/* A gauge reading is only as good as the ambient pressure that is added to it. */
static void describe_channel(const struct tautd_config *config, const struct tautd_channel_config *channel,
                             struct taut_station_channel *out)
{
    const struct taut_channel_spec *spec = &channel->spec;
    const struct taut_channel_spec *barometer =
        channel->ambient_index >= 0 ? &config->channel[channel->ambient_index].spec : NULL;
    bool relative = spec->quantity == TAUT_QUANTITY_PRESSURE && spec->reference != TAUT_REFERENCE_ABSOLUTE;
    out->wired = true;
    memcpy(out->name, spec->name, sizeof out->name);
    out->u_pa = spec->u_pa;
    out->resolution_pa = spec->resolution_pa;
    out->drift_pa_per_s = spec->drift_pa_per_s;
    out->reference = (int)spec->reference;
    out->barometer = relative && barometer;
    if (relative)
        out->u_pa = hypot(spec->u_pa, barometer ? barometer->u_pa : spec->u_ambient_pa);
    if (relative && barometer) /* both may drift the same way */
        out->drift_pa_per_s += barometer->drift_pa_per_s;
    memcpy(out->calibrated, channel->calibrated, sizeof out->calibrated);
    memcpy(out->serial, channel->serial, sizeof out->serial);
}

void tautd_config_station_setup(const struct tautd_config *config, int station, struct taut_station_setup *setup)
{
    const struct tautd_station_config *from = &config->station[station];
    memset(setup, 0, sizeof *setup);
    memcpy(setup->name, from->name, sizeof setup->name);
    setup->valve = from->valve_index >= 0 ? TAUT_VALVE_DRIVEN : TAUT_VALVE_HAND;
    setup->volume_m3 = from->volume_m3;
    setup->u_volume_m3 = from->u_volume_m3;
    for (int role = 0; role < TAUT_ROLES; role++)
        if (from->channel_index[role] >= 0)
            describe_channel(config, &config->channel[from->channel_index[role]], &setup->channel[role]);
}
