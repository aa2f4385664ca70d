"""Diagnosis of answers: which numbers are wrong, and which mistake or pair of mistakes gives them.

A mistake explains an operation when it gives every number answered there, the right ones as well. The match must be
as good as the error is small: to the tolerance where the numbers are far out, down to the last digit written where
they are nearly right. An explanation that numbers drawn at random would meet too easily is not given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.figure_trace import (
    FigureTrace,
    digits_swapped,
    taken_from,
    taken_from_other_solution,
    trace_figures,
    transposed_digits,
)
from kinematics.teaching.mistake_catalogue import classic_mistakes
from kinematics.teaching.perturbed_offsets import Mistake, PerturbedOffsets, recompute
from kinematics.teaching.working import check_operation, stack_frames
from kinematics.validation import ValueEquality, read_only
from kinematics.work_offsets import Setup

__all__ = ["AXES", "CHANCE", "FOLLOWED", "Answer", "Diagnosis", "FoundMistake", "MistakeSearch", "diagnose"]

CHANCE = {1: 0.08, 2: 0.02}
"""Largest chance at which an explanation by one mistake, or by two, is still given: one common slip is believed on less
evidence than two together."""
_SHARE = 20.0
_HALF = 0.55
_SAME_MM = 1e-9
_FAR = 200.0
FOLLOWED = "followed from wrong angles"
"""Kind of the mistake of working rightly from wrong angles."""


@dataclass(frozen=True)
class FoundMistake:
    """A mistake that was found.

    Attributes
    ----------
    made : tuple of Mistake
        One, or two made together.
    same : tuple of tuple of Mistake
        Mistakes that give the same numbers to the answers' rounding, so that these cannot tell them apart.
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

    @property
    def complete(self) -> bool:
        """True when it gives every wrong number of its operations."""
        return self.explained == self.wrong

    @property
    def sure(self) -> bool:
        """True when it explains everything there and nothing else does."""
        return self.complete and not self.same and not self.others


class MistakeSearch:
    """Comparison of k answers with the v rows of `PerturbedOffsets`."""

    def __init__(
        self,
        recomputed: PerturbedOffsets,
        operation: NDArray[np.int64],
        axis: NDArray[np.int64],
        value: NDArray[np.float64],
        truth: NDArray[np.float64],
        wrong: NDArray[np.bool_],
        tolerance: float,
        digit: float,
    ) -> None:
        self.made, self.digit = recomputed.made, digit
        self.size = np.array([len(made) for made in recomputed.made])
        self.operation, self.wrong, self.off = operation, wrong, value - truth
        self.predicted = recomputed.offset_mm[:, operation, axis]
        self.left = np.abs(self.predicted - value)
        self.change = np.abs(self.predicted - truth)
        furthest = np.array([np.abs(self.off[operation == o]).max() for o in operation])
        # Millimetres taken for inches are as far apart as they are, times 25.4.
        self.scale = np.maximum(1.0, recomputed.scale)[:, None]
        self.near = self.scale * np.minimum(tolerance, np.maximum(_HALF * digit + 1e-9, furthest / _SHARE))
        self.far = furthest > _FAR * tolerance
        self.hit = self.left <= self.near

    def run(self) -> tuple[tuple[FoundMistake, ...], tuple[int, ...]]:
        """Findings by a greedy search: the mistake that explains most wrong numbers, then most of the rest."""
        open_operations = sorted(set(self.operation[self.wrong].tolist()))
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
        quality = np.where(most <= _HALF * self.digit, 0.0, np.round(rms, 9))
        ranked = rows[np.lexsort((quality, self.size[rows], against, -explained[rows]))]
        for row in ranked.tolist():
            where = tuple(o for o, covered in zip(operations, covers[row], strict=True) if covered)
            chance = self._chance(row, where)
            if chance <= CHANCE[int(self.size[row])]:
                return self._finding(row, ranked, where, explained, chance)
        return None

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
        only by leaving out the rows that would change them.
        """
        here = np.isin(self.operation, where)
        off = np.abs(self.off)
        inexact, exact = here & (off > self.digit), here & (off <= self.digit)
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
        here = np.isin(self.operation, where)
        alike = np.array(
            [
                r
                for r in ranked.tolist()
                if r != row and self.size[r] == self.size[row] and explained[r] == explained[row]
            ],
            dtype=np.int64,
        )
        # A mistake that would give the same numbers from other angles is ruled out by the angles answered.
        if any(one.kind == FOLLOWED for one in self.made[row]):
            alike = np.array(
                [r for r in alike.tolist() if any(one.kind == FOLLOWED for one in self.made[r])],
                dtype=np.int64,
            )
        same_mm = max(_SAME_MM, self.digit / 2.0)
        equal = np.abs(self.predicted[alike] - self.predicted[row]).max(axis=1, initial=0.0) <= same_mm
        fits = self.hit[np.ix_(alike, here)].all(axis=1)
        return FoundMistake(
            self.made[row],
            tuple(self.made[r] for r in alike[equal].tolist()),
            tuple(self.made[r] for r in alike[~equal & fits].tolist()),
            where,
            int(explained[row]),
            int(explained[row]),
            float(self.left[row][here].max() / self.scale[row, 0]),
            chance,
            self._pairs_for(row, here),
        )  # fmt: skip

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
        for a match by chance.
        """
        here = np.flatnonzero((self.operation == o) & self.wrong)
        met = self.hit[:, here] & (self.change[:, here] > self.near[:, here])
        count = met.sum(axis=1)
        known = [f.made for f in findings]
        allowed = np.array(
            [made in known or (len(made) == 1 and bool(self.far[here].all())) for made in self.made]
        )
        count[~allowed] = 0
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
        )


