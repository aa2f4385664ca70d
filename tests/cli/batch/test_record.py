"""The batch record: what goes in stays, comes out as it was, and charts as the library has it."""

import csv
import io
import json
import sqlite3
import subprocess
import sys
from contextlib import closing

import numpy as np
import pytest

from kinematics.batch import baseline_of, control_chart
from tiltwright.batch.readings_table import PartReading
from tiltwright.batch.record import log_readings, read_record, record_path
from tiltwright.files.diagnostics import InputFaults

JOB = (
    'name = "Buoy bracket"\nunits = "mm"\nmachine = "teaching_mill.toml"\n[[stack]]\nname = "post"\nup = 100.0\n'
    '[[operation]]\nname = "top"\nat = { A = 0, C = 0 }\n'
)
NESTS = JOB + "".join(
    f'[[nest]]\nname = "{name}"\non = "post"\n[[nest.step]]\nname = "vice, {name}"\nup = 60.0\nshift = [{x}, 0.0]\n'
    for name, x in (("left", -40.0), ("right", 40.0))
)
# The teaching mill's part zero on a post of 100 mm, at A0 C0: its C line at X -381.025 Y -203.405, Z -356.112 + 100.
ZERO = np.array([-381.025, -203.405, -256.112])


def table(tmp_path, rows, head="serial,X_mm,Y_mm,Z_mm", name="readings.csv"):
    path = tmp_path / name
    path.write_text("\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n", encoding="utf-8")
    return path


def shifted(count, seed=1, sigma=0.003):
    return ZERO + np.random.default_rng(seed).normal(scale=sigma, size=(count, 3))


def test_what_goes_in_comes_out(run, job, tmp_path):
    path = job(JOB)
    rows = [(100 + i, *row) for i, row in enumerate(shifted(5).tolist())]
    ended = run("batch", "log", path, table(tmp_path, rows), "--who", "day shift")
    assert (ended.code, ended.out) == (0, "")
    report = json.loads(run("batch", "log", path, "--json").out)
    assert report["schema"] == "tiltwright.batch-log/1"
    assert [one["at"] for one in report["readings"]] == [list(row[1:]) for row in rows]
    assert [one["serial"] for one in report["readings"]] == [str(row[0]) for row in rows]
    (entry,) = report["entries"]
    assert (entry["who"], entry["count"], entry["withdrawn"]) == ("day shift", 5, False)
    out = run("batch", "log", path, "--csv", "--units", "inch").out
    again = list(csv.DictReader(io.StringIO(out)))
    assert np.array([float(row["X_in"]) for row in again]) * 25.4 == pytest.approx(
        [r[1] for r in rows], abs=1e-9
    )
    # The table that comes out goes in again, in its own unit.
    other = tmp_path / "out.csv"
    other.write_text(out, encoding="utf-8")
    assert run("batch", "log", path, other, "--again").code == 0
    assert len(json.loads(run("batch", "log", path, "--json").out)["readings"]) == 10


def test_a_withdrawn_entry_stays_and_does_not_count(run, job, tmp_path):
    path = job(JOB)
    rows = [(i, *row) for i, row in enumerate(shifted(4).tolist())]
    run("batch", "log", path, table(tmp_path, rows[:2]))
    run("batch", "log", path, table(tmp_path, rows[2:], name="second.csv"))
    counts = []
    for _ in range(3):
        entries, readings = read_record(record_path(path))
        counts.append([one.serial for one in (r.reading for r in readings)])
        assert entries[0].count == 2
        assert entries[0].withdrawn == (len(readings) == 2)
        run("batch", "log", path, "--withdraw", 1)
    assert counts == [["0", "1", "2", "3"], ["2", "3"], ["0", "1", "2", "3"]]
    refused = run("batch", "log", path, "--withdraw", 9)
    assert (refused.code, refused.out) == (2, "")
    # Of withdrawals only the entries of readings can be withdrawn.
    assert run("batch", "log", path, "--withdraw", 3).code == 2


