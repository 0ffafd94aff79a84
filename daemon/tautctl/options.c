#include "tautctl/options.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "tautctl/tautctl.h"

int tautctl_choice(const char *choices, const char *word)
{
    size_t length = strlen(word);
    int index = 0;
    for (const char *at = choices;; at++, index++) {
        size_t n = strcspn(at, "|");
        if (n == length && memcmp(at, word, n) == 0)
            return index;
        at += n;
        if (*at == '\0')
            return -1;
    }
}

static int take_number(const char *command, const struct tautctl_option *option, void *field, const char *text)
{
    char *end;
    double value = strtod(text, &end);
    if (end == text || *end || !isfinite(value))
        return tautctl_usage(command, "%s: a number is wanted, with a point for the decimals, not \"%s\"", option->name, text);
    if ((option->least != 0 || option->most != 0) && (value < option->least || value > option->most))
        return tautctl_usage(command, "%s: %s is outside %g to %g", option->name, text, option->least, option->most);
    *(double *)field = value;
    return 0;
}

static int take_value(const char *command, const struct tautctl_option *option, void *field, const char *text)
{
    switch (option->kind) {
    case TAUTCTL_OPTION_NUMBER:
        return take_number(command, option, field, text);
    case TAUTCTL_OPTION_TEXT:
        *(const char **)field = text;
        return 0;
    case TAUTCTL_OPTION_CHOICE: {
        int index = tautctl_choice(option->choices, text);
        if (index < 0)
            return tautctl_usage(command, "%s: \"%s\" is not one of %s", option->name, text, option->choices);
        *(int *)field = index;
        return 0;
    }
    case TAUTCTL_OPTION_FLAG:
        break;
    }
    return tautctl_usage(command, "%s takes no value", option->name);
}

static const struct tautctl_option *find(const struct tautctl_option *options, const char *word, size_t length)
{
    for (; options->name; options++)
        if (strlen(options->name) == length && memcmp(options->name, word, length) == 0)
            return options;
    return NULL;
}

int tautctl_options(int argc, char **argv, const struct tautctl_option *options, void *into, const char **words, int most,
                    int *count)
{
    const char *command = argv[0];
    bool ended = false;
    *count = 0;
    for (int i = 1; i < argc; i++) {
        if (ended || argv[i][0] != '-' || argv[i][1] == '\0') {
            if (*count == most)
                return tautctl_usage(command, "%s: one word too many", argv[i]);
            words[(*count)++] = argv[i];
            continue;
        }
        if (strcmp(argv[i], "--") == 0) {
            ended = true;
            continue;
        }
        size_t length = strcspn(argv[i], "=");
        const struct tautctl_option *option = find(options, argv[i], length);
        if (!option)
            return tautctl_usage(command, "%.*s: no such option", (int)length, argv[i]);
        void *field = (char *)into + option->to;
        int trouble = 0;
        if (argv[i][length] == '=')
            trouble = take_value(command, option, field, argv[i] + length + 1);
        else if (option->kind == TAUTCTL_OPTION_FLAG)
            *(bool *)field = true;
        else if (i + 1 < argc)
            trouble = take_value(command, option, field, argv[++i]);
        else
            trouble = tautctl_usage(command, "%s: its value is missing", option->name);
        if (trouble)
            return trouble;
    }
    return 0;
}
