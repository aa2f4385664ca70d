"""Answered rotary angles: the solution that they mean, and the mistakes in them.

A direction can often be brought to the spindle in two ways, and either is right; the offsets then have to belong to
the solution that was chosen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import wrap_deg
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.operations import PlacedOperation
from kinematics.rotary import RotaryAxis
from kinematics.teaching.angle_steps import aim_steps
from kinematics.teaching.answered_numbers import AXES, Answer
from kinematics.teaching.calculation_batch import CalculationBatch
from kinematics.teaching.mistake_search import FOLLOWED
from kinematics.teaching.perturbed_offsets import Mistake
from kinematics.teaching.working import angle_words
from kinematics.validation import read_only
from kinematics.work_offsets import Setup

__all__ = [
    "AngleAnswer",
    "AngleFault",
    "all_solutions",
    "angle_error_deg",
    "angle_line",
    "error_carried_forward",
    "matching_solution",
    "offset_of_other_solution",
]


@dataclass(frozen=True)
class AngleAnswer(DeclaredFields):
    """A program angle answered for an operation (counted from 0)."""

    operation: int
    letter: str
    program_deg: float


@dataclass(frozen=True)
class AngleFault(DeclaredFields):
    """A wrong angle.

    Attributes
    ----------
    answer : AngleAnswer
    right_deg : float
        The program angle of the nearest solution.
    why : str
        The probable mistake, in words; empty where no known one gives the angle.
    """

    answer: AngleAnswer
    right_deg: float
    why: str


@takes_declared()
def angle_error_deg(rotary: RotaryAxis, answered_deg: float, right_deg: float) -> float:
    """The error of an answered angle: answered minus right, in degrees.

    Whole turns do not count where the rotary turns endlessly; the error is then from -180 up to 180. Within limits a
    rotary cannot make up for them, and they count.

    Parameters
    ----------
    rotary : RotaryAxis
    answered_deg, right_deg : float

    Returns
    -------
    float

    Examples
    --------
    >>> from kinematics.rotary import RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> a = RotaryAxis("A", [0, 0, 0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> round(angle_error_deg(c, 359.982, 0.0), 6), angle_error_deg(c, 361.0, 0.0), angle_error_deg(a, 330.0, -30.0)
    (-0.018, 1.0, 360.0)
    >>> angle_error_deg(c, "0", 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: answered: expected a number, found '0'
    """
    error_deg = answered_deg - right_deg
    return float(wrap_deg(error_deg, low_deg=-180.0)) if rotary.limits_deg is None else error_deg


@takes_declared()
def matching_solution(
    setup: Setup,
    placed: Sequence[PlacedOperation],
    angles: Sequence[AngleAnswer],
    answers: Sequence[Answer],
    *,
    within_deg: float,
    within_mm: float,
) -> tuple[tuple[PlacedOperation, ...], tuple[AngleFault, ...]]:
    """Choose for each operation the solution that the answers mean, and find the wrong angles.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
    angles : sequence of AngleAnswer
    answers : sequence of Answer
        Where no angle is answered, the placed solution is meant, unless another one makes all of X, Y, Z right, or
        two more of them: a single number may be another solution's by chance, or be taken from it by mistake.
    within_deg, within_mm : float
        Tolerances.

    Returns
    -------
    placed : tuple of PlacedOperation
    faults : tuple of AngleFault

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> port[0].program_deg.round(6).tolist()
    [-45.0, 0.0]
    >>> other = [AngleAnswer(0, "A", 45.0), AngleAnswer(0, "C", 180.0)]
    >>> chosen, faults = matching_solution(setup, port, other, [], within_deg=0.001, within_mm=0.005)
    >>> chosen[0].program_deg.round(6).tolist(), faults
    ([45.0, 180.0], ())
    >>> wrong = [AngleAnswer(0, "A", -45.0), AngleAnswer(0, "C", 90.0)]
    >>> matching_solution(setup, port, wrong, [], within_deg=0.001, within_mm=0.005)[1][0].why
    'a quarter turn off: measured from the wrong axis'
    >>> matching_solution(setup, port, [-45.0], [], within_deg=0.001, within_mm=0.005)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles: expected a list of AngleAnswer, found [-45.0]
    """
    chosen: list[PlacedOperation] = []
    faults: list[AngleFault] = []
    for o, one in enumerate(placed):
        stated = {a.letter: a.program_deg for a in angles if a.operation == o}
        values = {a.axis: a.value_mm for a in answers if a.operation == o}
        solutions = _solutions(setup, one, stated)
        best = min(
            solutions, key=lambda solution: _rank(setup, solution, stated, values, within_deg, within_mm)
        )
        if not stated and 0 < _wrong(best, values, within_mm) >= _wrong(one, values, within_mm) - 1:
            best = one
        chosen.append(best)
        for a in angles:
            if a.operation != o:
                continue
            i = setup.machine.index(a.letter)
            right = float(best.program_deg[i])
            if abs(angle_error_deg(setup.machine.rotaries[i], a.program_deg, right)) > within_deg:
                offset = float(setup.rotary_offset_deg[i])
                why = _why(a.program_deg, right, offset, within_deg)
                others = [one for one in solutions if one is not best]
                other = _other_solution(setup, others, i, a.program_deg, within_deg)
                why = f"{why}; or {other}" if why and other else why or other
                faults.append(AngleFault(a, right, why))
    return tuple(chosen), tuple(faults)


@takes_declared()
def error_carried_forward(
    setup: Setup, faults: Sequence[AngleFault], placed: Sequence[PlacedOperation] = ()
) -> tuple[Mistake, ...]:
    """The mistake of working rightly from wrong angles (error carried forward).

    Parameters
    ----------
    setup : Setup
    faults : sequence of AngleFault
        From `matching_solution`.
    placed : sequence of PlacedOperation
        The operations, for the line of the working at which the angles went wrong.

    Returns
    -------
    tuple of Mistake
        One, with all of the wrong program angles; empty where there are no faults.

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> fault = AngleFault(AngleAnswer(0, "A", -30.0), -45.0, "")
    >>> [one.kind for one in error_carried_forward(setup, [fault], port)], error_carried_forward(setup, [])
    (['followed from wrong angles'], ())
    >>> error_carried_forward(setup, ["A"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: faults: expected a list of AngleFault, found ['A']
    """
    if not faults:
        return ()

    def change(batch: CalculationBatch, rows: NDArray[np.int64]) -> None:
        for fault in faults:
            i = setup.machine.index(fault.answer.letter)
            batch.program_deg[rows, fault.answer.operation, i] = fault.answer.program_deg

    letters = setup.machine.letters
    first = min(faults, key=lambda fault: letters.index(fault.answer.letter))
    return (
        Mistake(
            FOLLOWED,
            "",
            "the numbers follow correctly from the angles answered, but those are wrong",
            angle_line(setup, first, placed),
            frozenset({"angles answered"}),
            change,
        ),
    )


@takes_declared()
def angle_line(setup: Setup, fault: AngleFault, placed: Sequence[PlacedOperation] = ()) -> str:
    """Key of the worked step at which an angle went wrong.

    Parameters
    ----------
    setup : Setup
    fault : AngleFault
    placed : sequence of PlacedOperation
        The operations; without them, or where an angle is stated, the step that uses it.

    Returns
    -------
    str
        "aim tilt", "aim turn", "aim shown" where no triangle gives the angles, or "C angle".

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> fault = AngleFault(AngleAnswer(0, "A", -30.0), -45.0, "")
    >>> angle_line(setup, fault, port), angle_line(setup, fault)   # where the triangle gives it; where it is used
    ('aim tilt', 'A angle')
    >>> angle_line(setup, "A")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: fault: expected an AngleFault, found 'A'
    """
    letter = fault.answer.letter
    keys = [line.key for line in aim_steps(setup, placed[fault.answer.operation])] if placed else []
    own = ("aim tilt", "aim turn")[setup.machine.index(letter)] if "aim tilt" in keys else "aim turn"
    return next((key for key in (own, "aim shown") if key in keys), f"{letter} angle")


@takes_declared()
def offset_of_other_solution(
    setup: Setup, placed: Sequence[PlacedOperation], angles: Sequence[AngleAnswer]
) -> tuple[Mistake, ...]:
    """The mistake of answering the angles of one solution and the offset of another.

    Parameters
    ----------
    setup : Setup
    placed : sequence of PlacedOperation
        The solutions that the angles mean.
    angles : sequence of AngleAnswer

    Returns
    -------
    tuple of Mistake
        One, or none where no angle was answered at an operation with two solutions.

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> (made,) = offset_of_other_solution(setup, port, [AngleAnswer(0, "A", -45.0)])
    >>> made.kind
    'offset of the other solution'
    >>> offset_of_other_solution(setup, port, [])   # no angle was answered
    ()
    >>> offset_of_other_solution(setup, port, ["A"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: angles: expected a list of AngleAnswer, found ['A']
    """
    others: dict[int, NDArray[np.float64]] = {}
    for o, one in enumerate(placed):
        if any(a.operation == o for a in angles):
            apart = [other for other in _solutions(setup, one, {}) if not _same_angles(one, other)]
            if apart:
                others[o] = apart[0].program_deg
    if not others:
        return ()

    def change(batch: CalculationBatch, rows: NDArray[np.int64]) -> None:
        for o, program_deg in others.items():
            batch.program_deg[rows, o] = program_deg

    letters = setup.machine.letters
    return (
        Mistake(
            "offset of the other solution",
            "",
            "the angles are those of one solution, the numbers are the offset of the other",
            f"{letters[-1]} angle",
            frozenset({"angles answered"}),
            change,
        ),
    )


def _same_angles(one: PlacedOperation, other: PlacedOperation) -> bool:
    return bool(np.allclose(one.program_deg, other.program_deg, rtol=0.0, atol=1e-9))


def _other_solution(
    setup: Setup, others: Sequence[PlacedOperation], i: int, stated: float, within: float
) -> str:
    """Words for an angle that belongs to another solution; empty where it does not."""
    for other in others:
        if abs(angle_error_deg(setup.machine.rotaries[i], stated, float(other.program_deg[i]))) <= within:
            rest = " ".join(
                f"{letter} {angle_words(float(angle))}"
                for k, (letter, angle) in enumerate(
                    zip(setup.machine.letters, other.program_deg, strict=True)
                )
                if k != i
            )
            return f"it belongs to the other solution, with {rest}"
    return ""


@takes_declared()
def all_solutions(setup: Setup, placed: PlacedOperation) -> tuple[PlacedOperation, ...]:
    """Every way within limits to bring an operation's plane to the spindle, the placed one first.

    Parameters
    ----------
    setup : Setup
    placed : PlacedOperation

    Returns
    -------
    tuple of PlacedOperation
        One where the operation states its angles.

    Examples
    --------
    >>> from kinematics.teaching.example_port import example_port
    >>> setup, port = example_port()
    >>> [one.program_deg.round(6).tolist() for one in all_solutions(setup, port[0])]   # A either way, C half a turn on
    [[-45.0, 0.0], [45.0, 180.0]]
    >>> all_solutions(setup, "port")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: placed: expected a PlacedOperation, found 'port'
    """
    found = [placed]
    for one in _solutions(setup, placed, {})[1:]:
        if not any(_same_angles(one, other) for other in found):
            found.append(one)
    return tuple(found)


def _solutions(setup: Setup, placed: PlacedOperation, stated: Mapping[str, float]) -> list[PlacedOperation]:
    """Every solution of an operation, the placed one first."""
    if placed.aim is None:
        return [placed]
    fitting = (solution for solution in placed.aim.solutions if solution.feasible)
    solutions = [placed, *(_placed_at(setup, placed, np.array(solution.machine_deg)) for solution in fitting)]
    if placed.singular_axes and any(letter in stated for letter in placed.singular_axes):
        solutions = [_singular_as_stated(setup, solution, stated) for solution in solutions]
    return solutions


def _singular_as_stated(
    setup: Setup, solution: PlacedOperation, stated: Mapping[str, float]
) -> PlacedOperation:
    angles = solution.machine_deg.copy()
    for letter in solution.singular_axes:
        i = setup.machine.index(letter)
        if letter in stated:
            angles[i] = stated[letter] + setup.rotary_offset_deg[i]
    return _placed_at(setup, solution, angles)


def _placed_at(setup: Setup, placed: PlacedOperation, machine_deg: NDArray[np.float64]) -> PlacedOperation:
    return replace(
        placed,
        machine_deg=read_only(machine_deg),
        program_deg=read_only(setup.program_deg(machine_deg)),
        offset_mm=read_only(setup.work_offset(placed.origin_mm, machine_deg)),
        axes=read_only(setup.machine_axes(machine_deg)),
    )


def _rank(
    setup: Setup,
    solution: PlacedOperation,
    stated: Mapping[str, float],
    values: Mapping[str, float],
    within_deg: float,
    within_mm: float,
) -> tuple[float, ...]:
    indices = [(setup.machine.index(letter), angle) for letter, angle in stated.items()]
    apart = [
        abs(angle_error_deg(setup.machine.rotaries[i], angle, float(solution.program_deg[i])))
        for i, angle in indices
    ]
    wrong_angles = sum(a > within_deg for a in apart)
    # Of two a whole turn apart neither is nearer to a wrong angle: the first stays, which the key states.
    turns = sum(round(abs(math.remainder(a, 360.0)), 6) for a in apart) if wrong_angles else 0.0
    return (wrong_angles, _wrong(solution, values, within_mm), turns)


def _wrong(solution: PlacedOperation, values: Mapping[str, float], within_mm: float) -> int:
    """Count of X, Y, Z that are not right for a solution."""
    off = (abs(value - float(solution.offset_mm[AXES.index(axis)])) for axis, value in values.items())
    return sum(one > within_mm for one in off)


def _why(stated: float, right: float, offset: float, within: float) -> str:
    def turns(value: float) -> bool:
        return abs(math.remainder(value, 360.0)) <= within

    size, exact = abs(stated), abs(right)
    digits = next((d for d in (0, 1, 2, 3) if abs(stated - round(stated, d)) < 1e-9), 9)
    step = 10.0**-digits
    to = ("whole degrees", "0.1 degrees", "0.01 degrees", "0.001 degrees")[digits] if digits < 4 else ""
    same_side = stated * right >= 0.0
    minutes = _minutes_as_decimals(size)
    reasons = (
        (bool(to) and abs(stated - right) <= step / 2.0 + 1e-9, f"it is rounded to {to}"),
        (bool(to) and same_side and 0.0 <= exact - size < step, f"it is cut off at {to}, not rounded"),
        (same_side and minutes is not None and abs(exact - minutes) <= 1.0 / 120.0, "its minutes stand where decimals belong"),
        (turns(stated - right), "a whole turn off"),
        (turns(stated + right), "its sign is reversed"),
        (bool(offset) and turns(stated - right - offset), "it is the machine angle, not the program's"),
        (bool(offset) and turns(stated - right + offset), "the rotary's work offset was taken off twice"),
        (turns(stated - right - 180.0), "half a turn off: the other side was brought to the spindle"),
        (turns(stated - right - 90.0) or turns(stated - right + 90.0), "a quarter turn off: measured from the wrong axis"),
        (turns(stated - (90.0 - right)) or turns(stated + (90.0 - right)), "it is the angle's complement to 90 degrees"),
        (abs(size - (90.0 - exact)) <= within, "it is the angle's complement to 90 degrees"),
        (abs(stated - np.radians(right)) <= max(within, 1e-3), "it is in radians"),
    )  # fmt: skip
    return next((why for met, why in reasons if met), "")


def _minutes_as_decimals(size_deg: float) -> float | None:
    """Degrees meant where minutes were written behind the decimal point: 26.34 for 26 degrees 34 minutes."""
    whole = int(size_deg)
    minutes = round((size_deg - whole) * 100.0, 6)
    return whole + minutes / 60.0 if 0.0 < minutes < 60.0 and abs(minutes - round(minutes)) < 1e-6 else None
