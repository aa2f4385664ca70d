"""How a number looks on the sheet: decided here and nowhere else."""

from collections.abc import Iterable

from tiltwright.files.units import Unit

UNIT_MM = {unit.value: unit.mm for unit in Unit}
"""How many millimetres a unit is, by its name."""

DECIMALS = {"mm": 3, "inch": 4}
ANGLE_DECIMALS = 4


def fixed(value: float, decimals: int) -> str:
    """A number with a fixed count of decimals, and never a minus before a zero.

    Examples
    --------
    >>> fixed(-0.00004, 3), fixed(-12.3456, 3)
    ('0.000', '-12.346')
    """
    text = f"{value:.{decimals}f}"
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
    return fixed(in_units(value_mm, units), DECIMALS[units])


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


def direction(vector: Iterable[float]) -> str:
    """A unit vector in four decimals, with whole components written short.

    Examples
    --------
    >>> direction((0.0, -0.5, 0.8660254))
    '(0, -0.5000, 0.8660)'
    """
    parts = (fixed(float(component), 4) for component in vector)
    return "(" + ", ".join(part.split(".")[0] if part.endswith(".0000") else part for part in parts) + ")"


def with_minus(text: str) -> str:
    """The same number with a typographic minus, which a grey print at arm's length does not lose."""
    return text.replace("-", "\N{MINUS SIGN}")
