#include "taut/bag.h"

#include <assert.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

#include "taut/gas.h"
#include "taut/units.h"

enum { SUBSTEPS_MAX = 1000 };
static const double substep_share = 0.25;  /* of the fastest time constant */
static const double least_gas_frac = 0.02; /* of a lump's volume stays gas however far the resin has come */
static const double front_most = 0.98;
static const double least_wet_k = 273.16; /* below it ice, which the model does not know */
static const double feed_relax_s = 60;    /* a shut feed comes to the pressure of the front with this time constant */

static double total_pa(const struct taut_bag_gas *gas)
{
    return gas->air_pa + gas->water_pa;
}

double taut_bag_leak_share(enum taut_bag_leak_law law, double p_pa, double ambient_pa)
{
    double ratio = p_pa / ambient_pa;
    if (ratio >= 1)
        return 0;
    if (law == TAUT_BAG_LEAK_LAMINAR)
        return 1 - ratio * ratio;
    const double gamma = 1.4;
    const double critical = 0.52828178771717423; /* (2 / (gamma + 1)) ^ (gamma / (gamma - 1)) */
    if (ratio <= critical)
        return 1;
    const double choked = 0.68473145637727637; /* sqrt(gamma (2 / (gamma + 1)) ^ ((gamma + 1) / (gamma - 1))) */
    double psi = sqrt(2 * gamma / (gamma - 1) * (pow(ratio, 2 / gamma) - pow(ratio, (gamma + 1) / gamma)));
    return psi / choked;
}

enum taut_status taut_bench_init(struct taut_bench *bench, const struct taut_pump_spec *pump, double ambient_pa,
                                 double temperature_k)
{
    bool positive = pump->manifold_m3 > 0 && pump->speed_m3_per_s >= 0 && pump->ultimate_pa >= 0 &&
                    pump->backflow_m3_per_s >= 0 && ambient_pa > 0 && temperature_k > 0;
    if (!positive)
        return TAUT_E_ARG;
    memset(bench, 0, sizeof *bench);
    bench->pump = *pump;
    bench->pump_frac = 1;
    bench->ambient_pa = ambient_pa;
    bench->temperature_k = bench->manifold_k = temperature_k;
    bench->manifold.air_pa = ambient_pa;
    return TAUT_OK;
}

enum taut_status taut_bench_add(struct taut_bench *bench, const struct taut_bag_spec *spec, int *index)
{
    bool sound = spec->near_m3 > 0 && spec->far_m3 >= 0 && spec->link_m3_per_s >= 0 && spec->vent_m3_per_s >= 0 &&
                 spec->seat_m3_per_s >= 0 && spec->release_pa_m3 >= 0 && spec->release_s > 0 && spec->moisture_pa_m3 >= 0 &&
                 spec->moisture_m3_per_s >= 0;
    if (!sound)
        return TAUT_E_ARG;
    if (bench->bags >= TAUT_BENCH_BAGS_MAX)
        return TAUT_E_FULL;
    struct taut_bag *bag = &bench->bag[bench->bags];
    memset(bag, 0, sizeof *bag);
    bag->spec = *spec;
    bag->near_m3 = spec->near_m3;
    bag->far_m3 = spec->far_m3;
    bag->near.air_pa = bag->far.air_pa = bag->feed_pa = bench->ambient_pa;
    bag->temperature_k = bench->temperature_k;
    bag->warming_s = 600;
    bag->fill_s = 1200;
    bag->valve_open = true;
    bag->vent_frac = 1;
    bag->release_left_pa_m3 = spec->release_pa_m3;
    bag->moisture_left_pa_m3 = spec->moisture_pa_m3;
    if (index)
        *index = bench->bags;
    bench->bags++;
    return TAUT_OK;
}

void taut_bag_valve(struct taut_bag *bag, bool open)
{
    if (!bag->valve_stuck)
        bag->valve_open = open;
}

