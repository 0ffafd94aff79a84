"""Server-sent events, read by a parser of our own after the WHATWG HTML standard, section "Server-sent events"."""
import json
import socket
import time
import unittest

from bench_client import BenchTest


class Stream:
    def __init__(self, test, target="/v1/live", headers=(), tcp=False):
        self.s = test.connect(tcp)
        head = [f"GET {target} HTTP/1.1", f"Host: localhost:{test.port}", *headers]
        self.s.sendall("\r\n".join(head).encode() + b"\r\n\r\n")
        self.raw = b""
        self.text = b""
        self.comments = 0
        while b"\r\n\r\n" not in self.raw:
            piece = self.s.recv(4096)
            if not piece:
                raise ConnectionError(self.raw)
            self.raw += piece
        self.head, _, self.raw = self.raw.partition(b"\r\n\r\n")

    def unchunk(self):
        while b"\r\n" in self.raw:
            size, _, rest = self.raw.partition(b"\r\n")
            n = int(size, 16)
            if len(rest) < n + 2:
                return
            self.text += rest[:n]
            self.raw = rest[n + 2:]

    def events(self, seconds, most=10**6):
        """Events that come within so many seconds, at most so many."""
        end, found = time.monotonic() + seconds, []
        while len(found) < most:
            self.unchunk()
            block, mark, rest = self.text.partition(b"\n\n")
            if mark:
                self.text = rest
                fields = {}
                for line in block.decode().split("\n"):
                    name, _, value = line.partition(":")
                    fields[name] = value.removeprefix(" ")
                if "" in fields:
                    self.comments += 1
                if "data" in fields:
                    found.append((int(fields["id"]), fields["event"], json.loads(fields["data"])))
                continue
            left = end - time.monotonic()
            if left <= 0:
                break
            self.s.settimeout(left)
            try:
                piece = self.s.recv(65536)
            except socket.timeout:
                break
            if not piece:
                break
            self.raw += piece
        return found

    def close(self):
        self.s.close()