def test_nothing_in_the_record_can_be_changed(run, job, tmp_path):
    path = job(JOB)
    run("batch", "log", path, table(tmp_path, [(1, *ZERO)]))
    database = sqlite3.connect(record_path(path))
    for statement in (
        "UPDATE reading SET x_mm = 0", "DELETE FROM reading", "UPDATE entry SET who = 'x'", "DELETE FROM entry",
    ):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="append only"):
            database.execute(statement)
    database.close()


def test_a_part_twice_is_refused_whole(run, job, tmp_path):
    path = job(JOB)
    run("batch", "log", path, table(tmp_path, [(1, *ZERO)]))
    ended = run("batch", "log", path, table(tmp_path, [(2, *ZERO), (1, *ZERO)], name="b.csv"))
    assert ended.code == 2
    assert ":3: serial" in ended.err
    assert len(read_record(record_path(path))[1]) == 1


WRITER = """
import sys
from contextlib import closing
from pathlib import Path
from tiltwright.batch.readings_table import PartReading
from tiltwright.batch.record import log_readings
for i in range(8):
    log_readings(Path(sys.argv[1]), [PartReading(1, f"{sys.argv[2]}-{i}-{k}", (0.0, 0.0, 0.0)) for k in range(5)],
                 who=None, source="r.csv", again=False)
"""


def test_two_writers_at_once_lose_nothing(tmp_path):
    path = tmp_path / "job.batch.sqlite"
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(path), name]) for name in "abc"]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0]
    entries, readings = read_record(path)
    assert (len(entries), len(readings)) == (24, 120)
    # Each entry is whole: its five readings carry one writer's name.
    for entry in entries:
        names = {one.reading.serial.rsplit("-", 1)[0] for one in readings if one.entry == entry.number}
        assert len(names) == 1


def test_a_record_lies_beside_the_file_itself(job, tmp_path):
    """However the job is named: beside a link there would be a second record. One that was begun there stays in use."""
    path = job(JOB)
    (tmp_path / "desk").mkdir()
    link, old = tmp_path / "desk" / "feet.toml", tmp_path / "desk" / "feet.batch.sqlite"
    link.symlink_to(path)
    assert record_path(link) == record_path(path) == path.with_name("job.batch.sqlite")
    log_readings(old, [PartReading(2, "1", (0.0, 0.0, 0.0))], who=None, source="a.csv", again=False)
    assert record_path(link) == old
    log_readings(
        record_path(path), [PartReading(2, "1", (0.0, 0.0, 0.0))], who=None, source="a.csv", again=False
    )
    assert record_path(link) == record_path(path)


def test_a_failure_half_way_leaves_what_was_there(tmp_path):
    path = tmp_path / "job.batch.sqlite"
    log_readings(path, [PartReading(2, "1", (0.0, 0.0, 0.0))], who=None, source="a.csv", again=False)
    bad = [PartReading(2, "2", (0.0, 0.0, 0.0)), PartReading(3, "3", (0.0, 0.0, None))]
    with pytest.raises(InputFaults):
        log_readings(path, bad, who=None, source="b.csv", again=False)
    entries, readings = read_record(path)
    assert (len(entries), [one.reading.serial for one in readings]) == (1, ["1"])


