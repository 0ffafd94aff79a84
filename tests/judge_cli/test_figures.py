"""tautctl volume and tautctl leak against the tables: boyle_expansion.csv, equivalent_hole.csv, leak_conversions.csv,
rate_of_rise.csv, darcy_fill_time.csv, isa_pressure_altitude.csv."""
import csv

from support import USAGE, Case, main, reference, tautctl


def rows_of(name):
    with open(reference(name), newline="", encoding="ascii") as file:
        rows = list(csv.DictReader(file))
    assert rows
    return rows


def figures(*words):
    answer = tautctl(*words, "--json")
    assert answer.code == 0, answer.err
    return answer.json()


class Volume(Case):
    def test_expansion_meets_the_table(self):
        for row in rows_of("boyle_expansion.csv"):
            got = figures("volume", "expansion", "--reference-l", row["V_ref_L"], "--reference-mbar", row["p_ref_before_mbar"], "--before-mbar",
                          row["p_unknown_before_mbar"], "--after-mbar", row["p_after_mbar"], "--u-reference-l", "0.01")
            want = float(row["V_unknown_L"])
            self.assertAlmostEqual(got["volume_l"], want, delta=1e-9 * want)
            self.assertAlmostEqual(got["u_volume_relative"], 0.01 / float(row["V_ref_L"]), places=9)

    def test_known_leak_gives_the_volume(self):
        got = figures("volume", "leak", "--leak", "5", "--leak-unit", "mbar.L/min", "--closed-mbar-per-min", "0.3", "--open-mbar-per-min", "1.3")
        self.assertAlmostEqual(got["volume_l"], 5, places=9)

    def test_readings_without_a_step_are_refused_with_advice(self):
        answer = tautctl("volume", "expansion", "--reference-l", "1", "--reference-mbar", "1013", "--before-mbar", "30", "--after-mbar", "30.1", "--u-mbar", "0.1")
        self.assertEqual((answer.code, answer.out), (2, ""))
        self.assertIn("take a larger vessel", answer.err)
        answer = tautctl("volume", "leak", "--leak", "5", "--closed-mbar-per-min", "1", "--open-mbar-per-min", "1")
        self.assertEqual(answer.code, 2)

    def test_what_is_missing_is_named(self):
        for words, message in (((), "which method: expansion or leak?"),
                               (("expansion", "--reference-l", "1"), "expansion needs --reference-l, --reference-mbar, --before-mbar and --after-mbar"),
                               (("leak", "--leak", "1"), "leak needs --leak, --closed-mbar-per-min and --open-mbar-per-min"),
                               (("leak", "--leak", "1", "--closed-mbar-per-min", "0", "--open-mbar-per-min", "1", "--leak-unit", "L"),
                                "--leak-unit: no such unit; allowed are Pa.m3/s, mbar.L/s, Pa.L/s, mbar.L/min, mbar.L/h, Torr.L/s, atm.cm3/s, atm.cm3/min, bar.cm3/min")):
            answer = tautctl("volume", *words)
            self.assertEqual((answer.code, answer.err.split("\n")[0]), (USAGE, "tautctl volume: " + message))


