"""`tiltwright pivot fit`: what is said, in which order, and how it ends."""

import json
import re

import numpy as np
import pytest

from kinematics import transform_points
from kinematics.calibration import PlannedTarget, TargetKind, perturbed_machine, simulated_readings
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.loader import read_machine

POSES = np.array([[a, c] for a in (0.0, -30.0, -60.0, -90.0) for c in (0.0, 90.0, 180.0, 270.0)])


@pytest.fixture
def mill(examples, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_bytes((examples / "teaching_mill.toml").read_bytes())
    return path


def ball(name, *point):
    return PlannedTarget(name, TargetKind.BALL, np.array([point]))


@pytest.fixture
def taken(mill, tmp_path):
    """A table of readings on a machine with hidden errors; the machine too."""

    def take(
        *,
        scatter_mm=0.002,
        seed=3,
        units="mm",
        place=(-331.0, -203.4, -310.5),
        change=lambda text: text,
        **hidden,
    ):
        nominal = read_machine(mill).machine
        truth = perturbed_machine(nominal, seed, **hidden)
        targets = [ball("ball 1", *place), ball("ball 2", -381.0, -260.0, -250.0)]
        readings = simulated_readings(truth, targets, POSES, scatter_mm, seed)
        path = tmp_path / "readings.csv"
        path.write_text(change(readings_csv(readings, nominal, units)), encoding="utf-8")
        return path, truth

    return take


def test_the_json_is_what_the_design_says(run, mill, taken):
    path, truth = taken()
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert report["schema"] == "tiltwright.pivot-fit/1"
    assert report["units"] == "mm"
    assert set(report) >= {"dof", "sigma", "rotary", "held", "suspects", "blunders", "readings"}
    assert report["dof"] == 32 * 3 - 8 - 6
    first = report["rotary"][0]
    assert set(first) >= {"letter", "point", "direction", "u_point", "u_direction_deg", "location_errors"}
    assert list(first["location_errors"]) == ["E_Y0A", "E_Z0A", "E_B0A", "E_C0A"]
    assert list(report["rotary"][1]["location_errors"]) == ["E_X0C", "E_Y0C", "E_A0C", "E_B0C"]
    assert first["u_point"][0] is None  # along the line: never known
    assert [one["row"] for one in report["readings"]] == list(range(2, 34))
    assert np.array(report["covariance"]["matrix"]).shape == (8, 8)
    y = first["location_errors"]["E_Y0A"]
    assert abs(y["value"] - (truth.rotaries[0].point_mm[1] + 203.412)) < 5 * y["u"]


def test_inches_are_the_same_answer(run, mill, taken):
    """The same readings, the same machine: shown in inches, and read from inches."""
    path, _ = taken()
    in_mm = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    shown = json.loads(run("pivot", "fit", path, "-m", mill, "--json", "--units", "inch").out)
    assert shown["units"] == "inch"
    for mm, inch in zip(in_mm["rotary"], shown["rotary"], strict=True):
        assert inch["point"] == pytest.approx([v / 25.4 for v in mm["point"]], abs=1e-12)
        assert inch["direction"] == mm["direction"]
        for name, error in mm["location_errors"].items():
            other = inch["location_errors"][name]
            scale = 25.4 if error["unit"] == "mm" else 1.0
            assert other["unit"] == ("inch" if error["unit"] == "mm" else "deg")
            assert other["u"] * scale == pytest.approx(error["u"], rel=1e-12)
    scale = np.tile([25.4, 25.4, 1.0, 1.0], 2)
    matrix = np.array(shown["covariance"]["matrix"]) * np.outer(scale, scale)
    assert matrix == pytest.approx(np.array(in_mm["covariance"]["matrix"]), rel=1e-9)
    path, _ = taken(units="inch")
    read = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    for mm, inch in zip(in_mm["rotary"], read["rotary"], strict=True):
        assert inch["point"] == pytest.approx(mm["point"], abs=2e-4)  # five decimals of an inch


def test_a_wrong_unit_is_the_one_fault_named_at_the_end(run, mill, taken):
    """Lines kilometres away and rows outside the travels follow from it, and were listed beside it."""
    path, _ = taken()
    path.write_text(path.read_text("utf-8").replace("_mm", "_in"), "utf-8")
    ended = run("pivot", "fit", path, "-m", mill)
    assert ended.code == 1
    assert "No numbers are shown" in ended.out
    assert ended.err.strip().endswith("with the machine: millimetres for inches")


def test_without_scatter_the_file_gets_the_hidden_lines(run, mill, taken):
    path, truth = taken(scatter_mm=0.0)
    assert run("pivot", "fit", path, "-m", mill, "--write").code == 0
    for now, true in zip(read_machine(mill).machine.rotaries, truth.rotaries, strict=True):
        away = np.cross(now.point_mm - true.point_mm, true.direction)
        assert np.abs(away).max() < 1e-4  # the table has four decimals
        assert np.abs(now.direction - true.direction).max() < 1e-6


def test_what_is_said_and_in_which_order(run, mill, taken):
    path, _ = taken()
    out = run("pivot", "fit", path, "-m", mill).out
    order = [
        "Pivots of Teaching mill",
        "Uncertainty:",
        "Against the machine file:",
        "Axis location errors",
        "fit worst",
    ]
    places = [out.index(words) for words in order]
    assert places == sorted(places)
    assert re.search(r"C (moved|in X)", out)
    assert "Student's t gives k = 1.99 for 95 %" in out
    assert "STOP" not in out


def test_a_mistake_is_said_first_and_loudly_and_nothing_is_written(run, mill, taken):
    path, _ = taken()
    mill.write_text(
        mill.read_text(encoding="utf-8").replace(
            'positive_turn = "clockwise"   # the table, seen from above', 'positive_turn = "counterclockwise"'
        ),
        encoding="utf-8",
    )
    before = mill.read_bytes()
    ended = run("pivot", "fit", path, "-m", mill, "--write")
    assert ended.code == 1
    assert ended.out.startswith("STOP.")
    assert "SENSE REVERSED (certain): C" in ended.out
    assert "With that put right" in ended.out
    assert "was not changed" in ended.err
    assert mill.read_bytes() == before
    assert not mill.with_name("mill.calibrations.jsonl").exists()
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert report["blunders"][0]["kind"] == "sense reversed"
    assert report["blunders"][0]["rotary"] == "C"


def test_a_slip_is_not_written_unless_asked_twice(run, mill, taken):
    whole = taken(place=(-331.0, -203.4, -310.5))[0].read_text(encoding="utf-8").splitlines()
    after = taken(place=(-330.9, -203.25, -310.6))[0].read_text(encoding="utf-8").splitlines()
    path, _ = taken(change=lambda _: "\n".join([*whole[:19], *after[19:]]) + "\n")
    ended = run("pivot", "fit", path, "-m", mill, "--write")
    assert ended.code == 1
    assert "TARGET SLIPPED (certain): " in ended.out
    assert not mill.with_name("mill.calibrations.jsonl").exists()
    ended = run("pivot", "fit", path, "-m", mill, "--write-anyway")
    assert ended.code == 1
    record = json.loads(mill.with_name("mill.calibrations.jsonl").read_text(encoding="utf-8"))
    assert record["despite_blunders"] is True


def test_one_bad_reading_is_named(run, mill, taken):
    def spoil(text):
        lines = text.splitlines()
        cells = lines[7].split(",")
        cells[5] = f"{float(cells[5]) + 0.05:.4f}"
        lines[7] = ",".join(cells)
        return "\n".join(lines) + "\n"

    path, _ = taken(change=spoil)
    ended = run("pivot", "fit", path, "-m", mill)
    assert "Suspects, the worst first" in ended.out
    assert "row 8:" in ended.out
    robust = run("pivot", "fit", path, "-m", mill, "--robust", "soft_l1")
    assert "ROBUST: with the loss soft_l1" in robust.out


def test_check_answers_whether_the_file_still_holds(run, mill, taken):
    path, _ = taken()
    ended = run("pivot", "fit", path, "-m", mill, "--check")
    assert ended.code == 1
    assert "moved since the machine file was written: A and C" in ended.err
    path, _ = taken(position_mm=0.0, direction_deg=0.0)
    assert run("pivot", "fit", path, "-m", mill, "--check", "--level", "99.9").code == 0


def test_three_touches_of_the_platter(run, mill, tmp_path):
    """Level, tipped +90 and -90 is what a setter with an edge finder has; the directions are held."""
    text = mill.read_text(encoding="utf-8").replace("[-120.0, 30.0]", "[-120.0, 120.0]")
    mill.write_text(text, encoding="utf-8")
    machine = read_machine(mill).machine
    rows = []
    for a in (0.0, 90.0, -90.0):
        x, y, z = transform_points(machine, [-381.0, -183.0, -356.112], [a, 0.0]) + np.array(
            [0.0, 0.02, 0.01]
        )
        rows.append(f"face,platter,{a},0,{x:.4f},{y:.4f},{z:.4f}")
    table = tmp_path / "three.csv"
    table.write_text("kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    ended = run("pivot", "fit", table, "-m", mill, "--json")
    assert ended.code == 0, ended.err
    report = json.loads(ended.out)
    assert report["dof"] == 0
    assert report["sigma"] is None
    a = report["rotary"][0]
    assert a["point"][1] == pytest.approx(-203.412 + 0.02, abs=1e-3)
    assert any("C does not turn" in words for words in report["held"])
    assert "There are no redundant readings" in run("pivot", "fit", table, "-m", mill).out


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (["--sigma", "0"], '--sigma: found "0"; allowed: a length above 0'),
        (["--sigma", "nan"], '--sigma: found "nan"'),
        (["--sigma", "2 apples"], '--sigma: found "2 apples"'),
        (["--drift", "time"], '--drift: found "time"; allowed: order, temperature'),
        (["--drift", "temperature"], "a column T_C or T_F"),
        (["--robust", "hubert"], "soft_l1, huber, cauchy, arctan"),
        (["--robust-beyond", "1"], "without --robust"),
        (["--level", "100"], "50 to 99.99 percent"),
        (["--plot", "fit.gif"], ".png, .svg, .pdf"),
        (["--who", "me"], "--who with --write only"),
        (["--temperature", "20 C"], "--temperature with --write only"),
        (["--write", "--who", "a\x1b[2J"], "--who: found"),
        (["--write", "--temperature", "400 C"], "-50 to 100 degrees Celsius"),
        (["--write", "--temperature", "68"], 'a temperature with its unit, such as "20 C" or "68 F"'),
        (["--plan", "plan.toml"], "--plan with a saved parameter file only"),
    ],
)
def test_wrong_options(run, mill, taken, args, told):
    path, _ = taken()
    ended = run("pivot", "fit", path, "-m", mill, *args)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err


def test_a_sigma_of_each_reading_and_one_for_all(run, mill, taken):
    path, _ = taken(change=lambda t: "\n".join(
        line + (",sigma_mm" if i == 0 else ",0.002") for i, line in enumerate(t.splitlines())
    ) + "\n")  # fmt: skip
    assert "as each reading states it" in run("pivot", "fit", path, "-m", mill).out
    ended = run("pivot", "fit", path, "-m", mill, "--sigma", "0.002")
    assert ended.code == 2
    assert "one statement" in ended.err
