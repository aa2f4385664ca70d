"""The laws that everything else hangs on, as plain checks.

The law tests run them over drawn machines; `test_mutations` runs them over a library made wrong on purpose, where
each must fail.
"""

import numpy as np
from samples import LETTERS, assert_close, hand_of, square_machine

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    compare_touch_off,
    forward,
    orientation,
    placement,
    plane,
    plane_from_normal,
    stack,
    table_frame,
    table_pose,
)

WITHIN_MM = 1e-10


def sense_of_turning(letter):
    """By hand: seen from the positive end, with the next axis to the right, clockwise goes down."""
    index = LETTERS.index(letter)
    right, up = np.eye(3)[(index + 1) % 3], np.eye(3)[(index + 2) % 3]
    for sense, expected in ((RotationSense.CLOCKWISE, -up), (RotationSense.COUNTERCLOCKWISE, up)):
        rotary = RotaryAxis(letter, [3.0, 4.0, 5.0], np.eye(3)[index], sense, None)
        one = Machine("one", (rotary,), Platter(face_mm=0.0))
        start = np.array([3.0, 4.0, 5.0]) + 10.0 * right
        reached = np.array([3.0, 4.0, 5.0]) + 10.0 * expected
        np.testing.assert_array_equal(forward.transform_points(one, start, [90.0]), reached)
        np.testing.assert_array_equal(forward.table_pose(one, [90.0]).apply(start), reached)


def derived_pivot_table(sense):
    """m = P_A + Rx(phiA) (P_C + Rz(phiC) (w - P_C) - P_A): derived for this project."""
    square = square_machine(sense)
    for phi, expected in (
        ((0.0, 0.0), (40.0, 25.0, 130.0)),
        ((30.0, 0.0), (40.0, -88.649047358, 119.644018972)),
        ((-90.0, 45.0), (1.844335495, 204.75, -142.065922728)),
        ((54.7356103172453, 45.0), (1.844335495, -158.235894464, 82.936359469)),
    ):
        angles = hand_of(sense) * np.array(phi)
        assert_close(forward.transform_points(square, [40.0, 25.0, 130.0], angles), expected, within=6e-10)
        pose = forward.table_pose(square, angles)
        assert_close(pose.apply([40.0, 25.0, 130.0]), expected, within=6e-10)


def paths_agree(one, points, angles):
    """The quick way and the plain one go to the same place."""
    quick = forward.transform_points(one, points, angles)
    assert_close(quick, forward.table_pose(one, angles).apply(points), within=WITHIN_MM)


def isometry(one, steps, origins, angles):
    """Distances between origins are kept at any pose."""
    setup = Setup.from_stack(one, steps)
    moved = setup.work_offset(origins, angles)
    before = np.linalg.norm(origins[:, None] - origins[None], axis=-1)
    after = np.linalg.norm(moved[:, None] - moved[None], axis=-1)
    assert_close(after, before, within=WITHIN_MM)


def stands_on_the_platter(face_mm, up_mm):
    """At the all-zero pose part zero stands as high over the platter's face as the stack is."""
    square = square_machine(face_mm=face_mm)
    setup = Setup.from_stack(square, [stack.StackStep("post", up_mm=up_mm)])
    found = setup.work_offset([0.0, 0.0, 0.0], square.zero_deg)
    assert_close(found, [0.02, -12.4, face_mm + up_mm], within=WITHIN_MM)


def full_turn(setup, origin, angles, turns):
    """Whole turns of any rotary change nothing."""
    there = setup.work_offset(origin, angles)
    again = setup.work_offset(origin, np.asarray(angles) + 360.0 * np.asarray(turns))
    assert_close(again, there, within=WITHIN_MM)


def aim_then_forward(one, direction, previous, held=None):
    """Every solution leaves the direction as far from the spindle as it says, to 1e-14 rad."""
    found = orientation.orientation_solutions(one, direction, previous, held)
    wanted = np.asarray(direction) / np.linalg.norm(direction)
    for angles in found.machine_deg:
        reached = forward.table_pose(one, angles).rotate(wanted)
        off = np.arctan2(np.hypot(reached[0], reached[1]), reached[2])
        # A singular rotary may leave the direction as far off as it may lie from that rotary's line.
        loose = 2.0 * orientation.SINGULAR_WITHIN_RAD if found.singular.any() else 0.0
        assert abs(off - np.radians(found.misalignment_deg)) < 2e-14 + loose
    return found


