"""Blunders that add an unknown: a slip part-way, a radius left on the side touches, balls read at their tops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import table_pose
from kinematics.pivot.blunder import Blunder
from kinematics.pivot.doubt import Doubt, doubt_of
from kinematics.pivot.extra import Rest, by_scatter, column_gain, far_beyond, mimicked, rest_of, splits
from kinematics.pivot.lengths import in_millimetres
from kinematics.pivot.readings import Kind, Readings

__all__ = ["radius_left_on", "read_at_the_top", "slipped"]

_RADII_MM = (0.2, 15.0)
"""mm. Chosen here, a little wider than common practice: styli from 0.5 mm across, tooling balls up to an inch."""
_PLAIN_MOVE_MM = 0.4
"""mm, the least radius called possible. Chosen here: less is likelier a line that did move."""
_OWN = 1e-3
"""Share (squares) of an unknown that lines and targets cannot take over; less tells nothing. Chosen here."""
_REFINED = 2
"""Times that a size is found again with itself taken off: a third changed no ninth digit when it was tried."""
_PURE = 0.05
"""Share (squares) of the lines' move that a possible radius may leave: a fifth of its length. Chosen here."""
_LIKE_THE_PLATTER = np.cos(np.radians(5.0))
"""Cosine: a face so nearly square to the last rotary is the platter's, as in `TargetFit.tilt`. Chosen here."""
_ALONG_SPINDLE = np.cos(np.radians(3.0))
"""Cosine: a touch from above. Within 3 degrees 1 - cosine is 0.14 % of the radius, which nobody sees. Derived here."""
_SQUARE_TO_SPINDLE = np.sin(np.radians(3.0))
"""Cosine: a touch from the side, as many degrees wide as one from above. Chosen here."""


def slipped(base: Doubt) -> Blunder | None:
    """A target that stands elsewhere from some row on, where that explains far more than one bad reading."""
    rest = rest_of(base)
    split, tried = splits(rest)
    if split is None or not far_beyond(rest, split.gain, split.numbers, tried):
        return None
    readings, problem = base.readings, base.problem
    mine = np.flatnonzero(problem.target == split.target)
    after = np.sort(problem.order[mine[mine >= split.reading]])
    t = int(problem.names[split.target])
    target = np.array(readings.target)
    target[after] = len(readings.names)
    name, rows = readings.names[t], tuple(readings.row(int(i)) for i in after)
    mended = replace(
        readings,
        names=(*readings.names, f"{name} from row {rows[0]}"),
        kinds=(*readings.kinds, readings.kinds[t]),
        directions=(*readings.directions, readings.directions[t]),
        target=target,
    )
    size = _slip_mm(rest, split.target, split.reading)
    words = f"{name} slipped before row {rows[0]}: from there on it stands about {in_millimetres(size)} elsewhere on the table."
    return Blunder("target slipped", words, mended, base.machine, target=name, rows=rows, size_mm=size)


def _slip_mm(rest: Rest, target: int, reading: int) -> float:
    """The slip, roughly: the mean residual after less the mean before, per reading's own equations."""
    problem = rest.doubt.problem
    residual = rest.doubt.raw.residual / problem.weight[:, None]
    mine = problem.target == target
    after = mine & (np.arange(len(mine)) >= reading)
    return float(np.linalg.norm(residual[after].mean(axis=0) - residual[mine & ~after].mean(axis=0)))


def radius_left_on(base: Doubt) -> Blunder | None:
    """Faces that read too far out wherever they do not face the spindle, by one and the same radius.

    Three profiles are tried. The reading is where the stylus tip would be on the tool's axis, so a flank touch is off
    along the normal by the radius times (1 - cosine of the normal to the spindle); or the radius was left on every
    touch but those along the spindle, or on those square to it alone. At level and upright touches they are the same.
    """
    readings, problem = base.readings, base.problem
    kinds = [readings.kinds[t] for t in problem.names]
    if Kind.FACE not in kinds:
        return None
    angles = readings.angles_deg[problem.order]
    normal = problem.charts.direction[problem.target]
    cosine = table_pose(base.machine, angles).turn(normal)[:, 2]
    face = (problem.charts.equations == 1)[problem.target]
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
    rest = rest_of(base)
    best: tuple[float, float, NDArray[np.float64]] | None = None
    for shape in shapes:
        column = np.zeros((len(shape), 3))
        column[:, 0] = shape * problem.weight
        gain, radius, own = column_gain(rest, column)
        if own > _OWN and (best is None or gain > best[0]):
            best = (gain, radius, shape)
    if best is not None:
        gain, radius, shape = best
        if _RADII_MM[0] <= radius <= _RADII_MM[1] and not by_scatter(base, gain, 1, len(shapes)):
            return _left_on(base, _refined(base, radius, shape), shape, certain=True)
    elif shapes:
        return _perhaps_left_on(rest, shapes[0])
    return None


