"""tautsim from outside: read by pymodbus and mbpoll, driven through its socket, its mistakes and its clock.

The outside opinions are pymodbus and mbpoll (Debian packages); what the bench holds is set by the scenario."""
import csv
import io
import math
import os
import pathlib
import re
import socket
import struct
import subprocess
import tempfile
import time

from sim import PROGRAMS, QUIET, TAUTSIM, Raw, Sim, main

SOURCE = pathlib.Path(os.environ["TAUT_SOURCE"])


def _skip_without_pymodbus():
    try:
        import pymodbus.client  # noqa: F401
    except ImportError:
        print("skipped: python3-pymodbus is not installed")
        raise SystemExit(77)


def check_registers(client):
    """All codings of 1000 mbar (0 gauge, 0 vacuum), 14 mA and 21.5 degC, read by pymodbus."""
    got = client.read_input_registers(address=0, count=14, slave=1)
    assert not got.isError(), got
    r = got.registers
    assert struct.unpack(">f", struct.pack(">HH", r[0], r[1]))[0] == 1000.0, r
    assert struct.unpack(">f", struct.pack(">HH", r[3], r[2]))[0] == 1000.0, r
    assert struct.unpack("<f", struct.pack(">HH", r[6], r[7]))[0] == 1000.0, r  # DCBA: little-endian throughout
    assert struct.unpack(">f", struct.pack("<HH", r[4], r[5]))[0] == 1000.0, r  # BADC: bytes swapped in each register
    assert r[8] == 10000 and r[9] == 0, r
    assert struct.unpack(">f", struct.pack(">HH", r[10], r[11]))[0] == 0.0, r
    assert struct.unpack(">I", struct.pack(">HH", r[12], r[13]))[0] == 100000, r
    held = client.read_holding_registers(address=0, count=2, slave=1).registers
    assert struct.unpack(">i", struct.pack(">HH", *held))[0] == 1000000, held
    loop = client.read_input_registers(address=0, count=3, slave=3).registers
    assert loop[0] == 14000, loop  # 4 + 16 * 1000 / 1600 = 14 mA
    assert struct.unpack(">f", struct.pack(">HH", loop[1], loop[2]))[0] == 14.0, loop
    assert client.read_input_registers(address=0, count=1, slave=4).registers == [215]


def check_exceptions(client):
    assert client.read_input_registers(address=500, count=2, slave=1).exception_code == 2
    assert client.read_holding_registers(address=8, count=1, slave=1).exception_code == 2
    assert client.write_register(address=0, value=1, slave=1).exception_code == 2


def pymodbus_reads_every_coding_over_tcp():
    _skip_without_pymodbus()
    from pymodbus.client import ModbusTcpClient
    with Sim() as sim:
        client = ModbusTcpClient("127.0.0.1", port=sim.port["benches"])
        assert client.connect()
        check_registers(client)
        check_exceptions(client)
        assert client.read_input_registers(address=0, count=1, slave=99).exception_code == 0x0B
        client.close()
        second = ModbusTcpClient("127.0.0.1", port=sim.port["second"])
        assert second.connect()
        r = second.read_input_registers(address=0, count=2, slave=7).registers
        assert struct.unpack(">f", struct.pack(">HH", *r))[0] == 1000.0
        assert second.read_input_registers(address=0, count=2, slave=1).isError()
        second.close()


def pymodbus_reads_every_coding_over_the_serial_line():
    _skip_without_pymodbus()
    from pymodbus.client import ModbusSerialClient
    from pymodbus.exceptions import ModbusIOException
    with Sim(rtu=True) as sim:
        client = ModbusSerialClient(port=sim.link, baudrate=19200, parity="N", timeout=1, retries=0)  # whole seconds: 3.0 cuts the rest off
        assert client.connect()
        check_registers(client)
        check_exceptions(client)
        try:  # silence, no exception answer: pymodbus 3.0 returns its error, later ones raise it
            nobody = client.read_input_registers(address=0, count=2, slave=99)
            assert nobody.isError() and not hasattr(nobody, "exception_code"), nobody
        except ModbusIOException:
            assert client.connect()
        check_registers(client)
        client.close()


