"""`tiltwright pivot fit` on readings that drift, with temperatures, wrong units, lost signs, and a slip among few."""

import json
from dataclasses import replace

import numpy as np
import pytest

from kinematics.calibration import PlannedTarget, TargetKind, perturbed_machine, simulated_readings
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.loader import read_machine

POSES = np.array([[a, c] for a in (-90.0, -60.0, -30.0, 0.0, 30.0) for c in (0.0, 90.0, 180.0, 270.0)])
BALLS = [
    PlannedTarget("ball 1", TargetKind.BALL, np.array([[-331.0, -203.4, -310.5]])),
    PlannedTarget("ball 2", TargetKind.BALL, np.array([[-421.0, -233.4, -290.5]])),
]


@pytest.fixture
def mill(examples, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_bytes((examples / "teaching_mill.toml").read_bytes())
    return path


@pytest.fixture
def table(mill, tmp_path):
    """Two balls in order of the tilts, spoilt as asked."""

    def write(spoil=lambda points: points, *, poses=POSES, balls=BALLS, warmth=None, text=lambda text: text):
        nominal = read_machine(mill).machine
        truth = perturbed_machine(nominal, 3, position_mm=0.02)
        readings = simulated_readings(truth, balls, poses, 0.0025, 3)
        readings = replace(
            readings,
            points_mm=spoil(np.array(readings.points_mm)),
            temperature_c=None if warmth is None else warmth(len(readings)),
        )
        path = tmp_path / "readings.csv"
        path.write_text(text(readings_csv(readings, nominal, "mm")), encoding="utf-8")
        return path

    return write


def report(run, mill, path, *options, code):
    ended = run("pivot", "fit", path, "-m", mill, "--json", *options)
    assert ended.code == code, ended.err
    return json.loads(ended.out)


def uneven(count):
    return 20.0 + 3.0 * np.random.default_rng(1).random(count)


def warming(points):
    course = uneven(len(points))
    course = (course - course.min()) / np.ptp(course)
    return points + course[:, None] * np.array([0.02, -0.01, 0.0])


@pytest.mark.parametrize("fahrenheit", [False, True])
def test_a_drift_with_the_logged_temperature_is_named_and_adjusted(run, mill, table, fahrenheit):
    def in_fahrenheit(text):
        head, *rows = text.splitlines()
        rows = [",".join([*(c := row.split(","))[:-1], f"{float(c[-1]) * 1.8 + 32.0:.6g}"]) for row in rows]
        return "\n".join([head.replace("T_C", "T (°F)"), *rows]) + "\n"

    path = table(warming, warmth=uneven, text=in_fahrenheit if fahrenheit else lambda text: text)
    plain = report(run, mill, path, code=1)
    assert [(one["by"], one["significant"]) for one in plain["drifts"]] == [
        ("order", False),
        ("temperature", True),
    ]
    along = report(run, mill, path, "--drift", "temperature", code=0)
    (one,) = along["drifts_adjusted"]
    assert (one["by"], one["all_determined"]) == ("temperature", True)
    assert one["shift"] == pytest.approx([0.02, -0.01, 0.0], abs=0.005)
    assert [test["by"] for test in along["drifts"]] == ["order"]
    assert (
        "A drift was adjusted along: 0.0"
        in run("pivot", "fit", path, "-m", mill, "--drift", "temperature").out
    )


def test_what_could_hide_is_said_with_the_interval_it_would_leave(run, mill, table):
    path = table()
    found = report(run, mill, path, code=0)
    (test,) = found["drifts"]
    assert test["shows_from"] > 0.01
    for plain, wide in zip(found["rotary"], found["with_drift"], strict=True):
        assert plain["letter"] == wide["letter"]
        assert wide["u_point"][1] is None or wide["u_point"][1] > 1.5 * plain["u_point"][1]
    assert "could hide in these readings" in run("pivot", "fit", path, "-m", mill).out
    adjusted = report(run, mill, path, "--drift", "order", code=0)
    assert adjusted["with_drift"] is None
    assert adjusted["rotary"][0]["u_point"] == found["with_drift"][0]["u_point"]


@pytest.mark.parametrize(
    ("head", "cell", "message"),
    [
        ("T", "20", '"T", a temperature without its unit; allowed: T_C or T_F'),
        ("T_C", "68 F", 'T_C: found "68 F"'),
        ("T_C", "168", 'T_C: found "168"; allowed: -50 to 100 degrees Celsius'),
        ("T_F", "", "T_F: found nothing"),
    ],
)
def test_wrong_temperatures_are_refused(run, mill, table, head, cell, message):
    def spoilt(text):
        first, *rows = text.splitlines()
        return "\n".join([f"{first},{head}", *(f"{row},{cell}" for row in rows)]) + "\n"

    ended = run("pivot", "fit", table(text=spoilt), "-m", mill)
    assert ended.code == 2
    assert message in ended.err


@pytest.mark.parametrize("factor", [1.0 / 25.4, 25.4])
def test_no_numbers_follow_where_the_unit_is_wrong(run, mill, table, factor):
    ended = run("pivot", "fit", table(lambda points: points * factor), "-m", mill)
    assert ended.code == 1
    assert "** MILLIMETRES FOR INCHES" in ended.out or "** INCHES FOR MILLIMETRES" in ended.out
    assert "Axis location errors" not in ended.out
    assert "Pivots of" not in ended.out


@pytest.mark.parametrize("how", ["all", "xy", "one axis"])
def test_readings_outside_the_travels_outrank_what_comes_of_them(run, mill, table, how):
    sign = {"all": [-1, -1, -1], "xy": [-1, -1, 1], "one axis": [1, -1, 1]}[how]
    path = table(lambda points: points * np.array(sign))
    found = report(run, mill, path, code=1)
    assert found["blunders"] == []
    assert found["findings"][0]["kind"] == "outside the travels"
    assert found["findings"][0]["rows"] == list(range(2, 42))
    out = run("pivot", "fit", path, "-m", mill).out
    assert out.splitlines()[1].startswith("  ** OUTSIDE THE TRAVELS")
    assert "SENSE REVERSED" not in out
    assert "Pivots of" not in out


def test_a_slip_in_one_of_five_readings_is_a_suspect_without_sigma(run, mill, table):
    poses = np.array([[0.0, c] for c in (0.0, 60.0, 130.0, 200.0, 290.0)])

    def slipped(points):
        points[2] += [0.03, -0.04, 0.02]
        return points

    found = report(run, mill, table(slipped, poses=poses, balls=BALLS[:1]), code=0)
    assert [one["row"] for one in found["suspects"]] == [4]
    assert report(run, mill, table(poses=poses, balls=BALLS[:1]), code=0)["suspects"] == []


def test_a_log_outlives_a_renamed_rotary(run, mill, table, tmp_path):
    path = table()
    assert run("pivot", "fit", path, "-m", mill, "--write", "--temperature", "68 F").code == 0
    text = mill.read_text(encoding="utf-8")
    mill.write_text(text.replace('"A"', '"B"'), encoding="utf-8")
    ended = run("pivot", "log", "-m", mill)
    assert ended.code == 0, ended.err
    assert "20.0" in ended.out
    renamed = path.read_text(encoding="utf-8").replace("A_deg", "B_deg")
    path.write_text(renamed, encoding="utf-8")
    assert run("pivot", "fit", path, "-m", mill, "--write-anyway").code in {0, 1}
    ended = run("pivot", "log", "-m", mill, "--plot", tmp_path / "drift.png")
    assert ended.code == 0, ended.err
    assert " B Y" in ended.out
    assert " A Y" in ended.out
