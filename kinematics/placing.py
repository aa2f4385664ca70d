"""Placing operations: the angles, the work offset and what X, Y and Z mean there, one operation after the other.

The way to the next depends on where the last one stood.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.aiming import Aim, Solution
from kinematics.arrays import frozen
from kinematics.bringing import to_line_up
from kinematics.errors import KinematicsError
from kinematics.nearly import aim_within
from kinematics.offset import Setup, plane_axes, work_offset
from kinematics.operation import AIM_WITHIN_DEG, Operation, Placed, Placement, Unreached
from kinematics.plane import Plane, repeated

__all__ = ["place"]

_ALIKE_DEG = 1.0
"""A pattern that stands like its first is out by what the lines are out of square; the other tilt by half a turn."""


def place(setup: Setup, operations: Iterable[Operation], aim_within_deg: float = AIM_WITHIN_DEG) -> Placement:
    """How operations stand on the machine, one after the other.

    The first comes from program zero, each next one from where the last one stood; the least motion wins.

    Parameters
    ----------
    setup : Setup
    operations : iterable of Operation
    aim_within_deg : float
        How far a direction may stay from the spindle and still count as reached.

    Returns
    -------
    Placement

    Raises
    ------
    KinematicsError
        When stated angles lie outside a rotary's limits, or a held rotary does not exist.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.offset import set_up
    >>> from kinematics.plane import plane_from_normal
    >>> from kinematics.rotary import Rotary, Sense
    >>> from kinematics.stack import Step
    >>> a = Rotary("A", [0, 0, -50], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    >>> c = Rotary("C", [0, 0, 0], [0, 0, 1], Sense.CLOCKWISE, None)
    >>> setup = set_up(Machine("mill", (a, c), Platter(face_mm=0.0)), [Step("post", up_mm=100.0)])
    >>> port = Operation("port", plane=plane_from_normal([0, 1, 0]), count=4, step_deg=90.0)
    >>> for at in place(setup, [port]).placed:
    ...     print(at.name, at.program_deg.round(6).tolist(), at.offset_mm.round(6).tolist())
    port 1 [-90.0, 0.0] [0.0, -150.0, -50.0]
    port 2 [-90.0, 90.0] [0.0, -150.0, -50.0]
    port 3 [-90.0, 180.0] [0.0, -150.0, -50.0]
    port 4 [-90.0, 270.0] [0.0, -150.0, -50.0]
    """
    results: list[Placed | Unreached] = []
    previous = _start(setup)
    for number, operation in enumerate(operations):
        for asked, work_number, alike in _expand(setup, operation):
            found = _place_one(setup, asked, number, work_number, previous, aim_within_deg, alike=alike)
            results.append(found)
            if isinstance(found, Placed):
                previous = found.machine_deg
    return Placement(tuple(results))


def _start(setup: Setup) -> NDArray[np.float64]:
    """Program zero, or the limit nearest to it."""
    start = setup.machine_deg(np.zeros(len(setup.machine.rotaries)))
    for i, rotary in enumerate(setup.machine.rotaries):
        if rotary.limits_deg is not None:
            start[i] = np.clip(start[i], *rotary.limits_deg)
    return start


def _expand(setup: Setup, operation: Operation) -> list[tuple[Operation, int | None, bool]]:
    """The operation once for each repeat, its work offset number, and whether it must stand like the first."""
    numbers = [
        None if operation.work_offset is None else operation.work_offset + k for k in range(operation.count)
    ]
    if operation.count == 1:
        return [(operation, numbers[0], False)]
    plane = operation.plane
    if plane is None:
        axes = plane_axes(setup, setup.machine_deg(operation.program_deg or ()))
        plane = Plane(axes[2], axes[0])
    pattern = repeated(plane, operation.origin_mm, operation.count, operation.step_deg)
    expanded = []
    for k, (turned, origin) in enumerate(pattern):
        one = replace(operation, name=operation.names[k], origin_mm=origin, count=1)
        # The first of a pattern of stated angles keeps them; the others are found from how it stands.
        if operation.plane is not None:
            one = replace(one, plane=turned)
        elif k > 0:
            one = replace(one, program_deg=None, plane=turned, when_free="line up x")
        expanded.append((one, numbers[k], operation.plane is None))
    return expanded


def _place_one(
    setup: Setup,
    operation: Operation,
    number: int,
    work_number: int | None,
    previous: NDArray[np.float64],
    aim_within_deg: float,
    *,
    alike: bool,
) -> Placed | Unreached:
    if operation.program_deg is not None:
        return _placed(setup, operation, number, work_number, _stated_angles(setup, operation))
    assert operation.plane is not None  # an Operation has angles or a plane
    part = setup.part_in_machine
    held = {letter: angle + _offset_of(setup, letter) for letter, angle in operation.held_deg.items()}

    def ways_with(stay: Mapping[str, float], *, free_too: bool = True) -> Aim:
        assert operation.plane is not None
        return aim_within(
            setup.machine,
            part.turn(operation.plane.normal),
            previous,
            aim_within_deg,
            held_deg={**held, **stay},
            tilt=operation.tilt,
            rotary_offset_deg=setup.rotary_offset_deg,
            free_too=free_too,
        )

    ways = ways_with({})
    if not ways.reaches(aim_within_deg):
        return Unreached(operation.name, number, work_number, ways)
    way = _choose(setup, operation.plane, ways, alike=alike)
    if operation.when_free == "line up x" and operation.plane.x is not None and ways.free:
        letter = ways.free[-1]
        lined_up = _lined_up(setup, letter, part.turn(operation.plane.x), np.array(way.machine_deg))
        if isinstance(lined_up, str):
            out = replace(ways, solutions=(replace(way, why_out=(lined_up,)),))
            return Unreached(operation.name, number, work_number, out)
        lined = replace(ways_with({letter: lined_up}), free=ways.free)
        # Lined up, it can miss by more than it may: then it is aimed as if that rotary mattered, as it does a little.
        ways = lined if lined.reaches(aim_within_deg) else ways_with({}, free_too=False)
        if not ways.reaches(aim_within_deg):
            return Unreached(operation.name, number, work_number, ways)
        way = ways.solutions[0]
    found = _placed(setup, operation, number, work_number, np.array(way.machine_deg))
    return replace(found, plane=operation.plane, free=ways.free, short_deg=way.short_deg, aim=ways)


def _stated_angles(setup: Setup, operation: Operation) -> NDArray[np.float64]:
    angles = setup.machine_deg(operation.program_deg or ())
    for rotary, angle in zip(setup.machine.rotaries, angles.tolist(), strict=True):
        if not rotary.within(angle):
            low, high = rotary.limits_deg or (0.0, 0.0)
            raise KinematicsError(
                f"{operation.name}: expected {rotary.letter} within {low:g} to {high:g}, found machine angle {angle:g}"
            )
    return angles


def _offset_of(setup: Setup, letter: str) -> float:
    return float(setup.rotary_offset_deg[setup.machine.index(letter)])


def _choose(setup: Setup, plane: Plane, ways: Aim, *, alike: bool) -> Solution:
    """The cheapest that fits; in a pattern of stated angles the cheapest that stands like its first."""
    fitting = [way for way in ways.solutions if way.fits]
    if alike and plane.x is not None:
        for way in fitting:
            along_x, along_y, _ = plane_axes(setup, way.machine_deg) @ plane.x
            if abs(np.degrees(np.arctan2(along_y, along_x))) < _ALIKE_DEG:
                return way
    return fitting[0]


def _lined_up(setup: Setup, letter: str, x: NDArray[np.float64], angles: NDArray[np.float64]) -> float | str:
    """The machine angle of a free rotary at which a direction lies along machine X; or why it cannot stand there."""
    machine = setup.machine
    turning = machine.index(letter)
    reached = to_line_up(machine, letter, x, [1.0, 0.0, 0.0], angles)
    fitting = machine.rotaries[turning].every_wrap_deg(reached, _offset_of(setup, letter))
    if not fitting.size:
        low, high = machine.rotaries[turning].limits_deg or (0.0, 0.0)
        return f"{letter} would stand at {reached:.4f} to line x up, its limits are {low:g} to {high:g}"
    return float(fitting[np.argmin(np.abs(fitting - angles[turning]))])


def _placed(
    setup: Setup, operation: Operation, number: int, work_number: int | None, angles: NDArray[np.float64]
) -> Placed:
    axes = plane_axes(setup, angles)
    return Placed(
        name=operation.name,
        operation=number,
        work_offset=work_number,
        machine_deg=frozen(angles + 0.0),
        program_deg=frozen(setup.program_deg(angles)),
        offset_mm=frozen(work_offset(setup, operation.origin_mm, angles)),
        origin_mm=operation.origin_mm,
        axes=frozen(axes),
        plane=Plane(axes[2]),
    )
