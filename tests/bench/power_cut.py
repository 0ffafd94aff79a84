"""Power cuts on a real file system: ext4 in a file, mounted through a loop device; while rows are being written and
synced the file is copied as it stands; the copy is what a machine finds when it comes up again.

The copy is not atomic, and the page cache of the backing file stands for a disk that honours a flush. A disk that lies
about flushing is not covered.   power_cut.py BENCH_SINK [CUTS]     needs root and a loop device; else exits 77
"""
import os
import pathlib
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time

PROGRAM = str(pathlib.Path(sys.argv[1]).resolve())
CUTS = int(sys.argv[2]) if len(sys.argv) > 2 else 10
SYNC_S, ROWS_PER_S = 1.0, 2560


def sh(*words):
    return subprocess.run(list(map(str, words)), check=True, capture_output=True, text=True)


class Mounted:
    def __init__(self, image, where):
        self.where = where
        where.mkdir()
        sh("mount", "-o", "loop", image, where)

    def __enter__(self):
        return self.where

    def __exit__(self, *_):
        for _ in range(50):
            if subprocess.run(["umount", self.where], capture_output=True).returncode == 0:
                return
            time.sleep(0.1)
        raise RuntimeError(f"{self.where} can not be unmounted")


def can_mount(folder):
    try:
        sh("mkfs.ext4", "-q", image_of(folder / "try", 16))
        with Mounted(folder / "try", folder / "try-mount"):
            return True
    except (OSError, subprocess.CalledProcessError) as error:
        print("skipped:", error)
        return False


def image_of(path, mebibytes):
    with open(path, "wb") as file:
        file.truncate(mebibytes << 20)
    return path


def write_and_cut(folder, seconds):
    """Returns rows that write() had taken when the cut began."""
    reported = [0]
    with Mounted(folder / "image", folder / "before") as disk:
        writer = subprocess.Popen([PROGRAM, "write", disk / "state", str(SYNC_S)], stdout=subprocess.PIPE, text=True)

        def listen():
            for line in writer.stdout:
                reported[0] = int(line)

        ear = threading.Thread(target=listen)
        ear.start()
        time.sleep(seconds)
        rows = reported[0]
        shutil.copyfile(folder / "image", folder / "cut")
        writer.kill()
        writer.wait(10)
        ear.join(10)
    return rows


def look_after(folder):
    """Rows that are there after the file system's own recovery; the torn end is mended by taking the part up."""
    with Mounted(folder / "cut", folder / "after") as disk:
        trace = disk / "state/parts/bench/001/trace.csv"
        torn = not trace.read_bytes().endswith(b"\r\n") or b"\0" in trace.read_bytes()
        said = sh(PROGRAM, "mend", disk / "state").stdout
        text = trace.read_bytes().decode("ascii")
        lines = text.split("\r\n")
        assert lines[-1] == "" and len({line.count(",") for line in lines[:-1]}) == 1, "every line is whole"
        elapsed = [round(1000 * float(line.split(",")[1])) for line in lines[1:-1]]
        assert elapsed == list(range(len(elapsed))), "rows are in order, none missing"
        assert re.fullmatch(rf"A {len(elapsed)}\n", said), said
    return len(elapsed), torn


def main():
    lost, torn = [], 0
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR", "/tmp")) as top:
        if not can_mount(pathlib.Path(top)):
            return 77
        for cut in range(CUTS):
            folder = pathlib.Path(top) / str(cut)
            folder.mkdir()
            sh("mkfs.ext4", "-q", image_of(folder / "image", 48))
            rows = write_and_cut(folder, random.Random(cut).uniform(2.5, 6))
            kept, was_torn = look_after(folder)
            lost.append(max(0, rows - kept) / ROWS_PER_S)
            torn += was_torn
            print(f"cut {cut + 1}: {rows} rows written, {kept} found, {lost[-1]:.2f} s lost", flush=True)
            shutil.rmtree(folder)
    worst = max(lost)
    good = worst <= SYNC_S + 0.5  # one sync on a loaded machine
    print(f"{'seconds lost at a power cut, worst of ' + str(CUTS):<46} {worst:<22.2f} {f'mean {sum(lost) / len(lost):.2f}, torn ends mended: {torn}':<42}"
          f" goal <= 1 + one sync{'  ok' if good else '  MISSED'}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
