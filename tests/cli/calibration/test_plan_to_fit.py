"""From the plan through the probing program and the control's parameter file back to the hidden machine."""

import json

import numpy as np
import pytest

from kinematics.calibration import perturbed_machine
from simulated_control import Control, Probe, Thing, parameter_file
from tiltwright.calibration.plan import read_plan
from tiltwright.files.loader import read_machine

INCH_PLAN = """
name = "Balls in inches"
units = "inch"
repeatability = 0.0001
choose = 8
[[target]]
name = "near ball"
kind = "ball"
at = [[1.5, 0.2, -11.4]]
diameter = 0.75
stem_diameter = 0.3
[[target]]
name = "far ball"
kind = "ball"
at = [[-2.0, -0.8, -12.1]]
diameter = 0.75
stem_diameter = 0.3
[probe]
length = 6.2
ball_diameter = 0.1575
stylus_length = 2.2
body_diameter = 1.5
spare = 0.07
offset = 20
feed = 3.0
move = 20.0
clearance = 0.2
over = 0.12
"""

BORE_PLAN = """
name = "Bore, pin and platter"
units = "mm"
repeatability = 0.002
poses = [ { A = 0, C = 0 }, { A = 0, C = 120 }, { A = 0, C = 240 }, { A = -5, C = 0 }, { A = 5, C = 90 } ]
[[target]]
name = "bore off the middle"
kind = "bore"
at = [[-351.0, -203.4, -345.0], [-351.0, -203.4, -335.0]]
along = "+Z"
diameter = 30.0
[[target]]
name = "pin"
kind = "pin"
at = [[-421.0, -193.4, -330.0], [-421.0, -193.4, -316.0]]
along = "+Z"
diameter = 12.0
[[target]]
name = "platter"
kind = "face"
at = [[-381.0, -153.4, -356.112], [-381.0, -253.4, -356.112]]
along = "+Z"
[probe]
length = 148.5
ball_diameter = 6.0
stylus_length = 60.0
body_diameter = 40.0
offset = 20
feed = 80.0
move = 600.0
"""


WRITTEN = {}
"""Program and parameter lines by machine and plan: the same words give the same program, planned once."""


def write_program(run, machine_path, plan_path, program, lines):
    """Write the program and the lines of a plan, as the command does."""
    key = machine_path.read_bytes(), plan_path.read_bytes()
    if key not in WRITTEN:
        ended = run(
            "pivot", "plan", plan_path, "--machine", machine_path, "--gcode", program, "--parameters", lines
        )
        assert ended.code == 0, ended.err
        WRITTEN[key] = program.read_bytes(), lines.read_bytes()
    for path, content in zip((program, lines), WRITTEN[key], strict=True):
        path.write_bytes(content)


def probed(run, tmp_path, machine_path, plan_path, *, seed, scatter=None):
    """Write the program, run it on a machine with hidden errors, and save the parameter file."""
    program, lines, saved = tmp_path / "probe.nc", tmp_path / "lines.txt", tmp_path / "saved.par"
    write_program(run, machine_path, plan_path, program, lines)
    nominal = read_machine(machine_path).machine
    plan = read_plan(str(plan_path), nominal)
    truth = perturbed_machine(nominal, seed, 0.03, 0.01)
    off = np.random.default_rng(seed).uniform(-0.4, 0.4, (len(plan.targets), 3))
    things = []
    for target, diameter, shift in zip(plan.targets, plan.diameters_mm, off, strict=True):
        middle = target.points_mm.mean(axis=0)
        reach = 12.0 if target.kind.value in {"bore", "pin"} else 90.0
        stem = plan.stem_mm(len(things)) or 0.0
        things.append(
            Thing(
                target.kind.value,
                middle + shift,
                target.direction,
                (diameter or 0.0) / 2.0,
                reach,
                stem / 2.0,
            )
        )
    mm = plan.units.mm
    reference = nominal.z_reference.tool_length_mm or 0.0
    control = Control(
        truth,
        things,
        plan.probe.ball_diameter * mm,
        plan.probe.length * mm - reference,
        scatter=scatter,
        probe=Probe(plan.probe.stylus_length * mm, plan.probe.body_diameter * mm),
    )
    control.run(program.read_text(encoding="ascii"))
    listed = [int(line.split()[0]) for line in lines.read_text(encoding="ascii").splitlines()]
    saved.write_text(parameter_file(control.parameters, listed), encoding="ascii")
    return truth, saved, control


