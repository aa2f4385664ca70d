"""Single causes of a part's deviations: how well each explains them alone, its rivals, and what to measure to tell them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.uncertainty.chi_square import Whitening, chi_square_tail
from kinematics.uncertainty.correction import (
    JointCorrection,
    OffsetCorrection,
    SetupEstimate,
    correction_maps,
    corrections_apart,
    offset_correction,
)
from kinematics.uncertainty.inspection import (
    SEATING,
    MeasuredDeviation,
    MeasuredParts,
    measured_parts,
)
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.sources import UncertainQuantity, UncertaintySource

__all__ = [
    "CausePair",
    "SingleCause",
    "SingleCauses",
    "not_yet_measured",
    "possible_causes",
    "single_causes",
]

EXPLAINS = 0.01
"""A cause explains the deviations when it would leave a chi-square as large in at least so many cases."""

DISTINCT_CHI_SQUARE = 6.0
"""Difference of chi-squares from which two causes count as told apart: likelihoods of 20 to 1."""

UNLIKELY = 13.8
"""Difference of chi-square and prior cost from which a rival, or a pair beside another, is not believed: 1000 to 1."""

AGREE_MM = 0.01
"""Offsets that differ by no more than this count as the same correction."""

_PAIR_EXPLAINS = 0.001
"""The same of a pair that only has to be ruled out."""

_MOST_OFF = 10.0
"""Stated standard uncertainties beyond which a quantity is not believed to be off while another is off as well."""

_FARTHEST = 30.0
"""Stated standard uncertainties beyond which a quantity is not believed to be the cause."""

_OVERLOOKED = {"mm": 5.0, "deg": 2.0, "K": 50.0}
"""Sizes that nobody overlooks; beyond them the linear model would not hold either."""

_NOT_STATED = 9.0
"""Cost by which a cause that nothing is stated of is ranked: as if it were three standard uncertainties off."""


@dataclass(frozen=True)
class SingleCause(DeclaredFields):
    """One quantity that is off, as the only cause of the deviations.

    Attributes
    ----------
    quantity : UncertainQuantity
    column : int
        Its place among the model's quantities.
    value, u : float
        How far it is off, and the standard uncertainty of that, in its unit.
    chi_square, p : float
        Of what it leaves unexplained; the probability of so much by measurement and seating.
    stated_u : float or None
        Its standard uncertainty as stated; None where nothing is stated, and the joint estimate takes it as exact.
    cost : float or None
        The square of its distance from what is stated, in standard uncertainties.
    level : int
        1: explains best, and the deviations cannot tell these apart. 2: explains, but not as well. 3: does not explain
        them, or not by a size that can be believed.
    group : int
        Causes of one group give the same numbers in every feature, exactly or as far as such a measurement would show, and
        ask for the same offsets: one cause under several names.
    """

    quantity: UncertainQuantity
    column: int
    value: float
    u: float
    chi_square: float
    p: float
    stated_u: float | None
    cost: float | None
    level: int
    group: int

    @property
    def total(self) -> float:
        """Chi-square and prior cost together, by which causes are ranked."""
        return self.chi_square + (_NOT_STATED if self.cost is None else self.cost)


@dataclass(frozen=True)
class CausePair(DeclaredFields):
    """Two quantities that are off at once, each by no more than ten stated standard uncertainties, or than anybody overlooks.

    Attributes
    ----------
    first, second : SingleCause
        The causes, as they are alone.
    values : (float, float)
        How far each is off when both are.
    p : float
        The probability of what they leave unexplained.
    total : float
        Chi-square and prior cost together, by which pairs are ranked.
    differs_mm : float
        By how much offsets or features would be elsewhere than with the best single cause, at most; where no single cause
        explains the deviations, than with nothing off.
    """

    first: SingleCause
    second: SingleCause
    values: tuple[float, float]
    p: float
    total: float
    differs_mm: float


@dataclass(frozen=True, eq=False)
class SingleCauses(DeclaredFields):
    """All single causes, the best first.

    Attributes
    ----------
    joint : JointCorrection
    sources : tuple of UncertaintySource
    causes : tuple of SingleCause
    others : "exact" or "within limits"
        Whether a cause had to explain the deviations alone, or with everything else within what is stated of it.
    """

    joint: JointCorrection
    sources: tuple[UncertaintySource, ...]
    causes: tuple[SingleCause, ...]
    others: Literal["exact", "within limits"]

    @property
    def best(self) -> tuple[SingleCause, ...]:
        """The causes of level 1."""
        return tuple(one for one in self.causes if one.level == 1)

    @property
    def rivals(self) -> tuple[SingleCause, ...]:
        """One cause of each group of level 1, the likeliest name first; those that are not believed are left out."""
        found: dict[int, SingleCause] = {}
        for one in self.best:
            if one.total <= self.best[0].total + UNLIKELY:
                found.setdefault(one.group, one)
        return tuple(found.values())

    def same_as(self, cause: SingleCause) -> tuple[SingleCause, ...]:
        """The other names of a cause: what gives the same numbers everywhere."""
        return tuple(one for one in self.causes if one.group == cause.group and one.column != cause.column)

    @cached_property
    def pairs(self) -> tuple[CausePair, ...]:
        """Pairs of causes that explain the deviations as well, and leave the part elsewhere than the best single cause."""
        return _pairs(self)

    @property
    def far(self) -> bool:
        """True where the best cause explains the deviations, but by a size far beyond what is stated of it."""
        return bool(self.best) and (self.best[0].cost or 0.0) > _FARTHEST**2

    @property
    def certain(self) -> bool:
        """True where one cause alone explains the deviations, and no two at once would with other offsets."""
        return self.others == "exact" and len(self.rivals) == 1 and not self.pairs and not self.far

    def estimate(self, cause: SingleCause) -> SetupEstimate:
        """The setup's error if this is the cause: it alone, or with the rest as far as the deviations then ask for it."""
        joint = self.joint
        model = joint.prior.model
        if self.others == "exact":
            return SetupEstimate(
                model, np.array([cause.column]), np.array([cause.value]), np.array([[cause.u**2]])
            )
        measured, prior = joint.measured, joint.prior
        columns, mean, spread = prior.columns, prior.values, prior.covariance
        place = np.flatnonzero(columns == cause.column)
        if not place.size:
            place = np.array([len(columns)])
            columns = np.append(columns, cause.column)
            mean, spread = np.append(mean, 0.0), np.pad(spread, ((0, 1), (0, 1)))
        rows = measured.jacobian[:, columns]
        whole = measured.noise(self.sources) + rows @ spread @ rows.T
        gain = np.linalg.solve(whole, rows @ spread).T
        own, unit = rows[:, place[0]], np.zeros(len(columns))
        unit[place[0]] = 1.0
        extra = cause.value - mean[place[0]]
        left = measured.excess_mm - rows @ mean - own * extra
        values = mean + extra * unit + gain @ left
        toward = unit - gain @ own
        covariance = spread - gain @ rows @ spread + cause.u**2 * np.outer(toward, toward)
        return SetupEstimate(model, columns, values, 0.5 * (covariance + covariance.T))

    def correction(self, cause: SingleCause) -> OffsetCorrection:
        """The offsets that this cause asks for."""
        return offset_correction(self.estimate(cause))

    def pair_estimate(self, pair: CausePair) -> SetupEstimate:
        """The setup's error if these two are the cause, and nothing else."""
        measured = self.joint.measured
        columns = np.array([pair.first.column, pair.second.column])
        rows = measured.jacobian[:, columns]
        information = rows.T @ np.linalg.solve(measured.noise(self.sources), rows)
        return SetupEstimate(measured.part.model, columns, np.array(pair.values), np.linalg.inv(information))


