"""Diagnosis of answers: which numbers are wrong, and which mistake, pair of mistakes or single figure gives them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.figure_trace import FigureTrace, trace_figures
from kinematics.teaching.mistake_catalogue import classic_mistakes
from kinematics.teaching.mistake_search import CHANCE, FoundMistake, MistakeSearch
from kinematics.teaching.perturbed_offsets import Mistake, recompute
from kinematics.teaching.working import check_operation, stack_frames
from kinematics.validation import ValueEquality, as_flags, read_only
from kinematics.work_offsets import Setup

__all__ = ["AXES", "Answer", "Diagnosis", "diagnose"]

_SLIPS = 12.0
"""Numbers that a slip may make of another: neighbouring digits exchanged, the point moved, the unit, another axis."""

AXES = ("X", "Y", "Z")


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
class Diagnosis(ValueEquality, DeclaredFields):
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
        wrong = as_flags(self.wrong, "Diagnosis, wrong").copy()
        wrong.flags.writeable = False
        object.__setattr__(self, "wrong", wrong)
        super().__post_init__()

    @property
    def right(self) -> bool:
        """True when no number is wrong."""
        return not bool(self.wrong.any())


@takes_declared()
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
    given = _checked(
        answers, len(placed), {"tolerance": tolerance_mm, "last digit": digit_mm, "unit": unit_mm}
    )
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
    every = sorted(set(operation[wrong].tolist()))
    traces = _traces(setup, placed, steps, unexplained, *args)
    if findings and traces:
        # One figure that explains everything is likelier than a mistake here and a figure there.
        whole = _traced_together(setup, placed, steps, every, *args)
        if whole is not None:
            findings, unexplained, traces = (), tuple(every), (whole,)
    # One figure with a simple reason is at least as likely as two mistakes at once; and one that gives the numbers to the
    # last digit is likelier than two mistakes, or a part of one, that do not.
    kept = []
    for finding in findings:
        single = finding.complete and len(finding.made) == 1
        together = () if single else _traces(setup, placed, steps, finding.operations, *args)
        all_of_it = {o for one in together for o in one.operations} == set(finding.operations)
        close = all(one.left_mm <= 0.55 * digit_mm for one in together)
        if all_of_it and close and (finding.left_mm > 0.55 * digit_mm or not finding.complete):
            traces += together
            unexplained = tuple(sorted({*unexplained, *finding.operations}))
            continue
        kept.append(finding)
        if finding.complete and all_of_it and all(one.relation for one in together):
            traces += together
    findings = tuple(kept)
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
        *most, last = (AXES[a] for a in sorted(self.axis[here].tolist()))
        return f"{', '.join(most)} and {last}" if most else last

    def odds(self, here: NDArray[np.int64], near: float) -> float:
        """Odds that random numbers as far out as these come as near to others as that."""
        off = np.abs(self.value[here] - self.truth[here])
        return float(np.prod(np.minimum(1.0, near / np.maximum(off, near))))


def _slips(
    unexplained: Sequence[int], answered: _Answered, unit_mm: float, digit_mm: float
) -> tuple[FoundMistake, ...]:
    """The only wrong number of an operation, worked out rightly and written down wrongly; alike operations together."""
    found: dict[tuple[Mistake, ...], FoundMistake] = {}
    for o in unexplained:
        here = answered.wrong_in(o)
        if here.size != 1:
            continue
        n = int(here[0])
        near, made = _slip_in(answered, n, unit_mm, digit_mm)
        # A number stands beside about a dozen that a slip makes of it, each met with the odds of its window.
        chance = _SLIPS * near / max(abs(float(answered.value[n] - answered.truth[n])), near)
        if not made or chance > CHANCE[1]:
            continue
        before = found.get((made,), FoundMistake((made,), (), (), (), 0, 0, 0.0, 1.0))
        count, left = before.explained + 1, max(before.left_mm, near)
        found[made,] = FoundMistake(
            (made,), (), (), (*before.operations, o), count, count, left, before.chance * chance
        )
    return tuple(found.values())


def _slip_in(answered: _Answered, n: int, unit_mm: float, digit_mm: float) -> tuple[float, Mistake | None]:
    """The slip that makes a right number the one answered, and how nearly, in mm."""
    value, truth = float(answered.value[n]), float(answered.truth[n])
    axis, half = AXES[int(answered.axis[n])], 0.55 * digit_mm
    digits = _transposed_digits(value / unit_mm, truth / unit_mm, digit_mm / unit_mm)
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
        if other != n and abs(value - float(answered.truth[other])) <= half:
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
            axes = answered.axes(here[met])
            words = f"{axes} {'is that' if len(axes) == 1 else 'are those'} of the other solution"
            made = (_written("numbers of the other solution", axes, words),)
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
    if not unexplained:
        return ()
    args = (operation, axis, off, tolerance_mm, digit_mm)
    # A figure that leaves the right operations right is told first.
    right = sorted(set(operation.tolist()) - set(operation[np.abs(off) > tolerance_mm].tolist()))
    together = (
        _traced_together(setup, placed, steps, sorted([*unexplained, *right]), *args) if right else None
    )
    if together is None:
        together = _traced_together(setup, placed, steps, unexplained, *args)
    else:
        together = replace(together, operations=tuple(unexplained))
    if together is not None or len(unexplained) == 1:
        return () if together is None else (together,)
    each = (_traced_together(setup, placed, steps, [o], *args) for o in unexplained)
    return tuple(one for one in each if one is not None)


def _traced_together(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    chosen: Sequence[int],
    operation: NDArray[np.int64],
    axis: NDArray[np.int64],
    off: NDArray[np.float64],
    tolerance_mm: float,
    digit_mm: float,
) -> FigureTrace | None:
    """The one figure for all of the chosen operations, if there is one."""
    here = np.isin(operation, chosen)
    place = {o: k for k, o in enumerate(chosen)}
    own = np.array([place[o] for o in operation[here].tolist()], dtype=np.int64)
    found = trace_figures(
        setup, [placed[o] for o in chosen], steps, axis[here], own, off[here],
        tolerance_mm=tolerance_mm, digit_mm=digit_mm, others=placed,
    )  # fmt: skip
    return None if found is None else replace(found, operations=tuple(chosen))


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


def _checked(answers: Sequence[Answer], count: int, sizes: Mapping[str, float]) -> list[Answer]:
    for name, size in sizes.items():
        if not size > 0.0:
            raise KinematicsError(f"{name}: expected more than 0, found {size:g}")
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
