"""Verdicts on data from outside: fitted series with known least-squares solutions (rise_fit.json), measured holds
(real_hold_*.csv), a winter of barometer readings (real_barometer_jfk_2013_q1.csv); and on made-up holds and fills."""
import csv
import datetime
import json
import re

from support import FAIL, INCONCLUSIVE, PASS, Case, hold, main, reference, tautctl

REAL_HOLDS = ("aluminium", "formlabs", "prusa", "ultimaker_010")


def judge_file(path, *words):
    answer = tautctl("judge", path, "--json", *words)
    assert answer.code in (PASS, FAIL, INCONCLUSIVE), answer.err
    return answer.code, answer.json()


def numbers_of(tree):
    if isinstance(tree, dict):
        for value in tree.values():
            yield from numbers_of(value)
    elif isinstance(tree, (int, float)) and not isinstance(tree, bool):
        yield tree


class Outside(Case):
    def test_fitted_series_come_out_as_their_least_squares_solutions(self):
        with open(reference("rise_fit.json"), encoding="utf-8") as file:
            sets = json.load(file)
        self.assertEqual(len(sets), 2)
        for one in sets:
            with self.subTest(one["file"]):
                rate = 60 * float(one["least_squares"]["b3_mbar_per_s"])
                error = 60 * float(one["standard_errors"][3])
                truth = 60 * one["generator"]["leak_mbar_per_s"]
                code, got = judge_file(reference(one["file"]), "--limit-mbar-per-min", "0.2")
                result = got["result"]
                self.assertEqual((code, got["verdict"]), (PASS, "pass"))
                self.assertAlmostEqual(result["rate_mbar_per_min"], rate, delta=2 * error)
                self.assertGreaterEqual(result["u_rate_mbar_per_min"], 0.5 * error)
                self.assertLessEqual(result["rate_low_mbar_per_min"], truth)
                self.assertGreaterEqual(result["rate_high_mbar_per_min"], truth)
                self.assertAlmostEqual(result["tau_s"], float(one["least_squares"]["b2_s"]), delta=5)
                # the straight line that the same readings would be given by eye
                self.assertLess(result["rate_high_mbar_per_min"], 60 * one["straight_line_slope_whole_series_mbar_per_s"])

    def test_measured_holds_of_falling_pressure_never_pass(self):
        for name in REAL_HOLDS:
            for mode in ("fixed", "early"):
                with self.subTest(name + " " + mode):
                    code, got = judge_file(reference("real_hold_%s.csv" % name), "--ambient-mbar", "1013", "--limit-mbar-per-min", "500", "--mode", mode)
                    self.assertNotEqual(got["verdict"], "pass")
                    self.assertEqual(code, INCONCLUSIVE)
                    self.assertEqual((got["input"]["unit"], got["input"]["reference"]), ("bar", "gauge"))
                    self.assertGreater(got["input"]["readings"], 1400)
                    self.assertIn("doubt", got)
                    for number in numbers_of(got):
                        self.assertLess(abs(number), 1e7)

    def test_a_measured_hold_turned_over_is_a_leak_that_fails(self):
        """The same noise and steps on a rising pressure: the reading's distance from 7.6 bar, as absolute pressure."""
        with open(reference("real_hold_ultimaker_010.csv"), newline="", encoding="ascii") as file:
            rows = [(row["t_s"], 1000 * (7.6 - float(row["p_bar_gauge"]))) for row in csv.DictReader(file)]
        got = self.judge("t_s,p_mbar\n" + "".join("%s,%.0f\n" % row for row in rows), "--limit-mbar-per-min", "0.5")
        self.assertEqual(got["verdict"], "fail")

    def barometer_swing(self):
        """The hour in which the barometer changed most."""
        with open(reference("real_barometer_jfk_2013_q1.csv"), newline="", encoding="ascii") as file:
            rows = [(datetime.datetime.fromisoformat(row["time_utc"].replace("Z", "+00:00")), float(row["p_sea_level_hPa"]))
                    for row in csv.DictReader(file) if row["p_sea_level_hPa"]]
        steps = [(b[1] - a[1], a[1]) for a, b in zip(rows, rows[1:]) if b[0] - a[0] == datetime.timedelta(hours=1)]
        return max(steps, key=lambda step: abs(step[0]))

    def gauge_hold(self, leak):
        change, start = self.barometer_swing()
        self.assertAlmostEqual(abs(change), 3.2, delta=0.05)
        lines = ["t_s,vent mbar gauge,baro hPa"]
        for t, p in hold(minutes=10, period_s=1, rate_mbar_per_min=leak, noise_mbar=0.01):
            baro = start + change * t / 3600
            lines.append("%.1f,%.3f,%.4f" % (t, p - baro, baro))
        return "\n".join(lines) + "\n", start, change

    def test_a_barometer_column_takes_the_weather_out_of_a_gauge(self):
        text, start, change = self.gauge_hold(0.06)
        got = self.judge(text, "--ambient-column", "baro hPa", "--limit-mbar-per-min", "0.1")
        self.assertEqual(got["verdict"], "pass")
        self.assertAlmostEqual(got["result"]["rate_mbar_per_min"], 0.06, delta=0.005)
        self.assertEqual(got["rule"]["drift_mbar_per_min"], 0)

    def test_without_a_barometer_the_verdict_widens_and_says_why(self):
        text, start, change = self.gauge_hold(0.06)
        got = self.judge(text, "--ambient-mbar", "%.1f" % start, "--limit-mbar-per-min", "0.1")
        self.assertAlmostEqual(abs(got["result"]["rate_mbar_per_min"] - 0.06), abs(change) / 60, delta=0.005)
        self.assertEqual(got["verdict"], "inconclusive")
        self.assertAlmostEqual(got["rule"]["drift_mbar_per_min"], 3.2 / 60, places=6)
        self.assertLessEqual(got["result"]["rate_low_mbar_per_min"], 0.06)
        self.assertGreaterEqual(got["result"]["rate_high_mbar_per_min"], 0.06)
        answer = tautctl("judge", self.write(text), "--ambient-mbar", "%.1f" % start, "--limit-mbar-per-min", "0.1")
        self.assertIn("without a barometer", answer.out)


