/* Failure policy: see scenario.h; a file that can not be read is a finding too. */
#include "scenario.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#include "command.h"
#include "keys.h"
#include "taut/units.h"

#define LITRE 1e-3
#define MBAR_L (100.0 * 1e-3) /* mbar L in Pa m3 */
#define AT(type, field) offsetof(struct type, field), sizeof(((struct type *)0)->field)

static const struct taut_key scenario_keys[] = {
    {"seed", TAUT_KEY_WHOLE, "", 1, 0, 2e9, "1", "", "start of all random numbers", AT(tautsim_scenario, seed)},
    {"tick_s", TAUT_KEY_NUMBER, "s", 1, 0.001, 1, "0.05", "", "simulated time between two states", AT(tautsim_scenario, tick_s)},
    {"ambient", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "barometer and room", 0, 0},
    {"pump", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "pump and manifold", 0, 0},
    {"gateways", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "Modbus TCP ports", 0, 0},
    {"bags", TAUT_KEY_BLOCK, "", 1, 0, 0, NULL, "", "list of bags", 0, 0},
    {"sensors", TAUT_KEY_BLOCK, "", 1, 0, 0, NULL, "", "list of sensors", 0, 0},
    {"valves", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "list of driven valves", 0, 0},
    {"events", TAUT_KEY_BLOCK, "", 1, 0, 0, "", "", "what happens when", 0, 0},
    {0}};

static const struct taut_key ambient_keys[] = {
    {"pressure_mbar", TAUT_KEY_NUMBER, "mbar", 100, 500, 1100, "1013.25", "", "barometer", AT(tautsim_ambient_spec, pressure_pa)},
    {"drift_mbar_per_h", TAUT_KEY_NUMBER, "mbar/h", 100.0 / 3600, -1000, 1000, "0", "", "its drift", AT(tautsim_ambient_spec, drift_pa_per_s)},
    {"wander_mbar", TAUT_KEY_NUMBER, "mbar", 100, 0, 10, "0", "", "random walk, per root second", AT(tautsim_ambient_spec, wander_pa)},
    {"temperature_degc", TAUT_KEY_NUMBER, "degC", 1, -20, 80, "20", "", "room temperature", AT(tautsim_ambient_spec, temperature_k)},
    {"drift_k_per_h", TAUT_KEY_NUMBER, "K/h", 1.0 / 3600, -1000, 1000, "0", "", "its drift", AT(tautsim_ambient_spec, drift_k_per_s)},
    {0}};

static const struct taut_key pump_keys[] = {
    {"speed_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 1000, "2", "", "pump speed", AT(tautsim_scenario, pump.speed_m3_per_s)},
    {"ultimate_mbar", TAUT_KEY_NUMBER, "mbar", 100, 0, 500, "1", "", "pressure at which it draws no more", AT(tautsim_scenario, pump.ultimate_pa)},
    {"manifold_l", TAUT_KEY_NUMBER, "L", LITRE, 0.01, 10000, "8", "", "volume of manifold and catch pots", AT(tautsim_scenario, pump.manifold_m3)},
    {"backflow_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.02", "", "air through the pump when it stands", AT(tautsim_scenario, pump.backflow_m3_per_s)},
    {"runs", TAUT_KEY_FLAG, "", 1, 0, 0, "yes", "", "runs at the start", AT(tautsim_scenario, pump_runs)},
    {0}};

static const struct taut_key gateway_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_gateway, name)},
    {"port", TAUT_KEY_WHOLE, "", 1, 0, 65535, "0", "", "TCP port, 0 = any", AT(tautsim_gateway, port)},
    {0}};

