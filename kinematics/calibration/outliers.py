"""Residuals of all readings, leave-one-out statistics, and outliers by data snooping."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.covariance import estimated_lines
from kinematics.calibration.line_parameters import derotate
from kinematics.calibration.observation_equations import target_residuals
from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Outlier, ReadingFit
from kinematics.calibration.solve import Adjusted, LeaveOneOut, solve
from kinematics.calibration.statistics import p_value
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.validation import read_only

__all__ = ["find_outliers", "reading_residuals", "worst_reading"]

_LEVEL = 1e-3
"""p-value, over all readings (Bonferroni), below which a reading is an outlier."""

_LEVEL_OF_MUCH = 0.01
"""The same where the readings scatter more than a touch probe and by less than a third of it without that one."""
_MUCH_MM = 0.01
"""mm of scatter that is a lot for a touch probe: common practice has them repeat within micrometres."""
_THIRD = 1.0 / 3.0
_MOST_OUTLIERS = 5


def _against_scatter(
    solved: Adjusted, checked: LeaveOneOut, sigma: float | None, floor: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean square per checked equation in units of the others' scatter (NaN where unchecked), and its p-value."""
    total, numbers = float(solved.squares.sum()), checked.numbers
    testable = numbers > 0
    mean = checked.gain / np.where(testable, numbers, 1)
    if sigma is not None:
        ratio = mean / sigma**2
        chance = p_value(ratio, np.where(testable, numbers, 1), None)
    else:
        left = solved.dof - numbers
        testable &= left > 0
        rest = np.clip(total - checked.gain, 0.0, None) / np.where(left > 0, left, 1)
        # Without any scatter (made-up readings) rounding must not look like an outlier; nor must the rounding of a display.
        rest = np.maximum(rest, max(1e-10, floor) ** 2 * solved.problem.usual_weight**2)
        ratio = mean / rest
        one = np.where(testable, numbers, 1)
        chance = np.ones(len(ratio))
        for freedom in np.unique(np.where(left > 0, left, 1)):
            these = np.where(left > 0, left, 1) == freedom
            chance[these] = p_value(ratio[these], one[these], float(freedom))
    return np.where(testable, ratio, np.nan), np.where(testable, chance, 1.0)


def reading_residuals(
    solved: Adjusted,
    machine: Machine,
    readings: Readings,
    sigma: float | None,
    weights: NDArray[np.float64] | None,
    floor: float = 0.0,
) -> ReadingFit:
    """Residuals of all readings, in the order of the readings."""
    problem, state = solved.problem, solved.state
    back = np.empty_like(problem.order)
    back[problem.order] = np.arange(len(back))
    where = derotate(
        problem.lines,
        problem.line_parameters(state.parameters),
        problem.turns_at(state.parameters),
        problem.points_at(state.parameters),
    )
    off = target_residuals(problem.nominal_targets, state.targets, problem.target, where, problem.lever_mm)
    fitted = _machine_at(machine, solved)
    residual = table_pose(fitted, readings.angles_deg).rotate(off[back])
    size = np.sqrt((residual * residual).sum(axis=-1))
    face = (problem.nominal_targets.equations[problem.target] == 1)[back]
    sign = np.where(face & (solved.residual[back, 0] < 0.0), -1.0, 1.0)
    checked = solved.leave_one_out
    ratio, _ = _against_scatter(solved, checked, sigma, floor)
    return ReadingFit(
        read_only(residual),
        read_only(size * sign),
        read_only(np.sqrt(ratio)[back] * sign),
        read_only(checked.redundancy[back]),
        read_only(np.ones(len(back)) if weights is None else weights[back]),
    )


def _machine_at(machine: Machine, solved: Adjusted) -> Machine:
    from dataclasses import replace

    return replace(
        machine,
        rotaries=tuple(
            replace(rotary, point_mm=line.point, direction=line.direction)
            for rotary, line in zip(machine.rotaries, estimated_lines(solved), strict=True)
        ),
    )


def worst_reading(solved: Adjusted, sigma: float | None, floor: float = 0.0) -> tuple[int, float] | None:
    """The most significant reading (index in the readings' order) with its p-value (Bonferroni); None if none."""
    checked = solved.leave_one_out
    ratio, chance = _against_scatter(solved, checked, sigma, floor)
    if np.isnan(ratio).all():
        return None
    worst = int(np.lexsort((-np.nan_to_num(ratio, nan=-1.0), chance))[0])
    chances = float(min(1.0, chance[worst] * int((~np.isnan(ratio)).sum())))
    return int(solved.problem.order[worst]), chances


def _is_much(solved: Adjusted, worst: int, sigma: float | None) -> bool:
    """True where the scatter is a lot for a touch probe, and less than a third of it without the worst reading.

    With five readings of one ball the scatter that is left is too poorly known to reject one of them at one in 1,000;
    but where something is wrong by the scatter alone, the reading that takes most of it away is worth a look.
    """
    if sigma is not None or solved.s0 is None:
        return False
    checked = solved.leave_one_out
    k = int(np.flatnonzero(solved.problem.order == worst)[0])
    left = solved.dof - int(checked.numbers[k])
    if left < 1 or solved.s0 / solved.problem.usual_weight <= _MUCH_MM:
        return False
    rest = float(np.sqrt(max(float(solved.squares.sum()) - float(checked.gain[k]), 0.0) / left))
    return rest < _THIRD * solved.s0


def find_outliers(
    readings: Readings,
    machine: Machine,
    solved: Adjusted,
    sigma: float | None,
    floor: float = 0.0,
    angle_errors: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> tuple[Outlier, ...]:
    """Find outliers by data snooping, removing one at a time: one bad reading makes its neighbours look bad."""
    left = np.arange(len(readings))
    found: list[Outlier] = []
    while len(found) < _MOST_OUTLIERS:
        worst = worst_reading(solved, sigma, floor)
        if worst is None or worst[1] > (_LEVEL_OF_MUCH if _is_much(solved, worst[0], sigma) else _LEVEL):
            break
        index = int(left[worst[0]])
        left = np.delete(left, worst[0])
        name, row = readings.names[readings.target[index]], readings.row(index)
        rest = solved
        try:
            rest = solve(readings.only(left), machine, sigma, angle_errors, drifts)
        except KinematicsError:
            break
        finally:
            gain = float(
                np.sqrt(solved.leave_one_out.gain[np.flatnonzero(solved.problem.order == worst[0])[0]])
            )
            size = gain / solved.problem.usual_weight
            found.append(Outlier(index, row, name, size, worst[1]))
        solved = rest
    return tuple(found)
