"""Propagation of uncertainty after JCGM 100:2008 (GUM): covariance, degrees of freedom and expanded uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.uncertainty.sources import checked_covariance, is_diagonal
from kinematics.validation import ValueEquality, as_array, read_only

__all__ = ["Propagated", "expanded_factor", "propagate"]


@dataclass(frozen=True, eq=False)
class Propagated(ValueEquality, DeclaredFields):
    """Outputs of a measurement model with their uncertainty, to first order.

    Attributes
    ----------
    covariance : ndarray, shape (m, m)
        Of the outputs.
    variances : ndarray, shape (m, s)
        What each independent source adds to the variance of each output.
    dof : ndarray, shape (m,)
        Effective degrees of freedom; infinite where every source's uncertainty is taken as known.
    """

    covariance: NDArray[np.float64]
    variances: NDArray[np.float64]
    dof: NDArray[np.float64]

    @cached_property
    def u(self) -> NDArray[np.float64]:
        """Standard uncertainties of the outputs, shape (m,)."""
        return np.asarray(np.sqrt(self.variances.sum(axis=-1)))

    def expanded(self, level: float = 0.95) -> NDArray[np.float64]:
        """Expanded uncertainties of the outputs, shape (m,): half-widths of intervals that hold the truth at `level`."""
        return np.asarray(expanded_factor(self.dof, level) * self.u)

    @property
    def shares(self) -> NDArray[np.float64]:
        """Each source's share of each output's variance, shape (m, s); zeros where an output has none."""
        whole = self.variances.sum(axis=-1, keepdims=True)
        return np.asarray(
            np.divide(self.variances, whole, out=np.zeros_like(self.variances), where=whole > 0.0)
        )


@takes_declared()
def propagate(
    sensitivities: ArrayLike,
    covariances: Sequence[ArrayLike],
    dof: Sequence[float | None] | None = None,
    *,
    with_covariance: bool = True,
) -> Propagated:
    """Propagate the uncertainty of a model's inputs to its outputs, to first order.

    Parameters
    ----------
    sensitivities : array_like, shape (m, n)
        Derivatives of the m outputs by the n inputs.
    covariances : sequence of array_like
        Of each independent source: the covariance of its inputs, one source's after the other's; a number stands for
        the variance of one input.
    dof : sequence of float or None, optional
        Degrees of freedom of each source; None where its covariance is taken as known.
    with_covariance : bool
        False leaves the outputs' joint covariance out (its diagonal is kept).

    Returns
    -------
    Propagated

    Raises
    ------
    KinematicsError
        When the sources do not add up to the inputs, or a covariance is not positive semidefinite.

    Notes
    -----
    GUM 5.1.2 and 5.2.2 (law of propagation), G.4.1 (Welch-Satterthwaite): u^4 / dof = sum of u_s^4 / dof_s over
    sources that are independent of each other.

    Examples
    --------
    A step of 95 mm known from 5 readings to 0.004, on a plate ground to 0.010 either way:

    >>> length = propagate([[1.0, 1.0]], [0.004**2, 0.010**2 / 3.0], [4, None])
    >>> length.u.round(4).tolist(), length.dof.round(1).tolist(), length.expanded().round(4).tolist()
    ([0.007], [38.0], [0.0142])
    >>> propagate([[1.0, 1.0]], [0.004**2])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: covariances: expected 2 inputs in all, found 1
    """
    by_input = np.atleast_2d(as_array(sensitivities, "sensitivities"))
    blocks = [np.atleast_2d(np.asarray(one, dtype=np.float64)) for one in covariances]
    count = sum(len(block) for block in blocks)
    if count != by_input.shape[1]:
        raise KinematicsError(f"covariances: expected {by_input.shape[1]} inputs in all, found {count}")
    freedoms = [None] * len(blocks) if dof is None else list(dof)
    if len(freedoms) != len(blocks):
        raise KinematicsError(f"degrees of freedom: expected {len(blocks)}, found {len(freedoms)}")
    for block in blocks:
        checked_covariance(block, len(block), "source")
    return propagate_blocks(by_input, blocks, freedoms, with_covariance=with_covariance)


def propagate_blocks(
    by_input: NDArray[np.float64],
    blocks: Sequence[NDArray[np.float64]],
    dof: Sequence[float | None],
    *,
    with_covariance: bool,
) -> Propagated:
    """`propagate` for covariances that were checked before."""
    outputs = len(by_input)
    variances = np.zeros((outputs, len(blocks)))
    covariance = np.zeros((outputs, outputs)) if with_covariance else np.zeros((0, 0))
    start, ends = 0, []
    spread = np.empty_like(by_input) if with_covariance else None
    for place, block in enumerate(blocks):
        end = start + len(block)
        part = by_input[:, start:end]
        carried = part * np.diagonal(block) if is_diagonal(block) else part @ block
        variances[:, place] = np.einsum("ij,ij->i", carried, part)
        if spread is not None:
            spread[:, start:end] = carried
        start = end
        ends.append(end)
    if spread is not None:
        covariance = spread @ by_input.T
        covariance = 0.5 * (covariance + covariance.T)
    variances = np.clip(variances, 0.0, None)
    return Propagated(read_only(covariance), read_only(variances), read_only(effective_dof(variances, dof)))


def effective_dof(variances: NDArray[np.float64], dof: Sequence[float | None]) -> NDArray[np.float64]:
    """Effective degrees of freedom (m,) by Welch-Satterthwaite (GUM G.4.1), of variances (m, s) by source."""
    inverse = np.array([0.0 if one is None else 1.0 / one for one in dof])
    whole = variances.sum(axis=-1)
    below = (variances**2) @ inverse
    return np.asarray(np.divide(whole**2, below, out=np.full(len(variances), np.inf), where=below > 0.0))


@takes_declared(infinite=("dof",))
def expanded_factor(dof: ArrayLike, level: float = 0.95) -> NDArray[np.float64]:
    """The coverage factor for effective degrees of freedom (...), which need not be whole.

    Raises
    ------
    KinematicsError
        When the level is not between 0 and 1, or there is less than one degree of freedom.

    Notes
    -----
    GUM G.3: Student's t, two-sided; the normal's quantile where the degrees of freedom are infinite. They are not
    rounded down to a whole number (GUM G.4.1, note 1, allows either).

    Examples
    --------
    >>> expanded_factor([4.0, np.inf]).round(2).tolist()
    [2.78, 1.96]
    >>> expanded_factor(0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: degrees of freedom: expected 1 or more, found 0
    """
    from scipy import special

    freedom = np.asarray(dof, dtype=np.float64)
    if not 0.0 < level < 1.0:
        raise KinematicsError(f"level: expected between 0 and 1, found {level:g}")
    if freedom.size and not float(freedom.min()) >= 1.0:
        raise KinematicsError(f"degrees of freedom: expected 1 or more, found {float(freedom.min()):g}")
    tail = 0.5 + 0.5 * level
    known = np.isinf(freedom)
    return np.asarray(
        np.where(known, special.ndtri(tail), special.stdtrit(np.where(known, 1.0, freedom), tail))
    )
