"""Hypotheses that add a parameter or exchange targets: shifted target or datum, uncompensated radius, wrong labels."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import linearize
from kinematics.calibration.blunders.blunder import Blunder
from kinematics.calibration.blunders.regularized_fit import (
    RegularizedFit,
    TestBasis,
    added_parameter,
    added_parameters,
    aliased_shift,
    change_gains,
    change_points,
    clear_gain,
    fit_with_prior,
    is_noise,
    is_significant,
    leave_one_out,
    test_basis,
)
from kinematics.calibration.line_parameters import derotated_points, tilted_direction_with_jacobian
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.calibration.systematic_errors import gradual_gain
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine

__all__ = [
    "ball_pole_measured",
    "datum_shift",
    "mislabelled_targets",
    "shifted_target",
    "uncompensated_radius",
]

_RADII_MM = (0.2, 15.0)
"""mm. Chosen here, a little wider than common practice: styli from 0.5 mm across, tooling balls up to an inch."""
_PLAIN_MOVE_MM = 0.4
"""mm, the least radius called possible. Chosen here: less is likelier a line that did move."""
_OWN = 1e-3
"""Share (squares) of a column that lines and targets cannot alias; with less nothing is tested. Chosen here."""
_REFINED = 2
"""Refinements of a size from the corrected readings: a third changed no ninth digit when it was tried."""
_PURE = 0.05
"""Share (squares) of the lines' move that a possible radius may leave: a fifth of its length. Chosen here."""
_LIKE_THE_PLATTER = np.cos(np.radians(5.0))
"""Cosine: a face so nearly square to the last rotary is the platter's, as in `TargetFit.tilt`. Chosen here."""
_ALONG_SPINDLE = np.cos(np.radians(3.0))
"""Cosine: a touch from above. Within 3 degrees 1 - cosine is 0.14 % of the radius, which nobody sees. Derived here."""
_SQUARE_TO_SPINDLE = np.sin(np.radians(3.0))
"""Cosine: a touch from the side, as many degrees wide as one from above. Chosen here."""


def shifted_target(base: RegularizedFit) -> Blunder | None:
    """A target that shifted before some row, where that explains far more than one bad reading."""
    basis = test_basis(base)
    split, tried = change_points(basis)
    if split is None or not is_significant(basis, split.gain, split.numbers, tried):
        return None
    if _is_gradual(basis, split.gain):
        return None
    readings, problem = base.readings, base.problem
    mine = np.flatnonzero(problem.target == split.target)
    after = np.sort(problem.order[mine[mine >= split.reading]])
    t = int(problem.names[split.target])
    target = np.array(readings.target)
    target[after] = len(readings.names)
    name, rows = readings.names[t], tuple(readings.row(int(i)) for i in after)
    corrected = replace(
        readings,
        names=(*readings.names, f"{name} from row {rows[0]}"),
        kinds=(*readings.kinds, readings.kinds[t]),
        directions=(*readings.directions, readings.directions[t]),
        target=target,
    )
    size = _shift_size_mm(basis, split.target, split.reading)
    return Blunder(
        "target slipped", corrected, base.machine, target=name, targets=(name,), rows=rows, size_mm=size
    )


def _is_gradual(basis: TestBasis, gain: float) -> bool:
    """True where an error of a rotary's own angle, or a drift, explains the readings as well as a sudden change."""
    other = _gradual(basis)
    return gain < other + clear_gain(basis.fit, max(gain, other))


def _gradual(basis: TestBasis) -> float:
    """The largest gain of an error of one rotary's angle, or of a drift."""
    fit = basis.fit
    return gradual_gain(
        fit.problem, fit.raw, fit.state, basis.reduced, basis.inverse, fit.machine, fit.readings
    ).gain


def _shift_size_mm(basis: TestBasis, target: int, reading: int) -> float:
    """Approximate shift: difference of the mean residuals after and before, over each reading's own equations."""
    problem = basis.fit.problem
    residual = basis.fit.raw.residual / problem.weight[:, None]
    mine = problem.target == target
    after = mine & (np.arange(len(mine)) >= reading)
    return float(np.linalg.norm(residual[after].mean(axis=0) - residual[mine & ~after].mean(axis=0)))