def squared_up(setup, letter):
    """At program zero the part's x (or what tells best) lies along its machine axis, seen along the rotary."""
    squared = setup.aligned(letter)
    one = setup.machine
    at = one.index(letter)
    program_zero = squared.machine_deg(np.zeros(len(one.rotaries)))
    outer = table_pose(Machine("outer", one.rotaries[:at], one.platter), program_zero[:at]) if at else None
    line = one.rotaries[at].direction if outer is None else outer.rotate(one.rotaries[at].direction)
    part = (table_pose(one, program_zero) @ squared.part_in_machine).rotation
    across = np.eye(3) - np.outer(line, line)
    aligned = []
    for column in range(3):
        ours, theirs = across @ part[:, column], across[:, column]
        lengths = np.linalg.norm(ours) * np.linalg.norm(theirs)
        if lengths > 1e-3:
            aligned.append(
                np.linalg.norm(np.cross(ours, theirs)) / lengths < 1e-9 and float(ours @ theirs) > 0.0
            )
    assert any(aligned)
    return squared


def clocking_is_taken_out(sense, clocking_deg):
    """A clocked part on a square A/C: squared up, its program runs as if it were not clocked at all."""
    square = square_machine(sense, limits=((-120.0, 120.0), None))
    straight = Setup.from_stack(square, [stack.StackStep("blank", up_mm=60.0)])
    clocked = Setup.from_stack(square, [stack.StackStep("blank", up_mm=60.0, turn_deg=clocking_deg)])
    squared = clocked.aligned("C")
    pattern = [
        Operation("port", plane=plane_from_normal([0, -1, 2]), origin_mm=np.array([0.0, -20.0, 5.0]), count=5,
                  step_deg=72.0),
        Operation("face", program_deg=(0.0, 0.0)),
    ]  # fmt: skip
    without, with_it = (placement.place_operations(setup, pattern).placed for setup in (straight, squared))
    for one, other in zip(without, with_it, strict=True):
        apart = (one.program_deg - other.program_deg + 180.0) % 360.0 - 180.0
        assert_close(apart, 0.0, within=1e-9)
        assert_close(one.offset_mm, other.offset_mm, within=1e-9)


def program_and_machine_angles(setup):
    """Program angle = machine angle - rotary offset."""
    machine_deg = np.arange(len(setup.machine.rotaries)) * 31.0 + 7.0
    assert_close(setup.program_deg(machine_deg), machine_deg - setup.rotary_offset_deg, within=1e-12)
    assert_close(setup.machine_deg(setup.program_deg(machine_deg)), machine_deg, within=1e-12)


def repeats_about_the_parts_z(normal, origin, count, step_deg):
    """Each is the one before, turned right-handed about z by the step; heights stay."""
    pattern = plane.circular_pattern(plane_from_normal(normal), origin, count, step_deg)
    assert len(pattern) == count
    for k, (one, place) in enumerate(pattern):
        turn = np.radians(k * step_deg)
        cosine, sine = np.cos(turn), np.sin(turn)
        for found, first in ((place, np.asarray(origin)), (one.normal, pattern[0][0].normal)):
            expected = [cosine * first[0] - sine * first[1], sine * first[0] + cosine * first[1], first[2]]
            assert_close(found, expected, within=1e-10)


def chip_is_found(setup, chip_mm, angles):
    """A part zero moved in the table frame and touched off at any pose gives the same movement back."""
    moved = setup.part_in_table.translation_mm + chip_mm
    true = (table_pose(setup.machine, angles) @ table_frame(setup.machine)).apply(moved)
    found = compare_touch_off(setup, true, angles)
    assert_close(found.difference_mm, chip_mm, within=WITHIN_MM)
    assert abs(found.distance_mm - np.linalg.norm(chip_mm)) < WITHIN_MM
    return found, true


def stack_order(up_mm, angle_deg):
    """By hand: what is lifted on a wedge is lifted along the wedge's own normal."""
    wedge = stack.StackStep("wedge", rotate=(("x", angle_deg),), turn_deg=90.0)
    pose = stack.stack_pose([wedge, stack.StackStep("post", up_mm=up_mm, shift_mm=(5.0, 0.0))])
    tilt = np.radians(angle_deg)
    # x of the wedge, turned by 90, points up its slope: (0, cos, sin).
    expected = [0.0, 5.0 * np.cos(tilt) - up_mm * np.sin(tilt), 5.0 * np.sin(tilt) + up_mm * np.cos(tilt)]
    assert_close(pose.translation_mm, expected, within=1e-12)


def general_setup():
    """One machine with everything in it, for laws that do not draw their own."""
    a = RotaryAxis(
        "A", [-381.0, -203.412, -406.118], [1, 0.02, -0.01], RotationSense.CLOCKWISE, (-120.0, 30.0), 0.5
    )
    c = RotaryAxis(
        "C", [-381.025, -203.405, -356.112], [0.01, -0.02, 1], RotationSense.COUNTERCLOCKWISE, None, -2.0
    )
    one = Machine("general", (a, c), Platter(face_mm=-356.112))
    steps = [
        stack.StackStep("plate", up_mm=20.012, shift_mm=(0.5, -0.25), rotate=(("x", 3.0), ("y", -2.0))),
        stack.StackStep("blank", up_mm=62.0, turn_deg=12.35),
    ]
    return Setup(one, stack.stack_pose(steps), np.array([0.25, 3.5]))