def mbpoll_reads_the_same_values():
    with Sim(rtu=True) as sim:
        for where in (["-m", "tcp", "-p", str(sim.port["benches"]), "127.0.0.1"], ["-m", "rtu", "-P", "none", "-b", "19200", sim.link]):
            last = where.pop()
            done = subprocess.run(["mbpoll", *where, "-a", "1", "-0", "-r", "0", "-c", "1", "-t", "3:float", "-B", "-1", last],
                                  capture_output=True, text=True, timeout=20)
            assert re.search(r"^\[0\]:\s+1000$", done.stdout, re.M), done.stdout + done.stderr
            done = subprocess.run(["mbpoll", *where, "-a", "3", "-0", "-r", "0", "-c", "1", "-t", "3", "-1", last],
                                  capture_output=True, text=True, timeout=20)
            assert re.search(r"^\[0\]:\s+14000$", done.stdout, re.M), done.stdout + done.stderr


def a_coil_moves_the_valve_and_the_bag_follows():
    _skip_without_pymodbus()
    from pymodbus.client import ModbusTcpClient
    with Sim(speed=50) as sim:
        client = ModbusTcpClient("127.0.0.1", port=sim.port["benches"])
        assert client.connect()
        sim.ctl("pump on")
        wait_for(lambda: sim.near_mbar("A") < 20, "bag A comes down")
        assert client.read_coils(address=3, count=2, slave=10).bits[:2] == [True, True]  # B: active low, closed
        assert not client.write_coil(address=3, value=False, slave=10).isError()
        sim.ctl("bag A leak 600")
        wait_for(lambda: sim.near_mbar("A") > 100, "the shut bag rises by its leak")
        assert client.read_discrete_inputs(address=3, count=1, slave=10).bits[0] is False
        assert not client.write_coils(address=3, values=[True, False], slave=10).isError()
        wait_for(lambda: sim.near_mbar("A") < 60 and sim.near_mbar("B") < 100, "both come down")
        sim.ctl("bag A valve stuck")
        assert not client.write_coil(address=3, value=False, slave=10).isError()
        assert client.read_coils(address=3, count=1, slave=10).bits[0] is False  # as commanded
        assert client.read_discrete_inputs(address=3, count=1, slave=10).bits[0] is True  # as it is
        client.close()


def wait_for(condition, what, seconds=20):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.02)
    raise AssertionError("waited in vain: " + what)


def faults_show_on_the_wire():
    with Sim() as sim:
        raw = Raw(sim.port["benches"])
        sim.ctl("sensor A.vent open")
        wait_for(lambda: math.isnan(struct.unpack(">f", struct.pack(">HH", *raw.registers(1, 0, 2)))[0]), "NaN")
        sim.ctl("sensor A.vent short")
        wait_for(lambda: math.isinf(struct.unpack(">f", struct.pack(">HH", *raw.registers(1, 0, 2)))[0]), "infinity")
        sim.ctl("sensor A.vent stuck 12.5")
        wait_for(lambda: struct.unpack(">f", struct.pack(">HH", *raw.registers(1, 0, 2)))[0] == 12.5, "12.5")
        sim.ctl("sensor A.vent word-order")
        wait_for(lambda: struct.unpack(">f", struct.pack(">HH", *raw.registers(1, 0, 2)[::-1]))[0] == 1000.0, "swapped words")
        sim.ctl("sensor loop open")
        wait_for(lambda: raw.registers(3, 0, 1) == [3500], "3.5 mA")  # NAMUR NE 43: failure
        sim.ctl("sensor loop short")
        wait_for(lambda: raw.registers(3, 0, 1) == [21600], "21.6 mA")
        sim.ctl("sensor A.vent exception 6")
        assert raw.ask(1, struct.pack(">BHH", 4, 0, 2)) == bytes([0x84, 6])
        assert raw.registers(1, 8, 1) == [10000]  # other registers of the unit answer
        sim.ctl("sensor A.vent slow 0.4")
        began = time.monotonic()
        raw.registers(1, 0, 2)
        assert 0.38 < time.monotonic() - began < 3
        raw.registers(1, 8, 1)
        sim.ctl("sensor A.vent silent")
        raw.socket.settimeout(0.3)
        try:
            raw.registers(1, 0, 2)
            raise AssertionError("a silent unit answered")
        except socket.timeout:
            pass
        raw.socket.settimeout(5)
        sim.ctl("unit 3 exception 4")
        assert raw.ask(3, struct.pack(">BHH", 4, 0, 1)) == bytes([0x84, 4])
        sim.ctl("unit 3 ok")
        sim.ctl("sensor loop ok")
        wait_for(lambda: raw.registers(3, 0, 1) == [14000], "mended")
        raw.close()


