/* Coverage-guided fuzzing of the configuration, by hand and for as long as one likes:
 *   cmake --preset clang && cmake --build --preset clang --target fuzz_config
 *   build/clang/tests/config/fuzz_config -max_len=6000 FOLDER_WITH_CONFIGURATIONS */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/config.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void insist(int truth)
{
    if (!truth)
        abort();
}

/* What was accepted must survive printing and reading. */
static void check_read_back(const struct tautd_config *config)
{
    static struct tautd_findings findings;
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    tautd_config_print(config, out);
    fclose(out);
    struct tautd_config *again = tautd_config_parse("fuzz.yaml", text, size, &findings);
    insist(again && again->channels == config->channels && again->recipes == config->recipes);
    insist(memcmp(again->line, config->line, (size_t)config->lines * sizeof *config->line) == 0);
    insist(memcmp(again->channel, config->channel, (size_t)config->channels * sizeof *config->channel) == 0);
    insist(memcmp(again->station, config->station, (size_t)config->stations * sizeof *config->station) == 0);
    insist(memcmp(again->recipe, config->recipe, (size_t)config->recipes * sizeof *config->recipe) == 0);
    tautd_config_free(again);
    free(text);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct tautd_findings findings;
    struct tautd_config *config = tautd_config_parse("fuzz.yaml", (const char *)data, size, &findings);
    insist((config != NULL) == (findings.count == 0));
    for (int s = 0; config && s < config->stations; s++) {
        struct taut_station_setup setup;
        tautd_config_station_setup(config, s, &setup);
    }
    if (config)
        check_read_back(config);
    tautd_config_free(config);
    return 0;
}