static const struct taut_key bag_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_bag_spec, name)},
    {"volume_l", TAUT_KEY_NUMBER, "L", LITRE, 0.01, 10000, NULL, "", "gas volume of the empty bag", AT(tautsim_bag_spec, volume_m3)},
    {"far_share", TAUT_KEY_NUMBER, "", 1, 0, 0.95, "0.4", "", "share of the volume at the far end", AT(tautsim_bag_spec, far_frac)},
    {"link_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.05", "", "conductance between the ends", AT(tautsim_bag_spec, link_m3_per_s)},
    {"vent_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0.5", "", "conductance of the vent line", AT(tautsim_bag_spec, vent_m3_per_s)},
    {"seat_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0", "", "conductance of the closed valve", AT(tautsim_bag_spec, seat_m3_per_s)},
    {"valve", TAUT_KEY_CHOICE, "", 1, 0, 0, "open", "closed|open", "valve at the start", AT(tautsim_bag_spec, valve_open)},
    {"leak_mbar_per_min", TAUT_KEY_NUMBER, "mbar/min", 100.0 / 60, 0, 10000, "0", "", "leak at the vent end", AT(tautsim_bag_spec, leak_pa_per_s)},
    {"leak_far_mbar_per_min", TAUT_KEY_NUMBER, "mbar/min", 100.0 / 60, 0, 10000, "0", "", "leak at the far end", AT(tautsim_bag_spec, leak_far_pa_per_s)},
    {"leak_law", TAUT_KEY_CHOICE, "", 1, 0, 0, "orifice", "orifice|laminar", "how the leak falls towards ambient", AT(tautsim_bag_spec, law)},
    {"release_mbar_l", TAUT_KEY_NUMBER, "mbar L", MBAR_L, 0, 1e6, "0", "", "gas the materials give off in all", AT(tautsim_bag_spec, release_pa_m3)},
    {"release_s", TAUT_KEY_NUMBER, "s", 1, 0.1, 1e6, "300", "", "time constant of that", AT(tautsim_bag_spec, release_s)},
    {"moisture_mbar_l", TAUT_KEY_NUMBER, "mbar L", MBAR_L, 0, 1e9, "0", "", "water, as vapour", AT(tautsim_bag_spec, moisture_pa_m3)},
    {"moisture_l_per_s", TAUT_KEY_NUMBER, "L/s", LITRE, 0, 100, "0", "", "how fast it evaporates", AT(tautsim_bag_spec, moisture_m3_per_s)},
    {"far_sensor_at", TAUT_KEY_NUMBER, "", 1, 0, 1, "0.15", "", "place of the far sensor, 0 feed to 1 vent", AT(tautsim_bag_spec, far_sensor_frac)},
    {"fill_s", TAUT_KEY_NUMBER, "s", 1, 1, 1e6, "1200", "", "time the resin takes to the vent", AT(tautsim_bag_spec, fill_s)},
    {0}};

