"""Temperatures as people write them: heads of columns, and values within what is believable."""

from __future__ import annotations

from tiltwright.files.diagnostics import InvalidValue, shown

__all__ = ["TEMPERATURE_HEADS", "believable_celsius", "to_celsius"]

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


def believable_celsius(
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
