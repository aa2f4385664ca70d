"""`tiltwright pivot fit` on readings that are wrong in ways that still give an answer: said, and not written."""

import json
import re
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from kinematics import table_pose
from kinematics.calibration import PlannedTarget, TargetKind, perturbed_machine, simulated_readings
from tiltwright.calibration.readings_csv import readings_csv
from tiltwright.files.loader import read_machine

POSES = [(-90, 30), (-90, 150), (-60, 270), (0, 90), (30, 270), (30, 210), (30, 90), (30, 0)]
SPOTS = [(-351.0, -223.4, -356.112), (-381.0, -173.4, -356.112), (-421.0, -213.4, -356.112)]


def unbroken(text: str) -> str:
    """A text as one line, wherever the screen breaks it."""
    return " ".join(text.split())


@pytest.fixture
def mill(examples, tmp_path):
    path = tmp_path / "mill.toml"
    path.write_bytes((examples / "teaching_mill.toml").read_bytes())
    return path


@pytest.fixture
def table(mill, tmp_path):
    """A ball and the platter's face on a machine with small hidden errors, spoilt as asked."""

    def write(spoil=lambda points, *_: points, *, scatter_mm=0.003, text=lambda text: text):
        nominal = read_machine(mill).machine
        truth = perturbed_machine(nominal, 4, position_mm=0.02)
        targets = [
            PlannedTarget("tooling ball", TargetKind.BALL, np.array([(-331.0, -203.4, -313.4)])),
            PlannedTarget("platter", TargetKind.FACE, np.array(SPOTS), np.array([0.0, 0.0, 1.0])),
        ]
        readings = simulated_readings(truth, targets, np.array(POSES, dtype=float), scatter_mm, 11)
        points = spoil(np.array(readings.points_mm), readings, truth)
        path = tmp_path / "readings.csv"
        said = readings_csv(replace(readings, points_mm=points), nominal, "mm")
        path.write_text(text(said), encoding="utf-8")
        return path

    return write


def balls_read_high(points, readings, _):
    """At the top of a half-inch ball, in five poses of eight."""
    points[np.flatnonzero(readings.target == 0)[:5], 2] += 6.35
    return points


def radius_at_one_tilt(points, readings, truth):
    outward = table_pose(truth, readings.angles_deg).rotate([0.0, 0.0, 1.0])
    these = (readings.target == 1) & (readings.angles_deg[:, 0] == -60.0)
    points[these] += 3.0 * outward[these]
    return points


def unwritten(run, mill, path, *options):
    """Output of a run that must end with 1 and leave the machine file alone."""
    before = mill.read_bytes()
    ended = run("pivot", "fit", path, "-m", mill, "--write", *options)
    assert ended.code == 1, ended.out
    assert mill.read_bytes() == before
    assert not mill.with_name("mill.calibrations.jsonl").exists()
    assert "was not changed" in ended.err
    return ended


def test_good_readings_have_no_findings(run, mill, table):
    path = table()
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert (report["blunders"], report["findings"], report["suspects"]) == ([], [], [])
    assert run("pivot", "fit", path, "-m", mill, "--write").code == 0


@pytest.mark.parametrize("spoil", [balls_read_high, radius_at_one_tilt])
@pytest.mark.parametrize("options", [[], ["--sigma", "0.003"]])
def test_scatter_that_no_probe_has_is_said_and_not_written(run, mill, table, spoil, options):
    path = table(spoil)
    ended = unwritten(run, mill, path, *options)
    assert ended.out.startswith("STOP.")
    assert "** SCATTER: " in ended.out
    assert "scatter" in ended.err
    assert run("pivot", "fit", path, "-m", mill, *options).code == 1
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json", *options).out)
    assert "scatter" in [finding["kind"] for finding in report["findings"]]


def test_what_is_wrong_is_written_when_asked_twice(run, mill, table):
    assert run("pivot", "fit", table(radius_at_one_tilt), "-m", mill, "--write-anyway").code == 1
    record = json.loads(mill.with_name("mill.calibrations.jsonl").read_text(encoding="utf-8"))
    assert record["despite_blunders"] is True


