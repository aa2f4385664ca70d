"""A square A/C machine and a stack on it, for the tests to lay things out on."""

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense, Setup, StackStep, Travel, ZReference
from kinematics.reach.beam import Section
from kinematics.reach.collision_model import CollisionModel, OperationPose, StepBody
from kinematics.reach.shapes import SPINDLE_NOSE, Frustum, Solid
from kinematics.reach.tool_assembly import HolderPart, TipEnvelope, Tool

TRAVEL = Travel([-400.0, -300.0, -100.0], [400.0, 300.0, 500.0])


GAUGE_LINE, POST, ROUND_60 = ZReference(), (StackStep("post", 100.0),), Section(diameter_mm=60.0)


def mill(z_reference=GAUGE_LINE, travel=TRAVEL):
    """Both rotary lines cross at the machine zero; the platter's face is there too."""
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    lift = z_reference.tool_length_mm or 0.0
    a = RotaryAxis("A", [0, 0, lift], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    return Machine("mill", (a, c), Platter(face_mm=lift, diameter_mm=160.0), travel, z_reference)


TOOL = Tool("end mill", 100.0, 10.0, (HolderPart(60.0, 50.0),))
NOSE = Solid("spindle nose", Frustum([0, 0, 0], [0, 0, 80.0], 90.0), SPINDLE_NOSE)


def model(
    operations,
    solids=(),
    *,
    machine=None,
    steps=POST,
    section=ROUND_60,
    **more,
):
    bodies = tuple(StepBody(section) if section else None for _ in steps)
    machine = machine or mill()
    spindle = more.pop("spindle", (NOSE,))
    return CollisionModel(
        Setup.from_stack(machine, steps), steps, bodies, tuple(solids), spindle, tuple(operations), **more
    )


def operation(name="op", at=(0.0, 0.0), origin=(0.0, 0.0, 0.0), tool=TOOL, sweep=None, force=None):
    return OperationPose(name, np.array(at), np.array(origin), tool, sweep or TipEnvelope.nowhere(), force)


class Make:
    """Builders for the tests' models."""

    mill = staticmethod(mill)
    model = staticmethod(model)
    operation = staticmethod(operation)
    tool = TOOL
    nose = NOSE


@pytest.fixture(scope="session")
def make():
    return Make
