"""Chi-squares: rows counted in standard deviations of a covariance, and the probabilities of their sums of squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError
from kinematics.uncertainty.model_parts import Array

__all__ = ["Whitening", "chi_square_tail"]


@dataclass(frozen=True, eq=False)
class Whitening:
    """A covariance by its lower Cholesky factor, shape (K, K).

    Examples
    --------
    >>> by_two = Whitening.of(np.diag([4.0, 4.0]))
    >>> by_two.rows(np.array([2.0, -6.0])).tolist()
    [1.0, -3.0]
    >>> by_two.solution(np.array([2.0, -6.0])).tolist()
    [0.5, -1.5]
    >>> Whitening.of(np.zeros((2, 2)))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: measured deviations: expected uncertainties that fit together, found a covariance that is singular
    """

    factor: Array

    @classmethod
    def of(cls, covariance: Array) -> Whitening:
        """Factor a covariance (K, K).

        Raises
        ------
        KinematicsError
            When it is singular.
        """
        from scipy import linalg

        try:
            return cls(linalg.cholesky(covariance, lower=True))
        except linalg.LinAlgError:
            raise KinematicsError(
                "measured deviations: expected uncertainties that fit together, found a covariance that is singular"
            ) from None

    def rows(self, rows: Array) -> Array:
        """Rows (K,) or (K, n) in standard deviations."""
        from scipy import linalg

        return np.asarray(linalg.solve_triangular(self.factor, rows, lower=True))

    def solution(self, right: Array) -> Array:
        """Inverse of the covariance times `right`, shape (K,) or (K, n)."""
        from scipy import linalg

        return np.asarray(linalg.cho_solve((self.factor, True), right))

    def less_row(self, own: Array, place: int) -> Array:
        """Rows in standard deviations less what a free value at one place takes up: they say what they would without it."""
        free = self.rows(np.eye(len(self.factor))[place])
        return np.asarray(own - np.outer(free, free @ own) / (free @ free))

    def log_density(self, own: Array) -> Array:
        """Logarithm of the normal density of rows (K, m) in standard deviations, without the constant that depends on K only."""
        return np.asarray(-0.5 * np.square(own).sum(axis=0) - np.log(np.diag(self.factor)).sum())


def chi_square_tail(value: ArrayLike, dof: int) -> NDArray[np.float64]:
    """The probabilities of chi-squares at least as large as `value`; 1 with no degree of freedom."""
    from scipy import special

    least = np.clip(value, 0.0, None)
    return np.ones_like(least) if dof < 1 else np.asarray(special.chdtrc(dof, least))
