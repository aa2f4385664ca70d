"""Invalid arguments are refused: the message names the argument, what was expected and what was found."""

import numpy as np
import pytest
from samples import square_machine

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Plane,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    Travel,
    ZReference,
    aim,
    angle_to_align,
    circular_pattern,
    compare_touch_off,
    equivalent_angles_deg,
    orientation_angles,
    place_operations,
    plane_from_normal,
    plane_from_rotations,
    plane_through,
    rotation_about_axis,
    rotation_about_line,
    rotation_from_intrinsic,
    sincos_deg,
    stack_pose,
    table_pose,
    transform_points,
    wrap_deg,
)
from kinematics.orientation import orientation_solutions

NAN, INF = float("nan"), float("inf")
MILL = square_machine()
SETUP = Setup.from_stack(MILL, [])
FLAT = ([0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None)

NOT_FINITE = {
    "sincos_deg": lambda bad: sincos_deg([0.0, bad]),
    "wrap_deg": wrap_deg,
    "wrap_deg, low end": lambda bad: wrap_deg(0.0, bad),
    "every_wrap_deg": lambda bad: equivalent_angles_deg(bad, -90.0, 90.0),
    "every_wrap_deg, limits": lambda bad: equivalent_angles_deg(0.0, -90.0, bad),
    "turn_about, angle": lambda bad: rotation_about_axis([0, 0, 1], bad),
    "turn_about, direction": lambda bad: rotation_about_axis([0, bad, 1], 0.0),
    "turn_about_line, point": lambda bad: rotation_about_line([bad, 0, 0], [0, 0, 1], 0.0),
    "pose, rotation": lambda bad: Pose(np.full((3, 3), bad), [0, 0, 0]),
    "pose, translation": lambda bad: Pose(np.eye(3), [0, 0, bad]),
    "pose applied": lambda bad: SETUP.part_in_machine.apply([bad, 0, 0]),
    "turn list": lambda bad: rotation_from_intrinsic([("x", bad)]),
    "naming": lambda bad: orientation_angles(np.full((3, 3), bad)),
    "rotary, point": lambda bad: RotaryAxis("A", [0, 0, bad], *FLAT[1:]),
    "rotary, direction": lambda bad: RotaryAxis("A", [0, 0, 0], [bad, 0, 0], RotationSense.CLOCKWISE, None),
    "rotary, limits": lambda bad: RotaryAxis("A", *FLAT[:3], (-90.0, bad)),
    "rotary, zero": lambda bad: RotaryAxis("A", *FLAT, bad),
    "rotary turned": MILL.rotaries[0].pose_at,
    "platter, face": lambda bad: Platter(face_mm=bad),
    "platter, diameter": lambda bad: Platter(diameter_mm=bad),
    "platter, normal": lambda bad: Platter(normal=[0, 0, bad]),
    "travel": lambda bad: Travel([0, 0, bad], [1, 1, 1]),
    "reference tool": ZReference,
    "table_pose": lambda bad: table_pose(MILL, [[0, 0], [0, bad]]),
    "carry, point": lambda bad: transform_points(MILL, [bad, 0, 0], [0, 0]),
    "carry, angles": lambda bad: transform_points(MILL, [0, 0, 0], [bad, 0]),
    "step, up": lambda bad: stack_pose([StackStep("s", up_mm=bad)]),
    "step, shift": lambda bad: stack_pose([StackStep("s", shift_mm=(0.0, bad))]),
    "step, turn": lambda bad: stack_pose([StackStep("s", turn_deg=bad)]),
    "step, rotate": lambda bad: stack_pose([StackStep("s", rotate=(("x", bad),))]),
    "work_offset, origin": lambda bad: SETUP.work_offset([0, bad, 0], [0, 0]),
    "work_offset, angles": lambda bad: SETUP.work_offset([0, 0, 0], [0, bad]),
    "plane_axes": lambda bad: SETUP.machine_axes([bad, 0]),
    "setup, rotary offset": lambda bad: Setup(MILL, SETUP.part_in_table, [0, bad]),
    "plane, normal": lambda bad: plane_from_normal([0, bad, 1]),
    "plane, tip": lambda bad: plane_from_rotations([("x", bad)]),
    "plane, through": lambda bad: plane_through([0, 0, 0], [1, bad, 0], [0, 1, 0]),
    "repeat, step": lambda bad: circular_pattern(plane_from_normal([0, 0, 1]), [0, 0, 0], 2, bad),
    "repeat, origin": lambda bad: circular_pattern(plane_from_normal([0, 0, 1]), [0, 0, bad], 2, 1.0),
    "aim, direction": lambda bad: aim(MILL, [0, 0, bad], [0, 0]),
    "aim, previous": lambda bad: aim(MILL, [0, 0, 1], [0, bad]),
    "aim, held": lambda bad: aim(MILL, [0, 0, 1], [0, 0], held_deg={"A": bad}),
    "aim, rotary offset": lambda bad: aim(MILL, [0, 0, 1], [0, 0], rotary_offset_deg=[bad, 0]),
    "line up": lambda bad: angle_to_align(MILL, "C", [1, 0, 0], [1, 0, 0], [bad, 0]),
    "operation, angles": lambda bad: place_operations(SETUP, [Operation("o", program_deg=(0.0, bad))]),
    "operation, origin": lambda bad: Operation("o", program_deg=(0.0, 0.0), origin_mm=np.array([0, 0, bad])),
    "touched": lambda bad: compare_touch_off(SETUP, [0, bad, 0], [0, 0]),
    "touched, pose": lambda bad: compare_touch_off(SETUP, [0, 0, 0], [0, bad]),
}  # fmt: skip


@pytest.mark.parametrize("bad", [NAN, INF, -INF], ids=str)
@pytest.mark.parametrize("what", NOT_FINITE)
def test_nan_and_infinity(what, bad):
    """Refused, and by name: no warning on the way, no NaN in an answer."""
    with pytest.raises(KinematicsError, match=r"expected (finite|a direction)"):
        NOT_FINITE[what](bad)


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda: sincos_deg(1e13), "angle: expected finite degrees, 1e+12 at most, found 1e+13"),
        (lambda: rotation_about_axis([0, 0, 1e-12], 1.0), "direction: expected a direction, found one of length 1e-12"),
        (lambda: rotation_about_axis([1e200, 0, 0], 1.0), "direction: expected a direction, found one too long"),
        (lambda: rotation_about_axis([0, 0], 1.0), "direction: expected a last axis of 3 numbers, found shape (2,)"),
        (lambda: rotation_about_axis("up", 1.0), "direction: expected numbers, found 'up'"),
        (lambda: Pose(2.0 * np.eye(3), [0, 0, 0]), "of length 1, found them off by 3"),
        (lambda: Pose(np.diag([1, 1, -1]), [0, 0, 0]), "expected a right-handed one, found a mirror image"),
        (lambda: Pose(np.eye(3)[0], [0, 0, 0]), "rotation: expected shape (..., 3, 3), found (3,)"),
        (
            lambda: Pose(np.stack([np.eye(3)] * 2), np.zeros((3, 3))),
            "pose: expected leading shapes that broadcast, found rotation (2, 3, 3) and translation (3, 3)",
        ),
        (lambda: RotaryAxis("U", *FLAT), "rotary letter: expected A, B or C, found 'U'"),
        (
            lambda: RotaryAxis("A", [0, 0, 0], [1, 0, 0], "clockwise", None),
            "rotary A, positive_turn: expected a RotationSense, found 'clockwise'",
        ),
        (
            lambda: RotaryAxis("B", *FLAT[:3], (30.0, -120.0)),
            "rotary B, limits: expected the lower end first, found 30 to -120 degrees",
        ),
        (lambda: RotaryAxis("A", np.zeros((2, 3)), *FLAT[1:]), "rotary A, point: expected shape (3,), found (2, 3)"),
        (lambda: RotaryAxis("A", [0, 0, 0], [0, 0, 0], *FLAT[2:]), "rotary A, direction: expected a direction"),
        (lambda: Platter(diameter_mm=0.0), "platter, diameter: expected more than 0, found 0"),
        (lambda: Platter(diameter_mm=-5.0), "platter, diameter: expected more than 0, found -5"),
        (lambda: Travel([0, 0, 0], [1, -1, 1]), "travel: expected the lower end first"),
        (lambda: Machine("m", (), Platter()), "machine: expected at least one rotary, found none"),
        (
            lambda: Machine("m", (MILL.rotaries[0],) * 2, Platter()),
            "machine: expected every rotary's letter once, found A, A",
        ),
        (
            lambda: Machine("m", MILL.rotaries, Platter()),
            "platter, face: expected the machine Z of the platter's face (rotary C stands upright), found none",
        ),
        (
            lambda: Machine("m", MILL.rotaries, Platter(0.0, normal=[0, 0, -1])),
            "platter, normal: expected a direction away from the platter, found [0.0, 0.0, -1.0]",
        ),
        (lambda: MILL.index("B"), "rotary: expected one of A, C, found 'B'"),
        (lambda: SETUP.aligned("B"), "rotary: expected one of A, C, found 'B'"),
        (
            lambda: transform_points(MILL, [0, 0, 0], [0, 0, 0]),
            "angles (A, C): expected a last axis of 2 numbers, found shape (3,)",
        ),
        (lambda: transform_points(MILL, [0, 0, 0], 5.0), "angles (A, C): expected a last axis of 2 numbers, found shape ()"),
        (lambda: SETUP.work_offset([0, 0], [0, 0]), "origin: expected a last axis of 3 numbers"),
        (lambda: rotation_from_intrinsic([("Z", 1.0)]), "turn: expected an axis x, y or z, found 'Z'"),
        (lambda: orientation_angles(np.eye(3), "zz"), "order: expected three of x, y, z, neighbours different"),
        (lambda: orientation_angles(np.eye(3), "zzx"), "neighbours different, found 'zzx'"),
        (lambda: orientation_angles(1.1 * np.eye(3)), "rotation: expected rows square to each other"),
        (lambda: equivalent_angles_deg(0.0, 1.0, -1.0), "limits: expected the lower end first, found 1.0 to -1.0 degrees"),
        (lambda: plane_from_normal([0, 0, 0]), "normal: expected a direction, found one of length 0"),
        (lambda: plane_from_normal(np.eye(3)), "normal: expected shape (3,), found (3, 3)"),
        (lambda: Plane([0, 0, 1], [0, 1, 1]), "plane x: expected one square to the normal, found 0.707 along it"),
        (lambda: plane_through([0, 0, 0], [1, 1, 1], [3, 3, 3]), "expected three points that span a plane"),
        (lambda: plane_through([1, 0, 0], [1, 0, 0], [3, 3, 3]), "expected three points that span a plane"),
        (
            lambda: plane_through([100, 0, 0], [200, 0, 0], [300, 1e-6, 0]),
            "through: expected three points that span a plane, found them in a line",
        ),
        (lambda: circular_pattern(plane_from_normal([0, 0, 1]), [0, 0, 0], 0, 1.0), "repeat, count: expected a whole number, 1 or more"),
        (lambda: Operation("o"), "o: expected either rotary angles or a plane"),
        (
            lambda: Operation("o", program_deg=(0.0, 0.0), plane=plane_from_normal([0, 0, 1])),
            "o: expected either rotary angles or a plane",
        ),
        (lambda: Operation("o", program_deg=(0.0, 0.0), count=0), "o, repeat: expected a whole number, 1 or more, found 0"),
        (
            lambda: orientation_solutions(MILL, [0, 0, 1], [0, 0], {"A": 0.0, "C": 0.0}),
            "held: expected at least one rotary left to move, found every one held",
        ),
        (lambda: orientation_solutions(MILL, [0, 0, 1], [0, 0], {"B": 0.0}), "rotary: expected one of A, C, found 'B'"),
        (lambda: orientation_solutions(MILL, [0, 0, 0], [0, 0]), "direction: expected a direction"),
        (lambda: place_operations(SETUP, [Operation("o", program_deg=(0.0,))]), "angles (A, C): expected a last axis of 2"),
    ],
)  # fmt: skip
def test_words(ask, words):
    with pytest.raises(KinematicsError) as refused:
        ask()
    assert words in str(refused.value)
    assert isinstance(refused.value, ValueError)


def test_a_pose_a_millimetre_bent_in_a_kilometre_is_refused_a_rounded_one_is_not():
    bent = np.eye(3)
    bent[0, 1] = 2e-9
    with pytest.raises(KinematicsError, match="off by 2e-09"):
        Pose(bent, [0, 0, 0])
    bent[0, 1] = 1e-12
    assert Pose(bent, [0, 0, 0]).rotation[0, 1] == 1e-12


def test_an_indexer_needs_no_face_and_one_rotary_is_enough():
    for letter, along in (("A", [1, 0, 0]), ("B", [0, 1, 0]), ("A", [0.9, 0.1, 0.4])):
        assert Machine("indexer", (RotaryAxis(letter, [0, 0, 0], along, *FLAT[2:]),), Platter()).letters == (
            letter,
        )
