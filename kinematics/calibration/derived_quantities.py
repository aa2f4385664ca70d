"""Quantities derived from the fitted lines, with propagated uncertainty: location errors, axis relations, targets.

``E_Y0A`` reads: error of A's line in the Y direction; ``E_B0A``: its rotation about Y. Two conventions are ours to make:

- positions are counted from the old line: E_Y0A is where the new line pierces the plane through the old point square
  to the machine axis, less the old point. An old value that was right gives 0.
- angles are counted from the machine's own axis, right-handed about the axis they name: E_B0A is 0 for a line truly
  parallel to X in the XZ plane. An old direction that was not square to the machine shows.

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
from kinematics.calibration.results import Estimate, PairFit, PlatterFit, TargetFit
from kinematics.calibration.solve import Adjusted
from kinematics.calibration.statistics import length_interval
from kinematics.validation import read_only

__all__ = [
    "axis_of",
    "axis_relations",
    "axis_shift",
    "face_heights",
    "face_measure",
    "fitted_platter",
    "joint_cofactor",
    "location_errors",
    "measure_gradient",
    "target_fits",
]

_AXES = "XYZ"
_TURNS = "ABC"
_NEAR_DEG = 30.0
_ROUNDING = 1e-7
"""Millimetres or degrees: a parameter changed by rounding alone was left as it was."""


def axis_of(letter: str, direction: NDArray[np.float64]) -> int | None:
    """The machine axis (0, 1, 2) that a rotary turns about by its letter, or None where it lies elsewhere."""
    axis = _TURNS.index(letter)
    return axis if abs(float(direction[axis])) > np.cos(np.radians(_NEAR_DEG)) else None


def crossing(
    line: EstimatedLine, old_point: NDArray[np.float64], k: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The point in which the line pierces the plane of constant coordinate k through the old point, with derivatives (4, 3)."""
    lean = line.direction / line.direction[k]
    away = old_point[k] - line.point[k]
    lean_slope = (line.direction_slope - line.direction_slope[:, k : k + 1] * lean) / line.direction[k]
    point_slope = line.point_slope - line.point_slope[:, k : k + 1] * lean + away * lean_slope
    return line.point + away * lean, point_slope


def line_rotation(line: EstimatedLine, k: int, about: int) -> tuple[float, NDArray[np.float64]]:
    """The line's rotation (degrees) about machine axis `about` away from machine axis k, with derivatives (4,)."""
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
    covariance: Covariance,
) -> tuple[Estimate, ...]:
    """Location errors of a rotary's line: two positions and two angles, in the order of the machine's axes."""
    k = axis_of(letter, line.direction)
    if k is None:
        return ()
    found = []
    others = [j for j in range(3) if j != k]
    where, slopes = crossing(line, old_point, k)
    for j in others:
        value = float(where[j] - old_point[j])
        error = _one("location error", f"E_{_AXES[j]}0{letter}", value, "mm", letter)
        found.append(covariance.propagate(error, embed(slopes[:, j], i, rotaries)))
    for about in others:
        value, slope = line_rotation(line, k, about)
        error = _one("location error", f"E_{_TURNS[about]}0{letter}", value, "deg", letter)
        found.append(covariance.propagate(error, embed(slope, i, rotaries)))
    return tuple(found)


def _one(kind: str, name: str, value: float, unit: str, *letters: str, target: str = "") -> Estimate:
    return Estimate(kind, name, value, None, None, unit, letters, target)


