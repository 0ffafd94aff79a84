/* Prints the texts that the tests of the configuration compare: `example` the commented example, `reference` the key
 * reference of the manual, `manual FILE` a manual page with its reference renewed, `check FILE` all findings. */
#include <stdio.h>
#include <string.h>

#include "config/config.h"

static int check(const char *path)
{
    static struct tautd_findings findings;
    struct tautd_config *config = tautd_config_load(path, &findings);
    char line[600];
    for (int i = 0; i < findings.count && i < TAUTD_FINDINGS_MAX; i++)
        printf("%s\n", taut_diag_print(&findings.finding[i], line, sizeof line));
    for (int i = 0; i < findings.warnings && i < TAUTD_WARNINGS_MAX; i++)
        printf("warning: %s\n", taut_diag_print(&findings.warning[i], line, sizeof line));
    tautd_config_free(config);
    return config ? 0 : 1;
}

static int manual(const char *path)
{
    FILE *in = fopen(path, "r");
    if (!in)
        return 1;
    char line[1024];
    int inside = 0;
    while (fgets(line, sizeof line, in)) {
        if (strncmp(line, ".\\\" keys: end", 13) == 0)
            inside = 0;
        if (!inside)
            fputs(line, stdout);
        if (strncmp(line, ".\\\" keys: begin", 15) == 0) {
            tautd_config_print_reference(stdout);
            inside = 1;
        }
    }
    fclose(in);
    return inside;
}

int main(int argc, char **argv)
{
    if (argc == 2 && strcmp(argv[1], "example") == 0)
        tautd_config_print_example(stdout);
    else if (argc == 2 && strcmp(argv[1], "reference") == 0)
        tautd_config_print_reference(stdout);
    else if (argc == 3 && strcmp(argv[1], "manual") == 0)
        return manual(argv[2]);
    else if (argc == 3 && strcmp(argv[1], "check") == 0)
        return check(argv[2]);
    else {
        fputs("usage: config_text example | reference | manual FILE | check FILE\n", stderr);
        return 64;
    }
    return 0;
}
