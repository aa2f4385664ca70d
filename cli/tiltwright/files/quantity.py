"""Masses, forces, torques and the like: text with a number and its unit, since a file's `units` are of length only.

The first spelling of a unit can be typed on any keyboard; hints use that one.
"""

import re
from typing import ClassVar

from kinematics.constants import MM_PER_INCH
from tiltwright.files.diagnostics import InvalidValue, enumeration
from tiltwright.files.schema_types import FieldType

__all__ = [
    "DENSITY",
    "DURATION",
    "EXPANSION",
    "FORCE",
    "MASS",
    "MODULUS",
    "STRESS",
    "THICKNESS",
    "TORQUE",
    "Density",
    "Duration",
    "Expansion",
    "Force",
    "Mass",
    "Modulus",
    "Stress",
    "Thickness",
    "Torque",
    "parse_quantity",
]

_POUND = 0.45359237  # kg, exactly (international yard and pound agreement of 1959)
_POUND_FORCE = _POUND * 9.80665  # N, with the standard gravity of the 3rd CGPM (1901)
_INCH_M = MM_PER_INCH * 1e-3

_FOOT_M = 12 * _INCH_M


def _spelled(units: dict[tuple[str, ...], float]) -> dict[str, float]:
    """The factor of every spelling, those of one unit together."""
    return {spelling: factor for spellings, factor in units.items() for spelling in spellings}


def _in_pounds(length: str) -> tuple[str, ...]:
    """The spellings of a torque in pounds: the force or the length first, with a hyphen, a blank or a point."""
    return tuple(
        joined
        for pound in ("lb", "lbf")
        for between in ("-", " ", "·")
        for joined in (f"{length}{between}{pound}", f"{pound}{between}{length}")
    )


MASS = _spelled({("kg",): 1.0, ("g",): 1e-3, ("lb", "lbs", "pound", "pounds"): _POUND})
FORCE = _spelled({("N",): 1.0, ("kN",): 1e3, ("lbf",): _POUND_FORCE})
TORQUE = _spelled(
    {
        ("N m", "N·m", "N-m", "Nm"): 1.0,
        _in_pounds("ft"): _POUND_FORCE * _FOOT_M,
        _in_pounds("in"): _POUND_FORCE * _INCH_M,
    }
)
DENSITY = _spelled(
    {
        ("kg/m3", "kg/m³"): 1.0,
        ("g/cm3", "g/cm³"): 1e3,
        ("lb/in3", "lb/in³", "lbs/in3", "lbs/in³"): _POUND / _INCH_M**3,
    }
)
MODULUS = _spelled({("GPa",): 1.0, ("MPa",): 1e-3, ("Mpsi",): _POUND_FORCE / _INCH_M**2 * 1e-3})

EXPANSION = _spelled(
    {
        ("um/m/K", "µm/m/K", "um/(m K)", "µm/(m K)", "ppm/K", "um/m/C", "ppm/C"): 1e-6,
        ("uin/in/F", "µin/in/F", "ppm/F"): 1.8e-6,
    }
)

STRESS = _spelled({("MPa", "N/mm2", "N/mm²"): 1.0, ("GPa",): 1e3, ("ksi",): _POUND_FORCE / _INCH_M**2 * 1e-3})
DURATION = _spelled({("min", "minutes"): 1.0, ("h", "hours"): 60.0, ("s", "seconds"): 1.0 / 60.0})
THICKNESS = _spelled({("mm",): 1.0, ("um", "µm"): 1e-3, ("in",): MM_PER_INCH})

_NUMBER = r"[0-9]{1,12}(?:\.[0-9]{1,12})?"


def parse_quantity(text: str, units: dict[str, float]) -> float:
    """A number above zero with its unit, in the unit whose factor is 1.

    Raises
    ------
    ValueError
        With what is allowed, in words.

    Examples
    --------
    >>> parse_quantity("2 lbs", MASS), parse_quantity("120 N·m", TORQUE)
    (0.90718474, 120.0)
    >>> parse_quantity("120", TORQUE)
    Traceback (most recent call last):
        ...
    ValueError: a number above zero and its unit, N m, ft-lb or in-lb, such as "120 N m"
    """
    match = re.fullmatch(rf"\s*({_NUMBER})\s*(\S.*?)\s*", text, re.ASCII)
    if match is None or match[2] not in units or float(match[1]) <= 0.0:
        first = {factor: unit for unit, factor in reversed(units.items())}
        names = [unit for unit in units if unit in first.values()]
        raise ValueError(
            f'a number above zero and its unit, {enumeration(names, "or")}, such as "120 {names[0]}"'
        )
    return float(match[1]) * units[match[2]]


class Quantity(FieldType, float):
    """A number above zero with its unit, read as text."""

    __slots__ = ()
    plain = float
    units: ClassVar[dict[str, float]]

    def __init_subclass__(cls) -> None:
        """Build the JSON Schema from the units."""
        choices = "|".join(re.escape(unit) for unit in cls.units)
        cls.schema = {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*({choices})\s*$"}

    @classmethod
    def before(cls, value: object) -> object:
        """Read the text."""
        try:
            return parse_quantity(value if isinstance(value, str) else "", cls.units)
        except ValueError as fault:
            raise InvalidValue(allowed=str(fault)) from None


class Mass(Quantity):
    """Kilograms."""

    __slots__ = ()
    units = MASS


class Force(Quantity):
    """Newtons."""

    __slots__ = ()
    units = FORCE


class Torque(Quantity):
    """Newton metres."""

    __slots__ = ()
    units = TORQUE


class Density(Quantity):
    """Kilograms in a cubic metre."""

    __slots__ = ()
    units = DENSITY


class Modulus(Quantity):
    """Gigapascals."""

    __slots__ = ()
    units = MODULUS


class Expansion(Quantity):
    """Thermal expansion per kelvin."""

    __slots__ = ()
    units = EXPANSION


class Stress(Quantity):
    """Megapascals, newtons on a square millimetre."""

    __slots__ = ()
    units = STRESS


class Duration(Quantity):
    """Minutes."""

    __slots__ = ()
    units = DURATION


class Thickness(Quantity):
    """Millimetres, with a unit of its own: a coating's is seldom that of the file."""

    __slots__ = ()
    units = THICKNESS