def axis_shift(
    letter: str,
    old: EstimatedLine,
    new: EstimatedLine,
    i: int,
    rotaries: int,
    covariance: Covariance,
) -> tuple[Estimate, ...]:
    """New minus old, across the line: positions (mm), then rotations (degrees), each with its verdict.

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
            shift = _one("axis shift", name, value, unit, letter)
            found.append(covariance.propagate(shift, embed(slope, i, rotaries)))
    else:
        others = [j for j in range(3) if j != k]
        where, slopes = crossing(new, old.point, k)
        for j in others:
            shift = _one("axis shift", _AXES[j], float(where[j] - old.point[j]), "mm", letter)
            found.append(covariance.propagate(shift, embed(slopes[:, j], i, rotaries)))
        for about in others:
            value, slope = line_rotation(new, k, about)
            change = value - line_rotation(old, k, about)[0]
            shift = _one("axis shift", _TURNS[about], change, "deg", letter)
            found.append(covariance.propagate(shift, embed(slope, i, rotaries)))
    return tuple(_with_verdict(estimate) for estimate in found)


def _with_verdict(estimate: Estimate) -> Estimate:
    if estimate.fixed:
        unchanged = abs(estimate.value) < _ROUNDING
        return replace(estimate, verdict="left as it was" if unchanged else "partly determined")
    if estimate.expanded_uncertainty is None:
        return estimate
    significant = abs(estimate.value) > estimate.expanded_uncertainty
    return replace(estimate, verdict="moved" if significant else "not shown to have moved")


_STEP_MM = 1e-3
_PARALLEL = 1e-3
_DEPENDENT = 1e-3
"""Change per millimetre of a fixed parameter below which a quantity does not depend on it."""

_Measure = Callable[[NDArray[np.float64], NDArray[np.float64]], float]


def face_measure(solved: Adjusted, t: int) -> _Measure:
    """Machine Z where the last rotary's line pierces face t, as a function of the lines' and its own parameters."""

    def height(lines: NDArray[np.float64], own: NDArray[np.float64]) -> float:
        return float(_pierced(solved, t, lines, own)[2])

    return height


def _pierced(
    solved: Adjusted, t: int, lines: NDArray[np.float64], own: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The point (3,) in which the last rotary's line pierces face t."""
    points, directions = solved.problem.lines.at(solved.problem.line_parameters(lines))
    point, direction = points[-1], directions[-1]
    nominal, lever = solved.problem.nominal_targets, solved.problem.lever_mm
    normal = tilted_direction(nominal.direction[t], nominal.basis[t], own[2:] / lever)
    # Of the plane only its distance along the normal is counted, from its base point.
    away = own[0] + float(normal @ (nominal.base[t] - point))
    return np.asarray(point + away / float(normal @ direction) * direction)


def face_heights(
    solved: Adjusted, letters: tuple[str, ...], covariance: Covariance, target: TargetFit, t: int
) -> TargetFit:
    """The face `target` (square to the last rotary) with its height and its heights above the other lines."""
    found = []
    for i, letter in enumerate(letters[:-1]):
        now = estimated_lines(solved)
        if float(np.linalg.norm(np.cross(now[i].direction, now[-1].direction))) < _PARALLEL:
            continue

        def above(parameters: NDArray[np.float64], own: NDArray[np.float64], i: int = i) -> float:
            points, directions = solved.problem.lines.at(solved.problem.line_parameters(parameters))
            up = directions[-1] - (directions[-1] @ directions[i]) * directions[i]
            return float((_pierced(solved, t, parameters, own) - points[i]) @ up / np.linalg.norm(up))

        height = _one("height above", "above", 0.0, "mm", letter, letters[-1], target=target.name)
        found.append((letter, _estimated(solved, covariance, t, height, above)))
    height = _one("face height", "face", 0.0, "mm", letters[-1], target=target.name)
    return replace(
        target,
        face_height=_estimated(solved, covariance, t, height, face_measure(solved, t)),
        heights_above=tuple(found),
    )


def _estimated(
    solved: Adjusted, covariance: Covariance, t: int, estimate: Estimate, measure: _Measure
) -> Estimate:
    """A quantity of the lines and one target, with its uncertainty."""
    state = solved.state
    lines, target = state.parameters, state.targets[t]
    by_lines, by_target = measure_gradient(solved, t, measure)
    estimate = replace(estimate, value=measure(lines, target))
    # Readings are derotated by the lines: with one that moves, a target read elsewhere moves along.
    whole = by_lines @ state.free - by_target @ solved.reduced.coupling[t]
    if _rests_on_fixed(covariance, by_lines - _through_target(solved, t, by_target)):
        return replace(estimate, fixed=True)
    own = solved.reduced.inverse[t] - state.fixed[t]
    variance = float(whole @ solved.reduced.cofactor @ whole + by_target @ own @ by_target)
    return covariance.with_variance(estimate, variance)


