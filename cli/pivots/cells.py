"""One cell of a table of readings: a number, an angle, a direction, a name; or why it is none."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from tiltwright.files.angle import parse_angle
from tiltwright.files.faults import Refused, shown, unseen
from tiltwright.files.fields import LONGEST_NAME, printable_words
from tiltwright.files.machine_file import AXIS_DIRECTIONS

__all__ = ["EMPTY_CELL", "angle_cell", "direction_cell", "name_cell", "number_cell"]

EMPTY_CELL = "nothing, the cell is empty"
"""What is found where a cell says nothing."""

LARGEST = 1e6
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)


def number_cell(text: str, largest: float = LARGEST) -> float:
    """A plain decimal number.

    Raises
    ------
    Refused
        On anything else: an empty cell, words, a decimal comma, "nan", a number beyond `largest`.

    Examples
    --------
    >>> number_cell(" -301.0213 "), number_cell("1e-3")
    (-301.0213, 0.001)
    >>> number_cell("12,5")
    Traceback (most recent call last):
        ...
    tiltwright.files.faults.Refused: found "12,5"; allowed: a number
    """
    stripped = text.strip()
    if not stripped:
        raise Refused(found=EMPTY_CELL, allowed="a number")
    if _NUMBER.fullmatch(stripped) is None:
        comma = re.fullmatch(r"[+-]?[0-9]+,[0-9]+", stripped, re.ASCII)
        tip = "write the decimals after a point" if comma else ""
        raise Refused(found=shown(stripped), allowed="a number", tip=tip)
    value = float(stripped)
    if abs(value) > largest:
        raise Refused(found=shown(stripped), allowed=f"a number of at most {largest:g}")
    return value


def angle_cell(text: str) -> float:
    """Degrees: a number, or degrees, minutes and seconds.

    Examples
    --------
    >>> angle_cell("-30"), angle_cell("-0d 30m")
    (-30.0, -0.5)
    """
    try:
        return number_cell(text)
    except Refused as refusal:
        try:
            return parse_angle(text.strip())
        except ValueError:
            raise Refused(found=refusal.found, allowed="an angle in degrees", tip=refusal.tip) from None


def name_cell(text: str) -> str:
    """A target's name: printable, 1 to 80 characters, nothing unseen in it."""
    name = text.strip()
    allowed = printable_words(LONGEST_NAME)
    if not name:
        raise Refused(found=EMPTY_CELL, allowed=allowed)
    if len(name) > LONGEST_NAME:
        raise Refused(found=f"{len(name)} characters", allowed=allowed)
    if unseen(name):
        raise Refused(found=shown(name), allowed=f"{allowed}, without control characters")
    return name


def direction_cell(text: str) -> NDArray[np.float64] | None:
    """A direction at the all-zero pose: ``+Z``, or three numbers with blanks between them; None for an empty cell.

    Examples
    --------
    >>> direction_cell("-Y").tolist(), direction_cell("0 0.6 0.8").tolist(), direction_cell("")
    ([0.0, -1.0, 0.0], [0.0, 0.6, 0.8], None)
    """
    stripped = text.strip()
    if not stripped:
        return None
    if stripped.upper() in AXIS_DIRECTIONS:
        return np.array(AXIS_DIRECTIONS[stripped.upper()])
    allowed = "+X, -X, +Y, -Y, +Z or -Z, or three numbers with blanks between them"
    try:
        numbers = [number_cell(part) for part in stripped.split()]
    except Refused:
        numbers = []
    if len(numbers) != 3 or float(np.linalg.norm(numbers)) < 1e-9:
        raise Refused(found=shown(stripped), allowed=allowed)
    return np.array(numbers)
