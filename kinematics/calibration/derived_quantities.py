"""Quantities derived from the fitted lines, with propagated uncertainty: location errors, axis relations, target poses.

``E_Y0A`` reads: error of A's line in the Y direction; ``E_B0A``: its turn about Y. Two conventions are ours to make:

- positions are told from the old line: E_Y0A is where the new line pierces the plane through the old point square
  to the machine axis, less the old point. An old value that was right gives 0.
- angles are told from the machine's own axis, right-handed about the axis they name: E_B0A is 0 for a line truly
  parallel to X in the XZ plane. An old direction that was not square to the machine does not hide itself.

A rotary whose line is more than 30 degrees from the machine axis of its letter has no such errors.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import linearize
from kinematics.calibration.covariance import Covariance, EstimatedLine, embed, estimated_lines
from kinematics.calibration.line_parameters import (
    orthonormal_pair,
    tilted_direction,
    tilted_direction_with_jacobian,
)
from kinematics.calibration.readings import TargetKind
from kinematics.calibration.results import Estimate, PairFit, TargetFit
from kinematics.calibration.solve import Adjusted

__all__ = ["axis_of", "axis_relations", "axis_shift", "face_heights", "location_errors", "target_fits"]

_AXES = "XYZ"
_TURNS = "ABC"
_ALIKE_DEG = 30.0
_KEPT = 1e-7
"""Millimetres or degrees: a number that rounding alone has touched was left as it was."""


def axis_of(letter: str, direction: NDArray[np.float64]) -> int | None:
    """The machine axis (0, 1, 2) that a rotary turns about by its letter, or None where it lies elsewhere."""
    axis = _TURNS.index(letter)
    return axis if abs(float(direction[axis])) > np.cos(np.radians(_ALIKE_DEG)) else None


def crossing(
    line: EstimatedLine, old_point: NDArray[np.float64], k: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the line pierces the plane of constant coordinate k through the old point, and its slopes (4, 3)."""
    lean = line.direction / line.direction[k]
    away = old_point[k] - line.point[k]
    lean_slope = (line.direction_slope - line.direction_slope[:, k : k + 1] * lean) / line.direction[k]
    point_slope = line.point_slope - line.point_slope[:, k : k + 1] * lean + away * lean_slope
    return line.point + away * lean, point_slope


def line_rotation(line: EstimatedLine, k: int, about: int) -> tuple[float, NDArray[np.float64]]:
    """The line's turn (degrees) about machine axis `about` away from machine axis k, and its slopes (4,)."""
    j = 3 - k - about
    sense = 1.0 if (about + 1) % 3 == k else -1.0
    tangent = float(line.direction[j] / line.direction[k])
    slope = (line.direction_slope[:, j] - line.direction_slope[:, k] * tangent) / line.direction[k]
    return sense * float(np.degrees(np.arctan(tangent))), sense * np.degrees(slope / (1.0 + tangent**2))


def location_errors(
    letter: str,
    old_point: NDArray[np.float64],
    line: EstimatedLine,
    i: int,
    rotaries: int,
    spread: Covariance,
) -> tuple[Estimate, ...]:
    """The two positions and the two angles of a rotary's line, in the order of the machine's axes."""
    k = axis_of(letter, line.direction)
    if k is None:
        return ()
    found = []
    others = [j for j in range(3) if j != k]
    where, slopes = crossing(line, old_point, k)
    for j in others:
        words = (
            f"how far {letter}'s line lies toward +{_AXES[j]} of where the machine file has it, "
            f"at {_AXES[k]} of its point there"
        )
        found.append(
            spread.estimate(
                f"E_{_AXES[j]}0{letter}",
                float(where[j] - old_point[j]),
                embed(slopes[:, j], i, rotaries),
                "mm",
                words,
            )
        )
    for about in others:
        value, slope = line_rotation(line, k, about)
        toward = _AXES[3 - k - about]
        sense = "+" if (about + 1) % 3 == k else "-"
        words = (
            f"turn of {letter}'s line about {_AXES[about]}, from the machine's {_AXES[k]}: "
            f"with more of it, its +{_AXES[k]} end leans toward {sense}{toward}"
        )
        found.append(
            spread.estimate(f"E_{_TURNS[about]}0{letter}", value, embed(slope, i, rotaries), "deg", words)
        )
    return tuple(found)


