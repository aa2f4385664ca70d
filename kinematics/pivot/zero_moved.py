"""A machine whose zero moved, or that warmed or was hit, while the readings were taken: all of them are off from then on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.adjust import raw_rows
from kinematics.pivot.blunder import Blunder
from kinematics.pivot.doubt import Doubt, doubt_of
from kinematics.pivot.extra import columns_gain, far_beyond, rest_of
from kinematics.pivot.lengths import in_millimetres
from kinematics.pivot.readings import Readings

__all__ = ["zero_moved"]

_MOST_SPLITS = 80
"""Of more poses an even choice is tried: a shift a few poses off still explains most of what there is."""

_REFINED = 2


def zero_moved(base: Doubt) -> Blunder | None:
    """The row from which on every reading is off by one and the same shift, where that explains far more than scatter."""
    row = base.problem.order
    splits = _splits(base.readings, row, base.problem.target)
    if not splits:
        return None
    rest = rest_of(base)
    follows = _follows(base)
    best: tuple[float, int, NDArray[np.float64], int] | None = None
    for split in splits:
        after = (row >= split)[:, None]
        gain, shift, numbers = columns_gain(rest, [np.where(after, one, 0.0) for one in follows])
        if best is None or gain > best[0]:
            best = gain, split, shift, numbers
    assert best is not None
    gain, split, shift, numbers = best
    if not far_beyond(rest, gain, numbers, len(splits)):
        return None
    return _blunder(base, split, shift)


def _splits(readings: Readings, row: NDArray[np.int64], target: NDArray[np.int64]) -> list[int]:
    """Rows at which the pose changes, with enough on both sides."""
    angles = readings.angles_deg
    changes = np.flatnonzero((angles[1:] != angles[:-1]).any(axis=1)) + 1
    if len(changes) > _MOST_SPLITS:
        changes = changes[np.linspace(0, len(changes) - 1, _MOST_SPLITS).astype(np.int64)]
    count = np.bincount(target)
    found = []
    for split in changes.tolist():
        after = np.bincount(target[row >= split], minlength=len(count))
        if bool(((after >= 2) & (count - after >= 2)).any()):
            found.append(split)
    return found


def _follows(fit: Doubt) -> list[NDArray[np.float64]]:
    """How each reading's residuals (N, 3) follow a millimetre along X, Y and Z."""
    problem = fit.problem
    return [
        raw_rows(replace(problem, points=problem.points + step), fit.state).residual - fit.raw.residual
        for step in np.eye(3)
    ]


def _blunder(base: Doubt, split: int, shift: NDArray[np.float64]) -> Blunder:
    later = np.arange(split, len(base.readings))
    points = np.array(base.readings.points_mm)
    points[later] -= shift
    mended = replace(base.readings, points_mm=points)
    for _ in range(_REFINED):
        # The lines had given way to it.
        fit = doubt_of(mended, base.machine, base.sigma_mm)
        if fit is None:
            break
        again = _more(fit, later)
        shift = shift + again
        points = np.array(mended.points_mm)
        points[later] -= again
        mended = replace(mended, points_mm=points)
    first = base.readings.row(int(later[0]))
    size = float(np.linalg.norm(shift))
    parts = ", ".join(
        f"{axis} {in_millimetres(float(part), '.3f')}" for axis, part in zip("XYZ", shift, strict=True)
    )
    words = (
        f"from row {first} on every reading lies about {in_millimetres(size)} off ({parts}): did the machine's zero move, "
        "did it warm or was it hit, once or little by little? Read all of them again in one go."
    )
    numbers = tuple(base.readings.row(int(i)) for i in later)
    return Blunder("zero moved", words, mended, base.machine, rows=numbers, size_mm=size)


def _more(fit: Doubt, later: NDArray[np.int64]) -> NDArray[np.float64]:
    """What of the shift is still there."""
    after = np.isin(fit.problem.order, later)[:, None]
    return columns_gain(rest_of(fit), [np.where(after, one, 0.0) for one in _follows(fit)])[1]
