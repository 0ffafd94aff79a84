"""A whole bench for system tests: tautsim and tautd in a folder of their own, driven by tautctl and the API.

Every wait is bounded; only the processes started here are ended. Simulated time runs SPEED times as fast.
"""
import csv
import http.client
import json
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time

SPEED = float(os.environ.get("TAUT_TEST_SPEED", "20"))
PROGRAMS = pathlib.Path(os.environ["TAUT_PROGRAMS"])

SCENARIO = """
seed: 5
ambient: {pressure_mbar: 1011.5, temperature_degc: 21}
pump: {speed_l_per_s: 3, ultimate_mbar: 2, manifold_l: 8, backflow_l_per_s: 0.05}
gateways:
  - {name: benches, port: 0}
bags:
  - {name: A, volume_l: 2.4, far_share: 0.4, link_l_per_s: 0.15, vent_l_per_s: 0.6, leak_mbar_per_min: 0.05,
     release_mbar_l: 2, release_s: 60, fill_s: 400}
sensors:
  - {name: A.vent, bag: A, at: vent, unit: 1, register: 0, range: [0, 1100], noise_mbar: 0.03}
  - {name: pump, at: manifold, unit: 3, register: 0, range: [0, 1100], noise_mbar: 0.03}
valves:
  - {name: valve-A, bag: A, unit: 10, coil: 0}
"""

CONFIG = """
daemon: {{state_dir: {dir}/state, run_dir: {dir}/run, on_alarm: {hook}, on_verdict: {hook}}}
lines:
  - {{name: benches, kind: tcp, host: 127.0.0.1, port: {port}, timeout_s: 0.3, retry_most_s: 2}}
channels:
  - {{name: A.vent, line: benches, unit: 1, table: input, register: 0, type: float32, order: ABCD,
     reference: absolute, engineering: mbar, range: [0, 1100], period_s: 0.2, u_mbar: 0.1}}
  - {{name: pump, line: benches, unit: 3, table: input, register: 0, type: float32, order: ABCD,
     reference: absolute, engineering: mbar, range: [0, 1100], period_s: 0.2, u_mbar: 0.1}}
stations:
  - {{name: A, vent: A.vent, manifold: pump{valve}, volume_l: 2.4}}
recipes:
  - {{name: rudder, drawdown_below_mbar: 10, drawdown_hold_s: 10, settle_min_s: 20, settle_max_s: 300,
     limit_mbar_per_min: 0.5, test_min_s: 60, test_s: 300, mode: fixed}}
{outputs}
"""

OUTPUTS = """outputs:
  - {name: valve-A, line: benches, unit: 10, coil: 0, active_high: yes}
"""


class UnixConnection(http.client.HTTPConnection):
    def __init__(self, path):
        super().__init__("localhost", timeout=10)
        self.path = path

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(10)
        self.sock.connect(self.path)