AXES = ("X", "Y", "Z")


@dataclass(frozen=True)
class Answer:
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
class Diagnosis(ValueEquality):
    """Diagnosis of a set of answers.

    Attributes
    ----------
    answers : tuple of Answer
    truth_mm, off_mm : ndarray, shape (k,)
        The right numbers, and answer minus truth.
    wrong : ndarray of bool, shape (k,)
        Off by more than the tolerance.
    tolerance_mm : float
        As used: never less than half the last digit of the answers as written.
    findings : tuple of FoundMistake
        Those that explain most first.
    unexplained : tuple of int
        Operations with wrong numbers that no mistake gives.
    common_mm : ndarray, shape (3,), or None
        Shift common to all unexplained operations, where there are two or more with all three numbers: no mistake is
        named by it, but its cause is common to them.
    traces : tuple of FigureTrace
        Of unexplained operations, and of those that two mistakes explain where it has a simple reason: the one figure that
        would make their numbers right.
    """

    answers: tuple[Answer, ...]
    truth_mm: NDArray[np.float64]
    off_mm: NDArray[np.float64]
    wrong: NDArray[np.bool_]
    tolerance_mm: float
    findings: tuple[FoundMistake, ...]
    unexplained: tuple[int, ...]
    common_mm: NDArray[np.float64] | None = None
    traces: tuple[FigureTrace, ...] = ()

    def __post_init__(self) -> None:
        for name in ("truth_mm", "off_mm", "common_mm"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, read_only(getattr(self, name)))
        wrong = self.wrong.copy()
        wrong.flags.writeable = False
        object.__setattr__(self, "wrong", wrong)

    @property
    def right(self) -> bool:
        """True when no number is wrong."""
        return not bool(self.wrong.any())