def measure_gradient(
    solved: Adjusted, t: int, measure: _Measure
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Derivatives by the lines (4n + k,) and by target t (4,), by central differences."""
    lines, target = solved.state.parameters, solved.state.targets[t]

    def slope(whole: NDArray[np.float64], by: Callable[[NDArray[np.float64]], float]) -> NDArray[np.float64]:
        steps = _STEP_MM * np.eye(len(whole))
        return np.array([(by(whole + step) - by(whole - step)) / (2.0 * _STEP_MM) for step in steps])

    return (
        slope(lines, lambda changed: measure(changed, target)),
        slope(target, lambda changed: measure(lines, changed)),
    )


def _through_target(solved: Adjusted, t: int, by_target: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivatives by all the lines' parameters, fixed ones too, through the target's readings."""
    problem, state = solved.problem, solved.state
    raw = linearize(problem, state)
    mine = problem.target == t
    across = np.swapaxes(raw.by_target[mine], 1, 2)
    own = solved.reduced.inverse[t] - state.fixed[t]
    return np.asarray(by_target @ own @ (across @ raw.columns[mine]).sum(axis=0))


def _rests_on_fixed(covariance: Covariance, gradient: NDArray[np.float64]) -> bool:
    along_fixed = gradient - covariance.free @ (gradient @ covariance.free)
    return float(np.abs(along_fixed).max(initial=0.0)) > _DEPENDENT


_FACING_DEG = 5.0


def axis_relations(solved: Adjusted, letters: tuple[str, ...], covariance: Covariance) -> tuple[PairFit, ...]:
    """Distance and angle between each rotary's line and the next one's."""
    found = []
    lines, n = estimated_lines(solved), len(letters)
    for i, (first, second) in enumerate(itertools.pairwise(letters)):
        distance, by_distance, angle, by_angle = _apart(lines[i], lines[i + 1])
        slopes = np.zeros((2, 4 * n))
        slopes[0, 4 * i : 4 * i + 8], slopes[1, 4 * i : 4 * i + 8] = by_distance, np.degrees(by_angle)
        far = _one("distance", "distance", distance, "mm", first, second)
        between = _one("angle", "angle", float(np.degrees(angle)), "deg", first, second)
        found.append(
            PairFit(
                first, second, covariance.propagate(far, slopes[0]), covariance.propagate(between, slopes[1])
            )
        )
    return tuple(found)


def _apart(
    one: EstimatedLine, other: EstimatedLine
) -> tuple[float, NDArray[np.float64], float, NDArray[np.float64]]:
    """Distance (mm) and angle (radians) of two lines, each with its derivatives (8,) by both lines' parameters."""
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
    solved: Adjusted,
    letters: tuple[str, ...],
    listed: Sequence[tuple[str, TargetKind]],
    covariance: Covariance,
) -> tuple[TargetFit, ...]:
    """Estimated position of every target that was read; for faces square to the last rotary, their tilt and heights."""
    problem, state = solved.problem, solved.state
    nominal, lever = problem.nominal_targets, problem.lever_mm
    direction, slopes = tilted_direction_with_jacobian(
        nominal.direction, nominal.basis, state.targets[:, 2:] / lever
    )
    counts = np.bincount(problem.target)
    last = estimated_lines(solved)[-1]
    found = []
    for t, (name, kind) in enumerate(listed):
        own = state.targets[t]
        if kind.equations == 3:
            found.append(TargetFit(name, kind, read_only(nominal.base[t] + own[:3]), None, int(counts[t])))
            continue
        if kind.equations == 2:
            point = nominal.base[t] + own[:2] @ nominal.basis[t]
            found.append(TargetFit(name, kind, read_only(point), read_only(direction[t]), int(counts[t])))
            continue
        point = nominal.base[t] + own[0] * direction[t]
        target = TargetFit(name, kind, read_only(point), read_only(direction[t]), int(counts[t]))
        sign = float(np.sign(direction[t] @ last.direction))
        if abs(float(direction[t] @ last.direction)) > np.cos(np.radians(_FACING_DEG)):
            target = _with_tilt(solved, covariance, letters[-1], target, t, sign * slopes[t] / lever, sign)
            target = face_heights(solved, letters, covariance, target, t)
        found.append(target)
    return tuple(found)


