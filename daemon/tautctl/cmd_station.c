/* Commands that go to one station. One table says what each takes; the daemon decides whether it makes sense now. */
#include <cjson/cJSON.h>
#include <getopt.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "taut/text.h"
#include "tautctl/client.h"
#include "tautctl/paper.h"
#include "tautctl/tautctl.h"

/* What follows STATION on the command line. */
enum words { NONE, PART, TEXT, ALARM_OR_ALL, ALARM, ALARM_AND_MINUTES };

struct order {
    const char *name, *verb;
    enum words words;
    const char *option; /* an option of its own, or NULL */
    const char *key;    /* and where its value goes */
    const char *help;
};

#define WHO_HELP "  --who NAME         who gives the command; else your account's name\n"
#define ALARMS                                                                                                                   \
    "\nAlarms: vacuum-loss, vacuum-limit, sensor, communication, supply, valve, not-holding,\n"                                  \
    "record.\n"

static const struct order orders[] = {
    {"start",    "start",       PART,              "recipe",   "recipe",
     "Usage: tautctl start STATION PART [--recipe NAME] [--who NAME]\n\n"
     "Begins a part: its folder is opened and drawdown is followed. PART is the part's id as\n"
     "written on it; put -- before an id that begins with a dash.\n\n"
     "  --recipe NAME      limits and times; else the station's default recipe\n" WHO_HELP                     },
    {"isolate",  "isolate",     NONE,              NULL,       NULL,
     "Usage: tautctl isolate STATION [--who NAME]\n\n"
     "Shuts the bag off from the pump and begins the drop test. With a hand valve: close it\n"
     "first, then say so by this command. A bag that is still pumped is never passed.\n\n" WHO_HELP            },
    {"test",     "test",        NONE,              NULL,       NULL,
     "Usage: tautctl test STATION [--who NAME]\n\n"
     "Runs the drop test again, after leak hunting or before filling. With a hand valve: close\n"
     "it first.\n\n" WHO_HELP                                                                                  },
    {"fill",     "fill",        NONE,              "override", "text",
     "Usage: tautctl fill STATION [--override REASON] [--who NAME]\n\n"
     "Begins to fill with resin and to watch for a leak. Needs a passed drop test.\n\n"
     "  --override REASON  fill without one; the reason goes into the record\n" WHO_HELP                       },
    {"clamp",    "clamp",       NONE,              NULL,       NULL,
     "Usage: tautctl clamp STATION [--who NAME]\n\n"
     "Says that the lines are clamped off.\n\n" WHO_HELP                                                       },
    {"cure",     "cure",        NONE,              NULL,       NULL,
     "Usage: tautctl cure STATION [--who NAME]\n\n"
     "Begins the watch over the cure.\n\n" WHO_HELP                                                            },
    {"finish",   "finish",      NONE,              NULL,       NULL,
     "Usage: tautctl finish STATION [--who NAME]\n\n"
     "Ends the part; its record is closed and sealed.\n\n" WHO_HELP                                            },
    {"abort",    "abort",       TEXT,              NULL,       NULL,
     "Usage: tautctl abort STATION REASON... [--who NAME]\n\n"
     "Gives the part up. The record is kept, with the reason.\n\n" WHO_HELP                                    },
    {"note",     "note",        TEXT,              NULL,       NULL,
     "Usage: tautctl note STATION TEXT... [--who NAME]\n\n"
     "Writes a note into the part's record.\n\n" WHO_HELP                                                      },
    {"ack",      "acknowledge", ALARM_OR_ALL,      NULL,       NULL,
     "Usage: tautctl ack STATION [ALARM] [--who NAME]\n\n"
     "Acknowledges an alarm, or all of the station that call. It goes when its cause goes.\n\n" WHO_HELP ALARMS},
    {"reset",    "reset",       ALARM,             NULL,       NULL,
     "Usage: tautctl reset STATION ALARM [--who NAME]\n\n"
     "Resets a latched alarm whose cause is gone.\n\n" WHO_HELP ALARMS                                         },
    {"shelve",   "shelve",      ALARM_AND_MINUTES, NULL,       NULL,
     "Usage: tautctl shelve STATION ALARM MINUTES [--who NAME]\n\n"
     "Silences an alarm for so long. It stays visible as shelved, and it is recorded.\n\n" WHO_HELP ALARMS     },
    {"unshelve", "unshelve",    ALARM,             NULL,       NULL,
     "Usage: tautctl unshelve STATION ALARM [--who NAME]\n\n"
     "Ends the silence of an alarm.\n\n" WHO_HELP ALARMS                                                       },
};

static const struct order *find_order(const char *name)
{
    for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++)
        if (strcmp(orders[i].name, name) == 0)
            return &orders[i];
    abort(); /* main.c calls only what stands in the table */
}

