"""Estimate of a setup's errors from a measured part, and the corrected offsets that follow.

The budget is the prior, the deviations are the measurement, and generalised least squares puts the two together: what is
known well moves little. How a part seats is another's with the next part, so it counts as noise and is not corrected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.forward import table_pose
from kinematics.uncertainty.chi_square import Whitening, chi_square_tail
from kinematics.uncertainty.features import PartModel
from kinematics.uncertainty.inspection import SEATING, MeasuredParts
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.uncertainty.sources import UncertainQuantity, UncertaintySource
from kinematics.validation import as_instance, read_only

__all__ = [
    "JointCorrection",
    "OffsetCorrection",
    "SetupEstimate",
    "correct_jointly",
    "corrections_apart",
    "deviations_after",
    "moved_by",
    "offset_correction",
    "setup_prior",
]


@dataclass(frozen=True, eq=False)
class SetupEstimate(DeclaredFields):
    """Values of some of a setup's quantities; all others are taken as exact.

    Attributes
    ----------
    model : SetupModel
    columns : ndarray of int, shape (n,)
        Their places among the model's quantities.
    values : ndarray, shape (n,)
        How far each is from its stated value, in its unit.
    covariance : ndarray, shape (n, n)
    """

    model: SetupModel
    columns: NDArray[np.int64]
    values: Array
    covariance: Array

    @property
    def quantities(self) -> tuple[UncertainQuantity, ...]:
        """The quantities, in order."""
        return tuple(self.model.quantities[k] for k in self.columns.tolist())

    @cached_property
    def u(self) -> Array:
        """Standard uncertainties, shape (n,)."""
        return read_only(np.sqrt(np.clip(np.diag(self.covariance), 0.0, None)))

    def expected_mm(self, measured: MeasuredParts) -> Array:
        """Deviations that these values let expect, shape (K,)."""
        return np.asarray(measured.jacobian[:, self.columns] @ self.values)

    def left_mm(self, measured: MeasuredParts) -> Array:
        """Remainder of measured deviations beyond these values, shape (K,)."""
        return np.asarray(measured.excess_mm - self.expected_mm(measured))

    def spread(self, measured: MeasuredParts) -> Array:
        """The covariance that these values leave in measured deviations, shape (K, K)."""
        rows, variance = measured.jacobian[:, self.columns], np.diag(self.covariance)
        spread = (rows * variance) @ rows.T
        # Most quantities depend on no other one; hundreds of places of the linear axes among them.
        bound = np.flatnonzero(np.count_nonzero(self.covariance, axis=0) > (variance != 0.0))
        if bound.size:
            block = self.covariance[np.ix_(bound, bound)] - np.diag(variance[bound])
            spread += rows[:, bound] @ block @ rows[:, bound].T
        return np.asarray(spread)


@takes_declared()
def setup_prior(model: SetupModel, sources: Sequence[UncertaintySource]) -> SetupEstimate:
    """Prior covariance of the quantities that stay as they are from part to part: all but a part's seating.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> prior = setup_prior(part.model, [height])
    >>> prior.values.tolist(), prior.u.tolist()
    ([0.0], [0.04])
    >>> setup_prior(part.model, ["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    lasting = [source for source in sources if source.kind not in SEATING]
    if not lasting:
        return SetupEstimate(model, np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros((0, 0)))
    columns = np.concatenate([model.columns(source) for source in lasting])
    covariance, start = np.zeros((len(columns), len(columns))), 0
    for source in lasting:
        end = start + len(source.quantities)
        covariance[start:end, start:end] = source.covariance
        start = end
    values = np.concatenate([source.expected for source in lasting])
    return SetupEstimate(model, columns, values, covariance)


@dataclass(frozen=True, eq=False)
class JointCorrection(DeclaredFields):
    """The most likely error of everything uncertain at once.

    Attributes
    ----------
    measured : MeasuredParts
    prior, estimate : SetupEstimate
        Before the deviations, and with them.
    noise_chi_square, noise_p : float
        Of the deviations against the measurement and the seating alone; `noise_p` is the probability of deviations as
        large with a setup that is right.
    budget_chi_square, budget_p : float
        Against everything that is stated to be uncertain.
    """

    measured: MeasuredParts
    prior: SetupEstimate
    estimate: SetupEstimate
    noise_chi_square: float
    noise_p: float
    budget_chi_square: float
    budget_p: float

    @property
    def dof(self) -> int:
        """Degrees of freedom of both chi-squares: the number of deviations."""
        return len(self.measured.deviations)

    @property
    def significant(self) -> bool:
        """True where measurement and seating alone would give such deviations in fewer than 5 of 100 cases."""
        return self.noise_p < 0.05

    @property
    def within_budget(self) -> bool:
        """False where what is stated would give such deviations in fewer than 1 of 100 cases."""
        return self.budget_p >= 0.01

    @property
    def unsaid(self) -> tuple[UncertainQuantity, ...]:
        """Stated quantities that the deviations say nothing about: they stay as uncertain as they were."""
        before, after = self.prior.u, self.estimate.u
        still = (before > 0.0) & (after > 0.98 * before)
        return tuple(one for one, same in zip(self.prior.quantities, still.tolist(), strict=True) if same)


@takes_declared()
def correct_jointly(measured: MeasuredParts, sources: Sequence[UncertaintySource]) -> JointCorrection:
    """Estimate everything uncertain at once from measured parts, with the budget as prior.

    Parameters
    ----------
    measured : MeasuredParts
    sources : sequence of UncertaintySource
        Of the setup model; what has no source is taken as exact.

    Returns
    -------
    JointCorrection

    Raises
    ------
    KinematicsError
        When a source is of a quantity that the model does not have.

    Notes
    -----
    With prior covariance S, rows J and noise W: gain = S J' (J S J' + W)^-1 (Gauss-Markov with the prior as pseudo
    readings; JCGM 102:2011 treats the same model as a constrained fit). The chi-squares have one degree of freedom for
    each deviation, since nothing is fitted in them.

    Examples
    --------
    A post stated to 0.010 (standard), and a face found 0.05 low to 0.005: four fifths of it are the post's.

    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep
    >>> from kinematics.uncertainty import (Feature, MeasuredDeviation, ModelOperation, SetupModel, Spread, StackNode,
    ...     UncertaintySource, measured_parts, part_model)
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> post = StackNode("post", StackStep("post", up_mm=100.0))
    >>> model = SetupModel(Machine("mill", (a,), Platter()), {None: (post,)}, (ModelOperation("top", [0.0], [0, 0, 0]),))
    >>> part = part_model(model, [Feature("face", 0, [0, 0, 0], [0, 0, 1])])
    >>> stated = [UncertaintySource.of(part.model.of_kind("step up", "post"), Spread(0.010))]
    >>> joint = correct_jointly(measured_parts(part, [MeasuredDeviation(0, [0, 0, 1], -0.05, 0.005)]), stated)
    >>> joint.estimate.values.round(4).tolist(), joint.estimate.u.round(4).tolist(), joint.within_budget
    ([0.04], [0.0045], False)
    >>> offset_correction(joint.estimate).shift_mm.round(4).tolist()
    [[0.0, 0.0, 0.04]]
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> joint = correct_jointly(measured, [height])   # 0.04 before and 0.03 measured: 16 parts in 25 of 0.05
    >>> joint.estimate.values.round(9).tolist(), joint.estimate.u.round(9).tolist()
    ([0.032], [0.024])
    >>> correct_jointly(measured, ["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    prior = setup_prior(measured.part.model, sources)
    noise = measured.noise(sources)
    carried = measured.jacobian[:, prior.columns] @ prior.covariance
    whole = noise + prior.spread(measured)
    left = prior.left_mm(measured)
    solved = Whitening.of(whole).solution(np.column_stack([left[:, None], carried]))
    values = prior.values + carried.T @ solved[:, 0]
    covariance = prior.covariance - carried.T @ solved[:, 1:]
    by_noise = float(measured.excess_mm @ Whitening.of(noise).solution(measured.excess_mm))
    by_budget = float(left @ solved[:, 0])
    count = len(left)
    return JointCorrection(
        measured,
        prior,
        SetupEstimate(prior.model, prior.columns, values, 0.5 * (covariance + covariance.T)),
        by_noise,
        float(chi_square_tail(by_noise, count)),
        by_budget,
        float(chi_square_tail(by_budget, count)),
    )


@dataclass(frozen=True, eq=False)
class OffsetCorrection(DeclaredFields):
    """Correction for an estimate: shifts of every work offset, and turns of the last rotary's.

    Attributes
    ----------
    shift_mm, u_mm : ndarray, shape (O, 3)
        By how much X, Y, Z of each operation's offset change, with standard uncertainties. They belong to the angles
        with the turns.
    turn_deg, turn_u_deg : ndarray, shape (O,)
        By how much the last rotary's value in each operation's offset changes: 0 where the estimate's turn is less than
        twice its uncertainty.
    """

    shift_mm: Array
    u_mm: Array
    turn_deg: Array
    turn_u_deg: Array

    @property
    def turns(self) -> bool:
        """True where the last rotary's value changes in any offset."""
        return bool(np.any(self.turn_deg))

    def turns_alike(self, operations: Sequence[int] | None = None) -> bool:
        """True where operations (all where left out) turn by the same, to 0.001 degree: one value can serve them."""
        turn = self.turn_deg if operations is None else self.turn_deg[list(operations)]
        return not turn.size or float(np.ptp(turn)) <= SAME_TURN_DEG


SAME_TURN_DEG = 1e-3
"""Turns of operations that differ by no more than this count as one clocking: 0.2 micrometres at 10 mm."""

_LEAST_TURN_DEG = 1e-4
"""A turn below this is not worth a changed rotary offset: 0.2 micrometres at 100 mm."""


def offset_correction(estimate: SetupEstimate) -> OffsetCorrection:
    """Work out the offsets that take out an estimated error.

    The shift puts each operation's origin where it belongs. What turns a part about the last rotary, which carries the
    work, goes into that rotary's value of the operation's own offset; other turns stay, since no offset takes them out.
    Where all operations, or all of a nest, are turned alike, to 0.001 degree, their mean is taken. Otherwise nothing is
    averaged: one nest's clocking must not turn the others.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> estimate = correct_jointly(measured, [height]).estimate   # the post is 0.032 taller
    >>> offset_correction(estimate).shift_mm.round(9).tolist()
    [[0.0, 0.0, 0.032], [0.0, -0.032, 0.0]]
    >>> offset_correction(0.032)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: estimate: expected a SetupEstimate, found 0.032
    """
    as_instance(estimate, SetupEstimate, "estimate")
    maps = correction_maps(estimate.model)
    shift, turn = maps.shift[:, :, estimate.columns], _own_turns(maps, estimate)
    turn_deg = turn @ estimate.values
    turn_u = np.sqrt(
        np.clip(np.einsum("on,nm,om->o", turn, estimate.covariance, turn, optimize=True), 0.0, None)
    )
    loaded = np.abs(turn_deg) > np.maximum(2.0 * turn_u, _LEAST_TURN_DEG)
    shift = shift + maps.by_turn[:, :, None] * (loaded[:, None] * turn)[:, None, :]
    spread = np.einsum("oin,nm,oim->oi", shift, estimate.covariance, shift, optimize=True)
    return OffsetCorrection(
        read_only(shift @ estimate.values),
        read_only(np.sqrt(np.clip(spread, 0.0, None))),
        read_only(np.where(loaded, turn_deg, 0.0)),
        read_only(turn_u),
    )


def _own_turns(maps: CorrectionMaps, estimate: SetupEstimate) -> Array:
    """Rows by which the estimated values turn each operation's offset, (O, n): their mean where all, or all of a nest, turn alike."""
    turn = maps.turn[:, estimate.columns].copy()
    for alike in (list(range(len(turn))), *estimate.model.operations_by_nest.values()):
        if alike and float(np.ptp(turn[alike] @ estimate.values)) <= SAME_TURN_DEG:
            turn[alike] = turn[alike].mean(axis=0)
    return turn


@dataclass(frozen=True, eq=False)
class CorrectionMaps:
    """Correction maps, by quantity: shifts of the offsets (O, 3, P), the last rotary's turns (O, P), shifts per degree of them (O, 3)."""

    shift: Array
    turn: Array
    by_turn: Array


def correction_maps(model: SetupModel) -> CorrectionMaps:
    """The linear maps from a setup's errors to what its offsets need."""
    shift = model.offset_jacobian.copy()
    for k, one in enumerate(model.operations):
        if one.tool is not None:
            # A tool that is longer than stated cuts deeper: the offset goes up by as much.
            shift[k, 2, model.index("tool length", one.tool)] += 1.0
    turns, (axes, _) = model.operation_turns, last_rotary(model)
    own = np.einsum("oi,opi->op", axes, turns)
    turn = np.zeros((len(own), len(model.quantities)))
    turn[:, : own.shape[1]] = -own / np.square(axes).sum(axis=1)[:, None]
    return CorrectionMaps(
        shift, turn, _moved_by_turn(model, model.offsets_mm, np.arange(len(model.operations)))
    )


def last_rotary(model: SetupModel) -> tuple[Array, Array]:
    """The last rotary's line in each operation: its turn for one degree more, radians, and a point on it; (O, 3) each."""
    rotary = model.machine.rotaries[-1]
    degree = np.radians(1.0) * rotary.positive_turn.sign
    # The table's pose carries the last line as the rotaries before it do: its own turn leaves it in place.
    poses = [table_pose(model.machine, one.machine_deg) for one in model.operations]
    axes = [degree * pose.rotate(rotary.direction) for pose in poses]
    return np.array(axes).reshape(-1, 3), np.array([pose.apply(rotary.point_mm) for pose in poses]).reshape(
        -1, 3
    )


def _moved_by_turn(model: SetupModel, at_mm: Array, operation: NDArray[np.int64]) -> Array:
    """Displacement of the part at machine points, in operations, for a degree more of the last rotary; (m, 3)."""
    axes, points = last_rotary(model)
    return np.asarray(np.cross(axes[operation], at_mm - points[operation]))


@takes_declared()
def corrections_apart(part: PartModel, corrections: Sequence[OffsetCorrection]) -> Array:
    """Distances between the cuts of corrections of the offsets, each against each other one, in each operation.

    Parameters
    ----------
    part : PartModel
    corrections : sequence of OffsetCorrection

    Returns
    -------
    ndarray, shape (n, n, O)
        The largest distance at the origins and features of every operation of its nest: a turn of the last rotary moves
        what lies off its line, and few operations cut nothing but the features that are stated.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> estimate = correct_jointly(measured, [height]).estimate   # the post is 0.032 taller
    >>> once = offset_correction(estimate)
    >>> float(corrections_apart(measured.part, [once, once]).max())
    0.0
    >>> corrections_apart(measured.part, [0.032])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: corrections: expected a list of OffsetCorrection, found [0.032]
    """
    model, count = part.model, len(corrections)
    shift = np.array([one.shift_mm for one in corrections]).reshape(count, len(model.operations), 3)
    turn = np.array([one.turn_deg for one in corrections]).reshape(count, len(model.operations))
    origins = np.array([each.origin_mm for each in model.operations]).reshape(-1, 3)
    of_features = np.array([each.operation for each in part.features], dtype=np.int64)
    at_features = model.point_mm[: len(part.features)]
    found = np.zeros((count, count, len(model.operations)))
    for mine in model.operations_by_nest.values():
        every = np.vstack([origins[mine], at_features[np.isin(of_features, mine)]])
        for k in mine:
            at = model.poses[k].apply(every)
            by_turn = _moved_by_turn(model, at, np.full(len(at), k))
            moved = shift[:, k, None, :] - turn[:, k, None, None] * by_turn
            for i in range(count):
                found[i, :, k] = np.linalg.norm(moved - moved[i], axis=2).max(axis=1)
    return found


@takes_declared()
def deviations_after(
    measured: MeasuredParts,
    estimate: SetupEstimate,
    correction: OffsetCorrection,
    sources: Sequence[UncertaintySource],
) -> tuple[Array, Array]:
    """Predict the measured features' deviations with corrected offsets.

    Parameters
    ----------
    measured : MeasuredParts
        Rows of what is to be predicted; its deviations are not used.
    estimate : SetupEstimate
    correction : OffsetCorrection
    sources : sequence of UncertaintySource
        The next part seats by these.

    Returns
    -------
    after_mm, u_mm : ndarray, shape (K,)
        The deviations to expect, and their standard uncertainties.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> estimate = correct_jointly(measured, [height]).estimate   # the post is 0.032 taller
    >>> expected_mm, u_mm = deviations_after(measured, estimate, offset_correction(estimate), [height])
    >>> abs(expected_mm).round(9).tolist(), u_mm.round(9).tolist()
    ([0.0], [0.024])
    >>> deviations_after(measured, estimate, 0.032, [height])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: correction: expected an OffsetCorrection, found 0.032
    """
    by_shift, by_turn = offset_effects(measured)
    maps = correction_maps(estimate.model)
    asked = maps.shift[:, :, estimate.columns].reshape(-1, len(estimate.columns))
    turn = (correction.turn_deg != 0.0)[:, None] * _own_turns(maps, estimate)
    asked = asked + (maps.by_turn[:, :, None] * turn[:, None, :]).reshape(asked.shape)
    rows = measured.jacobian[:, estimate.columns] + by_shift @ asked + by_turn @ turn
    expected = measured.nominal_mm + rows @ estimate.values
    # The offsets are loaded as they are; what the estimate leaves open moves the part against them.
    open_rows = measured.jacobian[:, estimate.columns]
    variance = np.einsum("kn,nm,km->k", open_rows, estimate.covariance, open_rows, optimize=True)
    seated = np.diag(measured.noise(sources)) - np.square(measured.u_mm)
    return expected, np.sqrt(np.clip(variance + seated, 0.0, None))


@takes_declared()
def moved_by(measured: MeasuredParts, correction: OffsetCorrection) -> Array:
    """Change of the rows by a correction of the offsets, shape (K,): what a part shows that was cut with it.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> estimate = correct_jointly(measured, [height]).estimate   # the post is 0.032 taller
    >>> moved_by(measured, offset_correction(estimate)).round(9).tolist()
    [0.032]
    >>> moved_by(measured, 0.032)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: correction: expected an OffsetCorrection, found 0.032
    """
    by_shift, by_turn = offset_effects(measured)
    return np.asarray(by_shift @ correction.shift_mm.ravel() + by_turn @ correction.turn_deg)


def offset_effects(measured: MeasuredParts) -> tuple[Array, Array]:
    """Derivatives of the rows by the offsets: by X, Y, Z of each operation's (K, 3 O), by degrees of its last rotary (K, O)."""
    model = measured.part.model
    by_shift = np.zeros((len(measured.deviations), 3 * len(model.operations)))
    by_turn = np.zeros((len(measured.deviations), len(model.operations)))
    rotations = np.stack([pose.rotation for pose in model.poses])
    for sign, points in ((1.0, measured.point), (-1.0, measured.datum_point)):
        rows = np.flatnonzero(points >= 0)
        if not rows.size:
            continue
        which = points[rows]
        operation, along = model.point_operation[which], measured.along[rows]
        turned = (rotations[operation] @ along[..., None])[..., 0]
        for axis in range(3):
            np.add.at(by_shift, (rows, 3 * operation + axis), sign * model.cold_scale * turned[:, axis])
        moved = _moved_by_turn(model, model.commanded_mm[which], operation)
        np.add.at(by_turn, (rows, operation), -sign * model.cold_scale * (moved * turned).sum(axis=-1))
    return by_shift, by_turn
