"""What an answer to a question may be; a ValueError says what was wanted."""

from __future__ import annotations

from tiltwright.files.angle import parse_angle
from tiltwright.files.faults import Refused

__all__ = ["ends", "limits", "maybe_positive", "name", "number", "positive", "three"]


def name(answer: str) -> str:
    """A name of one line."""
    if not answer.isprintable() or not 1 <= len(answer) <= 80:
        raise ValueError("a printable name of 1 to 80 characters")
    return answer


def number(answer: str) -> float:
    """A number, such as 0.75."""
    from tiltwright.pivots.cells import number_cell

    try:
        return number_cell(answer)
    except Refused:
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
