"""Wrong shapes and types are refused where they are handed in: `KinematicsError`, with expected and found.

No error of numpy's, no `TypeError` and no `IndexError` leaves the library.
"""

import importlib
import inspect

import numpy as np
import pytest
from samples import square_machine

from kinematics import (
    IDENTITY,
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
    assign_work_offsets,
    circular_pattern,
    common_perpendicular,
    compare_touch_off,
    cumulative_frames,
    equivalent_angles_deg,
    is_horizontal,
    orientation_angles,
    place_operations,
    plane_from_normal,
    plane_from_rotations,
    plane_through,
    platter_above_tilt_mm,
    rotation_about_axis,
    rotation_from_intrinsic,
    sincos_deg,
    stack_pose,
    table_frame,
    table_pose,
    transform_points,
    translation,
    work_offset_code,
    wrap_deg,
)
from kinematics.calibration import fit_pivots
from kinematics.reach import CollisionModel, StepBody, rotary_margins
from kinematics.teaching import solve_by_matrices, solve_by_trigonometry

MILL = square_machine()
SETUP = Setup.from_stack(MILL, [])
TOP = plane_from_normal([0, 0, 1])
A, C = MILL.rotaries
RAGGED = [[0, 0, 1], [0, 1]]

REFUSED = [
    (lambda: aim(MILL, [0, 1], [0, 0]), "direction: expected a last axis of 3 numbers, found shape (2,)"),
    (lambda: aim(MILL, "up", [0, 0]), "direction: expected numbers, found 'up'"),
    (lambda: aim(MILL, None, [0, 0]), "direction: expected numbers, found None"),
    (lambda: aim(MILL, RAGGED, [0, 0]), "direction: expected numbers, found [[0, 0, 1], [0, 1]]"),
    (lambda: aim(MILL, [0, 0, 1j], [0, 0]), "direction: expected numbers, found [0, 0, 1j]"),
    (lambda: aim(MILL, ["0", "0", "1"], [0, 0]), "direction: expected numbers"),
    (lambda: aim(MILL, [0, 0, None], [0, 0]), "direction: expected numbers"),
    (lambda: aim(MILL, [0, 0, float("nan")], [0, 0]), "direction: expected finite numbers"),
    (lambda: aim(MILL, [0, 0, 1], [0]), "angles (A, C): expected a last axis of 2 numbers, found shape (1,)"),
    (lambda: aim(MILL, np.ones((4, 3)), np.zeros((3, 2))), "aim: expected leading shapes that broadcast"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], tilt="up"), 'aim, tilt: expected "positive", "negative" or None'),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], held_deg=[0.0]), "held: expected a mapping"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], held_deg={"A": "0"}), "held, A: expected a number, found '0'"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], held_deg={3: 0.0}), "rotary: expected one of A, C, found 3"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], tolerance_deg=-1.0), "aim, tolerance: expected 0 or more, found -1"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], tolerance_deg=[1.0]), "aim, tolerance: expected a number"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0], rotary_offset_deg=np.zeros((2, 2))), "rotary offsets: expected shape (2,)"),
    (lambda: aim("mill", [0, 0, 1], [0, 0]), "machine: expected a Machine, found 'mill'"),
    (lambda: aim(MILL, [[0, 0, 1]], [0, 0]).solutions, "aim, solutions: expected one direction, found leading shape (1,)"),
    (lambda: aim(MILL, [[0, 0, 1]], [0, 0])[1], "aim: expected indices into shape (1,), found 1"),
    (lambda: aim(MILL, [0, 0, 1], [0, 0])[0], "aim: expected several directions to choose from, found one"),
    (lambda: angle_to_align(MILL, "C", np.eye(3), [1, 0, 0], [0, 0]), "direction: expected shape (3,), found (3, 3)"),
    (lambda: angle_to_align(MILL, "C", [1, 0, 0], [1, 0, 0], np.zeros((2, 2))), "angles: expected shape (2,)"),
    (lambda: Operation("o", plane=[0, 0, 1]), "o, plane: expected a Plane, found [0, 0, 1]"),
    (lambda: Operation("o", plane=TOP, count="3"), "o, repeat: expected a whole number, 1 or more, found '3'"),
    (lambda: Operation("o", plane=TOP, count=2.0), "o, repeat: expected a whole number, 1 or more, found 2.0"),
    (lambda: Operation("o", plane=TOP, count=True), "o, repeat: expected a whole number, 1 or more, found True"),
    (lambda: Operation("o", plane=TOP, step_deg="9"), "o, step: expected a number, found '9'"),
    (lambda: Operation("o", plane=TOP, tilt="up"), 'o, tilt: expected "positive", "negative" or None'),
    (lambda: Operation("o", plane=TOP, held_deg=[1]), "o, held: expected a mapping of letters to degrees, found [1]"),
    (lambda: Operation("o", plane=TOP, held_deg={"A": None}), "o, held A: expected a number, found None"),
    (lambda: Operation("o", plane=TOP, when_singular="stay"), 'o, when singular: expected "keep" or "line up x"'),
    (lambda: Operation("o", plane=TOP, origin_mm=np.zeros((2, 3))), "o, origin: expected shape (3,), found (2, 3)"),
    (lambda: Operation("o", plane=TOP, work_offset="G54"), "o, work offset: expected a whole number"),
    (lambda: Operation("o", program_deg="A0"), "o, angles: expected a list of degrees, found 'A0'"),
    (lambda: Operation("o", program_deg=(0.0, None)), "o, angles: expected a number, found None"),
    (lambda: Operation(7, plane=TOP), "operation, name: expected a str, found 7"),
    (lambda: place_operations(SETUP, Operation("o", plane=TOP)), "place operations: expected a list of operations"),
    (lambda: place_operations(SETUP, ["o"]), "place operations: expected an Operation, found 'o'"),
    (lambda: place_operations(MILL, []), "place operations, setup: expected a Setup"),
    (lambda: place_operations(SETUP, [Operation("o", plane=TOP, held_deg={"B": 0.0})]), "rotary: expected one of A, C"),
    (lambda: Machine("m", A, Platter(0.0)), "machine, rotaries: expected a list of RotaryAxis"),
    (lambda: Machine("m", [], Platter(0.0)), "machine: expected at least one rotary, found none"),
    (lambda: Machine("m", ["A"], Platter(0.0)), "machine, rotaries: expected a RotaryAxis, found 'A'"),
    (lambda: Machine("m", MILL.rotaries, 0.0), "machine, platter: expected a Platter, found 0.0"),
    (lambda: Machine("m", MILL.rotaries, Platter(0.0), travel=[0, 1]), "machine, travel: expected a Travel"),
    (lambda: MILL["B"], "rotary: expected one of A, C, found 'B'"),
    (lambda: MILL[0], "rotary: expected one of A, C, found 0"),
    (lambda: RotaryAxis(["A"], [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None), "rotary letter: expected A, B or C"),
    (lambda: RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, 30.0), "rotary A, limits: expected a last axis of 2"),
    (lambda: RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None, "0"), "rotary A, zero: expected a number"),
    (lambda: A.pose_at("90"), "rotary A, angle: expected numbers, found '90'"),
    (lambda: A.equivalent_angles_deg([1.0, 2.0]), "rotary A, angle: expected a number, found [1.0, 2.0]"),
    (lambda: A.move_deg(None, 3.0), "rotary A, angle: expected numbers, found None"),
    (lambda: common_perpendicular(A, "C"), "second rotary: expected a RotaryAxis, found 'C'"),
    (lambda: Platter(face_mm="0"), "platter, face: expected a number, found '0'"),
    (lambda: Platter(diameter_mm=[160]), "platter, diameter: expected a number, found [160]"),
    (lambda: Travel([0, 0], [1, 1]), "travel, low end: expected a last axis of 3 numbers"),
    (lambda: ZReference("120"), "reference tool, length: expected a number, found '120'"),
    (lambda: ZReference(120.0).to_gauge_line_mm("0"), "z: expected numbers, found '0'"),
    (lambda: Setup.from_stack(MILL, ["plate"]), "stack: expected a StackStep, found 'plate'"),
    (lambda: Setup.from_stack(MILL, 20.0), "stack: expected a list of StackStep, found 20.0"),
    (lambda: Setup.from_stack("mill", []), "setup, machine: expected a Machine, found 'mill'"),
    (lambda: Setup(MILL, np.eye(4), [0, 0]), "setup, part in table: expected a Pose"),
    (lambda: Setup(MILL, Pose(np.eye(3), np.zeros((2, 3))), [0, 0]), "setup, part in table: expected one pose"),
    (lambda: Setup(MILL, SETUP.part_in_table, np.zeros((3, 2))), "setup, rotary offsets: expected shape (2,), found (3, 2)"),
    (lambda: SETUP.aligned("B"), "rotary: expected one of A, C, found 'B'"),
    (lambda: SETUP.aligned(None), "rotary: expected one of A, C, found None"),
    (lambda: SETUP.work_offset(np.zeros((4, 3)), np.zeros((3, 2))), "points: expected leading shapes that broadcast"),
    (lambda: SETUP.work_offset("zero", [0, 0]), "origin: expected numbers, found 'zero'"),
    (lambda: SETUP.machine_axes([0]), "angles (A, C): expected a last axis of 2 numbers, found shape (1,)"),
    (lambda: StackStep("s", up_mm="5"), "s, up: expected a number, found '5'"),
    (lambda: StackStep("s", shift_mm=3.0), "s, shift: expected a last axis of 2 numbers, found shape ()"),
    (lambda: StackStep("s", rotate=("x", 5.0)), "s, rotate: expected (axis, degrees), found 'x'"),
    (lambda: StackStep("s", rotate=[("w", 5.0)]), "s, rotate: expected an axis x, y or z, found 'w'"),
    (lambda: StackStep("s", rotate=[("x", "5")]), "s, rotate about x: expected a number, found '5'"),
    (lambda: StackStep("s", rotate="x5"), "s, rotate: expected a list of (axis, degrees), found 'x5'"),
    (lambda: stack_pose(None), "stack: expected a list of StackStep, found None"),
    (lambda: cumulative_frames([Pose(np.eye(3), [0, 0, 0])]), "stack: expected a StackStep"),
    (lambda: Plane("top"), "normal: expected numbers, found 'top'"),
    (lambda: plane_from_rotations([("z",)]), "turn: expected (axis, degrees), found ('z',)"),
    (lambda: plane_through([0, 0], [1, 0, 0], [0, 1, 0]), "through: expected a last axis of 3 numbers"),
    (lambda: circular_pattern([0, 0, 1], [0, 0, 0], 2, 90.0), "repeat, plane: expected a Plane, found [0, 0, 1]"),
    (lambda: circular_pattern(TOP, [0, 0, 0], "2", 90.0), "repeat, count: expected a whole number, 1 or more, found '2'"),
    (lambda: circular_pattern(TOP, [0, 0, 0], 2, [90.0]), "repeat, step: expected a number, found [90.0]"),
    (lambda: Pose("eye", [0, 0, 0]), "rotation: expected numbers, found 'eye'"),
    (lambda: Pose(np.eye(3), [0, 0, 0]).apply(np.zeros((2, 2))), "directions: expected a last axis of 3 numbers"),
    (lambda: translation("1"), "translation, x: expected a number, found"),
    (lambda: rotation_about_axis([0, 0, 1], "90"), "angle: expected numbers, found '90'"),
    (lambda: rotation_from_intrinsic(None), "turn: expected a list of (axis, degrees), found None"),
    (lambda: orientation_angles(np.zeros((2, 3, 3))), "rotation: expected shape (3, 3), found (2, 3, 3)"),
    (lambda: orientation_angles(np.eye(3), 313), "order: expected three of x, y, z, neighbours different, found 313"),
    (lambda: sincos_deg([1j]), "angle: expected numbers, found [1j]"),
    (lambda: wrap_deg(None), "angle: expected numbers, found None"),
    (lambda: equivalent_angles_deg([0.0, 1.0], -1.0, 1.0), "angle: expected one number, found shape (2,)"),
    (lambda: table_pose(None, [0, 0]), "machine: expected a Machine, found None"),
    (lambda: transform_points(MILL, RAGGED, [0, 0]), "point: expected numbers"),
    (lambda: compare_touch_off(SETUP, np.zeros((2, 3)), [0, 0]), "touched: expected shape (3,), found (2, 3)"),
    (lambda: compare_touch_off(SETUP, [0, 0, 0], np.zeros((2, 2))), "touched, angles: expected shape (2,)"),
    (lambda: work_offset_code("1"), "work offset: expected 1 to 9, found '1'"),
    (lambda: StackStep("s", up_mm=10**400), "expected finite numbers"),
    (lambda: StackStep("s", up_mm=[[1], [1, 2]]), "expected a number, found [[1], [1, 2]]"),
    (lambda: Machine("m", np.array(1.0), Platter()), "machine, rotaries: expected a list of RotaryAxis"),
    (lambda: stack_pose(np.array(1.0)), "stack: expected a list of StackStep"),
    (lambda: place_operations(SETUP, np.array(1.0)), "place operations: expected a list of operations"),
    (lambda: Operation("o", program_deg=np.array(1.0)), "o, angles: expected a list of degrees"),
    (lambda: Operation("o", plane=TOP, when_singular=np.arange(3)), 'o, when singular: expected "keep" or "line up x"'),
    (lambda: orientation_angles(np.eye(3), "zxz", moving=np.arange(3)), "moving: expected a bool"),
    (lambda: aim(MILL, [0, 1, 1], [0, 0]).reaches("x"), "aim, tolerance: expected a number, found 'x'"),
    (lambda: assign_work_offsets([1, 2]), "work offsets: expected the results of place_operations, found [1, 2]"),
    (lambda: assign_work_offsets(None), "work offsets: expected the results of place_operations, found None"),
    (lambda: table_frame("m"), "machine: expected a Machine, found 'm'"),
    (lambda: is_horizontal("A"), "rotary: expected a RotaryAxis, found 'A'"),
    (lambda: platter_above_tilt_mm(None), "machine: expected a Machine, found None"),
    (lambda: translation([1, 2]), "translation, x: expected a number, found [1, 2]"),
    (lambda: IDENTITY @ 3, "pose: expected a Pose, found 3"),
    (lambda: fit_pivots([1, 2], MILL), "readings: expected a Readings, found [1, 2]"),
    (lambda: solve_by_matrices(None, None, None), "setup: expected a Setup, found None"),
    (lambda: solve_by_trigonometry(SETUP, "x", []), "placed: expected a PlacedOperation, found 'x'"),
    (lambda: CollisionModel("s", (), (), (), (), ()), "setup: expected a Setup, found 's'"),
    (lambda: CollisionModel(SETUP, None, (), (), (), ()), "steps: expected a list, found None"),
    (lambda: StepBody(5), "section: expected a Section, found 5"),
    (lambda: rotary_margins("m", None), "model: expected a CollisionModel, found 'm'"),
    (lambda: Operation("o", program_deg=(0, 0), count=3), "o, step: expected degrees from one repeat to the next, found 0"),
]  # fmt: skip