def axis_shift(
    letter: str,
    old: EstimatedLine,
    new: EstimatedLine,
    i: int,
    rotaries: int,
    spread: Covariance,
) -> tuple[Estimate, ...]:
    """New minus old, across the line: positions (mm), then turns (degrees), each with its verdict.

    For a rotary near its letter's machine axis along and about the machine's axes; for any other along and about
    the two directions `orthonormal_pair` (named "across 1" and "across 2").
    """
    k = axis_of(letter, new.direction)
    found = []
    if k is None:
        for m, (name, unit, factor) in enumerate(
            [("across 1", "mm", 1.0), ("across 2", "mm", 1.0), ("lean 1", "deg", 1.0), ("lean 2", "deg", 1.0)]
        ):
            slope = np.eye(4)[m] * factor
            if m < 2:
                value = float((new.point - old.point) @ old.point_slope[m])
            else:
                size = float(np.linalg.norm(old.direction_slope[m]))
                way = old.direction_slope[m] / size
                value = float(np.degrees(np.arctan2(new.direction @ way, new.direction @ old.direction)))
                slope = slope * float(np.degrees(size))
            words = f"{letter}'s line against the machine file, {name}"
            found.append(spread.estimate(name, value, embed(slope, i, rotaries), unit, words))
    else:
        others = [j for j in range(3) if j != k]
        where, slopes = crossing(new, old.point, k)
        for j in others:
            words = f"{letter}'s line against the machine file, along {_AXES[j]}"
            value = float(where[j] - old.point[j])
            found.append(spread.estimate(_AXES[j], value, embed(slopes[:, j], i, rotaries), "mm", words))
        for about in others:
            value, slope = line_rotation(new, k, about)
            words = f"{letter}'s line against the machine file, turned about {_AXES[about]}"
            change = value - line_rotation(old, k, about)[0]
            found.append(spread.estimate(_TURNS[about], change, embed(slope, i, rotaries), "deg", words))
    return tuple(_judged(estimate) for estimate in found)


def _judged(estimate: Estimate) -> Estimate:
    from dataclasses import replace

    if estimate.held:
        kept = abs(estimate.value) < _KEPT
        return replace(estimate, verdict="left as it was" if kept else "told in part")
    if estimate.expanded is None:
        return estimate
    shown = abs(estimate.value) > estimate.expanded
    return replace(estimate, verdict="moved" if shown else "not shown to have moved")


_STEP_MM = 1e-3
_PARALLEL = 1e-3
_NOTICED = 1e-3
"""Of a millimetre of what is held: less than that does not make a number rest on it."""

_Measure = Callable[[NDArray[np.float64], NDArray[np.float64]], float]


def face_heights(
    solved: Adjusted, letters: tuple[str, ...], spread: Covariance, target: TargetFit, t: int
) -> TargetFit:
    """A face square to the last rotary with its heights."""

    def crossing(told: NDArray[np.float64], own: NDArray[np.float64]) -> NDArray[np.float64]:
        last = estimated_lines(solved, told)[-1]
        charts, lever = solved.problem.charts, solved.problem.lever_mm
        normal = tilted_direction(charts.direction[t], charts.square[t], own[2:] / lever)
        # Of the plane only its distance along the normal is counted, from the chart's base.
        away = own[0] + float(normal @ (charts.base[t] - last.point))
        return np.asarray(last.point + away / float(normal @ last.direction) * last.direction)

    def face(told: NDArray[np.float64], own: NDArray[np.float64]) -> float:
        return float(crossing(told, own)[2])

    words = f"machine Z of {target.name} where {letters[-1]}'s line pierces it, at the all-zero pose"
    found = []
    for i, letter in enumerate(letters[:-1]):
        now = estimated_lines(solved)
        if float(np.linalg.norm(np.cross(now[i].direction, now[-1].direction))) < _PARALLEL:
            continue

        def above(told: NDArray[np.float64], own: NDArray[np.float64], i: int = i) -> float:
            lines = estimated_lines(solved, told)
            up = lines[-1].direction - (lines[-1].direction @ lines[i].direction) * lines[i].direction
            return float((crossing(told, own) - lines[i].point) @ up / np.linalg.norm(up))

        told = f"how far {target.name} stands above {letter}'s line, along {letters[-1]}'s"
        found.append((letter, _estimate(solved, spread, t, "above", above, told)))
    return replace(target, face=_estimate(solved, spread, t, "face", face, words), above=tuple(found))


