"""Practice: a machine with hidden errors, the readings that a probe would give on it, and marks for the answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from kinematics.calibration.covariance import EstimatedLine
from kinematics.calibration.derived_quantities import axis_of, crossing, line_rotation
from kinematics.calibration.fit import fit_pivots
from kinematics.calibration.line_parameters import orthonormal_pair, relative_line_parameters
from kinematics.calibration.planning import PlannedTarget, planned_readings
from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Estimate, FixedParameter
from kinematics.calibration.statistics import coverage_factor
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis

__all__ = ["Grade", "Mark", "grade", "perturbed_machine", "simulated_readings"]


def perturbed_machine(
    machine: Machine, seed: int, position_mm: float = 0.05, direction_deg: float = 0.01
) -> Machine:
    """The machine with every line moved and leaned a little, at random: normal, standard deviations as stated.

    Parameters
    ----------
    machine : Machine
    seed : int
        The same seed gives the same machine.
    position_mm, direction_deg : float
        Per direction across the line.

    Returns
    -------
    Machine
        Only its lines differ.

    Raises
    ------
    KinematicsError
        When a standard deviation is less than 0.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> one, same = perturbed_machine(mill, 7), perturbed_machine(mill, 7)
    >>> one.rotaries[0].point_mm.tolist() == same.rotaries[0].point_mm.tolist()
    True
    """
    if position_mm < 0.0 or direction_deg < 0.0:
        raise KinematicsError("hidden errors: expected 0 or more")
    chance = np.random.default_rng(seed)
    rotaries = []
    for rotary in machine.rotaries:
        square = orthonormal_pair(rotary.direction)
        shift, lean = chance.normal(size=2) * position_mm, chance.normal(size=2) * np.radians(direction_deg)
        rotaries.append(
            replace(
                rotary, point_mm=rotary.point_mm + shift @ square, direction=rotary.direction + lean @ square
            )
        )
    return replace(machine, rotaries=tuple(rotaries))


def simulated_readings(
    truth: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    repeatability_mm: float,
    seed: int,
    *,
    which: ArrayLike | None = None,
    resolution_mm: float | None = None,
) -> Readings:
    """Readings on a machine whose lines are known to nobody else: normal scatter, alike in X, Y and Z.

    Parameters
    ----------
    truth : Machine
        From `perturbed_machine`.
    targets : sequence of PlannedTarget
        Where they truly stand.
    poses_deg : array_like, shape (m, n)
    repeatability_mm : float
        Standard deviation per coordinate.
    seed : int
    which : array_like of bool, shape (m, t) or (m, k), optional
        As for `planned_readings`.
    resolution_mm : float, optional
        Round as the display does.

    Returns
    -------
    Readings
        In the order of `planned_readings`.

    Raises
    ------
    KinematicsError
        When the repeatability is less than 0.
    """
    if not (np.isfinite(repeatability_mm) and repeatability_mm >= 0.0):
        raise KinematicsError(f"repeatability: expected 0 mm or more, found {repeatability_mm:g}")
    exact = planned_readings(truth, targets, poses_deg, which)
    points = exact.points_mm + repeatability_mm * np.random.default_rng(seed).normal(
        size=exact.points_mm.shape
    )
    if resolution_mm is not None:
        points = np.round(points / resolution_mm) * resolution_mm
    return replace(exact, points_mm=points)


@dataclass(frozen=True)
class Mark:
    """One number of a student's answer.

    Attributes
    ----------
    name : str
        "E_Y0A", ...
    unit : str
        "mm" or "deg".
    student, truth : float
    allowed : float or None
        How far the best use of the readings may miss the truth; None where they do not tell it.
    passed : bool or None
        None where it is not judged.
    """

    name: str
    unit: str
    student: float
    truth: float
    allowed: float | None
    passed: bool | None

    @property
    def error(self) -> float:
        """Student less truth."""
        return self.student - self.truth


@dataclass(frozen=True)
class Grade:
    """Marks for every number; `passed` when none that could be known is wrong.

    Attributes
    ----------
    marks : tuple of Mark
    untold : tuple of FixedParameter
        Parameters that the readings do not determine, so that nobody could have known them.
    """

    marks: tuple[Mark, ...]
    untold: tuple[FixedParameter, ...]

    @property
    def passed(self) -> bool:
        """Whether every judged number holds."""
        return all(mark.passed is not False for mark in self.marks)


def grade(
    student: Machine,
    truth: Machine,
    readings: Readings,
    nominal: Machine,
    repeatability_mm: float,
    level: float = 0.95,
) -> Grade:
    """A student's lines against the truth, within what the readings could support.

    The allowance is the expanded uncertainty of the best fit to the same readings, widened for the number of
    values judged (Bonferroni), so that a faultless least-squares answer passes as a whole with the stated chance.

    Parameters
    ----------
    student, truth, nominal : Machine
        The answer, the hidden machine, and the machine file that the student was given.
    readings : Readings
    repeatability_mm : float
        Of the probe.
    level : float

    Returns
    -------
    Grade

    Raises
    ------
    KinematicsError
        When the machines have different rotaries or the readings tell nothing.
    """
    best = fit_pivots(readings, nominal, sigma_mm=repeatability_mm)
    known = [estimate for line in best.lines for estimate in line.changes]
    count = max(sum(estimate.standard_uncertainty is not None for estimate in known), 1)
    factor = coverage_factor(1.0 - (1.0 - level) / count)
    says, true = _told(nominal, student, known), _told(nominal, truth, known)
    marks = []
    for estimate, (name, value), (_, right) in zip(known, says, true, strict=True):
        allowed = None if estimate.standard_uncertainty is None else factor * estimate.standard_uncertainty
        passed = None if allowed is None else abs(value - right) <= allowed
        marks.append(Mark(name, estimate.unit, value, right, allowed, passed))
    return Grade(tuple(marks), best.fixed)


def _told(nominal: Machine, other: Machine, known: Sequence[Estimate]) -> list[tuple[str, float]]:
    """Every line's numbers in the order of `LineFit.changes`, named as location errors where they can be."""
    numbers = relative_line_parameters(nominal, other).reshape(-1, 4)
    found: list[tuple[str, float]] = []
    for i, (old, new) in enumerate(zip(nominal.rotaries, other.rotaries, strict=True)):
        k = axis_of(old.letter, old.direction)
        names = [estimate.name for estimate in known[4 * i : 4 * i + 4]]
        if k is None:
            leans = np.degrees(np.arctan(numbers[i, 2:]))
            values = [*numbers[i, :2].tolist(), *leans.tolist()]
            found.extend((f"{old.letter} {name}", value) for name, value in zip(names, values, strict=True))
            continue
        line, others = _still(new), [j for j in range(3) if j != k]
        where, _ = crossing(line, old.point_mm, k)
        found.extend((f"E_{'XYZ'[j]}0{old.letter}", float(where[j] - old.point_mm[j])) for j in others)
        found.extend((f"E_{'ABC'[j]}0{old.letter}", line_rotation(line, k, j)[0]) for j in others)
    return found


def _still(rotary: RotaryAxis) -> EstimatedLine:
    nothing = np.zeros((4, 3))
    return EstimatedLine(rotary.point_mm, rotary.direction, nothing, nothing)