def test_another_program_s_file_is_left_alone(tmp_path):
    other, text = tmp_path / "other.sqlite", tmp_path / "text.sqlite"
    database = sqlite3.connect(other)
    database.execute("CREATE TABLE t (a)")
    database.commit()
    database.close()
    text.write_bytes(b"not a database, but long enough to be looked at" * 40)
    for path in (other, text):
        before = path.read_bytes()
        with pytest.raises(InputFaults):
            log_readings(path, [PartReading(2, "1", (0.0, 0.0, 0.0))], who=None, source="a.csv", again=False)
        with pytest.raises(InputFaults):
            read_record(path)
        assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("head", "rows", "line", "found"),
    [
        ("serial,X,Y_mm,Z_mm", [(1, 0, 0, 0)], 1, '"X"'),
        ("serial,X_mm,Y_in,Z_mm", [(1, 0, 0, 0)], 1, "and in inches (Y_in)"),
        ("serial,X_mm,Y_mm", [(1, 0, 0)], 1, "no column Z"),
        ("serial,X_mm,Y_mm,Z_mm,hight", [(1, 0, 0, 0, 0)], 1, '"hight"'),
        ("serial,X_mm,X_mm,Y_mm,Z_mm", [(1, 0, 0, 0, 0)], 1, "2 times"),
        ("serial,X_mm,Y_mm,Z_mm", [(1, 0, 0, "nan")], 2, '"nan"'),
        ("serial,X_mm,Y_mm,Z_mm", [(1, 0, 0, 0), (1, 0, 0, 0)], 3, "row 2"),
        ("serial,X_mm,Y_mm,Z_mm", [(1, 0, 0)], 2, "3 values where 4 belong"),
        ("serial,nest,X_mm,Y_mm,Z_mm", [(1, "middle", 0, 0, 0)], 2, '"middle"'),
        ("serial,X_mm,Y_mm,Z_mm,temperature_C", [(1, 0, 0, 0, 69)], 2, "temperature_F"),
        ("serial,X_mm,Y_mm,Z_mm,temperature_F", [(1, 0, 0, 0, 300)], 2, '"300"'),
        ("serial,X_mm,Y_mm,Z_mm,temperature", [(1, 0, 0, 0, 20)], 1, "temperature_C or temperature_F"),
        ("serial,X_mm,Y_mm,Z_mm", [], None, "no part"),
    ],
)
def test_every_fault_of_a_table_has_its_row(run, job, tmp_path, head, rows, line, found):
    path = job(JOB)
    ended = run("batch", "log", path, table(tmp_path, rows, head))
    assert (ended.code, ended.out) == (2, "")
    assert found in ended.err
    assert line is None or f"readings.csv:{line}:" in ended.err
    assert not record_path(path).exists()


def test_the_chart_is_the_library_s(run, job, tmp_path):
    path = job(JOB)
    at = shifted(40)
    run("batch", "log", path, table(tmp_path, [(i, *row) for i, row in enumerate(at.tolist())]))
    ended = run("batch", "chart", path, "--baseline", 30, "--json")
    report = json.loads(ended.out)
    for k, axis in enumerate(report["axes"]):
        off = at[:, k] - ZERO[k]
        expected = control_chart(off, baseline_of(off[:30]))
        assert axis["values"] == pytest.approx(off, abs=1e-9)
        assert axis["limits"] == pytest.approx(expected.limits, abs=1e-9)
        assert [one["index"] for one in axis["signals"]] == [one.index for one in expected.signals]
    assert ended.code == (0 if report["in_control"] else 1)


