/** @file order.h  A command as it comes in: JSON to struct taut_command.  Pure apart from cJSON's heap. */
#ifndef TAUTD_WEB_ORDER_H
#define TAUTD_WEB_ORDER_H

#include "taut/station.h"
#include "web/api.h"

struct tautd_order {
    struct taut_command command;
    char part[TAUT_PART_ID_MAX];
    char recipe[TAUT_NAME_MAX];
};

/** Read {"verb": ..., "part": ..., "recipe": ..., "text": ..., "alarm": ..., "number": ..., "who": ...}.
 *  Unknown, doubled and needless keys are refused: a typing mistake must not become another command.
 *  The giver's name becomes "anna (account)", or the account alone when none is given.
 *  @param out   untouched on failure
 *  @return      TAUT_OK; TAUT_E_FORMAT not JSON; TAUT_E_ARG, TAUT_E_RANGE, TAUT_E_NOENT a wrong value; *diag says which */
TAUT_NODISCARD enum taut_status tautd_order_parse(const char *body, size_t size, const struct tautd_api_peer *peer,
                                                  struct tautd_order *out, struct taut_diag *diag);

#endif
