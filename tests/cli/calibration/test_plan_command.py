"""`tiltwright pivot plan`: what is foreseen is what a fit then has, and everything wrong is told."""

import csv
import io
import json
import re
import tomllib

import jsonschema
import numpy as np
import pytest

from kinematics import transform_points
from tiltwright.calibration.parameter_file import MOST_READINGS, first_of
from tiltwright.files.loader import read_machine

PLAN = """
name = "One ball"
units = "mm"
repeatability = 0.002
poses = [ { A = 0, C = 0 }, { A = 0, C = 120 }, { A = -60, C = 240 }, { A = -90, C = 0 } ]
[[target]]
name = "ball 1"
kind = "ball"
at = [[-331.0, -203.4, -310.5]]
diameter = 20.0
stem_diameter = 8.0
[probe]
length = 148.5
ball_diameter = 6.0
stylus_length = 60.0
body_diameter = 40.0
offset = 20
feed = 80.0
move = 600.0
"""


@pytest.fixture
def mill(examples):
    return examples / "teaching_mill.toml"


@pytest.fixture
def plan(tmp_path):
    def write(text=PLAN):
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_the_expected_display_is_where_the_machine_carries_it(run, mill, plan):
    report = json.loads(run("pivot", "plan", plan(), "-m", mill, "--json").out)
    machine = read_machine(mill).machine
    assert report["schema"] == "tiltwright.pivot-plan/1"
    for reading in report["readings"]:
        pose = [reading["machine"][letter] for letter in "AC"]
        at = [reading["display"][axis] for axis in "XYZ"]
        assert at == pytest.approx(transform_points(machine, [-331.0, -203.4, -310.5], pose), abs=1e-9)


def test_what_is_foreseen_is_what_the_fit_says(run, mill, plan, tmp_path):
    """The blank table filled with the expected display: with the same sigma, the same uncertainties."""
    blank = tmp_path / "blank.csv"
    ended = run("pivot", "plan", plan(), "-m", mill, "--json", "--form", blank)
    report = json.loads(ended.out)
    rows = list(csv.reader(io.StringIO(blank.read_text(encoding="utf-8"))))
    for row, reading in zip(rows[1:], report["readings"], strict=True):
        row[4:] = [repr(reading["display"][axis]) for axis in "XYZ"]
    filled = tmp_path / "filled.csv"
    filled.write_text("".join(",".join(row) + "\n" for row in rows), encoding="utf-8")
    fitted = json.loads(run("pivot", "fit", filled, "-m", mill, "--sigma", "0.002", "--json").out)
    errors = {k: v for rotary in fitted["rotary"] for k, v in rotary["location_errors"].items()}
    assert list(errors) == list(report["foreseen"])
    for name, error in errors.items():
        assert error["u"] == pytest.approx(report["foreseen"][name]["u"], rel=1e-6)


def test_chosen_poses_beat_stated_ones(run, mill, plan):
    stated = json.loads(run("pivot", "plan", plan(), "-m", mill, "--json").out)
    chosen_text = "\n".join("choose = 4" if line.startswith("poses") else line for line in PLAN.splitlines())
    chosen = json.loads(run("pivot", "plan", plan(chosen_text), "-m", mill, "--json").out)
    assert len(chosen["poses"]) == 4
    assert chosen["chosen"] is True

    def size(report):
        # Leans weigh at 100 mm, about where the ball is.
        return sum(
            one["u"] ** 2 if one["unit"] == "mm" else (np.radians(one["u"]) * 100) ** 2
            for one in report["foreseen"].values()
        )

    assert size(chosen) < size(stated)
    assert 0.0 < chosen["added_pose"]["gain"] < 1.0


