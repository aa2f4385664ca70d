"""Slips in writing down what was worked out rightly: digits, decimal points, units, and another place's numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.operations import PlacedOperation
from kinematics.teaching.answered_numbers import AXES, AnsweredNumbers
from kinematics.teaching.mistake_search import CHANCE, FoundMistake
from kinematics.teaching.perturbed_offsets import Mistake

__all__ = ["of_another_operation", "of_other_solution", "slips_in_one_number"]

_SLIPS = 12.0
"""Numbers that a slip may make of another: neighbouring digits exchanged, the point moved, the unit, another axis."""


def slips_in_one_number(
    unexplained: Sequence[int], answered: AnsweredNumbers, unit_mm: float
) -> tuple[FoundMistake, ...]:
    """The only wrong number of an operation, worked out rightly and written down wrongly; alike operations together."""
    found: dict[tuple[Mistake, ...], FoundMistake] = {}
    for o in unexplained:
        here = answered.wrong_in(o)
        if here.size != 1:
            continue
        n = int(here[0])
        near, made = _slip_in(answered, n, unit_mm)
        # A number stands beside about a dozen that a slip makes of it, each met with the odds of its window.
        chance = _SLIPS * near / max(abs(float(answered.off_mm[n])), near)
        if not made or chance > CHANCE[1]:
            continue
        before = found.get((made,), FoundMistake((made,), (), (), (), 0, 0, 0.0, 1.0))
        count, left = before.explained + 1, max(before.left_mm, near)
        found[made,] = FoundMistake(
            (made,), (), (), (*before.operations, o), count, count, left, before.chance * chance
        )
    return tuple(found.values())


def _slip_in(answered: AnsweredNumbers, n: int, unit_mm: float) -> tuple[float, Mistake | None]:
    """The slip that makes a right number the one answered, and how nearly, in mm."""
    value, truth = float(answered.value_mm[n]), float(answered.truth_mm[n])
    axis, half = AXES[int(answered.axis[n])], answered.rounded_mm
    digits = _transposed_digits(value / unit_mm, truth / unit_mm, answered.digit_mm / unit_mm)
    if digits:
        words = f"the digits {digits[0]} and {digits[1]} of {axis} stand in each other's places"
        return half, _written("digits swapped", axis, words)
    here, there = ("millimetres", "inches") if unit_mm == 1.0 else ("inches", "millimetres")
    factor = 1.0 / MM_PER_INCH if unit_mm == 1.0 else MM_PER_INCH
    for kind, by, words in (
        ("inch and mm", factor, f"{axis} alone is in {there}, not in {here}"),
        ("decimal point", 10.0, f"the decimal point of {axis} stands a place too far right"),
        ("decimal point", 0.1, f"the decimal point of {axis} stands a place too far left"),
    ):
        near = half * max(1.0, by)
        if abs(value - by * truth) <= near:
            return near, _written(kind, axis, words)
    for other in np.flatnonzero(answered.operation == answered.operation[n]).tolist():
        if other != n and abs(value - float(answered.truth_mm[other])) <= half:
            copied = AXES[int(answered.axis[other])]
            return half, _written(
                "number written twice",
                f"{copied} written for {axis}",
                f"the number of {copied} was written for {axis} too",
            )
    return half, None


def _transposed_digits(value: float, truth: float, step: float) -> str:
    """The two neighbouring digits that were exchanged in writing a number down: "38", or nothing.

    Parameters
    ----------
    value, truth : float
        In the unit in which they are written.
    step : float
        The last digit: 0.001.

    Examples
    --------
    >>> _transposed_digits(-318.025, -381.025, 0.001), _transposed_digits(-381.026, -381.025, 0.001)
    ('81', '')
    """
    places = max(0, round(-np.log10(step)))
    text, wrong = f"{truth:.{places}f}", f"{value:.{places}f}"
    if len(text) != len(wrong):
        return ""
    apart = [k for k, (a, b) in enumerate(zip(text, wrong, strict=True)) if a != b]
    neighbours = len(apart) == 2 and "." not in (text[apart[0]], text[apart[1]])
    if not neighbours or text[apart[0] + 1 : apart[1]] not in ("", "."):
        return ""
    first, second = apart
    return text[first] + text[second] if (text[first], text[second]) == (wrong[second], wrong[first]) else ""


def _written(kind: str, item: str, words: str) -> Mistake:
    """A slip in writing numbers down, which changes no calculation."""
    return Mistake(kind, item, words, "offset", frozenset({f"writing of {item}"}), lambda _batch, _rows: None)


def of_other_solution(
    unexplained: Sequence[int], others_mm: Mapping[int, NDArray[np.float64]], answered: AnsweredNumbers
) -> tuple[FoundMistake, ...]:
    """Wrong numbers of an operation, all or some, that are the same operation's by another solution."""
    found, near = [], answered.tolerance_mm
    for o in unexplained:
        if o not in others_mm:
            continue
        here = answered.wrong_in(o)
        left = np.abs(others_mm[o][:, answered.axis[here]] - answered.value_mm[here])
        most = left[int(np.argmax((left <= near).sum(axis=1)))]
        met = most <= near
        chance = len(left) * answered.odds(here[met], near)
        if met.any() and chance <= CHANCE[2]:
            axes = answered.axes(here[met])
            words = f"{axes} {'is that' if len(axes) == 1 else 'are those'} of the other solution"
            made = (_written("numbers of the other solution", axes, words),)
            counts, apart = (int(met.sum()), int(here.size)), float(most[met].max())
            found.append(FoundMistake(made, (), (), (o,), *counts, apart, chance))
    return tuple(found)


def of_another_operation(
    unexplained: Sequence[int], placed: Sequence[PlacedOperation], answered: AnsweredNumbers
) -> tuple[FoundMistake, ...]:
    """Wrong numbers of an operation that are another operation's."""
    found, near = [], answered.tolerance_mm
    offsets = np.array([one.offset_mm for one in placed]).reshape(-1, 3)
    for o in unexplained:
        here = answered.wrong_in(o)
        left = np.abs(offsets[:, answered.axis[here]] - answered.value_mm[here])
        fits = [k for k in np.flatnonzero((left <= near).all(axis=1)).tolist() if k != o]
        chance = (len(placed) - 1) * answered.odds(here, near)
        if fits and chance <= CHANCE[2]:
            axes = answered.axes(here)
            verb = "is that" if len(axes) == 1 else "are those"
            made = tuple(
                (
                    _written(
                        "numbers of another operation",
                        f"{axes} of {placed[k].name}",
                        f"{axes} {verb} of {placed[k].name}",
                    ),
                )
                for k in fits
            )
            count, apart = int(here.size), float(left[fits[0]].max())
            found.append(FoundMistake(made[0], made[1:], (), (o,), count, count, apart, chance))
    return tuple(found)
