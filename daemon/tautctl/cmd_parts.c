/* tautctl parts and show: what lies in the state folder, without the daemon's help.
 * Failure policy: reads only. A folder that can not be understood is listed as such, never left out. */
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cjson/cJSON.h>

#include "sink/disk.h"
#include "taut/taut.h"
#include "tautctl/tautctl.h"

static const char parts_help[] = "Usage: tautctl parts [--state DIR] [--json]\n\n"
                                 "Lists every run of every part on record, oldest first.\n\n"
                                 "  --state DIR  the daemon's state folder (else $TAUT_STATE, else /var/lib/taut)\n"
                                 "  --json       one JSON object a line\n";

static const char show_help[] = "Usage: tautctl show [--state DIR] [--json] PART [RUN]\n"
                                "       tautctl show [--json] FOLDER\n\n"
                                "Shows the record of a part's run: the last one when RUN is left out.\n\n"
                                "  --state DIR  the daemon's state folder (else $TAUT_STATE, else /var/lib/taut)\n"
                                "  --json       record.json as it is\n";

struct options {
    const char *state;
    bool json;
    const char *words[2];
    int count;
};

/* False when the command line is wrong; then it has been said. */
static bool read_options(const char *command, int argc, char **argv, int most, struct options *out)
{
    const char *environment = getenv("TAUT_STATE");
    *out = (struct options){.state = environment && environment[0] ? environment : "/var/lib/taut"};
    bool words_only = false;
    for (int i = 1; i < argc; i++) {
        bool option = !words_only && argv[i][0] == '-' && argv[i][1] == '-';
        if (option && argv[i][2] == '\0')
            words_only = true;
        else if (option && strcmp(argv[i], "--json") == 0)
            out->json = true;
        else if (option && strcmp(argv[i], "--state") == 0 && i + 1 < argc)
            out->state = argv[++i];
        else if (option && strncmp(argv[i], "--state=", 8) == 0)
            out->state = argv[i] + 8;
        else if (option)
            return tautctl_usage(command, "%s: no such option, or its value is missing", argv[i]) == TAUTCTL_OK;
        else if (out->count == most)
            return tautctl_usage(command, "%s: one word too many", argv[i]) == TAUTCTL_OK;
        else
            out->words[out->count++] = argv[i];
    }
    return true;
}

/* Text of a file that people wrote into: nothing in it may steer the terminal. */
static void print_clean(const char *text)
{
    for (const unsigned char *s = (const unsigned char *)text; *s; s++)
        putchar(*s < 0x20 || *s == 0x7F ? '?' : *s);
}

static char *read_file(const char *folder, const char *name)
{
    char path[PATH_MAX];
    struct stat info;
    snprintf(path, sizeof path, "%.3900s/%.100s", folder, name);
    FILE *file = fopen(path, "r");
    if (!file)
        return NULL;
    char *text = NULL;
    if (fstat(fileno(file), &info) == 0 && S_ISREG(info.st_mode) && (text = malloc((size_t)info.st_size + 1)))
        text[fread(text, 1, (size_t)info.st_size, file)] = '\0';
    fclose(file);
    return text;
}

/* record.json, or the journal's first line while there is no record; NULL when neither can be understood. */
static cJSON *read_record(const char *folder)
{
    char *text = read_file(folder, TAUTD_RECORD);
    if (!text)
        text = read_file(folder, TAUTD_JOURNAL);
    cJSON *record = text ? cJSON_Parse(text) : NULL;
    free(text);
    return record;
}

static const char *word(const cJSON *object, const char *name, const char *missing)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
    return cJSON_IsString(item) ? item->valuestring : missing;
}

static double number(const cJSON *object, const char *name)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, name);
    return cJSON_IsNumber(item) ? item->valuedouble : (double)NAN;
}

/* Words between columns 3 and 80. */
static void print_wrapped(const char *text)
{
    int column = 0;
    while (*text) {
        int n = (int)strcspn(text, " ");
        if (column > 0 && column + 1 + n > 77) {
            putchar('\n');
            column = 0;
        }
        column += printf("%s%.*s", column == 0 ? "  " : " ", n, text) - (column == 0 ? 2 : 0);
        text += n + (text[n] == ' ');
    }
    putchar('\n');
}

