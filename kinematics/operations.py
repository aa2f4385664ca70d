"""Operations, and how each of them stands on the machine.

An `Operation` names either rotary angles or a plane of the part; `placing` finds the rest.

The way to the next depends on where the last one stood.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG
from kinematics.errors import KinematicsError
from kinematics.inverse import Aim, Solution, TiltSign, aim_within
from kinematics.orientation import angle_to_align
from kinematics.plane import Plane, circular_pattern
from kinematics.validation import as_vectors, read_only
from kinematics.work_offsets import Setup

__all__ = [
    "AIM_WITHIN_DEG",
    "Operation",
    "PlacedOperation",
    "Placement",
    "UnreachableOperation",
    "WhenFree",
    "place_operations",
]

WhenFree = Literal["keep", "line up x"]

AIM_WITHIN_DEG = 0.01
"""Rotaries that are not quite square cannot bring their own platter's normal quite to the spindle: this much is
let pass and shown. 0.01 degrees are 0.017 mm in 100 mm."""


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
        object.__setattr__(
            self, "origin_mm", read_only(as_vectors(self.origin_mm, 3, f"{self.name}, origin"))
        )

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all that it stands for: "port 1", "port 2", ... where it is repeated."""
        if self.count == 1:
            return (self.name,)
        return tuple(f"{self.name} {k}" for k in range(1, self.count + 1))


@dataclass(frozen=True, eq=False)
class PlacedOperation:
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
class UnreachableOperation:
    """An operation that the machine cannot stand for.

    Attributes
    ----------
    name : str
    operation : int
    work_offset : int or None
        The number that was asked for.
    aim : Aim
        What was tried: the nearest poses, how many degrees short, and why each is out.
    """

    name: str
    operation: int
    work_offset: int | None
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

    results: tuple[PlacedOperation | UnreachableOperation, ...]

    @property
    def placed(self) -> tuple[PlacedOperation, ...]:
        """Those that stand."""
        return tuple(one for one in self.results if isinstance(one, PlacedOperation))

    @property
    def unreached(self) -> tuple[UnreachableOperation, ...]:
        """Those that cannot."""
        return tuple(one for one in self.results if isinstance(one, UnreachableOperation))


_ALIKE_DEG = 1.0
"""A pattern that stands like its first is out by what the lines are out of square; the other tilt by half a turn."""


def place_operations(
    setup: Setup, operations: Iterable[Operation], aim_within_deg: float = AIM_WITHIN_DEG
) -> Placement:
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
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.plane import plane_from_normal
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> from kinematics.stack import StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), [StackStep("post", up_mm=100.0)])
    >>> port = Operation("port", plane=plane_from_normal([0, 1, 0]), count=4, step_deg=90.0)
    >>> for at in place_operations(setup, [port]).placed:
    ...     print(at.name, at.program_deg.round(6).tolist(), at.offset_mm.round(6).tolist())
    port 1 [-90.0, 0.0] [0.0, -150.0, -50.0]
    port 2 [-90.0, 90.0] [0.0, -150.0, -50.0]
    port 3 [-90.0, 180.0] [0.0, -150.0, -50.0]
    port 4 [-90.0, 270.0] [0.0, -150.0, -50.0]
    """
    results: list[PlacedOperation | UnreachableOperation] = []
    previous = _start(setup)
    for number, operation in enumerate(operations):
        for asked, work_number, alike in _expand(setup, operation):
            found = _place_one(setup, asked, number, work_number, previous, aim_within_deg, alike=alike)
            results.append(found)
            if isinstance(found, PlacedOperation):
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
        axes = setup.machine_axes(setup.machine_deg(operation.program_deg or ()))
        plane = Plane(axes[2], axes[0])
    pattern = circular_pattern(plane, operation.origin_mm, operation.count, operation.step_deg)
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
) -> PlacedOperation | UnreachableOperation:
    if operation.program_deg is not None:
        return _placed(setup, operation, number, work_number, _stated_angles(setup, operation))
    assert operation.plane is not None  # an Operation has angles or a plane
    part = setup.part_in_machine
    held = {letter: angle + _offset_of(setup, letter) for letter, angle in operation.held_deg.items()}

    def ways_with(stay: Mapping[str, float], *, free_too: bool = True) -> Aim:
        assert operation.plane is not None
        return aim_within(
            setup.machine,
            part.rotate(operation.plane.normal),
            previous,
            aim_within_deg,
            held_deg={**held, **stay},
            tilt=operation.tilt,
            rotary_offset_deg=setup.rotary_offset_deg,
            free_too=free_too,
        )

    ways = ways_with({})
    if not ways.reaches(aim_within_deg):
        return UnreachableOperation(operation.name, number, work_number, ways)
    way = _choose(setup, operation.plane, ways, alike=alike)
    if operation.when_free == "line up x" and operation.plane.x is not None and ways.free:
        letter = ways.free[-1]
        lined_up = _lined_up(setup, letter, part.rotate(operation.plane.x), np.array(way.machine_deg))
        if isinstance(lined_up, str):
            out = replace(ways, solutions=(replace(way, why_out=(lined_up,)),))
            return UnreachableOperation(operation.name, number, work_number, out)
        lined = replace(ways_with({letter: lined_up}), free=ways.free)
        # Lined up, it can miss by more than it may: then it is aimed as if that rotary mattered, as it does a little.
        ways = lined if lined.reaches(aim_within_deg) else ways_with({}, free_too=False)
        if not ways.reaches(aim_within_deg):
            return UnreachableOperation(operation.name, number, work_number, ways)
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
            along_x, along_y, _ = setup.machine_axes(way.machine_deg) @ plane.x
            if abs(np.degrees(np.arctan2(along_y, along_x))) < _ALIKE_DEG:
                return way
    return fitting[0]


def _lined_up(setup: Setup, letter: str, x: NDArray[np.float64], angles: NDArray[np.float64]) -> float | str:
    """The machine angle of a free rotary at which a direction lies along machine X; or why it cannot stand there."""
    machine = setup.machine
    turning = machine.index(letter)
    reached = angle_to_align(machine, letter, x, [1.0, 0.0, 0.0], angles)
    fitting = machine.rotaries[turning].equivalent_angles_deg(reached, _offset_of(setup, letter))
    if not fitting.size:
        low, high = machine.rotaries[turning].limits_deg or (0.0, 0.0)
        return f"{letter} would stand at {reached:.4f} to line x up, its limits are {low:g} to {high:g}"
    return float(fitting[np.argmin(np.abs(fitting - angles[turning]))])


def _placed(
    setup: Setup, operation: Operation, number: int, work_number: int | None, angles: NDArray[np.float64]
) -> PlacedOperation:
    axes = setup.machine_axes(angles)
    return PlacedOperation(
        name=operation.name,
        operation=number,
        work_offset=work_number,
        machine_deg=read_only(angles + 0.0),
        program_deg=read_only(setup.program_deg(angles)),
        offset_mm=read_only(setup.work_offset(operation.origin_mm, angles)),
        origin_mm=operation.origin_mm,
        axes=read_only(axes),
        plane=Plane(axes[2]),
    )
