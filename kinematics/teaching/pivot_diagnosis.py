"""Grading of an answer to a pivot exercise: numbers right or wrong, and the mistakes that give the wrong ones."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.results import FixedParameter
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.teaching.answered_numbers import ROUNDED
from kinematics.teaching.attainable_accuracy import AttainableAccuracy
from kinematics.teaching.pivot_exercise import PivotExercise
from kinematics.teaching.pivot_mistakes import (
    PivotMistake,
    WrongPivot,
    mistakes_at_pivot,
    mistakes_in_direction,
    pairs_at_pivot,
)
from kinematics.teaching.pivot_numbers import LineNumber, line_values
from kinematics.validation import as_index

__all__ = ["PivotAnswer", "PivotDiagnosis", "PivotFinding", "PivotMark", "diagnose_pivots"]

Floats = NDArray[np.float64]

# Up to how many mistakes random numbers may be expected to meet for one to be named: for both numbers of a pair, and
# for one of two by itself, where half of the evidence is missing.
_CHANCE = 0.05
_CHANCE_OF_ONE = 0.01
_CHANCE_OF_PAIR = 0.02
_SHARE = 50.0
# A tolerance is a whole number of digits: a number off by exactly that much is right in spite of floating point.
_ROUNDING = 1.0 + 1e-9


@dataclass(frozen=True)
class PivotAnswer(DeclaredFields):
    """One coordinate that was answered: of which pivot, from 0, on which axis, millimetres."""

    pivot: int
    axis: str
    value_mm: float


@dataclass(frozen=True)
class PivotMark(DeclaredFields):
    """One graded number of an answer.

    Attributes
    ----------
    number : LineNumber
    answered, truth : float
        Counted from the believed line, in the number's unit.
    allowed : float or None
        Largest error of a right answer; None where the readings do not determine the number.
    right : bool or None
        None where it is not judged.
    """

    number: LineNumber
    answered: float
    truth: float
    allowed: float | None
    right: bool | None

    @property
    def error(self) -> float:
        """Answer minus truth."""
        return self.answered - self.truth


@dataclass(frozen=True)
class PivotFinding(DeclaredFields):
    """A mistake that was found.

    Attributes
    ----------
    marks : tuple of PivotMark
        The wrong numbers that it gives, of one pivot.
    made : PivotMistake
    same : tuple of PivotMistake
        Mistakes that explain these answers as well.
    left : float
        The largest difference left, in the numbers' unit.
    """

    marks: tuple[PivotMark, ...]
    made: PivotMistake
    same: tuple[PivotMistake, ...]
    left: float


@dataclass(frozen=True)
class PivotDiagnosis(DeclaredFields):
    """A graded answer.

    Attributes
    ----------
    marks : tuple of PivotMark
    findings : tuple of PivotFinding
    unexplained : tuple of PivotMark
        Wrong, and no mistake gives them.
    fixed : tuple of FixedParameter
        Quantities that the readings do not determine, on which nobody is judged.
    unanswered : tuple of LineNumber
        Coordinates that are asked for and were not answered; they are not right.
    """

    marks: tuple[PivotMark, ...]
    findings: tuple[PivotFinding, ...]
    unexplained: tuple[PivotMark, ...]
    fixed: tuple[FixedParameter, ...]
    unanswered: tuple[LineNumber, ...] = ()

    @property
    def right(self) -> bool:
        """True when no judged number is wrong."""
        return all(mark.right is not False for mark in self.marks)

    @property
    def passed(self) -> bool:
        """True when every number that is asked for was answered and none is wrong."""
        return self.right and not self.unanswered

    @property
    def judged(self) -> int:
        """Count of the numbers that were judged."""
        return sum(mark.right is not None for mark in self.marks)

    @property
    def wrong(self) -> int:
        """Count of the wrong ones."""
        return sum(mark.right is False for mark in self.marks)


@takes_declared()
def diagnose_pivots(
    exercise: PivotExercise,
    support: AttainableAccuracy,
    answers: Sequence[PivotAnswer] | Machine,
    *,
    digit_mm: float | None = None,
) -> PivotDiagnosis:
    """Grade an answer by the true lines, and try every classic mistake on its wrong numbers.

    Parameters
    ----------
    exercise : PivotExercise
    support : AttainableAccuracy
        Of the exercise.
    answers : sequence of PivotAnswer, or Machine
        Coordinates found by hand, or a machine with the lines answered: then every line's directions are graded too.
    digit_mm : float, optional
        Last digit of the answers as written; the sheet's where left out. A machine's lines count as written in full.

    Returns
    -------
    PivotDiagnosis

    Raises
    ------
    KinematicsError
        When an answer names no pivot, no coordinate that is asked for, or is not finite; when a machine's rotaries
        are others, or a line's direction points the other way.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> from kinematics.teaching.attainable_accuracy import attainable
    >>> exercise = set_pivot_exercise(seed=7)
    >>> support, tilt = attainable(exercise), exercise.probings[0]
    >>> moved = support.best_mm[0] - tilt.believed_mm
    >>> answers = [PivotAnswer(0, axis, round(value, 3)) for axis, value in zip(tilt.axes, moved.tolist())]
    >>> [finding.made.name for finding in diagnose_pivots(exercise, support, answers).findings]
    ['relative to the old value']
    >>> diagnose_pivots(exercise, support, exercise.truth).right
    True
    >>> [finding.made.name for finding in diagnose_pivots(exercise, support, exercise.machine).findings]
    ['old value kept', 'old value kept']
    >>> [number.label for number in diagnose_pivots(exercise, support, answers[:1]).unanswered]
    ['Z', 'X', 'Y']
    >>> diagnose_pivots(exercise, support, [PivotAnswer(1, "Z", 0.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: answer, axis: expected X or Y for the pivot of C, found 'Z'
    """
    if isinstance(answers, Machine):
        values, order, digit = line_values(exercise.machine, answers), list(range(len(support.numbers))), 0.0
    else:
        digit = exercise.digit_mm if digit_mm is None else digit_mm
        values, order = _as_values(support, answers)
    marks = _marks(support, values, digit)
    flipped = _every_tilt_flipped(support, marks)
    findings: list[PivotFinding] = [] if flipped is None else [flipped]
    unexplained: list[PivotMark] = []
    for pair in range(2 * len(exercise.machine.rotaries)):
        here = [marks[n] for n in (2 * pair, 2 * pair + 1) if n in marks and marks[n].right is not None]
        if all(mark.right for mark in here):
            continue
        pivot, is_direction = divmod(pair, 2)
        if is_direction and flipped is not None:
            continue
        rows = (
            mistakes_in_direction(support, pivot)
            if is_direction
            else mistakes_at_pivot(exercise, support, pivot)
        )
        search = _Search.of(rows, here, 0.0 if is_direction else digit)
        pairs = partial(pairs_at_pivot, exercise, support, pivot)
        found, left = search.explain(tuple if is_direction else pairs, digit)
        findings += found
        unexplained += left
    given = tuple(marks[n] for n in order if n in marks)
    left_out = tuple(
        number
        for n, number in enumerate(support.numbers)
        if number.axis and n not in marks and not np.isnan(support.allowed[divmod(n, 4)])
    )
    return PivotDiagnosis(given, tuple(findings), tuple(unexplained), support.fit.fixed, left_out)


def _every_tilt_flipped(support: AttainableAccuracy, marks: dict[int, PivotMark]) -> PivotFinding | None:
    """All signs of all directions reversed: small numbers each, but together no chance."""
    tilts = {n: mark for n, mark in marks.items() if n % 4 > 1 and mark.right is not None}
    wrong = tuple(mark for mark in tilts.values() if not mark.right)
    if len(wrong) < 2 or len({mark.number.letter for mark in wrong}) < 2:
        return None
    left = [abs(mark.answered + float(support.best[divmod(n, 4)])) for n, mark in tilts.items()]
    near = [mark.allowed or 0.0 for mark in tilts.values()]
    odds = [min(1.0, (mark.allowed or 0.0) / abs(2.0 * mark.error)) for mark in wrong]
    if any(a > b for a, b in zip(left, near, strict=True)) or float(np.prod(odds)) > _CHANCE:
        return None
    words = "every sign of every direction is reversed"
    return PivotFinding(wrong, PivotMistake("sign of the tilt", "every direction", words), (), max(left))


def _as_values(support: AttainableAccuracy, answers: Sequence[PivotAnswer]) -> tuple[Floats, list[int]]:
    """Coordinates as numbers counted from the believed line, shape (n, 4), NaN where nothing was answered."""
    values = np.full(support.best.shape, np.nan)
    order: list[int] = []
    for answer in answers:
        as_index(answer.pivot, len(values), "answer, pivot")
        own = support.numbers[4 * answer.pivot : 4 * answer.pivot + 2]
        axes = [number.axis for number in own if number.axis]
        if answer.axis not in axes:
            expected = " or ".join(axes) if axes else "none, for its line runs along no machine axis,"
            raise KinematicsError(
                f"answer, axis: expected {expected} for the pivot of {own[0].letter}, found {answer.axis!r}"
            )
        if not np.isfinite(answer.value_mm):
            raise KinematicsError("answer: expected a finite number, found NaN or infinity")
        k = axes.index(answer.axis)
        if 4 * answer.pivot + k in order:
            raise KinematicsError(
                f"answer: expected {answer.axis} for the pivot of {own[0].letter} once, found it twice"
            )
        values[answer.pivot, k] = answer.value_mm - own[k].believed_mm
        order.append(4 * answer.pivot + k)
    return values, order


def _marks(support: AttainableAccuracy, values: Floats, digit_mm: float) -> dict[int, PivotMark]:
    """The graded numbers by their place among all."""
    # A right number written to fewer digits is off by up to half of the last one.
    allowed = support.allowed.copy()
    if digit_mm:  # by hand
        allowed[:, :2] = np.maximum(support.by_hand_mm, digit_mm / 2.0)
    allowed *= _ROUNDING
    off = np.abs(values - support.truth)
    marks = {}
    for n, number in enumerate(support.numbers):
        place = divmod(n, 4)
        if np.isnan(values[place]):
            continue
        limit = None if np.isnan(allowed[place]) else float(allowed[place])
        right = None if limit is None else bool(off[place] <= limit)
        marks[n] = PivotMark(number, float(values[place]), float(support.truth[place]), limit, right)
    return marks


@dataclass(eq=False)
class _Search:
    """One or two answered numbers of a pair against the mistakes that give both."""

    rows: tuple[WrongPivot, ...]
    marks: list[PivotMark]
    predicted: Floats
    value: Floats
    truth: Floats
    near: Floats

    @classmethod
    def of(cls, rows: Sequence[WrongPivot], marks: list[PivotMark], digit: float) -> _Search:
        """Lay out the judged numbers of one pair."""
        base = np.array([mark.number.believed_mm for mark in marks])
        value = base + [mark.answered for mark in marks]
        truth = base + [mark.truth for mark in marks]
        allowed = np.array([mark.allowed for mark in marks], dtype=np.float64)
        predicted = np.array([row.value for row in rows])[:, [mark.number.second for mark in marks]]
        # A match must be as good as the error is small: chance comes near a number that is nearly right.
        most = np.maximum(ROUNDED * digit + 1e-9, np.abs(value - truth).max() / _SHARE)
        return cls(tuple(rows), marks, predicted, value, truth, np.minimum(allowed, most))

    def explain(
        self, pairs: Callable[[], Sequence[WrongPivot]], digit: float
    ) -> tuple[list[PivotFinding], list[PivotMark]]:
        """The mistake that gives every number, two together, or one for each; and the numbers left unexplained."""
        every = list(range(len(self.marks)))
        wrong = [n for n in every if not self.marks[n].right]
        whole = self.best(every, _CHANCE)
        if whole is not None:
            return [PivotFinding(tuple(self.marks[n] for n in wrong), *whole)], []
        found: list[PivotFinding] = []
        left: list[PivotMark] = []
        for n in wrong:
            one = self.best([n], _CHANCE_OF_ONE) if len(every) > 1 else None
            if one is None:
                left.append(self.marks[n])
            else:
                found.append(PivotFinding((self.marks[n],), *one))
        near = ROUNDED * digit + 1e-9
        # Two mistakes may leave one of the two numbers right; and one for each number, where neither quite gives it, is
        # beaten by two that give both to the last digit.
        if left or (digit and max(one.left for one in found) > near):
            rows = pairs()
            both = _Search.of(rows, self.marks, digit).best(every, _CHANCE_OF_PAIR) if rows else None
            if both is not None and (left or both[2] <= near):
                return [PivotFinding(tuple(self.marks[n] for n in wrong), *both)], []
        return found, left

    def best(self, at: list[int], most: float) -> tuple[PivotMistake, tuple[PivotMistake, ...], float] | None:
        """The mistake that gives the numbers at these places, those as good, and what it leaves; None if chance might."""
        miss = np.abs(self.predicted - self.value)[:, at]
        hits = np.flatnonzero((miss <= self.near[at]).all(axis=1))
        if not hits.size or self._chance(at) > most:
            return None
        fit = np.round((miss[hits] ** 2).sum(axis=1), 12)
        ranked = hits[np.argsort(fit, kind="stable")]
        made = self.rows[ranked[0]].made
        if len(at) < len(self.value) and not made.item:
            # A mistake made in both numbers would show in both.
            singles = [r for r in ranked.tolist() if self.rows[r].made.item]
            if not singles:
                return None
            made = self.rows[singles[0]].made
        same = tuple(dict.fromkeys(self.rows[r].made for r in ranked.tolist() if self.rows[r].made != made))
        return made, same, float(miss[ranked[0]].max())

    def _chance(self, at: list[int]) -> float:
        """Expected count of mistakes that random numbers as far out as these would match.

        Only those that change the wrong numbers by up to twice as much as they are off can be matched, each with the
        odds of its window in that range.
        """
        bad = [n for n in at if not self.marks[n].right]
        good = [n for n in at if self.marks[n].right]
        reach = 2.0 * np.abs(self.value - self.truth)[bad]
        alike = (np.abs(self.predicted[:, bad] - self.truth[bad]) <= reach).all(axis=1)
        alike &= (np.abs(self.predicted - self.value)[:, good] <= self.near[good]).all(axis=1)
        names = {self.rows[r].made for r in np.flatnonzero(alike).tolist()}
        # Mistakes that put the wrong numbers within one window of each other can be matched only together.
        windows = np.unique(np.rint(self.predicted[alike][:, bad] / (2.0 * self.near[bad])), axis=0)
        count = min(len(names), len(windows))
        return float(count * np.prod(np.minimum(1.0, self.near[bad] / reach)))