def test_without_a_plan_file(run, mill):
    args = ("--target", "ball 1,ball,-331,-203.4,-310.5", "--target", "platter,face,-381,-160,-356.1,+Z")
    poses = ("--at", "A0,C0", "--at", "A0,C120", "--at", "A-90,C240")
    ended = run("pivot", "plan", "-m", mill, *args, "--repeatability", "0.002", *poses)
    assert ended.code == 0, ended.err
    assert "6 readings in 3 poses (as stated)" in ended.out
    assert "Least certain:" in ended.out
    inches = run(
        "pivot",
        "plan",
        "-m",
        mill,
        "--units",
        "inch",
        "--target",
        "b,ball,-13,-8,-12.2",
        "--repeatability",
        "0.0001",
    )
    assert "12 poses (chosen for the least uncertainty)" in inches.out
    assert "lengths in inches" in inches.out


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("C = 240", "C = 240, B = 0", "an angle for each of"),
        ("{ A = 0, C = 120 }", "{ A = 0 }", "poses 2: found"),
        ("A = -60", "A = -150", "A at -150, outside the machine's limits"),
        ("C = 120", "C = 0", "a pose that stands there twice"),
        ("repeatability = 0.002", "repeatability = 0.002\nchoose = 3", "poses and choose both"),
        ('kind = "ball"', 'kind = "bal"', 'did you mean "ball"?'),
        ("at = [[-331.0, -203.4, -310.5]]", "at = [[1, 2, 3], [4, 5, 6]]", "its centre: one point"),
        ('kind = "ball"', 'kind = "face"', "the diameter of a face"),
        ("units", "unit", 'did you mean "units"?'),
        ("ball_diameter = 6.0", "ball_diameter = -6.0", "ball_diameter"),
        ("[[-331.0, -203.4, -310.5]]", "[[331.0, -203.4, -310.5]]", "outside the machine's travel"),
        ("[[-331.0, -203.4, -310.5]]", "[[-331.0, -203.4, 310.5]]", "a minus sign lost?"),
        ('kind = "ball"', 'kind = "pin"', "the stem of a pin"),
        ('kind = "ball"', 'kind = "ball"\nalong = "+Z"\ndirection = [0, 0, 1]', "along and direction both"),
    ],
)
def test_a_bad_plan(run, mill, plan, old, new, told):
    ended = run("pivot", "plan", plan(PLAN.replace(old, new)), "-m", mill)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err, ended.err


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("\ndiameter = 20.0", "", "no diameter of ball 1"),
        ("stem_diameter = 8.0", "", "no stem_diameter of ball 1"),
        ("stylus_length = 60.0", "", "probe, stylus_length: found nothing"),
        ("body_diameter = 40.0", "", "probe, body_diameter: found nothing"),
        ("stylus_length = 60.0", "stylus_length = 160.0", "less than length, 148.5"),
        (PLAN[PLAN.index("[probe]") :], "", "a program needs to know the probe"),
        ("length = 148.5", "length = 400.0", "ball 1 stands above the tip at the safe height"),
        ("ball_diameter = 6.0", "ball_diameter = 6.0\nclearance = 0.1", "probe, clearance: found 0.1"),
    ],
)
def test_what_keeps_a_program_from_being_written(run, mill, plan, tmp_path, old, new, told):
    program = tmp_path / "probe.nc"
    text = PLAN.replace(old, new)
    ended = run("pivot", "plan", plan(text), "-m", mill, "--gcode", program)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err, ended.err
    assert not program.exists()


@pytest.mark.parametrize("kind", ["pin", "bore"])
def test_bores_and_pins_that_slant_are_left_out_and_said(run, mill, plan, tmp_path, kind):
    """Also of the poses that are chosen: what the program cannot take is not counted on."""
    program = tmp_path / "probe.nc"
    text = PLAN.replace('kind = "ball"', f'kind = "{kind}"').replace("stem_diameter = 8.0\n", "")
    stated = text.replace("{ A = -60, C = 240 }, { A = -90, C = 0 }", "{ A = -20, C = 240 }")
    ended = run("pivot", "plan", plan(stated), "-m", mill, "--gcode", program)
    assert ended.code == 0, ended.err
    assert "it slants by more than 10 degrees there" in ended.out
    assert "A-20" not in program.read_text(encoding="utf-8")
    chosen = text[: text.index("poses = ")] + "choose = 6\n" + text[text.index("\n[[target]]") :]
    ended = run("pivot", "plan", plan(chosen), "-m", mill, "--gcode", program, "--force")
    assert ended.code == 0, ended.err
    assert "A0 " in program.read_text(encoding="utf-8")


FACE = """
[[target]]
name = "{name}"
kind = "face"
along = "{along}"
at = [[{x}, -203.4, {z}], [{x}, -213.4, {z}], [{x}, -193.4, {z}]]
"""


@pytest.mark.parametrize("name", ["platter", "Platter", "table", "the round one"])
def test_the_platter_is_known_by_its_place(run, mill, plan, tmp_path, name):
    """Whatever it is called, touching it is meant, and its readings are kept as the platter's."""
    program = tmp_path / "probe.nc"
    text = PLAN + FACE.format(name=name, along="+Z", x=-341.0, z=-356.0)
    ended = run("pivot", "plan", plan(text), "-m", mill, "--gcode", program)
    assert ended.code == 0, ended.err
    written = program.read_text(encoding="utf-8")
    assert f"face {name})" in written
    assert re.search(r"^#\d+=5$", written, re.MULTILINE)
    assert not re.search(r"^#(?!1001)\d+=4$", written, re.MULTILINE)  # 1001 counts the readings