/* Several words on the command line make one text. */
static int add_text(cJSON *body, const char *command, char **word, int count)
{
    char storage[2048];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    for (int i = 0; i < count; i++) {
        taut_text_add(&text, i ? " " : "");
        taut_text_add(&text, word[i]);
    }
    if (text.full)
        return tautctl_usage(command, "the text is too long");
    cJSON_AddStringToObject(body, "text", storage);
    return TAUTCTL_OK;
}

static int add_minutes(cJSON *body, const char *command, const char *word)
{
    char *end;
    double minutes = strtod(word, &end);
    if (end == word || *end || !isfinite(minutes) || minutes <= 0)
        return tautctl_usage(command, "%s: minutes are a number above 0", word);
    cJSON_AddNumberToObject(body, "number", minutes * 60);
    return TAUTCTL_OK;
}

static int add_words(cJSON *body, const struct order *order, char **word, int count)
{
    static const struct {
        int least, most;
        const char *wanted;
    } counts[] = {
        [NONE] = {0, 0,    "STATION alone"                },
          [PART] = {1, 1,    "STATION and PART"             },
        [TEXT] = {1, 1000, "STATION and words"            },
          [ALARM_OR_ALL] = {0, 1,    "STATION and at most one ALARM"},
        [ALARM] = {1, 1,    "STATION and ALARM"            },
          [ALARM_AND_MINUTES] = {2, 2,    "STATION, ALARM and MINUTES"   },
    };
    if (count < counts[order->words].least || count > counts[order->words].most)
        return tautctl_usage(order->name, "wants %s", counts[order->words].wanted);
    switch (order->words) {
    case PART:
        cJSON_AddStringToObject(body, "part", word[0]);
        break;
    case TEXT:
        return add_text(body, order->name, word, count);
    case ALARM_OR_ALL:
    case ALARM:
    case ALARM_AND_MINUTES:
        if (count > 0)
            cJSON_AddStringToObject(body, "alarm", word[0]);
        if (count > 1)
            return add_minutes(body, order->name, word[1]);
        break;
    case NONE:
        break;
    }
    return TAUTCTL_OK;
}

static int send_order(const struct order *order, const char *station, const cJSON *body)
{
    char path[600], line[PAPER_TEXT_MAX];
    cJSON *answer = NULL;
    if (!tautctl_station_path(station, "commands", path, sizeof path))
        return tautctl_usage(order->name, "%s: no station can have such a name", station);
    int code = tautctl_post(path, body, &answer);
    if (code != TAUTCTL_OK)
        return code;
    const char *part = tautctl_text(answer, "part");
    snprintf(line, sizeof line, "%s: %s%s%s. %s", tautctl_text(answer, "name"), tautctl_text(answer, "phase"),
             part[0] ? ", " : "", part, tautctl_text(answer, "advice"));
    tautctl_wrap(stdout, 0, line);
    cJSON_Delete(answer);
    return TAUTCTL_OK;
}

static int take_options(const struct order *order, int argc, char **argv, cJSON *body)
{
    const struct option options[] = {
        {"who", required_argument, NULL, 'w'},
        {order->option, required_argument, NULL, 'o'}, /* ends the list when it has none */
        {0    },
    };
    opterr = 0;
    for (int option; (option = getopt_long(argc, argv, "", options, NULL)) != -1;) {
        if (option == 'w')
            cJSON_AddStringToObject(body, "who", optarg);
        else if (option == 'o')
            cJSON_AddStringToObject(body, order->key, optarg);
        else
            return tautctl_usage(order->name, "%s: no such option, or its value is missing", argv[optind - 1]);
    }
    if (optind >= argc)
        return tautctl_usage(order->name, "which station?");
    return add_words(body, order, argv + optind + 1, argc - optind - 1);
}

static int run(int argc, char **argv)
{
    const struct order *order = find_order(argv[0]);
    if (tautctl_help(argc, argv, order->help))
        return TAUTCTL_OK;
    tautctl_init();
    cJSON *body = cJSON_CreateObject();
    if (!body)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    cJSON_AddStringToObject(body, "verb", order->verb);
    int code = take_options(order, argc, argv, body);
    if (code == TAUTCTL_OK)
        code = send_order(order, argv[optind], body);
    cJSON_Delete(body);
    return code;
}

#define COMMAND(name)                                                                                                            \
    int tautctl_cmd_##name(int argc, char **argv)                                                                                \
    {                                                                                                                            \
        return run(argc, argv);                                                                                                  \
    }

COMMAND(start)
COMMAND(isolate)
COMMAND(test)
COMMAND(fill)
COMMAND(clamp)
COMMAND(cure)
COMMAND(finish)
COMMAND(abort)
COMMAND(note)
COMMAND(ack)
COMMAND(reset)
COMMAND(shelve)
COMMAND(unshelve)
