"""Trace and part folder measured: instructions and bytes of a row, stalls of the loop, memory.

One line a figure: name, value, beside what, goal. Instructions and bytes are free of noise and are gates (exit status
1); the rest are ratios within one run.   sink.py BENCH_SINK [short|full|gates]
Rows lost to SIGKILL are counted by tests/sink/test_kill.c.
"""
import csv
import gzip
import io
import re
import shutil
import subprocess
import sys
import tempfile
import time

PROGRAM = sys.argv[1]
SECONDS = "20" if "full" in sys.argv else "4"
failures = []


def figure(name, value, beside, goal, gate=None):
    verdict = "" if gate is None else ("  ok" if gate else "  MISSED")
    print(f"{name:<46} {value:<22} {beside:<42} goal {goal}{verdict}", flush=True)
    if gate is False:
        failures.append(name)


def run(*words):
    return subprocess.run([PROGRAM, *map(str, words)], check=True, capture_output=True, text=True).stdout


def instructions(how, channels):
    """User instructions of one row: the difference of two lengths, so that start and end drop out."""
    counts = []
    for rows in (2000, 12000):
        out = subprocess.run(["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null", PROGRAM, "row", how, str(rows), str(channels)],
                             check=True, capture_output=True, text=True).stderr
        counts.append(int(re.search(r"Collected : (\d+)", out).group(1)))
    return (counts[1] - counts[0]) / 10000


def row_cost():
    if not shutil.which("valgrind"):
        print("valgrind is not here: instructions not counted")
        return
    ours = {n: instructions("OURS", n) for n in (1, 2, 6)}
    plain = instructions("SNPRINTF", 1)
    per_channel = (ours[6] - ours[2]) / 4
    figure("instructions, row of one channel", f"{ours[1]:.0f}", f"all by snprintf {plain:.0f}", "<= 460", ours[1] <= 460)
    figure("instructions, each further channel", f"{per_channel:.0f}", "", "<= 90", per_channel <= 90)
    figure("instructions, row of six channels", f"{ours[6]:.0f}", f"{ours[6] / 6:.0f} per sample", "<= 880", ours[6] <= 880)


def row_time():
    took = {}
    for how in ("OURS", "SNPRINTF"):
        start = time.perf_counter()
        run("row", how, 2000000, 1)
        took[how] = (time.perf_counter() - start) / 2e6
    start = time.perf_counter()
    writer = csv.writer(io.StringIO())
    for i in range(100000):
        writer.writerow(["2026-11-25T08:00:00.%03dZ" % (i % 1000), "%.3f" % (i / 10), "drop-test", "%.3f" % (8 + i % 64 / 1000), "good", ""])
    python = (time.perf_counter() - start) / 1e5
    figure("time of a row / of one by snprintf", f"{took['OURS'] / took['SNPRINTF']:.3f}", f"{took['OURS'] * 1e9:.0f} ns; snprintf "
           f"{took['SNPRINTF'] * 1e9:.0f}, Python csv {python * 1e9:.0f}", "<= 0.2")


def bytes_per_sample():
    for channels, most in ((1, 55), (6, 19)):
        text = run("trace", 36000, channels).replace("\n", "\r\n").encode()
        packed = len(gzip.compress(text, 9)) / 36000 / channels
        figure(f"trace bytes per sample, {channels} in a row", f"{len(text) / 36000 / channels:.1f}", f"gzip -9: {packed:.1f}",
               f"<= {most} (phase, quality and both times are in each row)", len(text) / 36000 / channels <= most)


def stalls():
    figures = {"off": [], "on": []}
    for _ in range(3):
        for how, sync_s in (("off", "1e6"), ("on", "1")):
            with tempfile.TemporaryDirectory(dir=".") as folder:
                out = run("stall", folder, sync_s, SECONDS)
                figures[how].append({key: int(value) for key, value in re.findall(r"(\w+) (\d+)", out)})
    middle = {how: sorted(f["p999"] for f in runs)[1] for how, runs in figures.items()}
    longest = {how: max(f["max"] for f in runs) for how, runs in figures.items()}
    figure("loop stall p99.9, sync on / off", f"{middle['on'] / middle['off']:.2f}", f"{middle['on'] / 1e6:.3f} / {middle['off'] / 1e6:.3f} ms "
           f"at 2560 rows/s", "<= 5")
    figure("longest loop stall, sync on / off", f"{longest['on'] / longest['off']:.2f}", f"{longest['on'] / 1e6:.3f} / "
           f"{longest['off'] / 1e6:.3f} ms", "-")


def memory():
    with tempfile.TemporaryDirectory() as folder:
        before, held = map(int, re.findall(r"\d+", run("folders", folder, 64)))
    figure("resident memory of 64 open folders", f"{held - before} KiB", f"program without them {before} KiB", "<= 2048 KiB")


if __name__ == "__main__":
    row_cost()
    bytes_per_sample()
    if "gates" not in sys.argv:
        row_time()
        stalls()
        memory()
    sys.exit(1 if failures else 0)
