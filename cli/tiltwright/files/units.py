"""The two units of length that a file may state. Nothing guesses one."""

from __future__ import annotations

import enum

__all__ = ["Unit"]


class Unit(enum.Enum):
    """A unit of length. The inch is 25.4 mm exactly.

    Examples
    --------
    >>> Unit("inch").to_mm(2.0), Unit.INCH.from_mm(50.8), Unit.MM.to_mm(2.0)
    (50.8, 2.0, 2.0)
    """

    MM = "mm"
    INCH = "inch"

    @property
    def mm(self) -> float:
        """Millimetres in one of it."""
        from kinematics.constants import MM_PER_INCH  # here, since reading a unit's name needs no numpy

        return MM_PER_INCH if self is Unit.INCH else 1.0

    def to_mm(self, length: float) -> float:
        """A length in this unit, in millimetres."""
        return length * self.mm

    def from_mm(self, length_mm: float) -> float:
        """A length in millimetres, in this unit."""
        return length_mm / self.mm