double taut_bag_leak_for_rate(const struct taut_bag *bag, double rate_pa_per_s, double ambient_pa)
{
    return rate_pa_per_s * (bag->spec.near_m3 + bag->spec.far_m3) * TAUT_STANDARD_ATMOSPHERE_PA / ambient_pa;
}

/* Gas volumes before a front at front_frac: the far end is taken first. */
static void gas_volumes(const struct taut_bag *bag, double front_frac, double *near_m3, double *far_m3)
{
    const struct taut_bag_spec *spec = &bag->spec;
    double dry = (spec->near_m3 + spec->far_m3) * (1 - front_frac);
    *far_m3 = fmax(spec->far_m3 - (spec->near_m3 + spec->far_m3) * front_frac, least_gas_frac * spec->far_m3);
    *near_m3 = fmin(fmax(dry - *far_m3, least_gas_frac * spec->near_m3), spec->near_m3);
}

static void squeeze(struct taut_bag_gas *gas, double *volume_m3, double to_m3)
{
    if (*volume_m3 <= 0)
        return;
    double by = *volume_m3 / to_m3;
    gas->air_pa *= by;
    gas->water_pa *= by;
    *volume_m3 = to_m3;
}

static void move_front(struct taut_bag *bag, double front_frac)
{
    double near_m3, far_m3;
    bag->front_frac = fmin(fmax(front_frac, 0), front_most);
    gas_volumes(bag, bag->front_frac, &near_m3, &far_m3);
    squeeze(&bag->near, &bag->near_m3, near_m3);
    squeeze(&bag->far, &bag->far_m3, far_m3);
    if (bag->front_frac >= front_most)
        taut_bag_cover_vent(bag);
}

void taut_bag_cover_vent(struct taut_bag *bag)
{
    if (bag->resin_at_vent)
        return;
    bag->resin_at_vent = true;
    bag->held_pa = total_pa(&bag->near);
}

/* Pressure just before the front. */
static double front_pa(const struct taut_bag *bag)
{
    double far_share = bag->spec.far_m3 / (bag->spec.near_m3 + bag->spec.far_m3);
    return total_pa(bag->front_frac < far_share ? &bag->far : &bag->near);
}

void taut_bag_set_front(struct taut_bag *bag, double front_frac)
{
    move_front(bag, front_frac);
    if (!bag->feed_open)
        bag->feed_pa = front_pa(bag); /* at rest */
}

static void advance_front(const struct taut_bench *bench, struct taut_bag *bag, double h_s)
{
    if (bag->feed_open)
        bag->feed_pa = bench->ambient_pa;
    else if (bag->front_frac > 0)
        bag->feed_pa = front_pa(bag) + (bag->feed_pa - front_pa(bag)) * exp(-h_s / feed_relax_s);
    double drive = (bag->feed_pa - front_pa(bag)) / TAUT_STANDARD_ATMOSPHERE_PA;
    if (bag->front_frac >= front_most || drive <= 0 || (!bag->feed_open && bag->front_frac == 0))
        return;
    /* Darcy, one dimension: d(x^2)/dt = drive / fill time */
    move_front(bag, sqrt(bag->front_frac * bag->front_frac + h_s * drive / bag->fill_s));
}

static void add_gas(struct taut_bench *bench, const struct taut_bag *bag, double *partial_pa, double volume_m3, double pa_m3)
{
    *partial_pa += pa_m3 / volume_m3;
    bench->in_pa_m3_per_k += pa_m3 / bag->temperature_k;
}

