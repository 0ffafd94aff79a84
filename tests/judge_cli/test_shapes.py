"""One hold in every shape that loggers and people write: the verdict and the rate are the same."""
import datetime

from support import Case, hold, main, tautctl

HOLD = hold(minutes=10, period_s=2, rate_mbar_per_min=0.2)
START = datetime.datetime(2026, 11, 25, 23, 58, 30, tzinfo=datetime.timezone.utc)
LIMIT = ("--limit-mbar-per-min", "0.5")


def table(rows, header="t_s,p_mbar", separator=",", end="\n"):
    lines = ([header] if header else []) + [separator.join(row) for row in rows]
    return end.join(lines) + end


def rows(time=lambda t: "%.3f" % t, pressure=lambda p: "%.3f" % p):
    return [(time(t), pressure(p)) for t, p in HOLD]


def comma(text):
    return text.replace(".", ",")


def clock(t):
    return (START + datetime.timedelta(seconds=t)).strftime("%H:%M:%S")


def stamp(form):
    return lambda t: (START + datetime.timedelta(seconds=t)).strftime(form)


FACTORS = {"Pa": 1.0, "kPa": 1e3, "bar": 1e5, "Torr": 101325 / 760, "inHg": 3386.388640341, "psi": 8896443230521 / 1290320000}

