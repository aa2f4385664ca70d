"""Formatting of lengths, angles, masses, forces and torques in the units shown."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.constants import MM_PER_INCH
from tiltwright.files.quantity import FORCE, MASS, STRESS, TORQUE
from tiltwright.files.units import Unit

__all__ = [
    "FORCE_UNIT",
    "MASS_UNIT",
    "STIFFNESS_UNIT",
    "STRESS_UNIT",
    "TORQUE_UNIT",
    "force",
    "mass",
    "stiffness",
    "stress",
    "torque",
]

UNIT_MM = {unit.value: unit.mm for unit in Unit}
"""Millimetres in a unit, by its name."""

UNIT_SYMBOL = {"mm": "mm", "inch": "in"}
"""A unit as it is written behind a number."""

DECIMALS = {"mm": 3, "inch": 4}
ANGLE_DECIMALS = 4

_SHOWN_FROM = 9
"""Decimals of a millimetre or a degree that a number is taken to before it is rounded for show."""
_LARGEST = 1e15
"""Beyond it a number has no ninth decimal."""


def fixed(value: float, decimals: int) -> str:
    """A number with a fixed count of decimals, rounded once, and never a minus before a zero.

    It is taken to the ninth decimal first (a millionth of a micrometre), then half to even at the shown digit: the
    last bits of a sum, which depend on how many poses are computed together, never reach the paper.

    Examples
    --------
    >>> fixed(-0.00004, 3), fixed(-12.3456, 3)
    ('0.000', '-12.346')
    >>> fixed(0.0625, 3), fixed(0.0625 - 1e-12, 3), fixed(0.0635, 3)
    ('0.062', '0.062', '0.064')
    """
    if not math.isfinite(value) or abs(value) > _LARGEST:
        return f"{value:.{decimals}f}"
    exact = Decimal(repr(round(float(value), _SHOWN_FROM)))
    text = f"{exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN):f}"
    return text.lstrip("-") if float(text) == 0 else text


def in_units(value_mm: float, units: str) -> float:
    """Millimetres as the sheet's unit, ``"mm"`` or ``"inch"``."""
    return value_mm / UNIT_MM[units]


def length(value_mm: float, units: str) -> str:
    """A length in the sheet's unit: three decimals in mm, four in inches.

    Examples
    --------
    >>> length(25.4, "mm"), length(-25.4, "inch")
    ('25.400', '-1.0000')
    """
    return fixed(in_units(round(float(value_mm), _SHOWN_FROM), units), DECIMALS[units])


def fine(value_mm: float, units: str) -> str:
    """A length with one decimal more than a sheet shows: for comparing, not for typing in.

    Examples
    --------
    >>> fine(0.0125, "mm"), fine(0.0125, "inch")
    ('0.0125', '0.00049')
    """
    return fixed(in_units(value_mm, units), DECIMALS[units] + 1)


def lengths(values_mm: Iterable[float], units: str) -> tuple[str, ...]:
    """Several lengths, each as :func:`length` writes it."""
    return tuple(length(float(value), units) for value in values_mm)


def angle(value_deg: float) -> str:
    """An angle in degrees with four decimals, a third of a second of arc.

    Examples
    --------
    >>> angle(-30.0), angle(-1e-9)
    ('-30.0000', '0.0000')
    """
    return fixed(value_deg, ANGLE_DECIMALS)


_DOUBT = 1e-4
"""Parts of the last digit within which rounding twice could differ from rounding once."""
_LARGEST_PLAIN = 1e9


def all_lengths(values_mm: ArrayLike, units: str) -> list[str]:
    """Many lengths, each as :func:`length` writes it, in a tenth of the time.

    Examples
    --------
    >>> all_lengths([-12.3456, 0.0625, 0.0645, -0.0004], "mm")
    ['-12.346', '0.062', '0.064', '0.000']
    """
    lengths_mm = np.asarray(values_mm, dtype=np.float64).ravel()
    return _all(lengths_mm / UNIT_MM[units], DECIMALS[units], lambda k: length(float(lengths_mm[k]), units))


