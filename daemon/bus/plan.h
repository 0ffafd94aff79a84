/** @file plan.h  Which registers are read together: channels of one unit, table and period become blocks.  Pure. */
#ifndef TAUTD_BUS_PLAN_H
#define TAUTD_BUS_PLAN_H

#include "bus/frame.h"
#include "config/config.h"

/** Registers read with one request, and the channels they carry. */
struct tautd_block {
    struct tautd_ask ask;
    int64_t period_ns;
    double timeout_s;
    int first, channels; /* a run in the plan's list of channels */
    bool loose;          /* holds registers that no channel asked for */
    /* schedule, kept by the worker */
    int unit;         /* index into its units */
    int64_t due_ns;   /* daemon time */
    int64_t phase_ns; /* due times are phase + n * period */
};

/** A plan over caller's storage, both arrays as long as there are channels. */
struct tautd_plan {
    struct tautd_block *block;
    int blocks;
    int *channel; /* indices into config->channel, block by block */
    int channels;
};

/** Join the channels of line `line`, unit `unit` (-1 for all its units).  Pure.
 *  Neighbours are joined over at most `gap` registers that no channel wants, up to 125 registers a request. Two
 *  blocks of one unit and table get different lengths where the gap allows it, so that a stale answer to one
 *  can not pass for an answer to the other.
 *  @param plan  storage in; blocks in order of unit, table, period, register out */
void tautd_plan_make(const struct tautd_config *config, int line, int unit, int gap, struct tautd_plan *plan);

/** Replace block `index` by blocks without a register too many: for a unit that refuses to be asked for registers
 *  it does not have.  Pure.  @return how many blocks there are in its place; they follow one another at its end */
int tautd_plan_split(const struct tautd_config *config, struct tautd_plan *plan, int index);

#endif