static const struct taut_key sensor_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_sensor_spec, name)},
    {"bag", TAUT_KEY_REFER, "", 1, 0, 0, "", "bags", "bag it sits on", AT(tautsim_sensor_spec, bag)},
    {"at", TAUT_KEY_CHOICE, "", 1, 0, 0, "vent", "vent|far|feed|manifold|ambient|temperature", "what it reads", AT(tautsim_sensor_spec, at)},
    {"gateway", TAUT_KEY_REFER, "", 1, 0, 0, "", "gateways", "gateway; the first if not given", AT(tautsim_sensor_spec, gateway)},
    {"unit", TAUT_KEY_WHOLE, "", 1, 0, 247, NULL, "", "Modbus unit", AT(tautsim_sensor_spec, unit)},
    {"table", TAUT_KEY_CHOICE, "", 1, 0, 0, "input", "input|holding", "register table", AT(tautsim_sensor_spec, table)},
    {"register", TAUT_KEY_WHOLE, "", 1, 0, 65534, NULL, "", "first register, from 0", AT(tautsim_sensor_spec, reg)},
    {"type", TAUT_KEY_CHOICE, "", 1, 0, 0, "float32", "uint16|int16|uint32|int32|float32", "how the number is coded", AT(tautsim_sensor_spec, type)},
    {"order", TAUT_KEY_CHOICE, "", 1, 0, 0, "ABCD", "ABCD|CDAB|BADC|DCBA", "order of the bytes", AT(tautsim_sensor_spec, order)},
    {"reference", TAUT_KEY_CHOICE, "", 1, 0, 0, "absolute", "absolute|gauge|vacuum", "what it reads against", AT(tautsim_sensor_spec, reference)},
    {"engineering", TAUT_KEY_TEXT, "", 1, 0, 0, "", "", "unit of its range; mbar or degC if not given", AT(tautsim_sensor_spec, engineering)},
    {"scale", TAUT_KEY_NUMBER, "", 1, 0, 0, "1", "", "engineering value (or mA) per count", AT(tautsim_sensor_spec, scale)},
    {"offset", TAUT_KEY_NUMBER, "", 1, 0, 0, "0", "", "engineering value (or mA) at zero", AT(tautsim_sensor_spec, offset)},
    {"loop", TAUT_KEY_FLAG, "", 1, 0, 0, "no", "", "register holds a 4-20 mA current over the range", AT(tautsim_sensor_spec, loop)},
    {"range", TAUT_KEY_PAIR, "", 1, 0, 0, "", "", "least and greatest value", AT(tautsim_sensor_spec, range)},
    {"noise_mbar", TAUT_KEY_NUMBER, "mbar", 100, 0, 1000, "0", "", "sd of its noise", AT(tautsim_sensor_spec, noise_pa)},
    {"correlation_s", TAUT_KEY_NUMBER, "s", 1, 0, 1e6, "0.95", "", "correlation time of the noise", AT(tautsim_sensor_spec, correlation_s)},
    {"wander_mbar", TAUT_KEY_NUMBER, "mbar", 100, 0, 100, "0", "", "random walk, per root second", AT(tautsim_sensor_spec, wander_pa)},
    {"lag_s", TAUT_KEY_NUMBER, "s", 1, 0, 1000, "0", "", "time constant of its answer", AT(tautsim_sensor_spec, lag_s)},
    {"step_mbar", TAUT_KEY_NUMBER, "mbar", 100, 0, 100, "0", "", "smallest step of the reading", AT(tautsim_sensor_spec, quantum_pa)},
    {"drift_mbar_per_h", TAUT_KEY_NUMBER, "mbar/h", 100.0 / 3600, -1e5, 1e5, "0", "", "drift", AT(tautsim_sensor_spec, drift_pa_per_s)},
    {"offset_mbar", TAUT_KEY_NUMBER, "mbar", 100, -1000, 1000, "0", "", "error at zero", AT(tautsim_sensor_spec, offset_pa)},
    {0}};

static const struct taut_key valve_keys[] = {
    {"name", TAUT_KEY_NAME, "", 1, 0, 0, NULL, "", "name", AT(tautsim_valve_spec, name)},
    {"bag", TAUT_KEY_REFER, "", 1, 0, 0, NULL, "bags", "bag it shuts off", AT(tautsim_valve_spec, bag)},
    {"gateway", TAUT_KEY_REFER, "", 1, 0, 0, "", "gateways", "gateway; the first if not given", AT(tautsim_valve_spec, gateway)},
    {"unit", TAUT_KEY_WHOLE, "", 1, 0, 247, NULL, "", "Modbus unit", AT(tautsim_valve_spec, unit)},
    {"coil", TAUT_KEY_WHOLE, "", 1, 0, 65535, NULL, "", "coil, from 0", AT(tautsim_valve_spec, coil)},
    {"active", TAUT_KEY_CHOICE, "", 1, 0, 0, "high", "low|high", "high: coil on = open", AT(tautsim_valve_spec, active_high)},
    {0}};

static const struct taut_key event_keys[] = {
    {"at_s", TAUT_KEY_NUMBER, "s", 1, 0, 1e8, NULL, "", "time since the start", AT(tautsim_event, at_s)},
    {"do", TAUT_KEY_TEXT, "", 1, 0, 0, NULL, "", "command", AT(tautsim_event, command)},
    {0}};

void tautsim_scenario_find(struct tautsim_findings *findings, const char *path, int line, int column, const char *format, ...)
{
    if (findings->count < TAUTSIM_FINDINGS_MAX) {
        struct taut_diag *diag = &findings->finding[findings->count];
        memset(diag, 0, sizeof *diag);
        diag->status = TAUT_E_FORMAT;
        snprintf(diag->file, sizeof diag->file, "%s", path);
        diag->line = line;
        diag->column = column;
        va_list args;
        va_start(args, format);
        vsnprintf(diag->text, sizeof diag->text, format, args);
        va_end(args);
    }
    findings->count++;
}