def all_angles(values_deg: ArrayLike) -> list[str]:
    """Many angles, each as :func:`angle` writes it.

    Examples
    --------
    >>> all_angles([-30.0, -1e-9])
    ['-30.0000', '0.0000']
    """
    angles_deg = np.asarray(values_deg, dtype=np.float64).ravel()
    return _all(angles_deg, ANGLE_DECIMALS, lambda k: angle(float(angles_deg[k])))


def _all(numbers: NDArray[np.float64], decimals: int, one: Callable[[int], str]) -> list[str]:
    """Numbers as text: at once where the digits cannot be in doubt, one by one where they can."""
    if not len(numbers):
        return []
    texts = ("\n".join([f"%.{decimals}f"] * len(numbers)) % tuple(numbers.tolist())).split("\n")
    scaled = np.abs(numbers) * 10.0**decimals
    plain = np.abs(scaled - np.floor(scaled) - 0.5) > _DOUBT
    plain &= (scaled >= 1.0) & (scaled < _LARGEST_PLAIN)
    for k in np.nonzero(~plain)[0].tolist():
        texts[k] = one(k)
    return texts


def direction(vector: Iterable[float]) -> str:
    """A unit vector in four decimals, with whole components written short.

    Examples
    --------
    >>> direction((0.0, -0.5, 0.8660254))
    '(0, -0.5000, 0.8660)'
    """
    parts = (fixed(float(component), 4) for component in vector)
    return "(" + ", ".join(part.split(".")[0] if part.endswith(".0000") else part for part in parts) + ")"


def with_plus(text: str) -> str:
    """A number with its sign, whichever it has."""
    return text if text.startswith("-") else f"+{text}"


def with_minus(text: str) -> str:
    """A number with the typographic minus, which can still be read on a grey print at arm's length."""
    return text.replace("-", "\N{MINUS SIGN}")


MASS_UNIT = {"mm": "kg", "inch": "lb"}
FORCE_UNIT = {"mm": "N", "inch": "lbf"}
TORQUE_UNIT = {"mm": "N·m", "inch": "lbf·ft"}
STRESS_UNIT = {"mm": "MPa", "inch": "ksi"}
STIFFNESS_UNIT = {"mm": "N/µm", "inch": "lbf/0.001 in"}


def mass(mass_kg: float, units: str) -> str:
    """A mass without its unit.

    Examples
    --------
    >>> mass(1.0, "mm"), mass(1.0, "inch")
    ('1.00', '2.20')
    """
    return fixed(mass_kg / MASS[MASS_UNIT[units]], 2)


def force(force_n: float, units: str) -> str:
    """A force without its unit."""
    return fixed(force_n / FORCE[FORCE_UNIT[units]], 1)


def stress(stress_mpa: float, units: str) -> str:
    """A stress without its unit.

    Examples
    --------
    >>> stress(310.0, "mm"), stress(310.0, "inch")
    ('310.0', '45.0')
    """
    return fixed(stress_mpa / STRESS[STRESS_UNIT[units]], 1)


def torque(torque_nm: float, units: str) -> str:
    """A torque without its unit."""
    return fixed(torque_nm / TORQUE[TORQUE_UNIT[units]], 2)


def stiffness(newton_per_mm: float, units: str) -> str:
    """A stiffness without its unit: force for a thousandth of a millimetre, or of an inch.

    Examples
    --------
    >>> stiffness(50_000.0, "mm"), stiffness(50_000.0, "inch")
    ('50.0', '285.5')
    """
    per_thousandth = newton_per_mm * (1e-3 if units == "mm" else MM_PER_INCH * 1e-3)
    return fixed(per_thousandth / FORCE[FORCE_UNIT[units]], 1)
