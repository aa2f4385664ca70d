"""Operations, and how each of them stands on the machine.

An `Operation` states either rotary angles or a plane of the part; `place_operations` finds the rest. Operations are
placed one after the other, since the least motion depends on where the last one left the rotaries. Whatever does not
depend on that is computed for all of them together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.inverse import Aim, Solution, Violation, checked_tilt
from kinematics.inverse_candidates import TiltSign
from kinematics.plane import Plane
from kinematics.validation import (
    ValueEquality,
    as_count,
    as_instance,
    as_number,
    as_vector,
    is_list,
    read_only,
    read_only_map,
    shown,
)

__all__ = [
    "AIM_WITHIN_DEG",
    "Operation",
    "PlacedOperation",
    "Placement",
    "UnreachableOperation",
    "WhenSingular",
]

WhenSingular = Literal["keep", "line up x"]

AIM_WITHIN_DEG = 0.01
"""Rotaries that are not quite square cannot bring their own platter's normal quite to the spindle: a direction may
stay this far from it, and the sheet shows by how much it does. 0.01 degrees are 0.017 mm in 100 mm."""


@dataclass(frozen=True, eq=False)
class Operation(ValueEquality):
    """One orientation of the part and the origin that its program uses, as asked for.

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
        Repeats, this one included, each turned by the step about the part's z from the one before.
    work_offset : int or None
        Its number, 1 to 9 (of the first, when repeated); None leaves the choice open.
    tilt : "positive", "negative" or None
        The sign that the tilt's program angle must have.
    held_deg : mapping of letter to program angle
        Rotaries that must stand there.
    when_singular : "keep" or "line up x"
        For a rotary whose angle has no influence: keep it, or turn the plane's x into line with machine X.

    Raises
    ------
    KinematicsError
        When both or neither of angles and plane are given, or a value is not of its kind.

    Examples
    --------
    >>> Operation("port", plane=[0, 0, 1])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: port, plane: expected a Plane, found [0, 0, 1]
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
    when_singular: WhenSingular = "keep"

    def __post_init__(self) -> None:
        name = as_instance(self.name, str, "operation, name")
        if (self.program_deg is None) == (self.plane is None):
            raise KinematicsError(f"{name}: expected either rotary angles or a plane")
        if self.program_deg is not None:
            if not is_list(self.program_deg) or not isinstance(self.program_deg, (Sequence, np.ndarray)):
                raise KinematicsError(
                    f"{name}, angles: expected a list of degrees, found {shown(self.program_deg)}"
                )
            angles = tuple(as_number(angle, f"{name}, angles") for angle in self.program_deg)
            object.__setattr__(self, "program_deg", angles)
        if self.plane is not None:
            as_instance(self.plane, Plane, f"{name}, plane")
        if not isinstance(self.held_deg, Mapping):
            raise KinematicsError(
                f"{name}, held: expected a mapping of letters to degrees, found {shown(self.held_deg)}"
            )
        held = {letter: as_number(angle, f"{name}, held {letter}") for letter, angle in self.held_deg.items()}
        if not isinstance(self.when_singular, str) or self.when_singular not in ("keep", "line up x"):
            raise KinematicsError(
                f'{name}, when singular: expected "keep" or "line up x", found {shown(self.when_singular)}'
            )
        checked_tilt(self.tilt, f"{name}, tilt")
        object.__setattr__(self, "origin_mm", read_only(as_vector(self.origin_mm, 3, f"{name}, origin")))
        object.__setattr__(self, "count", as_count(self.count, f"{name}, repeat"))
        object.__setattr__(self, "step_deg", as_number(self.step_deg, f"{name}, step"))
        if self.count > 1 and self.step_deg == 0.0:
            raise KinematicsError(f"{name}, step: expected degrees from one repeat to the next, found 0")
        object.__setattr__(self, "held_deg", read_only_map(held))
        if self.work_offset is not None:
            object.__setattr__(self, "work_offset", as_count(self.work_offset, f"{name}, work offset"))

    @property
    def names(self) -> tuple[str, ...]:
        """The name of each repeat: "port 1", "port 2", ...; of a single operation its own."""
        if self.count == 1:
            return (self.name,)
        return tuple(f"{self.name} {k}" for k in range(1, self.count + 1))


@dataclass(frozen=True, eq=False)
class PlacedOperation(ValueEquality, DeclaredFields):
    """One operation as it stands on the machine.

    Attributes
    ----------
    name : str
    operation : int
        Its place among the operations asked for, from 0.
    work_offset : int or None
        The number that was asked for.
    machine_deg, program_deg : ndarray, shape (n,)
        Rotary angles, from the base outward.
    rotary_offset_deg : ndarray, shape (n,)
        The rotaries' values of the work offset: machine angles less program angles.
    offset_mm : ndarray, shape (3,)
        X, Y, Z of the work offset: machine coordinates of the origin.
    origin_mm : ndarray, shape (3,)
        In part coordinates.
    axes : ndarray, shape (3, 3)
        Rows: machine X, Y, Z in part coordinates.
    plane : Plane
        The plane that faces the spindle.
    singular_axes : tuple of str
        Rotaries whose angle has no influence here.
    misalignment_deg : float
        The angle from the spindle at which the plane's normal stays, within the tolerance.
    aim : Aim or None
        All solutions; None where the angles were stated.
    """

    name: str
    operation: int
    work_offset: int | None
    machine_deg: NDArray[np.float64]
    program_deg: NDArray[np.float64]
    rotary_offset_deg: NDArray[np.float64]
    offset_mm: NDArray[np.float64]
    origin_mm: NDArray[np.float64]
    axes: NDArray[np.float64]
    plane: Plane
    singular_axes: tuple[str, ...] = ()
    misalignment_deg: float = 0.0
    aim: Aim | None = None

    @property
    def plane_x_deg(self) -> float | None:
        """The angle from machine X to the plane's own x; None where the plane has no x of its own.

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
class UnreachableOperation(ValueEquality, DeclaredFields):
    """An operation that the machine cannot bring to the spindle.

    Attributes
    ----------
    name : str
    operation : int
        Its place among the operations asked for, from 0.
    work_offset : int or None
        The number that was asked for.
    aim : Aim
        The solutions tried, the nearest first.
    alignment : Violation or None
        Where the direction is reached but the plane's x cannot be lined up: the limit that stops it.
    """

    name: str
    operation: int
    work_offset: int | None
    aim: Aim
    alignment: Violation | None = None

    @property
    def solutions(self) -> tuple[Solution, ...]:
        """The solutions tried, with what each violates."""
        if self.alignment is not None:
            return (replace(self.aim.solutions[0], violations=(self.alignment,)),)
        return self.aim.solutions

    @property
    def misalignment_deg(self) -> float:
        """The angle from the spindle at which the direction stays at best."""
        return self.solutions[0].misalignment_deg

    @property
    def violations(self) -> tuple[Violation, ...]:
        """All violations of the solutions, in their order."""
        return tuple(one for solution in self.solutions for one in solution.violations)


@dataclass(frozen=True)
class Placement(DeclaredFields):
    """Every operation in order, repeats one by one: placed, or found unreachable."""

    results: tuple[PlacedOperation | UnreachableOperation, ...]

    @property
    def placed(self) -> tuple[PlacedOperation, ...]:
        """The operations that were placed."""
        return tuple(one for one in self.results if isinstance(one, PlacedOperation))

    @property
    def unreachable(self) -> tuple[UnreachableOperation, ...]:
        """The operations that cannot be reached."""
        return tuple(one for one in self.results if isinstance(one, UnreachableOperation))
