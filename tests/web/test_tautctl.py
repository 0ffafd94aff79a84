"""tautctl against the made-up bench: what a person sees in 80 columns, what a script gets, and every refusal."""
import json
import os
import pty
import select
import signal
import subprocess
import textwrap
import time
import unittest

from bench_client import BenchTest

GOLDEN = os.path.join(os.path.dirname(os.path.abspath(__file__)), "golden")
OK, REFUSED, USAGE, UNREACHABLE = 0, 1, 64, 69


class Ctl(BenchTest):
    def ctl(self, *arguments, expect=OK, locale="C.UTF-8", **environment):
        env = {k: v for k, v in os.environ.items() if not k.startswith(("LC_", "LANG", "TAUT_SOCKET"))}
        env.update(LC_ALL=locale, TAUT_SOCKET=self.path)
        env.update(environment)
        done = subprocess.run([os.environ["TAUTCTL"], *arguments], capture_output=True, timeout=60, env=env)
        out, err = done.stdout.decode(), done.stderr.decode()
        self.assertNotIn("Sanitizer", err)
        self.assertEqual(done.returncode, expect, (arguments, out, err))
        return out if expect == OK else err

    def stations(self):
        return {s["name"]: s for s in self.get("/v1/stations").json()["stations"]}


class Status(Ctl):
    def setUp(self):
        for i in range(5):
            self.order(f"age {i} 0.1")
        self.last()

    def golden(self, name):
        """A golden file; the sentences that come from the station itself are set in, wrapped by Python."""
        wrap = lambda text: "\n".join(textwrap.wrap(text, 80, initial_indent=" " * 10, subsequent_indent=" " * 10,
                                                    break_long_words=False, break_on_hyphens=False))
        with open(os.path.join(GOLDEN, name), encoding="utf-8") as f:
            text = f.read()
        for station in self.stations().values():
            text = text.replace("{%s}" % station["name"], wrap(station["advice"]))
            for a in station["alarms"]:
                words = (f"ALARM {a['alarm']} ({a['priority']}, {a['state']}), cause: {a['cause']} "
                         f"({100 * a['confidence']:.0f} % sure): {a['evidence']}.")
                text = text.replace("{%s alarm}" % station["name"], wrap(words) + "\n" + wrap(a["advice"]))
        return text

    def test_table_fits_80_columns_and_is_as_agreed(self):
        out = self.ctl("status")
        self.assertEqual(out, self.golden("status.txt"))
        for line in out.splitlines():
            self.assertLessEqual(len(line), 80, line)

    def test_terminal_without_utf8_gets_ascii_in_the_same_columns(self):
        out = self.ctl("status", "--unit", "Pa", locale="C")
        self.assertEqual(out, self.golden("status_ascii.txt"))
        self.assertTrue(out.isascii())

    def test_one_station_with_its_channels_in_another_unit(self):
        self.assertEqual(self.ctl("status", "A", "--unit", "inHg"), self.golden("status_one.txt"))

    def test_units_are_the_published_ones(self):
        # 8.31 mbar by the factors of NIST SP 811
        for unit, text in (("mbar", "8.31"), ("Pa", "831"), ("kPa", "0.831"), ("inHg", "0.245"), ("Torr", "6.23"), ("psi", "0.1205")):
            row = [line for line in self.ctl("status", "A", "--unit", unit).splitlines() if line.startswith("A ")][0]
            self.assertIn(f" {text} ", row)

    def test_json_is_the_apis_answer(self):
        status = json.loads(self.ctl("status", "--json"))
        self.assertEqual([s["name"] for s in status["stations"]], ["A", "B", "C"])
        station = json.loads(self.ctl("status", "B", "--json"))
        self.assertEqual(station["channels"]["vent"]["pressure_mbar"], 12.3)

    def test_old_reading_is_called_old(self):
        self.order("age 0 75")
        self.last()
        self.assertIn("Reading good, 75 s old.", self.ctl("status"))

    def test_colour_and_control_codes_are_never_printed(self):
        self.assertNotIn("\x1b", self.ctl("status"))

    def test_watch_needs_a_terminal(self):
        self.assertIn("--watch needs a terminal", self.ctl("status", "--watch", expect=USAGE))

    def test_watch_redraws_and_ends_at_interrupt(self):
        pid, fd = pty.fork()
        if pid == 0:
            os.environ.update(TAUT_SOCKET=self.path, LC_ALL="C.UTF-8")
            os.execv(os.environ["TAUTCTL"], ["tautctl", "status", "--watch"])
        seen, end = b"", time.monotonic() + 20
        while seen.count(b"\x1b[H\x1b[J") < 3 and time.monotonic() < end:
            if select.select([fd], [], [], 0.5)[0]:
                seen += os.read(fd, 65536)
        os.kill(pid, signal.SIGINT)
        while True:
            try:
                if not os.read(fd, 65536):
                    break
            except OSError:  # how Linux says that the other side is gone
                break
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        os.close(fd)
        self.assertGreaterEqual(seen.count(b"\x1b[H\x1b[J"), 3)
        self.assertIn(b"0:04:12", seen)
        self.assertEqual(code, 0)


