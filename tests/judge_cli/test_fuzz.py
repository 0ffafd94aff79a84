"""Mangled files, bounded and seeded: the program ends by itself with one of its exit codes, says something when it
refuses, and no sanitizer speaks. A file that is cut short or has a cell changed is the daily case."""
import os
import random

from support import Case, hold, main, tautctl

RUNS = int(os.environ.get("TAUT_FUZZ_RUNS", "250"))
CODES = {0, 1, 2, 64, 65, 66}
PIECES = [b"", b",", b";", b"\t", b"\n", b"\r", b'"', b'""', b"#", b"\x00", b"\xff", b"\xef\xbb\xbf", b"-", b"+", b"e", b"1e999", b"-1e308", b"nan", b"inf",
          b"0x1p4", b"9" * 400, b"2026-11-25T08:26:44Z", b"99:99:99", b"0:0:0", b"1:2", b"drop-test", b"bad:frozen", b"uncertain:", b"%n%s", b" " * 50, b"t_s,p_mbar\n"]


def plain():
    return "".join(["t_s,p_mbar\n"] + ["%g,%g\n" % row for row in hold(minutes=2)]).encode()


def german():
    return "".join(["Zeit s;Druck mbar\n"] + [("%.1f;%.3f\n" % row).replace(".", ",") for row in hold(minutes=2)]).encode()


def trace():
    lines = ["time_utc,elapsed_s,phase,A.vent_mbar,A.vent_quality,baro_mbar,event"]
    for t, p in hold(minutes=3):
        phase = "drawdown" if t < 30 else "settle" if t < 60 else "drop-test" if t < 150 else "fill"
        lines.append("2026-11-25T08:%02d:%02d.000Z,%.3f,%s,%.3f,good,1013.25," % (t // 60, t % 60, t, phase, p))
    return "\r\n".join(lines + [""]).encode()


def clock():
    return "".join(["date,time,mbar gauge\n"] + ["25.11.2026,23:5%d:%02d,%.3f\n" % (8 + t // 60, t % 60, p - 1013.25)
                                                 for t, p in hold(minutes=1.9)]).encode()


BASES = [(plain(), ()), (german(), ()), (trace(), ("--ambient-column", "baro_mbar")), (trace(), ("--as", "fill", "--learn-s", "10")),
         (clock(), ("--ambient-mbar", "1013.25", "--mode", "early"))]


def mangle(chance, data):
    data = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 5, 20))):
        at = chance.randrange(len(data) + 1)
        kind = chance.randrange(6)
        if kind == 0:
            data[at:at] = chance.choice(PIECES)
        elif kind == 1:
            del data[at:at + chance.choice((1, 2, 10, 100))]
        elif kind == 2 and at < len(data):
            data[at] = chance.randrange(256)
        elif kind == 3:
            del data[at:]
        elif kind == 4:
            end = min(len(data), at + chance.randrange(1, 200))
            data[at:at] = data[at:end]
        else:
            data[at:at + chance.randrange(1, 12)] = chance.choice(PIECES)
    return bytes(data)


class Fuzz(Case):
    def test_mangled_files_end_in_a_stated_way(self):
        seen = set()
        for run in range(RUNS):
            chance = random.Random(run)
            base, words = BASES[run % len(BASES)]
            if "fill" not in words:
                words = ("--limit-mbar-per-min", "0.5") + words
            path = self.write(mangle(chance, base), "seed%d.csv" % run)
            answer = tautctl("judge", path, *words, *(("--json",) if run % 2 else ()), timeout=30)
            told = "seed %d: exit %d\n%s" % (run, answer.code, answer.err[:2000])
            self.assertIn(answer.code, CODES, told)
            self.assertNotIn("Sanitizer", answer.err, told)
            self.assertNotIn("runtime error", answer.err, told)
            if answer.code >= 64:
                self.assertTrue(answer.err.startswith("tautctl: " + path) or answer.err.startswith("tautctl judge: "), told)
                self.assertEqual(answer.out, "", told)
            elif run % 2:
                answer.json()
            seen.add(answer.code)
            os.unlink(path)
        self.assertTrue({0, 65} <= seen, seen)


if __name__ == "__main__":
    main()