class Leak(Case):
    def test_equivalent_hole_meets_the_table(self):
        for row in rows_of("equivalent_hole.csv"):
            got = figures("leak", "--leak", row["leak_mbar_L_per_s"], "--ambient-mbar", row["p_atm_mbar"], "--temperature-c", row["T_degC"])
            want = float(row["d_equivalent_mm_choked_Cd1"])
            self.assertAlmostEqual(got["equivalent_hole_mm"], want, delta=1e-8 * want)

    def test_units_meet_the_table(self):
        for row in rows_of("leak_conversions.csv"):
            if row["to_unit"] not in ("Pa_m3_per_s", "mbar_L_per_s"):
                continue
            unit = row["from_unit"].replace("_per_", "/").replace("_", ".")
            got = figures("leak", "--leak", row["value"], "--leak-unit", unit)
            key = {"Pa_m3_per_s": "leak_pa_m3_per_s", "mbar_L_per_s": "leak_mbar_l_per_s"}[row["to_unit"]]
            self.assertAlmostEqual(got[key], float(row["result"]), delta=1e-12 * float(row["result"]))

    def test_rate_and_volume_meet_the_table(self):
        for row in rows_of("rate_of_rise.csv"):
            if row["T1_degC"] != row["T2_degC"]:
                continue
            got = figures("leak", "--rate-mbar-per-min", row["raw_rate_mbar_per_min"], "--volume-l", row["V_L"], "--temperature-c", row["T1_degC"])
            for key, column in (("leak_mol_per_s", "leak_mol_per_s"), ("leak_cm3_per_min_0degC_1013mbar", "leak_sccm_0C_101325")):
                self.assertAlmostEqual(got[key], float(row[column]), delta=1e-9 * float(row[column]))

    def test_fill_time_meets_the_table(self):
        for row in rows_of("darcy_fill_time.csv"):
            bag_mbar = 1013.25 - float(row["dP_Pa"]) / 100
            got = figures("leak", "--leak", "0.01", "--bag-mbar", "%.12g" % max(bag_mbar, 0), "--porosity", row["porosity"], "--viscosity-pa-s",
                          row["viscosity_Pa_s"], "--length-m", row["L_m"], "--permeability-m2", row["K_m2"])
            self.assertAlmostEqual(got["fill_s"], float(row["t_fill_s"]), delta=1e-9 * float(row["t_fill_s"]))

    def test_altitude_stands_for_the_standard_atmosphere(self):
        for row in rows_of("isa_pressure_altitude.csv"):
            a = figures("leak", "--leak", "0.01", "--altitude-m", row["geopotential_altitude_m"])
            b = figures("leak", "--leak", "0.01", "--ambient-mbar", "%.6f" % (float(row["p_Pa_computed"]) / 100))
            self.assertAlmostEqual(a["equivalent_hole_mm"], b["equivalent_hole_mm"], delta=1e-7)

    def test_the_budget_is_weighed_with_its_assumptions_printed(self):
        # 0.1 mbar.L/s for 30 min is 180 cm3 at 1000 mbar: 3 % of 6 L
        words = ("leak", "--leak", "0.1", "--pore-l", "6", "--fill-min", "30", "--volume-l", "12")
        got = figures(*words)
        self.assertAlmostEqual(got["void_percent"], 3, places=9)
        self.assertAlmostEqual(got["limit_mbar_l_per_s"], 0.1 / 3, places=9)
        self.assertAlmostEqual(got["limit_mbar_per_min"], 0.1 / 3 * 60 / 12, places=9)
        answer = tautctl(*words)
        for part in ("Assumed: the leak stays the same during the fill, 100 % of its air stays in the part", "1000 mbar when the",
                     "1 % of voids are allowed in 6 L of pores", "rule of thumb"):
            self.assertIn(part, answer.out)

    def test_what_does_not_go_together_is_refused(self):
        for words, message in (((), "either --rate-mbar-per-min with --volume-l, or --leak"),
                               (("--leak", "1", "--rate-mbar-per-min", "1"), "either --rate-mbar-per-min with --volume-l, or --leak"),
                               (("--rate-mbar-per-min", "1"), "a rate needs the volume: --volume-l ('tautctl volume' finds it)"),
                               (("--leak", "1", "--bag-mbar", "1100"), "--bag-mbar must be below the pressure outside"),
                               (("--leak", "1", "--pore-l", "3"), "--pore-l needs the time of the fill: --fill-min, or the four values for Darcy's law")):
            answer = tautctl("leak", *words)
            self.assertEqual((answer.code, answer.err.split("\n")[0]), (USAGE, "tautctl leak: " + message))


if __name__ == "__main__":
    main()
