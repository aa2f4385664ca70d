"""A blunder that explains the readings: its kind, rotaries, targets, rows and size, and the corrected readings."""

from __future__ import annotations

from dataclasses import dataclass

from kinematics.calibration.readings import Readings
from kinematics.declared_types import DeclaredFields
from kinematics.machine import Machine
from kinematics.validation import ValueEquality

__all__ = ["Blunder", "CoordinateError"]


@dataclass(frozen=True)
class CoordinateError(DeclaredFields):
    """One coordinate of a reading that is grossly wrong.

    Attributes
    ----------
    axis : str
        "X", "Y" or "Z".
    read_mm : float
    expected_mm : float
        By the machine's lines and the target's other readings.
    """

    axis: str
    read_mm: float
    expected_mm: float


@dataclass(frozen=True, eq=False)
class Blunder(ValueEquality, DeclaredFields):
    """A classic mistake that explains the readings.

    Attributes
    ----------
    kind : str
        "sense reversed", "columns swapped", "inches for millimetres", "millimetres for inches", "targets confused",
        "target slipped", "zero moved", "zero moved repeatedly", "radius left on", "ball read at its top"; of single rows "sign wrong",
        "inches in one row", "millimetres in one row", "decimal point slipped", "coordinates swapped", "reading far off".
    corrected : Readings
        With it put right (a slipped target becomes two); `find_blunders` reports more than one blunder on top of
        each other.
    corrected_machine : Machine
    letters : tuple of str
        Rotaries concerned.
    axes : tuple of str
        Of coordinates swapped in every row: which two of "X", "Y", "Z".
    target, other_target : str
        The one target concerned; `other_target` is the one that was really read.
    targets : tuple of str
        All targets concerned.
    rows : tuple of int
        Rows concerned; of a slip or of a zero that moved, those after it; of one that moved repeatedly, the first
        after each move.
    coordinates : tuple of CoordinateError
        Of a single row: the coordinates that are wrong.
    size_mm : float or None
        Length of the slip or of the zero's shift, the radius, or how far a single reading is off.
    shift_mm : tuple of (float, float, float), or None
        The zero's shift along X, Y and Z; of several the largest.
    first_rows : tuple of (int, int), or None
        The earliest and the latest row from which on such a shift explains the readings as well.
    scatter_mm : tuple of (float, float), or None
        Scatter per coordinate before and after the correction, where both can be had.
    certain : bool
        False where the readings would also allow that the machine has changed, or where `rivals` explain as much.
    rivals : tuple of Blunder
        Other mistakes that explain the readings equally well, the one that moves the lines least first: one of them,
        or this one, was made for certain.
    """

    kind: str
    corrected: Readings
    corrected_machine: Machine
    letters: tuple[str, ...] = ()
    axes: tuple[str, ...] = ()
    target: str = ""
    other_target: str = ""
    targets: tuple[str, ...] = ()
    rows: tuple[int, ...] = ()
    coordinates: tuple[CoordinateError, ...] = ()
    size_mm: float | None = None
    shift_mm: tuple[float, float, float] | None = None
    first_rows: tuple[int, int] | None = None
    scatter_mm: tuple[float, float] | None = None
    certain: bool = True
    rivals: tuple[Blunder, ...] = ()

    @property
    def proves_mistake(self) -> bool:
        """True where a mistake was made for certain, be it this one or a rival."""
        return self.certain or bool(self.rivals)
