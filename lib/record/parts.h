/** @file parts.h  Pieces that the journal and the record share, so that both say the same in the same words. */
#ifndef TAUT_RECORD_PARTS_H
#define TAUT_RECORD_PARTS_H

#include "json.h"
#include "taut/keys.h"
#include "taut/station.h"

/** The recipe as an object of its file keys, in the file's units. A number is the shortest decimal that reads back
 *  (times the key's factor) to the very bits in force, so it is what the person wrote; a value that no decimal
 *  gives back is written as {"si": value}. What is not set is null. */
void taut_print_recipe(struct taut_json *json, const char *key, const struct taut_recipe *recipe);

/** One drop test: verdict, reason, every number in SI to the bit, and a rounded copy in the trade's units. */
void taut_print_test(struct taut_json *json, const char *key, int number, const struct taut_test_record *test);

/** Word of enum taut_reference: "absolute", "gauge", "vacuum". */
const char *taut_print_reference(int reference);

#endif