def a_late_answer_comes_late_and_not_to_somebody_else():
    with Sim() as sim:
        slow, quick = Raw(sim.port["benches"]), Raw(sim.port["benches"])
        sim.ctl("sensor A.vent slow 0.5")
        slow.socket.sendall(slow.frame(1, struct.pack(">BHH", 4, 0, 2)))
        began = time.monotonic()
        assert quick.registers(1, 8, 1) == [10000]
        assert time.monotonic() - began < 0.4  # one slow unit holds nobody up
        slow.close()
        time.sleep(0.05)
        other = Raw(sim.port["benches"])  # takes the place of the one that left
        other.socket.settimeout(0.8)
        try:
            other.answer()
            raise AssertionError("an answer nobody asked for")
        except socket.timeout:
            pass
        other.close()
        quick.close()


def fifty_connections_broken_frames_and_nonsense():
    with Sim() as sim:
        many = [Raw(sim.port["benches"]) for _ in range(50)]
        for _ in range(20):
            for raw in many:
                raw.socket.sendall(raw.frame(1, struct.pack(">BHH", 4, 8, 1)))
            for raw in many:
                assert raw.answer()[2] == bytes([4, 2]) + struct.pack(">H", 10000)
        raw = many[0]
        for byte in raw.frame(1, struct.pack(">BHH", 4, 8, 1)):  # drip
            raw.socket.sendall(bytes([byte]))
            time.sleep(0.002)
        assert raw.answer()[2][1] == 2
        two = raw.frame(1, struct.pack(">BHH", 4, 8, 1)) + raw.frame(3, struct.pack(">BHH", 4, 0, 1))
        raw.socket.sendall(two)
        assert raw.answer()[1] == 1 and raw.answer()[1] == 3
        raw.socket.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        try:
            raw.answer()
            raise AssertionError("nonsense was answered")
        except (EOFError, ConnectionResetError):
            pass
        assert many[1].registers(1, 8, 1) == [10000]
        for raw in many:
            raw.close()


def a_gateway_goes_down_and_comes_back_on_its_port():
    with Sim() as sim:
        first, other = Raw(sim.port["benches"]), Raw(sim.port["second"])
        assert first.registers(1, 8, 1) == [10000]
        sim.ctl("gateway benches down")
        try:
            first.registers(1, 8, 1)
            raise AssertionError("answered though it is down")
        except (EOFError, ConnectionError):
            pass
        try:
            Raw(sim.port["benches"])
            raise AssertionError("accepted though it is down")
        except ConnectionRefusedError:
            pass
        assert len(other.registers(7, 0, 2)) == 2
        sim.ctl("gateway benches up")
        again = Raw(sim.port["benches"])
        assert again.registers(1, 8, 1) == [10000]
        again.close()
        other.close()


