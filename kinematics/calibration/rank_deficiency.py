"""What the readings tell and what they do not: the null space, and what is held in its place.

A combination of numbers that no reading notices must be held somewhere. The line of a rotary that stands still
throughout is held before anything else: what it could do another line does as well. Then directions are held before
positions, the rotaries' before the targets': a setter who reads a platter level and on its two edges takes directions
as they are and wants the tilt's Y and Z. Within such a group the step is the smallest one: the combination itself
stays at the machine's value and what is square to it is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import Linearization, Problem, State, reduced_normals

__all__ = ["estimability_threshold", "fix_unestimable", "fix_unestimable_targets"]

_UNTOLD = 1e-3
_NOISE_FAKES = 30.0
_PURE = 1e-2
_STILL = 1e-9
_LEAN = np.array([False, False, True, True])


def estimability_threshold(problem: Problem, sigma_mm: float) -> float:
    """The sensitivity (mm of all readings together per mm) below which a combination counts as not told.

    A face's normal is known to sigma over the lever, and by so much a rotary square to it may seem to move the face:
    what the scatter can fake is not told. With sigmas stated per reading the sensitivity is in their units.
    """
    faked = _NOISE_FAKES * min(sigma_mm, 0.05) / problem.lever_mm
    return max(_UNTOLD, faked) * float(np.median(problem.weight))


def fix_unestimable(
    problem: Problem,
    state: State,
    raw: Linearization,
    sigma_mm: float,
    within: NDArray[np.float64] | None = None,
) -> State:
    """The state with everything held that the readings do not tell at that place, of which `raw` are the rows.

    `within`, shape (4n, k), confines the lines from the outset: their shifts alone, say.
    """
    least = estimability_threshold(problem, sigma_mm)
    held, any_held = fix_unestimable_targets(problem, raw, least)
    state = replace(state, held=held, any_held=any_held)
    parameters = 4 * problem.rotaries
    lean = np.tile(_LEAN, problem.rotaries)
    still = np.repeat(np.ptp(problem.turns.basis, axis=0).max(axis=-1) < _STILL, 4)
    state = replace(state, free=np.eye(parameters) if within is None else within)
    untold, leans = np.zeros((parameters, 0)), np.zeros((2 * (problem.rotaries + len(problem.names)), 0))
    for _ in range(parameters):
        block = reduced_normals(problem, state, raw)
        size, vectors = np.linalg.eigh(block.information)
        null = vectors[:, size < least**2]
        if not null.size:
            break
        held, targets = state.held.copy(), -(block.coupling @ null)
        null = state.free @ null
        untold = np.hstack([untold, null])
        leans = np.hstack([leans, np.concatenate([null[lean], targets[:, _LEAN].reshape(-1, null.shape[1])])])
        stays = []
        for group in (still, lean):
            null, targets, ways = _take(null, targets, np.where(group[:, None], null, 0.0))
            stays.append(ways)
        for t in np.flatnonzero(problem.charts.equations < 3):
            if not null.shape[1]:
                break
            mine = np.where(_LEAN[:, None], targets[t], 0.0)
            null, targets, ways = _take(null, targets, mine)
            held[t] += ways @ ways.T
        null, targets, ways = _take(null, targets, np.where(lean[:, None], 0.0, null))
        stays.append(ways)
        free = _square_to(state.free, np.hstack(stays))
        state = replace(state, free=free, held=held, any_held=_more_than_unused(problem, held))
    return replace(state, untold=untold, untold_leans=leans)


def _more_than_unused(problem: Problem, held: NDArray[np.float64]) -> bool:
    return float(np.trace(held, axis1=1, axis2=2).sum()) > float(problem.charts.unused.sum()) + 0.5


def _take(
    null: NDArray[np.float64], targets: NDArray[np.float64], part: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Hold the combinations of a group that the null space moves; what remains of the null space, and the combinations."""
    if not null.shape[1]:
        return null, targets, np.zeros((len(part), 0))
    ways, size, mixes = np.linalg.svd(part, full_matrices=True)
    kept = int((size > _PURE).sum())
    rest = mixes[kept:].T
    return null @ rest, targets @ rest, ways[:, :kept]


def _square_to(free: NDArray[np.float64], ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """What of the free directions is square to `ways`, orthonormal."""
    inside = free.T @ ways
    _, size, mixes = np.linalg.svd(inside.T, full_matrices=True)
    return np.asarray(free @ mixes[int((size > 1e-9).sum()) :].T)


def fix_unestimable_targets(
    problem: Problem, raw: Linearization, least: float
) -> tuple[NDArray[np.float64], bool]:
    """Hold what a target's own readings do not tell even with the lines known: directions first.

    Returns the projectors (t, 4, 4), and whether they hold more than what a target does not have.
    """
    by_target = raw.by_target
    held = np.zeros((len(problem.names), 4, 4))
    held[:, np.arange(4), np.arange(4)] = problem.charts.unused
    if problem.charts.equations.min() == 3:
        return held, False
    own = np.add.reduceat(np.swapaxes(by_target, 1, 2) @ by_target, problem.starts, axis=0)
    size, vectors = np.linalg.eigh(own + held * (2.0 * least) ** 2)
    for t in np.flatnonzero((size < least**2).any(axis=1)):
        null = vectors[t][:, size[t] < least**2]
        spare = np.zeros((0, 4, null.shape[1]))
        for group in (_LEAN, ~_LEAN):
            null, _, ways = _take(null, spare[:, :, : null.shape[1]], np.where(group[:, None], null, 0.0))
            spare = np.zeros((0, 4, null.shape[1]))
            held[t] += ways @ ways.T
            if not null.shape[1]:
                break
    return held, _more_than_unused(problem, held)