def as_text(rows, heading="t_s,p_mbar"):
    return heading + "\n" + "".join(",".join("%g" % value for value in row) + "\n" for row in rows)


class MadeUp(Case):
    def test_both_forms_of_a_limit_and_their_edges(self):
        text = as_text(hold(rate_mbar_per_min=0.5, noise_mbar=0.01))
        for words, code in ((("--limit-mbar-per-min", "0.6"), PASS), (("--limit-mbar-per-min", "0.4"), FAIL), (("--limit-mbar-per-min", "0.5"), INCONCLUSIVE),
                            (("--rise-limit-mbar", "3", "--rise-within-s", "300"), PASS), (("--rise-limit-mbar", "2", "--within-s", "300"), FAIL),
                            (("--rise-limit-mbar", "3", "--rise-within-s", "300", "--limit-mbar-per-min", "0.4"), FAIL)):
            answer = tautctl("judge", self.write(text), *words)
            self.assertEqual(answer.code, code, " ".join(words) + answer.out + answer.err)

    def test_raw_and_fitted_rise_are_both_given(self):
        got = self.judge(as_text(hold(rate_mbar_per_min=0.5, noise_mbar=0.01)), "--rise-limit-mbar", "3", "--rise-within-s", "300")
        self.assertAlmostEqual(got["result"]["rise_mbar"], 2.5, delta=0.02)
        self.assertAlmostEqual(got["result"]["rise_raw_mbar"], 2.5, delta=0.06)

    def test_early_mode_ends_sooner_with_the_same_verdict(self):
        text = as_text(hold(minutes=30, period_s=0.5, rate_mbar_per_min=0.05, noise_mbar=0.05))
        got = self.judge(text, "--limit-mbar-per-min", "0.5", "--mode", "early")
        self.assertEqual(got["verdict"], "pass")
        self.assertLess(got["input"]["ended_s"], 600)
        self.assertGreaterEqual(got["input"]["ended_s"], 30)

    def test_few_readings_of_a_bending_rise_are_no_early_fail(self):
        for tau_s in (60, 180, 400):
            for period_s in (2, 5, 10):
                text = as_text(hold(period_s=period_s, rate_mbar_per_min=0, amplitude_mbar=5, tau_s=tau_s, noise_mbar=0.05))
                got = self.judge(text, "--limit-mbar-per-min", "0.5", "--mode", "early")
                self.assertEqual(got["verdict"], "pass", (tau_s, period_s))

    def test_few_readings_of_a_leak_and_a_bend_are_no_pass(self):
        for tau_s in (60, 180, 400):
            for period_s in (2, 5, 10, 60):
                text = as_text(hold(minutes=20, period_s=period_s, rate_mbar_per_min=0.6, amplitude_mbar=5, tau_s=tau_s, noise_mbar=0.03))
                for mode in ("fixed", "early"):
                    got = self.judge(text, "--limit-mbar-per-min", "0.5", "--mode", mode)
                    self.assertNotEqual(got["verdict"], "pass", (tau_s, period_s, mode))

    def test_pumping_before_shut_off_is_evidence_and_not_judged(self):
        pumping = [(t, p) for t, p in hold(minutes=2, p0_mbar=45, rate_mbar_per_min=-20, noise_mbar=0.02)]
        rows = pumping + [(121 + t, p) for t, p in hold(minutes=10, p0_mbar=5, rate_mbar_per_min=0.1)]
        text = as_text(rows)
        self.assertEqual(self.judge(text, "--limit-mbar-per-min", "0.5")["verdict"], "inconclusive")
        got = self.judge(text, "--limit-mbar-per-min", "0.5", "--shut-off-s", "121")
        self.assertEqual(got["verdict"], "pass")
        self.assertEqual(got["input"]["shut_off_s"], 121)

    def test_a_bag_still_on_the_pump_does_not_pass(self):
        got = self.judge(as_text(hold(rate_mbar_per_min=0.0)), "--limit-mbar-per-min", "0.5")
        self.assertEqual((got["verdict"], got["why"]), ("inconclusive", "still-pumped"))
        got = self.judge(as_text(hold(rate_mbar_per_min=-0.1)), "--limit-mbar-per-min", "0.5")
        self.assertEqual((got["verdict"], got["why"]), ("inconclusive", "still-pumped"))
        got = self.judge("t_s,p_mbar\n" + "".join("%d,5.00\n" % t for t in range(600)), "--limit-mbar-per-min", "0.5")
        self.assertEqual((got["verdict"], got["why"]), ("inconclusive", "no-change"))

    def test_a_manifold_that_moves_with_the_bag_shows_an_open_valve(self):
        rows = [(t, p, p - 1) for t, p in hold(rate_mbar_per_min=0.2)]
        text = as_text(rows, "t_s,p_mbar,pump_mbar")
        got = self.judge(text, "--limit-mbar-per-min", "0.5", "--pressure-column", "p_mbar", "--manifold-column", "pump_mbar")
        self.assertEqual((got["verdict"], got["why"]), ("inconclusive", "still-pumped"))

    def test_a_temperature_column_takes_warming_out(self):
        rows = []
        for t, p in hold(rate_mbar_per_min=0.05, p0_mbar=50, noise_mbar=0.005):
            celsius = 20 + 5 * t / 600
            rows.append((t, round(p * (273.15 + celsius) / 293.15, 3), celsius))
        text = as_text(rows, "t_s,p_mbar,bag_degC")
        self.assertAlmostEqual(self.judge(text, "--limit-mbar-per-min", "0.1")["result"]["rate_mbar_per_min"], 0.135, delta=0.01)
        got = self.judge(text, "--limit-mbar-per-min", "0.1", "--temperature-column", "bag_degC")
        self.assertEqual(got["verdict"], "pass")
        self.assertAlmostEqual(got["result"]["rate_mbar_per_min"], 0.05, delta=0.005)

    def test_the_volume_gives_the_leak_in_every_unit(self):
        got = self.judge(as_text(hold(rate_mbar_per_min=0.6, noise_mbar=0.005)), "--limit-mbar-per-min", "1", "--volume-l", "5", "--u-volume-l", "0.5")
        size, rate = got["size"], got["result"]["rate_mbar_per_min"]
        self.assertAlmostEqual(size["leak_mbar_l_per_s"], rate * 5 / 60, places=9)
        self.assertAlmostEqual(size["leak_pa_m3_per_s"], rate * 5 / 600, places=9)
        self.assertGreater(size["u_leak_mbar_l_per_s"], 0.1 * size["leak_mbar_l_per_s"])
        # equivalent_hole.csv has this very leak: 0.05 mbar.L/s
        self.assertAlmostEqual(size["equivalent_hole_mm"], 0.01778516314 * (size["leak_mbar_l_per_s"] / 0.05) ** 0.5, places=6)

    def test_the_report_is_for_a_person(self):
        path = self.write(as_text(hold(rate_mbar_per_min=0.2)))
        answer = tautctl("judge", path, "--limit-mbar-per-min", "0.5", "--volume-l", "5")
        lines = answer.out.splitlines()
        self.assertRegex(lines[0], r"^PASS: leak 0\.\d+ ± 0\.\d+ mbar/min, limit 0\.5$")
        for line in lines:
            if path not in line:
                self.assertLessEqual(len(line), 80, line)
                self.assertEqual(line, line.rstrip())
        labels = [match.group(1) for match in (re.match(r"([A-Z][a-z]+) ", line) for line in lines[1:]) if match]
        self.assertEqual(labels, ["Rule", "Why", "Model", "Size", "Read", "Judged"])
        answer = tautctl("judge", path, "--limit-mbar-per-min", "0.2")
        self.assertEqual(answer.code, INCONCLUSIVE)
        self.assertRegex(answer.out, r"\nTo do +hold the bag about ")


