"""The whole daemon measured: CPU, system calls, user instructions, memory, periods, start, idle.

One line a figure: name, value, beside what, goal. Ratios come from one run on one machine; only counts are gates
(exit status 1): system calls and user instructions per sample.   daemon.py [short|full]
"""
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "system"))
from bench import UnixConnection  # noqa: E402

PROGRAMS = pathlib.Path(os.environ["TAUT_PROGRAMS"])
BENCH = pathlib.Path(os.environ["TAUT_BENCH"])
SECONDS = 30 if "full" in sys.argv else 8
TICK = os.sysconf("SC_CLK_TCK")
failures = []


def figure(name, value, beside, goal, gate=None):
    verdict = "" if gate is None else ("  ok" if gate else "  MISSED")
    print(f"{name:<46} {value:<22} {beside:<42} goal {goal}{verdict}", flush=True)
    if gate is False:
        failures.append(name)


class Gateway:
    def __init__(self, latency_ms=5, log=16):
        self.process = subprocess.Popen([BENCH / "gateway", str(latency_ms), str(log)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.port = int(self.process.stdout.readline().split()[1])

    def end(self):
        out, _ = self.process.communicate("", timeout=30)
        return {key: float(value) for key, value in re.findall(r"(\w+) ([-0-9.]+)", out)}


def configuration(folder, port, channels, per_station, period_s=0.1, priority=0):
    lines = [f"daemon: {{state_dir: {folder}/state, run_dir: {folder}/run}}",
             f"lines:\n  - {{name: g, kind: tcp, host: 127.0.0.1, port: {port}, real_time_priority: {priority}}}", "channels:"]
    for i in range(channels):
        lines.append(f"  - {{name: c{i}, line: g, unit: {i}, table: input, register: 0, type: uint16, reference: absolute, engineering: mbar,"
                     f" scale: 0.01, offset: 0, range: [0, 1100], period_s: {period_s}, u_mbar: 0.1, frozen_s: 0}}")
    lines.append("stations:")
    roles = ("vent", "far", "feed", "manifold")[:per_station]
    for s in range(channels // per_station):
        wired = ", ".join(f"{role}: c{s * per_station + k}" for k, role in enumerate(roles))
        lines.append(f"  - {{name: S{s}, {wired}}}")
    lines.append("recipes:\n  - {name: r, drawdown_below_mbar: 10, limit_mbar_per_min: 0.5}")
    path = pathlib.Path(folder) / "taut.yaml"
    path.write_text("\n".join(lines) + "\n")
    return path


class Daemon:
    def __init__(self, folder, path, wrap=()):
        (pathlib.Path(folder) / "state").mkdir(exist_ok=True)
        (pathlib.Path(folder) / "run").mkdir(exist_ok=True)
        self.socket = f"{folder}/run/taut.sock"
        self.log = open(f"{folder}/log", "ab")
        self.exec_ns = time.monotonic_ns()
        self.process = subprocess.Popen([*wrap, PROGRAMS / "tautd", "--config", str(path)], stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)
        end = time.monotonic() + 60
        while not os.path.exists(self.socket):
            if self.process.poll() is not None or time.monotonic() > end:
                raise RuntimeError(open(f"{folder}/log").read())
            time.sleep(0.002)

    def call(self, method, path, body=None):
        connection = UnixConnection(self.socket)
        connection.request(method, path, None if body is None else json.dumps(body), {"Content-Type": "application/json", "X-Taut-Request": "1"})
        answer = connection.getresponse()
        text = answer.read()
        connection.close()
        if answer.status != 200:
            raise RuntimeError(f"{path}: {answer.status} {text[:200]}")
        return json.loads(text)

    def start_parts(self, stations, fill=True):
        for s in range(stations):
            self.call("POST", f"/v1/stations/S{s}/commands", {"verb": "start", "part": f"P{s}", "recipe": "r"})
            if fill:
                self.call("POST", f"/v1/stations/S{s}/commands", {"verb": "fill", "text": "bench run"})

    def pid(self):
        """The daemon itself when it runs under another program."""
        for child in pathlib.Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split():
            return int(child)
        return self.process.pid

    def cpu_s(self):
        fields = pathlib.Path(f"/proc/{self.pid()}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICK

    def memory_kib(self, key="VmRSS"):
        return int(re.search(key + r":\s+(\d+)", pathlib.Path(f"/proc/{self.pid()}/status").read_text())[1])

    def switches(self):
        total = 0
        for task in pathlib.Path(f"/proc/{self.pid()}/task").iterdir():
            total += int(re.search(r"\nvoluntary_ctxt_switches:\s+(\d+)", (task / "status").read_text())[1])
        return total

    def end(self):
        self.process.terminate()
        self.process.wait(60)
        self.log.close()


def load_256():
    with tempfile.TemporaryDirectory() as folder:
        gateway = Gateway(5, 400000)
        reference = subprocess.run([BENCH / "daemon_reference", str(gateway.port), "256", str(SECONDS), folder + "/out.csv"], capture_output=True, text=True, timeout=120)
        reference_periods = gateway.end()
        reference_us = float(reference.stdout.split()[-1])
        gateway = Gateway(5, 400000)
        daemon = Daemon(folder, configuration(folder, gateway.port, 256, 4))
        daemon.start_parts(64)
        time.sleep(2)
        cpu, began = daemon.cpu_s(), time.monotonic()
        early = daemon.memory_kib()
        time.sleep(SECONDS)
        samples = 2560 * (time.monotonic() - began)
        us = 1e6 * (daemon.cpu_s() - cpu) / samples
        late = daemon.memory_kib()
        daemon.end()
        periods = gateway.end()
        figure("G7 CPU per sample, 256 at 10 Hz / reference", f"{us / reference_us:.2f}", f"{us:.1f} us against {reference_us:.1f} us", "<= 1.5")
        figure("G10 memory, 256 channels, 64 stations", f"{late / 1024:.1f} MiB", f"{early / 1024:.1f} MiB {SECONDS} s before", "<= 8 MiB and the page's")
        figure("G15 period strays, p99.9 / reference", f"{periods['p999_ms'] / reference_periods['p999_ms']:.2f}",
               f"{periods['p999_ms']:.2f} ms against {reference_periods['p999_ms']:.2f} ms", "<= 1.5")
        figure("    periods missed", f"{periods['missed']:.0f}", f"of {periods['periods']:.0f}", "0")


def syscalls_16():
    with tempfile.TemporaryDirectory() as folder:
        gateway = Gateway(2)
        daemon = Daemon(folder, configuration(folder, gateway.port, 16, 1))
        daemon.start_parts(16)
        time.sleep(1)
        strace = subprocess.Popen(["strace", "-f", "-c", "-U", "name,calls", "-o", folder + "/strace", "-p", str(daemon.pid())], stderr=subprocess.DEVNULL)
        time.sleep(SECONDS + 2)
        strace.terminate()
        strace.wait(20)
        daemon.end()
        gateway.end()
        table = pathlib.Path(folder + "/strace").read_text()
        calls = {name: int(count) for name, count in re.findall(r"^(\w+)\s+(\d+)$", table, re.M)}
        total = calls.pop("total", None) or sum(calls.values())
        sends = calls.get("sendto", 0) + calls.get("send", 0)  # one request a sample
        figure("G8 system calls per sample, everything on", f"{total / sends:.2f}",
               ", ".join(f"{k} {v / sends:.1f}" for k, v in sorted(calls.items(), key=lambda kv: -kv[1])[:5]), "<= 9", total / sends <= 9)


def instructions_16():
    """Counted between two moments of a steady run, so that start and end fall out."""
    with tempfile.TemporaryDirectory() as folder:
        gateway = Gateway(2)
        daemon = Daemon(folder, configuration(folder, gateway.port, 16, 1),
                        ["valgrind", "-q", "--tool=callgrind", "--instr-atstart=no", f"--callgrind-out-file={folder}/callgrind"])
        daemon.start_parts(16)
        time.sleep(3)
        before = daemon.call("GET", "/v1/lines")["lines"][0]["answers"]
        subprocess.run(["callgrind_control", "-i", "on", str(daemon.process.pid)], check=True, capture_output=True, timeout=30)
        time.sleep(2 * SECONDS)
        subprocess.run(["callgrind_control", "-i", "off", str(daemon.process.pid)], check=True, capture_output=True, timeout=30)
        samples = daemon.call("GET", "/v1/lines")["lines"][0]["answers"] - before
        daemon.end()
        gateway.end()
        text = pathlib.Path(folder + "/callgrind").read_text()
        keep = os.environ.get("TAUT_KEEP_PROFILE")
        if keep:
            pathlib.Path(keep).write_text(text)
        per = int(re.search(r"^totals: (\d+)", text, re.M)[1]) / samples
        figure("G9 user instructions per sample, everything on", f"{per:.0f}", f"{samples} samples, filling, trace and watch", "<= 3000", per <= 3000)


def start_and_idle():
    for n in (1, 256):
        with tempfile.TemporaryDirectory() as folder:
            gateway = Gateway(5)
            daemon = Daemon(folder, configuration(folder, gateway.port, n, 1 if n == 1 else 4))
            began = daemon.exec_ns
            time.sleep(0.5)
            daemon.end()
            ours = (gateway.end()["first_ns"] - began) / 1e6
            gateway = Gateway(5)
            began = time.monotonic_ns()
            subprocess.run([BENCH / "daemon_reference", str(gateway.port), str(n), "1", folder + "/out.csv"], capture_output=True, timeout=30)
            reference = (gateway.end()["first_ns"] - began) / 1e6
            figure(f"G16 exec to first request, N={n} / reference", f"{ours / reference:.2f}", f"{ours:.1f} ms against {reference:.1f} ms", "<= 3")
    with tempfile.TemporaryDirectory() as folder:
        gateway = Gateway(5)
        daemon = Daemon(folder, configuration(folder, gateway.port, 1, 1, period_s=60))
        time.sleep(3)
        switches, cpu = daemon.switches(), daemon.cpu_s()
        time.sleep(10)
        figure("G17 idle wake-ups per second", f"{(daemon.switches() - switches) / 10:.1f}", f"CPU {100 * (daemon.cpu_s() - cpu):.1f} ms/s", "<= 3, <= 0.2 ms/s")
        daemon.end()
        gateway.end()


if __name__ == "__main__":
    parts = {"load": load_256, "syscalls": syscalls_16, "instructions": instructions_16, "start": start_and_idle}
    for part in [word for word in sys.argv[1:] if word in parts] or parts:
        parts[part]()
    sys.exit(1 if failures else 0)