def diagnose(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    answers: Sequence[Answer],
    *,
    tolerance_mm: float,
    digit_mm: float = 0.001,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
    more: Sequence[Mistake] = (),
    others_mm: Mapping[int, NDArray[np.float64]] | None = None,
) -> Diagnosis:
    """Compare answers with the truth, and the wrong ones with every classic mistake and pair of them.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
    steps : sequence of StackStep or None
        The setup's stack; None where part zero was touched off.
    answers : sequence of Answer
    tolerance_mm : float
        Largest error of a right number.
    digit_mm : float
        Last digit of the answers as written.
    unit_mm : float
        Millimetres in the unit of the answers.
    tool_length_mm : float, optional
    stack_mm : ndarray, shape (3,), optional
        See `classic_mistakes`.
    more : sequence of Mistake
        Further mistakes to try.
    others_mm : mapping of int to ndarray, shape (n, 3), optional
        Offsets of the other solutions of operations that have some, for a number taken from one of them.

    Returns
    -------
    Diagnosis

    Raises
    ------
    KinematicsError
        When an answer names no operation or axis, is not finite or is given twice, the tolerance is not positive, the
        operations are another machine's, or the steps are not the setup's stack.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.work_offsets import Setup
    >>> from kinematics.operations import Operation
    >>> from kinematics.placement import place_operations
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 10, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> stack = [StackStep("post", up_mm=100.0)]
    >>> setup = Setup.from_stack(Machine("mill", (a,), Platter()), stack)
    >>> ports = place_operations(setup, [Operation("port", program_deg=(-30.0,), origin_mm=[0, 7.0, 0])]).placed
    >>> ports[0].offset_mm.round(3).tolist()
    [0.0, -33.938, 40.103]
    >>> answers = [Answer(0, "X", 0.0), Answer(0, "Y", 66.062), Answer(0, "Z", 33.103)]
    >>> found = diagnose(setup, ports, stack, answers, tolerance_mm=0.005)
    >>> found.wrong.tolist(), [[one.kind for one in finding.made] for finding in found.findings]
    ([False, True, True], [['sense reversed']])
    >>> [[one.kind for one in same] for same in found.findings[0].same]
    [["an angle's sign"]]
    >>> diagnose(setup, ports, stack, [Answer(3, "X", 0.0)], tolerance_mm=0.005)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: answer, operation: expected 0 to 0, found 3
    """
    given = _checked(answers, len(placed), tolerance_mm)
    for one in placed:
        check_operation(setup, one)
    if steps is not None:
        stack_frames(setup, steps)
    operation = np.array([answer.operation for answer in given], dtype=np.int64)
    axis = np.array([AXES.index(answer.axis) for answer in given], dtype=np.int64)
    value = np.array([answer.value_mm for answer in given])
    tolerance = max(tolerance_mm, digit_mm / 2.0) * (1.0 + 1e-9)
    truth = np.array([one.offset_mm for one in placed]).reshape(-1, 3)[operation, axis]
    off = value - truth
    wrong = np.abs(off) > tolerance
    findings: tuple[FoundMistake, ...] = ()
    unexplained: tuple[int, ...] = ()
    if wrong.any():
        mistakes = classic_mistakes(
            setup, steps, unit_mm=unit_mm, tool_length_mm=tool_length_mm, stack_mm=stack_mm, operations=placed
        )
        recomputed = recompute(setup, placed, steps, (*more, *mistakes))
        search = MistakeSearch(recomputed, operation, axis, value, truth, wrong, tolerance, digit_mm)
        findings, unexplained = search.run()
    answered = _Answered(operation, axis, value, truth, wrong)
    slips = _slips(unexplained, answered, unit_mm, digit_mm)
    slips += _of_other_solution(unexplained, others_mm or {}, answered, tolerance)
    unexplained = _left(unexplained, slips)
    misplaced = _misplaced(unexplained, placed, answered, tolerance)
    unexplained = _left(unexplained, misplaced)
    findings += slips + misplaced
    args = (operation, axis, off, tolerance, digit_mm)
    traces = _traces(setup, placed, steps, unexplained, *args)
    # One figure with a simple reason is at least as likely as two mistakes at once.
    for finding in findings:
        if len(finding.made) == 2:
            together = _traces(setup, placed, steps, finding.operations, *args)
            traces += tuple(one for one in together if one.relation and one.operations == finding.operations)
    common = _common(unexplained, operation, axis, off, 2.0 * tolerance)
    return Diagnosis(tuple(given), truth, off, wrong, tolerance, findings, unexplained, common, traces)


def _left(operations: Sequence[int], found: Sequence[FoundMistake]) -> tuple[int, ...]:
    """The operations that nothing found explains."""
    return tuple(o for o in operations if all(o not in one.operations for one in found))


@dataclass(frozen=True, eq=False)
class _Answered:
    """The answered numbers, shape (k,): operation and axis by index, value and truth in mm, and whether it is wrong."""

    operation: NDArray[np.int64]
    axis: NDArray[np.int64]
    value: NDArray[np.float64]
    truth: NDArray[np.float64]
    wrong: NDArray[np.bool_]

    def wrong_in(self, o: int) -> NDArray[np.int64]:
        """Indices of an operation's wrong numbers."""
        return np.flatnonzero((self.operation == o) & self.wrong)

    def axes(self, here: NDArray[np.int64]) -> str:
        """The axes of some numbers, in words."""
        return " and ".join(AXES[a] for a in sorted(self.axis[here].tolist()))

    def odds(self, here: NDArray[np.int64], near: float) -> float:
        """Odds that random numbers as far out as these come as near to others as that."""
        off = np.abs(self.value[here] - self.truth[here])
        return float(np.prod(np.minimum(1.0, near / np.maximum(off, near))))


def _slips(
    unexplained: Sequence[int], answered: _Answered, unit_mm: float, digit_mm: float
) -> tuple[FoundMistake, ...]:
    """Digits exchanged in writing down the only wrong number of an operation."""
    found = []
    for o in unexplained:
        here = answered.wrong_in(o)
        if here.size != 1:
            continue
        value, truth = float(answered.value[here[0]]), float(answered.truth[here[0]])
        digits = transposed_digits(value / unit_mm, truth / unit_mm, digit_mm / unit_mm)
        # About as many neighbours could be exchanged as there are digits, each hit in one value of so many.
        chance = 6.0 * digit_mm / max(2.0 * abs(value - truth), digit_mm)
        if digits and chance <= CHANCE[1]:
            made = (digits_swapped(answered.axes(here), digits),)
            found.append(FoundMistake(made, (), (), (o,), 1, 1, digit_mm / 2.0, chance))
    return tuple(found)


