"""Bad files and bad words: the exact place, what was found and what is allowed; the exit code tells which kind."""
import os
import re

from support import BAD_INPUT, NO_INPUT, USAGE, Case, main, tautctl

LIMIT = ("--limit-mbar-per-min", "0.5")
UNITS = "Pa, hPa, kPa, MPa, bar, mbar, ubar, atm, at, Torr, mTorr, mmHg, inHg, inHg_60F, psi, inH2O, mmH2O"
GOOD = "t_s,p_mbar\n0,5.0\n1,5.1\n2,5.2\n"

# name: (text, further words, code, message after "tautctl: FILE")
FILES = {
    "empty file": ("", (), BAD_INPUT, ": no readings in it"),
    "only comments": ("# nothing\n\n", (), BAD_INPUT, ": no readings in it"),
    "only headings": ("t_s,p_mbar\n", (), BAD_INPUT, ": no readings under the headings"),
    "word for a pressure": ("t_s,p_mbar\n0,5.0\n1,high\n", (), BAD_INPUT,
                            ":3:3: \"high\" is not a number; if it stands for no reading, say --missing"),
    "word for a time": ("t_s,p_mbar\n0,5.0\nnoon,5.1\n", (), BAD_INPUT, ":3:1: \"noon\" is not a time: a number is wanted, like the ones before"),
    "first time is a word, second row": ("t_s,p_mbar\n0,5.0\n08:26:44,5.1\n", (), BAD_INPUT,
                                         ":3:1: \"08:26:44\" is not a time: a number is wanted, like the ones before"),
    "form of the time changes": ("time,p_mbar\n08:26:44,5.0\n2026-11-25 08:26:45,5.1\n", (), BAD_INPUT,
                                 ":3:1: \"2026-11-25 08:26:45\" is not a time of the same form as the ones before"),
    "time goes back": ("t_s,p_mbar\n0,5.0\n2,5.1\n1,5.2\n", (), BAD_INPUT, ":4:1: time goes back here, to 1"),
    "date goes back": ("time,p_mbar\n2026-11-25 08:00:00,5\n2026-11-25 07:59:59,5\n", (), BAD_INPUT,
                       ":3:1: time goes back here, to 2026-11-25 07:59:59"),
    "too few columns": ("t_s,p_mbar\n0,5.0\n1\n", (), BAD_INPUT, ":3:1: 1 column where 2 are expected"),
    "decimal commas between commas": ("t_s,p_mbar\n0,5.0\n1,0,5,1\n", (), BAD_INPUT,
                                      ":3:7: 4 columns where 2 are expected; with decimal commas the separator must be a semicolon or a tab"),
    "thousands": ("t_s;p_mbar\n0;1.013,25\n", (), BAD_INPUT,
                  ":2:3: \"1.013,25\" is not a number: one decimal point or comma, nothing between thousands"),
    "open quote": ('t_s,p_mbar\n0,"5.0\n1,5.1\n', (), BAD_INPUT,
                   ":2:4: a quoted cell that is not closed on this line, or text after its closing quote"),
    "text after a quote": ('t_s,p_mbar\n0,"5.0"x\n', (), BAD_INPUT,
                           ":2:4: a quoted cell that is not closed on this line, or text after its closing quote"),
    "UTF-16": ("t_s,p_mbar\n0,5\n".encode("utf-16-le"), (), BAD_INPUT, ":1:2: a zero byte: not plain text; if it is UTF-16, save it as UTF-8"),
    "endless line": ("t_s,p_mbar\n" + "7" * 70000 + "\n", (), BAD_INPUT, ":2:65536: line longer than 65535 bytes"),
    "too many columns": ("1," * 300 + "1\n", (), BAD_INPUT, ":1:513: more than 256 columns"),
    "negative absolute pressure": ("t_s,p_mbar\n0,-950\n", (), BAD_INPUT,
                                   ":2:3: -950 mbar can not be an absolute pressure; is it --reference gauge?"),
    "implausible barometer": ("t_s,p_mbar gauge,baro_mbar\n0,-950,1.013\n", ("--ambient-column", "baro_mbar"), BAD_INPUT,
                              ":2:8: 1.013 is not plausible here; is the unit or the column wrong?"),
    "implausible temperature": ("t_s,p_mbar,t_K\n0,5,21\n", ("--temperature-column", "t_K"), BAD_INPUT,
                                ":2:5: 21 is not plausible here; is the unit or the column wrong?"),
    "wrong phase": ("t_s,phase,p_mbar\n0,brewing,5\n", (), BAD_INPUT, ":2:3: \"brewing\" is not a phase"),
    "wrong quality": ("t_s,A.vent_mbar,A.vent_quality\n0,5,splendid\n", (), BAD_INPUT, ":2:5: \"splendid\" is not a quality"),
    "hour 12 pm": ("time,p_mbar\n2026-11-25 08:26:44 pm,5\n", (), BAD_INPUT,
                   ":2:1: \"2026-11-25 08:26:44 pm\" is not a time that can be read in only one way: write 2026-11-25 08:26:44, or "
                   "20:26:44 for 8:26:44 pm"),
    "day or month first": ("time,p_mbar\n03/04/2026 08:26:44,5\n", (), BAD_INPUT,
                           ":2:1: \"03/04/2026 08:26:44\" is not a time that can be read in only one way: write 2026-11-25 08:26:44, or "
                           "20:26:44 for 8:26:44 pm"),
    "day that does not exist": ("time,p_mbar\n2026-02-30 08:26:44,5\n", (), BAD_INPUT,
                                ":2:1: \"2026-02-30 08:26:44\" is not a time: allowed are a number, h:m:s, or 2026-11-25T08:26:44Z"),
    # what only the user can know
    "unit not told": ("t_s,p\n0,5\n", (), USAGE, ": the heading of the pressure does not tell its unit: say --unit, one of " + UNITS),
    "unit unknown": (GOOD, ("--unit", "microns"), USAGE, ": --unit: no such unit; allowed are " + UNITS),
    "time unit not told": ("t,p_mbar\n0,5\n", (), USAGE, ": the heading of the time does not tell its unit: say --time-unit s, min, h or ms"),
    "two-part time": ("time,p_mbar\n08:26,5\n", (), USAGE,
                      ": \"08:26\" may be hours and minutes or minutes and seconds: say --time-unit hh:mm or mm:ss"),
    "vacuum in the heading": ("t_s,vacuum_mbar\n0,950\n", (), USAGE,
                              ": \"vacuum_mbar\" may be absolute, or below ambient: say --reference absolute, gauge or vacuum"),
    "gauge without ambient": ("t_s,p_mbar\n0,-950\n", ("--reference", "gauge"), USAGE,
                              ": a gauge pressure needs the ambient pressure: say --ambient-mbar or --ambient-column"),
    "no such column": (GOOD, ("--pressure-column", "vent"), USAGE, ": no column vent; there are 2: t_s, p_mbar"),
    "column number too high": (GOOD, ("--pressure-column", "3"), USAGE, ": no column 3; there are 2: t_s, p_mbar"),
    "one column": ("p_mbar\n5\n6\n", (), USAGE,
                   ": only one column: time and pressure are needed; is the separator another one? see --separator"),
    "shut off after the end": (GOOD, ("--shut-off-s", "99"), BAD_INPUT, ": the record ends before --shut-off-s 99"),
}

