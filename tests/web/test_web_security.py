"""What an unfriendly client may try. Each is refused, and the bench answers the next honest question."""
import os
import random
import shutil
import socket
import tempfile
import time
import unittest

import bench_client
from bench_client import BenchTest

JSON = "Content-Type: application/json"
MARK = "X-Taut-Request: 1"
TEST = b'{"verb":"test"}'


class Refusals(BenchTest):
    def tearDown(self):
        self.assertEqual(self.get("/v1/status").code, 200, "bench no longer answers")

    def refused(self, answer, code, says=""):
        self.assertEqual(answer.code, code, answer.body)
        self.assertIn(says, answer.json()["error"])

    def test_strict_headers_are_on_every_answer(self):
        for a in (self.get("/"), self.get("/v1/status"), self.get("/nothing"), self.ask("DELETE", "/v1/status"),
                  self.get("/", host="evil.example", tcp=True)):
            self.assertEqual(a.headers["x-content-type-options"], ["nosniff"])
            self.assertEqual(a.headers["cache-control"], ["no-store"])
            self.assertEqual(a.headers["cross-origin-resource-policy"], ["same-origin"])
            policy = a.headers["content-security-policy"][0]
            self.assertTrue(policy.startswith("default-src 'none'"), policy)
            self.assertIn("frame-ancestors 'none'", policy)
            self.assertNotIn("unsafe", policy)
            self.assertNotIn("access-control-allow-origin", a.headers)

    def test_wrong_methods_are_told_the_right_ones(self):
        for method in ("POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "FROB"):
            a = self.ask(method, "/v1/status", headers=[MARK])
            self.refused(a, 405)
            self.assertEqual(a.headers["allow"], ["GET, HEAD"])
        a = self.get("/v1/stations/A/commands")
        self.refused(a, 405)
        self.assertEqual(a.headers["allow"], ["POST"])
        self.refused(self.ask("DELETE", "/v1/live"), 405)
        self.assertEqual(self.ask("HEAD", "/v1/live").code, 405)

    def test_no_command_by_get(self):
        self.refused(self.get("/v1/stations/A/commands?verb=test"), 405)

    def test_path_tricks_lead_nowhere(self):
        for target in ("/../etc/passwd", "/v1/stations/../status", "/v1/stations/%2e%2e/status", "//v1/status", "/v1//status",
                       "/v1/status/", "/v1/stations/", "/v1/stations/A/", "/v1/stations/A%2Fcommands", "/v1/stations/A/commands/",
                       "/page/index.html", "/page.js/..", "/V1/status", "/v1/stations/A%0d%0aX:1", "/v1/stations/%41%2e"):
            self.assertEqual(self.get(target).code, 404 if target != "/v1/stations/A%2Fcommands" else 405, target)

    def test_nul_and_strange_bytes_in_the_address_are_refused(self):
        self.refused(self.get("/v1/stations/A%00.txt"), 400, "printable ASCII")
        self.refused(self.send(b"GET /v1/\xc3\x96 HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"), 400, "printable ASCII")

    def test_long_address_and_headers_are_refused(self):
        self.refused(self.get("/" + "a" * 1100), 400, "1024 bytes")
        self.assertIn(self.get("/" + "a" * 60000).code, (400, 414, 0))
        self.assertIn(self.get("/v1/status", headers=["X-Long: " + "a" * 60000]).code, (400, 413, 431, 0))

    def test_foreign_host_is_refused_on_tcp(self):
        for host in ("evil.example", "evil.example:8470", "127.0.0.1.evil.example", "192.168.1.7", "[::2]", "localhost@evil.example"):
            self.refused(self.get("/v1/status", tcp=True, host=host), 403, "Host")
        for host in ("localhost", f"127.0.0.1:{self.port}", "[::1]:8470"):
            self.assertEqual(self.get("/v1/status", tcp=True, host=host).code, 200, host)

    def test_missing_or_doubled_host_is_refused(self):
        a = self.send(b"GET /v1/status HTTP/1.1\r\nConnection: close\r\n\r\n", tcp=True)
        self.assertIn(a.code, (400, 403))
        a = self.send(b"GET /v1/status HTTP/1.0\r\n\r\n", tcp=True)
        self.assertIn(a.code, (400, 403))
        a = self.send(b"GET /v1/status HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\nConnection: close\r\n\r\n", tcp=True)
        self.assertIn(a.code, (400, 403))

    def test_foreign_origin_is_refused_everywhere(self):
        for origin in ("http://evil.example", "null", "http://localhost", f"http://localhost:{self.port}.evil.example", ""):
            for tcp in (True, False):
                a = self.command("A", TEST, headers=[JSON, MARK, f"Origin: {origin}"], tcp=tcp)
                self.refused(a, 403, "origin")
            self.refused(self.get("/v1/live", headers=[f"Origin: {origin}"], tcp=True), 403, "origin")
        a = self.command("A", TEST, headers=[JSON, MARK, f"Origin: http://localhost:{self.port}"], tcp=True)
        self.assertEqual(a.code, 200)

    def test_command_over_tcp_needs_its_mark(self):
        before = self.last()["commands"]
        self.refused(self.command("A", TEST, headers=[JSON], tcp=True), 403, "X-Taut-Request")
        self.refused(self.command("A", TEST, headers=[JSON, "X-Taut-Request: yes"], tcp=True), 403, "X-Taut-Request")
        # a form, as a foreign page may send it without asking
        form = "Content-Type: application/x-www-form-urlencoded"
        self.refused(self.command("A", TEST, headers=[form], tcp=True), 403)
        self.refused(self.command("A", TEST, headers=[form, MARK], tcp=True), 415, "application/json")
        # a browser behind a proxy on the Unix socket
        self.refused(self.command("A", TEST, headers=[JSON, f"Origin: http://localhost:{self.port}"]), 403, "X-Taut-Request")
        self.assertEqual(self.last()["commands"], before)

    def test_body_over_64_kib_is_refused(self):
        fits = b'{"verb":"test"' + b" " * (65536 - 15) + b"}"
        self.assertEqual(self.command("A", fits).code, 200)
        self.refused(self.command("A", fits + b" "), 413, "64 KiB")
        raw = (b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nTransfer-Encoding: chunked\r\n\r\n")
        chunk = b"4000\r\n" + b" " * 0x4000 + b"\r\n"
        self.refused(self.send(raw + chunk * 5 + b"0\r\n\r\n"), 413, "64 KiB")
        self.assertIn(self.send(raw + chunk * 200 + b"0\r\n\r\n").code, (0, 413))
        huge = b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999999999999999\r\n\r\n"
        self.assertIn(self.send(huge).code, (0, 400, 413))

    def test_smuggled_second_question_is_not_answered_as_one(self):
        raw = (b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nContent-Length: 15\r\nTransfer-Encoding: chunked\r\n"
               b"Connection: close\r\n\r\n0\r\n\r\nGET /v1/status HTTP/1.1\r\nHost: localhost\r\n\r\n")
        self.assertIn(self.send(raw).code, (0, 400))

    def test_no_text_of_the_client_gets_into_the_headers(self):
        for a in (self.get("/v1/stations/A%0d%0aSet-Cookie:x=1"), self.get("/v1/live?station=A%0d%0aSet-Cookie:x=1"),
                  self.command("A", b'{"verb":"x\\r\\nSet-Cookie: x=1"}'),
                  self.get("/v1/live?station=Z", headers=["Last-Event-ID: 1%0d%0aSet-Cookie: x"])):
            self.assertNotIn("set-cookie", a.headers)
            self.assertGreaterEqual(a.code, 400)

    def test_garbage_is_survived(self):
        for raw in (b"\r\n\r\n", b"\x16\x03\x01\x02\x00\x01\x00", b"GET\r\n\r\n", b"\x00" * 4096, b"GET / HTTP/9.9\r\n\r\n",
                    b"A" * 30000, b"GET / HTTP/1.1\r\n: x\r\n\r\n", b"GET / HTTP/1.1\r\nHost localhost\r\n\r\n"):
            with self.connect(timeout=0.3) as s:
                try:
                    s.sendall(raw)
                    s.shutdown(socket.SHUT_WR)
                    answer = bench_client.read_all(s)
                    self.assertFalse(answer.startswith(b"HTTP/1.1 2"), answer)
                except (BrokenPipeError, socket.timeout):
                    pass


class Mangled(BenchTest):
    """Good questions with bytes changed, doubled, cut and swapped; the same ones each time (seeded)."""

    SEEDS = (
        b"GET /v1/stations/A HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /v1/live?station=B HTTP/1.1\r\nHost: localhost\r\nLast-Event-ID: 12\r\n\r\n",
        b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 47\r\n\r\n"
        b'{"verb":"shelve","alarm":"sensor","number":600}',
        b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n"
        b'f\r\n{"verb":"start"\r\n10\r\n,"part":"\\u00d6"}\r\n0\r\n\r\n',
    )

    def mangle(self, dice, raw):
        raw = bytearray(raw)
        for _ in range(dice.randint(1, 6)):
            at = dice.randrange(len(raw)) if raw else 0
            what = dice.randrange(5)
            if what == 0 and raw:
                raw[at] = dice.randrange(256)
            elif what == 1:
                raw[at:at] = bytes([dice.randrange(256)]) * dice.choice((1, 3, 300))
            elif what == 2:
                del raw[at:at + dice.randint(1, 8)]
            elif what == 3:
                raw[at:at] = raw[at:at + dice.randint(1, 30)]
            elif what == 4:
                raw[at:at] = dice.choice((b"\r\n", b"\\u0000", b"%00", b"\xff\xfe", b"{", b'"', b"1e999", b": ", b"\x00"))
        return bytes(raw)

    def test_bench_survives_three_thousand_mangled_questions(self):
        dice, codes = random.Random(20261125), {}
        for _ in range(3000):
            with self.connect(timeout=0.02) as s:
                try:
                    s.sendall(self.mangle(dice, dice.choice(self.SEEDS)))
                    s.shutdown(socket.SHUT_WR)
                    head = s.recv(16)
                except (BrokenPipeError, ConnectionResetError, socket.timeout):
                    head = b""
            code = head[9:12].decode("latin-1")
            codes[code] = codes.get(code, 0) + 1
        print("answers to mangled questions:", dict(sorted(codes.items())))
        self.assertTrue(set(codes) <= {"", "200", "400", "403", "404", "405", "411", "413", "414", "415", "431", "501", "503", "505", "100"}, codes)
        self.assertGreater(codes.get("400", 0), 200)
        self.assertEqual(self.get("/v1/status").code, 200)


class Slow(BenchTest):
    def test_silent_and_dripping_clients_are_cut_off_while_others_are_served(self):
        began = time.monotonic()
        silent, dripping, body = self.connect(), self.connect(), self.connect()
        dripping.sendall(b"GET /v1/status HTTP/1.1\r\nHost: localhost\r\nX-Drip: ")
        body.sendall(b"POST /v1/stations/A/commands HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\n")
        ended = {}
        while len(ended) < 3 and time.monotonic() - began < 20:
            for name, s, drop in (("silent", silent, b""), ("dripping", dripping, b"a"), ("body", body, b" ")):
                if name in ended:
                    continue
                try:
                    s.sendall(drop)
                    s.settimeout(0.05)
                    if s.recv(4096) == b"":
                        raise ConnectionResetError
                except socket.timeout:
                    pass
                except (BrokenPipeError, ConnectionResetError):
                    ended[name] = time.monotonic() - began
            asked = time.monotonic()
            self.assertEqual(self.get("/v1/status").code, 200)
            self.assertLess(time.monotonic() - asked, 2)
            time.sleep(0.5)
        for s in (silent, dripping, body):
            s.close()
        self.assertEqual(set(ended), {"silent", "dripping", "body"})
        for name, seconds in ended.items():
            self.assertTrue(8 < seconds < 16, (name, seconds))

    def test_many_idle_tcp_clients_do_not_lock_out_the_unix_socket(self):
        crowd = [self.connect(tcp=True) for _ in range(80)]
        try:
            self.assertEqual(self.get("/v1/status").code, 200)
            self.assertLess(len(os.listdir(f"/proc/{self.bench.pid}/fd")), 100)
        finally:
            for s in crowd:
                s.close()
        self.assertEqual(self.get("/v1/status", tcp=True).code, 200)


class Starting(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.mkdtemp(prefix="taut-web-")
        self.path = os.path.join(self.folder, "s")

    def tearDown(self):
        shutil.rmtree(self.folder)

    def refused(self, says, *options, path=None):
        bench, hello = bench_client.start(path or self.path, *options)
        if bench:
            bench_client.stop(bench)
        self.assertIsNone(bench, "started")
        self.assertEqual(hello["code"], 1)
        self.assertIn(says, hello["error"])

    def test_socket_left_by_a_dead_program_is_replaced(self):
        dead = socket.socket(socket.AF_UNIX)
        dead.bind(self.path)
        dead.close()
        bench, hello = bench_client.start(self.path)
        self.assertTrue(bench, hello)
        self.assertEqual(bench_client.stop(bench)[0], 0)
        self.assertFalse(os.path.exists(self.path))

    def test_socket_of_a_living_program_is_left_alone(self):
        living = socket.socket(socket.AF_UNIX)
        living.bind(self.path)
        living.listen()
        before = os.stat(self.path).st_ino
        self.refused("is tautd running already?")
        self.assertEqual(os.stat(self.path).st_ino, before)
        living.close()

    def test_ordinary_file_in_the_way_is_left_alone(self):
        with open(self.path, "w") as f:
            f.write("mine")
        self.refused("not a socket")
        with open(self.path) as f:
            self.assertEqual(f.read(), "mine")

    def test_socket_replaced_by_another_is_not_removed_at_the_end(self):
        bench, _ = bench_client.start(self.path)
        os.unlink(self.path)
        other = socket.socket(socket.AF_UNIX)
        other.bind(self.path)
        self.assertEqual(bench_client.stop(bench)[0], 0)
        self.assertTrue(os.path.exists(self.path))
        other.close()

    def test_impossible_places_are_refused_with_the_reason(self):
        self.refused("its folder does not exist", path=os.path.join(self.folder, "no", "s"))
        self.refused("at most 107 bytes", path=os.path.join(self.folder, "x" * 120))
        self.refused("no group \"no-such-group\"", "--group", "no-such-group")
        self.assertFalse(os.path.exists(self.path))

    def test_group_is_given_the_socket(self):
        import grp
        mine = grp.getgrgid(os.getgroups()[0] if os.getgroups() else os.getgid())
        bench, hello = bench_client.start(self.path, "--group", mine.gr_name)
        self.assertTrue(bench, hello)
        self.assertEqual(os.stat(self.path).st_gid, mine.gr_gid)
        bench_client.stop(bench)

    def test_only_loopback_may_be_listened_on(self):
        for address in ("0.0.0.0", "192.168.1.7", "::", "example.org", "128.0.0.1"):
            self.refused("only a loopback address", "--tcp", address)
            self.assertFalse(os.path.exists(self.path))

    def test_port_in_use_is_told(self):
        taken = socket.socket()
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        self.refused("another program uses this port", "--tcp", "127.0.0.1", "--port", str(taken.getsockname()[1]))
        taken.close()


if __name__ == "__main__":
    unittest.main()
