"""The feature to measure next: the one that would tell rival causes of a part's deviations apart best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.uncertainty.causes import (
    TOLD_APART,
    SingleCause,
    SingleCauses,
    chi_squares_apart,
    not_yet_measured,
)
from kinematics.uncertainty.inspection import MeasuredDeviation, measured_parts

__all__ = ["NextFeature", "next_feature"]

_RULES_OUT = 4.0
"""Standard uncertainties of a measurement that rule out a pair of causes."""


@dataclass(frozen=True)
class NextFeature:
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
    """
    rivals, measured = causes.rivals, causes.joint.measured
    u = float(np.median(measured.u_mm)) if u_mm is None else u_mm
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
    """What a feature's deviations would be worth: the chi-square that each rival would have if another were the truth."""
    from scipy import special

    measured = causes.joint.measured
    whole = measured_parts(measured.part, [*measured.deviations, *more])
    apart = chi_squares_apart(causes, rivals, whole)
    np.fill_diagonal(apart, np.inf)
    finite = np.where(np.isinf(apart), 1.0, apart)
    size = np.sqrt(np.clip(finite, 1e-12, None))
    confused = np.where(np.isinf(apart), 0.0, special.ndtr((TOLD_APART - finite) / (2.0 * size)))
    columns, values = [one.column for one in rivals], np.array([one.value for one in rivals])
    expected = whole.jacobian[len(measured.deviations) :, columns] * values
    lengths = expected[0] if len(expected) == 1 else np.linalg.norm(expected, axis=0)
    return NextFeature(
        more[0].feature,
        tuple(lengths.tolist()),
        float(np.sqrt(max(0.0, float(apart.min())))),
        float(confused.sum() / len(rivals)),
    )
