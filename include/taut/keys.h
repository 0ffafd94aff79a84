/** @file keys.h  One table of keys drives parsing, checking, printing, the commented example and the manual. */
#ifndef TAUT_KEYS_H
#define TAUT_KEYS_H

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

enum taut_key_kind {
    TAUT_KEY_NUMBER, /* double; SI in the struct, `unit` in the file (value = file * to_si) */
    TAUT_KEY_WHOLE,  /* int */
    TAUT_KEY_TEXT,   /* char[size] */
    TAUT_KEY_CHOICE, /* int; the index of the word in `choices` */
    TAUT_KEY_FLAG,   /* bool; yes or no */
    TAUT_KEY_NAME,   /* char[size]; a name of this entry: letters, digits, . _ - */
    TAUT_KEY_REFER,  /* char[size]; the name of an entry of section `choices` */
    TAUT_KEY_PAIR,   /* double[2]; [low, high] */
    TAUT_KEY_BLOCK   /* a nested mapping, handled by the section itself */
};

struct taut_key {
    const char *name;
    enum taut_key_kind kind;
    const char *unit;     /* unit in the file; "" for none */
    double to_si;         /* 1 for none */
    double least, most;   /* in the file's unit; both 0 = no bound */
    const char *fallback; /* default as written in a file; NULL = required; "" = not set (NaN, "", 0) */
    const char *choices;  /* CHOICE: words separated by '|'; REFER: section name */
    const char *help;     /* one line, plain words, no full stop */
    size_t offset, size;  /* where in the struct */
};

#ifdef __cplusplus
}
#endif
#endif