def test_lost_minus_signs_lie_outside_the_travels(run, mill, tmp_path):
    path = tmp_path / "signs.csv"
    rows = [f"ball,b,0,{c},331,203,310" for c in (0, 90, 180)]
    path.write_text("\n".join(["kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm", *rows]) + "\n", encoding="utf-8")
    ended = unwritten(run, mill, path)
    assert "OUTSIDE THE TRAVELS: " in ended.out
    assert "FAR FROM THE MACHINE FILE: " in ended.out
    findings = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)["findings"]
    assert [(one["kind"], one["rows"]) for one in findings] == [
        ("outside the travels", [2, 3, 4]),
        ("far from the machine file", []),
    ]


def test_a_machine_without_travels_is_not_held_against_them(run, mill, tmp_path):
    text = mill.read_text(encoding="utf-8")
    begin = text.index("[travel]")
    mill.write_text(text[:begin] + text[text.index("[[rotary]]") :], encoding="utf-8")
    path = tmp_path / "signs.csv"
    rows = [f"ball,b,0,{c},331,203,310" for c in (0, 90, 180)]
    path.write_text("\n".join(["kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm", *rows]) + "\n", encoding="utf-8")
    out = run("pivot", "fit", path, "-m", mill).out
    assert "OUTSIDE THE TRAVELS" not in out
    assert "FAR FROM THE MACHINE FILE" in out


def test_a_suspect_that_is_certain_is_not_written(run, mill, table):
    def one_off(points, *_):
        points[9] += [0.0, 0.04, 0.04]
        points[8] += [0.0, 0.04, 0.04]
        return points

    path = table(one_off)
    ended = unwritten(run, mill, path)
    assert "GROSS OUTLIER: row" in ended.out
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert 10 in [one["row"] for one in report["suspects"]]
    assert run("pivot", "fit", path, "-m", mill, "--write", "--robust", "cauchy").code == 0


def test_a_line_partly_determined_is_said_so_and_not_written(run, mill, tmp_path):
    text = mill.read_text(encoding="utf-8").replace("[-120.0, 30.0]", "[-120.0, 120.0]")
    mill.write_text(text, encoding="utf-8")
    path = tmp_path / "two.csv"
    path.write_text(
        "kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm\n"
        "face,platter,0,0,-381,-183,-356.112\n"
        "face,platter,90,0,-381,-153.412,-400\n",
        encoding="utf-8",
    )
    ended = unwritten(run, mill, path)
    assert "A in Y: moved by -0.0030 mm" in ended.out
    assert "(0.000, 0.707, -0.707)" in unbroken(ended.out)
    assert "moved by -0.0042 mm" in ended.out
    assert "left as it was" not in ended.out
    assert ended.out.count("A's direction stays as the machine file has it") == 1
    findings = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)["findings"]
    assert [(one["kind"], one["certain"]) for one in findings] == [("partly determined", False)]
    assert run("pivot", "fit", path, "-m", mill).code == 0
    assert run("pivot", "fit", path, "-m", mill, "--write-anyway").code == 0
    record = json.loads(mill.with_name("mill.calibrations.jsonl").read_text(encoding="utf-8"))
    assert record["despite_blunders"] is True


def test_the_platters_face_is_told_and_held_against_the_machine_file(run, mill, table):
    path = table()
    out = run("pivot", "fit", path, "-m", mill).out
    assert "face of platter: Z -356.1" in out
    assert "mm above the A axis" in out
    assert "the machine file's platter face is -356.1120: not shown to have moved" in out
    assert "change `face` under [platter] by hand" in out
    changed = re.sub(r"(?m)^(face\s*=\s*)-356\.112", r"\g<1>-356.012", mill.read_text(encoding="utf-8"))
    assert changed != mill.read_text(encoding="utf-8")
    mill.write_text(changed, encoding="utf-8")
    out = run("pivot", "fit", path, "-m", mill).out
    assert re.search(r"platter face is -356\.0120: moved \(-0\.(09|10)", out)
    targets = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)["targets"]
    assert [target["face"] is None for target in targets] == [True, False]
    assert targets[1]["face"]["value"] == pytest.approx(-356.112, abs=0.01)
    assert list(targets[1]["above"]) == ["A"]


