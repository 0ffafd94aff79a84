"""Every address of the API, asked by another HTTP and JSON implementation (Python, curl)."""
import json
import math
import os
import pwd
import re
import stat
import subprocess
import unittest

from bench_client import BenchTest


class Views(BenchTest):
    def test_status_tells_version_lines_and_stations(self):
        a = self.get("/v1/status")
        self.assertEqual(a.code, 200)
        self.assertEqual(a.headers["content-type"], ["application/json"])
        s = a.json()
        self.assertRegex(s["version"], r"^\d+\.\d+\.\d+$")
        self.assertEqual(s["uptime_s"], 11520)
        self.assertEqual([line["name"] for line in s["lines"]], ["benches", "foil"])
        self.assertEqual((s["lines"][0]["up"], s["lines"][1]["up"]), (True, False))
        self.assertEqual((s["lines"][0]["answers"], s["lines"][1]["timeouts"]), (99, 100))
        self.assertEqual([station["name"] for station in s["stations"]], ["A", "B", "C"])

    def test_summary_of_a_drop_test_has_rate_limit_and_time_needed(self):
        a, b, c = self.get("/v1/stations").json()["stations"]
        self.assertEqual((a["phase"], a["in_phase_s"], a["needed_s"]), ("drop-test", 252, 180))
        self.assertEqual(a["part"], 'RB-114 "Ö"')
        self.assertTrue(math.isclose(a["pressure_mbar"], 8.31))
        self.assertEqual((a["rate_mbar_per_min"], a["u_rate_mbar_per_min"], a["rate_from"]), (0.213, 0.031, "drop-test"))
        self.assertEqual(a["limit_mbar_per_min"], 0.5)
        self.assertEqual(a["verdict"], "fail")  # of the test before
        self.assertEqual(b["rate_from"], "watch")
        self.assertEqual([x["alarm"] for x in b["alarms"]], ["vacuum-loss"])
        self.assertEqual((b["alarms"][0]["calls"], b["alarms"][0]["cause"], b["alarms"][0]["confidence"]), (True, "leak", 0.92))
        self.assertIsNone(c["part"])
        self.assertTrue(all(s["advice"] for s in (a, b, c)))

    def test_bad_reading_has_no_number(self):
        c = self.get("/v1/stations/C").json()
        self.assertIsNone(c["pressure_mbar"])
        self.assertEqual((c["quality"], c["reason"]), ("bad", "loop-low"))
        self.assertIsNone(c["channels"]["vent"]["pressure_mbar"])
        self.assertTrue(math.isclose(c["channels"]["temperature"]["temperature_degc"], 21.5))

    def test_station_has_channels_test_history_alarms_run_and_recipe(self):
        a = self.get("/v1/stations/A").json()
        self.assertEqual(set(a["channels"]), {"vent", "manifold"})
        self.assertEqual(a["channels"]["vent"]["calibrated"], "2026-03-01")
        d = a["drop_test"]
        self.assertEqual((d["stage"], d["verdict"], d["model"]), ("measuring", "none", "transient-line"))
        self.assertLess(d["rate_low_mbar_per_min"], d["rate_mbar_per_min"])
        self.assertLess(d["rate_mbar_per_min"], d["rate_high_mbar_per_min"])
        self.assertIsNone(d["rise_mbar"])
        self.assertTrue(math.isclose(d["leak_mbar_l_per_s"], 10 * d["leak_pa_m3_per_s"]))
        # rate times volume: 0.213 mbar/min in 2.4 L
        self.assertTrue(math.isclose(d["leak_mbar_l_per_s"], 0.213 / 60 * 2.4, rel_tol=1e-6))
        self.assertEqual([t["verdict"] for t in a["tests"]], ["fail"])
        self.assertEqual(len(a["alarms_of_all_kinds"]), 8)
        self.assertEqual((a["run"]["number"], a["rows"], a["run"]["who"]), (2, 40000, "anna (shop)"))
        self.assertEqual(a["folder"], "/var/lib/taut/parts/RB-114/2")
        self.assertTrue(math.isclose(a["recipe"]["limit_mbar_per_min"], 0.5))
        self.assertEqual(a["recipe"]["name"], "rudder")
        self.assertEqual(a["figures"]["drawdown"]["highest_mbar"], 1013.25)
        b = self.get("/v1/stations/B").json()
        self.assertTrue(math.isclose(b["watch"]["above_mbar"], 4.1))
        self.assertIsNone(b["drop_test"])

    def test_channels_and_config_are_listed(self):
        channels = self.get("/v1/channels").json()["channels"]
        self.assertEqual([c["name"] for c in channels], ["A.vent", "pump", "B.vent", "C.vent", "C.room"])
        self.assertEqual((channels[3]["quality"], channels[3]["bad"], channels[3]["number"]), ("bad", 7, None))
        self.assertTrue(math.isclose(channels[4]["temperature_degc"], 21.5))
        config = self.get("/v1/config").json()
        self.assertEqual([s["name"] for s in config["stations"]], ["A", "B", "C"])
        self.assertEqual(config["stations"][0]["vent"], "A.vent")
        self.assertEqual([r["name"] for r in config["recipes"]], ["rudder", "foil-shell"])
        self.assertEqual(config["recipes"][0]["mode"], "early")
        self.assertEqual(len(self.get("/v1/lines").json()["lines"]), 2)

    def test_age_grows_with_the_reading(self):
        self.order("age 0 12.5")
        age = self.get("/v1/stations/A").json()["age_s"]
        self.assertTrue(12.5 <= age < 20, age)

    def test_page_is_embedded_and_asks_nobody_else(self):
        page = self.get("/", tcp=True)
        self.assertEqual((page.code, page.headers["content-type"]), (200, ["text/html; charset=utf-8"]))
        self.assertIn(b"implode", page.body)
        for target, kind in (("/page.css", "text/css; charset=utf-8"), ("/page.js", "text/javascript; charset=utf-8")):
            a = self.get(target, tcp=True)
            self.assertEqual((a.code, a.headers["content-type"]), (200, [kind]))
            self.assertNotIn(b"://", a.body)
        self.assertNotIn(b"://", page.body)

    def test_head_has_the_headers_without_the_body(self):
        a = self.ask("HEAD", "/v1/status")
        self.assertEqual((a.code, a.body), (200, b""))
        self.assertGreater(int(a.headers["content-length"][0]), 100)

    def test_connection_is_kept_for_the_next_question(self):
        with self.connect() as s:
            for _ in range(3):
                s.sendall(b"GET /v1/lines HTTP/1.1\r\nHost: localhost\r\n\r\n")
                raw = b""
                while not raw.endswith(b"]}"):
                    piece = s.recv(65536)
                    self.assertTrue(piece, "closed")
                    raw += piece


