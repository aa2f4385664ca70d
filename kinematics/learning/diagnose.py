"""What somebody's numbers say: which are right, which are wrong, and which mistake gives the wrong ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.errors import KinematicsError
from kinematics.learning.classic import classic_mistakes
from kinematics.learning.mistakes import Mistake, recompute
from kinematics.learning.search import Finding, Search
from kinematics.offset import Setup
from kinematics.operation import Placed
from kinematics.stack import Step

__all__ = ["AXES", "Answer", "Diagnosis", "diagnose"]

AXES = ("X", "Y", "Z")


@dataclass(frozen=True)
class Answer:
    """One number that was answered.

    Attributes
    ----------
    operation : int
        Which of the placed operations, from 0.
    axis : str
        "X", "Y" or "Z".
    value_mm : float
    """

    operation: int
    axis: str
    value_mm: float


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What became of a set of answers.

    Attributes
    ----------
    answers : tuple of Answer
    truth_mm, off_mm : ndarray, shape (k,)
        The right numbers, and answer minus truth.
    wrong : ndarray of bool, shape (k,)
        Off by more than the tolerance.
    tolerance_mm : float
        As used: never less than half the last digit that the answers are written to.
    findings : tuple of Finding
        Those that explain most first.
    unexplained : tuple of int
        Operations with wrong numbers that no mistake gives.
    common_mm : ndarray, shape (3,), or None
        By how much every unexplained operation is off alike, where there are two or more with all three numbers: no
        mistake is named by it, but whatever it is, it is common to them.
    """

    answers: tuple[Answer, ...]
    truth_mm: NDArray[np.float64]
    off_mm: NDArray[np.float64]
    wrong: NDArray[np.bool_]
    tolerance_mm: float
    findings: tuple[Finding, ...]
    unexplained: tuple[int, ...]
    common_mm: NDArray[np.float64] | None = None

    @property
    def right(self) -> bool:
        """Whether nothing is wrong."""
        return not bool(self.wrong.any())


def diagnose(
    setup: Setup,
    placed: Sequence[Placed],
    steps: Sequence[Step] | None,
    answers: Sequence[Answer],
    *,
    tolerance_mm: float,
    digit_mm: float = 0.001,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
    more: Sequence[Mistake] = (),
) -> Diagnosis:
    """Hold answers against the truth, and the wrong ones against every classic mistake and pair of them.

    Parameters
    ----------
    setup : Setup
    placed : sequence of Placed
    steps : sequence of Step or None
        None where part zero was touched off.
    answers : sequence of Answer
    tolerance_mm : float
        How far a right number may be off.
    digit_mm : float
        The last digit that the answers are written to.
    unit_mm : float
        Millimetres in the unit that the job is worked in.
    tool_length_mm : float, optional
    stack_mm : ndarray, shape (3,), optional
        See `classic_mistakes`.
    more : sequence of Mistake
        Others to try besides the classic ones.

    Returns
    -------
    Diagnosis

    Raises
    ------
    KinematicsError
        When an answer names no operation or axis, is not finite, or the tolerance is not positive.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.offset import set_up
    >>> from kinematics.operation import Operation
    >>> from kinematics.placing import place
    >>> from kinematics.rotary import Rotary, Sense
    >>> a = Rotary("A", [0, 10, -50], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    >>> stack = [Step("post", up_mm=100.0)]
    >>> setup = set_up(Machine("mill", (a,), Platter()), stack)
    >>> ports = place(setup, [Operation("port", program_deg=(-30.0,), origin_mm=[0, 7.0, 0])]).placed
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
    operation = np.array([answer.operation for answer in given], dtype=np.int64)
    axis = np.array([AXES.index(answer.axis) for answer in given], dtype=np.int64)
    value = np.array([answer.value_mm for answer in given])
    tolerance = max(tolerance_mm, digit_mm / 2.0) * (1.0 + 1e-9)
    truth = np.array([one.offset_mm for one in placed]).reshape(-1, 3)[operation, axis]
    off = value - truth
    wrong = np.abs(off) > tolerance
    findings: tuple[Finding, ...] = ()
    unexplained: tuple[int, ...] = ()
    if wrong.any():
        mistakes = classic_mistakes(
            setup, steps, unit_mm=unit_mm, tool_length_mm=tool_length_mm, stack_mm=stack_mm
        )
        worked = recompute(setup, placed, steps, (*more, *mistakes))
        search = Search(worked, operation, axis, value, truth, wrong, tolerance, digit_mm)
        findings, unexplained = search.run()
    common = _common(unexplained, operation, axis, off, 2.0 * tolerance)
    return Diagnosis(tuple(given), truth, off, wrong, tolerance, findings, unexplained, common)


def _common(
    unexplained: Sequence[int],
    operation: NDArray[np.int64],
    axis: NDArray[np.int64],
    off: NDArray[np.float64],
    near: float,
) -> NDArray[np.float64] | None:
    """What all unexplained operations are off by alike."""
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
    return list(answers)