def _with_tilt(
    solved: Adjusted,
    covariance: Covariance,
    letter: str,
    target: TargetFit,
    t: int,
    slope: NDArray[np.float64],
    sign: float,
) -> TargetFit:
    """The face with the tilt of its normal against the last rotary's line.

    The tilt is the length of a vector: its interval is that of `length_interval`, its standard uncertainty the one
    along it.
    """
    assert target.direction is not None
    last, state, problem = estimated_lines(solved)[-1], solved.state, solved.problem
    normal = sign * target.direction
    away = normal - (normal @ last.direction) * last.direction
    size = float(np.linalg.norm(away))
    way = away / size if size > 1e-12 else problem.lines.basis[-1, 0]
    across = np.stack([way, np.cross(last.direction, way)])
    by_target = np.concatenate([np.zeros((2, 2)), across @ slope.T], axis=1)
    by_lines = np.zeros((2, len(state.parameters)))
    own_lines = 4 * problem.rotaries
    by_lines[:, own_lines - 4 : own_lines] = -(across @ last.direction_slope.T)
    value = float(np.degrees(np.arctan2(size, float(normal @ last.direction))))
    estimate = _one("tilt", "tilt", value, "deg", letter, target=target.name)
    along_fixed = by_target @ state.fixed[t]
    fixed = (along_fixed**2).sum(axis=1) > 1e-3 * (by_target**2).sum(axis=1)
    if fixed.any() or any(covariance.rests_on_fixed(one) for one in by_lines):
        estimate = replace(estimate, fixed=True)
    else:
        matrix = joint_cofactor(solved, t, by_lines, by_target) * np.degrees(1.0) ** 2
        estimate = covariance.with_variance(estimate, float(matrix[0, 0]))
        if covariance.sigma is not None and covariance.factor is not None:
            vector = np.array([value, 0.0])
            low, high = length_interval(
                vector, covariance.sigma**2 * matrix, covariance.level, covariance.dof
            )
            estimate = replace(
                estimate,
                expanded_uncertainty=max(high - value, value - low),
                interval=(low, high),
                verdict="out of square" if low > 0.0 else "not shown to be out of square",
            )
    toward = float(np.degrees(np.arctan2(away[1], away[0]))) % 360.0 if size > 1e-12 else 0.0
    return replace(target, tilt=estimate, tilt_toward_deg=toward)


def joint_cofactor(
    solved: Adjusted, t: int, by_lines: NDArray[np.float64], by_target: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Cofactor matrix (q, q) of quantities with gradients by the lines (q, 4n + k) and by target t (q, 4)."""
    state, reduced = solved.state, solved.reduced
    follows = by_lines @ state.free - by_target @ reduced.coupling[t]
    own = reduced.inverse[t] - state.fixed[t]
    return np.asarray(follows @ reduced.cofactor @ follows.T + by_target @ own @ by_target.T)


def fitted_platter(
    solved: Adjusted, letters: Sequence[str], targets: Sequence[TargetFit], covariance: Covariance
) -> PlatterFit | None:
    """The platter by the first face whose name begins with "platter"; None where its height is not determined."""
    for t, target in enumerate(targets):
        if target.face_height is None or target.face_height.fixed or not _is_platter(target):
            continue
        assert target.tilt is not None
        problem, state = solved.problem, solved.state
        nominal, lever = problem.nominal_targets, problem.lever_mm
        normal, slope = tilted_direction_with_jacobian(
            nominal.direction[t], nominal.basis[t], state.targets[t, 2:] / lever
        )
        lines, count = 4 * problem.rotaries, len(state.parameters)
        by_lines, by_target = np.zeros((lines + 4, count)), np.zeros((lines + 4, 4))
        by_lines[np.arange(lines), np.arange(lines)] = problem.scale[:lines]
        by_lines[lines], by_target[lines] = measure_gradient(solved, t, face_measure(solved, t))
        by_target[lines + 1 :, 2:] = slope.T / lever
        matrix = None
        if covariance.sigma is not None:
            matrix = read_only(covariance.sigma**2 * joint_cofactor(solved, t, by_lines, by_target))
        quantities = [
            f"{letter} {what}" for letter in letters for what in ("shift 1", "shift 2", "tilt 1", "tilt 2")
        ]
        return PlatterFit(
            target=target.name,
            face=target.face_height,
            normal=read_only(normal),
            normal_estimable=not target.tilt.fixed,
            quantities=(*quantities, "face", "normal X", "normal Y", "normal Z"),
            covariance=matrix,
        )
    return None


def _is_platter(target: TargetFit) -> bool:
    return target.name.lower().startswith("platter")