def test_a_name_switches_no_check_off(run, mill, plan, tmp_path):
    """A side face half in the platter: left out as what it is, and refused where it is called the platter."""
    for name in ("side", "plate"):
        text = PLAN + FACE.format(name=name, along="+X", x=-341.0, z=-357.0)
        ended = run("pivot", "plan", plan(text), "-m", mill, "--gcode", tmp_path / f"{name}.nc")
        assert "the stylus would hit the platter" in ended.out
        assert "face side" not in (tmp_path / f"{name}.nc").read_text(encoding="utf-8")
    text = PLAN + FACE.format(name="platter's side", along="+X", x=-341.0, z=-340.0)
    ended = run("pivot", "plan", plan(text), "-m", mill)
    assert ended.code == 2
    assert "a face that is not the platter's; allowed: another name" in ended.err


def test_an_inch_plan_begins_its_touches_a_fifth_of_an_inch_off(run, mill, plan, tmp_path):
    """Values left out of a plan are so many millimetres in either unit."""
    said = {}
    inches = re.sub(r"-?\d+\.\d+", lambda number: f"{float(number[0]) / 25.4:.9f}", PLAN)
    for units, per, text in (("mm", 1.0, PLAN), ("inch", 25.4, inches.replace('"mm"', '"inch"'))):
        program = tmp_path / f"{units}.nc"
        ended = run("pivot", "plan", plan(text), "-m", mill, "--gcode", program)
        assert ended.code == 0, ended.err
        lines = program.read_text(encoding="utf-8").splitlines()
        said[units] = [
            float(value) * per
            for line in lines
            if line.startswith(("G1", "G38.2"))
            for value in re.findall(r"[XYZ](-?[\d.]+)", line)
        ]
    assert said["inch"] == pytest.approx(said["mm"], abs=5e-4)


def test_a_machine_without_travels_has_no_safe_height(run, plan, examples, tmp_path):
    bare = tmp_path / "bare.toml"
    text = (examples / "teaching_mill.toml").read_text(encoding="utf-8")
    start, end = text.index("[travel]"), text.index("[[rotary]]")
    bare.write_text(text[:start] + text[end:], encoding="utf-8")
    ended = run("pivot", "plan", plan(), "-m", bare, "--gcode", tmp_path / "p.nc")
    assert ended.code == 2
    assert "no safe height to retract to" in ended.err


@pytest.mark.parametrize(
    ("args", "told"),
    [
        ([], "a plan file, or --target"),
        (["--target", "b,ball,1,2"], "NAME,KIND,X,Y,Z"),
        (["--target", "b,bal,1,2,3", "--repeatability", "0.002"], 'did you mean "ball"?'),
        (["--target", "b,ball,1,2,x", "--repeatability", "0.002"], 'found "x"'),
        (["--target", "b,ball,1,2,3"], "--repeatability: found nothing"),
        (["--target", "b,ball,1,2,3", "--target", "b,ball,4,5,6", "--repeatability", "1"], "a name twice"),
        (
            ["--target", "b,ball,-1,-2,-3", "--repeatability", "1", "--at", "A0,C0", "--at", "C0,A0"],
            "a pose twice",
        ),
        (["--target", "b,ball,-1,-2,-3", "--repeatability", "1", "--at", "A40,C0"], "machine angle 40"),
        (["--target", "b,ball,-1,-2,-3", "--repeatability", "1", "--at", "A40"], 'no angle for "C"'),
        (["--target", "b,ball,-1,-2,-3", "--repeatability", "1", "--gcode", "p.nc"], "without a plan file"),
        (["--target", "b,ball,9000,2,3", "--repeatability", "1"], "outside the machine's travel in X"),
    ],
)
def test_wrong_words(run, mill, args, told):
    ended = run("pivot", "plan", "-m", mill, *args)
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err, ended.err


def test_the_parameters_stay_below_those_of_the_control():
    """NISTIR 6556, table 2 and section 3.5.9: the control's own begin with 5061."""
    assert first_of(MOST_READINGS - 1) + 9 < 5061
    assert first_of(MOST_READINGS) + 9 >= 5061


@pytest.mark.parametrize(("kind", "name"), [("plan", "spring_check.toml"), ("rule", "probe_rule.toml")])
def test_schemas_take_the_examples(run, examples, kind, name):
    schema = json.loads(run("schema", kind).out)
    checker = jsonschema.validators.validator_for(schema)
    checker.check_schema(schema)
    for path in (examples / "pivots").glob("*.toml"):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        assert (path.name == name) == (not list(checker(schema).iter_errors(data)))


def test_program_and_parameters_are_written_both_or_neither(run, mill, plan, tmp_path):
    path, program = plan(), tmp_path / "probe.nc"
    for other in (tmp_path / "no" / "saved.txt", program):
        ended = run("pivot", "plan", path, "-m", mill, "--gcode", program, "--parameters", other, "--force")
        assert (ended.code, ended.out) == (2, "")
        assert not program.exists()
