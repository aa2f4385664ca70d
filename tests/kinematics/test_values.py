"""Values are frozen all through, and equal values compare and hash alike, arrays included."""

from dataclasses import FrozenInstanceError, fields, is_dataclass

import numpy as np
import pytest
from samples import square_machine

from kinematics import (
    Operation,
    Plane,
    Platter,
    Pose,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    TouchOff,
    Travel,
    aim,
    common_perpendicular,
    orientation_angles,
    place_operations,
    plane_from_normal,
)


def everything(shift=0.0):
    """One value of every kind, built anew; `shift` moves one number of each."""
    machine = square_machine(limits=((-120.0, 120.0 + shift), None))
    setup = Setup.from_stack(machine, [StackStep("post", up_mm=50.0 + shift)])
    port = Operation(
        "port",
        plane=plane_from_normal([0, -1, 2 + shift]),
        origin_mm=[0.0, -18.0, 0.0],
        held_deg={"C": shift},
    )
    side = Operation("side", plane=plane_from_normal([0, -1, 2]), origin_mm=[shift, 0.0, 0.0])
    placed = place_operations(setup, [side]).results[0]
    return [
        Pose(np.eye(3), [shift, 0.0, 1.0]),
        RotaryAxis("A", [0, 0, shift], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0)),
        Travel([0.0, 0.0, 0.0], [1.0, 1.0, 1.0 + shift]),
        Platter(face_mm=1.0, normal=[0.0, shift, 1.0]),
        machine,
        setup,
        Plane([0, 0, 1], [1, shift, 0]),
        port,
        placed,
        StackStep("post", shift_mm=(shift, 0.0)),
        TouchOff(np.array([shift, 0.0, 0.0]), np.zeros(3)),
        common_perpendicular(
            RotaryAxis("A", [0, 0, shift], [1, 0, 0], RotationSense.CLOCKWISE, None), machine["C"]
        ),
        aim(machine, [[0, -1, 2], [1, 0, 1 + shift]], [0, 0]),
        orientation_angles(Plane([0, 0, 1]).normal[:, None] * np.zeros(3) + np.eye(3)),
    ]


KINDS = [type(value).__name__ for value in everything()]


@pytest.mark.parametrize("kind", range(len(KINDS)), ids=KINDS)
def test_equal_values_compare_and_hash_alike(kind):
    one, again, other = everything()[kind], everything()[kind], everything(0.25)[kind]
    assert one is not again
    assert one == again
    assert hash(one) == hash(again)
    assert len({one, again}) == 1
    assert one != "something else"
    if KINDS[kind] != "OrientationAngles":
        assert one != other


@pytest.mark.parametrize("kind", range(len(KINDS)), ids=KINDS)
def test_nothing_of_a_value_can_be_changed(kind):
    def check(value):
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable
        elif is_dataclass(value):
            for field in fields(value):
                with pytest.raises(FrozenInstanceError):
                    setattr(value, field.name, None)
                check(getattr(value, field.name))
        elif isinstance(value, tuple):
            for one in value:
                check(one)
        elif hasattr(value, "items"):
            with pytest.raises(TypeError):
                value["A"] = 1.0

    check(everything()[kind])


def test_minus_zero_is_zero_and_shapes_count():
    assert Pose(np.eye(3), [0.0, 0.0, 0.0]) == Pose(np.eye(3), [-0.0, 0.0, 0.0])
    assert hash(Pose(np.eye(3), [0.0, 0.0, 0.0])) == hash(Pose(np.eye(3), [-0.0, 0.0, 0.0]))
    assert Pose(np.eye(3), [0.0, 0.0, 0.0]) != Pose(np.eye(3), [[0.0, 0.0, 0.0]])
    held = [
        Operation("o", program_deg=(0.0,), held_deg=order) for order in ({"A": 1, "C": 2}, {"C": 2, "A": 1})
    ]
    assert held[0] == held[1]
    assert hash(held[0]) == hash(held[1])
