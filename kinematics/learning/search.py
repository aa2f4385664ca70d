"""The search for the mistake that gives somebody's numbers.

A mistake explains an operation when it gives every number answered there, the right ones as well. The match must be
as good as the error is small: to the tolerance where the numbers are far out, down to the last digit written where
they are nearly right. An explanation that numbers drawn at random would meet too easily is not given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.learning.mistakes import Mistake, Recomputed

__all__ = ["CHANCE", "Finding", "Search"]

CHANCE = {1: 0.08, 2: 0.02}
"""Up to how much chance an explanation by one mistake, or by two, is still given: a slip that is known to be made
often is believed on less than two of them together."""
_SHARE = 20.0
_HALF = 0.55
_SAME_MM = 1e-9
_FAR = 200.0


@dataclass(frozen=True)
class Finding:
    """A mistake that was found.

    Attributes
    ----------
    made : tuple of Mistake
        One, or two made together.
    same : tuple of tuple of Mistake
        What gives the very same numbers, so that these answers cannot tell it apart.
    others : tuple of tuple of Mistake
        What gives other numbers that explain as many of the answers.
    operations : tuple of int
        Where.
    explained, wrong : int
        How many of the wrong numbers there it gives, of how many.
    left_mm : float
        The largest difference left among those it gives.
    chance : float
        How many of the mistakes would be expected to explain as much of random numbers as far out as these; at most
        `CHANCE`.
    """

    made: tuple[Mistake, ...]
    same: tuple[tuple[Mistake, ...], ...]
    others: tuple[tuple[Mistake, ...], ...]
    operations: tuple[int, ...]
    explained: int
    wrong: int
    left_mm: float
    chance: float

    @property
    def complete(self) -> bool:
        """Whether it gives every wrong number of its operations."""
        return self.explained == self.wrong

    @property
    def sure(self) -> bool:
        """Whether it explains everything there and nothing else does."""
        return self.complete and not self.same and not self.others


class Search:
    """The rows of `Recomputed` held against the answers; k answers, v rows."""

    def __init__(
        self,
        worked: Recomputed,
        operation: NDArray[np.int64],
        axis: NDArray[np.int64],
        value: NDArray[np.float64],
        truth: NDArray[np.float64],
        wrong: NDArray[np.bool_],
        tolerance: float,
        digit: float,
    ) -> None:
        self.made, self.digit = worked.made, digit
        self.size = np.array([len(made) for made in worked.made])
        self.operation, self.wrong, self.off = operation, wrong, value - truth
        self.predicted = worked.offset_mm[:, operation, axis]
        self.left = np.abs(self.predicted - value)
        self.change = np.abs(self.predicted - truth)
        furthest = np.array([np.abs(self.off[operation == o]).max() for o in operation])
        self.near = np.minimum(tolerance, np.maximum(_HALF * digit + 1e-9, furthest / _SHARE))
        self.far = furthest > _FAR * tolerance
        self.hit = self.left <= self.near

    def run(self) -> tuple[tuple[Finding, ...], tuple[int, ...]]:
        """Findings, greedily: whatever explains the most wrong numbers, then the most of what is left."""
        open_operations = sorted(set(self.operation[self.wrong].tolist()))
        findings: list[Finding] = []
        while open_operations:
            found = self._best(open_operations)
            if found is None:
                break
            findings.append(found)
            open_operations = [o for o in open_operations if o not in found.operations]
        for o in list(open_operations):
            found = self._partly(o, findings)
            if found is not None:
                findings.append(found)
                open_operations.remove(o)
        return tuple(findings), tuple(open_operations)

    def _best(self, operations: list[int]) -> Finding | None:
        covers = np.stack([self.hit[:, self.operation == o].all(axis=1) for o in operations], axis=1)
        counts = np.array([int(self.wrong[self.operation == o].sum()) for o in operations])
        explained = covers @ counts
        explained[0] = 0
        rows = np.flatnonzero(explained)
        if not rows.size:
            return None
        against = (~self.hit[rows] & ~self.wrong).sum(axis=1)
        quality = np.round(self._rms(rows, covers[rows], operations), 9)
        ranked = rows[np.lexsort((quality, self.size[rows], against, -explained[rows]))]
        for row in ranked.tolist():
            where = tuple(o for o, covered in zip(operations, covers[row], strict=True) if covered)
            chance = self._chance(row, where)
            if chance <= CHANCE[int(self.size[row])]:
                return self._finding(row, ranked, where, explained, chance)
        return None

    def _rms(
        self, rows: NDArray[np.int64], covered: NDArray[np.bool_], operations: list[int]
    ) -> NDArray[np.float64]:
        """How well rows fit the operations that they cover."""
        counted = np.zeros((rows.size, self.operation.size))
        for column, o in enumerate(operations):
            counted[:, self.operation == o] = covered[:, column, None]
        return np.asarray(np.sqrt((counted * self.left[rows] ** 2).sum(axis=1) / counted.sum(axis=1)))

    def _chance(self, row: int, where: tuple[int, ...]) -> float:
        """How many rows of as many mistakes random numbers as far out would be expected to meet there.

        Only rows that change the numbers by up to twice as much as they are off can be met; each is met, number by
        number, with the odds of a window in that range. Numbers that are right to the last digit only count by
        leaving out the rows that would change them.
        """
        here = np.isin(self.operation, where)
        off = np.abs(self.off)
        told, exact = here & (off > self.digit), here & (off <= self.digit)
        reach = 2.0 * off[told]
        alike = self.size == self.size[row]
        alike &= self.hit[:, exact].all(axis=1) & (self.change[:, told] <= reach).all(axis=1)
        distinct = len(np.unique(np.round(self.predicted[np.ix_(alike, told)], 6), axis=0))
        return float(distinct * np.prod(np.minimum(1.0, self.near[told] / reach)))

    def _finding(
        self,
        row: int,
        ranked: NDArray[np.int64],
        where: tuple[int, ...],
        explained: NDArray[np.int64],
        chance: float,
    ) -> Finding:
        here = np.isin(self.operation, where)
        alike = np.array(
            [
                r
                for r in ranked.tolist()
                if r != row and self.size[r] == self.size[row] and explained[r] == explained[row]
            ],
            dtype=np.int64,
        )
        equal = np.abs(self.predicted[alike] - self.predicted[row]).max(axis=1, initial=0.0) <= _SAME_MM
        fits = self.hit[np.ix_(alike, here)].all(axis=1)
        return Finding(
            self.made[row],
            tuple(self.made[r] for r in alike[equal].tolist()),
            tuple(self.made[r] for r in alike[~equal & fits].tolist()),
            where,
            int(explained[row]),
            int(explained[row]),
            float(self.left[row][here].max()),
            chance,
        )  # fmt: skip

    def _partly(self, o: int, findings: list[Finding]) -> Finding | None:
        """A mistake with a slip on top: it gives two or more wrong numbers of an operation, but not all.

        One that was found elsewhere in the same answers counts; otherwise a single one, and only where the numbers
        are so far out that chance has no part in it.
        """
        here = np.flatnonzero((self.operation == o) & self.wrong)
        met = self.hit[:, here] & (self.change[:, here] > self.near[here])
        count = met.sum(axis=1)
        known = [f.made for f in findings]
        allowed = np.array(
            [made in known or (len(made) == 1 and bool(self.far[here].all())) for made in self.made]
        )
        count[~allowed] = 0
        row = int(np.argmax(count))
        if count[row] < 2:
            return None
        return Finding(
            self.made[row],
            (),
            (),
            (o,),
            int(count[row]),
            int(here.size),
            float(self.left[row][here][met[row]].max()),
            0.0,
        )
