"""Rank deficiency of the adjustment: combinations of parameters that change no reading, and what is fixed instead.

Such a combination must be fixed by a condition of its own (a datum). The line of a rotary that stands still
throughout is fixed before anything else: whatever it could do, another line does as well. Then errors of the
rotaries' own angles and drifts are fixed at none, and directions before positions, the rotaries' before the targets': a setter who reads a platter level and on its two edges takes
directions as they are and wants the tilt's Y and Z. Within such a group the condition is the minimum norm: the
combination itself keeps the machine's value, and what is orthogonal to it is estimated.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import Linearization, Problem, State, reduced_normals
from kinematics.calibration.linear_algebra import eigen_symmetric, singular_values

__all__ = ["estimability_threshold", "fix_unestimable", "fix_unestimable_targets"]

_LEAST_SENSITIVITY = 1e-3
"""Change of all readings together, in mm per mm, below which a combination is not estimable. Chosen here."""
_NOISE_FACTOR = 30.0
"""Multiple of what the scatter of a face's normal can feign that a sensitivity must exceed. Chosen here."""
_LEAST_SHARE = 1e-2
"""Singular value below which a null space does not move a group. Chosen here."""
_STILL = 1e-9
_TILT = np.array([False, False, True, True])


def estimability_threshold(problem: Problem, sigma_mm: float) -> float:
    """Sensitivity (mm of all readings together per mm) below which a combination is not estimable.

    A face's normal is known to sigma over the lever, and by so much a rotary square to it may seem to move the face:
    a sensitivity that scatter can feign is none. With sigmas stated per reading it is in their units.
    """
    feigned = _NOISE_FACTOR * min(sigma_mm, 0.05) / problem.lever_mm
    return max(_LEAST_SENSITIVITY, feigned) * problem.usual_weight


def fix_unestimable(
    problem: Problem,
    state: State,
    raw: Linearization,
    sigma_mm: float,
    within: NDArray[np.float64] | None = None,
) -> State:
    """The state with everything fixed that is not estimable at its linearisation `raw`.

    `within`, shape (4n, k), restricts the lines from the outset: to their shifts alone, say.
    """
    least = estimability_threshold(problem, sigma_mm)
    fixed, any_fixed = fix_unestimable_targets(problem, raw, least)
    state = replace(state, fixed=fixed, any_fixed=any_fixed)
    parameters, tilt = len(problem.scale), problem.tilts
    angle = np.arange(parameters) >= 4 * problem.rotaries
    still = np.repeat(np.ptp(problem.turns.terms, axis=0).max(axis=-1) < _STILL, 4)
    still = np.concatenate([still, np.zeros(parameters - len(still), dtype=np.bool_)])
    state = replace(state, free=np.eye(parameters) if within is None else within)
    null_space, tilts = np.zeros((parameters, 0)), np.zeros((2 * (problem.rotaries + len(problem.names)), 0))
    for _ in range(parameters):
        block = reduced_normals(problem, state, raw)
        size, vectors = eigen_symmetric(block.information)
        null = vectors[:, size < least**2]
        if not null.size:
            break
        fixed, targets = state.fixed.copy(), -(block.coupling @ null)
        null = state.free @ null
        null_space = np.hstack([null_space, null])
        tilts = np.hstack([tilts, np.concatenate([null[tilt], targets[:, _TILT].reshape(-1, null.shape[1])])])
        conditions = []
        for group in (still, angle, tilt):
            null, targets, directions = _fix_group(null, targets, np.where(group[:, None], null, 0.0))
            conditions.append(directions)
        for t in np.flatnonzero(problem.nominal_targets.equations < 3):
            if not null.shape[1]:
                break
            mine = np.where(_TILT[:, None], targets[t], 0.0)
            null, targets, directions = _fix_group(null, targets, mine)
            fixed[t] += directions @ directions.T
        null, targets, directions = _fix_group(null, targets, np.where(tilt[:, None], 0.0, null))
        conditions.append(directions)
        free = _orthogonal_complement(state.free, np.hstack(conditions))
        state = replace(state, free=free, fixed=fixed, any_fixed=_more_than_unused(problem, fixed))
    return replace(state, null_space=null_space, null_space_tilts=tilts)


def _more_than_unused(problem: Problem, fixed: NDArray[np.float64]) -> bool:
    return float(np.trace(fixed, axis1=1, axis2=2).sum()) > float(problem.nominal_targets.unused.sum()) + 0.5


def _fix_group(
    null: NDArray[np.float64], targets: NDArray[np.float64], part: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Fix the combinations of a group that the null space moves; return the rest of the null space, and those."""
    if not null.shape[1]:
        return null, targets, np.zeros((len(part), 0))
    directions, size, right = singular_values(part, full_matrices=True)
    rank = int((size > _LEAST_SHARE).sum())
    rest = right[rank:].T
    return null @ rest, targets @ rest, directions[:, :rank]


def _orthogonal_complement(free: NDArray[np.float64], directions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Orthonormal basis of the part of `free` that is orthogonal to `directions`."""
    inside = free.T @ directions
    _, size, right = singular_values(inside.T, full_matrices=True)
    return np.asarray(free @ right[int((size > 1e-9).sum()) :].T)


def fix_unestimable_targets(
    problem: Problem, raw: Linearization, least: float
) -> tuple[NDArray[np.float64], bool]:
    """Fix what a target's own readings do not determine even with the lines known: directions first.

    Returns the projectors (t, 4, 4), and whether they fix more than the parameters that a target does not have.
    """
    by_target = raw.by_target
    fixed = np.zeros((len(problem.names), 4, 4))
    fixed[:, np.arange(4), np.arange(4)] = problem.nominal_targets.unused
    if problem.nominal_targets.equations.min() == 3:
        return fixed, False
    own = np.add.reduceat(np.swapaxes(by_target, 1, 2) @ by_target, problem.starts, axis=0)
    size, vectors = eigen_symmetric(own + fixed * (2.0 * least) ** 2)
    for t in np.flatnonzero((size < least**2).any(axis=1)):
        null = vectors[t][:, size[t] < least**2]
        spare = np.zeros((0, 4, null.shape[1]))
        for group in (_TILT, ~_TILT):
            null, _, directions = _fix_group(
                null, spare[:, :, : null.shape[1]], np.where(group[:, None], null, 0.0)
            )
            spare = np.zeros((0, 4, null.shape[1]))
            fixed[t] += directions @ directions.T
            if not null.shape[1]:
                break
    return fixed, _more_than_unused(problem, fixed)