def _estimate(
    solved: Adjusted, spread: Covariance, t: int, name: str, measure: _Measure, words: str
) -> Estimate:
    """A number that follows from the lines and one target; slopes by central differences, far below any scatter."""
    state = solved.state
    told, own = state.told, state.targets[t]

    def slope(whole: NDArray[np.float64], by: Callable[[NDArray[np.float64]], float]) -> NDArray[np.float64]:
        steps = _STEP_MM * np.eye(len(whole))
        return np.array([(by(whole + step) - by(whole - step)) / (2.0 * _STEP_MM) for step in steps])

    by_lines = slope(told, lambda changed: measure(changed, own))
    by_target = slope(own, lambda changed: measure(told, changed))
    value = measure(told, own)
    # Everything is pulled back by the lines: with one that moves, a target read elsewhere moves along.
    whole = by_lines @ state.free - by_target @ solved.reduced.coupling[t]
    open_lines = by_lines - _carried(solved, t, by_target)
    if _rests_on_held(spread, open_lines):
        return Estimate(name, value, None, None, "mm", words, held=True)
    inner = np.linalg.inv(solved.reduced.information) if state.free.shape[1] else np.zeros((0, 0))
    inverse = solved.reduced.inverse[t] - state.held[t]
    return spread.spelled(
        name, value, float(whole @ inner @ whole + by_target @ inverse @ by_target), "mm", words
    )


def _carried(solved: Adjusted, t: int, by_target: NDArray[np.float64]) -> NDArray[np.float64]:
    """How the number would follow the lines, told or not, through the target's readings."""
    problem, state = solved.problem, solved.state
    raw = linearize(problem, state)
    mine = problem.target == t
    across = np.swapaxes(raw.by_target[mine], 1, 2)
    inverse = solved.reduced.inverse[t] - state.held[t]
    return np.asarray(by_target @ inverse @ (across @ raw.columns[mine]).sum(axis=0))


def _rests_on_held(spread: Covariance, slope: NDArray[np.float64]) -> bool:
    untold = slope - spread.free @ (slope @ spread.free)
    return float(np.abs(untold).max(initial=0.0)) > _NOTICED


_FACING_DEG = 5.0


def axis_relations(solved: Adjusted, letters: tuple[str, ...], spread: Covariance) -> tuple[PairFit, ...]:
    """Distance and angle of each rotary's line to the next one's."""
    found = []
    lines, n = estimated_lines(solved), len(letters)
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


def _apart(
    one: EstimatedLine, other: EstimatedLine
) -> tuple[float, NDArray[np.float64], float, NDArray[np.float64]]:
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
        way = off / distance if distance > 0.0 else orthonormal_pair(one.direction)[0]
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


def target_fits(
    solved: Adjusted, letters: tuple[str, ...], listed: Sequence[tuple[str, TargetKind]], spread: Covariance
) -> tuple[TargetFit, ...]:
    """Where every target that was read stands; for faces square to the last rotary, their tilt and heights."""
    problem, state = solved.problem, solved.state
    charts, lever = problem.charts, problem.lever_mm
    direction, slopes = tilted_direction_with_jacobian(
        charts.direction, charts.square, state.targets[:, 2:] / lever
    )
    counts = np.bincount(problem.target)
    last = estimated_lines(solved)[-1]
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
            target = face_heights(solved, letters, spread, target, t)
        found.append(target)
    return tuple(found)


def _with_tilt(
    solved: Adjusted, spread: Covariance, target: TargetFit, t: int, slope: NDArray[np.float64], sign: float
) -> TargetFit:
    """The tilt of a face's normal against the last rotary's line; its uncertainty is that along the tilt."""
    assert target.direction is not None
    last, state, reduced = estimated_lines(solved)[-1], solved.state, solved.reduced
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