def _of_other_solution(
    unexplained: Sequence[int],
    others_mm: Mapping[int, NDArray[np.float64]],
    answered: _Answered,
    near: float,
) -> tuple[FoundMistake, ...]:
    """Wrong numbers of an operation, all or some, that are the same operation's by another solution."""
    found = []
    for o in unexplained:
        if o not in others_mm:
            continue
        here = answered.wrong_in(o)
        left = np.abs(others_mm[o][:, answered.axis[here]] - answered.value[here])
        most = left[int(np.argmax((left <= near).sum(axis=1)))]
        met = most <= near
        chance = len(left) * answered.odds(here[met], near)
        if met.any() and chance <= CHANCE[2]:
            made = (taken_from_other_solution(answered.axes(here[met])),)
            counts, apart = (int(met.sum()), int(here.size)), float(most[met].max())
            found.append(FoundMistake(made, (), (), (o,), *counts, apart, chance))
    return tuple(found)


def _misplaced(
    unexplained: Sequence[int], placed: Sequence[PlacedOperation], answered: _Answered, near: float
) -> tuple[FoundMistake, ...]:
    """Wrong numbers of an operation that are another operation's."""
    found = []
    offsets = np.array([one.offset_mm for one in placed]).reshape(-1, 3)
    for o in unexplained:
        here = answered.wrong_in(o)
        left = np.abs(offsets[:, answered.axis[here]] - answered.value[here])
        fits = [k for k in np.flatnonzero((left <= near).all(axis=1)).tolist() if k != o]
        chance = (len(placed) - 1) * answered.odds(here, near)
        if fits and chance <= CHANCE[2]:
            made = tuple((taken_from(placed[k].name, answered.axes(here)),) for k in fits)
            count, apart = int(here.size), float(left[fits[0]].max())
            found.append(FoundMistake(made[0], made[1:], (), (o,), count, count, apart, chance))
    return tuple(found)


def _traces(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    unexplained: Sequence[int],
    operation: NDArray[np.int64],
    axis: NDArray[np.int64],
    off: NDArray[np.float64],
    tolerance_mm: float,
    digit_mm: float,
) -> tuple[FigureTrace, ...]:
    """One figure for all unexplained operations together, otherwise one for each that has one."""

    def trace(chosen: Sequence[int]) -> FigureTrace | None:
        here = np.isin(operation, chosen)
        place = {o: k for k, o in enumerate(chosen)}
        own = np.array([place[o] for o in operation[here].tolist()], dtype=np.int64)
        found = trace_figures(
            setup, [placed[o] for o in chosen], steps, axis[here], own, off[here],
            tolerance_mm=tolerance_mm, digit_mm=digit_mm,
        )  # fmt: skip
        return None if found is None else replace(found, operations=tuple(chosen))

    if not unexplained:
        return ()
    together = trace(list(unexplained))
    if together is not None or len(unexplained) == 1:
        return () if together is None else (together,)
    return tuple(one for o in unexplained if (one := trace([o])) is not None)


def _common(
    unexplained: Sequence[int],
    operation: NDArray[np.int64],
    axis: NDArray[np.int64],
    off: NDArray[np.float64],
    near: float,
) -> NDArray[np.float64] | None:
    """Shift common to all unexplained operations, or None."""
    shifts = []
    for o in unexplained:
        here = operation == o
        if sorted(axis[here].tolist()) != [0, 1, 2]:
            return None
        shifts.append(off[here][np.argsort(axis[here])])
    if len(shifts) < 2 or float(np.ptp(shifts, axis=0).max()) > near:
        return None
    return np.asarray(np.mean(shifts, axis=0))


def _checked(answers: Sequence[Answer], count: int, tolerance_mm: float) -> list[Answer]:
    if not tolerance_mm > 0.0:
        raise KinematicsError(f"tolerance: expected more than 0, found {tolerance_mm:g}")
    for answer in answers:
        if not 0 <= answer.operation < count:
            raise KinematicsError(f"answer, operation: expected 0 to {count - 1}, found {answer.operation}")
        if answer.axis not in AXES:
            raise KinematicsError(f"answer, axis: expected X, Y or Z, found {answer.axis!r}")
        if not np.isfinite(answer.value_mm):
            raise KinematicsError("answer: expected a finite number, found NaN or infinity")
    seen = [(answer.operation, answer.axis) for answer in answers]
    for place in seen:
        if seen.count(place) > 1:
            raise KinematicsError(f"answer: expected {place[1]} of operation {place[0]} once, found it twice")
    return list(answers)
