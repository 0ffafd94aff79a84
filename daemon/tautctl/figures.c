#include "tautctl/figures.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include <cjson/cJSON.h>

#include "taut/taut.h"
#include "tautctl/tautctl.h"

static int print_json(const char *format, const struct tautctl_figure *figures, size_t count, const char *const *notes)
{
    cJSON *root = cJSON_CreateObject();
    cJSON_AddStringToObject(root, "format", format);
    for (size_t i = 0; i < count; i++) {
        if (isfinite(figures[i].value))
            cJSON_AddNumberToObject(root, figures[i].key, figures[i].value);
        else
            cJSON_AddNullToObject(root, figures[i].key);
    }
    cJSON *list = cJSON_AddArrayToObject(root, "notes");
    for (; *notes; notes++)
        cJSON_AddItemToArray(list, cJSON_CreateString(*notes));
    cJSON_AddStringToObject(root, "software", "taut " TAUT_VERSION);
    char *text = cJSON_Print(root);
    cJSON_Delete(root);
    if (!text)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    puts(text);
    free(text);
    return 0;
}

int tautctl_figures_print(const char *format, const struct tautctl_figure *figures, size_t count, const char *const *notes,
                          bool json)
{
    if (json)
        return print_json(format, figures, count, notes);
    for (size_t i = 0; i < count; i++)
        if (figures[i].label && isfinite(figures[i].value))
            printf("%-28s %.*g %s\n", figures[i].label, figures[i].digits, figures[i].value, figures[i].unit);
    for (; *notes; notes++)
        printf("%s\n", *notes);
    return 0;
}