static void leak(struct taut_bench *bench, const struct taut_bag *bag, struct taut_bag_gas *gas, double volume_m3,
                 double flow_pa_m3_per_s, double h_s)
{
    if (flow_pa_m3_per_s <= 0 || volume_m3 <= 0)
        return;
    double p = total_pa(gas), ambient = bench->ambient_pa;
    double full = flow_pa_m3_per_s * ambient / TAUT_STANDARD_ATMOSPHERE_PA;
    double pa_m3;
    if (bag->law == TAUT_BAG_LEAK_LAMINAR) {
        /* dp/dt = k (pa^2 - p^2) has the solution pa tanh(k pa t + artanh(p / pa)) */
        double t = tanh(full / (volume_m3 * ambient) * h_s), r = p / ambient;
        pa_m3 = (ambient * (r + t) / (1 + r * t) - p) * volume_m3;
    } else {
        double share = taut_bag_leak_share(bag->law, p, ambient);
        double half = p + 0.5 * h_s * full * share / volume_m3;
        if (half < ambient)
            share = taut_bag_leak_share(bag->law, half, ambient);
        pa_m3 = h_s * full * share;
        pa_m3 = fmin(pa_m3, fmax(ambient - p, 0) * volume_m3);
    }
    add_gas(bench, bag, &gas->air_pa, volume_m3, pa_m3);
}

/* Materials give off gas only once the pressure is off them. */
static void release(struct taut_bench *bench, struct taut_bag *bag, double h_s)
{
    if (bag->release_left_pa_m3 <= 0)
        return;
    double vacuum = fmax(1 - total_pa(&bag->near) / bench->ambient_pa, 0);
    double off = -bag->release_left_pa_m3 * expm1(-h_s * vacuum / bag->spec.release_s);
    bag->release_left_pa_m3 -= off;
    double near_share = bag->near_m3 / (bag->near_m3 + bag->far_m3);
    add_gas(bench, bag, &bag->near.air_pa, bag->near_m3, off * near_share);
    if (bag->far_m3 > 0)
        add_gas(bench, bag, &bag->far.air_pa, bag->far_m3, off * (1 - near_share));
}

static void evaporate_into(struct taut_bench *bench, struct taut_bag *bag, struct taut_bag_gas *gas, double volume_m3,
                           double share, double h_s)
{
    if (volume_m3 <= 0)
        return;
    double missing = taut_gas_water_vapour_pa(fmax(bag->temperature_k, least_wet_k)) - gas->water_pa;
    double pa_m3 = -missing * volume_m3 * expm1(-bag->spec.moisture_m3_per_s * share * h_s / volume_m3);
    pa_m3 = fmin(pa_m3, bag->moisture_left_pa_m3); /* negative: condenses */
    bag->moisture_left_pa_m3 -= pa_m3;
    add_gas(bench, bag, &gas->water_pa, volume_m3, pa_m3);
}

static void evaporate(struct taut_bench *bench, struct taut_bag *bag, double h_s)
{
    bool boils =
        bag->spec.moisture_m3_per_s > 0 && (bag->moisture_left_pa_m3 > 0 || bag->near.water_pa > 0 || bag->far.water_pa > 0);
    if (!boils)
        return;
    double near_share = bag->near_m3 / (bag->near_m3 + bag->far_m3);
    evaporate_into(bench, bag, &bag->near, bag->near_m3, near_share, h_s);
    evaporate_into(bench, bag, &bag->far, bag->far_m3, 1 - near_share, h_s);
}

/* Two lumps come together: the difference decays, the sum of the amounts stays. Capacities are V / T. */
static void exchange(struct taut_bag_gas *a, double a_m3_per_k, struct taut_bag_gas *b, double b_m3_per_k, double flow_m3_per_s,
                     double temperature_k, double h_s)
{
    double together = a_m3_per_k * b_m3_per_k / (a_m3_per_k + b_m3_per_k);
    double part = -expm1(-h_s * flow_m3_per_s / temperature_k / together);
    double air = (a->air_pa - b->air_pa) * together * part, water = (a->water_pa - b->water_pa) * together * part;
    a->air_pa -= air / a_m3_per_k;
    b->air_pa += air / b_m3_per_k;
    a->water_pa -= water / a_m3_per_k;
    b->water_pa += water / b_m3_per_k;
}

