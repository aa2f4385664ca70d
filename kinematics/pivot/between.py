"""How neighbouring lines lie to each other, and how the platter's face lies to the last one."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.chart import across, leaned_with_slopes
from kinematics.pivot.covary import LineNow, Spread, lines_now
from kinematics.pivot.height import with_heights
from kinematics.pivot.readings import Kind
from kinematics.pivot.results import PairFit, TargetFit
from kinematics.pivot.solve import Solved

__all__ = ["pairs_of", "targets_of"]

_FACING_DEG = 5.0
_PARALLEL = 1e-3


def pairs_of(solved: Solved, letters: tuple[str, ...], spread: Spread) -> tuple[PairFit, ...]:
    """Distance and angle of each rotary's line to the next one's."""
    found = []
    lines, n = lines_now(solved), len(letters)
    for i, (first, second) in enumerate(itertools.pairwise(letters)):
        distance, by_distance, angle, by_angle = _apart(lines[i], lines[i + 1])
        slopes = np.zeros((2, 4 * n))
        slopes[0, 4 * i : 4 * i + 8], slopes[1, 4 * i : 4 * i + 8] = by_distance, np.degrees(by_angle)
        found.append(
            PairFit(
                first,
                second,
                spread.estimate(
                    "distance",
                    distance,
                    slopes[0],
                    "mm",
                    f"shortest distance between {first}'s line and {second}'s",
                ),
                spread.estimate(
                    "angle",
                    float(np.degrees(angle)),
                    slopes[1],
                    "deg",
                    f"angle between {first}'s line and {second}'s",
                ),
            )
        )
    return tuple(found)


def _apart(one: LineNow, other: LineNow) -> tuple[float, NDArray[np.float64], float, NDArray[np.float64]]:
    """Distance (mm) and angle (radians) of two lines, each with its slopes (8,) after both lines' numbers."""
    nothing = np.zeros((4, 3))
    by_one = np.concatenate([one.direction_slope, nothing])
    by_other = np.concatenate([nothing, other.direction_slope])
    by_between = np.concatenate([-one.point_slope, other.point_slope])
    between = other.point - one.point
    normal = np.cross(one.direction, other.direction)
    sine, cosine = float(np.linalg.norm(normal)), float(one.direction @ other.direction)
    angle = float(np.arctan2(sine, cosine))
    if sine < _PARALLEL:
        off = between - (between @ one.direction) * one.direction
        distance = float(np.linalg.norm(off))
        way = off / distance if distance > 0.0 else across(one.direction)[0]
        lean = other.direction - cosine * one.direction
        lean = lean / np.linalg.norm(lean) if sine > 0.0 else way
        by_distance = by_between @ way - (between @ one.direction) * (by_one @ way)
        return distance, by_distance, angle, np.sign(cosine) * (by_other - np.sign(cosine) * by_one) @ lean
    unit = normal / sine
    by_normal = np.cross(by_one, other.direction) + np.cross(one.direction, by_other)
    square = between - (between @ unit) * unit
    by_distance = by_between @ unit + by_normal @ square / sine
    distance = float(between @ unit)
    by_angle = -(by_one @ other.direction + by_other @ one.direction) / sine
    return abs(distance), by_distance, angle, by_angle


def targets_of(
    solved: Solved, letters: tuple[str, ...], listed: Sequence[tuple[str, Kind]], spread: Spread
) -> tuple[TargetFit, ...]:
    """Where every target that was read stands; for faces square to the last rotary, their tilt and heights."""
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
            target = with_heights(solved, letters, spread, target, t)
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