class Commands(Ctl):
    def test_each_command_reaches_the_station_as_its_verb(self):
        for words, wanted in (
            (["isolate", "A"], {"verb": "isolate"}),
            (["test", "A", "--who", "anna"], {"verb": "test"}),
            (["fill", "A"], {"verb": "fill", "text": ""}),
            (["fill", "A", "--override", "resin is mixed"], {"verb": "fill", "text": "resin is mixed"}),
            (["cure", "B"], {"verb": "cure"}),
            (["abort", "B", "bag", "torn"], {"verb": "abort", "text": "bag torn"}),
            (["note", "B", "gelcoat batch 12, Ö"], {"verb": "note", "text": "gelcoat batch 12, Ö"}),
            (["ack", "B"], {"verb": "acknowledge", "alarm": 8}),
            (["ack", "B", "vacuum-loss"], {"verb": "acknowledge", "alarm": 0}),
            (["reset", "B", "sensor"], {"verb": "reset", "alarm": 2}),
            (["shelve", "B", "sensor", "10"], {"verb": "shelve", "alarm": 2, "number": 600}),
            (["shelve", "B", "sensor", "0.5"], {"verb": "shelve", "alarm": 2, "number": 30}),
            (["unshelve", "B", "sensor"], {"verb": "unshelve", "alarm": 2}),
            (["start", "C", "FS-9", "--recipe", "foil-shell"], {"verb": "start", "part": "FS-9", "recipe": "foil-shell"}),
            (["start", "C", "--", "--odd"], {"verb": "start", "part": "--odd", "recipe": ""}),
        ):
            before = self.last()["commands"]
            self.ctl(*words)
            last = self.last()
            self.assertEqual(last["commands"], before + 1, words)
            self.assertEqual({k: last[k] for k in wanted}, wanted, words)

    def test_who_is_passed_on(self):
        self.ctl("test", "A", "--who", "anna")
        self.assertTrue(self.last()["who"].startswith("anna ("))

    def test_answer_says_phase_and_next_step(self):
        out = self.ctl("start", "C", "FS-10")
        self.assertTrue(out.startswith("C: drawdown, FS-10. "), out)
        self.assertIn(self.stations()["C"]["advice"].split()[0], out)

    def test_refusal_has_exit_1_and_the_stations_reason(self):
        self.assertIn("finish comes after cure", self.ctl("finish", "A", expect=REFUSED))
        self.assertIn("may not clamp", self.ctl("clamp", "A", expect=REFUSED))
        self.assertIn("no station of that name", self.ctl("test", "Z", expect=REFUSED))
        self.assertIn("there are vacuum-loss, ", self.ctl("ack", "B", "horn", expect=REFUSED))
        self.assertIn("at most 127 bytes", self.ctl("start", "C", "x" * 300, expect=REFUSED))
        self.assertIn("control characters", self.ctl("start", "C", "a\tb", expect=REFUSED))

    def test_wrong_usage_has_exit_64_and_points_to_help(self):
        before = self.last()["commands"]
        for words in (["start", "A"], ["start", "A", "x", "y"], ["isolate"], ["isolate", "A", "B"], ["fill", "A", "--recipe", "x"],
                      ["abort", "A"], ["note", "A"], ["shelve", "A", "sensor"], ["shelve", "A", "sensor", "soon"],
                      ["shelve", "A", "sensor", "-1"], ["shelve", "A", "sensor", "nan"], ["test", "A", "--who"], ["test", ""], ["test", "A/../B"], ["status", "A B"], ["live", "%41"],
                      ["status", "--unit", "bananas"], ["status", "--frob"], ["status", "A", "B"], ["live"], ["live", "A", "--count", "0"]):
            self.assertIn("--help", self.ctl(*words, expect=USAGE), words)
        for words in (["frob"], ["--frob"], ["--socket"], []):
            self.ctl(*words, expect=USAGE)
        self.assertEqual(self.last()["commands"], before)

    def test_every_command_has_help_within_90_columns(self):
        listed = [line.split()[0] for line in self.ctl("--help").splitlines() if line.startswith("  ") and not line.startswith("  --")]
        self.assertGreaterEqual(len(listed), 15)
        for name in listed:
            out = self.ctl(name, "--help")
            self.assertTrue(out.lower().startswith("usage: tautctl " + name), out)
            self.assertLessEqual(max(map(len, out.splitlines())), 100, name)


