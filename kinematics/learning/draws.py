"""Numbers drawn for exercises in the unit and to the decimals they are printed with, and the mill they are set on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from kinematics.machine import Machine, Platter, Travel
from kinematics.rotary import Rotary, Sense

__all__ = ["DECIMALS", "UNIT_MM", "Draw", "UnitName", "tilting_mill"]

UnitName = Literal["mm", "inch"]

UNIT_MM: dict[UnitName, float] = {"mm": 1.0, "inch": 25.4}
DECIMALS: dict[UnitName, int] = {"mm": 3, "inch": 4}
"""What the sheets are printed with."""


class Draw:
    """Numbers drawn in a unit, to the decimals it is printed with."""

    def __init__(self, seeds: Sequence[int], units: UnitName) -> None:
        self.random = np.random.default_rng(list(seeds))
        self.unit_mm = UNIT_MM[units]
        self.decimals = DECIMALS[units]

    def length(self, low_mm: float, high_mm: float, decimals: int | None = None) -> float:
        """A length in mm that is a round decimal number of units."""
        places = self.decimals if decimals is None else decimals
        return self.rounded(float(self.random.uniform(low_mm, high_mm)), places)

    def rounded(self, value_mm: float, decimals: int) -> float:
        """The nearest length with so many decimals in the unit."""
        return float(round(value_mm / self.unit_mm, decimals) * self.unit_mm)

    def nominal(self, low_mm: int, high_mm: int, off_mm: float = 0.02) -> float:
        """A catalogue height as it measures: near a round number, a few hundredths off."""
        step = 5.0 if self.unit_mm == 1.0 else 0.25 * self.unit_mm
        round_mm = step * round(float(self.random.uniform(low_mm, high_mm)) / step)
        return self.rounded(round_mm + float(self.random.uniform(-off_mm, off_mm)), self.decimals)

    def one(self, low: int, high: int) -> int:
        """A whole number, both ends included."""
        return int(self.random.integers(low, high + 1))

    def sense(self) -> Sense:
        """Either way of turning."""
        return (Sense.CLOCKWISE, Sense.COUNTERCLOCKWISE)[self.one(0, 1)]


def tilting_mill(draw: Draw, *, gap: bool) -> Machine:
    """A tilting rotary on a mill: lines that meet, or that miss each other by something to be measured."""
    x, y, z = draw.length(-410, -350), draw.length(-225, -185), draw.length(-420, -380)
    tilts_about_x = bool(draw.one(0, 1))
    aside = 0.0
    if gap:
        aside = draw.length(0.03, 0.6) * (1.0 if draw.one(0, 1) else -1.0)
    face = draw.rounded(z + draw.length(25.0, 60.0), draw.decimals)
    low, high = (-110.0, 110.0) if draw.one(0, 1) else (-120.0, 30.0)
    pivot = np.array([x, y, z])
    if tilts_about_x:
        tilt = Rotary("A", pivot, np.array([1.0, 0.0, 0.0]), draw.sense(), (low, high))
        turn_at = np.array([x, draw.rounded(y + aside, draw.decimals), face])
    else:
        tilt = Rotary("B", pivot, np.array([0.0, 1.0, 0.0]), draw.sense(), (low, high))
        turn_at = np.array([draw.rounded(x + aside, draw.decimals), y, face])
    turn = Rotary("C", turn_at, np.array([0.0, 0.0, 1.0]), draw.sense(), None)
    ends = (
        np.round(np.array([760.0, 410.0, 510.0]) / draw.unit_mm, 0 if draw.unit_mm == 1.0 else 1)
        * draw.unit_mm
    )
    diameter = draw.rounded(160.0, 0 if draw.unit_mm == 1.0 else 2)
    return Machine(
        "Training mill with tilting rotary", (tilt, turn), Platter(face, diameter), Travel(-ends, np.zeros(3))
    )