/* ---- parts ---- */

struct entry {
    char folder[PATH_MAX];
    char started[TAUT_TIME_TEXT_MAX];
    cJSON *record;
};

struct entries {
    struct entry *at;
    int count, room;
};

static int by_start(const void *a, const void *b)
{
    int order = strcmp(((const struct entry *)a)->started, ((const struct entry *)b)->started);
    return order ? order : strcmp(((const struct entry *)a)->folder, ((const struct entry *)b)->folder);
}

static void add_entry(struct entries *entries, const char *folder)
{
    if (entries->count == entries->room) {
        int room = entries->room ? 2 * entries->room : 64;
        struct entry *more = realloc(entries->at, (size_t)room * sizeof *more);
        if (!more)
            exit(tautctl_say(TAUTCTL_TROUBLE, "no memory"));
        entries->at = more;
        entries->room = room;
    }
    struct entry *entry = &entries->at[entries->count++];
    snprintf(entry->folder, sizeof entry->folder, "%s", folder);
    entry->record = read_record(folder);
    snprintf(entry->started, sizeof entry->started, "%s", word(entry->record, "started_utc", "?"));
}

/* Call `each` for every folder in `path` whose name does not begin with a dot. */
static bool each_folder(const char *path, void (*each)(struct entries *entries, const char *path), struct entries *entries)
{
    DIR *dir = opendir(path);
    const struct dirent *found;
    if (!dir)
        return false;
    while ((found = readdir(dir))) {
        char below[PATH_MAX];
        struct stat info;
        if (found->d_name[0] == '.' || (size_t)snprintf(below, sizeof below, "%s/%s", path, found->d_name) >= sizeof below)
            continue;
        if (lstat(below, &info) == 0 && S_ISDIR(info.st_mode))
            each(entries, below);
    }
    closedir(dir);
    return true;
}

static void each_part(struct entries *entries, const char *path)
{
    each_folder(path, add_entry, entries);
}

static void print_entry(const struct entry *entry, bool json)
{
    const cJSON *r = entry->record;
    if (json) {
        cJSON *line = cJSON_CreateObject();
        cJSON_AddStringToObject(line, "folder", entry->folder);
        static const char *const names[] = {"part", "station", "started_utc", "ended_utc", "result", "verdict"};
        cJSON_AddNumberToObject(line, "run", number(r, "run"));
        for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
            if (word(r, names[i], NULL))
                cJSON_AddStringToObject(line, names[i], word(r, names[i], NULL));
        char *text = cJSON_PrintUnformatted(line);
        if (text)
            puts(text);
        cJSON_free(text);
        cJSON_Delete(line);
        return;
    }
    if (!r) {
        printf("%-16s %s\n", "unreadable", entry->folder);
        return;
    }
    const char *result = word(r, "result", "open"), *verdict = word(r, "verdict", "none");
    printf("%.16s  %-9s %-13s %3.0f  ", entry->started, result, verdict, number(r, "run"));
    print_clean(word(r, "part", "?"));
    putchar('\n');
}

int tautctl_cmd_parts(int argc, char **argv)
{
    struct options options;
    struct entries entries = {0};
    char path[PATH_MAX];
    if (tautctl_help(argc, argv, parts_help))
        return TAUTCTL_OK;
    if (!read_options("parts", argc, argv, 0, &options))
        return TAUTCTL_USAGE;
    snprintf(path, sizeof path, "%.4000s/parts", options.state);
    if (!each_folder(path, each_part, &entries))
        return tautctl_say(TAUTCTL_NO_INPUT, "%s can not be read: %s", path, strerror(errno));
    if (entries.count > 1)
        qsort(entries.at, (size_t)entries.count, sizeof *entries.at, by_start);
    if (!options.json && entries.count > 0)
        printf("%-16s  %-9s %-13s %3s  %s\n", "STARTED (UTC)", "RESULT", "VERDICT", "RUN", "PART");
    for (int i = 0; i < entries.count; i++) {
        print_entry(&entries.at[i], options.json);
        cJSON_Delete(entries.at[i].record);
    }
    if (!options.json && entries.count == 0)
        printf("no parts in %s yet\n", path);
    free(entries.at);
    return TAUTCTL_OK;
}

