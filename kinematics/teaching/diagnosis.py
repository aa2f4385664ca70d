"""Diagnosis of answers: which numbers are wrong, and which mistake, pair of mistakes or single figure gives them."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.answered_numbers import Answer, AnsweredNumbers
from kinematics.teaching.figure_trace import FigureTrace, trace_figures
from kinematics.teaching.mistake_catalogue import classic_mistakes
from kinematics.teaching.mistake_search import FoundMistake, MistakeSearch
from kinematics.teaching.perturbed_offsets import Mistake, recompute
from kinematics.teaching.working import check_operation, stack_frames
from kinematics.teaching.writing_slips import (
    of_another_operation,
    of_other_solution,
    slips_in_one_number,
)
from kinematics.validation import ValueEquality, as_flags, as_positive, read_only
from kinematics.work_offsets import Setup

__all__ = ["Diagnosis", "diagnose"]


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
    as_positive(unit_mm, "unit")
    answered = AnsweredNumbers.of(answers, placed, tolerance_mm, digit_mm)
    for one in placed:
        check_operation(setup, one)
    if steps is not None:
        stack_frames(setup, steps)
    findings: tuple[FoundMistake, ...] = ()
    unexplained: tuple[int, ...] = ()
    if answered.wrong.any():
        mistakes = classic_mistakes(
            setup, steps, unit_mm=unit_mm, tool_length_mm=tool_length_mm, stack_mm=stack_mm, operations=placed
        )
        recomputed = recompute(setup, placed, steps, (*more, *mistakes))
        findings, unexplained = MistakeSearch(recomputed, answered).run()
    slips = slips_in_one_number(unexplained, answered, unit_mm)
    slips += of_other_solution(unexplained, others_mm or {}, answered)
    unexplained = _left(unexplained, slips)
    misplaced = of_another_operation(unexplained, placed, answered)
    unexplained = _left(unexplained, misplaced)
    findings += slips + misplaced
    traced = functools.partial(trace_figures, setup, placed, steps, answered)
    traces = _traces(traced, answered, unexplained)
    if findings and traces:
        # One figure that explains everything is likelier than a mistake here and a figure there.
        whole = traced(answered.wrong_operations)
        if whole is not None:
            findings, unexplained, traces = (), answered.wrong_operations, (whole,)
    # One figure with a simple reason is at least as likely as two mistakes at once; and one that gives the numbers to the
    # last digit is likelier than two mistakes, or a part of one, that do not.
    kept = []
    for finding in findings:
        single = finding.complete and len(finding.made) == 1
        together = () if single else _traces(traced, answered, finding.operations)
        all_of_it = {o for one in together for o in one.operations} == set(finding.operations)
        close = all(one.left_mm <= answered.rounded_mm for one in together)
        if all_of_it and close and (finding.left_mm > answered.rounded_mm or not finding.complete):
            traces += together
            unexplained = tuple(sorted({*unexplained, *finding.operations}))
            continue
        kept.append(finding)
        if finding.complete and all_of_it and all(one.relation for one in together):
            traces += together
    return Diagnosis(
        tuple(answers),
        answered.truth_mm,
        answered.off_mm,
        answered.wrong,
        answered.tolerance_mm,
        tuple(kept),
        unexplained,
        _common(unexplained, answered),
        traces,
    )


def _left(operations: Sequence[int], found: Sequence[FoundMistake]) -> tuple[int, ...]:
    """The operations that nothing found explains."""
    return tuple(o for o in operations if all(o not in one.operations for one in found))


def _traces(
    traced: Callable[[Sequence[int]], FigureTrace | None],
    answered: AnsweredNumbers,
    unexplained: Sequence[int],
) -> tuple[FigureTrace, ...]:
    """One figure for all unexplained operations together, otherwise one for each that has one."""
    if not unexplained:
        return ()
    # A figure that leaves the right operations right is told first.
    right = answered.right_operations
    together = traced(sorted([*unexplained, *right])) if right else None
    together = traced(unexplained) if together is None else replace(together, operations=tuple(unexplained))
    if together is not None or len(unexplained) == 1:
        return () if together is None else (together,)
    each = (traced([o]) for o in unexplained)
    return tuple(one for one in each if one is not None)


def _common(unexplained: Sequence[int], answered: AnsweredNumbers) -> NDArray[np.float64] | None:
    """Shift common to all unexplained operations, or None."""
    shifts = []
    for o in unexplained:
        here = answered.operation == o
        axis = answered.axis[here]
        if sorted(axis.tolist()) != [0, 1, 2]:
            return None
        shifts.append(answered.off_mm[here][np.argsort(axis)])
    if len(shifts) < 2 or float(np.ptp(shifts, axis=0).max()) > 2.0 * answered.tolerance_mm:
        return None
    return np.asarray(np.mean(shifts, axis=0))