def the_serial_adapter_is_unplugged_and_back():
    with Sim(rtu=True) as sim:
        request = bytes.fromhex("010400080001B008")

        def ask():
            line = os.open(sim.link, os.O_RDWR | os.O_NOCTTY)
            try:
                os.write(line, request)
                answer = b""
                end = time.monotonic() + 5
                while len(answer) < 7 and time.monotonic() < end:
                    answer += os.read(line, 64)
                return answer
            finally:
                os.close(line)

        assert ask()[3:5] == struct.pack(">H", 10000)
        held = os.open(sim.link, os.O_RDWR | os.O_NOCTTY)
        sim.ctl("serial down")
        assert not os.path.lexists(sim.link)
        try:
            gone = os.read(held, 1)
            assert gone == b"", gone  # hung up
        except OSError:
            pass
        os.close(held)
        sim.ctl("serial up")
        wait_for(lambda: os.path.exists(sim.link), "the link is back")
        assert ask()[3:5] == struct.pack(">H", 10000)


def two_simulators_do_not_share_a_control_socket():
    with Sim() as sim:
        done = subprocess.run([TAUTSIM, "--port", "0", "--control", sim.control, str(sim.dir / "bench.yaml")], capture_output=True,
                              text=True, timeout=10, stdin=subprocess.DEVNULL)
        assert done.returncode == 1 and f"another simulator listens on {sim.control}" in done.stderr, done
        sim.ctl("show")


def noise_on_the_serial_line_is_waited_out():
    import termios
    with Sim(rtu=True) as sim:
        line = os.open(sim.link, os.O_RDWR | os.O_NOCTTY)
        request = bytes.fromhex("01 04 00 08 00 01 B0 08".replace(" ", ""))
        for junk in (b"\xff", b"\x01\x04\x00", os.urandom(40), b"\x01\x63\x00\x00"):
            os.write(line, junk)
            time.sleep(0.06)
            termios.tcflush(line, termios.TCIFLUSH)
            os.write(line, request)
            answer = b""
            end = time.monotonic() + 5
            while len(answer) < 7 and time.monotonic() < end:
                answer += os.read(line, 64)
            assert answer[:5] == bytes([1, 4, 2]) + struct.pack(">H", 10000), answer.hex()
        os.close(line)


def simulated_time_runs_at_the_stated_factor():
    for factor in (1, 20):
        with Sim(speed=factor) as sim:
            before_first = time.monotonic()
            first = sim.time_s()
            after_first = time.monotonic()
            time.sleep(1.0)
            before_second = time.monotonic()
            second = sim.time_s()
            after_second = time.monotonic()
            tick = 0.05
            assert factor * (before_second - after_first) - tick <= second - first + 0.02 * factor, (factor, first, second)
            assert second - first <= factor * (after_second - before_first) + tick + 0.02 * factor, (factor, first, second)


NOISY = QUIET.replace("register: 0}\n  - {name: cdab", "register: 0, noise_mbar: 0.5, wander_mbar: 0.01}\n  - {name: cdab")


def table(scenario, *options):
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "bench.yaml"
        path.write_text(scenario)
        done = subprocess.run([TAUTSIM, *options, str(path)], capture_output=True, timeout=60)
        assert done.returncode == 0, done.stderr.decode()
        return done.stdout


def equal_seeds_give_equal_benches():
    assert "noise_mbar" in NOISY
    first = table(NOISY, "--table", "100", "--seed", "7")
    assert first == table(NOISY, "--table", "100", "--seed", "7")
    assert first != table(NOISY, "--table", "100", "--seed", "8")


def an_event_opens_a_leak_of_the_stated_size_at_the_stated_time():
    events = """
events:
  - {at_s: 600, do: bag A valve closed}
  - {at_s: 900, do: bag A leak 2.5}
  - {at_s: 0, do: pump on}
"""
    text = table(QUIET + events, "--table", "1200", "--every", "10").decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    at = {float(row["time_s"]): float(row["A_true_mbar"]) for row in rows}
    assert len(at) == 121
    assert at[590.0] < 1.001 and abs(at[900.0] - at[610.0]) < 1e-3
    assert abs((at[1200.0] - at[900.0]) / 5 - 2.5) < 1e-3, at
    assert abs(float(rows[-1]["gauge_mbar"]) - (at[1200.0] - 1000)) < 0.01


