"""The uncertainty budget of a setup: of every offset, feature and seam, to first order, with each source's share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.uncertainty.conformity import (
    conformance_probability,
    position_probability,
    position_radius,
    proven_within,
)
from kinematics.uncertainty.features import Feature, PartModel, Seam
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.propagation import (
    Propagated,
    effective_dof,
    expanded_factor,
    propagate_blocks,
)
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.uncertainty.sources import UncertaintySource
from kinematics.validation import read_only

Places = NDArray[np.intp]

__all__ = ["FeatureBudget", "OffsetBudget", "PartBudget", "offset_budget", "part_budget"]


@dataclass(frozen=True, eq=False)
class OffsetBudget(DeclaredFields):
    """Uncertainty of every work offset.

    Attributes
    ----------
    model : SetupModel
    sources : tuple of UncertaintySource
    propagated : Propagated
        Of three outputs, X, Y, Z, for each operation in order.
    expected_mm : ndarray, shape (O, 3)
        The error to expect: not zero where it will run warmer or colder than it was set up.
    level : float
        Coverage probability of the expanded uncertainties.
    """

    model: SetupModel
    sources: tuple[UncertaintySource, ...]
    propagated: Propagated
    expected_mm: Array
    level: float = 0.95

    @property
    def u_mm(self) -> Array:
        """Standard uncertainty of X, Y, Z of each operation's offset, shape (O, 3)."""
        return self.propagated.u.reshape(-1, 3)

    @cached_property
    def expanded_mm(self) -> Array:
        """Expanded uncertainty of X, Y, Z of each operation's offset, shape (O, 3)."""
        return self.propagated.expanded(self.level).reshape(-1, 3)

    @property
    def dof(self) -> Array:
        """Effective degrees of freedom, shape (O, 3)."""
        return self.propagated.dof.reshape(-1, 3)

    @property
    def covariance(self) -> Array:
        """Joint covariance of all offsets, shape (3 O, 3 O), mm squared."""
        return self.propagated.covariance

    @property
    def shares(self) -> Array:
        """Each source's share of the variance, shape (O, 3, s)."""
        return self.propagated.shares.reshape(-1, 3, len(self.sources))


@dataclass(frozen=True, eq=False)
class FeatureBudget(DeclaredFields):
    """Uncertainty of one feature against its datum, or of the step at one seam.

    Attributes
    ----------
    of : Feature or Seam
    expected_mm : ndarray, shape (1,) or (3,)
        The deviation to expect, along its direction or along the part's x, y, z.
    covariance : ndarray, shape (1, 1) or (3, 3)
        Of the deviation.
    variances : ndarray, shape (s,)
        What each source adds to the variance (of a position: to the sum of the three).
    u_mm : float
        Standard uncertainty; of a position in its worst direction.
    expanded_mm : float
        Half-width of the interval, or radius of the sphere, that holds the deviation at the level.
    dof : float
        Effective degrees of freedom; infinite where all sources are taken as known.
    conforms : float or None
        The probability to lie within the tolerance; None where there is none.
    proven : bool or None
        Whether it lies within the tolerance by its expanded uncertainty at least (ISO 14253-1).
    """

    of: Feature | Seam
    expected_mm: Array
    covariance: Array
    variances: Array
    u_mm: float
    expanded_mm: float
    dof: float
    conforms: float | None
    proven: bool | None

    @property
    def shares(self) -> Array:
        """Each source's share of the variance, shape (s,), in the order of the sources."""
        whole = float(self.variances.sum())
        return self.variances / whole if whole > 0.0 else np.zeros_like(self.variances)

    @property
    def limit_mm(self) -> float | None:
        """Limit either way: the tolerance, or half the diameter of a position's zone."""
        tolerance = self.of.tolerance_mm
        return tolerance if tolerance is None or len(self.expected_mm) == 1 else 0.5 * tolerance

    def expanded_with(self, factors: Array) -> Array:
        """The expanded uncertainty with each source's standard uncertainty alone multiplied by a factor, shape (s,)."""
        whole = float(self.variances.sum())
        if whole <= 0.0:
            return np.zeros(len(self.variances))
        left = np.clip(whole + (np.square(factors) - 1.0) * self.variances, 0.0, None)
        return np.asarray(self.expanded_mm * np.sqrt(left / whole))


