"""Search for the mistakes that give somebody's wrong numbers.

A mistake explains an operation when it gives every number answered there, the right ones as well. The match must be
as good as the error is small: to the tolerance where the numbers are far out, down to the last digit written where
they are nearly right. An explanation that numbers drawn at random would meet too easily is not given.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.teaching.answered_numbers import AnsweredNumbers
from kinematics.teaching.perturbed_offsets import Mistake, PerturbedOffsets

__all__ = ["CHANCE", "FOLLOWED", "FoundMistake", "MistakeSearch"]

CHANCE = {1: 0.08, 2: 0.02}
"""Largest chance at which an explanation by one mistake, or by two, is still given: one common slip is believed on less
evidence than two together."""
_HARDLY = 0.005
"""Chance up to which a mistake that does not give every digit is still sure."""
_SHARE = 20.0
"""Part of the largest error by which a mistake may miss a number: a small error is met by chance where a match is loose."""
_WRITTEN = 0.5 + 1e-6
"""Digits by which a number that is worked exactly may differ from the one written down."""
_SCATTER = 0.05
"""Largest chance of rounding on the way bringing one mistake's numbers to two mistakes', digit for digit, at which the two
are still told first: one in twenty. Both are told, whichever comes first."""
_CAREFUL = 1.55
"""Digits by which two mistakes at once may miss a number: rounding, and one digit of careful work on the way."""
_SAME_MM = 1e-9
_FAR = 200.0
"""Tolerances beyond which two numbers of an operation are not met by chance."""
FOLLOWED = "followed from wrong angles"
"""Kind of the mistake of working rightly from wrong angles."""


@dataclass(frozen=True)
class FoundMistake(DeclaredFields):
    """A mistake that was found.

    Attributes
    ----------
    made : tuple of Mistake
        One, or two made together.
    same : tuple of tuple of Mistake
        Mistakes that give the same numbers there to the answers' rounding, so that these cannot tell them apart.
    others : tuple of tuple of Mistake
        Mistakes that give other numbers and explain as many of the answers.
    operations : tuple of int
        The operations that it explains.
    explained, wrong : int
        Count of the wrong numbers there that it gives, and of all wrong ones.
    left_mm : float
        The largest difference left among those it gives.
    chance : float
        Expected count of mistakes that would explain as much of random numbers as far out as these; at most `CHANCE`.
    pairs : tuple of tuple of Mistake
        Pairs that explain the same operations, where one mistake was found.
    exact : bool
        It gives them to the last digit.
    elsewhere : tuple of int
        Other operations with wrong numbers, which it does not explain.
    """

    made: tuple[Mistake, ...]
    same: tuple[tuple[Mistake, ...], ...]
    others: tuple[tuple[Mistake, ...], ...]
    operations: tuple[int, ...]
    explained: int
    wrong: int
    left_mm: float
    chance: float
    pairs: tuple[tuple[Mistake, ...], ...] = ()
    exact: bool = True
    elsewhere: tuple[int, ...] = ()

    @property
    def complete(self) -> bool:
        """True when it gives every wrong number of its operations."""
        return self.explained == self.wrong

    @property
    def sure(self) -> bool:
        """True when it explains everything there, to be believed, and nothing else does."""
        return not (self.hint or self.same or self.others)

    @property
    def hint(self) -> bool:
        """True when it explains too little to be believed, whatever else would explain as much.

        It leaves a wrong number there, or a digit that random numbers might come as near to; or other operations went wrong
        in another way, so that their common cause may be on no list, and it is not one mistake that gives every digit.
        """
        if not self.complete:
            return True
        if self.elsewhere:
            return not self.exact or len(self.made) > 1
        return not self.exact and self.chance > _HARDLY


class MistakeSearch:
    """Comparison of k answers with the v rows of `PerturbedOffsets`."""

    def __init__(self, recomputed: PerturbedOffsets, answered: AnsweredNumbers) -> None:
        self.answered, self.made, self.digit = answered, recomputed.made, answered.digit_mm
        self.size = np.array([len(made) for made in recomputed.made])
        self.operation, self.wrong, self.off = answered.operation, answered.wrong, answered.off_mm
        self.predicted = recomputed.offset_mm[:, answered.operation, answered.axis]
        self.left = np.abs(self.predicted - answered.value_mm)
        self.change = np.abs(self.predicted - answered.truth_mm)
        furthest = np.array([np.abs(self.off[self.operation == o]).max() for o in self.operation])
        # Millimetres taken for inches are as far apart as they are, times 25.4.
        self.scale = np.maximum(1.0, recomputed.scale)[:, None]
        match = np.maximum(answered.rounded_mm + 1e-9, furthest / _SHARE)
        self.near = self.scale * np.minimum(answered.tolerance_mm, match)
        # Two mistakes at once are believed only where they give the numbers as closely as careful work does.
        most = np.where(self.size == 2, _CAREFUL * self.digit, np.inf)[:, None]
        self.near = np.minimum(self.near, self.scale * most)
        self.far = furthest > _FAR * answered.tolerance_mm
        self.hit = self.left <= self.near

    def run(self) -> tuple[tuple[FoundMistake, ...], tuple[int, ...]]:
        """Findings by a greedy search: the mistake that explains most wrong numbers, then most of the rest."""
        open_operations = list(self.answered.wrong_operations)
        findings: list[FoundMistake] = []
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

    def _best(self, operations: list[int]) -> FoundMistake | None:
        covers = np.stack([self.hit[:, self.operation == o].all(axis=1) for o in operations], axis=1)
        counts = np.array([int(self.wrong[self.operation == o].sum()) for o in operations])
        explained = covers @ counts
        explained[0] = 0
        rows = np.flatnonzero(explained)
        if not rows.size:
            return None
        against = (~self.hit[rows] & ~self.wrong).sum(axis=1)
        # Nothing is ranked more closely than the answers' own rounding allows.
        rms, most = self._misfit(rows, covers[rows], operations)
        quality = np.where(most <= _WRITTEN * self.digit, 0.0, np.round(rms, 9))
        ranked = rows[np.lexsort((quality, self.size[rows], against, -explained[rows]))]
        for row in ranked.tolist():
            where = tuple(o for o, covered in zip(operations, covers[row], strict=True) if covered)
            # One of several wrong operations is met by chance that many times more easily than all of them.
            chance = self._chance(row, where) * comb(len(operations), len(where))
            if chance <= CHANCE[int(self.size[row])]:
                pair = self._closer_pair(row, where)
                return self._finding(row if pair is None else pair, ranked, where, explained, chance)
        return None

    def _closer_pair(self, row: int, where: tuple[int, ...]) -> int | None:
        """A pair that gives to the last digit what one mistake gives within the tolerance, where that is no accident.

        Rounding on the way scatters the one mistake's numbers by what it leaves; the pairs that fit are met by that with the
        odds of a last digit in such a range, number by number. Numbers in another unit have other last digits.
        """
        here = np.isin(self.operation, where)
        scatter = float(self.left[row, here].max())
        if self.size[row] != 1 or self.scale[row, 0] > 1.0 or scatter <= self.answered.rounded_mm:
            return None
        fits = np.flatnonzero((self.size == 2) & self.hit[:, here].all(axis=1))
        left = self.left[np.ix_(fits, here)].max(axis=1, initial=0.0)
        odds = (_WRITTEN * self.digit / scatter) ** int(here.sum())
        exact = fits[left <= _WRITTEN * self.digit]
        return int(exact[0]) if exact.size and fits.size * odds <= _SCATTER else None

    def _misfit(
        self, rows: NDArray[np.int64], covered: NDArray[np.bool_], operations: list[int]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Root mean square and largest misfit of rows over the operations that they cover."""
        counted = np.zeros((rows.size, self.operation.size))
        for column, o in enumerate(operations):
            counted[:, self.operation == o] = covered[:, column, None]
        left = counted * self.left[rows]
        return np.sqrt((left**2).sum(axis=1) / counted.sum(axis=1)), left.max(axis=1)

    def _chance(self, row: int, where: tuple[int, ...]) -> float:
        """Expected count of rows, of as many mistakes, that random numbers as far out would match there.

        Only rows that change the numbers by up to twice as much as they are off can be matched; each is matched,
        number by number, with the odds of a window in that range. Numbers that are right to the last digit count
        only by leaving out the rows that would change them. Right operations are evidence, too, where the row gives
        what their numbers are off by within the tolerance.
        """
        given = [o for o in self.answered.right_operations if self.hit[row, self.operation == o].all()]
        here = np.isin(self.operation, [*where, *given])
        off = np.abs(self.off)
        inexact = here & (off > self.answered.rounded_mm)
        exact = here & ~inexact
        reach = 2.0 * off[inexact]
        alike = self.size == self.size[row]
        alike &= self.hit[:, exact].all(axis=1) & (self.change[:, inexact] <= reach).all(axis=1)
        distinct = len(np.unique(np.round(self.predicted[np.ix_(alike, inexact)], 6), axis=0))
        return float(distinct * np.prod(np.minimum(1.0, self.near[row, inexact] / reach)))

    def _finding(
        self,
        row: int,
        ranked: NDArray[np.int64],
        where: tuple[int, ...],
        explained: NDArray[np.int64],
        chance: float,
    ) -> FoundMistake:
        """A row told, beside those of as few mistakes that explain as much."""
        here = np.isin(self.operation, where)
        alike = np.array(
            [
                r
                for r in ranked.tolist()
                if r != row and self.size[r] <= self.size[row] and explained[r] == explained[row]
            ],
            dtype=np.int64,
        )
        # A mistake that would give the same numbers from other angles is ruled out by the angles answered.
        if any(one.kind == FOLLOWED for one in self.made[row]):
            alike = np.array(
                [r for r in alike.tolist() if any(one.kind == FOLLOWED for one in self.made[r])],
                dtype=np.int64,
            )
        left_mm = float(self.left[row][here].max() / self.scale[row, 0])
        same_mm = max(_SAME_MM, self.digit / 2.0)
        apart = np.abs(self.predicted[np.ix_(alike, here)] - self.predicted[row, here])
        # What differs by less than a digit may be written down the same.
        written = self.left[:, here].max(axis=1, initial=0.0) <= _WRITTEN * self.digit
        equal = (apart.max(axis=1, initial=0.0) <= same_mm) | (written[alike] & written[row])
        fits = self.hit[np.ix_(alike, here)].all(axis=1)
        return FoundMistake(
            self.made[row],
            tuple(self.made[r] for r in alike[equal].tolist()),
            tuple(self.made[r] for r in alike[~equal & fits].tolist()),
            where,
            int(explained[row]),
            int(explained[row]),
            left_mm,
            chance,
            self._pairs_for(row, here),
            left_mm <= self.answered.rounded_mm,
            self._elsewhere(where),
        )

    def _elsewhere(self, where: tuple[int, ...]) -> tuple[int, ...]:
        """The other operations with wrong numbers."""
        return tuple(o for o in self.answered.wrong_operations if o not in where)

    def _pairs_for(self, row: int, here: NDArray[np.bool_]) -> tuple[tuple[Mistake, ...], ...]:
        """Pairs that explain as much as a single mistake does, none of them that mistake with another that shows nothing."""
        if self.size[row] != 1:
            return ()
        fits = np.flatnonzero((self.size == 2) & self.hit[:, here].all(axis=1))
        alone = {
            self.made[r][0] for r in np.flatnonzero((self.size == 1) & self.hit[:, here].all(axis=1)).tolist()
        }
        return tuple(self.made[r] for r in fits.tolist() if not alone & set(self.made[r]))

    def _partly(self, o: int, findings: list[FoundMistake]) -> FoundMistake | None:
        """A mistake with a slip on top, that gives two or more wrong numbers of an operation but not all.

        Either one that was found elsewhere in the same answers, or a single one where the numbers are too far out
        for a match by chance. It leaves the right numbers there right.
        """
        here = np.flatnonzero((self.operation == o) & self.wrong)
        met = self.hit[:, here] & (self.change[:, here] > self.near[:, here])
        count = met.sum(axis=1)
        known = [f.made for f in findings]
        allowed = np.array(
            [made in known or (len(made) == 1 and bool(self.far[here].all())) for made in self.made]
        )
        right = (self.operation == o) & ~self.wrong
        count[~allowed | ~self.hit[:, right].all(axis=1)] = 0
        row = int(np.argmax(count))
        if count[row] < 2:
            return None
        return FoundMistake(
            self.made[row],
            (),
            (),
            (o,),
            int(count[row]),
            int(here.size),
            float(self.left[row][here][met[row]].max() / self.scale[row, 0]),
            0.0,
            elsewhere=self._elsewhere((o,)),
        )