class Bench:
    def __init__(self, driven=True, scenario=SCENARIO, config=CONFIG, speed=SPEED, environment=None, rtu=False):
        self.dir = pathlib.Path(tempfile.mkdtemp(prefix="taut-system-"))
        self.speed = speed
        self.driven = driven
        self.config_text = config
        self.environment = environment or {}
        self.daemon = None
        (self.dir / "state").mkdir()
        (self.dir / "run").mkdir()
        self.hook_log = self.dir / "hooks.txt"
        hook = self.dir / "hook"
        hook.write_text(f"#!/bin/sh\nenv | grep ^TAUT_ | sort | tr '\\n' '|' >> {self.hook_log}\necho >> {self.hook_log}\n")
        hook.chmod(0o755)
        self.hook = hook
        (self.dir / "bench.yaml").write_text(scenario)
        self.control = str(self.dir / "control")
        self.rtu = rtu
        self.plug()
        self.port = self._sim_port()
        self.write_config()
        self.start()

    def plug(self):
        self.sim_log = open(self.dir / "tautsim.log", "w+b")
        serial = ["--rtu", str(self.dir / "line")] if self.rtu else []
        self.sim = subprocess.Popen(
            [PROGRAMS / "tautsim", "--speed", str(self.speed), "--control", self.control, *serial, str(self.dir / "bench.yaml")],
            stdin=subprocess.DEVNULL, stdout=self.sim_log, stderr=subprocess.STDOUT)

    def unplug(self):
        self.sim.terminate()
        self.sim.wait(10)
        self.sim_log.close()

    def _sim_port(self):
        end = time.monotonic() + 20
        while time.monotonic() < end:
            text = (self.dir / "tautsim.log").read_text()
            for word in text.replace(",", " ").split():
                if word.startswith("127.0.0.1:"):
                    return int(word.split(":")[1])
            if self.sim.poll() is not None:
                break
            time.sleep(0.05)
        raise RuntimeError("tautsim did not say its port: " + (self.dir / "tautsim.log").read_text())

    def write_config(self, **more):
        values = dict(dir=self.dir, port=self.port, hook=self.hook, valve=", valve: valve-A" if self.driven else "",
                      outputs=OUTPUTS if self.driven else "")
        values.update(more)
        (self.dir / "taut.yaml").write_text(self.config_text.format(**values))

    # ---- the daemon -------------------------------------------------------------------------------------------
    def start(self):
        self.log = open(self.dir / "tautd.log", "ab")
        self.daemon = subprocess.Popen(
            [PROGRAMS / "tautd", "--config", str(self.dir / "taut.yaml"), "--sim-speed", str(self.speed)],
            stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log, env={**os.environ, **self.environment})
        self.socket = str(self.dir / "run" / "taut.sock")
        self.until(lambda: self.daemon.poll() is not None or os.path.exists(self.socket), 20, "the daemon's socket", real=True)
        if self.daemon.poll() is not None:
            raise RuntimeError("tautd ended at once: " + self.daemon_log())

    def stop(self, how=signal.SIGTERM, seconds=10):
        self.daemon.send_signal(how)
        code = self.daemon.wait(seconds)
        self.log.close()
        return code

    def daemon_log(self):
        return (self.dir / "tautd.log").read_text(errors="replace")

    def close(self):
        for process in (self.daemon, self.sim):
            if process and process.poll() is None:
                process.terminate()
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait(10)
        self.sim_log.close()

    def remove(self):
        shutil.rmtree(self.dir, ignore_errors=True)

    # ---- talking to it ------------------------------------------------------------------------------------------
    def get(self, path):
        connection = UnixConnection(self.socket)
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        if answer.status != 200:
            raise RuntimeError(f"GET {path}: {answer.status} {body!r}")
        return json.loads(body)

    def station(self, name="A"):
        return self.get(f"/v1/stations/{name}")

    def ctl(self, *arguments, expect=0):
        done = subprocess.run([PROGRAMS / "tautctl", "--socket", self.socket, *arguments], capture_output=True, text=True, timeout=30)
        if expect is not None and done.returncode != expect:
            raise AssertionError(f"tautctl {arguments}: exit {done.returncode}, wanted {expect}\n{done.stdout}{done.stderr}")
        return done

    def sim_do(self, command):
        done = subprocess.run([PROGRAMS / "tautsim", "ctl", self.control, command], capture_output=True, text=True, timeout=20)
        if done.returncode != 0:
            raise AssertionError(f"tautsim ctl '{command}': {done.stdout}{done.stderr}")
        return done.stdout

    def until(self, condition, seconds, what, real=False):
        """Wait at most so many simulated (or real) seconds, with a floor for a loaded machine."""
        limit = seconds if real else max(10.0, 3.0 * seconds / self.speed)
        end = time.monotonic() + limit
        while time.monotonic() < end:
            value = condition()
            if value:
                return value
            time.sleep(0.02)
        raise AssertionError(f"waited {limit:.0f} s for {what}\n" + self.daemon_log()[-3000:])

    def until_phase(self, phase, seconds=900):
        return self.until(lambda: self.station()["phase"] == phase, seconds, f"phase {phase}")

    def folders(self):
        return sorted(p.parent for p in (self.dir / "state" / "parts").rglob("journal.jsonl"))

    def sealed(self, folder, seconds=20):
        self.until(lambda: (folder / "SHA256SUMS").exists(), seconds, "SHA256SUMS", real=True)

    def hooks(self):
        return self.hook_log.read_text().splitlines() if self.hook_log.exists() else []


def rows(folder):
    with open(folder / "trace.csv", newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def replay(folder):
    return subprocess.run([PROGRAMS / "tautctl", "replay", str(folder)], capture_output=True, text=True, timeout=120)


def sums(folder):
    return subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=folder, capture_output=True, text=True, timeout=60)


def main(stories):
    """Run the stories named on the command line, or all. Exit 0 only when each one passed."""
    wanted = sys.argv[1:] or list(stories)
    failed = 0
    for name in wanted:
        began = time.monotonic()
        try:
            stories[name]()
            print(f"ok   {name} ({time.monotonic() - began:.1f} s)")
        except Exception as error:  # a story must not hide the next one's result
            failed += 1
            print(f"FAIL {name}: {error}")
    sys.exit(1 if failed else 0)
