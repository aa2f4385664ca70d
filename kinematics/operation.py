"""Operations: what is asked of the part, and how it then stands on the machine.

An `Operation` names either rotary angles or a plane of the part; `place` finds the angles, the work offset and
what X, Y and Z mean there, one operation after the other, since the way to the next depends on the last.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.aiming import Aim, Solution, TiltSign, aim, to_line_up
from kinematics.angles import SNAP_DEG
from kinematics.arrays import frozen, last_axis
from kinematics.errors import KinematicsError
from kinematics.offset import Setup, plane_axes, work_offset
from kinematics.plane import Plane, repeated

__all__ = ["AIM_WITHIN_DEG", "Operation", "Placed", "Placement", "Unreached", "WhenFree", "place"]

WhenFree = Literal["keep", "line up x"]

AIM_WITHIN_DEG = 0.01
"""Rotaries that are not quite square cannot bring their own platter's normal quite to the spindle: this much is
let pass and shown. 0.01 degrees are 0.017 mm in 100 mm."""

_ALIKE_DEG = 1e-6


@dataclass(frozen=True, eq=False)
class Operation:
    """What is asked: one orientation of the part and the origin that its program uses.

    Attributes
    ----------
    name : str
    program_deg : tuple of float or None
        Rotary angles as programmed, from the base outward; or
    plane : Plane or None
        the plane that must face the spindle. Exactly one of both.
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    count, step_deg : int, float
        The same again, turned about the part's z.
    work_offset : int or None
        Its number, 1 to 9 (of the first, when repeated); None leaves the choice open.
    tilt : "positive", "negative" or None
        The sign that the tilt's program angle must have.
    held_deg : mapping of letter to program angle
        Rotaries that must stand there.
    when_free : "keep" or "line up x"
        What a rotary whose angle does not matter does: stay, or turn the plane's x into line with machine X.
    """

    name: str
    program_deg: tuple[float, ...] | None = None
    plane: Plane | None = None
    origin_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    count: int = 1
    step_deg: float = 0.0
    work_offset: int | None = None
    tilt: TiltSign | None = None
    held_deg: Mapping[str, float] = field(default_factory=dict)
    when_free: WhenFree = "keep"

    def __post_init__(self) -> None:
        if (self.program_deg is None) == (self.plane is None):
            raise KinematicsError(f"{self.name}: expected either rotary angles or a plane")
        if self.count < 1:
            raise KinematicsError(f"{self.name}, repeat: expected a count of 1 or more, found {self.count}")
        object.__setattr__(self, "origin_mm", frozen(last_axis(self.origin_mm, 3, f"{self.name}, origin")))

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all that it stands for: "port 1", "port 2", ... where it is repeated."""
        if self.count == 1:
            return (self.name,)
        return tuple(f"{self.name} {k}" for k in range(1, self.count + 1))


@dataclass(frozen=True, eq=False)
class Placed:
    """How one operation stands on the machine.

    Attributes
    ----------
    name : str
    operation : int
        Which of the operations asked for it belongs to, from 0.
    work_offset : int or None
        The number that was asked for.
    machine_deg, program_deg : ndarray, shape (n,)
        Rotary angles, from the base outward.
    offset_mm : ndarray, shape (3,)
        X, Y, Z of the work offset: machine coordinates of the origin.
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    axes : ndarray, shape (3, 3)
        Rows: machine X, Y, Z in part coordinates.
    plane : Plane
        What faces the spindle.
    free : tuple of str
        Rotaries whose angle does not matter here.
    short_deg : float
        How far the plane's normal stays from the spindle (within what was let pass).
    aim : Aim or None
        Every way there; None where the angles were given.
    """

    name: str
    operation: int
    work_offset: int | None
    machine_deg: NDArray[np.float64]
    program_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    origin_mm: NDArray[np.float64]
    axes: NDArray[np.float64]
    plane: Plane
    free: tuple[str, ...] = ()
    short_deg: float = 0.0
    aim: Aim | None = None

    @property
    def plane_x_deg(self) -> float | None:
        """How far the plane's own x stands turned from machine X; None where the plane has no x of its own.

        Degrees, counterclockwise seen from the spindle, -180 to 180.
        """
        if self.plane.x is None:
            return None
        along_x, along_y, _ = self.axes @ self.plane.x
        turned = float(np.degrees(np.arctan2(along_y, along_x)))
        # Rounding must not make a half turn read -180 at one port and 180 at the next.
        if turned < -180.0 + SNAP_DEG:
            return 180.0
        return 0.0 if abs(turned) < SNAP_DEG else turned