def test_the_lines_that_the_tool_writes_are_a_parameter_file(run, examples, tmp_path):
    """They are read; that nothing has run yet is told. With the run's values in them they are a saved file."""
    machine, plan = examples / "teaching_mill.toml", examples / "pivots" / "spring_check.toml"
    truth, saved, _ = probed(run, tmp_path, machine, plan, seed=17)
    ended = run("pivot", "fit", tmp_path / "lines.txt", "--machine", machine, "--plan", plan)
    assert (ended.code, ended.out) == (2, "")
    assert "no probing program has run since" in ended.err
    text = saved.read_text(encoding="ascii")
    saved.write_text(text[text.index("\n\n") + 2 :], encoding="ascii")
    ended = run("pivot", "fit", saved, "--machine", machine, "--plan", plan, "--json")
    assert_lines(json.loads(ended.out), truth, 1.0, WITHIN_MM)


def fitted(run, *args):
    ended = run("pivot", "fit", *args, "--json")
    assert ended.code == 0, ended.err
    return json.loads(ended.out)


def assert_lines(report, truth, mm, within):
    for rotary, line in zip(truth.rotaries, report["rotary"], strict=True):
        point, direction = np.array(line["point"]) * mm, np.array(line["direction"])
        away = point - rotary.point_mm
        assert np.linalg.norm(away - (away @ rotary.direction) * rotary.direction) < within
        assert np.abs(direction - rotary.direction).max() < within / 50.0


# Parameters are saved with six decimals, and a face's normal is taken as planned while it leans by some hundredths of
# a degree: 3 mm of tip radius times the square of that. Both stay below a tenth of a micrometre.
WITHIN_MM = 1e-4


def test_the_example_plan_gives_the_hidden_machine_back(run, examples, tmp_path):
    machine, plan = examples / "teaching_mill.toml", examples / "pivots" / "spring_check.toml"
    truth, saved, control = probed(run, tmp_path, machine, plan, seed=11)
    assert (
        control.touches == 20 * 5 + 26
    )  # five for a ball; four touches of the platter have the body in the way
    assert control.nearest > 1.0  # to a stem; 2 mm are asked for, and stems are off by up to 0.7 mm here
    report = fitted(run, saved, "--machine", machine, "--plan", plan)
    assert [target["name"] for target in report["targets"]] == ["ball 1", "ball 2", "platter"]
    assert report["sigma"] < WITHIN_MM
    assert_lines(report, truth, 1.0, WITHIN_MM)


def test_without_the_plan_the_targets_have_numbers(run, examples, tmp_path):
    machine, plan = examples / "teaching_mill.toml", examples / "pivots" / "spring_check.toml"
    truth, saved, _ = probed(run, tmp_path, machine, plan, seed=12)
    report = fitted(run, saved, "--machine", machine)
    assert [target["name"] for target in report["targets"]] == ["ball 1", "ball 2", "platter"]
    assert_lines(report, truth, 1.0, WITHIN_MM)
    renamed = saved.with_suffix(".txt")
    renamed.write_bytes(saved.read_bytes())
    assert_lines(fitted(run, renamed, "--machine", machine), truth, 1.0, WITHIN_MM)
    assert_lines(fitted(run, renamed, "--as", "parameters", "--machine", machine), truth, 1.0, WITHIN_MM)


def test_inches_and_a_reference_tool(run, examples, tmp_path):
    machine, plan = examples / "trunnion_mill.toml", tmp_path / "plan.toml"
    plan.write_text(INCH_PLAN, encoding="utf-8")
    truth, saved, _ = probed(run, tmp_path, machine, plan, seed=13)
    report = fitted(run, saved, "--machine", machine, "--plan", plan)
    assert report["units"] == "inch"
    assert [rotary["letter"] for rotary in report["rotary"]] == ["B", "C"]
    assert_lines(report, truth, 25.4, 10 * WITHIN_MM)  # six decimals of an inch are 25 times coarser


