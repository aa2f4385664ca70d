"""Choice of the solution that answers are judged by, where a direction can be brought to the spindle in two ways.

Number by number another solution may fit better and yet the answers as a whole be the job's, with mistakes: an arm's angle
half a turn off, and a sine's sign, give two of the three numbers that the other tilt has. What explains all the operations
together decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.operations import PlacedOperation
from kinematics.stack import StackStep
from kinematics.teaching.angle_answers import (
    AngleAnswer,
    AngleFault,
    all_solutions,
    error_carried_forward,
    matching_solution,
    offset_of_other_solution,
)
from kinematics.teaching.answered_numbers import Answer
from kinematics.teaching.diagnosis import Diagnosis, diagnose
from kinematics.work_offsets import Setup

__all__ = ["DiagnosedSolutions", "diagnose_solutions"]

_SAME_MM = 1e-6


@dataclass(frozen=True)
class DiagnosedSolutions(DeclaredFields):
    """Answers diagnosed by the solution that they mean.

    Attributes
    ----------
    placed : tuple of PlacedOperation
        The solution that each operation is judged by.
    faults : tuple of AngleFault
    diagnosis : Diagnosis
    level : Diagnosis, optional
        By the job's own solution, where that explains every wrong number to the last digit, too: by more mistakes.
    """

    placed: tuple[PlacedOperation, ...]
    faults: tuple[AngleFault, ...]
    diagnosis: Diagnosis
    level: Diagnosis | None = None


@takes_declared()
def diagnose_solutions(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    steps: Sequence[StackStep] | None,
    answers: Sequence[Answer],
    angles: Sequence[AngleAnswer],
    *,
    within_deg: float,
    tolerance_mm: float,
    digit_mm: float = 0.001,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
) -> DiagnosedSolutions:
    """Choose the solution that answers mean, and diagnose them by it.

    An operation whose angles were answered, or whose numbers are all right by a solution, is judged by that. Of the others,
    those that seem to mean another solution than the job's are diagnosed by either: fewer mistakes over all operations
    decide, then fewer causes told, then fewer wrong numbers.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
        The job's own solutions.
    steps : sequence of StackStep or None
    answers : sequence of Answer
    angles : sequence of AngleAnswer
    within_deg, tolerance_mm : float
        Largest error of a right angle, and of a right number.
    digit_mm, unit_mm, tool_length_mm, stack_mm
        See `diagnose`.

    Returns
    -------
    DiagnosedSolutions

    Raises
    ------
    KinematicsError
        As `diagnose` does.

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> other = all_solutions(setup, port[0])[1]
    >>> answers = [Answer(0, axis, round(float(v), 3)) for axis, v in zip("XYZ", other.offset_mm)]
    >>> found = diagnose_solutions(setup, port, [], answers, [], within_deg=0.001, tolerance_mm=0.005)
    >>> found.placed[0].program_deg.round(6).tolist(), found.diagnosis.right
    ([45.0, 180.0], True)
    >>> diagnose_solutions(setup, port, [], answers, [45.0], within_deg=0.001, tolerance_mm=0.005)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles: expected a list of AngleAnswer, found [45.0]
    """
    # A right number written to fewer digits is off by up to half of the last one.
    near_mm = max(tolerance_mm, digit_mm / 2.0)
    meant, faults = matching_solution(
        setup, placed, angles, answers, within_deg=within_deg, within_mm=near_mm
    )

    def diagnosed(solution: tuple[PlacedOperation, ...]) -> Diagnosis:
        more = (
            *error_carried_forward(setup, faults, solution),
            *offset_of_other_solution(setup, solution, angles),
        )
        others_mm = {
            o: np.array([other.offset_mm for other in others])
            for o, one in enumerate(solution)
            if (others := all_solutions(setup, one)[1:])
        }
        return diagnose(
            setup, solution, steps, answers,
            tolerance_mm=tolerance_mm, digit_mm=digit_mm, unit_mm=unit_mm, tool_length_mm=tool_length_mm,
            stack_mm=stack_mm, more=more, others_mm=others_mm,
        )  # fmt: skip

    first = diagnosed(meant)
    stated = {angle.operation for angle in angles}
    wrong = {answer.operation for answer, off in zip(answers, first.wrong, strict=True) if off}
    loose = sorted(wrong - stated)
    if all(_same(meant[o], placed[o]) for o in loose):
        return DiagnosedSolutions(meant, faults, first)
    own, other = list(meant), list(meant)
    for o in loose:
        own[o] = placed[o]
        other[o] = next(
            (one for one in all_solutions(setup, placed[o]) if not _same(one, placed[o])), meant[o]
        )
    by_own = diagnosed(tuple(own))
    rivals = [(tuple(own), by_own)]
    if not all(map(_same, other, meant)):
        rivals.append((tuple(other), diagnosed(tuple(other))))
    told = [(meant, first), *((solution, found) for solution, found in rivals if _explains(found))]
    chosen, best = min(told, key=lambda one: _effort(one[1]))
    level = by_own if best is not by_own and _explains(by_own) and not best.unexplained else None
    return DiagnosedSolutions(chosen, faults, best, level)


def _same(one: PlacedOperation, other: PlacedOperation) -> bool:
    """True for one solution twice; a whole turn more is the same."""
    return bool(np.allclose(one.offset_mm, other.offset_mm, rtol=0.0, atol=_SAME_MM))


def _explains(found: Diagnosis) -> bool:
    """True where mistakes give every wrong number to the last digit."""
    return not found.unexplained and all(one.complete and one.exact for one in found.findings)


def _effort(found: Diagnosis) -> tuple[int, ...]:
    """Operations left without an explanation, mistakes and figures needed for the others, causes told, and wrong numbers."""
    left = set(found.unexplained)
    figures = [trace for trace in found.traces if left & set(trace.operations)]
    bare = left.difference(*(trace.operations for trace in figures))
    part = sum(not one.complete for one in found.findings)
    mistakes = sum(len(one.made) for one in found.findings) + len(figures)
    return (len(bare) + part, mistakes, len(found.findings) + len(figures), int(found.wrong.sum()))