class Fill(Case):
    def fill(self, rise_from_s, rate, length_s=900):
        return as_text([(t, round(p + max(0, t - rise_from_s) * rate / 60, 3))
                        for t, p in hold(minutes=length_s / 60, period_s=0.5, rate_mbar_per_min=0, noise_mbar=0.05)])

    def test_a_quiet_fill_gives_no_alarm(self):
        answer = tautctl("judge", self.write(self.fill(1e9, 0)), "--as", "fill", "--learn-s", "120")
        self.assertEqual((answer.code, answer.out.split("\n")[0][:8]), (PASS, "NO ALARM"), answer.out)

    def test_a_rise_is_told_within_seconds_and_dated(self):
        path = self.write(self.fill(600, 3))
        answer = tautctl("judge", path, "--as", "fill", "--learn-s", "120", "--json")
        self.assertEqual(answer.code, FAIL, answer.out)
        events = answer.json()["events"]
        self.assertGreaterEqual(events[0]["t_s"], 600)
        self.assertLess(events[0]["t_s"], 640)
        self.assertAlmostEqual(events[0]["t_s"] - events[0]["since_s"], 600, delta=15)
        answer = tautctl("judge", path, "--as", "fill", "--learn-s", "120")
        self.assertEqual(answer.code, FAIL)
        self.assertRegex(answer.out, r"^1 ALARM in ")
        self.assertIn("cause: ", answer.out)


if __name__ == "__main__":
    main()