@dataclass(frozen=True, eq=False)
class Unreached:
    """An operation that the machine cannot stand for.

    Attributes
    ----------
    name : str
    operation : int
    aim : Aim
        What was tried: the nearest poses, how many degrees short, and why each is out.
    """

    name: str
    operation: int
    aim: Aim

    @property
    def why(self) -> str:
        """The reason in words, with the nearest pose that can be had."""
        reasons = [reason for solution in self.aim.solutions for reason in solution.why_out]
        if self.aim.short_deg > 0.0:
            nearest = self.aim.solutions[0].machine_deg
            short = (
                f"its direction stays {self.aim.short_deg:.4f} degrees from the spindle at best "
                f"(machine angles {', '.join(f'{angle:.4f}' for angle in nearest)})"
            )
            # Slightly off square, a direction is always a little short; what stops it may yet be a limit.
            reasons = [short, *reasons] if self.aim.best is None else [short]
        return "; ".join(reasons)


@dataclass(frozen=True)
class Placement:
    """Every operation, repeated ones one by one, in order: how it stands, or why it cannot."""

    placed: tuple[Placed, ...]
    unreached: tuple[Unreached, ...]


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
    placed: list[Placed] = []
    unreached: list[Unreached] = []
    previous = _start(setup)
    for number, operation in enumerate(operations):
        for asked, work_number in _expand(setup, operation):
            found = _place_one(setup, asked, number, work_number, previous, aim_within_deg)
            if isinstance(found, Unreached):
                unreached.append(found)
            else:
                placed.append(found)
                previous = found.machine_deg
    return Placement(tuple(placed), tuple(unreached))


def _start(setup: Setup) -> NDArray[np.float64]:
    """Program zero, or the limit nearest to it."""
    start = setup.machine_deg(np.zeros(len(setup.machine.rotaries)))
    for i, rotary in enumerate(setup.machine.rotaries):
        if rotary.limits_deg is not None:
            start[i] = np.clip(start[i], *rotary.limits_deg)
    return start


def _expand(setup: Setup, operation: Operation) -> list[tuple[Operation, int | None]]:
    """The operation once for each repeat, with its own work offset number."""
    numbers = [
        None if operation.work_offset is None else operation.work_offset + k for k in range(operation.count)
    ]
    if operation.count == 1:
        return [(operation, numbers[0])]
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
        expanded.append((one, numbers[k]))
    return expanded


def _place_one(
    setup: Setup,
    operation: Operation,
    number: int,
    work_number: int | None,
    previous: NDArray[np.float64],
    aim_within_deg: float,
) -> Placed | Unreached:
    if operation.program_deg is not None:
        return _placed(setup, operation, number, work_number, _stated_angles(setup, operation))
    assert operation.plane is not None  # an Operation has angles or a plane
    part = setup.part_in_machine
    held = {letter: angle + _offset_of(setup, letter) for letter, angle in operation.held_deg.items()}
    ways = aim(
        setup.machine,
        part.turn(operation.plane.normal),
        previous,
        held_deg=held,
        tilt=operation.tilt,
        rotary_offset_deg=setup.rotary_offset_deg,
    )
    if ways.best is None or ways.short_deg > aim_within_deg:
        return Unreached(operation.name, number, ways)
    angles = np.array(_choose(setup, operation, ways).machine_deg)
    if operation.when_free == "line up x" and operation.plane.x is not None and ways.free:
        angles = _lined_up(setup, ways.free[-1], part.turn(operation.plane.x), angles)
    found = _placed(setup, operation, number, work_number, angles)
    return replace(found, plane=operation.plane, free=ways.free, short_deg=ways.short_deg, aim=ways)


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


def _choose(setup: Setup, operation: Operation, ways: Aim) -> Solution:
    """The cheapest that fits; in a pattern of stated angles the cheapest that stands like its first."""
    fitting = [way for way in ways.solutions if way.fits]
    if operation.when_free == "line up x" and operation.plane is not None and operation.plane.x is not None:
        for way in fitting:
            axes = plane_axes(setup, way.machine_deg)
            along_x, along_y, _ = axes @ operation.plane.x
            if abs(np.degrees(np.arctan2(along_y, along_x))) < _ALIKE_DEG:
                return way
    return fitting[0]


def _lined_up(
    setup: Setup, letter: str, x: NDArray[np.float64], angles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The angles with a free rotary turned so that a direction lies along machine X, within its limits."""
    machine = setup.machine
    turning = machine.index(letter)
    reached = to_line_up(machine, letter, x, [1.0, 0.0, 0.0], angles)
    fitting = machine.rotaries[turning].every_wrap_deg(reached, _offset_of(setup, letter))
    if not fitting.size:
        raise KinematicsError(
            f"{letter}: expected an angle within its limits that lines x up, found {reached:g}"
        )
    lined_up = angles.copy()
    lined_up[turning] = fitting[np.argmin(np.abs(fitting - angles[turning]))]
    return lined_up


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