def uncompensated_radius(base: RegularizedFit) -> Blunder | None:
    """A stylus radius that was not taken off touches of faces that do not look along the spindle.

    Three profiles are tried. The reading is the stylus tip's position on the tool's axis, so a flank touch is off
    along the normal by the radius times (1 - cosine of the normal to the spindle); or the radius was left on every
    touch but those along the spindle, or on those square to it alone. At level and upright touches they are the same.
    """
    readings, problem = base.readings, base.problem
    kinds = [readings.kinds[t] for t in problem.names]
    if TargetKind.FACE not in kinds:
        return None
    angles = readings.angles_deg[problem.order]
    normal = problem.nominal_targets.direction[problem.target]
    cosine = table_pose(base.machine, angles).rotate(normal)[:, 2]
    face = (problem.nominal_targets.equations == 1)[problem.target]
    # Which way a block's side looks is a guess; the platter's face looks away from the platter. Try it alone, too.
    last = base.machine.rotaries[-1].direction
    platter = face & (np.abs(normal @ last) > _LIKE_THE_PLATTER)
    shapes: list[NDArray[np.float64]] = []
    for these in (face, platter):
        for shape in (
            1.0 - cosine,
            (cosine < _ALONG_SPINDLE).astype(np.float64),
            (np.abs(cosine) < _SQUARE_TO_SPINDLE).astype(np.float64),
        ):
            new = np.where(these, shape, 0.0)
            if new.any() and not any(np.allclose(new, old, atol=1e-6) for old in shapes):
                shapes.append(new)
    basis = test_basis(base)
    best: tuple[float, float, NDArray[np.float64]] | None = None
    for shape in shapes:
        column = np.zeros((len(shape), 3))
        column[:, 0] = shape * problem.weight
        gain, radius, own = added_parameter(basis, column)
        if own > _OWN and (best is None or gain > best[0]):
            best = (gain, radius, shape)
    if best is not None:
        gain, radius, shape = best
        if _RADII_MM[0] <= radius <= _RADII_MM[1] and not is_noise(base, gain, 1, len(shapes)):
            radius, shape = _refined(base, radius, shape)
            return _radius_removed(base, radius, shape, certain=True)
    elif shapes:
        return _aliased_radius(basis, shapes[0])
    return None


def ball_pole_measured(base: RegularizedFit) -> Blunder | None:
    """Ball centres too high along the spindle by the same length at every pose: read at the pole.

    Balls alone never show it, since lines and balls as much higher read the same; faces do.
    """
    readings, problem = base.readings, base.problem
    balls = (problem.nominal_targets.equations == 3)[problem.target]
    if not balls.any():
        return None
    angles = readings.angles_deg[problem.order]
    up = table_pose(base.machine, angles).inverse().rotate([0.0, 0.0, 1.0])
    column = np.where(balls[:, None], up * problem.weight[:, None], 0.0)
    gain, high, own = added_parameter(test_basis(base), column)
    if own <= _OWN or not _RADII_MM[0] <= high <= _RADII_MM[1] or is_noise(base, gain, 1, 1):
        return None
    read = np.sort(problem.order[balls])
    for _ in range(_REFINED):
        # The lines had tilted to make up for it.
        fit = fit_with_prior(_lowered(readings, read, high), base.machine, base.sigma_mm)
        if fit is None:
            break
        high += added_parameter(test_basis(fit), column)[1]
    names = sorted({readings.names[readings.target[i]] for i in read})
    return Blunder(
        "ball read at its top",
        _lowered(readings, read, high),
        base.machine,
        target=names[0] if len(names) == 1 else "",
        targets=tuple(names),
        rows=tuple(readings.row(int(i)) for i in read),
        size_mm=high,
    )


def _lowered(readings: Readings, read: NDArray[np.int64], high: float) -> Readings:
    points = np.array(readings.points_mm)
    points[read, 2] -= high
    return replace(readings, points_mm=points)