@pytest.mark.parametrize(("ask", "words"), REFUSED, ids=[words for _, words in REFUSED])
def test_refused_with_expected_and_found(ask, words):
    with pytest.raises(KinematicsError) as refused:
        ask()
    assert words in str(refused.value)


def test_lists_become_tuples():
    operation = Operation("o", program_deg=[0, np.float64(5.0)], held_deg={"A": 3})
    assert operation.program_deg == (0.0, 5.0)
    assert dict(operation.held_deg) == {"A": 3.0}
    step = StackStep("s", shift_mm=[1, 2], rotate=[["x", 5]])
    assert (step.shift_mm, step.rotate) == ((1.0, 2.0), (("x", 5.0),))
    assert Machine("m", list(MILL.rotaries), MILL.platter) == Machine("m", MILL.rotaries, MILL.platter)


def test_many_directions_are_aimed_at_once():
    found = aim(square_machine(limits=((-120.0, 30.0), None)), [[0, -1, 1], [1, 0, 1]], [0, 0])
    assert found.shape == (2,)
    assert found.feasible[:, 0].all()


def functions_of_values():
    """Exported functions of which an argument must be a value of the library's own classes."""
    for room in ("batch", "calibration", "reach", "teaching", "uncertainty"):
        package = importlib.import_module(f"kinematics.{room}")
        for name in package.__all__:
            function = getattr(package, name)
            if not inspect.isfunction(function):
                continue
            required = [p for p in inspect.signature(function).parameters.values() if p.default is p.empty]
            classes = vars(importlib.import_module(function.__module__))
            own = [classes.get(str(p.annotation)) for p in required]
            if any(inspect.isclass(one) and one.__module__.startswith("kinematics") for one in own):
                yield pytest.param(function, [p.name for p in required], id=f"{room}.{name}")


@pytest.mark.parametrize(("function", "required"), list(functions_of_values()))
@pytest.mark.parametrize("junk", [None, "x", 3.5])
def test_no_function_of_a_value_takes_another_thing_for_it(function, required, junk):
    with pytest.raises(KinematicsError, match="expected"):
        function(**dict.fromkeys(required, junk))