def test_a_jump_a_drift_and_a_nest_that_sits_low(run, job, tmp_path):
    path = job(NESTS)
    random = np.random.default_rng(3)
    rows = []
    for i in range(60):
        nest, x = (("left", -40.0), ("right", 40.0))[i % 2]
        off = np.add(
            random.normal(scale=0.003, size=3), [0.02 * (i >= 33), 0.0005 * i, -0.03 * (nest == "right")]
        )
        rows.append((i, nest, *(ZERO + np.array([x, 0.0, 60.0]) + off).tolist()))
    head = "serial,nest,X_mm,Y_mm,Z_mm"
    assert run("batch", "log", path, table(tmp_path, rows, head)).code == 0
    ended = run("batch", "chart", path, "--baseline", 20, "--tolerance", "0.05", "--minutes", 4, "--json")
    assert ended.code == 1
    x, y, z = json.loads(ended.out)["axes"]
    assert (x["changes"][0]["kind"], x["changes"][0]["index"]) == ("jump", 33)
    assert (y["changes"][0]["kind"], y["changes"][0]["amount"]) == ("drift", pytest.approx(0.0005, abs=5e-5))
    # The last of the 60 stands 0.0295 off but for its scatter; the weighted mean would lag nine parts behind.
    assert y["forecast"]["parts"] == pytest.approx((0.05 - 0.0295) / 0.0005, abs=4.0)
    assert y["forecast"]["earliest"] <= y["forecast"]["parts"] < (0.05 - y["ewma"][-1]) / 0.0005
    assert [one["minutes_per_part"] for one in y["intervals"]] == pytest.approx(
        [4.0 / one["parts"] for one in y["intervals"]]
    )
    apart = {one["nest"]: one["shift"] for one in z["nests_apart"]}
    assert apart["right"] == pytest.approx(-0.03, abs=0.004)
    text = run("batch", "chart", path, "--baseline", 20).out
    assert "FAIL: X" in text
    assert "mm per part (standard uncertainty" in text
    assert "Nest left sits" in text


def test_a_pose_that_is_tilted_is_turned_back(run, job, tmp_path):
    """Touched off at A-90: the table's +z lies along machine -Y there (the worked example of the touch-off tests)."""
    touched = (
        '[touched]\nX = -381.025\nY = -353.418\nZ = -406.111\npose = { A = -90, C = 0 }\nuse = "stack"\n'
    )
    path = job(JOB.replace("[[operation]]", f"{touched}[[operation]]"))
    rows = [(i, -381.025, -353.418 - 0.001 * i, -406.111) for i in range(9)]
    run("batch", "log", path, table(tmp_path, rows))
    axes = json.loads(run("batch", "chart", path, "--sigma", "0.01", "--json").out)["axes"]
    assert np.diff(axes[2]["values"]) == pytest.approx(np.full(8, 0.001), abs=1e-9)
    assert np.ptp(axes[1]["values"]) == pytest.approx(0.0, abs=1e-9)


def test_a_drift_that_would_hide_in_the_scatter_is_said(run, job, tmp_path):
    path, random = job(JOB), np.random.default_rng(4)
    shifts = random.normal(scale=0.004, size=(30, 3))
    rows = [(i, *row) for i, row in enumerate((np.array([-381.025, -203.405, -256.112]) + shifts).tolist())]
    run("batch", "log", path, table(tmp_path, rows))

    def seen(*options):
        axes = json.loads(run("batch", "chart", path, *options, "--json").out)["axes"]
        return [one["drift_seen"] for one in axes]

    assert seen() == [None, None, None]
    fine, coarse = seen("--tolerance", "0.08"), seen("--tolerance", "0.012")
    stated = seen("--tolerance", "0.012", "--sigma", "0.003", "--center", "0")
    assert min(one["share"] for one in fine) > 0.99
    assert max(one["share"] for one in coarse) < 0.95 < min(one["share"] for one in stated)
    assert coarse[0]["largest_sigma"] < 0.003 < stated[0]["largest_sigma"]
    assert fine[0]["largest_sigma"] == pytest.approx(coarse[0]["largest_sigma"] * 0.08 / 0.012)
    assert "caution: a drift" in run("batch", "chart", path, "--tolerance", "0.012").out
    assert "caution: a drift" not in run("batch", "chart", path, "--tolerance", "0.08").out


def test_a_check_ball_has_a_chart_of_its_own(run, job, tmp_path):
    path = job(JOB)
    rows = [(i, "check ball", *(np.add([10.0, 20.0, 30.0], [0.0, 0.001 * (i % 3), 0.0]))) for i in range(9)]
    run("batch", "log", path, table(tmp_path, rows, "serial,target,X_mm,Y_mm,Z_mm"))
    ended = run("batch", "chart", path, "--target", "check ball", "--sigma", "0.002", "--json")
    assert json.loads(ended.out)["axes"][1]["values"][:3] == pytest.approx([0.0, 0.001, 0.002])
    refused = run("batch", "chart", path, "--target", "chek ball")
    assert refused.code == 2
    assert "check ball" in refused.err