@dataclass(frozen=True, eq=False)
class PartBudget(DeclaredFields):
    """Uncertainty of every feature and seam.

    Attributes
    ----------
    part : PartModel
    sources : tuple of UncertaintySource
    features, seams : tuple of FeatureBudget
    level : float
    """

    part: PartModel
    sources: tuple[UncertaintySource, ...]
    features: tuple[FeatureBudget, ...]
    seams: tuple[FeatureBudget, ...]
    level: float = 0.95

    @property
    def failing(self) -> tuple[FeatureBudget, ...]:
        """Features and seams whose conformity is not proven."""
        return tuple(one for one in (*self.features, *self.seams) if one.proven is False)


def _blocks(model: SetupModel, sources: Sequence[UncertaintySource], jacobian: Array) -> Array:
    """The Jacobian's columns in the sources' order."""
    if not sources:
        return np.zeros((len(jacobian), 0))
    return np.asarray(jacobian[:, np.concatenate([model.columns(source) for source in sources])])


def _means(sources: Sequence[UncertaintySource]) -> Array:
    return np.concatenate([source.expected for source in sources]) if sources else np.zeros(0)


@takes_declared()
def offset_budget(
    model: SetupModel, sources: Sequence[UncertaintySource], level: float = 0.95
) -> OffsetBudget:
    """Propagate the sources to every operation's work offset, to first order.

    Parameters
    ----------
    model : SetupModel
    sources : sequence of UncertaintySource
    level : float
        Coverage probability.

    Returns
    -------
    OffsetBudget

    Raises
    ------
    KinematicsError
        When a source is of a quantity that the model does not have.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep
    >>> from kinematics.uncertainty import ModelOperation, Spread, StackNode
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> post = StackNode("post", StackStep("post", up_mm=100.0))
    >>> at = tuple(ModelOperation(f"A{q}", [float(q)], [0, 0, 0]) for q in (0, -30, -90))
    >>> model = SetupModel(Machine("mill", (a,), Platter()), {None: (post,)}, at)
    >>> ground = UncertaintySource.of(model.of_kind("step up", "post"), Spread(0.010))
    >>> offset_budget(model, [ground]).u_mm.round(4).tolist()
    [[0.0, 0.0, 0.01], [0.0, 0.005, 0.0087], [0.0, 0.01, 0.0]]
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> offset_budget(part.model, [height]).u_mm.round(9).tolist()
    [[0.0, 0.0, 0.04], [0.0, 0.04, 0.0]]
    >>> offset_budget(part.model, ["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    count = len(model.operations)
    by_input = _blocks(model, sources, model.offset_jacobian.reshape(3 * count, -1))
    propagated = propagate_blocks(
        by_input, [one.covariance for one in sources], [one.dof for one in sources], with_covariance=True
    )
    expected = read_only((by_input @ _means(sources)).reshape(-1, 3))
    return OffsetBudget(model, tuple(sources), propagated, expected, level)


@takes_declared()
def part_budget(part: PartModel, sources: Sequence[UncertaintySource], level: float = 0.95) -> PartBudget:
    """Propagate the sources to every feature and seam, to first order.

    Parameters
    ----------
    part : PartModel
    sources : sequence of UncertaintySource
    level : float

    Returns
    -------
    PartBudget

    Raises
    ------
    KinematicsError
        When a source is of a quantity that the model does not have.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> face = part_budget(part, [height]).features[0]
    >>> face.u_mm, round(face.expanded_mm, 4), round(face.conforms, 3)   # 1.96 times 0.04; within 0.1 is 2.5 times 0.04
    (0.04, 0.0784, 0.988)
    >>> part_budget(part, [height], level=1.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: level: expected between 0 and 1, found 1
    """
    covariances = [one.covariance for one in sources]
    by_input = _blocks(part.model, sources, part.jacobian)
    rows = propagate_blocks(by_input, covariances, [one.dof for one in sources], with_covariance=False)
    expected = part.nominal_mm + by_input @ _means(sources)
    count = np.diff(part.first)
    single, triple = np.flatnonzero(count == 1), np.flatnonzero(count == 3)
    of: tuple[Feature | Seam, ...] = (*part.features, *part.seams)
    found: list[FeatureBudget | None] = [None] * len(of)
    _single(part, of, rows, expected, single, level, found)
    _positions(part, of, rows, expected, triple, level, found, by_input, covariances, sources)
    done = tuple(one for one in found if one is not None)
    return PartBudget(part, tuple(sources), done[: len(part.features)], done[len(part.features) :], level)


def _limits(of: Sequence[Feature | Seam], places: Places) -> Array:
    """Tolerances of the features at some places; infinite where there is none."""
    return np.array([np.inf if of[k].tolerance_mm is None else of[k].tolerance_mm for k in places.tolist()])


def _single(
    part: PartModel,
    of: Sequence[Feature | Seam],
    rows: Propagated,
    expected: Array,
    places: Places,
    level: float,
    found: list[FeatureBudget | None],
) -> None:
    """The budgets of what has one direction."""
    at = part.first[places]
    u, dof, value = rows.u[at], rows.dof[at], expected[at]
    expanded = expanded_factor(dof, level) * u
    limits = _limits(of, places)
    chance = conformance_probability(value, u, -limits, limits)
    proven = proven_within(value, expanded, limits)
    for j, k in enumerate(places.tolist()):
        stated = np.isfinite(limits[j])
        found[k] = FeatureBudget(
            of[k],
            value[j : j + 1],
            np.array([[u[j] ** 2]]),
            rows.variances[at[j]],
            float(u[j]),
            float(expanded[j]),
            float(dof[j]),
            float(chance[j]) if stated else None,
            bool(proven[j]) if stated else None,
        )


def _positions(
    part: PartModel,
    of: Sequence[Feature | Seam],
    rows: Propagated,
    expected: Array,
    places: Places,
    level: float,
    found: list[FeatureBudget | None],
    by_input: Array,
    covariances: Sequence[Array],
    sources: Sequence[UncertaintySource],
) -> None:
    """The budgets of positions in three."""
    if not len(places):
        return
    at = part.first[places][:, None] + np.arange(3)
    each = by_input[at]
    covariance, start = np.zeros((len(places), 3, 3)), 0
    for block in covariances:
        inner = each[:, :, start : start + len(block)]
        diagonal = np.diagonal(block)
        spread = inner * diagonal if np.count_nonzero(block) == np.count_nonzero(diagonal) else inner @ block
        covariance += spread @ np.swapaxes(inner, 1, 2)
        start += len(block)
    variances = rows.variances[at].sum(axis=1)
    dof = effective_dof(variances, [one.dof for one in sources])
    u = np.sqrt(np.clip(np.linalg.eigvalsh(covariance)[:, -1], 0.0, None))
    radius = position_radius(covariance, level, dof)
    value = expected[at]
    limits = 0.5 * _limits(of, places)
    chance = position_probability(value, covariance, np.where(np.isfinite(limits), limits, 0.0))
    proven = proven_within(np.linalg.norm(value, axis=-1), radius, limits)
    for j, k in enumerate(places.tolist()):
        stated = np.isfinite(limits[j])
        found[k] = FeatureBudget(
            of[k],
            value[j],
            covariance[j],
            variances[j],
            float(u[j]),
            float(radius[j]),
            float(dof[j]),
            float(chance[j]) if stated else None,
            bool(proven[j]) if stated else None,
        )
