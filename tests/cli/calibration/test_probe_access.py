"""Solids in the probe's approach: distances against sampled points, and the touches that are changed or left out."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slices import cases

from kinematics.calibration import candidate_poses
from kinematics.reach.distance_bounds import BoundingDiscs, gap_bounds
from simulated_control import Control, Probe, Thing
from tiltwright.calibration.plan import read_plan
from tiltwright.calibration.probe_access import accessible_touches
from tiltwright.calibration.probe_cycles import Approach
from tiltwright.calibration.probe_obstacles import (
    Obstacle,
    ProbeSegment,
    gap_mm,
    obstacles_of,
    stylus_and_body,
)
from tiltwright.files.loader import read_machine

PLAN = """
name = "One ball and the platter"
units = "mm"
repeatability = 0.003
poses = [ { A = 0, C = 0 }, { A = -90, C = 30 }, { A = -90, C = 90 }, { A = 30, C = 200 } ]
[[target]]
name = "tooling ball"
kind = "ball"
at = [[-331.0, -203.4, -320.0]]
diameter = 12.7
stem_diameter = 6.0
[[target]]
name = "platter"
kind = "face"
at = [[-351.0, -183.4, -356.112], [-381.0, -153.4, -356.112], [-421.0, -203.4, -356.112]]
[probe]
length = 148.5
ball_diameter = 6.0
stylus_length = 50.0
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
    def write(*changes):
        text = PLAN
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def places(low=-60.0, high=60.0):
    return st.tuples(*[st.floats(low, high) for _ in range(3)]).map(np.array)


def of_part(part, high):
    """Points of a part of the probe, its tip at the origin; high enough for what is near it."""
    heights = np.linspace(part.low_mm, high, 120)
    if not part.flat:
        return np.column_stack([np.zeros((len(heights), 2)), heights])
    turns = np.linspace(0.0, 2.0 * np.pi, 73)
    rims = [
        np.column_stack([part.radius_mm * np.cos(turns), part.radius_mm * np.sin(turns), np.full(73, h)])
        for h in heights
    ]
    shares = np.linspace(0.0, 1.0, 30)
    bottom = [np.column_stack([r * rims[0][:, :2], rims[0][:, 2]]) for r in shares]
    return np.concatenate([*rims, *bottom])


PARTS = (
    ProbeSegment("stylus", 3.0, 1000.0, 3.0, flat=False),
    ProbeSegment("body", 20.0, 1000.0, 15.0, flat=True),
)


@settings(max_examples=cases(40), deadline=None)
@given(places(), places(), st.sampled_from(PARTS))
def test_the_gap_to_a_stem_is_that_of_sampled_points(first, last, part):
    stem = Obstacle("stem", 0, "stem", first[None, None], last[None, None], 4.0)
    gap = float(gap_mm(part, stem, np.zeros((1, 1, 3)))[0, 0])
    line = first + np.linspace(0.0, 1.0, 200)[:, None] * (last - first)
    mine = of_part(part, 80.0)
    seen = min(float(np.linalg.norm(mine - p, axis=1).min()) for p in line)
    seen -= 4.0 + (0.0 if part.flat else part.radius_mm)
    # Samples lie up to a millimetre and a half apart: they see the gap a little larger, never smaller.
    assert gap - 0.05 <= seen <= gap + 1.0


@settings(max_examples=cases(40), deadline=None)
@given(places(), places(-1.0, 1.0).filter(lambda v: np.linalg.norm(v) > 0.1), st.sampled_from(PARTS))
def test_the_gap_to_a_disc_is_that_of_sampled_points(centre, normal, part):
    normal = normal / np.linalg.norm(normal)
    at = centre[None, None]
    disc = Obstacle("platter", None, "platter", at, at, 40.0, normal[None, None])
    gap = float(gap_mm(part, disc, np.zeros((1, 1, 3)))[0, 0])
    mine = of_part(part, 130.0)
    off = mine - centre
    up = off @ normal
    out = np.maximum(np.linalg.norm(off - up[:, None] * normal, axis=1) - 40.0, 0.0)
    seen = float(np.hypot(up, out).min()) - (0.0 if part.flat else part.radius_mm)
    assert seen - 1.0 <= gap <= seen + 0.1


def sharp(first, last, axis, radius):
    """A segment (p, 3) to (p, 3), or a disc, as the discs that bound bodies in the library."""
    return BoundingDiscs(
        np.stack([first, last] * 4, axis=-2), np.full((len(first), 8), radius), axis, np.zeros_like(first)
    )