class Live(BenchTest):
    def stream(self, *args, **more):
        stream = Stream(self, *args, **more)
        self.addCleanup(stream.close)
        return stream

    def test_new_listener_learns_every_station_at_once(self):
        stream = self.stream()
        self.assertIn(b"text/event-stream", stream.head)
        self.assertEqual([e[2]["name"] for e in stream.events(2, 3)], ["A", "B", "C"])

    def test_snapshot_is_not_followed_by_the_same_again(self):
        self.order("publish 0 sweep")
        self.last()
        self.assertEqual(len(self.stream().events(0.5)), 3)

    def test_event_has_rising_id_its_name_and_the_new_state(self):
        stream = self.stream()
        stream.events(2, 3)
        self.order("pressure 0 905")
        self.order("publish 0 sweep")
        self.order("publish 1 alarm")
        got = stream.events(2, 2)
        self.assertEqual({(e[1], e[2]["name"]) for e in got}, {("sweep", "A"), ("alarm", "B")})
        self.assertLess(got[0][0], got[1][0])
        self.assertEqual([e[2]["pressure_mbar"] for e in got if e[1] == "sweep"], [9.05])

    def test_filter_shows_one_station_only(self):
        stream = self.stream("/v1/live?station=B")
        self.assertEqual([e[2]["name"] for e in stream.events(1, 1)], ["B"])
        self.order("publish 0 phase")
        self.order("publish 1 phase")
        self.assertEqual([e[2]["name"] for e in stream.events(1)], ["B"])
        self.assertEqual(self.get("/v1/live?station=Z").code, 404)

    def test_sweeps_are_thinned_to_ten_a_second_and_the_last_one_arrives(self):
        stream = self.stream("/v1/live?station=A")
        stream.events(1, 1)
        began = time.monotonic()
        for i in range(300):
            self.order(f"pressure 0 {1000 + i}")
            self.order("publish 0 sweep")
            time.sleep(0.005)
        seconds = time.monotonic() - began
        got = stream.events(0.5)
        self.assertTrue(3 <= len(got) <= 10 * (seconds + 0.5) + 2, (len(got), seconds))
        self.assertEqual(got[-1][2]["pressure_mbar"], 12.99)

    def test_listener_that_was_cut_off_gets_what_it_missed(self):
        first = self.stream()
        first.events(2, 3)
        self.order("publish 1 alarm")
        seen = first.events(2, 1)[0][0]
        first.close()
        for what in ("phase", "verdict", "alarm"):
            self.order(f"publish 0 {what}")
        self.last()
        again = self.stream(headers=[f"Last-Event-ID: {seen}"])
        got = again.events(1)
        self.assertEqual([e[1] for e in got if e[1] != "sweep"], ["phase", "verdict", "alarm"])
        self.assertEqual([e[2]["name"] for e in got if e[1] == "sweep"], ["A", "B", "C"])
        self.assertEqual([e[0] for e in got], sorted(e[0] for e in got))

    def test_nonsense_as_last_event_id_is_ignored(self):
        for value in ("x", "-1", "99999999999999999999999", "18446744073709551615", "1e3", ""):
            stream = self.stream(headers=[f"Last-Event-ID: {value}"])
            self.assertEqual([e[1] for e in stream.events(1, 3)], ["sweep"] * 3, value)
            stream.close()

    def test_twenty_listeners_of_which_one_never_reads(self):
        readers = [self.stream(tcp=i % 2 == 0) for i in range(19)]
        deaf = self.connect()
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        self.addCleanup(deaf.close)
        deaf.sendall(b"GET /v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        self.get("/v1/status")  # by now the deaf one is listening
        for r in readers:
            self.assertTrue(r.events(0.2))
        alarms, began, worst = [0] * 19, time.monotonic(), 0
        for i in range(300):
            sent = time.monotonic()
            self.order("publish 0 alarm")
            if i % 10 == 9:
                for k, r in enumerate(readers):
                    alarms[k] += len([e for e in r.events(5, 10) if e[1] == "alarm"])
                worst = max(worst, time.monotonic() - sent)
            else:
                time.sleep(0.003)
        self.assertEqual(alarms, [300] * 19)
        self.assertLess(worst, 2)
        print(f"19 readers beside one that never reads: slowest round {worst * 1e3:.0f} ms in {time.monotonic() - began:.1f} s")

    def test_quiet_stream_says_that_it_is_there(self):
        stream = self.stream("/v1/live?station=C")
        stream.events(2, 1)
        self.assertEqual(stream.events(33), [])
        self.assertEqual(stream.comments, 2)
        self.order("publish 2 phase")
        self.assertEqual([e[1] for e in stream.events(2, 1)], ["phase"])

    def test_too_many_listeners_are_refused_and_questions_still_answered(self):
        streams = []
        for i in range(56):
            streams.append(self.stream(tcp=True))
        self.assertEqual(self.get("/v1/live").code, 503)
        self.assertEqual(self.get("/v1/status", tcp=True).code, 200)
        for stream in streams:
            stream.close()
        end = time.monotonic() + 5
        while time.monotonic() < end:
            self.order("publish 0 phase")  # writing shows who is gone
            time.sleep(0.05)
            try:
                again = Stream(self)
            except ConnectionError:
                continue
            if b"200" in again.head.split(b"\r\n")[0]:
                self.assertEqual(len(again.events(1, 3)), 3)
                again.close()
                return
            again.close()
        self.fail("no room was made")


class Ending(BenchTest):
    def test_open_streams_end_when_the_program_ends(self):
        stream = Stream(self)
        stream.events(2, 3)
        began = time.monotonic()
        self.order("quit")
        self.assertEqual(stream.events(5), [])
        self.assertEqual(self.bench.wait(timeout=5), 0)
        self.assertLess(time.monotonic() - began, 3)
        stream.close()


if __name__ == "__main__":
    unittest.main()