def read_at_the_top(base: Doubt) -> Blunder | None:
    """Ball centres that lie too high along the spindle by one and the same length, at every pose.

    Balls alone never show it: lines and balls as much higher would read the same. Faces or lines known well do.
    """
    readings, problem = base.readings, base.problem
    balls = (problem.charts.equations == 3)[problem.target]
    if not balls.any():
        return None
    angles = readings.angles_deg[problem.order]
    up = table_pose(base.machine, angles).inverse().turn([0.0, 0.0, 1.0])
    column = np.where(balls[:, None], up * problem.weight[:, None], 0.0)
    gain, high, own = column_gain(rest_of(base), column)
    if own <= _OWN or not _RADII_MM[0] <= high <= _RADII_MM[1] or by_scatter(base, gain, 1, 1):
        return None
    read = np.sort(problem.order[balls])
    for _ in range(_REFINED):
        # The lines had leaned to make up for it.
        fit = doubt_of(_lowered(readings, read, high), base.machine, base.sigma_mm)
        if fit is None:
            break
        high += column_gain(rest_of(fit), column)[1]
    names = sorted({readings.names[readings.target[i]] for i in read})
    words = (
        f"the readings of {', '.join(names)} lie about {in_millimetres(high, '.3f')} too high along the spindle, at every pose: "
        "was the ball's top read instead of its centre?"
    )
    return Blunder(
        "ball read at its top",
        words,
        _lowered(readings, read, high),
        base.machine,
        target=names[0] if len(names) == 1 else "",
        rows=tuple(readings.row(int(i)) for i in read),
        size_mm=high,
    )


def _lowered(readings: Readings, read: NDArray[np.int64], high: float) -> Readings:
    points = np.array(readings.points_mm)
    points[read, 2] -= high
    return replace(readings, points_mm=points)


def _refined(base: Doubt, radius: float, shape: NDArray[np.float64]) -> float:
    """The radius once more, from the fit with it taken off: the lines had leaned to make up for it."""
    column = np.zeros((len(shape), 3))
    column[:, 0] = shape * base.problem.weight
    for _ in range(_REFINED):
        fit = doubt_of(_left_on(base, radius, shape, certain=True).mended, base.machine, base.sigma_mm)
        if fit is None:
            break
        radius += column_gain(rest_of(fit), column)[1]
    return radius


def _perhaps_left_on(rest: Rest, shape: NDArray[np.float64]) -> Blunder | None:
    """A radius that the readings cannot tell from lines moved so as to mimic it, if they moved just so."""
    base = rest.doubt
    column = np.zeros((len(shape), 3))
    column[:, 0] = shape * base.problem.weight
    mimic, moved = base.prior * mimicked(rest, column), base.prior * base.state.told
    size = float(mimic @ mimic)
    if size <= 0.0:
        return None
    radius = float(mimic @ moved) / size
    left = moved - radius * mimic
    plain = float(left @ left) < _PURE * float(moved @ moved)
    if plain and max(_RADII_MM[0], _PLAIN_MOVE_MM) <= radius <= _RADII_MM[1]:
        return _left_on(base, radius, shape, certain=False)
    return None


def _left_on(base: Doubt, radius: float, shape: NDArray[np.float64], *, certain: bool) -> Blunder:
    readings, problem = base.readings, base.problem
    angles = readings.angles_deg[problem.order]
    outward = table_pose(base.machine, angles).turn(problem.charts.direction[problem.target])
    points = np.array(readings.points_mm)
    points[problem.order] -= radius * shape[:, None] * outward
    touched = np.sort(problem.order[shape > 1e-3])
    rows = tuple(readings.row(int(i)) for i in touched)
    names = sorted({readings.names[readings.target[i]] for i in touched})
    words = (
        f"a stylus radius of about {in_millimetres(radius, '.3f')} was left on the side touches of {', '.join(names)}, "
        "while the touches along the spindle are right."
    )
    if not certain:
        words = (
            f"perhaps a stylus radius of about {in_millimetres(radius, '.3f')} was left on the side touches of {', '.join(names)}: "
            "these readings cannot tell it from a line that has moved as far."
        )
    return Blunder(
        "radius left on",
        words,
        replace(readings, points_mm=points),
        base.machine,
        target=names[0] if len(names) == 1 else "",
        rows=rows,
        size_mm=radius,
        certain=certain,
    )
