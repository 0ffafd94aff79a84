#include <assert.h>
#include <string.h>

#include "config/schema.h"
#include "config/value.h"

static void print_entry(const struct tautd_section *section, const void *entry, FILE *out)
{
    const char *lead = section->list ? "  - " : "  ";
    for (const struct taut_key *key = section->keys(NULL); key->name; key++) {
        char storage[2 * TAUTD_PATH_MAX + 8];
        struct taut_text value;
        taut_text_init(&value, storage, sizeof storage);
        if (!tautd_schema_applies(section, key, entry) || !tautd_value_print(key, entry, &value))
            continue;
        fprintf(out, "%s%s: %s\n", lead, key->name, storage);
        lead = section->list ? "    " : "  ";
    }
}

void tautd_config_print(const struct tautd_config *config, FILE *out)
{
    fprintf(out, "# configuration in force, from %s\n", config->path);
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++) {
        const struct tautd_section *section = tautd_schema_section(id);
        int count = tautd_schema_count(section, config);
        if (count == 0)
            continue;
        fprintf(out, "\n%s:\n", section->name);
        for (int i = 0; i < count; i++)
            print_entry(section, tautd_schema_entry(section, config, i), out);
    }
}