def test_balls_read_at_their_tops_and_what_else_it_may_be(run, mill, table):
    def all_high(points, readings, _):
        points[readings.target == 0, 2] += 6.35
        return points

    ended = unwritten(run, mill, table(all_high))
    said = unbroken(ended.out)
    assert "BALL READ AT ITS TOP (this or the next): the readings of tooling ball are about 6.3" in said
    assert "or RADIUS LEFT ON (explains it as well)" in ended.out
    assert "(certain)" not in ended.out
    assert "With the first of these put right" in ended.out
    (blunder,) = json.loads(run("pivot", "fit", table(all_high), "-m", mill, "--json").out)["blunders"]
    assert blunder["certain"] is False
    assert [rival["kind"] for rival in blunder["rivals"]] == ["radius left on"]


def test_a_lost_sign_in_one_row_is_named(run, mill, table):
    def sign_lost(points, *_):
        points[12, 2] *= -1.0
        return points

    ended = unwritten(run, mill, table(sign_lost))
    assert re.search(
        r"SIGN WRONG \(certain\): row 14 \(tooling ball\): Z is 3\d\d\.\d mm, expected about -3",
        unbroken(ended.out),
    )
    assert "With that put right" in ended.out


SEVEN = [
    "face,platter,0,0,-381,-183,-356.11",
    "face,platter,90,0,-381,-153.41,-400",
    "face,platter,-90,0,-381,-253.35,-400",
    "bore,bore,0,0,-352.85,-193.15,-350",
    "bore,bore,0,90,-370.78,-231.60,-350",
    "bore,bore,0,180,-409.24,-213.67,-350",
    "bore,bore,0,270,-391.30,-175.22,-350",
]


@pytest.fixture
def seven(mill, tmp_path):
    """Rounded to a hundredth: what is left of them is the rounding."""
    text = mill.read_text(encoding="utf-8").replace("[-120.0, 30.0]", "[-120.0, 120.0]")
    mill.write_text(text, encoding="utf-8")
    path = tmp_path / "seven.csv"
    head = "kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm"
    path.write_text("\n".join([head, *SEVEN]) + "\n", encoding="utf-8")
    return path


def test_rounded_readings_have_no_false_suspects(run, mill, seven):
    report = json.loads(run("pivot", "fit", seven, "-m", mill, "--json").out)
    assert report["suspects"] == []
    assert report["findings"] == []
    assert report["sigma"] >= 0.01 / 12**0.5


def test_readings_that_fit_exactly_have_the_last_digits_uncertainty(run, mill, tmp_path):
    path = tmp_path / "exact.csv"
    rows = [f"ball,b,0,{c},{x},{y},-310" for c, x, y in [(0, -341.025, -203.405), (90, -381.025, -243.405),
                                                       (180, -421.025, -203.405), (270, -381.025, -163.405)]]  # fmt: skip
    path.write_text("\n".join(["kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm", *rows]) + "\n", encoding="utf-8")
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert report["sigma"] == pytest.approx(0.001 / 12**0.5)
    assert report["sigma_is_floor"] is True
    assert "rounding to the readings' last digit" in unbroken(run("pivot", "fit", path, "-m", mill).out)


def test_what_is_held_has_no_uncertainty_and_a_held_tilt_is_not_told(run, mill, seven):
    report = json.loads(run("pivot", "fit", seven, "-m", mill, "--json").out)
    assert [line["u_direction_deg"] for line in report["rotary"]] == [[None] * 3] * 2
    out = run("pivot", "fit", seven, "-m", mill).out
    assert "0.0000000          -" not in out
    assert "out of square" not in out
    assert "miss each other by 0.0300 mm (partly as the machine file has it)" in unbroken(out)


def test_a_stated_sigma_without_spare_readings_says_what_cannot_show(run, mill, seven, tmp_path):
    path = tmp_path / "three.csv"
    path.write_text("\n".join(seven.read_text(encoding="utf-8").splitlines()[:4]) + "\n", encoding="utf-8")
    out = run("pivot", "fit", path, "-m", mill, "--sigma", "0.01").out
    assert "a wrong reading would not show" in out