def the_keyboard_takes_commands_too():
    with Sim(stdin=subprocess.PIPE) as sim:
        sim.process.stdin.write(b"barometer 990\nfly away\nshow\n")
        sim.process.stdin.flush()
        wait_for(lambda: "barometer 990.00 mbar" in sim.said() and 'error: unknown command "fly"' in sim.said(), "the reply")
        sim.process.stdin.close()
        time.sleep(0.05)
        sim.ctl("show")  # goes on without a keyboard


def wrong_commands_say_what_is_allowed():
    cases = {
        "bag C leak 1": 'error: no bag "C" in the scenario\n',
        "bag A leak": "error: usage: bag NAME leak MBAR_PER_MIN [near|far]\n",
        "bag A leak -1": 'error: "-1" must be a number from 0 to 10000; usage: bag NAME leak MBAR_PER_MIN [near|far]\n',
        "bag A leak nan": 'error: "nan" must be a number from 0 to 10000; usage: bag NAME leak MBAR_PER_MIN [near|far]\n',
        "bag A leak 1 middle": 'error: "middle" must be one of near|far; usage: bag NAME leak MBAR_PER_MIN [near|far]\n',
        "bag A fly": 'error: "bag" must be followed by a name and one of leak, kink, valve, seat, fill, front, resin, wet, warm, new\n',
        "pump maybe": 'error: "maybe" must be one of on|off; usage: pump on|off\n',
        "sensor nobody open": 'error: no sensor "nobody" in the scenario\n',
        "sensor A.vent broken": 'error: "broken" must be one of ok|frozen|open|short|stuck|noisy|drifting|word-order|silent|exception|slow; '
                                'usage: sensor NAME ok|frozen|open|short|stuck|noisy|drifting|word-order|silent|exception|slow [NUMBER]\n',
        "unit 5 silent": 'error: no unit "5" in the scenario\n',
        "barometer 20": 'error: "20" must be a number from 500 to 1100; usage: barometer MBAR\n',
        "show me the way to go home tonight": "error: too many or too long words\n",
    }
    with Sim() as sim:
        for command, message in cases.items():
            assert sim.ctl(command, expect=1) == message, (command, sim.ctl(command, expect=1))
        assert "bag NAME leak" in sim.ctl("help")
    done = subprocess.run([TAUTSIM, "ctl", "/nonexistent/socket", "show"], capture_output=True, text=True, timeout=10)
    assert done.returncode == 2 and "no simulator at /nonexistent/socket" in done.stderr


BAG = "bags:\n  - {name: A, volume_l: 2}\n"
SENSOR = "sensors:\n  - {name: s, bag: A, unit: 1, register: 0}\n"

