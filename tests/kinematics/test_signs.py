"""The sense in which a positive move turns the table, by hand and by the open standards."""

import laws
import numpy as np
import pytest
from samples import LETTERS

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, transform_points


@pytest.mark.parametrize("letter", LETTERS)
def test_a_positive_move_as_seen_from_the_positive_end(letter):
    laws.sense_of_turning(letter)


def test_iso_841_and_rs274_ngc_by_the_tool_seen_from_the_work():
    """RS274/NGC, NISTIR 6556 section 2.1.2.2 (read): positive is counterclockwise seen from the positive end of
    X, Y or Z, from the point of view of the workpiece; so the table itself turns clockwise. ISO 841 (text not
    seen; read in a second place): an axis that moves the work carries a prime and moves the other way.
    """
    for letter, along in zip(LETTERS, np.eye(3), strict=True):
        rotary = RotaryAxis(letter, [0, 0, 0], along, RotationSense.CLOCKWISE, None)
        setup = Setup.from_stack(Machine("standard", (rotary,), Platter(face_mm=0.0)), [])
        # Something that stays with the machine, off the axis, as the part sees it before and after +90.
        before, after = setup.machine_axes([[0.0], [90.0]])
        fixed = (LETTERS.index(letter) + 1) % 3
        np.testing.assert_array_equal(np.cross(before[fixed], after[fixed]), along)


def test_z_is_up_and_x_is_right_seen_from_above():
    """By hand: jog C to +90 on a table that turns clockwise seen from above; what lay to the right now lies in
    front, toward the operator, at -Y.
    """
    c = RotaryAxis("C", [100.0, 50.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    machine = Machine("table", (c,), Platter(face_mm=0.0))
    np.testing.assert_array_equal(transform_points(machine, [130.0, 50.0, 7.0], [90.0]), [100.0, 20.0, 7.0])


def test_a_tips_the_top_back_on_a_negative_move_of_a_clockwise_table():
    """By hand: A clockwise seen from the right (+X): at +90 the top goes toward +Y, at -90 toward -Y."""
    a = RotaryAxis("A", [0.0, 0.0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, None)
    machine = Machine("trunnion", (a,), Platter())
    np.testing.assert_array_equal(
        transform_points(machine, [0.0, 0.0, 50.0], [[90.0], [-90.0]]),
        [[0.0, 100.0, -50.0], [0.0, -100.0, -50.0]],
    )


def test_a_rotary_off_zero_turns_nothing_at_its_zero_angle():
    c = RotaryAxis("C", [0.0, 0.0, 0.0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None, zero_deg=30.0)
    machine = Machine("table", (c,), Platter(face_mm=0.0))
    np.testing.assert_array_equal(transform_points(machine, [10.0, 0.0, 0.0], [30.0]), [10.0, 0.0, 0.0])
    np.testing.assert_array_equal(transform_points(machine, [10.0, 0.0, 0.0], [120.0]), [0.0, 10.0, 0.0])