@takes_declared()
def single_causes(joint: JointCorrection, sources: Sequence[UncertaintySource]) -> SingleCauses:
    """Try every quantity of a setup as the only cause of measured deviations.

    Parameters
    ----------
    joint : JointCorrection
    sources : sequence of UncertaintySource
        The same.

    Returns
    -------
    SingleCauses
        Without any cause where the deviations are not significant. Positions of the linear axes count where something
        is stated of them: each moves a single place, so it would explain any single number.

    Notes
    -----
    Weighted least squares with one unknown and a free size: the prior does not hold a cause down, it is told as its
    cost. First everything else is taken as it is stated; where no cause explains the deviations so, no two do, and the
    budget does not either, everything else may lie within its stated limits. Where still none does, a cause that explains
    them alone counts however far it is from what is stated: `far` is true then.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> from kinematics.uncertainty import MeasuredDeviation, correct_jointly, measured_parts
    >>> rows = [MeasuredDeviation(0, [0, 0, 1], -0.05, 0.003), MeasuredDeviation(1, [0, -1, 0], -0.05, 0.003)]
    >>> causes = single_causes(correct_jointly(measured_parts(part, rows), [height]), [height])
    >>> [round(one.value, 6) for one in causes.causes if one.quantity.kind == "step up"]   # by itself, a post 0.05 taller
    [0.05]
    >>> single_causes(rows, [height])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: joint: expected a JointCorrection, found [MeasuredDeviation(feature=0, along=array([0., 0., 1.]), ...
    """
    measured = joint.measured
    given = tuple(sources)
    if not joint.significant:
        return SingleCauses(joint, given, (), "exact")
    noise = measured.noise(given)
    columns = possible_causes(measured, joint.prior)
    found = _fitted(joint, columns, noise, measured.excess_mm, 0.0)
    others: Literal["exact", "within limits"] = "exact"
    alone = SingleCauses(joint, given, tuple(sorted(found, key=_rank)), others)
    if not alone.best and not joint.within_budget and not alone.pairs:
        prior = joint.prior
        found = _fitted(joint, columns, noise + prior.spread(measured), prior.left_mm(measured), 1.0)
        others = "within limits"
    ranked = SingleCauses(joint, given, tuple(sorted(found, key=_rank)), others)
    if not ranked.best:
        found = _fitted(joint, columns, noise, measured.excess_mm, 0.0, farthest=np.inf)
        distant = SingleCauses(joint, given, tuple(sorted(found, key=_rank)), "exact")
        ranked = distant if distant.best else ranked
    return replace(ranked, causes=_joined(ranked))


