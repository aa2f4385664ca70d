"""What somebody's pivots say: which coordinates are right, which are wrong, and which mistake gives the wrong ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.teaching.attainable_accuracy import AttainableAccuracy
from kinematics.teaching.pivot_exercise import PivotExercise
from kinematics.teaching.pivot_mistakes import PivotMistake, PivotRow, mistakes_at_pivot

__all__ = ["PivotAnswer", "PivotDiagnosis", "PivotFinding", "diagnose_pivots"]

Floats = NDArray[np.float64]

# Up to how many mistakes random numbers may be expected to meet for one to be named: for all of a pivot's numbers, and
# for one of two by itself, where half of the evidence is missing.
_CHANCE = 0.05
_CHANCE_OF_ONE = 0.01
_SHARE = 50.0
_HALF = 0.55
_SAME_MM = 1e-9


@dataclass(frozen=True)
class PivotAnswer:
    """One coordinate that was answered: of which pivot, from 0, on which axis, millimetres."""

    pivot: int
    axis: str
    value_mm: float


@dataclass(frozen=True)
class PivotFinding:
    """A mistake that was found.

    Attributes
    ----------
    pivot : int
    axes : tuple of str
        The wrong coordinates that it gives.
    made : PivotMistake
    same : tuple of PivotMistake
        What explains these answers as well.
    left_mm : float
        The largest difference left.
    """

    pivot: int
    axes: tuple[str, ...]
    made: PivotMistake
    same: tuple[PivotMistake, ...]
    left_mm: float


@dataclass(frozen=True, eq=False)
class PivotDiagnosis:
    """What became of a set of answers.

    Attributes
    ----------
    answers : tuple of PivotAnswer
    off_mm : ndarray, shape (k,)
        Answer minus truth.
    wrong : ndarray of bool, shape (k,)
        Off by more than the readings support.
    findings : tuple of PivotFinding
    unexplained : tuple of PivotAnswer
        Wrong, and no mistake gives them.
    """

    answers: tuple[PivotAnswer, ...]
    off_mm: Floats
    wrong: NDArray[np.bool_]
    findings: tuple[PivotFinding, ...]
    unexplained: tuple[PivotAnswer, ...]

    @property
    def right(self) -> bool:
        """Whether nothing is wrong."""
        return not bool(self.wrong.any())


def diagnose_pivots(
    exercise: PivotExercise,
    support: AttainableAccuracy,
    answers: Sequence[PivotAnswer],
    *,
    digit_mm: float | None = None,
) -> PivotDiagnosis:
    """Hold answers against the true pivots, and the wrong ones against every classic mistake.

    Parameters
    ----------
    exercise : PivotExercise
    support : Support
        What its readings support.
    answers : sequence of PivotAnswer
    digit_mm : float, optional
        The last digit that the answers are written to; the sheet's where left out.

    Returns
    -------
    PivotDiagnosis

    Raises
    ------
    KinematicsError
        When an answer names no pivot, no coordinate that is asked for, or is not finite.

    Examples
    --------
    >>> from kinematics.teaching.pivot_random import set_pivot_exercise
    >>> from kinematics.teaching.attainable_accuracy import attainable
    >>> exercise = set_pivot_exercise(seed=7)
    >>> support, tilt = attainable(exercise), exercise.probed[0]
    >>> moved = support.best_mm[0] - tilt.believed_mm
    >>> answers = [PivotAnswer(0, axis, round(value, 3)) for axis, value in zip(tilt.axes, moved.tolist())]
    >>> [finding.made.name for finding in diagnose_pivots(exercise, support, answers).findings]
    ['relative to the old value']
    >>> diagnose_pivots(exercise, support, [PivotAnswer(1, "Z", 0.0)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: answer, axis: expected X or Y for the pivot of C, found 'Z'
    """
    given = _checked(exercise, answers)
    # A right number written to fewer digits is off by up to half of the last one.
    digit = exercise.digit_mm if digit_mm is None else digit_mm
    place = [(a.pivot, exercise.probed[a.pivot].axes.index(a.axis)) for a in given]
    truth = np.array([exercise.probed[i].true_mm[k] for i, k in place])
    allowed = np.array([max(float(support.allowed_mm[i][k]), digit / 2.0) for i, k in place]) * (1.0 + 1e-9)
    off = np.array([a.value_mm for a in given]) - truth
    wrong = np.abs(off) > allowed
    findings: list[PivotFinding] = []
    unexplained: list[PivotAnswer] = []
    for i in sorted({a.pivot for a, bad in zip(given, wrong.tolist(), strict=True) if bad}):
        here = [n for n, a in enumerate(given) if a.pivot == i]
        rows = mistakes_at_pivot(exercise, support, i)
        one = _Pivot(
            i, rows, np.array([place[n][1] for n in here]), np.array([given[n].value_mm for n in here]),
            truth[here], wrong[here], allowed[here], digit,
        )  # fmt: skip
        found, left = one.search()
        names = exercise.probed[i].axes
        findings += [
            PivotFinding(i, tuple(given[here[n]].axis for n in where), made, same, left_mm)
            for where, made, same, left_mm in found
        ]
        unexplained += [a for a in given if a.pivot == i and names.index(a.axis) in left]
    return PivotDiagnosis(tuple(given), off, wrong, tuple(findings), tuple(unexplained))


_Found = tuple[tuple[int, ...], PivotMistake, tuple[PivotMistake, ...], float]


@dataclass(eq=False)
class _Pivot:
    """One pivot's answers (1 or 2) against the rows."""

    pivot: int
    rows: tuple[PivotRow, ...]
    axis: NDArray[np.int64]
    value: Floats
    truth: Floats
    wrong: NDArray[np.bool_]
    allowed: Floats
    digit: float

    def __post_init__(self) -> None:
        self.predicted = np.array([row.value_mm for row in self.rows])[:, self.axis]
        self.left = np.abs(self.predicted - self.value)
        self.off = np.abs(self.value - self.truth)
        # A match must be as good as the error is small: chance comes near a number that is nearly right.
        self.near = np.minimum(self.allowed, np.maximum(_HALF * self.digit + 1e-9, self.off.max() / _SHARE))

    def search(self) -> tuple[list[_Found], set[int]]:
        """What explains everything, or else each wrong coordinate by itself; and the axes that stay unexplained."""
        every = tuple(range(len(self.value)))
        whole = self._best(every, _CHANCE)
        if whole is not None:
            bad = tuple(n for n in every if self.wrong[n])
            return [(bad, *whole)], set()
        found: list[_Found] = []
        left: set[int] = set()
        for n in every:
            if not self.wrong[n]:
                continue
            one = self._best((n,), _CHANCE_OF_ONE) if len(every) > 1 else None
            if one is None:
                left.add(int(self.axis[n]))
            else:
                found.append(((n,), *one))
        return found, left

    def _best(
        self, where: tuple[int, ...], most: float
    ) -> tuple[PivotMistake, tuple[PivotMistake, ...], float] | None:
        at = list(where)
        hits = np.flatnonzero((self.left[:, at] <= self.near[at]).all(axis=1))
        if not hits.size or self._chance(at) > most:
            return None
        fit = np.round((self.left[hits][:, at] ** 2).sum(axis=1), 12)
        ranked = hits[np.argsort(fit, kind="stable")]
        made = self.rows[ranked[0]].made
        if len(at) < len(self.value) and not made.item:
            # A mistake made in both coordinates would show in both.
            singles = [r for r in ranked.tolist() if self.rows[r].made.item]
            if not singles:
                return None
            made = self.rows[singles[0]].made
        same = tuple(dict.fromkeys(self.rows[r].made for r in ranked.tolist() if self.rows[r].made != made))
        return made, same, float(self.left[ranked[0]][at].max())

    def _chance(self, at: list[int]) -> float:
        """How many mistakes would be expected to meet random numbers as far out as these.

        Only those that change the wrong numbers by up to twice as much as they are off can be met, each with the
        odds of its window in that range.
        """
        bad = [n for n in at if self.wrong[n]]
        good = [n for n in at if not self.wrong[n]]
        reach = 2.0 * self.off[bad]
        alike = (np.abs(self.predicted[:, bad] - self.truth[bad]) <= reach).all(axis=1)
        alike &= (self.left[:, good] <= self.near[good]).all(axis=1)
        names = {self.rows[r].made for r in np.flatnonzero(alike).tolist()}
        return float(len(names) * np.prod(np.minimum(1.0, self.near[bad] / reach)))


def _checked(exercise: PivotExercise, answers: Sequence[PivotAnswer]) -> list[PivotAnswer]:
    for answer in answers:
        if not 0 <= answer.pivot < len(exercise.probed):
            raise KinematicsError(
                f"answer, pivot: expected 0 to {len(exercise.probed) - 1}, found {answer.pivot}"
            )
        one = exercise.probed[answer.pivot]
        if answer.axis not in one.axes:
            first, second = one.axes
            raise KinematicsError(
                f"answer, axis: expected {first} or {second} for the pivot of {one.letter}, found {answer.axis!r}"
            )
        if not np.isfinite(answer.value_mm):
            raise KinematicsError("answer: expected a finite number, found NaN or infinity")
    return list(answers)