MISTAKES = {
    "": "the file is empty; bags and sensors are needed",
    "bags: [": ":2:1: not YAML",
    "just words": ':1:1: found the value "just words"; sections such as "bags:" are needed',
    SENSOR + BAG + "pumps: {}\n": ':5:1: no key "pumps"; did you mean "pump"?',
    SENSOR + BAG + "furniture: {}\n": ':5:1: no key "furniture"; there are seed, tick_s, ambient, pump, gateways, bags, sensors, valves, events',
    SENSOR: ":1:1: bags: missing; needed: list of bags",
    BAG + SENSOR + "seed: 1\nseed: 2\n": ":6:1: seed: given twice",
    BAG + SENSOR + "seed: 1.5\n": ':5:7: seed: found "1.5"; allowed: a whole number, 0 to 2e+09',
    BAG + SENSOR + "tick_s: 9\n": ':5:9: tick_s: found "9"; allowed: 0.001 to 1 s',
    BAG + SENSOR + "pump: {speed_l_per_s: fast}\n": ':5:23: pump.speed_l_per_s: found "fast"; allowed: 0 to 1000 L/s',
    BAG + SENSOR + "pump: {runs: maybe}\n": ':5:14: pump.runs: found "maybe"; allowed: yes or no',
    BAG + SENSOR + "pump: 5\n": ':5:7: pump: found the value "5"; allowed: keys and values',
    "bags:\n  - {name: A}\n" + SENSOR: ":2:5: bags[0].volume_l: missing; needed: gas volume of the empty bag",
    "bags:\n  - {name: A/B, volume_l: 2}\n" + SENSOR: ':2:12: bags[0].name: found "A/B"; allowed: letters, digits, . _ -, at most 39',
    BAG + "  - {name: A, volume_l: 3}\n" + SENSOR: ':3:5: bags[1]: name "A" is that of bags[0] already',
    BAG + "sensors: {name: s}\n": ':3:10: sensors: found a mapping; allowed: a list, each entry begun with "- "',
    BAG + "sensors:\n  - {name: s, bag: B, unit: 1, register: 0}\n": ':4:5: sensors[0].bag: no bag "B" in the scenario',
    BAG + "sensors:\n  - {name: s, unit: 1, register: 0}\n": ":4:5: sensors[0]: a sensor at vent, far or feed needs a bag",
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, order: ACBD}\n":
        ':4:52: sensors[0].order: found "ACBD"; allowed: one of ABCD, CDAB, BADC, DCBA',
    BAG + "sensors:\n  - {name: s, bag: A, unit: 300, register: 0}\n": ':4:29: sensors[0].unit: found "300"; allowed: a whole number, 0 to 247',
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, engineering: furlong}\n":
        ':4:5: sensors[0].engineering: "furlong" must be one of Pa,',
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, loop: yes}\n": ":4:5: sensors[0]: a loop needs a range",
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, scale: 0}\n": ":4:5: sensors[0].scale: must not be 0",
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, range: [5, 1]}\n":
        ":4:52: sensors[0].range: found [5, 1]; the first must be the lower",
    BAG + "sensors:\n  - {name: s, bag: A, unit: 1, register: 0, range: 7}\n":
        ':4:52: sensors[0].range: found the value "7"; write two numbers: [low, high]',
    BAG + SENSOR + "  - {name: t, bag: A, unit: 1, register: 1}\n": ':5:5: sensors[1]: register 1 of unit 1 is taken by "s"',
    BAG + SENSOR + "valves:\n  - {name: v, bag: Z, unit: 1, coil: 0}\n": ':6:5: valves[0].bag: no bag "Z" in the scenario',
    BAG + SENSOR + "events:\n  - {at_s: 5, do: bag A leek 2}\n": ':6:5: events[0].do: "bag" must be followed by a name and one of leak,',
    BAG + SENSOR + "events:\n  - {at_s: -5, do: pump off}\n": ':6:12: events[0].at_s: found "-5"; allowed: 0 to 1e+08 s',
}


def mistakes_in_a_scenario_are_named_with_their_place():
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder) / "bench.yaml"
        for text, message in MISTAKES.items():
            path.write_text(text)
            done = subprocess.run([TAUTSIM, "--check", str(path)], capture_output=True, text=True, timeout=10)
            assert done.returncode == 1, (text, done)
            assert message in done.stderr, f"{text!r}: wanted {message!r} in {done.stderr!r}"
            assert done.stderr.startswith(str(path)[:100]), done.stderr
        path.write_text("bags:\n  - {name: A, volume_l: no}\nsensors:\n  - {name: s, unit: x, register: y}\n")
        done = subprocess.run([TAUTSIM, "--check", str(path)], capture_output=True, text=True, timeout=10)
        assert len(done.stderr.splitlines()) == 4, done.stderr  # all in one go
        missing = subprocess.run([TAUTSIM, "--check", folder + "/none.yaml"], capture_output=True, text=True, timeout=10)
        assert missing.returncode == 1 and "can not be opened: No such file or directory" in missing.stderr


