"""Every public value can be copied and pickled, and the copy is equal, and as frozen as what it was made from."""

import copy
import dataclasses
import inspect
import pickle

import numpy as np
import pytest

import kinematics
import kinematics.calibration
import kinematics.reach
from kinematics import (
    IndexDirection,
    IndexRule,
    KinematicsError,
    Machine,
    Nest,
    NestConflict,
    Operation,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    Travel,
    ZReference,
    aim,
    allocate_loaders,
    assign_work_offsets,
    common_perpendicular,
    compare_touch_off,
    least_motion_order,
    nest_stacks,
    offsets_of_parts,
    orientation_angles,
    place_operations,
    plane_from_normal,
)
from kinematics.validation import ValueEquality

A = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120, 30))
C = RotaryAxis(
    "C",
    [0, 0, 0],
    [0, 0, 1],
    RotationSense.CLOCKWISE,
    None,
    0.0,
    IndexDirection(IndexRule.SHORT_WAY, "positive"),
)
MILL = Machine(
    "mill",
    (A, C),
    Platter(face_mm=0.0, normal=[0, 1e-4, 1]),
    Travel([-300, -300, -300], [300, 300, 300]),
    ZReference(100.0),
)
SETUP = Setup.from_stack(MILL, [StackStep("post", up_mm=100.0)])
PORT = Operation("port", plane=plane_from_normal([0, 1, 0]), held_deg={"C": 0.0})
PLACEMENT = place_operations(SETUP, [PORT, Operation("under", plane=plane_from_normal([0, 0, -1]))])
AIM = aim(MILL, [0, 1, 1], [0, 0])
OUT_OF_REACH = PLACEMENT.unreachable[0]
VALUES = [
    A,
    C.index_direction,
    MILL,
    MILL.platter,
    MILL.travel,
    MILL.z_reference,
    SETUP,
    StackStep("post", up_mm=100.0),
    PORT,
    PORT.plane,
    PLACEMENT,
    PLACEMENT.placed[0],
    OUT_OF_REACH,
    OUT_OF_REACH.violations[0],
    AIM,
    AIM.solutions[0],
    Pose(np.eye(3), [1, 2, 3]),
    common_perpendicular(A, C),
    compare_touch_off(SETUP, [0, 0, 100], [0, 0]),
    assign_work_offsets(PLACEMENT.results),
    orientation_angles(np.eye(3), "zxz"),
    Nest("left", None, [StackStep("vice", up_mm=60.0)]),
    nest_stacks([], [Nest("left", None, [StackStep("vice", up_mm=60.0)])])[0][0],
    offsets_of_parts(SETUP, [[0, 0, 0]], [[0, 0]], [[0, 0, 100.1]], [0, 0]),
    allocate_loaders([PLACEMENT.results], [[(0, 0), (0, 1)]], nest_by_nest=True),
    NestConflict(1, (0, 0), (1, 0)),
    least_motion_order([[0, 1], [1, 0]]),
]


def public_values():
    """The public frozen classes of the core."""
    return {
        one for one in vars(kinematics).values() if inspect.isclass(one) and dataclasses.is_dataclass(one)
    }


def assert_frozen(value):
    if isinstance(value, np.ndarray):
        assert not value.flags.writeable
    elif isinstance(value, tuple):
        for item in value:
            assert_frozen(item)
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            assert_frozen(getattr(value, field.name))


@pytest.mark.parametrize("value", VALUES, ids=lambda value: type(value).__name__)
@pytest.mark.parametrize("again", [copy.deepcopy, copy.copy, lambda value: pickle.loads(pickle.dumps(value))])
def test_a_copy_is_equal_and_frozen(value, again):
    copied = again(value)
    assert copied == value
    assert hash(copied) == hash(value)
    assert_frozen(copied)


def test_every_public_value_with_arrays_is_copied_by_the_same_rule():
    """Whoever holds an array derives from the base that locks it again: a plain frozen dataclass would not."""
    holding = {
        one for one in public_values() if any("NDArray" in str(f.type) for f in dataclasses.fields(one))
    }
    assert len(holding) > 10
    assert {one.__name__ for one in holding if not issubclass(one, ValueEquality)} == set()
    assert all(one.__dataclass_params__.frozen for one in public_values())


def test_a_frozen_mapping_cannot_be_written_to():
    with pytest.raises(TypeError):
        PORT.held_deg["C"] = 1.0
    assert dict(copy.deepcopy(PORT).held_deg) == {"C": 0.0}
    assert issubclass(KinematicsError, ValueError)