def _refined(
    base: RegularizedFit, radius: float, shape: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Refine radius and profile from fits with it taken off, since the lines had tilted to make up for it.

    A flank's profile follows the lean of the adjusted lines and faces: taken from the machine file, a radius of 4 mm
    and a lean of 0.02 degrees leave more than a probe scatters, and a rival with an exact profile looks certain.
    """
    graded = bool(((shape > 0.0) & (shape != 1.0)).any())
    for _ in range(_REFINED):
        fit = fit_with_prior(
            _radius_removed(base, radius, shape, certain=True).corrected, base.machine, base.sigma_mm
        )
        if fit is None:
            break
        if graded:
            shape = np.where(shape > 0.0, 1.0 - _adjusted_cosines(fit), 0.0)
        column = np.zeros((len(shape), 3))
        column[:, 0] = shape * base.problem.weight
        radius += added_parameter(test_basis(fit), column)[1]
    return radius, shape


def _adjusted_cosines(fit: RegularizedFit) -> NDArray[np.float64]:
    """Cosine (N,) of each reading's face to the spindle, with lines and faces as adjusted."""
    problem, nominal = fit.problem, fit.problem.nominal_targets
    tilts = problem.line_parameters(fit.state.parameters)[:, 2:]
    directions = tilted_direction_with_jacobian(problem.lines.direction, problem.lines.basis, tilts)[0]
    machine = replace(
        fit.machine,
        rotaries=tuple(
            replace(rotary, direction=direction)
            for rotary, direction in zip(fit.machine.rotaries, directions, strict=True)
        ),
    )
    normals = tilted_direction_with_jacobian(
        nominal.direction, nominal.basis, fit.state.targets[:, 2:] / problem.lever_mm
    )[0]
    outward = table_pose(machine, fit.readings.angles_deg[problem.order]).rotate(normals[problem.target])
    return np.asarray(outward[:, 2])


def _aliased_radius(basis: TestBasis, shape: NDArray[np.float64]) -> Blunder | None:
    """A radius aliased with a shift of the lines, where they shifted in just that way; possible, not certain."""
    base = basis.fit
    column = np.zeros((len(shape), 3))
    column[:, 0] = shape * base.problem.weight
    alias, moved = base.prior * aliased_shift(basis, column), base.prior * base.state.parameters
    size = float(alias @ alias)
    if size <= 0.0:
        return None
    radius = float(alias @ moved) / size
    left = moved - radius * alias
    explained = float(left @ left) < _PURE * float(moved @ moved)
    if explained and max(_RADII_MM[0], _PLAIN_MOVE_MM) <= radius <= _RADII_MM[1]:
        return _radius_removed(base, radius, shape, certain=False)
    return None


def _radius_removed(
    base: RegularizedFit, radius: float, shape: NDArray[np.float64], *, certain: bool
) -> Blunder:
    readings, problem = base.readings, base.problem
    angles = readings.angles_deg[problem.order]
    outward = table_pose(base.machine, angles).rotate(problem.nominal_targets.direction[problem.target])
    points = np.array(readings.points_mm)
    points[problem.order] -= radius * shape[:, None] * outward
    touched = np.sort(problem.order[shape > 1e-3])
    rows = tuple(readings.row(int(i)) for i in touched)
    names = sorted({readings.names[readings.target[i]] for i in touched})
    return Blunder(
        "radius left on",
        replace(readings, points_mm=points),
        base.machine,
        target=names[0] if len(names) == 1 else "",
        targets=tuple(names),
        rows=rows,
        size_mm=radius,
        certain=certain,
    )


_MOST_SPLITS = 80
"""Of more rows an even choice is tried first, then every row between the neighbours of the best."""
_MOST_STEPS = 3
"""Steps looked for. Chosen here: whose zero moved more often reads everything again anyway."""
_TIMES_LESS = 2.0
"""Ratio of misfits. Chosen here: what a gradual change left would be half noise at most."""
_DOUBTFUL = 1e-3
"""p-value of a further step below which a single one is not called certain. Chosen here, as for outliers."""


@dataclass(frozen=True, eq=False)
class _Step:
    """A step of all readings from `row` (their index) on, the rows from and to which it may as well begin, its gain."""

    row: int
    span: tuple[int, int]
    gain: float
    numbers: int
    tried: int


def datum_shift(base: RegularizedFit) -> Blunder | None:
    """Datum shift: from some row on every reading is off by the same vector, far beyond scatter.

    Row and shift are estimated together: every row is tried, and the adjusted lines follow the shift. Then a further
    step is looked for in what is left, and with several each is sought anew beside the others.
    """
    basis = test_basis(base)
    first = _best_step(basis)
    if first is None or not is_significant(basis, first.gain, first.numbers, first.tried):
        return None
    steps, certain = [first], True
    shifts, fit = _shifts(base, steps)
    while fit is not None and len(steps) < _MOST_STEPS:
        left = test_basis(fit)
        more = _best_step(left)
        if more is None or more.row in [one.row for one in steps]:
            break
        if not is_significant(left, more.gain, more.numbers, more.tried):
            certain = not is_significant(left, more.gain, more.numbers, more.tried, _DOUBTFUL)
            break
        steps = _settled(base, [*steps, more])
        shifts, fit = _shifts(base, steps)
    if _is_gradual(basis, first.gain) and not (len(steps) > 1 and _clears_gradual(basis, fit)):
        return None
    if len(steps) > 1 and not _of_all_targets(base.readings, steps):
        return None
    return _steps_blunder(base, steps, shifts, certain=certain)


def _of_all_targets(readings: Readings, steps: list[_Step]) -> bool:
    """True if more than one target was read between two steps: what one target alone shows is no zero that moved."""
    edges = [one.row for one in steps]
    several = len(np.unique(readings.target)) > 1
    between = itertools.pairwise(edges)
    return not several or all(len(np.unique(readings.target[a:b])) > 1 for a, b in between)


def _clears_gradual(basis: TestBasis, fit: RegularizedFit | None) -> bool:
    """True where several steps leave far less than a gradual change does, which one of them alone did not."""
    return fit is not None and _TIMES_LESS * fit.misfit < basis.fit.misfit - _gradual(basis)


def _settled(base: RegularizedFit, steps: list[_Step]) -> list[_Step]:
    """Each step sought once more with the others put right."""
    for k in range(len(steps)):
        others = [one for j, one in enumerate(steps) if j != k]
        _, fit = _shifts(base, others)
        again = None if fit is None else _best_step(test_basis(fit))
        if again is not None and again.row not in [one.row for one in others]:
            steps = sorted([*others, again], key=lambda one: one.row)
    return steps


def _best_step(basis: TestBasis) -> _Step | None:
    """The row from which on one more shift gains most; None where there are too few readings to tell."""
    base = basis.fit
    order = base.problem.order
    rows = _step_rows(base)
    if not len(rows):
        return None
    columns = _datum_columns(base)

    def gains(these: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        return change_gains(basis, columns, order >= these[:, None])

    tried = rows
    if len(rows) > _MOST_SPLITS:
        coarse = np.unique(np.linspace(0, len(rows) - 1, _MOST_SPLITS).astype(np.int64))
        k = int(np.argmax(gains(rows[coarse])[0]))
        near = slice(coarse[max(k - 1, 0)], coarse[min(k + 1, len(coarse) - 1)] + 1)
        tried = rows[near]
    found, numbers = gains(tried)
    k = int(np.argmax(found))
    gain = float(found[k])
    alike = np.flatnonzero(found > gain - clear_gain(base, gain))
    first = last = k
    while first - 1 in alike:
        first -= 1
    while last + 1 in alike:
        last += 1
    return _Step(int(tried[k]), (int(tried[first]), int(tried[last])), gain, int(numbers[k]), len(rows))


def _step_rows(base: RegularizedFit) -> NDArray[np.int64]:
    """Readings before which a step may have come: two of one target at least on either side of it."""
    target = np.empty(len(base.problem.order), dtype=np.int64)
    target[base.problem.order] = base.problem.target
    before = np.cumsum(target[:, None] == np.arange(len(base.problem.names)), axis=0)
    after = before[-1] - before
    return np.flatnonzero(((before >= 2) & (after >= 2)).any(axis=1)) + 1


def _datum_columns(fit: RegularizedFit) -> NDArray[np.float64]:
    """Change of the residuals (3, N, 3) for a millimetre along X, Y and Z."""
    problem = fit.problem
    return np.stack(
        [
            linearize(replace(problem, points=problem.points + step), fit.state).residual - fit.raw.residual
            for step in np.eye(3)
        ]
    )


def _shifts(base: RegularizedFit, steps: list[_Step]) -> tuple[NDArray[np.float64], RegularizedFit | None]:
    """The steps' shifts (k, 3), adjusted together, and the fit with them taken off."""
    shifts, fit = np.zeros((len(steps), 3)), base
    for _ in range(_REFINED + 1):
        # The lines had shifted with it.
        columns = _datum_columns(fit)
        after = [(fit.problem.order >= one.row)[:, None] for one in steps]
        added = added_parameters(
            test_basis(fit), np.concatenate([np.where(one, columns, 0.0) for one in after])
        )[1]
        shifts = shifts + added.reshape(-1, 3)
        found = fit_with_prior(_stepped_back(base.readings, steps, shifts), base.machine, base.sigma_mm)
        if found is None:
            return shifts, None
        fit = found
    return shifts, fit


def _stepped_back(readings: Readings, steps: list[_Step], shifts: NDArray[np.float64]) -> Readings:
    points = np.array(readings.points_mm)
    for step, shift in zip(steps, shifts, strict=True):
        points[step.row :] -= shift
    return replace(readings, points_mm=points)


def _steps_blunder(
    base: RegularizedFit, steps: list[_Step], shifts: NDArray[np.float64], *, certain: bool
) -> Blunder:
    readings = base.readings
    largest = int(np.linalg.norm(shifts, axis=-1).argmax())
    x, y, z = shifts[largest].tolist()
    several = len(steps) > 1
    begins = [one.row for one in steps] if several else list(range(steps[0].row, len(readings)))
    first, last = steps[largest].span
    return Blunder(
        "zero moved repeatedly" if several else "zero moved",
        _stepped_back(readings, steps, shifts),
        base.machine,
        rows=tuple(readings.row(i) for i in begins),
        size_mm=float(np.linalg.norm(shifts[largest])),
        shift_mm=(x, y, z),
        first_rows=(readings.row(first), readings.row(last)),
        certain=certain,
    )


_NEARER = 0.3
"""Ratio: another ball is meant where it is less than a third as far away as the ball named. Chosen here."""
_APART_MM = 1.0
"""mm that a reading must lie from its own ball: far above scatter, and no two balls stand closer. Chosen here."""


def mislabelled_targets(
    readings: Readings, machine: Machine, base: RegularizedFit | None
) -> Iterator[Blunder]:
    """Relabellings of ball readings cost_limit a fit: all at once by the machine's own lines, then the worst one alone."""
    balls = [
        t for t, kind in enumerate(readings.kinds) if kind is TargetKind.BALL and (readings.target == t).any()
    ]
    if len(balls) < 2:
        return
    where = derotated_points(machine, readings.angles_deg, readings.points_mm)
    middles = np.stack([np.median(where[readings.target == t], axis=0) for t in balls])
    away = np.linalg.norm(where[:, None] - middles, axis=-1)
    column = {t: k for k, t in enumerate(balls)}
    mine = np.array([column.get(int(t), -1) for t in readings.target])
    ball = mine >= 0
    own = away[np.arange(len(mine)), np.where(ball, mine, 0)]
    nearest = away.argmin(axis=1)
    suspicious = ball & (nearest != mine) & (away.min(axis=1) < _NEARER * own) & (own > _APART_MM)
    target = np.where(suspicious, np.array(balls)[nearest], readings.target)
    if suspicious.any():
        yield _relabelled(readings, machine, target)
    if base is None:
        return
    try:
        gains = leave_one_out(test_basis(base))
    except KinematicsError:
        return
    worst = int(base.problem.order[int(np.argmax(gains))])
    if not ball[worst] or (suspicious.sum() == 1 and suspicious[worst]):
        return
    for other in balls:
        if other != readings.target[worst]:
            alone = np.array(readings.target)
            alone[worst] = other
            yield _relabelled(readings, machine, alone)


def _relabelled(readings: Readings, machine: Machine, target: NDArray[np.int64]) -> Blunder:
    changed = np.flatnonzero(target != readings.target)
    rows = tuple(readings.row(int(i)) for i in changed)
    first = int(changed[0])
    name, other = readings.names[readings.target[first]], readings.names[target[first]]
    return Blunder(
        "targets confused",
        replace(readings, target=target),
        machine,
        target=name,
        other_target=other,
        rows=rows,
    )