def test_bores_pins_and_the_platter(run, examples, tmp_path):
    machine, plan = examples / "teaching_mill.toml", tmp_path / "plan.toml"
    plan.write_text(BORE_PLAN, encoding="utf-8")
    truth, saved, control = probed(run, tmp_path, machine, plan, seed=14)
    assert control.touches == 5 * (2 * 8 + 2 * 8 + 2)
    report = fitted(run, saved, "--machine", machine, "--plan", plan)
    assert [target["kind"] for target in report["targets"]] == ["bore", "pin", "face"]
    # A bore that leans 5 degrees is an ellipse to the probe; two rounds leave less than this.
    assert report["sigma"] < 1e-3
    c, c_true = report["rotary"][1], truth.rotaries[1]
    assert np.abs(np.array(c["point"]) - c_true.point_mm)[:2].max() < 2e-3


def test_scatter_is_found_again(run, examples, tmp_path):
    machine, plan = examples / "teaching_mill.toml", examples / "pivots" / "spring_check.toml"
    chance = np.random.default_rng(5)
    scatter = lambda n: chance.normal(size=n) * 0.002  # noqa: E731
    truth, saved, _ = probed(run, tmp_path, machine, plan, seed=15, scatter=scatter)
    report = fitted(run, saved, "--machine", machine, "--plan", plan)
    # Middles of two touches scatter less than one touch, the top of a ball as much.
    assert 0.001 < report["sigma"] < 0.0024
    for rotary, line in zip(truth.rotaries, report["rotary"], strict=True):
        for i, u in enumerate(line["u_point"]):
            if u is not None and u > 0:
                assert abs(line["point"][i] - rotary.point_mm[i]) < 5 * u


def test_a_program_that_was_stopped(run, examples, tmp_path):
    machine, plan = examples / "teaching_mill.toml", examples / "pivots" / "spring_check.toml"
    _, saved, _ = probed(run, tmp_path, machine, plan, seed=16)
    whole = saved.read_text(encoding="ascii")
    for kept in (0, 7, 43):
        saved.write_text(whole.replace("1001\t46.000000", f"1001\t{kept}.000000"), encoding="ascii")
        ended = run("pivot", "fit", saved, "--machine", machine, "--plan", plan)
        assert (ended.code, ended.out) == (2, "")
        assert f"found {kept} of 46 readings" in ended.err


def test_the_program_says_what_it_does(run, examples, tmp_path):
    program = tmp_path / "probe.nc"
    plan = examples / "pivots" / "spring_check.toml"
    write_program(run, examples / "teaching_mill.toml", plan, program, tmp_path / "lines.txt")
    lines = program.read_text(encoding="ascii").splitlines()
    moves = [line for line in lines if line.startswith(("G0", "G1", "G38.2", "G53"))]
    assert moves[0] == "G53 G0 Z0.0000"  # up before anything else
    code = [line for line in lines if not line.startswith(("%", "("))]
    assert code[0] == "G61"
    head = lines[: lines.index("G61")]
    for what in ("NISTIR 6556", "9, G59.3", "G59.1 to G59.3", "1000 to 1469", "5061 to 5066"):
        assert any(what in line for line in head), what
    assert all(" F" in line for line in lines if line.startswith(("G1 ", "G38.2")))
    assert "(Pose A0 C30)" in lines
    assert any("hand on the stop" in line for line in lines)
    assert lines[-2:] == ["M2", "%"]


def test_a_program_with_a_ball_in_the_way_is_an_accident_here():
    """The simulated control does notice: a move through a ball fails the tests above."""
    machine = read_machine("examples/teaching_mill.toml").machine
    ball = Thing("ball", np.array([-381.0, -203.4, -310.5]), np.array([0.0, 0.0, 1.0]), 10.0)
    control = Control(machine, [ball], 6.0, 148.5)
    control.show_machine()
    for line in ("M5", "G0 X-381 Y-203.4", "G43 H1"):
        control.line(line)
    with pytest.raises(AssertionError):
        control.line("G1 Z-315 F100")
