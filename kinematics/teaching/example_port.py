"""A small job that the room's examples are worked on: one port that two solutions bring to the spindle."""

from __future__ import annotations

import numpy as np

from kinematics.machine import Machine, Platter
from kinematics.operations import Operation, PlacedOperation
from kinematics.placement import place_operations
from kinematics.plane import plane_from_normal
from kinematics.rotary import RotaryAxis, RotationSense
from kinematics.work_offsets import Setup

__all__ = ["example_port"]


def example_port() -> tuple[Setup, tuple[PlacedOperation, ...]]:
    """The setup of a part that stands on the platter itself, and its one operation, placed.

    The mill has A under C; C runs through the machine's zero, where the platter's face is too, and A 50 mm below it. The
    port looks halfway up toward +Y. So A tilts by 45 degrees to either side: with C at zero, or half a turn on.

    Examples
    --------
    >>> setup, (port,) = example_port()
    >>> port.program_deg.round(6).tolist(), port.origin_mm.tolist()
    ([-45.0, 0.0], [5.0, 9.0, 0.0])
    >>> setup.work_offset(port.origin_mm, [0.0, 180.0]).round(6).tolist()   # half a turn on, before A tilts
    [-5.0, -9.0, 0.0]
    """
    a = RotaryAxis("A", np.array([0, 0, -50]), np.array([1, 0, 0]), RotationSense.CLOCKWISE, (-120.0, 120.0))
    c = RotaryAxis("C", np.array([0, 0, 0]), np.array([0, 0, 1]), RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), [])
    port = Operation("port", plane=plane_from_normal([0, 1, 1]), origin_mm=np.array([5.0, 9.0, 0.0]))
    return setup, place_operations(setup, [port]).placed
