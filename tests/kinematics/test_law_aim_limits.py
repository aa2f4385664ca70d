"""Limits, tolerances and the tilt's sign: what some pose within the limits reaches is never refused, and listed once."""

import itertools

import numpy as np
import pytest
from samples import SENSES, random_direction
from scipy.spatial.transform import Rotation

from kinematics import IndexDirection, IndexRule, Machine, Platter, RotaryAxis, aim

Z = np.array([0.0, 0.0, 1.0])
TOLERANCE_DEG = 0.01
LIMITS = (None, (-120.0, 30.0), (-90.0, 90.0), (0.0, 90.0), (-20.0, 15.0), (-360.0, 360.0), (-5.0, 400.0))


def turned(machine, pose, direction, sense=1.0):
    """A direction of the work as the table carries it to a pose, or back with sense -1; by scipy alone."""
    order = list(zip(machine.rotaries, pose, strict=True))
    for rotary, angle in order if sense < 0.0 else order[::-1]:
        sign = {"counterclockwise": 1.0, "clockwise": -1.0}[rotary.positive_turn.value]
        turn = np.radians(sense * sign * (angle - rotary.zero_deg))
        direction = Rotation.from_rotvec(turn * np.array(rotary.direction)).apply(direction)
    return direction


def off_deg(machine, wanted, pose):
    seen = turned(machine, pose, wanted)
    return np.degrees(np.arctan2(np.hypot(seen[0], seen[1]), seen[2]))


def tilted_by(machine, pose, offset):
    """Place of the rotary that tilts, the outermost off the spindle's line, and its program angle signed as a tilt."""
    off_spindle = [np.hypot(*rotary.direction[:2]) > np.sin(np.radians(1.0)) for rotary in machine.rotaries]
    i = int(np.argmax(off_spindle))
    tilt = pose[i] - offset[i]
    return (tilt + 180.0) % 360.0 - 180.0 if machine.rotaries[i].limits_deg is None else tilt


def allowed(machine, pose, tilt, offset, slack=1e-8):
    inside = all(
        rotary.limits_deg is None or rotary.limits_deg[0] - slack <= angle <= rotary.limits_deg[1] + slack
        for rotary, angle in zip(machine.rotaries, pose, strict=True)
    )
    signed = tilted_by(machine, pose, offset)
    return bool(inside and (tilt is None or (signed >= -slack if tilt == "positive" else signed <= slack)))


def drawn(rng):
    """One or two rotaries: any lines, nearly square ones, or two nearly along the spindle or each other."""
    kind, count = rng.integers(4), int(rng.choice([1, 2, 2, 2]))
    if kind == 0:
        lines = [random_direction(rng) for _ in range(count)]
    else:
        size = (0.0, 1e-4, 3e-6)[kind - 1]
        lines = [np.eye(3)[j] + size * rng.normal(size=3) for j in rng.integers(3, size=count)]
    rotaries = tuple(
        RotaryAxis(letter, [0, 0, 0], line, SENSES[rng.integers(2)], LIMITS[rng.integers(len(LIMITS))])
        for letter, line in zip("AC", lines, strict=False)
    )
    return Machine("drawn", rotaries, Platter(face_mm=0.0))


def at_or_within_limits(rng, machine):
    pose = []
    for rotary in machine.rotaries:
        low, high = rotary.limits_deg or (-180.0, 180.0)
        pose.append(float(rng.choice([low, high, 0.0, rng.uniform(low, high), rng.uniform(low, high)])))
    return np.array(pose)