def test_the_gaps_of_the_example_plan_lie_within_certified_bounds(mill, examples):
    """Of `kinematics.reach`: bodies without roundings, whose radius is taken off both bounds."""
    machine = read_machine(str(mill)).machine
    plan = read_plan(str(examples / "pivots" / "spring_check.toml"), machine)
    up = np.array([0.0, 0.0, 1.0])
    rng = np.random.default_rng(0)
    poses = candidate_poses(machine, plan.step_deg)[::5]
    for obstacle in obstacles_of(plan, machine, poses):
        tips = obstacle.from_mm + rng.uniform([-60, -60, -40], [60, 60, 40], (len(poses), 12, 3))
        flat = obstacle.normal is not None
        ends = [np.broadcast_to(end, tips.shape).reshape(-1, 3) for end in (obstacle.from_mm, obstacle.to_mm)]
        axis = np.broadcast_to(obstacle.normal if flat else up, tips.shape).reshape(-1, 3)
        second = sharp(*ends, axis, obstacle.radius_mm if flat else 0.0)
        for part in stylus_and_body(plan):
            stands = tips.reshape(-1, 3)
            body = np.broadcast_to(up, stands.shape)
            first = sharp(
                stands + part.low_mm * up,
                stands + part.high_mm * up,
                body,
                part.radius_mm if part.flat else 0.0,
            )
            rounding = (0.0 if part.flat else part.radius_mm) + (0.0 if flat else obstacle.radius_mm)
            low, high = gap_bounds(first, second)
            gap = gap_mm(part, obstacle, tips).reshape(-1)
            # The bounds' slack once more: they allow it on a body of a metre, and the probe is longer.
            assert (gap >= low - rounding - 1e-5).all(), (part.words, obstacle.words)
            # A thousandth: what the ternary search leaves of the longest stem, and the bounds' own slack.
            assert (gap <= high - rounding + 1e-3).all(), (part.words, obstacle.words)


def test_a_level_stem_turns_the_touches_and_a_standing_platter_leaves_some_out(mill, plan):
    machine = read_machine(str(mill)).machine
    read = read_plan(str(plan()), machine)
    access = accessible_touches(read, machine, read.poses_deg)
    assert access.accessible[:, 0].all()
    assert (0, 0) not in access.approaches
    assert access.approaches[1, 0].turned_deg == pytest.approx(45.0)
    assert access.approaches[1, 0] != Approach()
    assert access.accessible[0].all()
    assert not access.accessible[2, 1]
    assert access.reasons[2, 1] == "the probe's body would hit the platter"
    assert "below the platter's highest edge" in access.descents[2]
    assert access.descents[0].startswith("the tip goes 0") or access.descents[0].startswith(
        "the tip stays above"
    )


def test_a_stem_too_thick_for_any_touch_leaves_the_ball_out(mill, plan, run):
    path = plan(("stem_diameter = 6.0", "stem_diameter = 12.0"))
    out = run("pivot", "plan", path, "-m", mill).out
    assert "tooling ball: not at A-90 C30, A-90 C90: the stylus would hit the stem of tooling ball" in out


def test_what_is_not_looked_at_is_said(mill, plan, run, tmp_path):
    program = tmp_path / "probe.nc"
    ended = run("pivot", "plan", plan(), "-m", mill, "--gcode", program)
    assert ended.code == 0, ended.err
    lines = program.read_text(encoding="ascii").splitlines()
    for words in (ended.out, "\n".join(lines)):
        assert "Not checked: clamps, fixture, part, trunnion arms" in words
        assert "the tip goes 127 mm below the platter's highest edge" in words
    assert "G10 L2 P9" in ended.err
    assert "ascending order" in ended.err
    code = [line for line in lines[1:] if not line.startswith("(")]
    assert code[:2] == ["G61", "M5"]
    turns = [i for i, line in enumerate(code) if line.startswith("G0 A")]
    assert turns
    assert all(code[i + 1] == "M1" for i in turns)
    assert sum("Blind descent" in line for line in lines) == 12  # once for every reading
    assert "no display shows a centre" in ended.out
    assert "What the display shows at each trip" in ended.out


def test_the_display_at_each_trip_is_what_a_true_machine_shows(mill, plan, run, tmp_path):

    program = tmp_path / "probe.nc"
    ended = run("pivot", "plan", plan(), "-m", mill, "--gcode", program, "--json")
    trips = [[trip["shown"][axis] for axis in "XYZ"] for trip in json.loads(ended.out)["trips"]]
    machine = read_machine(str(mill)).machine
    read = read_plan(str(plan()), machine)
    up = np.array([0.0, 0.0, 1.0])
    things = [
        Thing("ball", read.targets[0].points_mm[0], up, 6.35, stem=3.0),
        Thing("face", read.targets[1].points_mm.mean(axis=0), up, reach=90.0),
    ]
    seen = []
    control = Control(machine, things, 6.0, 148.5, probe=Probe(50.0, 40.0))
    touch = control.first_contact

    def contact(goal):
        trip = touch(goal)
        if control.motion == "G38.2":
            seen.append(trip - [0.0, 0.0, control.length])
        return trip

    control.first_contact = contact
    control.run(program.read_text(encoding="ascii"))
    assert len(seen) == len(trips)
    assert np.abs(np.array(seen) - trips).max() < 1e-3
    assert control.nearest > 1.99


def test_the_simulated_control_sees_a_stem_and_a_platter(mill):
    machine = read_machine(str(mill)).machine
    ball = Thing("ball", np.array([-331.0, -203.4, -320.0]), np.array([0.0, 0.0, 1.0]), 6.35, stem=3.0)
    for stand, words in (((-331.0, -275.0, -440.0), "a stem"), ((-361.0, -256.0, -420.0), "the platter")):
        control = Control(machine, [ball], 6.0, 148.5, probe=Probe(50.0, 40.0))
        control.show_machine()
        for line in ("M5", "G53 G0 Z0", "G0 A-90 C0", f"G0 X{stand[0]} Y{stand[1]}", "G43 H1"):
            control.line(line)
        with pytest.raises(AssertionError, match=words):
            control.line(f"G1 Z{stand[2]} F100")
