"""Rows counted in standard deviations of a covariance, so that their squares add up to chi-squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics.uncertainty.model_parts import Array

__all__ = ["Whitening"]


@dataclass(frozen=True, eq=False)
class Whitening:
    """A covariance as its Cholesky factor (K, K), lower.

    Examples
    --------
    >>> by_two = Whitening.of(np.diag([4.0, 4.0]))
    >>> by_two.rows(np.array([2.0, -6.0])).tolist()
    [1.0, -3.0]
    """

    factor: Array

    @classmethod
    def of(cls, covariance: Array) -> Whitening:
        """Factor a covariance (K, K), which must be positive definite."""
        from scipy import linalg

        return cls(linalg.cholesky(covariance, lower=True))

    def rows(self, rows: Array) -> Array:
        """Rows (K,) or (K, n) in standard deviations."""
        from scipy import linalg

        return np.asarray(linalg.solve_triangular(self.factor, rows, lower=True))

    def less_row(self, own: Array, place: int) -> Array:
        """Such rows less what a free value at one place takes up: they say what they would without it."""
        free = self.rows(np.eye(len(self.factor))[place])
        return np.asarray(own - np.outer(free, free @ own) / (free @ free))

    def log_density(self, own: Array) -> Array:
        """Logarithm of the normal density of such rows, shape (m,), without the constant that depends on K only."""
        return np.asarray(-0.5 * np.square(own).sum(axis=0) - np.log(np.diag(self.factor)).sum())
