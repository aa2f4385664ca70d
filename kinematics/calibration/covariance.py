"""Covariances of lines and targets, and numbers that follow from them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import tilted_direction_with_jacobian
from kinematics.calibration.results import Estimate
from kinematics.calibration.solve import Adjusted

__all__ = ["Covariance", "EstimatedLine", "embed", "estimated_lines", "line_covariance"]

_HELD = 1e-3
_FOLLOWS_MM = 1e-4


@dataclass(frozen=True, eq=False)
class Covariance:
    """What is known of the lines' scaled numbers (4n,), up to the scatter.

    Attributes
    ----------
    shape : ndarray, shape (4n, 4n)
        Covariance for a scatter of 1.
    free : ndarray, shape (4n, f)
        Orthonormal; what is square to it is held.
    sigma : float or None
    factor : float or None
        From standard to expanded uncertainty.
    lean_mm : ndarray, shape (4n, r)
        How the lines' scaled numbers follow leans that were held, by the most that 0.01 degrees of them can do.
    """

    shape: NDArray[np.float64]
    free: NDArray[np.float64]
    sigma: float | None
    factor: float | None
    lean_mm: NDArray[np.float64]

    def held(self, slope: NDArray[np.float64]) -> bool:
        """Whether a number with that slope (4n,) rests, even in part, on what the readings do not tell."""
        size = float(slope @ slope)
        told = slope @ self.free
        return size > 0.0 and float(size - told @ told) > _HELD * size

    def estimate(
        self, name: str, value: float, slope: NDArray[np.float64], unit: str, words: str
    ) -> Estimate:
        """A number with that slope after the scaled numbers, with its uncertainty."""
        if self.held(slope):
            return Estimate(name, value, None, None, unit, words, held=True)
        found = self.spelled(name, value, float(slope @ self.shape @ slope), unit, words)
        follows = float(np.linalg.norm(slope @ self.lean_mm)) if unit == "mm" else 0.0
        return replace(found, lean_mm=follows if follows > _FOLLOWS_MM else 0.0)

    def spelled(self, name: str, value: float, variance: float, unit: str, words: str) -> Estimate:
        """A number with that variance for a scatter of 1."""
        if self.sigma is None or self.factor is None:
            return Estimate(name, value, None, None, unit, words)
        u = self.sigma * float(np.sqrt(max(variance, 0.0)))
        return Estimate(name, value, u, self.factor * u, unit, words)


def line_covariance(solved: Adjusted, sigma: float | None, factor: float | None) -> Covariance:
    """The lines' covariance, everything else eliminated."""
    free = solved.state.free
    inner = np.linalg.inv(solved.reduced.information) if free.shape[1] else np.zeros((0, 0))
    return Covariance(free @ inner @ free.T, free, sigma, factor, _following(solved))


def _following(solved: Adjusted) -> NDArray[np.float64]:
    """How the lines follow the leans that were held in place of what no reading tells.

    A combination moves leans and positions together. The leans are held and the position is then told, but on the
    condition that they are right: it goes with them along the combination.
    """
    untold, leans = solved.state.untold, solved.state.untold_leans
    if untold is None or leans is None or not untold.shape[1]:
        return np.zeros((len(solved.state.told), 0))
    each_mm = np.radians(0.01) * solved.problem.lever_mm
    return np.asarray(each_mm * (untold @ np.linalg.pinv(leans, rcond=1e-6)))


@dataclass(frozen=True, eq=False)
class EstimatedLine:
    """A line at the answer and its slopes after its own four scaled numbers.

    Attributes
    ----------
    point, direction : ndarray, shape (3,)
        Where it pierces its chart's plane.
    point_slope, direction_slope : ndarray, shape (4, 3)
    """

    point: NDArray[np.float64]
    direction: NDArray[np.float64]
    point_slope: NDArray[np.float64]
    direction_slope: NDArray[np.float64]


def estimated_lines(solved: Adjusted, told: NDArray[np.float64] | None = None) -> tuple[EstimatedLine, ...]:
    """Every line at the answer (or at other scaled numbers)."""
    problem = solved.problem
    numbers = ((solved.state.told if told is None else told) * problem.scale).reshape(-1, 4)
    lines, found = problem.lines, []
    for i in range(problem.rotaries):
        direction, lean = tilted_direction_with_jacobian(lines.direction[i], lines.square[i], numbers[i, 2:])
        point = lines.point[i] + numbers[i, :2] @ lines.square[i]
        nothing = np.zeros((2, 3))
        found.append(
            EstimatedLine(
                point,
                direction,
                np.concatenate([lines.square[i], nothing]),
                np.concatenate([nothing, lean / problem.lever_mm]),
            )
        )
    return tuple(found)


def embed(slope: NDArray[np.float64], i: int, rotaries: int) -> NDArray[np.float64]:
    """The slope (4,) after rotary i's own numbers among everybody's (4n,)."""
    everybody = np.zeros(4 * rotaries)
    everybody[4 * i : 4 * i + 4] = slope
    return everybody
