"""Runs tautctl on made-up and on reference files. The recorded holds here are invented, with a fixed seed."""
import json
import math
import os
import random
import subprocess
import tempfile
import unittest

TAUTCTL = os.environ.get("TAUTCTL", "build/dev/daemon/tautctl")
REFERENCE = os.environ.get("TAUT_REFERENCE", os.path.join(os.path.dirname(__file__), "..", "reference"))
PASS, FAIL, INCONCLUSIVE, USAGE, BAD_INPUT, NO_INPUT = 0, 1, 2, 64, 65, 66


class Answer:
    def __init__(self, done):
        self.code = done.returncode
        self.out = done.stdout.decode("utf-8")
        self.err = done.stderr.decode("utf-8", "replace")

    def json(self):
        def refuse(word):
            raise ValueError(word + " is not JSON")

        return json.loads(self.out, parse_constant=refuse)


def tautctl(*words, stdin=b"", timeout=60):
    return Answer(subprocess.run([TAUTCTL, *[str(w) for w in words]], input=stdin, capture_output=True, timeout=timeout))


def hold(minutes=10, period_s=1.0, p0_mbar=5.0, rate_mbar_per_min=0.2, amplitude_mbar=0.0, tau_s=60.0, noise_mbar=0.02, seed=1):
    """(time in s, absolute mbar) of an isolated bag."""
    chance = random.Random(seed)
    n = int(minutes * 60 / period_s) + 1
    out = []
    for i in range(n):
        t = i * period_s
        p = p0_mbar + amplitude_mbar * (1 - math.exp(-t / tau_s)) + rate_mbar_per_min * t / 60 + chance.gauss(0, noise_mbar)
        out.append((t, round(p, 3)))
    return out


class Case(unittest.TestCase):
    maxDiff = None

    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="taut-judge-")
        self.addCleanup(self.folder.cleanup)

    def write(self, text, name="hold.csv", encoding="utf-8"):
        path = os.path.join(self.folder.name, name)
        with open(path, "wb") as file:
            file.write(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    def judge(self, text, *words):
        """Judge `text` as a file; the answer as numbers."""
        answer = tautctl("judge", self.write(text), "--json", *words)
        self.assertIn(answer.code, (PASS, FAIL, INCONCLUSIVE), answer.err)
        return answer.json()


def reference(name):
    return os.path.join(REFERENCE, name)


main = unittest.main
