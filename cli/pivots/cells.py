"""One cell of a table of readings: a number, an angle, a direction, a name; or why it is none."""

from __future__ import annotations

import re
import unicodedata

import numpy as np
from numpy.typing import NDArray

from tiltwright.files.angle import parse_angle
from tiltwright.files.faults import shown
from tiltwright.files.machine_file import AXIS_DIRECTIONS

__all__ = ["Refused", "angle_cell", "direction_cell", "name_cell", "number_cell"]

LARGEST = 1e6
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
_LONGEST_NAME = 80


class Refused(ValueError):  # noqa: N818 - it is read as "refused: found ..., allowed ..."
    """A cell that cannot be read: what was found, what is allowed, a tip."""

    def __init__(self, found: str, allowed: str, tip: str = "") -> None:
        super().__init__(f"found {found}; allowed: {allowed}")
        self.found, self.allowed, self.tip = found, allowed, tip


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
    tiltwright.pivots.cells.Refused: found "12,5"; allowed: a number
    """
    stripped = text.strip()
    if not stripped:
        raise Refused("nothing, the cell is empty", "a number")
    if _NUMBER.fullmatch(stripped) is None:
        comma = re.fullmatch(r"[+-]?[0-9]+,[0-9]+", stripped, re.ASCII)
        raise Refused(shown(stripped), "a number", "write the decimals after a point" if comma else "")
    value = float(stripped)
    if abs(value) > largest:
        raise Refused(shown(stripped), f"a number of at most {largest:g}")
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
            raise Refused(refusal.found, "an angle in degrees", refusal.tip) from None


def name_cell(text: str) -> str:
    """A target's name: printable, 1 to 80 characters, nothing unseen in it."""
    name = text.strip()
    allowed = f"printable text of 1 to {_LONGEST_NAME} characters"
    if not name:
        raise Refused("nothing, the cell is empty", allowed)
    if len(name) > _LONGEST_NAME:
        raise Refused(f"{len(name)} characters", allowed)
    if any(unicodedata.category(character) in _UNSEEN for character in name):
        raise Refused(shown(name), f"{allowed}, without control characters")
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
        raise Refused(shown(stripped), allowed)
    return np.array(numbers)