SHAPES = {
    "comma and header": (table(rows()),),
    "CRLF line ends": (table(rows(), end="\r\n"),),
    "CR line ends": (table(rows(), end="\r"),),
    "byte order mark": ("\ufeff" + table(rows()),),
    "no last line end": (table(rows()).rstrip("\n"),),
    "comments and empty lines": ("# logger 7\n\n" + table(rows()).replace("\n100.000", "\n\n  # a note\n100.000"),),
    "semicolon and decimal comma": (table([(comma(t), comma(p)) for t, p in rows()], "t_s;p_mbar", ";"),),
    "semicolon and decimal point": (table(rows(), "t_s;p_mbar", ";"),),
    "tab and decimal comma": (table([(comma(t), comma(p)) for t, p in rows()], "t_s\tp_mbar", "\t"),),
    "blanks": (table(rows(), None, "   "), "--unit", "mbar", "--time-unit", "s"),
    "no header": (table(rows(), None), "--unit", "mbar", "--time-unit", "s"),
    "two header rows": (table(rows(), "time,pressure\ns,mbar"),),
    "units in brackets": (table(rows(), "Time (s),Pressure [mbar abs]"),),
    "everything quoted": (table([('"%s"' % t, '"%s"' % p) for t, p in rows()], '"t_s","p_mbar"'),),
    "blanks around cells": (table(rows(), "t_s , p_mbar", " , "),),
    "trailing separator": (table(rows(), "t_s,p_mbar,", ",").replace("\n", ",\n").replace(",,\n", ",\n"),),
    "preamble": ("Logger: 12\nChannel: a;b\n" + table(rows()), "--skip-lines", "2"),
    "minutes": (table(rows(time=lambda t: "%.6f" % (t / 60)), "minutes,p_mbar"),),
    "milliseconds": (table(rows(time=lambda t: "%d" % (t * 1000)), "time ms,p_mbar"),),
    "hours": (table(rows(time=lambda t: "%.9f" % (t / 3600)), "t_h,p_mbar"),),
    "seconds since 1970": (table(rows(time=lambda t: "%.1f" % (1795595204 + t)), "t_s,p_mbar"),),
    "time of day past midnight": (table(rows(time=clock), "time,p_mbar"),),
    "minutes and seconds": (table(rows(time=lambda t: "%d:%02d" % (t // 60, t % 60)), "time,p_mbar"), "--time-unit", "mm:ss"),
    "RFC 3339": (table(rows(time=stamp("%Y-%m-%dT%H:%M:%SZ")), "timestamp,p_mbar"),),
    "RFC 3339 with offset": (table(rows(time=stamp("%Y-%m-%dT%H:%M:%S.000+01:00")), "timestamp,p_mbar"),),
    "date with a blank": (table(rows(time=stamp("%Y-%m-%d %H:%M:%S")), "timestamp,p_mbar"),),
    "date with slashes": (table(rows(time=stamp("%Y/%m/%d %H:%M:%S")), "timestamp,p_mbar"),),
    "day first with full stops": (table(rows(time=stamp("%d.%m.%Y %H:%M:%S")), "timestamp,p_mbar"),),
    "date and time in two columns": (table([(d, t, p) for (d, _), (t, p) in zip(rows(time=stamp("%d/%m/%Y")), rows(time=clock))],
                                           "date,time,p_mbar"),),
    "unit by option": (table(rows(), "t_s,p"), "--unit", "mbar"),
    "columns by number": (table([("x", p, t) for t, p in rows()], "a,b,c"), "--time-column", "3", "--pressure-column", "2",
                          "--unit", "mbar", "--time-unit", "s"),
    "columns by name": (table([(p, "7.000", t) for t, p in rows()], "far mbar,vent mbar,t_s"), "--pressure-column", "far mbar"),
    "elapsed time wins over time of day": (table([("2026-11-25T00:00:00Z", t, p) for t, p in rows()], "time_utc,elapsed_s,p_mbar"),),
    "gauge": (table(rows(pressure=lambda p: "%.3f" % (p - 1013.25)), "t_s,p_mbar"), "--reference", "gauge", "--ambient-mbar",
              "1013.25", "--ambient-drift-mbar-per-h", "0"),
    "gauge by heading": (table(rows(pressure=lambda p: "%.3f" % (p - 1013.25)), "t_s,mbarg"), "--ambient-mbar", "1013.25",
                         "--ambient-drift-mbar-per-h", "0"),
    "vacuum": (table(rows(pressure=lambda p: "%.3f" % (1000 - p)), "t_s,p_mbar"), "--reference", "vacuum", "--ambient-mbar", "1000",
               "--ambient-drift-mbar-per-h", "0"),
    "gauge with a barometer": (table([("%.3f" % t, "%.3f" % (p - 990 - t / 300), "%.5f" % (99 + t / 3000)) for t, p in HOLD],
                                     "t_s,mbar gauge,baro kPa"), "--ambient-column", "baro kPa"),
}
for unit, pascal in FACTORS.items():
    SHAPES["in " + unit] = (table(rows(pressure=lambda p: "%.9g" % (p * 100 / pascal)), "t_s,p_" + unit),)


class Shapes(Case):
    def test_every_shape_gives_the_same_verdict_and_rate(self):
        want = self.judge(table(rows()), *LIMIT)
        self.assertEqual(want["verdict"], "pass")
        self.assertAlmostEqual(want["result"]["rate_mbar_per_min"], 0.2, delta=0.01)
        self.assertEqual(want["result"]["readings_used"], len(HOLD))
        for name, (text, *words) in SHAPES.items():
            with self.subTest(name):
                got = self.judge(text, *LIMIT, *words)
                self.assertEqual(got["verdict"], want["verdict"])
                self.assertEqual(got["input"]["readings"], len(HOLD))
                for key in ("rate_mbar_per_min", "rate_high_mbar_per_min", "span_s", "start_mbar", "end_mbar"):
                    self.assertAlmostEqual(got["result"][key], want["result"][key], delta=2e-3 * abs(want["result"][key]), msg=key)

    def test_standard_input_is_a_file_too(self):
        answer = tautctl("judge", "-", "--json", *LIMIT, stdin=table(rows()).encode())
        self.assertEqual(answer.json()["verdict"], "pass")

    def test_missing_readings_are_counted_not_invented(self):
        text = table([(t, "n/a" if i % 40 == 7 else p) for i, (t, p) in enumerate(rows())])
        got = self.judge(text, *LIMIT)
        self.assertEqual(got["input"]["not_good"], len([i for i in range(len(HOLD)) if i % 40 == 7]))
        self.assertEqual(got["verdict"], "pass")
        text = table([(t, "" if i % 3 == 1 else p) for i, (t, p) in enumerate(rows())])
        self.assertEqual(self.judge(text, *LIMIT)["why"], "bad-readings")
        text = table([(t, "ovl" if i == 7 else p) for i, (t, p) in enumerate(rows())])
        self.assertEqual(self.judge(text, *LIMIT, "--missing", "ovl")["input"]["not_good"], 1)

    def test_hand_written_minutes_are_enough_for_a_clear_case(self):
        text = "minute,mbar\n" + "".join("%d,%.1f\n" % (i, 5 + 0.24 * i) for i in range(11))
        self.assertEqual(self.judge(text, "--limit-mbar-per-min", "1")["verdict"], "pass")
        self.assertEqual(self.judge(text, "--limit-mbar-per-min", "0.05")["verdict"], "fail")
        text = "minute,mbar\n" + "".join("%d,%d\n" % (i, 5 + 0.24 * i) for i in range(11))
        self.assertEqual(self.judge(text, "--limit-mbar-per-min", "0.25")["verdict"], "inconclusive")


class Trace(Case):
    """Taut's own trace.csv: phases, qualities, rows of other channels."""

    def trace(self):
        lines = ["time_utc,elapsed_s,phase,A.vent_mbar,A.vent_quality,A.far_mbar,A.far_quality,event"]

        def row(t, phase, vent, quality="good", event=""):
            when = START + datetime.timedelta(seconds=t)
            value = "%.3f" % vent if vent is not None else ""
            lines.append("%s,%.3f,%s,%s,%s,9.999,good,%s" % (when.strftime("%Y-%m-%dT%H:%M:%S.000Z"), t, phase, value,
                                                            quality if vent is not None or quality != "good" else "", event))

        t = 0.0
        for leak in (3.0, 0.1):
            for t_s, p in hold(minutes=1, rate_mbar_per_min=-20, p0_mbar=25, seed=3):
                row(t + t_s, "drawdown", p)
            t += 61
            for i, (t_s, p) in enumerate(hold(minutes=6, rate_mbar_per_min=leak, seed=4)):
                phase = "settle" if t_s < 30 else "drop-test"
                if i % 50 == 49:
                    row(t + t_s, phase, None, "bad:no-answer")
                else:
                    row(t + t_s, phase, p)
                row(t + t_s + 0.5, phase, None)
            t += 361
            # the reading that decides comes with the phase after it, the word of it with the next one
            after = "drawdown" if leak > 1 else "ready"
            row(t, after, p)
            row(t + 0.2, after, p - 1, event="verdict %s; phase %s; valve open" % ("fail" if leak > 1 else "pass", after))
            t += 1
        for t_s, p in hold(minutes=1, seed=5):
            row(t + t_s, "ready", p, event="a ""note"" here")
        return "\r\n".join(lines) + "\r\n"

    def test_the_last_test_is_judged_unless_another_is_named(self):
        got = self.judge(self.trace(), *LIMIT)
        self.assertEqual((got["verdict"], got["input"]["test"], got["input"]["tests"]), ("pass", 2, 2))
        self.assertAlmostEqual(got["result"]["rate_mbar_per_min"], 0.1, delta=0.02)
        self.assertEqual(got["rule"]["settle_min_s"], 30)
        self.assertTrue(got["input"]["shut_off_known"])
        first = self.judge(self.trace(), *LIMIT, "--test", "1")
        self.assertEqual(first["verdict"], "fail")
        self.assertAlmostEqual(first["result"]["rate_mbar_per_min"], 3, delta=0.05)

    def test_bad_readings_count_and_rows_of_other_channels_do_not(self):
        got = self.judge(self.trace(), *LIMIT)
        self.assertEqual(got["input"]["not_good"], 14)

    def test_the_reading_that_decided_counts_and_those_after_it_do_not(self):
        # 361 readings every second, of them 7 bad; 31 in the first 30 s and at 30 s the first judged one; one that decided
        judged = [t for t in range(30, 361) if t % 50 != 49]
        got = self.judge(self.trace(), *LIMIT)
        self.assertEqual(got["result"]["readings_used"], len(judged) + 1)

    def test_a_trace_without_a_test_says_so(self):
        text = "\r\n".join(line for line in self.trace().split("\r\n") if "settle" not in line and "drop-test" not in line)
        path = self.write(text)
        answer = tautctl("judge", path, *LIMIT)
        self.assertEqual(answer.code, 65)
        self.assertEqual(answer.err, "tautctl: %s: its phase column shows no drop test (no row in phase settle or drop-test)\n" % path)


if __name__ == "__main__":
    main()
