"""A pivot to find: a machine whose lines are not where the shop believes, and few readings to find them from."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.learning.draws import UnitName
from kinematics.learning.pivot_ways import Method, ways
from kinematics.machine import Machine
from kinematics.pivot.planned import PlannedTarget
from kinematics.pivot.readings import Kind, Readings

__all__ = ["PIVOT_LEVEL", "PivotExercise", "Probed", "in_plane", "plane_of"]

PIVOT_LEVEL = "a pivot to find"

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Probed:
    """One pivot to find, and what was probed for it.

    Attributes
    ----------
    letter : str
        The rotary that turned; every other one stood at zero.
    target : str
        What was read: "gauge ball".
    method : str
        How plane geometry finds the pivot, see `ways`.
    axis : int
        The machine axis along which the rotary runs.
    angles_deg : ndarray, shape (n,)
        Machine angles of the rotary.
    turn_deg : ndarray, shape (n,)
        Right-handed turns of the table.
    shown_mm : ndarray, shape (n, 3)
        As printed: a bore's centre, a ball's centre in X and Y and its top in Z, touches of a face (side touches as
        stylus centres).
    centre_mm : ndarray, shape (n, 3)
        The same with radii taken off: centres and contacts.
    radius_mm : float
        Of the ball, or of the stylus that touched the face; 0 where neither counts.
    believed_mm, true_mm : ndarray, shape (2,)
        The pivot as the shop believes and as it is, on the axes that are asked for.
    """

    letter: str
    target: str
    method: Method
    axis: int
    angles_deg: Floats
    turn_deg: Floats
    shown_mm: Floats
    centre_mm: Floats
    radius_mm: float
    believed_mm: Floats
    true_mm: Floats

    @property
    def asked(self) -> tuple[int, int]:
        """The machine axes whose coordinates are asked for, in order."""
        first, second = (k for k in range(3) if k != self.axis)
        return first, second

    @property
    def axes(self) -> tuple[str, str]:
        """Their names."""
        return "XYZ"[self.asked[0]], "XYZ"[self.asked[1]]

    @property
    def points_mm(self) -> Floats:
        """What `ways` works on, shape (n, 3): centres, or a face's touches as shown."""
        return self.shown_mm if self.method == "level face" else self.centre_mm

    def worked(self, points_mm: Floats | None = None) -> dict[str, Floats]:
        """The pivot by every way, on the axes that are asked for; from other points (..., n, 3) if given."""
        points = self.points_mm if points_mm is None else points_mm
        first, second = plane_of(self.axis)
        found = ways(
            self.method,
            points[..., [first, second]],
            self.turn_deg,
            self.radius_mm,
            swap=first > second,
        )
        return {name: in_plane(self.axis, pair) for name, pair in found.items()}


@dataclass(frozen=True, eq=False)
class PivotExercise:
    """One sheet's task and what its key needs.

    Attributes
    ----------
    seed, sheet : int
    units : "mm" or "inch"
        What the sheet is printed in; the values here are millimetres all the same.
    title, story : str
    machine : Machine
        As the shop believes it is.
    truth : Machine
    targets : tuple of PlannedTarget
        Where they truly stand.
    probed : tuple of Probed
        The tilting rotary's, then the last one's.
    repeatability_mm : float
        No reading is farther off, in any coordinate, before it is rounded.
    digit_mm : float
        The last digit that is printed.
    """

    seed: int
    sheet: int
    units: UnitName
    title: str
    story: str
    machine: Machine
    truth: Machine
    targets: tuple[PlannedTarget, ...]
    probed: tuple[Probed, ...]
    repeatability_mm: float
    digit_mm: float

    @property
    def sigma_mm(self) -> float:
        """The standard deviation of a reading: errors are drawn from a triangle as wide as the repeatability."""
        return self.repeatability_mm / math.sqrt(6.0)

    @property
    def readings(self) -> Readings:
        """All readings as `kinematics.pivot` takes them: the radii taken off."""
        letters = self.machine.letters
        count = [len(one.angles_deg) for one in self.probed]
        angles = np.zeros((sum(count), len(letters)))
        start = 0
        for one, many in zip(self.probed, count, strict=True):
            angles[start : start + many, letters.index(one.letter)] = one.angles_deg
            start += many
        return Readings(
            names=tuple(target.name for target in self.targets),
            kinds=tuple(target.kind for target in self.targets),
            target=np.repeat(np.arange(len(count)), count),
            angles_deg=angles,
            points_mm=np.concatenate([one.centre_mm for one in self.probed]),
            directions=tuple(None if t.kind is Kind.BALL else t.direction for t in self.targets),
        )


def plane_of(axis: int) -> tuple[int, int]:
    """The machine axes across a line, the first turning toward the second.

    Examples
    --------
    >>> plane_of(0), plane_of(1), plane_of(2)
    ((1, 2), (2, 0), (0, 1))
    """
    return (axis + 1) % 3, (axis + 2) % 3


def in_plane(axis: int, pair: Floats) -> Floats:
    """From the plane's own order of axes to machine order, or back: Z and X become X and Z."""
    return pair[..., ::-1] if axis == 1 else pair
