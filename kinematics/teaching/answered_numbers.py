"""Answered numbers: what somebody wrote down for offsets, beside the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.operations import PlacedOperation
from kinematics.teaching.working import listed_words
from kinematics.validation import as_index, as_positive

__all__ = ["AXES", "ROUNDED", "Answer", "AnsweredNumbers"]

AXES = ("X", "Y", "Z")
ROUNDED = 0.55
"""Last digits by which careful work, rounded once to write it down, may differ from what it should be."""


@dataclass(frozen=True)
class Answer(DeclaredFields):
    """One answered number.

    Attributes
    ----------
    operation : int
        Index among the placed operations, from 0.
    axis : str
        "X", "Y" or "Z".
    value_mm : float
    """

    operation: int
    axis: str
    value_mm: float


@dataclass(frozen=True, eq=False)
class AnsweredNumbers:
    """Answered numbers side by side, shape (k,).

    Attributes
    ----------
    operation, axis : ndarray of int
        What each number answers, by index.
    value_mm, truth_mm : ndarray
    tolerance_mm, digit_mm : float
        Largest error of a right number, and the last digit as written.
    """

    operation: NDArray[np.int64]
    axis: NDArray[np.int64]
    value_mm: NDArray[np.float64]
    truth_mm: NDArray[np.float64]
    tolerance_mm: float
    digit_mm: float

    @classmethod
    def of(
        cls,
        answers: Sequence[Answer],
        placed: Sequence[PlacedOperation],
        tolerance_mm: float,
        digit_mm: float,
    ) -> AnsweredNumbers:
        """Answers beside the offsets of the operations; no number is wrong for want of digits.

        Raises
        ------
        KinematicsError
            When an answer names no operation or axis, is not finite or is given twice, or the tolerance or the last digit is not
            above 0.
        """
        as_positive(digit_mm, "last digit")
        _check(answers, len(placed), tolerance_mm)
        operation = np.array([answer.operation for answer in answers], dtype=np.int64)
        axis = np.array([AXES.index(answer.axis) for answer in answers], dtype=np.int64)
        offsets = np.array([one.offset_mm for one in placed]).reshape(-1, 3)
        return cls(
            operation,
            axis,
            np.array([answer.value_mm for answer in answers]),
            offsets[operation, axis],
            max(tolerance_mm, digit_mm / 2.0) * (1.0 + 1e-9),
            digit_mm,
        )

    @cached_property
    def off_mm(self) -> NDArray[np.float64]:
        """Answer minus truth."""
        return self.value_mm - self.truth_mm

    @cached_property
    def wrong(self) -> NDArray[np.bool_]:
        """True for numbers off by more than the tolerance."""
        return np.asarray(np.abs(self.off_mm) > self.tolerance_mm)

    @property
    def wrong_operations(self) -> tuple[int, ...]:
        """Operations with a wrong number, ascending."""
        return tuple(sorted(set(self.operation[self.wrong].tolist())))

    @property
    def right_operations(self) -> tuple[int, ...]:
        """Operations answered without a wrong number, ascending."""
        return tuple(sorted(set(self.operation.tolist()) - set(self.wrong_operations)))

    @property
    def rounded_mm(self) -> float:
        """Error that rounding to the last digit leaves."""
        return ROUNDED * self.digit_mm

    def wrong_in(self, operation: int) -> NDArray[np.int64]:
        """Indices of an operation's wrong numbers."""
        return np.flatnonzero((self.operation == operation) & self.wrong)

    def axes(self, here: NDArray[np.int64]) -> str:
        """The axes of some numbers, in words."""
        return listed_words(AXES[a] for a in sorted(self.axis[here].tolist()))

    def odds(self, here: NDArray[np.int64], near_mm: float) -> float:
        """Odds that random numbers as far out as these come as near to others as that."""
        off = np.abs(self.off_mm[here])
        return float(np.prod(np.minimum(1.0, near_mm / np.maximum(off, near_mm))))


def _check(answers: Sequence[Answer], count: int, tolerance_mm: float) -> None:
    as_positive(tolerance_mm, "tolerance")
    for answer in answers:
        as_index(answer.operation, count, "answer, operation")
        if answer.axis not in AXES:
            raise KinematicsError(f"answer, axis: expected X, Y or Z, found {answer.axis!r}")
        if not np.isfinite(answer.value_mm):
            raise KinematicsError("answer: expected a finite number, found NaN or infinity")
    seen = [(answer.operation, answer.axis) for answer in answers]
    for place in seen:
        if seen.count(place) > 1:
            raise KinematicsError(f"answer: expected {place[1]} of operation {place[0]} once, found it twice")
