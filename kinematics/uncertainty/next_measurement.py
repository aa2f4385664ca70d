"""Choice of the next measurement: the feature or place that separates rival causes best, and the probing that helps a budget most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import (
    PlannedTarget,
    candidate_poses,
    expand_mask,
    is_accessible,
    planned_readings,
)
from kinematics.calibration.covariance import pose_information
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.uncertainty.budget import PartBudget, part_budget
from kinematics.uncertainty.causes import (
    DISTINCT_CHI_SQUARE,
    SingleCause,
    SingleCauses,
    not_yet_measured,
    pairwise_chi_squares,
)
from kinematics.uncertainty.correction import SetupEstimate
from kinematics.uncertainty.features import Feature, PartModel, part_model
from kinematics.uncertainty.inspection import SEATING, MeasuredDeviation, measured_parts
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.sources import UncertaintySource
from kinematics.validation import as_count, as_instance, as_positive

__all__ = [
    "AddedPoses",
    "NextFeature",
    "NextPlace",
    "added_poses",
    "line_information",
    "next_feature",
    "next_place",
]

_RULES_OUT = 4.0
"""Standard uncertainties of a measurement that rule out a pair of causes."""


@dataclass(frozen=True)
class NextFeature(DeclaredFields):
    """The feature whose measurement would tell rival causes apart best.

    Attributes
    ----------
    feature : int
        Its place among the part model's features.
    expected_mm : tuple of float
        For each rival, how far the feature would be off: along its direction, or of a position the length.
    separation : float
        Of the two rivals that it separates least: the difference in standard uncertainties.
    left : float
        Rivals to expect beside the right one after it; with a single rival, the pairs of causes it would not rule out.
    """

    feature: int
    expected_mm: tuple[float, ...]
    separation: float
    left: float


def next_feature(causes: SingleCauses, u_mm: float | None = None) -> NextFeature | None:
    """Find the feature to measure next.

    Parameters
    ----------
    causes : SingleCauses
    u_mm : float, optional
        Standard uncertainty of the measurement to come; the median of those made where left out.

    Returns
    -------
    NextFeature or None
        With one rival and no pair of causes that would explain as much: None. Likewise where no feature would tell any
        of them apart.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> from kinematics.uncertainty import correct_jointly, single_causes
    >>> causes = single_causes(correct_jointly(measured, [height]), [height])
    >>> next_feature(causes) is None   # no other cause explains as much
    True
    >>> next_feature(causes, u_mm=-0.003)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: u: expected more than 0, found -0.003
    """
    as_instance(causes, SingleCauses, "causes")
    rivals, measured = causes.rivals, causes.joint.measured
    u = float(np.median(measured.u_mm)) if u_mm is None else as_positive(u_mm, "u")
    if len(rivals) < 2:
        return _against_pairs(causes, u)
    best: NextFeature | None = None
    for feature in range(len(measured.part.features)):
        more = not_yet_measured(measured, feature, u)
        if not more:
            continue
        found = _separated(causes, rivals, more)
        if found is not None and (best is None or found.left < best.left):
            best = found
    return None if best is None or best.left > len(rivals) - 1 - 0.1 else best


def _against_pairs(causes: SingleCauses, u_mm: float) -> NextFeature | None:
    """The feature that would rule out most pairs of causes, if the best single one is the truth."""
    measured, pairs = causes.joint.measured, causes.pairs
    if not pairs:
        return None
    # Where no single cause explains the deviations, the likeliest pair stands for the truth.
    best = causes.rivals[0] if causes.rivals else None
    found: tuple[int, float, NextFeature] | None = None
    for feature in range(len(measured.part.features)):
        more = not_yet_measured(measured, feature, u_mm)
        if not more:
            continue
        rows = measured_parts(measured.part, more)
        others = np.array(
            [
                rows.jacobian[:, one.first.column] * one.values[0]
                + rows.jacobian[:, one.second.column] * one.values[1]
                for one in pairs
            ]
        )
        expected = others[0] if best is None else rows.jacobian[:, best.column] * best.value
        away = np.linalg.norm(others - expected, axis=1) / np.sqrt(
            rows.noise(causes.sources).diagonal().max()
        )
        ruled = int((away > _RULES_OUT).sum())
        length = float(expected[0]) if len(expected) == 1 else float(np.linalg.norm(expected))
        told = NextFeature(feature, (length,), float(np.median(away)), float(len(pairs) - ruled))
        if found is None or (ruled, told.separation) > found[:2]:
            found = (ruled, told.separation, told)
    return found[2] if found is not None and found[0] else None


def _separated(
    causes: SingleCauses, rivals: Sequence[SingleCause], more: Sequence[MeasuredDeviation]
) -> NextFeature | None:
    """Value of measuring a feature: the chi-square that each rival would have if another were the truth."""
    from scipy import special

    measured = causes.joint.measured
    whole = measured_parts(measured.part, [*measured.deviations, *more])
    apart = pairwise_chi_squares(causes, rivals, whole)
    np.fill_diagonal(apart, np.inf)
    finite = np.where(np.isinf(apart), 1.0, apart)
    size = np.sqrt(np.clip(finite, 1e-12, None))
    confused = np.where(np.isinf(apart), 0.0, special.ndtr((DISTINCT_CHI_SQUARE - finite) / (2.0 * size)))
    columns, values = [one.column for one in rivals], np.array([one.value for one in rivals])
    expected = whole.jacobian[len(measured.deviations) :, columns] * values
    lengths = expected[0] if len(expected) == 1 else np.linalg.norm(expected, axis=0)
    return NextFeature(
        more[0].feature,
        tuple(lengths.tolist()),
        float(np.sqrt(max(0.0, float(apart.min())))),
        float(confused.sum() / len(rivals)),
    )


@dataclass(frozen=True, eq=False)
class NextPlace(DeclaredFields):
    """A place on the part that no feature stands for yet, and the direction in which it should be measured.

    Attributes
    ----------
    operation : int
        The operation that cuts it.
    at_mm, along : ndarray, shape (3,)
        In the operation's own coordinates.
    expected_mm : ndarray, shape (n,)
        How far it would be off along the direction by each explanation.
    apart : ndarray, shape (n, n)
        By how many standard uncertainties it tells each two of them apart.
    """

    operation: int
    at_mm: Array
    along: Array
    expected_mm: Array
    apart: Array


@takes_declared()
def next_place(
    part: PartModel,
    explanations: Sequence[SetupEstimate],
    sources: Sequence[UncertaintySource],
    places: Sequence[tuple[int, Array]],
    u_mm: float,
) -> NextPlace | None:
    """Find the place to measure next, where no feature of the part tells explanations of its deviations apart.

    Parameters
    ----------
    part : PartModel
    explanations : sequence of SetupEstimate
        The likeliest first.
    sources : sequence of UncertaintySource
        The part seats by these.
    places : sequence of (operation, at in its own coordinates)
        Where one could measure: along the operation's Z, X and Y each.
    u_mm : float
        Standard uncertainty of the measurement to come.

    Returns
    -------
    NextPlace or None
        The one that tells most of them apart, and those best; None where none tells any two apart.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_measured
    >>> measured, height = example_measured()
    >>> from kinematics.uncertainty import correct_jointly
    >>> estimate = correct_jointly(measured, [height]).estimate   # the post is 0.032 taller
    >>> next_place(measured.part, [estimate], [height], [(0, [0, 0, -5])], 0.003) is None   # one explanation: nothing to tell apart
    True
    >>> next_place(measured.part, [estimate], [height], [0], 0.003)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: places: expected a list of pairs (a whole number; numbers), found [0]
    """
    as_positive(u_mm, "u")
    if len(explanations) < 2 or not places:
        return None
    axes = np.eye(3)[[2, 0, 1]]
    given = [
        Feature(f"{k}", operation, at, along)
        for k, (operation, at, along) in enumerate((*place, along) for place in places for along in axes)
    ]
    wanted = part_model(part.model, given)
    rows = wanted.jacobian
    seated = np.full(len(rows), u_mm**2)
    for source in sources:
        if source.kind in SEATING:
            own = rows[:, wanted.model.columns(source)]
            seated += np.einsum("kn,nm,km->k", own, source.covariance, own)
    expected, variance = [], []
    for one in explanations:
        # Columns before the axis positions are the same; those stand for other places of the axes with other points.
        moved = [quantity.kind != "axis position" for quantity in one.quantities]
        own = rows[:, one.columns[moved]]
        expected.append(own @ one.values[moved])
        variance.append(
            np.einsum("kn,nm,km->k", own, one.covariance[np.ix_(moved, moved)], own, optimize=True)
        )
    value, spread = np.array(expected), np.array(variance)
    away = np.abs(value[:, None] - value[None]) / np.sqrt(seated + spread[:, None] + spread[None])
    first, second = np.triu_indices(len(value), 1)
    # What is told apart well is told apart: a wider gap between two is worth less than one between two more.
    worth = np.minimum(away[first, second], _RULES_OUT).sum(axis=0)
    best = int(
        np.lexsort((np.arange(len(rows)), -away[first, second].max(axis=0).round(6), -worth.round(6)))[0]
    )
    if away[:, :, best].max() < _RULES_OUT:
        return None
    operation, at_mm = places[best // 3]
    return NextPlace(operation, np.asarray(at_mm), axes[best % 3], value[:, best], away[:, :, best])


_STEP_DEG = 30.0


@dataclass(frozen=True, eq=False)
class AddedPoses(DeclaredFields):
    """A few poses more at one tilt, and what they would be worth.

    Attributes
    ----------
    tilt_deg : float
        Machine angle of the first rotary.
    poses_deg : ndarray, shape (m, n)
    budget : PartBudget
        With their readings added to the last calibration.
    """

    tilt_deg: float
    poses_deg: NDArray[np.float64]
    budget: PartBudget


@takes_declared()
def line_information(
    machine: Machine, targets: Sequence[PlannedTarget], poses_deg: Array, sigma_mm: float
) -> Array:
    """The information that readings at poses would give on the rotaries' lines, targets eliminated.

    Parameters
    ----------
    machine : Machine
    targets : sequence of PlannedTarget
        New ones: where they stand is unknown before.
    poses_deg : ndarray, shape (m, n)
        Machine angles; a target counts at a pose where it can be read.
    sigma_mm : float
        The probe's standard uncertainty per coordinate.

    Returns
    -------
    ndarray, shape (4n, 4n)
        The inverse of a covariance where that exists: of two shifts (mm) and two tilts (degrees) of each line.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> ball = PlannedTarget("ball", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> turns = [[0, 0], [0, 90], [0, 180], [0, 270]]
    >>> information = line_information(part.model.machine, [ball], turns, 0.002)
    >>> [round(one) for one in information.diagonal()[4:6]]   # four readings on where C is: 4 / 0.002^2; on A, none
    [1000000, 1000000]
    >>> line_information(part.model.machine, [], turns, 0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: plan: expected at least one target, found none
    """
    seen = expand_mask(targets, is_accessible(machine, targets, poses_deg))
    each = pose_information(planned_readings(machine, targets, poses_deg), seen, machine, sigma_mm)
    lines = each.lines
    whole = each.by_pose.sum(axis=0)
    own = whole[lines:, lines:] + each.prior[lines:, lines:]
    across = whole[:lines, lines:]
    left = whole[:lines, :lines] - across @ np.linalg.solve(own, across.T)
    lever = np.radians(1.0) * each.lever_mm
    scale = np.tile([1.0, 1.0, lever, lever], len(machine.rotaries)) / sigma_mm
    information = left * np.outer(scale, scale)
    return np.asarray(0.5 * (information + information.T))


@takes_declared()
def added_poses(
    part: PartModel,
    sources: Sequence[UncertaintySource],
    targets: Sequence[PlannedTarget],
    sigma_mm: float,
    count: int = 6,
) -> tuple[AddedPoses, ...]:
    """For each tilt, the budget with so many more poses there probed and put into the last calibration.

    Parameters
    ----------
    part : PartModel
    sources : sequence of UncertaintySource
        One of them a calibration.
    targets : sequence of PlannedTarget
    sigma_mm : float
    count : int
        Poses at each tilt, the other rotaries going round.

    Returns
    -------
    tuple of AddedPoses
        For every tilt at which that many poses can be read, a grid of 30 degrees.

    Raises
    ------
    KinematicsError
        When no source is a calibration: without one there is nothing to add to.

    Notes
    -----
    Derived here: independent sessions add their information, C' = (C^-1 + I)^-1 = C (1 + I C)^-1, which also holds
    where the first session determined nothing and C has no inverse.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> from kinematics.calibration import PlannedTarget, TargetKind
    >>> ball = PlannedTarget("ball", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> lines = [one for one in part.model.quantities if one.kind.startswith("line")]
    >>> fit = UncertaintySource("calibration", "", lines, 1e-4 * np.eye(len(lines)))
    >>> [one.tilt_deg for one in added_poses(part, [height, fit], [ball], 0.002)]
    [-90.0, -60.0, -30.0, 0.0, 30.0]
    >>> added_poses(part, [height], [ball], 0.002)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: added poses: expected a calibration among the sources, found none
    """
    as_count(count, "poses")
    place = next((k for k, one in enumerate(sources) if one.kind == "calibration"), None)
    if place is None:
        raise KinematicsError("added poses: expected a calibration among the sources, found none")
    machine, source = part.model.machine, sources[place]
    lines = 4 * len(machine.rotaries)
    poses = candidate_poses(machine, _STEP_DEG)
    readable = is_accessible(machine, targets, poses).any(axis=1)
    found = []
    for tilt in np.unique(poses[readable, 0]).tolist():
        at = poses[readable & (poses[:, 0] == tilt)]
        if len(at) < min(count, len(poses[poses[:, 0] == tilt])):
            continue
        chosen = at[np.unique(np.linspace(0, len(at) - 1, count).round().astype(int))]
        information = np.zeros_like(source.covariance)
        information[:lines, :lines] = line_information(machine, targets, chosen, sigma_mm)
        count_all = len(source.covariance)
        covariance = source.covariance @ np.linalg.inv(np.eye(count_all) + information @ source.covariance)
        better = replace(source, covariance=0.5 * (covariance + covariance.T))
        found.append(
            AddedPoses(tilt, chosen, part_budget(part, [*sources[:place], better, *sources[place + 1 :]]))
        )
    return tuple(found)
