"""Validators of typed answers, and pivot formulas in the questions of `machine new`."""

from __future__ import annotations

from tiltwright.files.angle import parse_angle
from tiltwright.files.diagnostics import InvalidValue

__all__ = [
    "ends",
    "limits",
    "maybe_positive",
    "name",
    "number",
    "pivot_formulas",
    "pivot_more",
    "pivot_words",
    "positive",
    "three",
]


def name(answer: str) -> str:
    """A name of one line."""
    if not answer.isprintable() or not 1 <= len(answer) <= 80:
        raise ValueError("a printable name of 1 to 80 characters")
    return answer


def number(answer: str) -> float:
    """A number, such as 0.75."""
    from tiltwright.files.parsing import parse_number

    try:
        return parse_number(answer)
    except InvalidValue:
        raise ValueError("a number with a decimal point, such as 0.75") from None


def positive(answer: str) -> float:
    """A number above zero."""
    value = number(answer)
    if value <= 0.0:
        raise ValueError("a number above 0")
    return value


def maybe_positive(answer: str) -> float | None:
    """A number above zero, or nothing."""
    return positive(answer) if answer else None


def _several(answer: str, count: int, words: str) -> list[float]:
    parts = [part for part in answer.replace(",", " ").split() if part]
    if len(parts) != count:
        raise ValueError(words)
    return [number(part) for part in parts]


def three(answer: str) -> list[float]:
    """Three numbers, commas or blanks between them."""
    return _several(answer, 3, "three numbers X,Y,Z")


def ends(answer: str) -> list[float]:
    """Two numbers, the lower one first."""
    low, high = _several(answer, 2, "two numbers, the lower end first")
    if low >= high:
        raise ValueError("the lower end first")
    return [low, high]


def limits(answer: str) -> list[float] | str:
    """Two angles, the lowest first, or "endless"."""
    if answer.lower() == "endless":
        return "endless"
    parts = [part.strip() for part in answer.split(",")]
    if len(parts) != 2:
        raise ValueError('two angles, the lowest first, or "endless"')
    low, high = (_one_angle(part) for part in parts)
    if low >= high:
        raise ValueError("the lowest angle first")
    return [low, high]


def _one_angle(text: str) -> float:
    try:
        return number(text)
    except ValueError:
        return parse_angle(text)


_ACROSS = {"X": ("Y", "Z"), "Y": ("Z", "X"), "Z": ("X", "Y")}


def pivot_formulas(along: str, positive_turn: str, quarter: str = "+90") -> tuple[str, str]:
    """Where a rotary's line lies, from a mark's centre read at 0 (Y1, Z1) and a quarter turn on (Y2, Z2).

    A right-handed quarter turn about +X brings the mark from (y, z) off the line to (-z, y) off it; that gives two
    equations for the line's two coordinates. Derived here; Y and Z follow by exchanging X, Y, Z in a ring.

    Parameters
    ----------
    along : str
        "+X" to "-Z".
    positive_turn : str
        "clockwise" or "counterclockwise", the table seen from the positive end.
    quarter : str
        "+90" or "-90", the move of the rotary from 0.

    Examples
    --------
    >>> pivot_formulas("+X", "counterclockwise")
    ('Y = (Y1 + Y2 + Z1 - Z2) / 2', 'Z = (Z1 + Z2 - Y1 + Y2) / 2')
    """
    u, v = _ACROSS[along[1]]
    right_handed = [along[0] == "+", positive_turn == "counterclockwise", quarter == "+90"].count(
        False
    ) % 2 == 0
    plus, minus = ("+", "-") if right_handed else ("-", "+")
    return (
        f"{u} = ({u}1 + {u}2 {plus} {v}1 {minus} {v}2) / 2",
        f"{v} = ({v}1 + {v}2 {minus} {u}1 {plus} {u}2) / 2",
    )


def pivot_words(letter: str, along: str, positive_turn: str) -> str:
    """What the pivot is, and the short way to find it."""
    u, v = _ACROSS[along[1]]
    first, second = pivot_formulas(along, positive_turn)
    return (
        f"A point of {letter}'s line, the pivot: machine X, Y, Z of any point on it, every rotary at zero. Along the\n"
        f"line itself, in {along[1]}, any value will do. Best is to probe a ball at many angles and to let\n"
        f"`tiltwright pivot fit` work the line out. By hand:\n"
        f"  1. Fix a gauge ball, or a ground pin that lies along {along[1]}, to the platter. At {letter} 0 find the\n"
        f"     {u} and {v} of its centre: {u}1, {v}1.\n"
        f"  2. Move {letter} alone to +90 and find them again: {u}2, {v}2. The line lies at\n"
        f"       {first}\n"
        f"       {second}\n"
        f"  Where {letter} does not reach +90, type ? for another way."
    )


def pivot_more(letter: str, along: str, positive_turn: str) -> str:
    """Why that is so, what to do where the rotary does not reach so far, and how to check it."""
    first, second = pivot_formulas(along, positive_turn, "-90")
    return (
        "Why: the two centres and the pivot are the corners of a right triangle with two equal sides. The pivot lies\n"
        "half the centres' distance from the middle between them, square to the line that joins them; the sense of\n"
        f"turning tells to which side. Other ways, for what {letter} reaches:\n"
        f"  to -90 instead of +90: {first}\n"
        f"                         {second}\n"
        "  half a turn, such as 0 and 180 or -90 and +90: the pivot is halfway between the two centres\n"
        "  less than a quarter turn: find the centre at three angles as far apart as can be; the pivot is the centre\n"
        "  of the circle through the three. The shorter that arc, the worse: a micrometre in a reading is many then.\n"
        "Check: at any other angle the ball's centre must stand as far from the pivot as before."
    )