def test_a_check_ball_in_the_other_unit_is_refused(run, job, tmp_path):
    """The job does not say where it is; the record does."""
    path, head = job(JOB), "serial,target,X_mm,Y_mm,Z_mm"
    at = np.array([-120.0, 200.0, 30.0])
    assert run("batch", "log", path, table(tmp_path, [(1, "check ball", *at)], head)).code == 0
    record = path.with_name("job.batch.sqlite")
    before = record.read_bytes()
    ended = run("batch", "log", path, table(tmp_path, [(2, "check ball", *(at / 25.4))], head))
    assert ended.code == 2
    assert "check ball" in ended.err
    assert "its figures fit in inches" in ended.err
    assert record.read_bytes() == before
    for moved in (at + 0.01, at + 40.0, at):
        assert (
            run("batch", "log", path, table(tmp_path, [(2, "check ball", *moved)], head), "--again").code == 0
        )


def test_the_picture_is_written_once(run, job, tmp_path):
    """As an SVG; what is common to all endings, test_plots.py holds."""
    path, plot = job(JOB), tmp_path / "chart.svg"
    run("batch", "log", path, table(tmp_path, [(i, *row) for i, row in enumerate(shifted(25).tolist())]))
    run("batch", "chart", path, "--plot", plot)
    first = plot.read_bytes()
    assert run("batch", "chart", path, "--plot", plot).code == 2
    run("batch", "chart", path, "--plot", plot, "--force")
    assert plot.read_bytes() == first


def test_without_a_record_it_says_how_to_begin(run, job):
    path = job(JOB)
    ended = run("batch", "chart", path)
    assert (ended.code, ended.out) == (2, "")
    assert "batch log" in ended.err


@pytest.mark.parametrize(
    "options",
    [
        ["--baseline", 1], ["--baseline", 99], ["--sigma", "-1"], ["--tolerance", "0"], ["--plot", "chart.bmp"],
        ["--sigma", "abc"], ["--minutes", "-1"],
    ],
)  # fmt: skip
def test_choices_that_do_not_fit_are_refused(run, job, tmp_path, options):
    path = job(JOB)
    run("batch", "log", path, table(tmp_path, [(i, *row) for i, row in enumerate(shifted(5).tolist())]))
    ended = run("batch", "chart", path, *options)
    assert (ended.code, ended.out) == (2, "")


def test_fahrenheit_is_stored_as_celsius(run, job, tmp_path):
    path = job(JOB)
    run("batch", "log", path, table(tmp_path, [(1, *ZERO, 68)], "serial,X_mm,Y_mm,Z_mm,temperature_F"))
    assert read_record(record_path(path))[1][0].reading.temperature_c == pytest.approx(20.0)


def test_parts_that_lie_far_off_are_named_when_logged(run, job, tmp_path):
    path = job(JOB)
    rows = [(1, *ZERO), (2, ZERO[0], ZERO[1] + 30.0, ZERO[2]), (3, ZERO[0], -ZERO[1], ZERO[2])]
    ended = run("batch", "log", path, table(tmp_path, rows))
    assert ended.code == 0
    assert ended.err.count("caution: ") == 2
    assert 'serial "1"' not in ended.err


@pytest.mark.parametrize(("head", "factor"), [("mm", 1 / 25.4), ("in", 1.0)])
def test_figures_in_the_other_unit_are_refused_with_their_rows(run, job, tmp_path, head, factor):
    """Millimetre heads over inch figures, and the other way round: nothing is written."""
    path = job(JOB)
    right = ZERO if head == "mm" else ZERO / 25.4
    rows = [(1, *right), *((i, *(ZERO * factor + 0.001 * i)) for i in range(2, 5))]
    ended = run("batch", "log", path, table(tmp_path, rows, f"serial,X_{head},Y_{head},Z_{head}"))
    assert ended.code == 2
    assert [f"readings.csv:{row}: " in ended.err for row in range(2, 6)] == [False, True, True, True]
    assert not record_path(path).exists()


