"""What a blunder is called, where it is, and what the readings are once it is put right."""

from __future__ import annotations

from dataclasses import dataclass

from kinematics.calibration.readings import Readings
from kinematics.machine import Machine

__all__ = ["Blunder"]


@dataclass(frozen=True, eq=False)
class Blunder:
    """A classic mistake that explains the readings.

    Attributes
    ----------
    kind : str
        "sense reversed", "columns swapped", "inches for millimetres", "millimetres for inches", "targets confused",
        "target slipped", "zero moved", "radius left on", "ball read at its top".
    words : str
        A sentence for the user.
    mended : Readings
        With it put right (a slipped target becomes two); `find_blunders` reports more than one blunder on top of
        each other.
    mended_machine : Machine
    letters : tuple of str
        Rotaries concerned.
    target, other_target : str
        Targets concerned; `other_target` is the one that was really read.
    rows : tuple of int
        Rows concerned; of a slip or of a zero that moved, those after it.
    size_mm : float or None
        How far a target slipped or the zero moved, or the radius.
    certain : bool
        False where the readings would also allow that the machine has changed, or where `rivals` explain as much.
    rivals : tuple of Blunder
        Other mistakes that explain the readings equally well, the one that moves the lines least first: one of them,
        or this one, was made for certain.
    """

    kind: str
    words: str
    mended: Readings
    mended_machine: Machine
    letters: tuple[str, ...] = ()
    target: str = ""
    other_target: str = ""
    rows: tuple[int, ...] = ()
    size_mm: float | None = None
    certain: bool = True
    rivals: tuple[Blunder, ...] = ()

    @property
    def made(self) -> bool:
        """Whether a mistake was made for certain, be it this one or a rival."""
        return self.certain or bool(self.rivals)