class Manual(BenchTest):
    """taut-api(7) says what is true."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        with open(os.path.join(os.environ["TAUT_SOURCE"], "daemon/man/taut-api.7"), encoding="utf-8") as f:
            cls.page = f.read()

    def section(self, title):
        return self.page.split(f".Ss {title}\n")[1].split("\n.S")[0]

    def test_every_address_answers_and_none_is_left_out(self):
        written = re.findall(r"^\.It Li GET (\S+)$", self.page, re.M)
        self.assertEqual(len(written), 8)
        for target in written:
            if target != "/v1/live":
                self.assertEqual(self.get(target.replace("NAME", "A")).code, 200, target)
        with open(os.path.join(os.environ["TAUT_SOURCE"], "daemon/web/answer.c"), encoding="utf-8") as f:
            served = set(re.findall(r'"(/v1/[a-z]+)/?"', f.read()))
        self.assertEqual({t.replace("/NAME", "") for t in written} - {"/"}, served)

    def test_keys_of_a_station_are_the_ones_in_the_answer(self):
        written = re.findall(r"^\.It Li (\w+) Ta", self.section("A station in short"), re.M)
        stations = self.get("/v1/stations").json()["stations"]
        for station in stations:
            self.assertEqual(list(station), written)
        alarm = stations[1]["alarms"][0]
        for key in alarm:
            self.assertRegex(self.section("A station in short"), rf"\b{key}\b")

    def test_verbs_and_keys_of_commands_are_taken(self):
        rows = dict(re.findall(r"^\.It Li (\w+) Ta (.*)$", self.section("Commanding"), re.M))
        self.assertEqual(set(rows), {"verb", "who", "part", "recipe", "text", "alarm", "number"})
        values = {"part": "P", "text": "t", "alarm": "sensor", "number": 5}
        for verb in rows["verb"].split(", "):
            body = {"verb": verb, "who": "anna"}
            for key, text in rows.items():
                if key in values and re.search(rf"\b{verb}\b[^;]*:", text):
                    body[key] = values[key]
            answer = self.command("B", body)
            self.assertIn(answer.code, (200, 403, 409), (body, answer.body))  # the bench refuses finish and clamp


class Commands(BenchTest):
    def account(self):
        try:
            return pwd.getpwuid(os.getuid()).pw_name
        except KeyError:
            return f"uid {os.getuid()}"

    def test_command_reaches_the_host_with_the_kernels_word_for_who(self):
        a = self.command("A", {"verb": "note", "text": 'sealed "edge" Ö'})
        self.assertEqual(a.code, 200)
        self.assertEqual(a.json()["name"], "A")
        last = self.last()
        self.assertEqual((last["verb"], last["text"]), ("note", 'sealed "edge" Ö'))
        self.assertEqual((last["local"], last["uid"], last["account"]), (True, os.getuid(), self.account()))
        self.assertEqual(last["who"], self.account())

    def test_given_name_stands_before_the_account(self):
        self.command("A", {"verb": "test", "who": "anna"})
        self.assertEqual(self.last()["who"], f"anna ({self.account()})")
        self.command("A", {"verb": "test", "who": "anna"}, tcp=True)
        last = self.last()
        self.assertEqual((last["who"], last["local"], last["account"]), ("anna (tcp)", False, "tcp"))

    @unittest.skipUnless(os.getuid() == 0, "only root can be somebody else")
    def test_another_account_is_told_by_the_kernel_and_kept_out_without_the_group(self):
        os.chmod(self.folder, 0o755)
        ask = ["curl", "-sS", "--unix-socket", self.path, "-H", "Content-Type: application/json", "-d",
               '{"verb":"test","who":"root"}', "http://localhost/v1/stations/A/commands"]
        other = dict(user=65534, group=65534, extra_groups=[], capture_output=True, text=True, timeout=20)
        before = self.last()["commands"]
        self.assertEqual(subprocess.run(ask, **other).returncode, 7)  # can not connect
        self.assertEqual(self.last()["commands"], before)
        os.chmod(self.path, 0o666)
        subprocess.run(ask, **other, check=True)
        os.chmod(self.path, 0o660)
        last = self.last()
        self.assertEqual((last["uid"], last["account"], last["who"]), (65534, "nobody", "root (nobody)"))

    def test_start_carries_part_and_recipe(self):
        a = self.command("C", {"verb": "start", "part": "FS-8/ä", "recipe": "foil-shell"})
        self.assertEqual((a.code, a.json()["phase"], a.json()["part"]), (200, "drawdown", "FS-8/ä"))
        last = self.last()
        self.assertEqual((last["part"], last["recipe"]), ("FS-8/ä", "foil-shell"))

    def test_shelve_carries_alarm_and_seconds(self):
        self.assertEqual(self.command("B", {"verb": "shelve", "alarm": "vacuum-loss", "number": 600}).code, 200)
        last = self.last()
        self.assertEqual((last["alarm"], last["number"]), (0, 600))

    def test_refusals_have_their_code_and_reason(self):
        before = self.last()["commands"]
        a = self.command("A", {"verb": "finish"})
        self.assertEqual((a.code, a.json()["error"]), (409, "the part is in drop-test; finish comes after cure"))
        self.assertEqual(self.command("A", {"verb": "clamp"}).code, 403)
        self.assertEqual(self.command("Z", {"verb": "test"}).code, 404)
        for body in (b"", b"{", b"[]", b'{"verb":"explode"}', b'{"verb":"test","frob":1}', b'{"verb":"note","text":"\xff"}',
                     b'{"verb":"start","part":"' + b"x" * 200 + b'"}'):
            a = self.command("A", body)
            self.assertEqual(a.code, 400, body)
            self.assertTrue(a.json()["error"])
        self.assertEqual(self.last()["commands"], before)

    def test_chunked_body_is_taken(self):
        raw = (b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
               b"Transfer-Encoding: chunked\r\n\r\n9\r\n{\"verb\":\"\r\n6\r\ntest\"}\r\n0\r\n\r\n")
        self.assertEqual(self.send(raw).code, 200)

    def test_curl_agrees(self):
        out = subprocess.run(["curl", "-sS", "--unix-socket", self.path, "-H", "Content-Type: application/json", "-d",
                              '{"verb":"isolate"}', "http://localhost/v1/stations/A/commands"], capture_output=True, text=True,
                             timeout=20, check=True)
        self.assertEqual(json.loads(out.stdout)["name"], "A")
        self.assertEqual(self.last()["verb"], "isolate")


class SocketFile(BenchTest):
    options = ()

    def test_only_owner_and_group_may_connect(self):
        there = os.stat(self.path)
        self.assertTrue(stat.S_ISSOCK(there.st_mode))
        self.assertEqual(stat.S_IMODE(there.st_mode), 0o660)

    def test_without_a_configured_address_there_is_no_tcp(self):
        self.assertEqual(self.port, 0)


if __name__ == "__main__":
    unittest.main()