def test_lengths_and_signed_residuals_have_panels_of_their_own(mill, table, monkeypatch):
    from kinematics.calibration import fit_pivots
    from tiltwright.calibration import plots
    from tiltwright.calibration.load_readings import load_readings

    monkeypatch.setattr(plots, "as_file", lambda figure, _: figure.axes)
    machine = read_machine(mill).machine
    both = load_readings(str(table(scatter_mm=0.0)), machine, "table").readings
    axes = plots.fit_plot(fit_pivots(both, machine), "mm", ".png")
    said = [axis.get_ylabel() for axis in axes[-2:]]
    assert said == ["length of residual, mm", "residual, + outward, mm"]
    balls = fit_pivots(both.only(both.target == 0), machine)
    assert [axis.get_ylabel() for axis in plots.fit_plot(balls, "mm", ".png")].count(said[0]) == 1
    exact = fit_pivots(simulated_readings(machine, [PlannedTarget("b", TargetKind.BALL, np.array([(-331.0, -203.4, -310.0)]))],
                                          np.array(POSES, dtype=float), 0.0, 0), machine)  # fmt: skip
    assert plots.fit_plot(exact, "mm", ".png")[-1].get_ylim() == (
        -0.001,
        0.001,
    )  # no axis of rounding errors


def test_sentences_speak_the_unit_that_is_shown(run, mill, table, tmp_path):
    """Whatever is wrong: 25.4 mm are an inch in the sentences too, and no sentence is left in millimetres."""
    rows = [f"ball,b,0,{c},331,203,310" for c in (0, 90, 180)]
    signs = tmp_path / "signs.csv"
    signs.write_text("\n".join(["kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm", *rows]) + "\n", encoding="utf-8")
    inches = ("--units", "inch")
    said = unbroken(run("pivot", "fit", signs, "-m", mill, *inches).out)
    assert "(row 2: X 13.03 inch, travel -29.92 inch to 0 inch)" in said  # 331, 760 and 0 mm
    assert "C's line comes out 32.3 inch away" in said  # 820 mm
    for path in (signs, table(balls_read_high), table(radius_at_one_tilt)):
        for form in ((), ("--json",)):
            said = run("pivot", "fit", path, "-m", mill, *inches, *form).out
            assert re.search(r"\d inch", said)
            assert not re.search(r"\d[\s\xa0]mm\b", said)
            assert "\xa0" not in said


def test_a_gross_error_is_reported_even_if_the_search_and_the_fit_give_up(run, mill, table, monkeypatch):
    import kinematics.calibration
    from kinematics import KinematicsError

    def sign_lost(points, *_):
        points[12, 2] *= -1.0
        return points

    def give_up(*_, **__):
        raise KinematicsError("readings: expected a finite solution, found none")

    monkeypatch.setattr(kinematics.calibration, "find_blunders", give_up)
    monkeypatch.setattr(kinematics.calibration, "fit_pivots", give_up)
    path = table(sign_lost)
    ended = run("pivot", "fit", path, "-m", mill)
    assert ended.code == 1
    assert "SIGN WRONG (certain): row 14" in ended.out
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert [one["kind"] for one in report["blunders"]] == ["sign wrong"]
    assert report["why_none"] == "readings: expected a finite solution, found none"


@pytest.mark.parametrize("sense", ["clockwise", "counterclockwise"])
def test_a_bore_at_two_opposite_poses_gives_an_answer_or_a_reason(run, mill, tmp_path, sense):
    text = mill.read_text(encoding="utf-8")
    mill.write_text(
        text.replace('positive_turn = "clockwise"', f'positive_turn = "{sense}"'), encoding="utf-8"
    )
    path = tmp_path / "bore.csv"
    rows = ["bore,centre bore,0,0,-380.9,-203.3,-360", "bore,centre bore,0,180,-381.15,-203.51,-360"]
    path.write_text("\n".join(["kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm", *rows]) + "\n", encoding="utf-8")
    ended = run("pivot", "fit", path, "-m", mill, "--sigma", "0.01", "--json")
    assert ended.code in {0, 1}
    assert json.loads(ended.out)["schema"] == "tiltwright.pivot-fit/1"


