"""Information matrices of single poses, whose sums are those of any set of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import build_problem, initial_state, linearize
from kinematics.calibration.linear_algebra import eigen_symmetric, inverse
from kinematics.calibration.readings import Readings
from kinematics.machine import Machine

__all__ = ["PoseInformation", "pose_information"]

_SHIFT_MM = 2.0
_TILT_DEG = 0.5


@dataclass(frozen=True, eq=False)
class PoseInformation:
    """Information matrices of the poses, and the prior's.

    Attributes
    ----------
    by_pose : ndarray, shape (m, p, p)
        Over the 4n line parameters, then k terms of the angles' errors, then the targets'.
    prior : ndarray, shape (p, p)
    lines, angles : int
        4n and k.
    lever_mm : float
        Scale of tilts and angles.
    sigma_mm : float
    """

    by_pose: NDArray[np.float64]
    prior: NDArray[np.float64]
    lines: int
    angles: int
    lever_mm: float
    sigma_mm: float

    def uncertainty_mm(self, gathered: NDArray[np.float64]) -> NDArray[np.float64]:
        """Root mean square uncertainty of the lines' parameters for information (..., p, p)."""
        variance = np.diagonal(inverse(gathered + self.prior), axis1=-2, axis2=-1)[..., : self.lines]
        return np.asarray(self.sigma_mm * np.sqrt(variance.mean(axis=-1)))

    def angle_variance(
        self, gathered: NDArray[np.float64], groups: Sequence[tuple[int, ...]]
    ) -> NDArray[np.float64]:
        """Largest variance (radians squared) of each group of terms, alone beside lines and targets, summed, shape (...)."""
        whole = gathered + self.prior
        angle = slice(self.lines, self.lines + self.angles)
        rest = np.r_[0 : self.lines, self.lines + self.angles : whole.shape[-1]]
        others = inverse(whole[..., rest[:, None], rest])
        across = whole[..., angle, :][..., rest]
        own = whole[..., angle, angle] - across @ others @ np.swapaxes(across, -1, -2)
        total = np.zeros(whole.shape[:-2])
        for group in groups:
            places = np.array(group)
            least = eigen_symmetric(own[..., places[:, None], places])[0][..., 0]
            total = total + (self.sigma_mm / self.lever_mm) ** 2 / np.maximum(least, 1e-12)
        return total


def pose_information(
    everything: Readings,
    seen: NDArray[np.bool_],
    machine: Machine,
    sigma_mm: float,
    angle_errors: Sequence[str] = (),
) -> PoseInformation:
    """Information of each pose for readings of every point at every pose, of which `seen` (m, k) are taken."""
    problem = build_problem(everything, machine, angle_errors)
    raw = linearize(problem, initial_state(problem))
    lines, angles, count = 4 * problem.rotaries, problem.angle_terms.count, len(problem.names)
    n, first = len(everything), 4 * problem.rotaries + problem.angle_terms.count
    rows = np.zeros((n, 3, first + 4 * count))
    back = np.empty_like(problem.order)
    back[problem.order] = np.arange(n)
    rows[:, :, :first] = raw.columns[back]
    place = first + 4 * problem.target[back][:, None] + np.arange(4)
    rows[np.arange(n)[:, None, None], np.arange(3)[None, :, None], place[:, None, :]] = raw.by_target[back]
    rows *= seen.reshape(-1)[:, None, None]
    rows = rows.reshape(len(seen), -1, rows.shape[-1])
    each = np.swapaxes(rows, 1, 2) @ rows
    tilt = np.radians(_TILT_DEG) * problem.lever_mm
    prior = np.full(first + 4 * count, (sigma_mm / 1000.0) ** 2)
    prior[:lines] = (sigma_mm / np.array([_SHIFT_MM, _SHIFT_MM, tilt, tilt] * problem.rotaries)) ** 2
    unused = problem.nominal_targets.unused.reshape(-1)
    prior[first:][unused] = 1.0
    return PoseInformation(each, np.diag(prior), lines, angles, problem.lever_mm, sigma_mm)