def one_case(rng):
    """A pose that misses by up to the tolerance proves that there is one: `aim` must find it or better."""
    machine = drawn(rng)
    pose, offset = at_or_within_limits(rng, machine), rng.choice([0.0, 2.0], size=len(machine.rotaries))
    tilt = (None, None, "positive", "negative")[rng.integers(4)]
    if not allowed(machine, pose, tilt, offset):
        tilt = None
    if not allowed(machine, pose, tilt, offset):
        return 0
    across = np.append(rng.normal(size=2), 0.0)
    away = Z + rng.choice([0.0, 0.3, 0.9]) * np.tan(np.radians(TOLERANCE_DEG)) * across / np.linalg.norm(
        across
    )
    wanted = turned(machine, pose, away / np.linalg.norm(away), -1.0)
    start = at_or_within_limits(rng, machine)
    found = aim(machine, wanted, start, tolerance_deg=TOLERANCE_DEG, tilt=tilt, rotary_offset_deg=offset)
    assert bool(found.reaches(TOLERANCE_DEG)), (machine, pose, tilt, wanted, start)
    listed = [one.machine_deg for one in found.solutions if one.feasible]
    for one in found.solutions:
        true = off_deg(machine, wanted, one.machine_deg)
        assert true == pytest.approx(one.misalignment_deg, abs=2e-6)
        # What is refused is no less than a hair inside, what is used no more than a hair outside.
        assert (
            allowed(machine, one.machine_deg, tilt, offset, 1e-8 if one.feasible else -1e-8) is one.feasible
        )
    for first, second in itertools.combinations(listed, 2):
        assert np.abs(np.subtract(first, second)).max() > 1e-7, (machine, tilt, wanted, listed)
    return int(found.best.misalignment_deg > 0.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_pose_within_the_tolerance_is_never_refused(seed):
    rng = np.random.default_rng([14, seed])
    assert sum(one_case(rng) for _ in range(60)) > 3


def rotary(letter, line, limits=None, **more):
    return RotaryAxis(letter, [0, 0, 0], line, SENSES[1], limits, **more)


def mill(*rotaries):
    return Machine("mill", rotaries, Platter(face_mm=0.0))


def test_levelled_and_clipped_poses_are_listed_once():
    one = mill(rotary("A", [1, 0, 0], (-360.0, 360.0)))
    found = aim(one, Z, [0.0], tolerance_deg=TOLERANCE_DEG, tilt="positive")
    assert [solution.machine_deg for solution in found.solutions] == [(0.0,), (360.0,), (-360.0,)]
    assert found.feasible.tolist() == [True, True, False]


@pytest.mark.parametrize("lean_deg", [0.0, 0.004])
def test_the_tilt_has_the_sign_where_the_outermost_rotary_stands_upright(lean_deg):
    upright = rotary("C", [np.sin(np.radians(lean_deg)), 0.0, np.cos(np.radians(lean_deg))])
    machine, wanted = mill(upright, rotary("A", [1, 0, 0])), [0.0, 0.5, 0.9]
    # C has no influence, or next to none: whatever C shows, it is A that tilts, by 29 degrees.
    there = aim(machine, wanted, [-40.0, 0.0], tilt="positive", tolerance_deg=TOLERANCE_DEG)
    assert there.best.machine_deg[1] == pytest.approx(np.degrees(np.arctan2(0.5, 0.9)), abs=0.01)
    no = aim(machine, wanted, [-40.0, 0.0], tilt="negative", tolerance_deg=TOLERANCE_DEG)
    assert no.best is None
    assert {one.letter for solution in no.solutions for one in solution.violations} == {"A"}


def test_motion_is_counted_as_the_machine_moves():
    tilt = rotary("A", [1, 0, 0], (-120.0, 120.0))
    numbered = rotary("C", [0, 0, 1], index_direction=IndexDirection(IndexRule.AS_NUMBERED))
    wanted = [np.sin(np.radians(10.0)), np.cos(np.radians(10.0)), 1.0]
    short = aim(mill(tilt, rotary("C", [0, 0, 1])), wanted, [0.0, 350.0])
    by_numbers = aim(mill(tilt, numbered), wanted, [0.0, 350.0])
    assert short.best.machine_deg == pytest.approx((45.0, 10.0))
    assert short.best.motion_deg == pytest.approx(45.0 + 20.0)
    # 350 to 10 would run back through 340 degrees; the other side of the tilt is 160 away.
    assert by_numbers.best.machine_deg == pytest.approx((-45.0, 190.0))
    assert by_numbers.best.move_deg == pytest.approx((-45.0, -160.0))


def test_more_directions_than_are_solved_at_a_time(rng):
    """They are solved a block at a time: whole, and cut anywhere else, they have the same poses."""
    a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], SENSES[0], (-120.0, 30.0))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[1], None)
    machine = Machine("mill", (a, c), Platter(face_mm=0.0))
    wanted = rng.normal(size=(20_001, 3))
    previous = rng.uniform(-90.0, 30.0, (20_001, 2))
    whole = aim(machine, wanted, previous)
    for part in (slice(0, 1500), slice(7_000, 9_500), slice(16_300, 16_500), slice(19_000, None)):
        alone = aim(machine, wanted[part], previous[part])
        np.testing.assert_array_equal(whole.machine_deg[part, 0], alone.machine_deg[:, 0])
        np.testing.assert_array_equal(whole.reaches()[part], alone.reaches())
    assert 0.5 < np.mean(whole.reaches()) < 1.0


def test_of_a_hundred_turns_and_more_the_nearest_are_listed():
    """A rotary that may wind up 60 turns either way: 99 equivalents of a pose, those nearest to where it comes from."""
    c = RotaryAxis("B", [0, 0, 0], [0, 1, 0], SENSES[0], (-21_600.0, 21_600.0))
    machine = Machine("winding", (c,), Platter(face_mm=0.0))
    wanted = turned(machine, [30.0], Z, -1.0)
    found = aim(machine, wanted, [10_000.0])
    listed = found.machine_deg[found.feasible][:, 0]
    assert len(listed) == 99
    every = 30.0 + 360.0 * np.arange(-60, 60)
    np.testing.assert_allclose(listed, every[np.argsort(np.abs(every - 10_000.0))][:99], atol=1e-6)
    assert found.best.motion_deg <= 180.0


def test_a_hair_from_zero_is_zero():
    """Below a billionth of a degree an angle within limits is shown, and taken, as none."""
    a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], SENSES[0], (-90.0, 90.0))
    machine = Machine("mill", (a,), Platter(face_mm=0.0))
    (angle,) = aim(machine, [0.0, 1e-12, 1.0], [0.0]).best.machine_deg
    assert angle == 0.0
    (angle,) = aim(machine, [0.0, 1e-10, 1.0], [0.0]).best.machine_deg
    assert abs(angle) == pytest.approx(np.degrees(1e-10), rel=1e-3)
