"""Squaring up puts the clocking into the rotary's offset, and the program keeps its round angles."""

from dataclasses import replace

import laws
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import SENSES, assert_close, machines, square_machine, stacks

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep


@given(st.data())
def test_program_zero_lines_the_part_up(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    letter = data.draw(st.sampled_from(machine.letters))
    squared = laws.squared_up(setup, letter)
    offset = squared.rotary_offset_deg
    at = machine.index(letter)
    assert -180.0 <= offset[at] < 180.0
    assert np.delete(offset, at).tolist() == [0.0] * (len(machine.rotaries) - 1)
    laws.program_and_machine_angles(squared)


@given(st.data())
def test_squaring_up_twice_is_squaring_up_once(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    letter = data.draw(st.sampled_from(machine.letters))
    once = setup.aligned(letter)
    apart = once.aligned(letter).rotary_offset_deg - once.rotary_offset_deg
    assert_close((apart + 180.0) % 360.0 - 180.0, 0.0, within=1e-9)


@given(st.sampled_from(SENSES), st.floats(-179.0, 179.0))
def test_programs_run_as_if_the_part_were_not_clocked(sense, clocking_deg):
    laws.clocking_is_taken_out(sense, clocking_deg)


@given(st.sampled_from(SENSES), st.floats(-179.0, 179.0), st.floats(-20.0, 20.0))
def test_the_others_stand_at_their_own_program_zero(sense, clocking_deg, tilt_offset):
    """Not at machine zero: with the tilt's offset loaded, C is squared up at the tilt that the program calls 0."""
    leaning = Machine(
        "leaning",
        (
            RotaryAxis("A", [0, 0, 0], [1, 0.1, 0], sense, None),
            RotaryAxis("C", [0, 0, 0], [0.05, 0, 1], sense, None),
        ),
        Platter(face_mm=0.0),
    )
    setup = Setup.from_stack(leaning, [StackStep("blank", turn_deg=clocking_deg)])
    laws.squared_up(replace(setup, rotary_offset_deg=np.array([tilt_offset, 0.0])), "C")


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, -90.0])
@pytest.mark.parametrize("letter", ["A", "B", "C"])
def test_each_rotary_with_the_part_in_any_quarter(letter, turn):
    """An indexer along X with the part's y along X as well is aligned by z; in every case one axis serves."""
    rotary = RotaryAxis(letter, [0, 0, 0], np.eye(3)["ABC".index(letter)], RotationSense.CLOCKWISE, None)
    machine = Machine("indexer", (rotary,), Platter(face_mm=0.0))
    for tip in ((), (("y", 90.0),), (("x", 90.0),)):
        for clocking in (0.0, 0.35, -12.0):
            slip = (letter.replace("A", "x").replace("B", "y").replace("C", "z"), clocking)
            steps = [StackStep("clocking", rotate=(slip,)), StackStep("part", rotate=tip, turn_deg=turn)]
            laws.squared_up(Setup.from_stack(machine, steps), letter)


def test_a_small_clocking_is_a_small_offset():
    """By hand: the blank stands 0.35 degrees counterclockwise on a table that turns clockwise: +0.35."""
    for sense, expected in ((RotationSense.CLOCKWISE, 0.35), (RotationSense.COUNTERCLOCKWISE, -0.35)):
        setup = Setup.from_stack(square_machine(sense), [StackStep("blank", up_mm=62.0, turn_deg=0.35)])
        found = setup.aligned("C").rotary_offset_deg
        assert_close(found, [0.0, expected], within=1e-12)


def test_what_tells_is_judged_where_the_others_stand():
    """C displays 90 at the zero pose: at program zero the part's x lies along B's line, and does not tell."""
    b = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.CLOCKWISE, None)
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None, 90.0)
    setup = Setup.from_stack(Machine("off zero", (b, c), Platter(face_mm=0.0)), [])
    np.testing.assert_array_equal(setup.aligned("B").rotary_offset_deg, [0.0, 0.0])


def nutating(sense, noise=(0.0, 0.0, 0.0)):
    """A B at 45 degrees between Y and Z under a C, its line as drawn or as measured."""
    return Machine(
        "nutating",
        (
            RotaryAxis("B", [0, 0, 0], np.array([0.0, 1.0, 1.0]) + noise, sense, None),
            RotaryAxis("C", [0, 0, 0], [0, 0, 1], sense, None),
        ),
        Platter(face_mm=0.0),
    )


@pytest.mark.parametrize("line", [[0, 1, 1], [1, 0, 1], [1, 1, 0], [-1, 1, 0], [1, 1, 1]])
@pytest.mark.parametrize(
    "tip", [(), (("z", 45.0),), (("x", 45.0),), (("y", 45.0),), (("z", 90.0), ("x", 45.0))]
)
def test_a_line_at_45_degrees_lines_up_the_same_axis_drawn_or_measured(line, tip):
    """Two axes are equally far from such a line: rounding, or a measured half degree, must not choose between them."""
    expected, offsets = set(), []
    for noise in (
        [0.0, 0.0, 0.0],
        [4e-3, 0, 0],
        [0, 4e-3, 0],
        [0, 0, 4e-3],
        [-4e-3, 0, 0],
        [0, -4e-3, 0],
        [0, 0, -4e-3],
    ):
        rotary = RotaryAxis("B", [0, 0, 0], np.add(line, noise), RotationSense.CLOCKWISE, None)
        machine = Machine("at 45", (rotary,), Platter(face_mm=0.0))
        setup = Setup.from_stack(machine, [StackStep("part", rotate=tip, turn_deg=0.35)])
        expected.add(setup.alignment_axis("B"))
        offsets.append(laws.squared_up(setup, "B").rotary_offset_deg[0])
    assert len(expected) == 1
    # A line that leans by noise turns the alignment by as much and a little more; another axis would by quarter turns.
    assert np.ptp(np.unwrap(offsets, period=360.0)) < 2.0


@pytest.mark.parametrize("sense", SENSES)
def test_on_a_nutating_table_the_parts_x_is_lined_up(sense):
    """By hand: with B level C stands upright, and a blank clocked by 0.35 wants 0.35 of C; B, about its own line, 0."""
    sign = 1.0 if sense is RotationSense.CLOCKWISE else -1.0
    setup = Setup.from_stack(nutating(sense), [StackStep("blank", turn_deg=0.35)])
    assert (setup.alignment_axis("B"), setup.alignment_axis("C")) == ("x", "x")
    assert_close(setup.aligned("C").rotary_offset_deg, [0.0, 0.35 * sign], within=1e-12)
    assert_close(setup.aligned("C").aligned("B").rotary_offset_deg, [0.0, 0.35 * sign], within=1e-9)


def test_the_axis_that_is_lined_up_is_named():
    expected = {"A": "y", "B": "x", "C": "x"}
    for letter, axis in expected.items():
        rotary = RotaryAxis(letter, [0, 0, 0], np.eye(3)["ABC".index(letter)], RotationSense.CLOCKWISE, None)
        assert (
            Setup.from_stack(Machine("indexer", (rotary,), Platter(face_mm=0.0)), []).alignment_axis(letter)
            == axis
        )