def _joined(causes: SingleCauses) -> tuple[SingleCause, ...]:
    """The causes with those of level 1 in one group that no feature of the part could tell apart, nor any offset."""
    rivals = causes.rivals
    if len(rivals) < 2:
        return causes.causes
    measured = causes.joint.measured
    u = float(np.median(measured.u_mm))
    more = [one for k in range(len(measured.part.features)) for one in not_yet_measured(measured, k, u)]
    apart = pairwise_chi_squares(causes, rivals, measured_parts(measured.part, [*measured.deviations, *more]))
    # An operation may have no feature: what its offset would be counts as well.
    offsets_mm = corrections_apart(measured.part, [causes.correction(one) for one in rivals]).max(axis=2)
    group = {one.group: one.group for one in rivals}
    for i, first in enumerate(rivals):
        for j, second in enumerate(rivals[:i]):
            if max(apart[i, j], apart[j, i]) < DISTINCT_CHI_SQUARE and offsets_mm[i, j] <= AGREE_MM:
                old, new = group[first.group], group[second.group]
                group = {key: new if value == old else value for key, value in group.items()}
    return tuple(replace(one, group=group.get(one.group, one.group)) for one in causes.causes)


def _rank(cause: SingleCause) -> tuple[float, ...]:
    return (cause.level, cause.total if cause.level == 1 else cause.chi_square)


