"""Regularised fits with a weak prior on the nominal lines, for comparing hypotheses.

Every fit is drawn a little toward the machine's values: two millimetres and half a degree count as much as one usual
scatter of a reading. Well determined lines are not moved by it, but a hypothesis that fits only by moving a line
across the machine pays for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import (
    Linearization,
    Problem,
    State,
    build_problem,
    gauss_newton,
    initial_state,
    linearize,
)
from kinematics.calibration.rank_deficiency import fix_unestimable_targets
from kinematics.calibration.readings import Readings
from kinematics.errors import KinematicsError
from kinematics.machine import Machine

__all__ = ["LEAST_SCATTER_MM", "RegularizedFit", "fit_with_prior"]

LEAST_SCATTER_MM = 1e-4
"""Least scatter in mm: made-up readings have none."""

_SHIFT_MM = 2.0
"""mm that a line may be off at the cost of one usual scatter. Chosen here: a machine file is right to millimetres."""
_TILT_DEG = 0.5
"""Degrees that it may tilt at the same cost. Chosen here: 2 mm at a lever of 230 mm, a table's size."""
_USUAL_SCATTER_MM = 0.005
"""Of a reading in mm where none is stated. Common practice: probes scatter by micrometres to a hundredth."""
_FIRST_STEPS = 3
"""Steps before the fit is first fixed against `cost_limit`. Chosen here: few, since most of what is tried is wrong."""
_MORE_STEPS = 3
"""Further iterations before one that is off by millimetres is given up. Chosen here."""
_STEPS = 25
"""Most iterations of the rest. Chosen here: it bounds the time; what has not converged is compared as it is."""
_GROSS_MM = 2.0
"""Root mean square in mm per equation of a fit that is wrong anyway. Chosen here: what `_SHIFT_MM` calls off."""
_SETTLED_MM = 1e-6
"""Length of the last step in mm: a hundredth of the least scatter (`LEAST_SCATTER_MM`)."""


@dataclass(frozen=True, eq=False)
class RegularizedFit:
    """Result of a regularised fit.

    Attributes
    ----------
    prior : ndarray, shape (4n,)
        Root weights toward the machine's values.
    misfit : float
        Sum of squares of the readings, mm^2 (or in their sigmas).
    prior_penalty : float
        Squared shifts of the lines in units of the prior's standard deviations; no unit.
    dof : int
    """

    readings: Readings
    machine: Machine
    problem: Problem
    state: State
    raw: Linearization
    prior: NDArray[np.float64]
    misfit: float
    prior_penalty: float
    dof: int
    sigma_mm: float | None = None

    @property
    def unit(self) -> float:
        """One usual scatter in the units of `misfit`'s root."""
        return float(self.prior[0]) * _SHIFT_MM

    @property
    def cost(self) -> float:
        """Cost by which hypotheses are compared: misfit plus penalty, the penalty in usual scatters."""
        return self.misfit + self.prior_penalty * self.unit**2

    @property
    def per_mm(self) -> float:
        """Weight of a millimetre of one reading in the units of `misfit`'s root."""
        return float(np.median(self.problem.weight))

    @property
    def s0(self) -> float:
        """Standard deviation of unit weight, `LEAST_SCATTER_MM` at least; the usual scatter without redundancy."""
        if self.dof < 1:
            return self.unit
        return max(float(np.sqrt(self.misfit / self.dof)), LEAST_SCATTER_MM * self.per_mm)


def fit_with_prior(
    readings: Readings, machine: Machine, sigma_mm: float | None = None, cost_limit: float = np.inf
) -> RegularizedFit | None:
    """Fit with a weak prior, or None where these readings allow none.

    `cost_limit`: iteration ends early on a fit that costs more than this, and, a few steps later, on one that is off
    by millimetres: the last micrometre does not matter there.
    """
    try:
        problem = build_problem(readings, machine)
    except KinematicsError:
        return None
    state = initial_state(problem)
    raw = linearize(problem, state)
    per_mm = float(np.median(problem.weight))
    fixed, any_fixed = fix_unestimable_targets(problem, raw, 1e-3 * per_mm)
    state = replace(state, fixed=fixed, any_fixed=any_fixed)
    usual = (sigma_mm or _USUAL_SCATTER_MM) * per_mm if readings.sigma_mm is None else 1.0
    tilt = np.radians(_TILT_DEG) * problem.lever_mm
    prior = usual / np.array([_SHIFT_MM, _SHIFT_MM, tilt, tilt] * problem.rotaries)
    # Shifts alone first: they enter linearly, and wrong senses or columns move them far.
    shifts = np.eye(len(prior))[:, np.tile([True, True, False, False], problem.rotaries)]
    try:
        state, raw = gauss_newton(problem, replace(state, free=shifts), raw, prior=prior, steps=1)
        state = replace(state, free=np.eye(len(prior)))
        state, raw = gauss_newton(
            problem, state, raw, prior=prior, steps=_FIRST_STEPS, settled_mm=_SETTLED_MM
        )
        for steps in (_MORE_STEPS, _STEPS):
            gross = float(raw.squares.sum()) > problem.equations * (_GROSS_MM * per_mm) ** 2
            if float(raw.squares.sum()) > cost_limit or (gross and steps == _STEPS):
                break
            settled = _SETTLED_MM * (1e3 if gross else 1.0)
            state, raw = gauss_newton(problem, state, raw, prior=prior, steps=steps, settled_mm=settled)
    except KinematicsError:
        return None
    misfit = float(raw.squares.sum())
    prior_penalty = float(((prior * state.parameters) ** 2).sum()) / usual**2
    target_unknowns = 4 * len(problem.names) - round(float(np.trace(state.fixed, axis1=1, axis2=2).sum()))
    moved = int((np.abs(raw.columns).max(axis=(0, 1)) > 1e-3 * per_mm).sum())
    dof = max(problem.equations - target_unknowns - moved, 0)
    return RegularizedFit(readings, machine, problem, state, raw, prior, misfit, prior_penalty, dof, sigma_mm)
