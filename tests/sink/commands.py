"""tautctl replay, parts and show on folders that are right, changed, damaged and missing: words and exit codes.

Usage: commands.py MAKE_PART TAUTCTL
"""
import json
import pathlib
import subprocess
import sys
import tempfile

MAKE_PART, TAUTCTL = sys.argv[1:3]


def ctl(*words, code):
    done = subprocess.run([TAUTCTL, *map(str, words)], capture_output=True, text=True, timeout=60)
    assert done.returncode == code, f"tautctl {words}: exit {done.returncode}, wanted {code}\n{done.stdout}{done.stderr}"
    assert all(len(line) <= 130 for line in done.stdout.splitlines()) or "--json" in words
    return done.stdout + done.stderr


def make(state, kind):
    out = subprocess.run([MAKE_PART, state, kind], check=True, capture_output=True, text=True).stdout
    return pathlib.Path(out.strip())


def edit(path, find, put):
    path.chmod(0o640)
    raw = path.read_bytes()
    assert find in raw, (path, find)
    path.write_bytes(raw.replace(find, put, 1))


def replay_agrees_or_says_what_differs(state):
    folder = make(state, "good")
    text = ctl("replay", folder, code=0)
    assert "drop test 1: pass" in text and "agrees with what was recorded, to the bit (1 drop tests)" in text
    edit(folder / "trace.csv", b",cure,5.000", b",cure,5.00\0")
    assert "is sealed, and yet" in ctl("replay", folder, code=65)
    edit(folder / "trace.csv", b",cure,5.00\0", b",cure,5.000")
    edit(folder / "record.json", b'"rate_high_pa_per_s": 0.2', b'"rate_high_pa_per_s": 0.3')
    text = ctl("replay", folder, code=1)
    assert "drop test 1: rate_high_pa_per_s was recorded as 0.3" in text and "differs" in text
    edit(folder / "record.json", b'"rate_high_pa_per_s": 0.3', b'"rate_high_pa_per_s": 0.2')
    edit(folder / "trace.csv", b",drop-test,5.4", b",drop-test,6.4")
    assert "differs" in ctl("replay", folder, code=1)
    edit(folder / "trace.csv", b",drop-test,6.4", b",drop-test,6,4")
    text = ctl("replay", folder, code=65)
    assert "trace.csv:" in text and "found" in text
    (folder / "trace.csv").unlink()
    assert "trace.csv" in ctl("replay", folder, code=66)
    ctl("replay", folder / "no such folder", code=66)
    ctl("replay", code=64)
    assert "Usage" in ctl("replay", "--help", code=0)


def replay_of_an_open_part_reads_the_journal(state):
    folder = make(state, "open")
    assert "agrees" in ctl("replay", folder, code=0)
    edit(folder / "journal.jsonl", b'"verdict":"pass"', b'"verdict":"fail"')
    assert "verdict was recorded as fail and is computed as pass" in ctl("replay", folder, code=1)


def parts_and_show_tell_what_is_on_record(state):
    assert "can not be read" in ctl("parts", "--state", state + "/nothing", code=66)
    folder = make(state, "odd")
    make(state, "leaky")
    text = ctl("parts", "--state", state, code=0)
    assert 'finished  pass            1  hatch, "left" \u00e9/2' in text and "aborted   fail            1  rudder-17" in text
    lines = [json.loads(line) for line in ctl("parts", f"--state={state}", "--json", code=0).splitlines()]
    assert {line["part"] for line in lines} == {'hatch, "left" \u00e9/2', "rudder-17"}
    assert str(folder) in {line["folder"] for line in lines}
    text = ctl("show", "--state", state, 'hatch, "left" \u00e9/2', code=0)
    for words in ("Drop test 1", "leak rate 0.1", "gauge checked, \"ok\"?second line", "Recipe rudder. Verdict: pass"):
        assert words in text, (words, text)
    assert "leaks, bag to be remade" in ctl("show", "--state", state, "rudder-17", "1", code=0)
    assert ctl("show", folder, code=0) == text
    assert json.loads(ctl("show", "--json", folder, code=0))["verdict"] == "pass"
    assert "no run of this part" in ctl("show", "--state", state, "rudder-99", code=66)
    ctl("show", "--state", state, "rudder-17", "first", code=66)
    ctl("show", "--state", state, "rudder-17", "2", code=66)
    assert "no run of this part" in ctl("show", "--state", state, "--", "--rudder", code=66)
    ctl("show", code=64)
    ctl("parts", "--stat", code=64)
    (folder / "record.json").chmod(0o640)
    (folder / "record.json").write_text("{")
    assert "unreadable" in ctl("parts", "--state", state, code=0)
    ctl("show", folder, code=65)


if __name__ == "__main__":
    for story in (replay_agrees_or_says_what_differs, replay_of_an_open_part_reads_the_journal, parts_and_show_tell_what_is_on_record):
        with tempfile.TemporaryDirectory() as folder:
            story(folder + "/state")
        print("ok", story.__name__)
