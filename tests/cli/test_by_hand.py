"""Finding a rotary's line and sense by hand, checked on a rotary whose line and sense are known."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics import Machine, Platter, RotaryAxis, RotationSense, ZReference, transform_points
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.machine.prompts import pivot_formulas, pivot_more, pivot_words
from tiltwright.machine.sense import CLOCK, SENSE_LOOKS, sense_from_clock, sense_from_side

EVERY = list(itertools.product(AXIS_DIRECTIONS, ["clockwise", "counterclockwise"]))
mm = st.floats(-500.0, 500.0)


def centres(along: str, sense: str, pivot: list[float], ball: list[float], angles: list[float]) -> np.ndarray:
    """The ball's centre at each angle of the rotary (k, 3)."""
    rotary = RotaryAxis("A", pivot, AXIS_DIRECTIONS[along], RotationSense(sense), None)
    machine = Machine("mill", (rotary,), Platter(face_mm=0.0), None, ZReference(None))
    return transform_points(machine, ball, np.array(angles)[:, None])


@pytest.mark.parametrize(("along", "sense"), EVERY)
@pytest.mark.parametrize("quarter", ["+90", "-90"])
@given(pivot=st.tuples(mm, mm, mm), ball=st.tuples(mm, mm, mm))
def test_two_centres_a_quarter_turn_apart_give_the_line(along, sense, quarter, pivot, ball):
    one, two = centres(along, sense, list(pivot), list(ball), [0.0, float(quarter)])
    read = {f"{axis}{n}": at[i] for n, at in ((1, one), (2, two)) for i, axis in enumerate("XYZ")}
    found = {}
    for formula in pivot_formulas(along, sense, quarter):
        axis, value = formula.split(" = ")
        found[axis] = eval(value, {}, read)
    assert set(found) == set("XYZ") - {along[1]}
    for axis, value in found.items():
        # A few roundings of numbers up to 2000: far below a micrometre.
        assert value == pytest.approx(pivot["XYZ".index(axis)], abs=1e-9)


@pytest.mark.parametrize(("along", "sense"), EVERY)
def test_the_words_carry_the_formulas(along, sense):
    words, more = pivot_words("B", along, sense), pivot_more("B", along, sense, "inch")
    assert all(formula in words for formula in pivot_formulas(along, sense))
    assert all(formula in more for formula in pivot_formulas(along, sense, "-90"))
    assert "tiltwright pivot fit" in words
    assert max(map(len, (words + "\n" + more).splitlines())) <= 112
    assert "Move B alone to +90" in words


@pytest.mark.parametrize("angles", [[0.0, 180.0], [-90.0, 90.0]])
def test_half_a_turn_apart_the_line_is_halfway(angles):
    one, two = centres("+X", "clockwise", [1.0, 2.0, 3.0], [10.0, -40.0, 25.0], angles)
    assert ((one + two) / 2)[1:] == pytest.approx([2.0, 3.0], abs=1e-12)


def test_three_centres_lie_on_a_circle_about_the_line():
    """A tilt of -30 to 40: the circle through three centres (by its two chords' perpendiculars) has the pivot."""
    marks = centres("+Y", "counterclockwise", [-7.0, 0.0, -410.0], [60.0, 5.0, -330.0], [-30.0, 5.0, 40.0])
    flat = marks[:, [0, 2]]
    chords = flat[1:] - flat[:1]
    centre = np.linalg.solve(2.0 * chords, (flat[1:] ** 2).sum(axis=1) - (flat[:1] ** 2).sum(axis=1))
    assert centre == pytest.approx([-7.0, -410.0], abs=1e-9)


# Right-hand side and near side of the table, as seen from the front of the machine (X right, Y back, Z up).
SIDES = {
    "the side of the table nearest you": [0.0, -1.0, 0.0],
    "the right-hand side of the table": [1.0, 0.0, 0.0],
    "the edge of the table nearest you": [0.0, -1.0, 0.0],
}
WAYS = {"up": [0.0, 0.0, 1.0], "down": [0.0, 0.0, -1.0], "right": [1.0, 0.0, 0.0], "left": [-1.0, 0.0, 0.0]}
EYES = {"the right": [1.0, 0.0, 0.0], "the front": [0.0, -1.0, 0.0], "above": [0.0, 0.0, 1.0]}


@pytest.mark.parametrize(("along", "sense"), EVERY)
def test_both_looks_give_the_sense_of_a_known_rotary(along, sense):
    """The watched side and the way round are taken from a table moved by +10 degrees."""
    looks = SENSE_LOOKS[along[1]]
    watched = np.array(SIDES[looks.side])
    at, moved = centres(along, sense, [0.0, 0.0, 0.0], list(100.0 * watched), [0.0, 10.0])
    (way,) = [way for way in looks.ways if (moved - at) @ WAYS[way] > 10.0]
    # Seen with the eye at an axis' head, a right-handed turn about that axis is counterclockwise.
    turned = np.cross(at, moved) @ EYES[looks.seen]
    assert abs(turned) > 1000.0
    clock = "counterclockwise" if turned > 0.0 else "clockwise"
    assert sense_from_side(along, way) == sense
    assert sense_from_clock(along, clock) == sense
    # The other way, and the other way round, are the other sense.
    (other,) = set(looks.ways) - {way}
    assert sense_from_side(along, other) == CLOCK[1 - CLOCK.index(sense)]
    assert sense_from_clock(along, CLOCK[1 - CLOCK.index(clock)]) == CLOCK[1 - CLOCK.index(sense)]
