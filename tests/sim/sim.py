"""tautsim in a folder of its own, for tests: every wait is bounded, only what was started here is ended."""
import pathlib
import os
import re
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import time

PROGRAMS = pathlib.Path(os.environ["TAUT_PROGRAMS"])
TAUTSIM = str(PROGRAMS / "tautsim")

QUIET = """
ambient: {pressure_mbar: 1000, temperature_degc: 21.5}
pump: {speed_l_per_s: 2, ultimate_mbar: 1, manifold_l: 4, runs: no}
gateways:
  - {name: benches}
  - {name: second}
bags:
  - {name: A, volume_l: 2, far_share: 0, vent_l_per_s: 1}
  - {name: B, volume_l: 3, valve: closed}
sensors:
  - {name: A.vent, bag: A, unit: 1, register: 0}
  - {name: cdab, bag: A, unit: 1, register: 2, order: CDAB}
  - {name: badc, bag: A, unit: 1, register: 4, order: BADC}
  - {name: dcba, bag: A, unit: 1, register: 6, order: DCBA}
  - {name: tenths, bag: A, unit: 1, register: 8, type: uint16, scale: 0.1}
  - {name: gauge, bag: A, unit: 1, register: 9, type: int16, scale: 0.1, reference: gauge}
  - {name: vacuum, bag: A, unit: 1, register: 10, reference: vacuum}
  - {name: pascal, bag: A, unit: 1, register: 12, type: uint32, engineering: Pa}
  - {name: held, bag: A, unit: 1, register: 0, table: holding, type: int32, scale: 0.001}
  - {name: loop, at: manifold, unit: 3, register: 0, type: uint16, scale: 0.001, loop: yes, range: [0, 1600]}
  - {name: loop-f, at: manifold, unit: 3, register: 1, loop: yes, range: [0, 1600]}
  - {name: room, at: temperature, unit: 4, register: 0, type: int16, scale: 0.1}
  - {name: B.vent, bag: B, unit: 7, register: 0, gateway: second}
valves:
  - {name: valve-A, bag: A, unit: 10, coil: 3}
  - {name: valve-B, bag: B, unit: 10, coil: 4, active: low}
"""


class Sim:
    def __init__(self, scenario=QUIET, *options, speed=None, rtu=False, stdin=subprocess.DEVNULL):
        self.dir = pathlib.Path(tempfile.mkdtemp(prefix="tautsim-"))
        (self.dir / "bench.yaml").write_text(scenario)
        self.control = str(self.dir / "control")
        self.link = str(self.dir / "line")
        arguments = [TAUTSIM, "--port", "0", "--control", self.control, *options]
        arguments += ["--speed", str(speed)] if speed else []
        arguments += ["--rtu", self.link] if rtu else []
        self.out = open(self.dir / "out", "w+b")
        self.process = subprocess.Popen(arguments + [str(self.dir / "bench.yaml")], stdin=stdin, stdout=self.out,
                                        stderr=subprocess.STDOUT)
        end = time.monotonic() + 20
        while "ready" not in self.said():
            if self.process.poll() is not None or time.monotonic() > end:
                raise AssertionError("tautsim does not get ready: " + self.said())
            time.sleep(0.01)
        self.port = {name: int(port) for name, port in re.findall(r"gateway (\S+) listens on [\d.]+:(\d+)", self.said())}

    def said(self):
        return (self.dir / "out").read_text()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.terminate()
        code = self.process.wait(10)
        self.out.close()
        said = self.said()
        shutil.rmtree(self.dir, ignore_errors=True)
        if code != 0:
            raise AssertionError(f"tautsim ended with {code}: {said}")

    def ctl(self, command, expect=0):
        done = subprocess.run([TAUTSIM, "ctl", self.control, command], capture_output=True, text=True, timeout=20)
        if done.returncode != expect:
            raise AssertionError(f"'{command}': exit {done.returncode}: {done.stdout}{done.stderr}")
        return done.stdout if expect == 0 else done.stderr

    def time_s(self):
        return float(self.ctl("show").split()[1])

    def near_mbar(self, bag):
        return float(re.search(rf"bag {bag} near ([\d.]+)", self.ctl("show")).group(1))

    def reading(self, sensor):
        return float(re.search(rf"^{re.escape(sensor)} (\S+)", self.ctl("readings"), re.M).group(1))


class Raw:
    """A bare Modbus TCP connection, for what no client library will send."""

    def __init__(self, port):
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=5)
        self.transaction = 0

    def frame(self, unit, pdu):
        self.transaction += 1
        return struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, unit) + pdu

    def exactly(self, count):
        data = b""
        while len(data) < count:
            more = self.socket.recv(count - len(data))
            if not more:
                raise EOFError("closed")
            data += more
        return data

    def answer(self):
        transaction, protocol, length, unit = struct.unpack(">HHHB", self.exactly(7))
        return transaction, unit, self.exactly(length - 1)

    def ask(self, unit, pdu):
        self.socket.sendall(self.frame(unit, pdu))
        transaction, answered, pdu = self.answer()
        assert transaction == self.transaction and answered == unit
        return pdu

    def registers(self, unit, first, count, function=4):
        pdu = self.ask(unit, struct.pack(">BHH", function, first, count))
        assert pdu[0] == function, pdu.hex()
        return list(struct.unpack(f">{count}H", pdu[2:]))

    def close(self):
        self.socket.close()


def main(stories):
    wanted = sys.argv[1:] or list(stories)
    failed = 0
    for name in wanted:
        began = time.monotonic()
        try:
            stories[name]()
            print(f"ok   {name} ({time.monotonic() - began:.1f} s)")
        except SystemExit:
            if len(wanted) == 1:
                raise
        except Exception as error:  # one story must not hide the next one's result
            failed += 1
            print(f"FAIL {name}: {type(error).__name__}: {error}")
    sys.exit(1 if failed else 0)
