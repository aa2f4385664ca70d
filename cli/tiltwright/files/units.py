"""Units that people write beside a number: of lengths, of angles as degrees, minutes and seconds, of temperatures.

Apart from the other written numbers, whose patterns a sound job file does not need: they took 2 ms of every start.
"""

from __future__ import annotations

import enum
import re

from tiltwright.files.diagnostics import InvalidValue, shown

__all__ = [
    "ANGLE_PATTERN",
    "TEMPERATURE_HEADS",
    "Unit",
    "parse_angle",
    "plausible_celsius",
    "to_celsius",
]


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


_ANGLE_PART = r"[0-9]{1,9}(?:\.[0-9]{1,15})?"
_DEGREES = rf"\s*([+−-]?)\s*({_ANGLE_PART})\s*(?:[°º˚]|d(?:eg(?:rees?|\.)?)?)"  # noqa: RUF001 - the minus sign is meant
_MINUTES = rf"(?:\s*({_ANGLE_PART})\s*['′’m])?"  # noqa: RUF001 - prime marks are meant
_SECONDS = rf"""(?:\s*({_ANGLE_PART})\s*["″”s])?\s*"""

ANGLE_PATTERN = f"^{_DEGREES}{_MINUTES}{_SECONDS}$"
"""Pattern of an angle's text, for editors; `parse_angle` checks the values too."""

_ANGLE = re.compile(_DEGREES + _MINUTES + _SECONDS, re.ASCII)


def parse_angle(text: str) -> float:
    r"""Degrees of an angle such as ``1°47'24"`` or ``1d 47m 24s``.

    The sign counts for the whole angle, so that -0°30' is half a degree below zero. Minutes and seconds stay
    under 60, and only the last part may have decimals. The result is the float nearest to the exact value.

    Raises
    ------
    ValueError
        With what is allowed, in words.

    Examples
    --------
    >>> parse_angle("1°47'24\""), parse_angle("-0d 30m")
    (1.79, -0.5)
    >>> parse_angle("1°75'")
    Traceback (most recent call last):
        ...
    ValueError: minutes under 60
    """
    match = _ANGLE.fullmatch(text)
    if match is None:
        raise ValueError("degrees, minutes and seconds such as 1d 47m 24s, or a number without quotes")
    sign, *parts = match.groups()
    given = [part for part in parts if part is not None]
    if any("." in part for part in given[:-1]):
        raise ValueError("decimals in the last part only, such as 1d 47.4m or 1d 47m 24.5s")
    from fractions import Fraction  # a file that writes no angle so starts without it

    degrees, minutes, seconds = (Fraction(part or 0) for part in parts)
    if minutes >= 60:
        raise ValueError("minutes under 60")
    if seconds >= 60:
        raise ValueError("seconds under 60")
    size = float(degrees + minutes / 60 + seconds / 3600)
    return -size if sign in {"-", "−"} else size  # noqa: RUF001 - the minus sign is meant


TEMPERATURE_HEADS = {
    head.lower(): name
    for name, heads in {
        "T_C": ("T_C", "T (C)", "T [C]", "T (°C)", "T [°C]", "temperature_C", "temperature (°C)"),
        "T_F": ("T_F", "T (F)", "T [F]", "T (°F)", "T [°F]", "temperature_F", "temperature (°F)"),
        "T": ("T", "temperature"),
    }.items()
    for head in heads
}
"""Heads of the temperature's column, in small letters; "T" is one without its unit."""
_OF_MACHINES_C = (-50.0, 100.0)
"""Degrees Celsius that a machine may have."""


def to_celsius(value: float, *, fahrenheit: bool) -> float:
    """A temperature in degrees Celsius.

    Examples
    --------
    >>> to_celsius(68.0, fahrenheit=True), to_celsius(20.5, fahrenheit=False)
    (20.0, 20.5)
    """
    return (value - 32.0) / 1.8 if fahrenheit else value


def plausible_celsius(
    value: float,
    text: str,
    *,
    fahrenheit: bool,
    limits_c: tuple[float, float] = _OF_MACHINES_C,
    tip: str = "",
) -> float:
    """A temperature in degrees Celsius, within limits.

    Parameters
    ----------
    value : float
    text : str
        As it was written, for the message.
    fahrenheit : bool
    limits_c : (float, float)
    tip : str
        What to do where it lies above them.

    Raises
    ------
    InvalidValue
        Where it lies outside the limits, which are shown in its own unit.
    """
    celsius = to_celsius(value, fahrenheit=fahrenheit)
    low, high = limits_c
    if not low <= celsius <= high:
        ends = [1.8 * end + 32.0 if fahrenheit else end for end in limits_c]
        allowed = f"{ends[0]:g} to {ends[1]:g} degrees {'Fahrenheit' if fahrenheit else 'Celsius'}"
        raise InvalidValue(found=shown(text.strip()), allowed=allowed, tip=tip if celsius > high else "")
    return celsius