static double vent_flow_m3_per_s(const struct taut_bag *bag)
{
    double line = bag->spec.vent_m3_per_s * bag->vent_frac;
    return bag->valve_open ? line : fmin(bag->spec.seat_m3_per_s, line);
}

static void link_flow(struct taut_bag *bag, double h_s)
{
    if (bag->far_m3 <= 0 || bag->spec.link_m3_per_s <= 0)
        return;
    exchange(&bag->near, bag->near_m3 / bag->temperature_k, &bag->far, bag->far_m3 / bag->temperature_k, bag->spec.link_m3_per_s,
             bag->temperature_k, h_s);
}

static void vent_flow(struct taut_bench *bench, struct taut_bag *bag, double h_s)
{
    double vent = vent_flow_m3_per_s(bag);
    if (vent > 0)
        exchange(&bag->near, bag->near_m3 / bag->temperature_k, &bench->manifold, bench->pump.manifold_m3 / bench->manifold_k,
                 vent, bag->temperature_k, h_s);
}

static void leaks(struct taut_bench *bench, struct taut_bag *bag, double h_s)
{
    leak(bench, bag, &bag->near, bag->near_m3, bag->leak_near_pa_m3_per_s, h_s);
    leak(bench, bag, &bag->far, bag->far_m3, bag->leak_far_pa_m3_per_s, h_s);
}

/* All that happens to a bag in half a sub-step, and the same in reverse order: together they are symmetric, which
 * makes the error of the splitting of second order. */
static void first_half(struct taut_bench *bench, struct taut_bag *bag, double half_s)
{
    advance_front(bench, bag, half_s);
    evaporate(bench, bag, half_s);
    release(bench, bag, half_s);
    leaks(bench, bag, half_s);
    link_flow(bag, half_s);
    vent_flow(bench, bag, half_s);
}

static void second_half(struct taut_bench *bench, struct taut_bag *bag, double half_s)
{
    vent_flow(bench, bag, half_s);
    link_flow(bag, half_s);
    leaks(bench, bag, half_s);
    release(bench, bag, half_s);
    evaporate(bench, bag, half_s);
    advance_front(bench, bag, half_s);
}

/* Pump, backflow and manifold leak are linear in the manifold's pressure: dp/dt = source - rate p, exact. */
static void pump(struct taut_bench *bench, double h_s)
{
    double volume = bench->pump.manifold_m3, before = total_pa(&bench->manifold);
    double speed = bench->pump_runs ? bench->pump.speed_m3_per_s * bench->pump_frac : 0;
    double backflow = bench->pump_runs ? 0 : bench->pump.backflow_m3_per_s;
    double leak_in = bench->manifold_leak_pa_m3_per_s * taut_bag_leak_share(TAUT_BAG_LEAK_ORIFICE, before, bench->ambient_pa);
    double ultimate = bench->pump.ultimate_pa + bench->ultimate_extra_pa;
    double rate = (speed + backflow) / volume;
    double source = (speed * ultimate + backflow * bench->ambient_pa + leak_in) / volume;
    double part = rate > 0 ? -expm1(-rate * h_s) / rate : h_s; /* of 1/rate */
    struct taut_bag_gas *gas = &bench->manifold;
    gas->air_pa += part * (source - rate * gas->air_pa);
    gas->water_pa -= part * rate * gas->water_pa;
    double into = leak_in + backflow * bench->ambient_pa;
    double change = (total_pa(gas) - before) * volume;
    bench->in_pa_m3_per_k += h_s * into / bench->manifold_k;
    bench->out_pa_m3_per_k += (h_s * into - change) / bench->manifold_k;
}

