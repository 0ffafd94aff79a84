"""A part's folder read by programs that are not ours: Python's csv, json and datetime modules, pandas, numpy, sha256sum.

Usage: read_by_others.py MAKE_PART
Outside: RFC 4180 as Python's csv module understands it, RFC 3339 as its datetime module does, W3C CSV on the Web
(reference/csvw_minimal.json), UCUM (reference/ucum_codes.csv); the leak is known, because make_part put it there.
"""
import csv
import datetime
import json
import pathlib
import subprocess
import sys
import tempfile

try:
    import numpy
    import pandas
except ImportError as missing:
    print("skipped:", missing)
    sys.exit(77)

REFERENCE = pathlib.Path(__file__).parent.parent / "reference"


def read_trace(folder):
    with open(folder / "trace.csv", newline="", encoding="utf-8") as file:
        raw = file.read()
    assert raw.count("\r\n") == raw.count("\n") == raw.count("\r"), "every line ends with CRLF"
    rows = list(csv.reader(raw.splitlines(keepends=True), strict=True))
    assert len({len(row) for row in rows}) == 1, "every record has the same number of fields"
    return rows[0], rows[1:]


def check_rows(header, rows):
    assert header[:3] == ["time_utc", "elapsed_s", "phase"] and header[-1] == "event"
    times = [datetime.datetime.fromisoformat(row[0]) for row in rows]
    assert all(time.utcoffset() == datetime.timedelta(0) for time in times)
    elapsed = [round(1000 * float(row[1])) for row in rows]
    assert elapsed == sorted(elapsed)
    for row in rows:
        for name, value in zip(header[3:-1], row[3:-1]):
            if name.endswith("_quality"):
                assert value == "" or value == "good" or value.split(":")[0] in ("uncertain", "bad"), value
            elif value:
                float(value)


def check_pandas(folder, header, rows):
    frame = pandas.read_csv(folder / "trace.csv", parse_dates=["time_utc"])
    assert list(frame.columns) == header and len(frame) == len(rows)
    assert str(frame["time_utc"].dtype) == "datetime64[ns, UTC]", frame["time_utc"].dtype
    for i, name in enumerate(header):
        if name.endswith(("_mbar", "_degC", "_s")):
            assert frame[name].dtype == float, (name, frame[name].dtype)
            ours = [float(row[i]) if row[i] else float("nan") for row in rows]
            assert numpy.array_equal(frame[name].to_numpy(), numpy.array(ours), equal_nan=True), name
    return frame


def same_keys(wanted, found, where):
    """Every key of the reference stands in ours, with the same kind of value."""
    for key, value in wanted.items():
        if key in ("commentPrefix", "required", "primaryKey"):  # optional, and nothing of the sort in our trace
            continue
        assert key in found, f"{where}.{key}"
        if isinstance(value, dict):
            same_keys(value, found[key], f"{where}.{key}")


def check_metadata(folder, header):
    wanted = json.loads((REFERENCE / "csvw_minimal.json").read_text())
    found = json.loads((folder / "trace.csv-metadata.json").read_text())
    same_keys(wanted, found, "")
    assert found["@context"] == wanted["@context"] and found["url"] == "trace.csv"
    columns = found["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == header
    names = [column["name"] for column in columns]
    assert len(set(names)) == len(names) and all(name.replace("_", "").isalnum() for name in names)
    with open(REFERENCE / "ucum_codes.csv", newline="") as file:
        codes = {row["ucum_code"] for row in csv.DictReader(file)}
    units = [column["http://qudt.org/schema/qudt/ucumCode"] for column in columns if "degC" in column["name"]
             or "mbar" in column["name"] or column["name"] == "elapsed_s"]
    assert units and set(units) <= codes, units


def check_record(folder, frame, rate_mbar_per_min, verdict):
    lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    journal = [json.loads(line) for line in lines]
    assert journal[0]["format"] == "taut-journal 1"
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    test = record["tests"][-1]
    told = [line["test"] for line in journal if line.get("effect") == "verdict"]
    assert told == record["tests"], "journal and record say the same"
    assert record["verdict"] == test["verdict"] == verdict
    assert record["part"] == journal[0]["part"] and record["recipe"] == journal[0]["recipe"]
    # the leak that make_part put in, and numpy's straight line through the later half of the judged readings
    judged = frame[(frame["elapsed_s"] >= (test["from_s"] + test["to_s"]) / 2) & (frame["elapsed_s"] <= test["to_s"])]
    slope = 60 * numpy.polyfit(judged["elapsed_s"], judged["A.vent_mbar"], 1)[0]
    ours = test["display"]["rate_mbar_per_min"]
    assert abs(slope - rate_mbar_per_min) < 0.01 and abs(ours - rate_mbar_per_min) < 0.01, (slope, ours)
    assert abs(test["rate_pa_per_s"] * 0.6 - ours) < 1e-4


def check(make_part, kind, rate, verdict):
    with tempfile.TemporaryDirectory() as state:
        out = subprocess.run([make_part, state, kind], check=True, capture_output=True, text=True)
        folder = pathlib.Path(out.stdout.strip())
        subprocess.run(["sha256sum", "--quiet", "--strict", "-c", "SHA256SUMS"], cwd=folder, check=True)
        header, rows = read_trace(folder)
        assert len(rows) > 3000
        check_rows(header, rows)
        frame = check_pandas(folder, header, rows)
        check_metadata(folder, header)
        check_record(folder, frame, rate, verdict)
        print(kind, len(rows), "rows read by csv and pandas alike;", verdict)


if __name__ == "__main__":
    check(sys.argv[1], "good", 0.12, "pass")
    check(sys.argv[1], "leaky", 1.5, "fail")
    check(sys.argv[1], "odd", 0.12, "pass")