def _pairs(causes: SingleCauses) -> tuple[CausePair, ...]:
    """Every pair of causes fitted together: those that explain the deviations, and would leave the part elsewhere."""
    measured = causes.joint.measured
    by_group: dict[int, SingleCause] = {}
    for one in sorted(causes.causes, key=lambda cause: (cause.stated_u is None, cause.total)):
        by_group.setdefault(one.group, one)
    each = list(by_group.values())
    if causes.others != "exact" or len(each) < 2:
        return ()
    columns = [one.column for one in each]
    limits = np.array([_largest(one.quantity, one.stated_u, _MOST_OFF) for one in each])
    whitening = Whitening.of(measured.noise(causes.sources))
    own, by_cause = whitening.rows(measured.excess_mm), whitening.rows(measured.jacobian[:, columns])
    product, along = by_cause.T @ by_cause, by_cause.T @ own
    weight = np.diag(product)
    determinant = np.outer(weight, weight) - np.square(product)
    distinct = determinant > 1e-9 * np.outer(weight, weight)
    safe = np.where(distinct, determinant, 1.0)
    size = (along[:, None] * weight[None, :] - product * along[None, :]) / safe
    rest = np.clip(own @ own - size * along[:, None] - size.T * along[None, :], 0.0, None)
    chance = chi_square_tail(rest, len(own) - 2)
    fits = distinct & (chance >= (_PAIR_EXPLAINS if causes.rivals else EXPLAINS))
    fits &= (np.abs(size) <= limits[:, None]) & (np.abs(size.T) <= limits[None, :])
    # Where the offsets, or the features with them, would be elsewhere than the best single cause has them.
    maps = correction_maps(causes.joint.prior.model)
    asked = np.concatenate([maps.shift.reshape(-1, maps.shift.shape[-1]), measured.part.jacobian])
    best = causes.rivals[0] if causes.rivals else None
    wanted = 0.0 if best is None else asked[:, best.column] * best.value
    found = []
    for i, j in np.argwhere(np.triu(fits, 1)).tolist():
        there = asked[:, columns[i]] * size[i, j] + asked[:, columns[j]] * size[j, i]
        differs = float(np.abs(there - wanted).max())
        if best is None or differs > AGREE_MM:
            values = (float(size[i, j]), float(size[j, i]))
            cost = sum(
                _NOT_STATED if one.stated_u is None else (value / one.stated_u) ** 2
                for one, value in zip((each[i], each[j]), values, strict=True)
            )
            found.append(
                CausePair(each[i], each[j], values, float(chance[i, j]), float(rest[i, j]) + cost, differs)
            )
    return tuple(sorted(found, key=lambda pair: pair.total))


def possible_causes(measured: MeasuredParts, prior: SetupEstimate) -> NDArray[np.int64]:
    """Columns of the quantities that may be a cause, and that the deviations would show."""
    stated = set(prior.columns.tolist())
    quantities = prior.model.quantities
    shown = np.abs(measured.jacobian).max(axis=0) > 1e-9
    return np.array(
        [
            k
            for k in np.flatnonzero(shown).tolist()
            if quantities[k].kind not in SEATING and (k in stated or quantities[k].kind != "axis position")
        ],
        dtype=np.int64,
    )