def test_the_all_zero_pose_is_the_rotary_s_own_zero(run, job, examples, tmp_path):
    """A display of C that reads 90 in the all-zero pose: parts touched off there are where the job has them."""
    mill = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    assert 'letter = "C"\n' in mill
    text = JOB.replace("up = 100.0", "up = 100.0\nshift = [30.0, 0.0]").replace("C = 0", "C = 90")
    path = job(text, mill.replace('letter = "C"\n', 'letter = "C"\nzero = 90.0\n'))
    rows = [(i, ZERO[0] + 30.0, ZERO[1], ZERO[2] + 0.001 * i) for i in range(3)]
    parts = table(tmp_path, rows)
    assert run("batch", "log", path, parts).err.count("caution: serial") == 0
    offsets = json.loads(run("batch", "offsets", path, parts, "--json").out)
    assert [part["held"] for part in offsets["parts"]] == [None] * 3


def test_serials_stand_in_the_text_as_they_are(run, job, tmp_path):
    path = job(JOB)
    rows = [(f"$A_{i}$", ZERO[0], ZERO[1], ZERO[2] + 0.05 * (i == 8)) for i in range(9)]
    run("batch", "log", path, table(tmp_path, rows))
    ended = run("batch", "chart", path, "--sigma", "0.003", "--plot", tmp_path / "c.svg")
    assert "serial $A_8$" in ended.out
    assert (tmp_path / "c.svg").exists()


def test_a_record_that_was_begun_and_never_written_is_none(run, job, tmp_path):
    path = job(JOB)
    record_path(path).write_bytes(b"")
    ended = run("batch", "log", path)
    assert ended.code == 2
    assert "no record" in ended.err
    assert run("batch", "log", path, table(tmp_path, [(100, *ZERO)])).code == 0


def test_a_number_that_no_entry_can_have(run, job, tmp_path):
    path = job(JOB)
    assert run("batch", "log", path, table(tmp_path, [(100, *ZERO)])).code == 0
    ended = run("batch", "log", path, "--withdraw", "9" * 400)
    assert ended.code == 2
    assert "--withdraw" in ended.err


def test_a_record_whose_own_texts_are_damaged(run, job, tmp_path):
    path = job(JOB)
    assert run("batch", "log", path, table(tmp_path, [(100, *ZERO)])).code == 0
    record = record_path(path)
    raw = record.read_bytes()
    place = raw.index(b"CREATE TABLE reading")
    record.write_bytes(raw[: place + 3] + b"\xde\xff" + raw[place + 5 :])
    for words in ((), ("--withdraw", "1")):
        ended = run("batch", "log", path, *words)
        assert ended.code == 2
        assert str(record) in ended.err


def test_nothing_is_added_to_a_damaged_record(run, job, tmp_path):
    path = job(JOB)
    rows = [(100 + i, *row) for i, row in enumerate(shifted(200).tolist())]
    assert run("batch", "log", path, table(tmp_path, rows)).code == 0
    record = record_path(path)
    raw = bytearray(record.read_bytes())
    page = int.from_bytes(raw[16:18], "big")
    with closing(sqlite3.connect(record)) as database:
        (root,) = database.execute("SELECT rootpage FROM sqlite_master WHERE name = 'reading'").fetchone()
    raw[page * (root - 1) : page * (root - 1) + 8] = b"\xff" * 8
    record.write_bytes(raw)
    ended = run("batch", "log", path, "--withdraw", "1")
    assert ended.code == 2
    assert str(record) in ended.err
    assert record.read_bytes() == raw
