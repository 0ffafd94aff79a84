/** @file taut.h  Everything of libtaut: the measuring science, without clock, I/O, heap or globals. */
#ifndef TAUT_TAUT_H
#define TAUT_TAUT_H

#define TAUT_VERSION "0.1.0"

#include "taut/alarm.h"
#include "taut/decode.h"
#include "taut/diag.h"
#include "taut/drawdown.h"
#include "taut/droptest.h"
#include "taut/fill.h"
#include "taut/gas.h"
#include "taut/keys.h"
#include "taut/leak.h"
#include "taut/limits.h"
#include "taut/recipe.h"
#include "taut/record.h"
#include "taut/sample.h"
#include "taut/station.h"
#include "taut/status.h"
#include "taut/text.h"
#include "taut/time.h"
#include "taut/units.h"
#include "taut/volume.h"
#include "taut/watch.h"

#endif
