"""An operation's plane as three turns: the form in which many programs and controls ask for a tilted plane.

The turns take the part's frame into the program's X, Y, Z at the operation's pose. They are right-handed, about the
axes as turned so far (moving) or about the part's own axes (fixed).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import OrientationAngles, orientation_angles
from tiltwright.output.numbers import angle

__all__ = [
    "TurnConvention",
    "parse_convention",
    "plane_turns",
    "turns_cells",
    "turns_explained",
    "turns_head",
    "turns_report",
]


@dataclass(frozen=True)
class TurnConvention:
    """An order of three turns, and the axes they are about.

    Attributes
    ----------
    order : str
        Three of x, y, z, neighbours different, such as "zxz".
    moving : bool
        True: each turn is about an axis as turned so far. False: about the part's own axes.
    """

    order: str
    moving: bool

    @property
    def text(self) -> str:
        """The order as it is typed, "z-x-z"."""
        return "-".join(self.order)

    @property
    def about(self) -> str:
        """The axes in one word, "moving" or "fixed"."""
        return "moving" if self.moving else "fixed"


def parse_convention(text: str, *, moving: bool) -> TurnConvention:
    """A typed order of turns.

    Raises
    ------
    InputFaults
        When it is not three axes with neighbours different.

    Examples
    --------
    >>> parse_convention("z-x-z", moving=True).order
    'zxz'
    >>> parse_convention("z-z-x", moving=True)
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --turns: found "z-z-x"; allowed: three axes, such as z-x-z or x-y-z, neighbours different
    """
    from tiltwright.files.diagnostics import option_error, shown

    order = text.strip().lower().replace("-", "")
    if re.fullmatch(r"[xyz](-[xyz]){2}", text.strip().lower()) is None or order[1] in {order[0], order[2]}:
        tip = f"put a - between the axes: {'-'.join(order)}" if re.fullmatch("[xyz]{3}", text.lower()) else ""
        allowed = "three axes, such as z-x-z or x-y-z, neighbours different"
        raise option_error("--turns", shown(text), allowed, tip)
    return TurnConvention(order, moving)


def plane_turns(axes: NDArray[np.float64], convention: TurnConvention) -> OrientationAngles:
    """The three turns from the part's frame to the program's axes.

    Parameters
    ----------
    axes : ndarray, shape (3, 3)
        Rows: the program's X, Y, Z in part coordinates.
    convention : TurnConvention

    Examples
    --------
    A plane tipped by 35 degrees about the part's x:

    >>> tipped = np.array([[1, 0, 0], [0, 0.8191520442889918, 0.573576436351046], [0, -0.573576436351046, 0.8191520442889918]])
    >>> [round(value, 9) for value in plane_turns(tipped, TurnConvention("zxz", True)).angles_deg]
    [0.0, 35.0, 0.0]
    """
    return orientation_angles(axes.T, convention.order, moving=convention.moving)


def turns_head(convention: TurnConvention) -> list[str]:
    """The columns' heads in a table."""
    return [f"turn {place} {axis}" for place, axis in enumerate(convention.order, start=1)]


def turns_cells(turns: OrientationAngles) -> list[str]:
    """The three angles in a table; a star on the two that cannot be told apart."""
    star = "*" if turns.degenerate else ""
    first, second, third = (_half_turn_positive(angle(value)) for value in turns.angles_deg)
    return [first + star, second, third + star]


def _half_turn_positive(text: str) -> str:
    """One spelling of a half turn, so that rounding does not make it -180 in one row and 180 in the next."""
    return text.removeprefix("-") if float(text) == -180.0 else text


def turns_explained(convention: TurnConvention, *, degenerate: bool) -> str:
    """The line under a table that says what the angles are."""
    about = "the axes as already turned" if convention.moving else "the part's own, fixed axes"
    words = (
        f"Turns {convention.text}: from the part's x, y, z to the program's X, Y, Z, in this order, right-handed, "
        f"each about {about}."
    )
    if not degenerate:
        return words
    return (
        f"{words}\n* The first and the third turn act about one line here, so only the two together count; "
        "the third is set to 0."
    )


def turns_report(turns: OrientationAngles, convention: TurnConvention) -> dict[str, Any]:
    """The turns for JSON."""
    return {
        "order": convention.text,
        "about": convention.about,
        "angles": list(turns.angles_deg),
        "degenerate": turns.degenerate,
    }