def _fitted(
    joint: JointCorrection,
    columns: NDArray[np.int64],
    noise: Array,
    left: Array,
    of_mean: float,
    farthest: float = _FARTHEST,
) -> list[SingleCause]:
    """Every candidate fitted by itself; `of_mean` is 1 where the values count from what is expected of them."""
    if not columns.size:
        return []
    rest, extra, weight = _fits(joint, columns, noise, left)
    dof = len(left) - 1
    chances = chi_square_tail(rest, dof)
    prior, quantities = joint.prior, joint.prior.model.quantities
    stated = dict(
        zip(prior.columns.tolist(), zip(prior.values.tolist(), prior.u.tolist(), strict=True), strict=True)
    )
    each = [(column, *stated.get(column, (0.0, 0.0))) for column in columns.tolist()]
    largest = [_largest(quantities[column], u or None, farthest) for column, _, u in each]
    explains = (chances >= EXPLAINS) & (np.abs(extra) <= largest)
    least = float(rest[explains].min()) if explains.any() else np.inf
    level = np.where(explains, np.where(rest <= least + DISTINCT_CHI_SQUARE, 1, 2), 3)
    groups = _groups(joint, columns)
    found = []
    for k, (column, mean, u) in enumerate(each):
        value = float(extra[k]) + of_mean * mean
        cost = ((value - mean) / u) ** 2 if u else None
        found.append(
            SingleCause(
                quantities[column],
                column,
                value,
                float(weight[k] ** -0.5),
                float(rest[k]),
                float(chances[k]),
                u or None,
                cost,
                int(level[k]),
                int(groups[k]),
            )
        )
    return found


def _fits(
    joint: JointCorrection, columns: NDArray[np.int64], noise: Array, left: Array
) -> tuple[Array, Array, Array]:
    """Of each column fitted by itself: what it leaves of chi-square, its size, and the weight (inverse variance) of that."""
    whitening = Whitening.of(noise)
    own, by_column = whitening.rows(left), whitening.rows(joint.measured.jacobian[:, columns])
    weight = np.square(by_column).sum(axis=0)
    size = (by_column.T @ own) / weight
    return np.clip(own @ own - np.square(size) * weight, 0.0, None), size, weight


def _largest(quantity: UncertainQuantity, stated_u: float | None, farthest: float) -> float:
    """Size beyond which a cause is not believed: that nobody would overlook, or far beyond what is stated."""
    return min(_OVERLOOKED[quantity.unit], np.inf if stated_u is None else farthest * stated_u)


def _groups(joint: JointCorrection, columns: NDArray[np.int64]) -> NDArray[np.int64]:
    """The number of each column's group: columns that are multiples of each other in every feature and every offset."""
    maps = correction_maps(joint.prior.model)
    each = np.concatenate(
        [
            joint.measured.jacobian[:, columns],
            joint.measured.part.jacobian[:, columns],
            maps.shift[:, :, columns].reshape(-1, len(columns)),
            100.0 * maps.turn[:, columns],
        ]
    )
    unit = each / np.linalg.norm(each, axis=0)
    alike = np.abs(unit.T @ unit) > 1.0 - 1e-9
    return np.asarray(alike.argmax(axis=0), dtype=np.int64)


def not_yet_measured(measured: MeasuredParts, feature: int, u_mm: float) -> list[MeasuredDeviation]:
    """A feature's deviations that were not measured: along its direction, or of a position all three."""
    part = measured.part
    known = [one.along for one in measured.deviations if one.feature == feature]
    wanted = part.direction[part.rows(feature)]
    if known and np.linalg.matrix_rank(np.array(known), tol=1e-6) >= np.linalg.matrix_rank(
        np.vstack([*known, wanted]), tol=1e-6
    ):
        return []
    return [MeasuredDeviation(feature, along, 0.0, u_mm, measured.serials[0]) for along in wanted]


def pairwise_chi_squares(causes: SingleCauses, rivals: Sequence[SingleCause], whole: MeasuredParts) -> Array:
    """The chi-square that each rival (columns) would have in measured rows if another (rows) were the truth; (r, r)."""
    noise = whole.noise(causes.sources)
    if causes.others == "within limits":
        noise = noise + causes.joint.prior.spread(whole)
    columns = [one.column for one in rivals]
    values = np.array([one.value for one in rivals])
    by_rival = Whitening.of(noise).rows(whole.jacobian[:, columns])
    product = by_rival.T @ by_rival
    weight = np.diag(product)
    # Of truth i seen as rival j: its signal less the part that lies along j's rows.
    left = np.square(values)[:, None] * (weight[:, None] - np.square(product) / weight[None, :])
    return np.asarray(np.clip(left, 0.0, None))