/* ---- show ---- */

static void print_value(const cJSON *display, const char *name, int decimals)
{
    double value = number(display, name);
    if (isfinite(value))
        printf("%.*f", decimals, value);
    else
        fputs("unknown", stdout);
}

static void show_test(const cJSON *test)
{
    const cJSON *display = cJSON_GetObjectItemCaseSensitive(test, "display");
    printf("\nDrop test %.0f, ended %s: %s\n  ", number(test, "number"), word(test, "ended_utc", "?"),
           word(test, "verdict", "?"));
    print_clean(word(test, "because", ""));
    printf("\n  leak rate ");
    print_value(display, "rate_mbar_per_min", 4);
    printf(" mbar/min, between ");
    print_value(display, "rate_low_mbar_per_min", 4);
    printf(" and ");
    print_value(display, "rate_high_mbar_per_min", 4);
    printf(" mbar/min\n");
    if (isfinite(number(display, "rise_mbar")))
        printf("  rise %.3f mbar, between %.3f and %.3f\n", number(display, "rise_mbar"), number(display, "rise_low_mbar"),
               number(display, "rise_high_mbar"));
    printf("  from ");
    print_value(display, "start_mbar", 3);
    printf(" to ");
    print_value(display, "end_mbar", 3);
    printf(" mbar, judged over ");
    print_value(display, "span_s", 0);
    printf(" s after settling for ");
    print_value(display, "settle_s", 0);
    printf(" s\n");
    if (isfinite(number(display, "leak_mbar_l_per_s")))
        printf("  leak %.6f mbar.L/s = %.3g Pa.m3/s (the volume taken as constant)\n", number(display, "leak_mbar_l_per_s"),
               number(display, "leak_pa_m3_per_s"));
}

static void show_phase(const cJSON *phase)
{
    printf("  %-10s %9.0f s", word(phase, "phase", "?"), number(phase, "seconds"));
    if (isfinite(number(phase, "lowest_mbar")))
        printf("   %9.3f to %9.3f mbar", number(phase, "lowest_mbar"), number(phase, "highest_mbar"));
    if (number(phase, "readings_not_good") > 0)
        printf("   %.0f readings not good", number(phase, "readings_not_good"));
    putchar('\n');
}

static void show_alarm(const cJSON *alarm)
{
    printf("  %-13s %.0f times, last %s, now %s\n    %s: ", word(alarm, "alarm", "?"), number(alarm, "times"),
           word(alarm, "last_raised_utc", "?"), word(alarm, "state_at_end", "?"), word(alarm, "cause", "?"));
    print_clean(word(alarm, "evidence", ""));
    putchar('\n');
}

static void show_list(const cJSON *record, const char *name, const char *title, void (*show)(const cJSON *item))
{
    const cJSON *list = cJSON_GetObjectItemCaseSensitive(record, name), *item;
    if (cJSON_GetArraySize(list) == 0)
        return;
    if (title)
        printf("\n%s\n", title);
    cJSON_ArrayForEach(item, list) show(item);
}

/* Notes, overrides, aborts: the words people left in the journal. */
static void show_words(const char *folder)
{
    char *journal = read_file(folder, TAUTD_JOURNAL);
    bool any = false;
    for (char *line = journal, *end; line && (end = strchr(line, '\n')); line = end + 1) {
        *end = '\0';
        if (!strstr(line, "\"kind\":\"command\"") || !strstr(line, "\"text\":") || !strstr(line, "\"status\":\"TAUT_OK\""))
            continue;
        cJSON *json = cJSON_Parse(line);
        if (!any)
            puts("\nNotes and reasons");
        any = true;
        printf("  %s  %s (%s): ", word(json, "time_utc", "?"), word(json, "verb", "?"), word(json, "who", "?"));
        print_clean(word(json, "text", ""));
        putchar('\n');
        cJSON_Delete(json);
    }
    free(journal);
}