def wrong_options_and_a_taken_port_end_it_with_a_reason():
    with Sim() as sim:
        scenario = str(sim.dir / "bench.yaml")

        def fails(*arguments):
            return subprocess.run([TAUTSIM, *arguments], capture_output=True, text=True, timeout=10, stdin=subprocess.DEVNULL)

        done = fails("--port", str(sim.port["benches"]), scenario)
        assert done.returncode == 1 and "can not listen on 127.0.0.1:" in done.stderr and "in use" in done.stderr, done
        done = fails("--speed", "0", scenario)
        assert done.returncode == 2 and '--speed: "0" must be a number from 0.001 to 10000' in done.stderr, done
        done = fails("--rtu-gateway", "third", scenario)
        assert done.returncode == 2 and 'no gateway "third"' in done.stderr, done
        done = fails("--listen", "everywhere", scenario)
        assert done.returncode == 1 and 'address "everywhere" must be an IPv4 address' in done.stderr, done
        assert fails().returncode == 2 and fails("--nonsense").returncode == 2
        taken = sim.dir / "precious"
        taken.write_text("keep me")
        done = fails("--port", "0", "--rtu", str(taken), scenario)
        assert done.returncode == 1 and "can not link" in done.stderr and taken.read_text() == "keep me", done


def link_and_socket_are_gone_when_it_ends():
    sim = Sim(rtu=True)
    folder = sim.dir
    assert os.path.islink(sim.link) and os.path.exists(sim.control)
    sim.process.terminate()
    assert sim.process.wait(10) == 0
    assert not os.path.lexists(sim.link) and not os.path.exists(sim.control), list(folder.iterdir())
    sim.__exit__()


def the_daemon_accepts_the_channels_it_prints():
    tautd = PROGRAMS / "tautd"
    if not tautd.exists():
        print("skipped: no tautd in this build")
        raise SystemExit(77)
    demo = SOURCE / "config" / "demo" / "bench.yaml"
    with tempfile.TemporaryDirectory() as folder:
        for scenario, vent in ((QUIET, "A.vent"), (demo.read_text(), "A.vent")):
            bench, config = pathlib.Path(folder) / "bench.yaml", pathlib.Path(folder) / "taut.yaml"
            bench.write_text(scenario)
            printed = subprocess.run([TAUTSIM, "--port", "1502", "--print-channels", str(bench)], capture_output=True, text=True, timeout=10)
            config.write_text(f"daemon: {{state_dir: {folder}, run_dir: {folder}}}\n" + printed.stdout +
                              f"stations:\n  - {{name: A, vent: {vent}}}\nrecipes:\n"
                              "  - {name: rudder, drawdown_below_mbar: 10, limit_mbar_per_min: 0.5}\n")
            done = subprocess.run([tautd, "--config", str(config), "--check"], capture_output=True, text=True, timeout=10)
            assert done.returncode == 0, done.stderr + printed.stdout


def the_manual_names_every_key_command_and_option():
    page = (SOURCE / "daemon" / "man" / "tautsim.1").read_text()

    def printed(option):
        return subprocess.run([TAUTSIM, option], capture_output=True, text=True, timeout=10, check=True).stdout

    keys = re.findall(r"^  (\w+): ", printed("--keys"), re.M)
    commands = re.findall(r"^(\S.*)$", printed("--commands"), re.M)
    options = re.findall(r"^  --([\w-]+)", printed("--help"), re.M)
    assert len(keys) > 60 and len(commands) > 20 and len(options) > 10
    missing = [key for key in keys if f".It Ic {key}\n" not in page]
    missing += [command for command in commands if f'.It Li "{command}"\n' not in page]
    missing += [option for option in options if f"Fl -{option}" not in page]
    assert not missing, missing


STORIES = {name: value for name, value in list(globals().items())
           if callable(value) and getattr(value, "__module__", "") == "__main__"
           and name not in ("main", "table", "wait_for", "check_registers", "check_exceptions", "_skip_without_pymodbus")}

if __name__ == "__main__":
    main(STORIES)