class Live(Ctl):
    def test_lines_come_as_events_do(self):
        out = self.ctl("live", "B", "--count", "1")
        self.assertRegex(out, r"^2026-11-25T09:46:40.000Z sweep   fill +12.30 mbar +\+8.200 ± 0.400 good\n$")
        out = self.ctl("live", "C", "--count", "1", "--unit", "psi")
        self.assertRegex(out, r" idle +no value psi +bad:loop-low\n$")

    def test_json_lines_are_the_events(self):
        self.assertEqual(json.loads(self.ctl("live", "A", "--count", "1", "--json"))["name"], "A")

    def test_unknown_station_is_refused(self):
        self.assertIn("no station of that name", self.ctl("live", "Z", expect=REFUSED))


class Away(Ctl):
    def test_daemon_that_is_not_there_has_exit_69_and_says_where_and_what_to_do(self):
        for words in (["status"], ["start", "A", "x"], ["live", "A"]):
            err = self.ctl(*words, expect=UNREACHABLE, TAUT_SOCKET="/nowhere/taut.sock")
            self.assertIn("/nowhere/taut.sock", err)
            self.assertIn("systemctl start tautd", err)
        err = self.ctl("--socket", "/elsewhere.sock", "status", expect=UNREACHABLE)
        self.assertIn("/elsewhere.sock", err)

    def test_socket_nobody_listens_on_is_told(self):
        import socket
        dead = os.path.join(self.folder, "dead")
        with socket.socket(socket.AF_UNIX) as s:
            s.bind(dead)
        self.assertIn("nobody listens", self.ctl("status", expect=UNREACHABLE, TAUT_SOCKET=dead))

    def test_silent_program_is_given_up_after_ten_seconds(self):
        import socket
        mute = os.path.join(self.folder, "mute")
        with socket.socket(socket.AF_UNIX) as s:
            s.bind(mute)
            s.listen()
            began = time.monotonic()
            self.assertIn("does not answer in time", self.ctl("status", expect=UNREACHABLE, TAUT_SOCKET=mute))
            self.assertTrue(9 < time.monotonic() - began < 20)

    def test_proxy_settings_are_not_followed(self):
        self.ctl("status", http_proxy="http://127.0.0.1:9", ALL_PROXY="http://127.0.0.1:9")

    def test_socket_one_may_not_use_is_told(self):
        if os.getuid() == 0:  # root may use every socket: ask as somebody else
            os.chmod(self.folder, 0o755)
            try:
                done = subprocess.run([os.environ["TAUTCTL"], "status"], capture_output=True, text=True, timeout=30, user=65534,
                                      group=65534, extra_groups=[], env={"TAUT_SOCKET": self.path})
            except PermissionError:
                self.skipTest("the program's folder is closed to other accounts")
            self.assertEqual(done.returncode, UNREACHABLE, done.stderr)
            self.assertIn("your account may not use", done.stderr)
        else:
            os.chmod(self.path, 0)
            self.assertIn("your account may not use", self.ctl("status", expect=UNREACHABLE))
            os.chmod(self.path, 0o660)


if __name__ == "__main__":
    unittest.main()
