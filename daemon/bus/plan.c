#include "bus/plan.h"

#include <math.h>
#include <string.h>

static int registers_of(const struct tautd_channel_config *c)
{
    return taut_decode_register_count((enum taut_reg_type)c->type);
}

static int64_t period_of(const struct tautd_channel_config *c)
{
    int64_t ns = llround(c->period_s * 1e9);
    return ns < 1000 ? 1000 : ns;
}

static double timeout_of(const struct tautd_config *config, const struct tautd_channel_config *c)
{
    return c->timeout_s > 0 ? c->timeout_s : config->line[c->line_index].timeout_s;
}

/* Order that brings together what may share a request. */
static int compare(const struct tautd_config *config, const struct tautd_channel_config *a, const struct tautd_channel_config *b)
{
    double ta = timeout_of(config, a), tb = timeout_of(config, b);
    if (a->unit != b->unit)
        return a->unit < b->unit ? -1 : 1;
    if (a->table != b->table)
        return a->table < b->table ? -1 : 1;
    if (period_of(a) != period_of(b))
        return period_of(a) < period_of(b) ? -1 : 1;
    if (ta < tb || ta > tb)
        return ta < tb ? -1 : 1;
    return a->reg < b->reg ? -1 : a->reg > b->reg;
}

static bool same_request(const struct tautd_config *config, const struct tautd_channel_config *a,
                         const struct tautd_channel_config *b)
{
    struct tautd_channel_config at = *b;
    at.reg = a->reg;
    return compare(config, a, &at) == 0;
}

static void sort(const struct tautd_config *config, int *list, int n)
{
    for (int i = 1; i < n; i++) {
        int moved = list[i], j = i;
        for (; j > 0 && compare(config, &config->channel[moved], &config->channel[list[j - 1]]) < 0; j--)
            list[j] = list[j - 1];
        list[j] = moved;
    }
}

/* Join list[first..last) into blocks appended at block[0..]; returns how many. */
static int join(const struct tautd_config *config, const int *list, int first, int last, int gap, struct tautd_block *block)
{
    int n = 0;
    struct tautd_block *b = NULL;
    for (int i = first; i < last; i++) {
        const struct tautd_channel_config *c = &config->channel[list[i]];
        int end = b ? b->ask.address + b->ask.value : 0;
        int need = c->reg + registers_of(c);
        if (b && same_request(config, &config->channel[list[b->first]], c) && c->reg <= end + gap &&
            need - b->ask.address <= TAUTD_FRAME_REGISTERS_MAX) {
            if (c->reg > end)
                b->loose = true;
            if (need > end)
                b->ask.value = (uint16_t)(need - b->ask.address);
            b->channels++;
            continue;
        }
        b = &block[n++];
        *b = (struct tautd_block){
            .ask = {.unit = (uint8_t)c->unit,
                    .function = c->table == TAUTD_TABLE_HOLDING ? TAUTD_READ_HOLDING : TAUTD_READ_INPUT,
                    .address = (uint16_t)c->reg,
                    .value = (uint16_t)registers_of(c)},
            .period_ns = period_of(c),
            .timeout_s = timeout_of(config, c),
            .first = i,
            .channels = 1,
        };
    }
    return n;
}

static bool length_taken(const struct tautd_plan *plan, int index, int length)
{
    const struct tautd_ask *ask = &plan->block[index].ask;
    for (int i = 0; i < index; i++) {
        const struct tautd_ask *other = &plan->block[i].ask;
        if (other->unit == ask->unit && other->function == ask->function && other->value == length)
            return true;
    }
    return false;
}

/* Lengthen a block by registers nobody asked for until no earlier block of this unit and table is as long. */
static void tell_apart(struct tautd_plan *plan, int index, int gap)
{
    struct tautd_block *b = &plan->block[index];
    for (int pad = 0; pad <= gap; pad++) {
        int length = b->ask.value + pad;
        if (length > TAUTD_FRAME_REGISTERS_MAX || b->ask.address + length > 65536)
            return;
        if (!length_taken(plan, index, length)) {
            b->ask.value = (uint16_t)length;
            b->loose = b->loose || pad > 0;
            return;
        }
    }
}

void tautd_plan_make(const struct tautd_config *config, int line, int unit, int gap, struct tautd_plan *plan)
{
    plan->channels = 0;
    for (int i = 0; i < config->channels; i++) {
        const struct tautd_channel_config *c = &config->channel[i];
        if (c->line_index == line && (unit < 0 || c->unit == unit))
            plan->channel[plan->channels++] = i;
    }
    sort(config, plan->channel, plan->channels);
    plan->blocks = join(config, plan->channel, 0, plan->channels, gap, plan->block);
    for (int i = 0; i < plan->blocks; i++)
        tell_apart(plan, i, gap);
}

int tautd_plan_split(const struct tautd_config *config, struct tautd_plan *plan, int index)
{
    struct tautd_block old = plan->block[index];
    /* The list of blocks is as long as that of channels and every block has a channel of its own: there is room. */
    struct tautd_block *end = &plan->block[plan->blocks];
    int n = 0;
    for (int i = old.first; i < old.first + old.channels;) {
        int next = i + 1, stop = config->channel[plan->channel[i]].reg + registers_of(&config->channel[plan->channel[i]]);
        while (next < old.first + old.channels && config->channel[plan->channel[next]].reg <= stop) {
            int need = config->channel[plan->channel[next]].reg + registers_of(&config->channel[plan->channel[next]]);
            stop = need > stop ? need : stop;
            next++;
        }
        struct tautd_block *b = n == 0 ? &plan->block[index] : end++;
        join(config, plan->channel, i, next, 0, b);
        b->unit = old.unit;
        b->due_ns = old.due_ns;
        b->phase_ns = old.phase_ns;
        i = next;
        n++;
    }
    plan->blocks += n - 1;
    return n;
}
