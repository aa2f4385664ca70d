"""The four numbers that fix each rotary's line, counted from the line that the shop believes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.covariance import EstimatedLine
from kinematics.calibration.derived_quantities import axis_of, crossing, line_rotation
from kinematics.calibration.line_parameters import relative_line_parameters
from kinematics.calibration.results import Estimate
from kinematics.declared_types import DeclaredFields
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.validation import as_instance

__all__ = ["LineNumber", "coordinate_axes", "line_values", "named_numbers"]


@dataclass(frozen=True)
class LineNumber(DeclaredFields):
    """One of the four numbers that fix a rotary's line: two lengths, then two angles.

    Attributes
    ----------
    pivot : int
        The rotary, from 0.
    letter : str
        Its letter.
    name : str
        "E_Y0A" (ISO 230-1) for a line near a machine axis, otherwise the letter and a direction across the line.
    unit : "mm" or "deg"
    axis : str
        The machine coordinate that a length is the change of: "Y". Empty for angles, and for a line near no machine
        axis.
    believed_mm : float
        That coordinate in the machine file; 0 where there is none.
    second : int
        0 for the first of the two lengths or angles, 1 for the second.
    """

    pivot: int
    letter: str
    name: str
    unit: str
    axis: str
    believed_mm: float
    second: int = 0

    @property
    def label(self) -> str:
        """Name in a sentence: the coordinate where it has one, "Y"."""
        return self.axis or self.name


def coordinate_axes(rotary: RotaryAxis) -> tuple[str, ...]:
    """Machine coordinates across a rotary's line: two for a line near a machine axis, otherwise none.

    Examples
    --------
    >>> from kinematics import RotationSense
    >>> coordinate_axes(RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, None))
    ('Y', 'Z')
    >>> coordinate_axes(RotaryAxis("B", [0, 0, 0], [0, 1, 1], RotationSense.CLOCKWISE, None))
    ()
    >>> coordinate_axes("A")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary: expected a RotaryAxis, found 'A'
    """
    as_instance(rotary, RotaryAxis, "rotary")
    k = axis_of(rotary.letter, rotary.direction)
    return () if k is None else tuple("XYZ"[j] for j in range(3) if j != k)


def named_numbers(machine: Machine, estimates: Sequence[Estimate]) -> tuple[LineNumber, ...]:
    """The numbers of every line, four a rotary.

    Parameters
    ----------
    machine : Machine
        As the shop believes it is.
    estimates : sequence of Estimate
        Every `LineFit.changes` of a fit, in order: they name the directions across a line near no machine axis.
    """
    found: list[LineNumber] = []
    for i, rotary in enumerate(machine.rotaries):
        letter, k = rotary.letter, axis_of(rotary.letter, rotary.direction)
        if k is None:
            found += [
                LineNumber(i, letter, f"{letter} {one.name}", one.unit, "", 0.0, n % 2)
                for n, one in enumerate(estimates[4 * i : 4 * i + 4])
            ]
            continue
        others = [j for j in range(3) if j != k]
        for n, j in enumerate(others):
            axis = "XYZ"[j]
            found.append(
                LineNumber(i, letter, f"E_{axis}0{letter}", "mm", axis, float(rotary.point_mm[j]), n)
            )
        for n, j in enumerate(others):
            found.append(LineNumber(i, letter, f"E_{'ABC'[j]}0{letter}", "deg", "", 0.0, n))
    return tuple(found)


def line_values(machine: Machine, other: Machine) -> NDArray[np.float64]:
    """Another machine's lines as numbers counted from `machine`'s: two lengths (mm) and two angles (degrees) a rotary.

    Parameters
    ----------
    machine, other : Machine
        With the same rotaries.

    Returns
    -------
    ndarray, shape (n, 4)
        Location errors (ISO 230-1) of a line near a machine axis; otherwise shifts and tilts across the line.

    Raises
    ------
    KinematicsError
        When the rotaries differ, or a line's direction points the other way.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> moved = replace(mill, rotaries=(replace(c, point_mm=[0.02, -0.01, 5.0]),))
    >>> line_values(mill, moved).tolist()
    [[0.02, -0.01, 0.0, 0.0]]
    >>> line_values(mill, replace(mill, rotaries=(replace(c, direction=[0, 0, -1]),)))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: rotary C: expected its direction on the old one's side
    """
    across = relative_line_parameters(machine, other).reshape(-1, 4)
    found = np.empty_like(across)
    for i, (old, new) in enumerate(zip(machine.rotaries, other.rotaries, strict=True)):
        k = axis_of(old.letter, old.direction)
        if k is None:
            found[i] = [*across[i, :2], *np.degrees(np.arctan(across[i, 2:]))]
            continue
        exact = np.zeros((4, 3))
        line, others = (
            EstimatedLine(new.point_mm, new.direction, exact, exact),
            [j for j in range(3) if j != k],
        )
        where, _ = crossing(line, old.point_mm, k)
        found[i, :2] = (where - old.point_mm)[others]
        found[i, 2:] = [line_rotation(line, k, j)[0] for j in others]
    return found + 0.0
