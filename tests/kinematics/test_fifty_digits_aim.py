"""Aimed angles against 50-digit arithmetic, beside the singular direction and at the edge of the reach too.

Where a direction lies 1e-8 rad from the last rotary's line, that rotary's angle hangs on the direction's ninth
digit; at the edge of the reach an angle hangs on half the digits. No arithmetic can do better than the numbers
it is given. So the yardstick is the exact answer's own change when what is given changes in its last digit.
"""

import fifty_digits
import numpy as np
import pytest
from mpmath import mp, mpf
from samples import SENSES, random_direction
from slices import cases

from kinematics import Machine, Platter, RotaryAxis
from kinematics.orientation import orientation_solutions

LAST_DIGIT = 2.0**-52
TIMES = 40  # last digits that a few dozen operations may add up to
FLOOR_DEG = 1e-12


@pytest.fixture(autouse=True)
def _digits():
    with mp.workdps(fifty_digits.DIGITS):
        yield


def machine_with(outer, inner, signs=(0, 0)):
    return Machine(
        "aimed",
        (
            RotaryAxis("A", [0, 0, 0], outer, SENSES[signs[0]], None),
            RotaryAxis("C", [0, 0, 0], inner, SENSES[signs[1]], None),
        ),
        Platter(face_mm=0.0),
    )


def around(angle):
    return (angle + 180) % 360 - 180


def exact(machine, wanted, changes=(None, None, None)):
    """Turns, not machine angles, for directions that differ by exactly the changes."""
    given = (machine.rotaries[0].direction, machine.rotaries[1].direction, wanted)
    vectors = []
    for vector, change in zip(given, changes, strict=True):
        exactly = fifty_digits.vector(vector)
        if change is not None:
            exactly = fifty_digits.plus(exactly, fifty_digits.vector(change))
        vectors.append(fifty_digits.unit(exactly))
    return fifty_digits.turns_to_spindle(*vectors)


def check(rng, machine, wanted):
    """Both pairs of angles are exact to what the last digits of the question decide; True when it was reached."""
    found = orientation_solutions(machine, wanted, [0.0, 0.0])
    expected = exact(machine, wanted)
    if not expected:
        return False
    spread = [mpf(0), mpf(0)]
    for _ in range(4):
        moved = exact(machine, wanted, [LAST_DIGIT * random_direction(rng) for _ in range(3)])
        for now, before in zip(moved, expected, strict=False):
            spread = [max(s, abs(around(n - b))) for s, n, b in zip(spread, now, before, strict=True)]
        if not moved:  # the last digit decides whether it can be reached at all
            spread = [mpf(360), mpf(360)]
    ours = [
        [float(r.turn_deg(angle)) for r, angle in zip(machine.rotaries, pair, strict=True)]
        for pair in found.machine_deg.tolist()
    ]
    for pair in expected:
        misses = [
            max(
                abs(around(o - e)) / (TIMES * s + FLOOR_DEG)
                for o, e, s in zip(one, pair, spread, strict=True)
            )
            for one in ours
        ]
        assert min(misses) < 1, (machine.rotaries, wanted, ours, expected, spread)
    return True


def test_any_two_directions(rng):
    reached = 0
    for _ in range(cases(160)):
        signs = rng.integers(2, size=2)
        machine = machine_with(random_direction(rng), random_direction(rng), signs)
        reached += check(rng, machine, random_direction(rng))
    assert reached > cases(40)


@pytest.mark.parametrize("exponent", range(-8, -2))
def test_near_the_last_rotarys_line(rng, exponent):
    """Nearer than 1e-9 rad that rotary is singular; a degree of it then moves nothing by a picometre."""
    for sine in (1.0, -1.0):
        for _ in range(cases(25)):
            outer = np.array([1.0, 0.0, 0.0])
            inner = np.array([0.0, 0.0, sine])
            side = rng.uniform(0.0, 2 * np.pi)
            wanted = np.array([np.cos(side), np.sin(side), 0.0]) * 10.0**exponent + [0.0, 0.0, 1.0]
            assert check(rng, machine_with(outer, inner, rng.integers(2, size=2)), wanted)


@pytest.mark.parametrize("exponent", [-6.0, -7.0, -8.0, -8.9])
def test_near_the_line_of_a_rotary_that_leans(rng, exponent):
    """The outer line leans such that the inner one can be brought to the spindle: the triangle is thin."""
    for _ in range(cases(30)):
        outer = random_direction(rng)
        about = float(rng.uniform(0, 360))
        inner = [
            float(v)
            for v in fifty_digits.turned(
                fifty_digits.AXES["z"], fifty_digits.unit(fifty_digits.vector(outer)), about
            )
        ]
        across = np.cross(inner, random_direction(rng))
        wanted = np.array(inner) + 10.0**exponent * across / np.linalg.norm(across)
        check(rng, machine_with(outer, inner, rng.integers(2, size=2)), wanted)


@pytest.mark.parametrize("wanted_off", [1e-9, 1e-10, 1e-11, 1e-12, 0.0])
def test_nearer_still_the_rotary_is_singular_and_the_tilt_is_exact(wanted_off):
    machine = machine_with([1.0, 0.0, 0.0], [0.0, 0.0, 1.0])
    found = orientation_solutions(machine, [0.5 * wanted_off, 0.5 * wanted_off, 1.0], [0.0, 77.0])
    assert found.singular.tolist() == [False, True]
    assert found.machine_deg[:, 1].tolist() == [77.0, 77.0]
    assert np.abs(found.machine_deg[:, 0]).max() <= np.degrees(wanted_off)
    assert found.misalignment_deg <= np.degrees(wanted_off)


@pytest.mark.parametrize("inside", [1e-3, 1e-6, 1e-9, 1e-12, 1e-14])
def test_near_the_edge_of_the_reach(rng, inside):
    """A nutating table, whose faces square to its platter lie at the edge, and a general pair with two edges."""
    reached = 0
    for outer, inner, edges in (([0, 1, 1], [0, 0, 1], 1), ([0, 1.3, 1], [0.2, 0, 1], 2)):
        along = np.array(inner) / np.linalg.norm(inner)
        tilt = np.arccos(outer[2] / np.linalg.norm(outer))
        lines = np.arccos(np.dot(outer, along) / np.linalg.norm(outer))
        for edge, into in ((lines + tilt, -inside), (abs(lines - tilt), inside))[:edges]:
            for _ in range(12):
                across = np.cross(along, random_direction(rng))
                across /= np.linalg.norm(across)
                wanted = np.cos(edge + into) * along + np.sin(edge + into) * across
                reached += check(rng, machine_with(outer, inner), wanted)
    assert reached >= (36 if inside > 1e-13 else 12)