# --- the rotaries' own angles, and the platter ------------------------------------------------------------------------


@pytest.fixture
def turned_too_far(mill, tmp_path):
    """A table of readings on a machine whose A turns 1.0005 degrees for each degree."""
    nominal = read_machine(mill).machine
    poses = np.array([[a, c] for a in (-90.0, -60.0, -30.0, 0.0, 30.0) for c in (0.0, 90.0, 180.0, 270.0)])
    target = PlannedTarget("tooling ball", TargetKind.BALL, np.array([(-331.0, -203.4, -313.4)]))
    truth = perturbed_machine(nominal, 4, position_mm=0.02)
    readings = simulated_readings(truth, [target], poses * [1.0005, 1.0], 0.002, 3)
    path = tmp_path / "readings.csv"
    path.write_text(readings_csv(replace(readings, angles_deg=poses), nominal, "mm"), encoding="utf-8")
    return path


def test_an_error_of_a_rotarys_own_angle_is_named_and_not_written(run, mill, turned_too_far):
    unwritten(run, mill, turned_too_far)
    report = json.loads(run("pivot", "fit", turned_too_far, "-m", mill, "--json").out)
    assert [one["kind"] for one in report["findings"]] == ["angle error"]
    assert report["blunders"] == []
    (found,) = [one for one in report["angle_errors"] if one["significant"]]
    assert (found["rotary"], found["component"]) == ("A", "by a factor")
    assert found["factor"] == pytest.approx(1.0005, abs=5e-5)


def test_an_error_that_is_adjusted_along_is_written(run, mill, turned_too_far):
    command = ("pivot", "fit", turned_too_far, "-m", mill, "--angle-errors", "a")
    report = json.loads(run(*command, "--json").out)
    assert report["findings"] == []
    assert [one["rotary"] for one in report["angles_adjusted"]] == ["A"]
    assert run(*command, "--write").code == 0
    assert run("pivot", "fit", turned_too_far, "-m", mill, "--angle-errors", "B").code == 2


def test_face_and_normal_are_written_and_brought_back(run, mill, table):
    path, before = table(), tomllib.loads(mill.read_text(encoding="utf-8"))["platter"]
    report = json.loads(run("pivot", "fit", path, "-m", mill, "--json").out)
    assert run("pivot", "fit", path, "-m", mill, "--write", "--with-face").code == 0
    written = tomllib.loads(mill.read_text(encoding="utf-8"))["platter"]
    assert written["face"] == pytest.approx(report["targets"][1]["face"]["value"], abs=1e-6)
    assert written["normal"] == pytest.approx(report["targets"][1]["direction"], abs=1e-9)
    assert {key: value for key, value in written.items() if key not in {"face", "normal"}} == {
        key: value for key, value in before.items() if key != "face"
    }
    assert run("pivot", "restore", "0", "-m", mill).code == 0
    assert tomllib.loads(mill.read_text(encoding="utf-8"))["platter"] == before
    assert run("pivot", "restore", "1", "-m", mill).code == 0
    assert tomllib.loads(mill.read_text(encoding="utf-8"))["platter"] == written


def test_a_face_that_was_not_read_is_not_written(run, mill, turned_too_far):
    before = mill.read_bytes()
    options = ("--angle-errors", "A", "--with-face")
    assert run("pivot", "fit", turned_too_far, "-m", mill, "--write", *options).code == 2
    assert run("pivot", "fit", turned_too_far, "-m", mill, *options).code == 2
    assert mill.read_bytes() == before


def test_the_text_fits_a_projector_s_screen(run, examples):
    """Eighty columns; lines and tables of 130 broke within words, and under columns that they do not belong to."""
    for units in ("mm", "inch"):
        out = run(
            "pivot",
            "fit",
            examples / "pivots" / "spring_check.csv",
            "-m",
            examples / "teaching_mill.toml",
            "--units",
            units,
        ).out
        assert max(map(len, out.splitlines())) <= 80
