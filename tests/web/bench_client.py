"""Starts the made-up bench and talks to it: raw sockets, so that wrong HTTP can be sent too."""
import json
import os
import shutil
import socket
import subprocess
import tempfile
import unittest


def start(socket_path, *options):
    bench = subprocess.Popen([os.environ["WEB_BENCH"], socket_path, *options], stdin=subprocess.PIPE,
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    line = bench.stdout.readline()
    if not line:
        error = bench.communicate(timeout=10)[1]
        return None, {"error": error, "code": bench.returncode}
    return bench, json.loads(line)


def stop(bench):
    """Ends the bench in the orderly way; returns (exit code, what it said on stderr)."""
    try:
        bench.stdin.write("quit\n")
        bench.stdin.close()
    except BrokenPipeError:
        pass
    code = bench.wait(timeout=20)
    error = bench.stderr.read()
    bench.stdout.close()
    bench.stderr.close()
    return code, error


class Answer:
    def __init__(self, raw):
        head, _, self.body = raw.partition(b"\r\n\r\n")
        lines = head.decode("latin-1").split("\r\n")
        self.line = lines[0]
        self.code = int(lines[0].split()[1]) if lines[0].startswith("HTTP/") else 0
        self.headers = {}
        for line in lines[1:]:
            name, _, value = line.partition(":")
            self.headers.setdefault(name.strip().lower(), []).append(value.strip())

    def json(self):
        return json.loads(self.body)


def read_all(s):
    raw = b""
    while True:
        try:
            piece = s.recv(65536)
        except ConnectionResetError:
            return raw
        if not piece:
            return raw
        raw += piece


class BenchTest(unittest.TestCase):
    options = ("--tcp", "127.0.0.1")

    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.mkdtemp(prefix="taut-web-")
        cls.path = os.path.join(cls.folder, "taut.sock")
        cls.bench, cls.hello = start(cls.path, *cls.options)
        assert cls.bench, cls.hello
        cls.port = cls.hello["port"]

    @classmethod
    def tearDownClass(cls):
        code, error = stop(cls.bench)
        shutil.rmtree(cls.folder)
        assert code == 0, (code, error)
        assert "ERROR: AddressSanitizer" not in error and "runtime error" not in error, error

    def order(self, line):
        self.bench.stdin.write(line + "\n")
        self.bench.stdin.flush()

    def last(self):
        self.order("last")
        return json.loads(self.bench.stdout.readline())

    def connect(self, tcp=False, timeout=20):
        s = socket.socket(socket.AF_INET if tcp else socket.AF_UNIX)
        s.settimeout(timeout)
        s.connect(("127.0.0.1", self.port) if tcp else self.path)
        return s

    def send(self, raw, tcp=False):
        with self.connect(tcp) as s:
            try:
                s.sendall(raw)
            except (BrokenPipeError, ConnectionResetError):
                pass  # the answer may come, and the door close, before all was said
            return Answer(read_all(s))

    def ask(self, method, target, headers=(), body=b"", tcp=False, host=None):
        lines = [f"{method} {target} HTTP/1.1", f"Host: {host or f'localhost:{self.port}'}", "Connection: close"]
        lines += list(headers)
        if body or method == "POST":
            lines.append(f"Content-Length: {len(body)}")
        return self.send("\r\n".join(lines).encode() + b"\r\n\r\n" + body, tcp)

    def get(self, target, **more):
        return self.ask("GET", target, **more)

    def command(self, station, body, headers=("Content-Type: application/json", "X-Taut-Request: 1"), **more):
        raw = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self.ask("POST", f"/v1/stations/{station}/commands", headers=headers, body=raw, **more)
