"""How neighbouring lines lie to each other, and how the platter's face lies to the last one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.chart import leaned_with_slopes
from kinematics.pivot.covary import Spread, lines_now, slope_by_steps
from kinematics.pivot.readings import Kind
from kinematics.pivot.results import PairFit, TargetFit
from kinematics.pivot.solve import Solved

__all__ = ["pairs_of", "targets_of"]

_FACING_DEG = 5.0
_PARALLEL = 1e-3


def pairs_of(solved: Solved, letters: tuple[str, ...], spread: Spread) -> tuple[PairFit, ...]:
    """Distance and angle of each rotary's line to the next one's."""
    found = []
    told = solved.state.told
    for i, (first, second) in enumerate(zip(letters, letters[1:], strict=False)):

        def apart(numbers: NDArray[np.float64], i: int = i) -> float:
            one, other = lines_now(solved, numbers)[i : i + 2]
            normal = np.cross(one.direction, other.direction)
            between = other.point - one.point
            sine = float(np.linalg.norm(normal))
            if sine < _PARALLEL:
                return float(np.linalg.norm(between - (between @ one.direction) * one.direction))
            return float(between @ normal) / sine

        def angle(numbers: NDArray[np.float64], i: int = i) -> float:
            one, other = lines_now(solved, numbers)[i : i + 2]
            normal = float(np.linalg.norm(np.cross(one.direction, other.direction)))
            return float(np.degrees(np.arctan2(normal, one.direction @ other.direction)))

        distance = spread.estimate(
            "distance",
            abs(apart(told)),
            slope_by_steps(apart, told),
            "mm",
            f"shortest distance between {first}'s line and {second}'s",
        )
        between = spread.estimate(
            "angle",
            angle(told),
            slope_by_steps(angle, told),
            "deg",
            f"angle between {first}'s line and {second}'s",
        )
        found.append(PairFit(first, second, distance, between))
    return tuple(found)


def targets_of(solved: Solved, listed: Sequence[tuple[str, Kind]], spread: Spread) -> tuple[TargetFit, ...]:
    """Where every target that was read stands; for faces square to the last rotary, their tilt against it."""
    problem, state = solved.problem, solved.state
    charts, lever = problem.charts, problem.lever_mm
    direction, slopes = leaned_with_slopes(charts.direction, charts.square, state.targets[:, 2:] / lever)
    counts = np.bincount(problem.target)
    last = lines_now(solved)[-1]
    found = []
    for t, (name, kind) in enumerate(listed):
        told = state.targets[t]
        if kind.equations == 3:
            found.append(TargetFit(name, kind, charts.base[t] + told[:3], None, int(counts[t])))
            continue
        if kind.equations == 2:
            point = charts.base[t] + told[:2] @ charts.square[t]
            found.append(TargetFit(name, kind, point, direction[t], int(counts[t])))
            continue
        target = TargetFit(name, kind, charts.base[t] + told[0] * direction[t], direction[t], int(counts[t]))
        sign = float(np.sign(direction[t] @ last.direction))
        if abs(float(direction[t] @ last.direction)) > np.cos(np.radians(_FACING_DEG)):
            target = _with_tilt(solved, spread, target, t, sign * slopes[t] / lever, sign)
        found.append(target)
    return tuple(found)


def _with_tilt(
    solved: Solved, spread: Spread, target: TargetFit, t: int, slope: NDArray[np.float64], sign: float
) -> TargetFit:
    """The tilt of a face's normal against the last rotary's line; its uncertainty is that along the tilt."""
    assert target.direction is not None
    last, state, reduced = lines_now(solved)[-1], solved.state, solved.reduced
    normal = sign * target.direction
    away = normal - (normal @ last.direction) * last.direction
    size = float(np.linalg.norm(away))
    way = away / size if size > 1e-12 else solved.problem.lines.square[-1, 0]
    by_target = np.concatenate([np.zeros(2), slope @ way])
    by_lines = np.zeros(len(state.told))
    by_lines[-4:] = -(last.direction_slope @ way)
    value = float(np.degrees(np.arctan2(size, float(normal @ last.direction))))
    words = f"tilt of {target.name} against the last rotary's line"
    held_here = state.held[t] @ by_target
    if float(held_here @ held_here) > 1e-3 * float(by_target @ by_target) or spread.held(by_lines):
        estimate = replace(spread.spelled("tilt", value, 0.0, "deg", words), u=None, expanded=None, held=True)
    else:
        follows = by_lines @ state.free - by_target @ reduced.coupling[t]
        own = reduced.inverse[t] - state.held[t]
        inner = np.linalg.inv(reduced.information) if state.free.shape[1] else np.zeros((0, 0))
        variance = float(follows @ inner @ follows + by_target @ own @ by_target)
        estimate = spread.spelled("tilt", value, variance * np.degrees(1.0) ** 2, "deg", words)
    toward = float(np.degrees(np.arctan2(away[1], away[0]))) % 360.0 if size > 1e-12 else 0.0
    return replace(target, tilt=estimate, tilt_toward_deg=toward)