# words: message (first line)
WORDS = [
    ((), "tautctl judge: which file?"),
    (("a.csv", "b.csv", *LIMIT), "tautctl judge: b.csv: one word too many"),
    (("a.csv",), "tautctl judge: a limit is wanted: --limit-mbar-per-min X, or --rise-limit-mbar X with --rise-within-s T"),
    (("a.csv", "--rise-limit-mbar", "5"), "tautctl judge: --rise-limit-mbar and --rise-within-s belong together"),
    (("a.csv", "--limit-mbar-per-min"), "tautctl judge: --limit-mbar-per-min: its value is missing"),
    (("a.csv", "--limit-mbar-per-min", "0,5"),
     "tautctl judge: --limit-mbar-per-min: a number is wanted, with a point for the decimals, not \"0,5\""),
    (("a.csv", "--limit-mbar-per-min", "nan"),
     "tautctl judge: --limit-mbar-per-min: a number is wanted, with a point for the decimals, not \"nan\""),
    (("a.csv", "--limit-mbar-per-min", "-1"), "tautctl judge: --limit-mbar-per-min: -1 is outside 1e-06 to 10000"),
    (("a.csv", *LIMIT, "--mode", "quick"), "tautctl judge: --mode: \"quick\" is not one of fixed|early"),
    (("a.csv", *LIMIT, "--risk", "0.5"), "tautctl judge: --risk: 0.5 is outside 1e-06 to 0.2"),
    (("a.csv", *LIMIT, "--colour", "red"), "tautctl judge: --colour: no such option"),
    (("a.csv", *LIMIT, "--json=yes"), "tautctl judge: --json takes no value"),
]


class WrongInput(Case):
    def test_files_are_refused_with_the_place_and_the_reason(self):
        for name, (text, words, code, message) in FILES.items():
            with self.subTest(name):
                path = self.write(text)
                answer = tautctl("judge", path, *LIMIT, *words)
                self.assertEqual(answer.err, "tautctl: " + path + message + "\n")
                self.assertEqual(answer.code, code)
                self.assertEqual(answer.out, "")

    def test_words_are_refused_with_what_is_allowed(self):
        for words, message in WORDS:
            with self.subTest(" ".join(words)):
                answer = tautctl("judge", *words)
                self.assertEqual(answer.err, message + "\n'tautctl judge --help' shows how it is used.\n")
                self.assertEqual(answer.code, USAGE)

    def test_a_file_that_is_not_there_is_told_from_one_that_is_wrong(self):
        missing = os.path.join(self.folder.name, "none.csv")
        answer = tautctl("judge", missing, *LIMIT)
        self.assertEqual((answer.code, answer.err), (NO_INPUT, "tautctl: %s: No such file or directory\n" % missing))
        answer = tautctl("judge", self.folder.name, *LIMIT)
        self.assertEqual(answer.code, NO_INPUT, answer.err)

    def test_help_fits_the_screen_and_names_every_option(self):
        source = os.path.join(os.path.dirname(__file__), "..", "..", "daemon", "tautctl")
        for command in ("judge", "volume", "leak"):
            answer = tautctl(command, "--help")
            self.assertEqual((answer.code, answer.err), (0, ""))
            for line in answer.out.splitlines():
                self.assertLessEqual(len(line), 80, line)
            with open(os.path.join(source, "cmd_%s.c" % command), encoding="utf-8") as file:
                taken = set(re.findall(r'\{"(--[a-z0-9-]+)",', file.read()))
            self.assertGreater(len(taken), 10)
            helped = set(re.findall(r"--[a-z][a-z0-9-]+", answer.out))
            self.assertEqual(taken - helped, {"--within-s"} if command == "judge" else set())
            self.assertEqual(helped - taken, set())


if __name__ == "__main__":
    main()
