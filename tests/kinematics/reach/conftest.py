"""A square A/C machine and a stack on it, for the tests to lay things out on."""

import numpy as np
import pytest

from kinematics import Machine, Platter, Rotary, Sense, Step, Travel, ZReference, set_up
from kinematics.reach.beam import Section
from kinematics.reach.cutting import HolderPart, Sweep, Tool
from kinematics.reach.layout import Layout, Stand, StepBody
from kinematics.reach.shapes import Round
from kinematics.reach.solid import SPINDLE_NOSE, Solid

TRAVEL = Travel([-400.0, -300.0, -100.0], [400.0, 300.0, 500.0])


GAUGE_LINE, POST, ROUND_60 = ZReference(), (Step("post", 100.0),), Section(diameter_mm=60.0)


def mill(z_reference=GAUGE_LINE, travel=TRAVEL):
    """Both rotary lines cross at the machine zero; the platter's face is there too."""
    c = Rotary("C", [0, 0, 0], [0, 0, 1], Sense.CLOCKWISE, None)
    lift = z_reference.tool_length_mm or 0.0
    a = Rotary("A", [0, 0, lift], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    return Machine("mill", (a, c), Platter(face_mm=lift, diameter_mm=160.0), travel, z_reference)


TOOL = Tool("end mill", 100.0, 10.0, (HolderPart(60.0, 50.0),))
NOSE = Solid("spindle nose", Round([0, 0, 0], [0, 0, 80.0], 90.0), SPINDLE_NOSE)


def layout(
    stands,
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
    return Layout(set_up(machine, steps), steps, bodies, tuple(solids), spindle, tuple(stands), **more)


def stand(name="op", at=(0.0, 0.0), origin=(0.0, 0.0, 0.0), tool=TOOL, sweep=None, force=None):
    return Stand(name, np.array(at), np.array(origin), tool, sweep or Sweep.nowhere(), force)


class Lay:
    """What the tests lay out with."""

    mill = staticmethod(mill)
    layout = staticmethod(layout)
    stand = staticmethod(stand)
    tool = TOOL
    nose = NOSE


@pytest.fixture(scope="session")
def lay():
    return Lay
