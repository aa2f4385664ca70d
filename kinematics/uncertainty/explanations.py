"""Fit of measured deviations to what is stated and to single causes, for many tables of one shape at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.uncertainty.causes import possible_causes
from kinematics.uncertainty.chi_square import Whitening, chi_square_tail
from kinematics.uncertainty.correction import SetupEstimate, setup_prior
from kinematics.uncertainty.inspection import MeasuredParts
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.sources import UncertaintySource

__all__ = ["Explanations"]

EXPLAINED = 0.05
"""From this probability on deviations count as explained, as they are or with a slip taken back."""

_FEWEST = 4
"""With fewer deviations a single cause explains anything."""

_OFF = 5.0
"""Stated standard uncertainties by which a cause is off, as a rule, when a part shows it."""

_UNSTATED_U = {"mm": 0.02, "deg": 0.01, "K": 3.0}
"""Stand-in for the standard uncertainty of a quantity that nothing is stated of."""

_WIDER = 9.0
"""Everything may be three times as uncertain as stated: limits are guessed as often as they are measured."""

_MOST_PAIRED = 200
"""Causes that are tried in pairs: the likeliest ones."""


@dataclass(frozen=True, eq=False)
class Explanations:
    """Explanations of measured deviations, set up once for any figures in the same rows.

    Attributes
    ----------
    measured : MeasuredParts
        Its own figures are not used where others are given.
    sources : tuple of UncertaintySource
    """

    measured: MeasuredParts
    sources: tuple[UncertaintySource, ...]

    def with_figures(self, measured: MeasuredParts) -> Explanations:
        """The same for other figures in the same rows: nothing is worked out again."""
        other = replace(self, measured=measured)
        shared = {name: value for name, value in self.__dict__.items() if name not in other.__dict__}
        other.__dict__.update(shared)
        return other

    @cached_property
    def prior(self) -> SetupEstimate:
        """Prior of the setup, from the sources."""
        return setup_prior(self.measured.part.model, self.sources)

    @cached_property
    def noise(self) -> Array:
        """Covariance of measurement and seating, shape (K, K)."""
        return self.measured.noise(self.sources)

    @cached_property
    def spread(self) -> Array:
        """Covariance of the deviations by everything that is stated of the setup, shape (K, K)."""
        return self.prior.spread(self.measured)

    @cached_property
    def whole_inverse(self) -> Array:
        """Inverse of the covariance by noise and setup together, shape (K, K)."""
        return np.asarray(np.linalg.inv(self.noise + self.spread))

    def left(self, excess_mm: Array) -> Array:
        """Remainder of deviations beyond those that are to be expected; shapes (K,) or (K, m)."""
        return np.asarray((excess_mm.T - self._expected_mm).T)

    @cached_property
    def _expected_mm(self) -> Array:
        return self.prior.expected_mm(self.measured)

    @cached_property
    def _columns(self) -> NDArray[np.int64]:
        return possible_causes(self.measured, self.prior)

    @cached_property
    def _by_noise(self) -> _SingleCauses:
        return _SingleCauses.of(self.noise, self.measured.jacobian[:, self._columns])

    @cached_property
    def _by_whole(self) -> _SingleCauses:
        return _SingleCauses.of(self.noise + self.spread, self.measured.jacobian[:, self._columns])

    @cached_property
    def _wide(self) -> Whitening:
        return Whitening.of(self.noise + _WIDER * self.spread)

    def chances(self, excess_mm: Array, *, without: int | None = None) -> NDArray[np.float64]:
        """Probabilities of deviations, by all that is stated or by the best single cause where enough was measured.

        Parameters
        ----------
        excess_mm : ndarray, shape (K, m)
            Deviations, found less what is found with nothing off; each column by itself.
        without : int, optional
            A row that is left out.

        Returns
        -------
        ndarray, shape (m,)
        """
        left = self.left(excess_mm)
        dof = len(excess_mm) - (without is not None)
        noise, whole = self._by_noise.whitening, self._by_whole.whitening
        own, others = noise.rows(excess_mm), whole.rows(left)
        if without is not None:
            own, others = noise.less_row(own, without), whole.less_row(others, without)
        by_noise, by_whole = np.square(own).sum(axis=0), np.square(others).sum(axis=0)
        chance = chi_square_tail(np.minimum(by_noise, by_whole), dof)
        if dof < _FEWEST or not self._columns.size or bool(np.all(chance >= EXPLAINED)):
            return chance
        rest = np.minimum(self._by_noise.least(own, without), self._by_whole.least(others, without))
        alone = chi_square_tail(rest, dof - 1)
        return np.where(chance < EXPLAINED, np.maximum(chance, alone), chance)

    def evidence(self, excess_mm: Array) -> NDArray[np.float64]:
        """Logarithms of how likely deviations are, on the mean of all explanations; only differences mean anything.

        The explanations: everything is off as it is stated, or three times as much; one cause alone is off by about five
        times what is stated of it, all else as it is stated or exact; two causes are, all else exact. A fit as good by a
        setup that could have given any other figures as well counts less than one by a setup that had to give these
        (the marginal likelihoods of Bayes' rule, of normal distributions).

        Parameters
        ----------
        excess_mm : ndarray, shape (K, m)

        Returns
        -------
        ndarray, shape (m,)
        """
        from scipy import special

        left = self.left(excess_mm)
        by_noise, by_whole = self._by_noise, self._by_whole
        own, others = by_noise.whitening.rows(excess_mm), by_whole.whitening.rows(left)
        each = [by_whole.whitening.log_density(others), self._wide.log_density(self._wide.rows(left))]
        if self._columns.size:
            u = self._causes_u
            each += [by_noise.one_off(own, u), by_whole.one_off(others, u)]
        if self._columns.size > 1:
            each.append(by_noise.two_off(own, u))
        return np.asarray(special.logsumexp(np.array(each), axis=0))

    @cached_property
    def _causes_u(self) -> Array:
        """Standard deviation of each cause's size, where it is the cause, shape (n,)."""
        stated = dict(zip(self.prior.columns.tolist(), self.prior.u.tolist(), strict=True))
        quantities = self.measured.part.model.quantities
        return _OFF * np.array(
            [stated.get(k) or _UNSTATED_U[quantities[k].unit] for k in self._columns.tolist()]
        )


@dataclass(frozen=True, eq=False)
class _SingleCauses:
    """A covariance of the deviations, and their derivatives (K, n) by each cause, in standard deviations of it."""

    whitening: Whitening
    by_cause: Array

    @classmethod
    def of(cls, covariance: Array, rows: Array) -> _SingleCauses:
        whitening = Whitening.of(covariance)
        return cls(whitening, whitening.rows(rows))

    def least(self, own: Array, without: int | None = None) -> Array:
        """The least chi-square that a single cause of any size leaves: all of it where no cause shows."""
        by_cause = self.by_cause
        weight = np.square(by_cause).sum(axis=0)
        if without is not None:
            by_cause = self.whitening.less_row(by_cause, without)
            before, weight = weight, np.square(by_cause).sum(axis=0)
            shown = weight > 1e-12 * before
            by_cause, weight = by_cause[:, shown], weight[shown]
        gain = np.square(by_cause.T @ own) / weight[:, None]
        most = gain.max(axis=0) if len(gain) else np.zeros(own.shape[1])
        return np.asarray(np.clip(np.square(own).sum(axis=0) - most, 0.0, None))

    def one_off(self, own: Array, u: Array) -> Array:
        """Log density of whitened rows (K, m) on the mean of all causes, one at a time off by `u`."""
        from scipy import special

        scaled = self.by_cause * u
        square = np.square(scaled).sum(axis=0)[:, None]
        along = np.square(scaled.T @ own)
        gain = 0.5 * along / (1.0 + square) - 0.5 * np.log1p(square)
        mean = special.logsumexp(gain, axis=0) - np.log(len(square))
        return np.asarray(self.whitening.log_density(own) + mean)

    def two_off(self, own: Array, u: Array) -> Array:
        """The same on the mean of all pairs of the likeliest causes, both off by `u`."""
        from scipy import special

        scaled = self.by_cause * u
        along = scaled.T @ own
        if len(along) > _MOST_PAIRED:
            square = 1.0 + np.square(scaled).sum(axis=0)[:, None]
            alone = (0.5 * np.square(along) / square - 0.5 * np.log(square)).max(axis=1)
            kept = np.sort(np.argsort(-alone, kind="stable")[:_MOST_PAIRED])
            scaled, along = scaled[:, kept], along[kept]
        product = np.eye(scaled.shape[1]) + scaled.T @ scaled
        first, second = np.triu_indices(len(product), 1)
        a, b, c = np.diag(product)[first], np.diag(product)[second], product[first, second]
        determinant = a * b - np.square(c)
        found = []
        for one in along.T:
            x, y = one[first], one[second]
            square = (b * np.square(x) - 2.0 * c * x * y + a * np.square(y)) / determinant
            found.append(special.logsumexp(0.5 * (square - np.log(determinant))))
        return np.asarray(self.whitening.log_density(own) + np.array(found) - np.log(len(first)))