static int show(const char *folder, bool json)
{
    if (json) {
        char *text = read_file(folder, TAUTD_RECORD);
        if (!text)
            return tautctl_say(TAUTCTL_NO_INPUT, "%s/" TAUTD_RECORD " can not be read", folder);
        fputs(text, stdout);
        free(text);
        return TAUTCTL_OK;
    }
    cJSON *r = read_record(folder);
    if (!r)
        return tautctl_say(access(folder, R_OK) == 0 ? TAUTCTL_BAD_INPUT : TAUTCTL_NO_INPUT,
                           "%s holds no record and no journal that can be read", folder);
    printf("Part ");
    print_clean(word(r, "part", "?"));
    printf(", run %.0f, station %s, by %s\n", number(r, "run"),
           word(r, "station", word(cJSON_GetObjectItemCaseSensitive(r, "station"), "name", "?")), word(r, "who", "?"));
    printf("Started %s, ended %s, %s\n", word(r, "started_utc", "?"), word(r, "ended_utc", "not yet"), word(r, "result", "open"));
    printf("Recipe %s. Verdict: %s\n", word(cJSON_GetObjectItemCaseSensitive(r, "recipe"), "name", "?"),
           word(r, "verdict", "none"));
    if (word(r, "rule", NULL)) {
        puts("Rule:");
        print_wrapped(word(r, "rule", ""));
    }
    if (word(r, "filled_without_passed_test", NULL)) {
        printf("FILLED WITHOUT A PASSED TEST: ");
        print_clean(word(r, "filled_without_passed_test", ""));
        putchar('\n');
    }
    show_list(r, "tests", NULL, show_test);
    show_list(r, "phases", "Phases", show_phase);
    show_list(r, "alarms", "Alarms", show_alarm);
    show_words(folder);
    printf("\nFolder %s\n", folder);
    cJSON_Delete(r);
    return TAUTCTL_OK;
}

/* The folder of a part's run, or of its last run. */
static bool find_run(const char *state, const char *part, const char *run, char out[PATH_MAX], struct taut_diag *diag)
{
    char name[TAUT_FOLDER_NAME_MAX];
    if (taut_part_folder(part, name, diag))
        return false;
    int last = run ? (int)strtol(run, NULL, 10) : 0;
    snprintf(out, PATH_MAX, "%.3800s/parts/%s", state, name);
    if (!run) {
        int dir = tautd_disk_folder(&tautd_file_ops_real, AT_FDCWD, out, false);
        last = dir < 0 ? -1 : tautd_disk_last_run(dir);
        if (dir >= 0)
            close(dir);
    }
    if (last <= 0) {
        tautd_disk_refuse(diag, out, run ? "RUN is a number such as 1" : "no run of this part");
        return false;
    }
    size_t used = strlen(out);
    snprintf(out + used, PATH_MAX - used, "/%03d", last);
    return true;
}

int tautctl_cmd_show(int argc, char **argv)
{
    struct options options;
    char folder[PATH_MAX];
    struct taut_diag diag = {0};
    if (tautctl_help(argc, argv, show_help))
        return TAUTCTL_OK;
    if (!read_options("show", argc, argv, 2, &options))
        return TAUTCTL_USAGE;
    if (options.count == 0)
        return tautctl_usage("show", "which part?");
    snprintf(folder, sizeof folder, "%s/" TAUTD_JOURNAL, options.words[0]);
    if (options.count == 1 && access(folder, F_OK) == 0)
        return show(options.words[0], options.json);
    if (!find_run(options.state, options.words[0], options.words[1], folder, &diag)) {
        char line[512];
        return tautctl_say(TAUTCTL_NO_INPUT, "%s", taut_diag_print(&diag, line, sizeof line));
    }
    return show(folder, options.json);
}
