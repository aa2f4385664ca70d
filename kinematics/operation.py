"""Operations: what is asked of the part, and how it then stands on the machine.

An `Operation` names either rotary angles or a plane of the part; `placing` finds the rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.aiming import Aim, TiltSign
from kinematics.angles import SNAP_DEG
from kinematics.arrays import frozen, last_axis
from kinematics.errors import KinematicsError
from kinematics.plane import Plane

__all__ = ["AIM_WITHIN_DEG", "Operation", "Placed", "Placement", "Unreached", "WhenFree"]

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

    results: tuple[Placed | Unreached, ...]

    @property
    def placed(self) -> tuple[Placed, ...]:
        """Those that stand."""
        return tuple(one for one in self.results if isinstance(one, Placed))

    @property
    def unreached(self) -> tuple[Unreached, ...]:
        """Those that cannot."""
        return tuple(one for one in self.results if isinstance(one, Unreached))