static double fastest_rate_per_s(const struct taut_bench *bench)
{
    double speed = bench->pump_runs ? bench->pump.speed_m3_per_s : bench->pump.backflow_m3_per_s;
    double manifold = speed, fastest = 0;
    for (int i = 0; i < bench->bags; i++) {
        const struct taut_bag *bag = &bench->bag[i];
        double vent = vent_flow_m3_per_s(bag), link = bag->far_m3 > 0 ? bag->spec.link_m3_per_s : 0;
        manifold += vent;
        fastest = fmax(fastest, (vent + link) / bag->near_m3);
        if (link > 0)
            fastest = fmax(fastest, link / bag->far_m3);
        if (bag->feed_open)
            fastest = fmax(fastest, 1.0); /* the front moves as a root at first */
    }
    return fmax(fastest, manifold / bench->pump.manifold_m3);
}

static void warm(struct taut_bag_gas *gas, double by)
{
    gas->air_pa *= by;
    gas->water_pa *= by;
}

/* Gas follows the bag's temperature at constant amount and volume. */
static void follow_temperature(const struct taut_bench *bench, struct taut_bag *bag, double dt_s)
{
    double wanted = bench->temperature_k + bag->warmer_k;
    if (bag->temperature_k == wanted)
        return;
    double part = bag->warming_s > 0 ? -expm1(-dt_s / bag->warming_s) : 1;
    double now = bag->temperature_k + (wanted - bag->temperature_k) * part;
    if (fabs(now - wanted) < 1e-9)
        now = wanted;
    warm(&bag->near, now / bag->temperature_k);
    warm(&bag->far, now / bag->temperature_k);
    bag->temperature_k = now;
}

void taut_bench_step(struct taut_bench *bench, double dt_s)
{
    assert(dt_s >= 0);
    bench->ultimate_extra_pa += bench->ultimate_rise_pa_per_s * dt_s;
    for (int i = 0; i < bench->bags; i++)
        follow_temperature(bench, &bench->bag[i], dt_s);
    double wanted = ceil(dt_s * fastest_rate_per_s(bench) / substep_share);
    int substeps = wanted < 1 ? 1 : wanted > SUBSTEPS_MAX ? SUBSTEPS_MAX : (int)wanted;
    double h_s = dt_s / substeps, half_s = 0.5 * h_s;
    for (int step = 0; step < substeps; step++) {
        for (int i = 0; i < bench->bags; i++)
            first_half(bench, &bench->bag[i], half_s);
        pump(bench, h_s);
        for (int i = bench->bags; i-- > 0;)
            second_half(bench, &bench->bag[i], half_s);
    }
}

double taut_bench_pressure_pa(const struct taut_bench *bench, int index, enum taut_place place)
{
    if (place == TAUT_PLACE_AMBIENT)
        return bench->ambient_pa;
    if (place == TAUT_PLACE_MANIFOLD)
        return total_pa(&bench->manifold);
    const struct taut_bag *bag = &bench->bag[index];
    double at = bag->spec.far_sensor_frac;
    switch (place) {
    case TAUT_PLACE_FEED:
        return bag->front_frac > 0 || bag->feed_open ? bag->feed_pa : total_pa(bag->far_m3 > 0 ? &bag->far : &bag->near);
    case TAUT_PLACE_FAR:
        if (bag->front_frac > at)
            return front_pa(bag) + (bag->feed_pa - front_pa(bag)) * (1 - at / bag->front_frac);
        return total_pa(bag->far_m3 > 0 ? &bag->far : &bag->near);
    case TAUT_PLACE_VENT:
    case TAUT_PLACE_MANIFOLD:
    case TAUT_PLACE_AMBIENT:
        break;
    }
    return bag->resin_at_vent ? bag->held_pa : total_pa(&bag->near);
}

double taut_bench_gas(const struct taut_bench *bench)
{
    double sum = total_pa(&bench->manifold) * bench->pump.manifold_m3 / bench->manifold_k;
    for (int i = 0; i < bench->bags; i++) {
        const struct taut_bag *bag = &bench->bag[i];
        sum += (total_pa(&bag->near) * bag->near_m3 + total_pa(&bag->far) * bag->far_m3) / bag->temperature_k;
    }
    return sum;
}
