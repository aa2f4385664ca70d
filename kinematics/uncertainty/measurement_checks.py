"""Checks of the measurement itself: one value against the others, a sign, inch for millimetre, another datum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from kinematics.constants import MM_PER_INCH
from kinematics.uncertainty.causes import best_chance
from kinematics.uncertainty.correction import JointCorrection, correct_jointly
from kinematics.uncertainty.inspection import MeasuredDeviation, MeasuredParts, measured_parts
from kinematics.uncertainty.sources import UncertaintySource

__all__ = ["MeasurementBlunder", "measurement_blunders"]

Slip = Literal["too large by 25.4", "too small by 25.4", "sign", "datum", "value"]

_UNEXPLAINED = 1e-3
"""Below this probability the deviations fit nothing that is stated, and no single cause."""

_EXPLAINED = 0.05
"""From this probability on they fit once a slip is taken back."""

_FAR = 5.0
"""Standard uncertainties beyond which a unit is suspected."""

_MOST_ROWS, _FEW_ROWS, _MANY = 12, 4, 100
"""Rows looked at one by one: those that stand farthest from what the others let expect; fewer where there are many."""


@dataclass(frozen=True)
class MeasurementBlunder:
    """A slip in the measurement that would explain deviations which nothing else does.

    Attributes
    ----------
    slip : str
        "too large by 25.4" or "too small by 25.4" (inch for millimetre), "sign", "datum" (measured against another one)
        or "value" (this one stands against all others).
    rows : tuple of int
        The deviations that have it.
    p : float
        The probability of the deviations with it taken back: by what is stated, or by the best single cause.
    datum : int or None
        Of another datum: the feature; None for the part as clamped.
    """

    slip: Slip
    rows: tuple[int, ...]
    p: float
    datum: int | None = None


def measurement_blunders(
    measured: MeasuredParts, sources: Sequence[UncertaintySource]
) -> tuple[MeasurementBlunder, ...]:
    """Look for a slip in the measurement, where nothing else explains the deviations.

    Parameters
    ----------
    measured : MeasuredParts
    sources : sequence of UncertaintySource

    Returns
    -------
    tuple of MeasurementBlunder
        The likeliest first; none where the deviations are explained, by what is stated or by a single cause. A slip in
        fewer values comes before one in more. A sign lost in one value is looked for, too, where only a cause beside what
        is stated explains the deviations: features that contradict each other at one place need a lean to do so.
    """
    joint = correct_jointly(measured, sources)
    if _chance(joint, sources) >= _UNEXPLAINED:
        return _lost_signs(joint, sources)
    standing = _standing_out(joint, sources)
    for subsets in (standing, None, _shared(measured, standing)):
        found: list[MeasurementBlunder] = []
        if subsets is None:
            found = [*_single_values(measured, sources, standing)]
        for rows in subsets or ():
            for back, slip, datum in _slips(measured, rows, standing, far=_far(joint, rows, sources)):
                chance = _chance(correct_jointly(back, sources), sources)
                if chance >= _EXPLAINED:
                    found.append(MeasurementBlunder(slip, rows, chance, datum))
        if found:
            return tuple(sorted(found, key=lambda one: -one.p))
    return ()


def _chance(
    joint: JointCorrection, sources: Sequence[UncertaintySource], *, alone_only: bool = False
) -> float:
    """The probability of the deviations by all that is stated, or by the best single cause where enough was measured.

    With `alone_only` that cause has all else exact.
    """
    chance = max(joint.budget_p, joint.noise_p)
    if chance < _EXPLAINED and joint.dof >= _FEW_ROWS:
        chance = max(chance, best_chance(joint, sources, alone_only=alone_only))
    return chance


def _lost_signs(
    joint: JointCorrection, sources: Sequence[UncertaintySource]
) -> tuple[MeasurementBlunder, ...]:
    """Single values that, turned round, leave nothing to explain but what is stated or one cause by itself."""
    measured = joint.measured
    if joint.dof < _FEW_ROWS or _chance(joint, sources, alone_only=True) >= _UNEXPLAINED:
        return ()
    found = []
    for rows in _standing_out(joint, sources):
        one = measured.deviations[rows[0]]
        if abs(one.deviation_mm) < _FAR * one.u_mm:
            continue
        turned = correct_jointly(_scaled(measured, rows, -1.0), sources)
        chance = _chance(turned, sources, alone_only=True)
        if chance >= _EXPLAINED:
            found.append(MeasurementBlunder("sign", rows, chance))
    return tuple(sorted(found, key=lambda one: -one.p))


def _standing_out(joint: JointCorrection, sources: Sequence[UncertaintySource]) -> list[tuple[int, ...]]:
    """The rows that stand farthest from what all the others let expect, by standard uncertainties."""
    measured = joint.measured
    inverse = np.linalg.inv(measured.noise(sources) + joint.prior.spread(measured))
    left = inverse @ joint.prior.left_mm(measured)
    away = np.abs(left) / np.sqrt(np.diag(inverse))
    most = _MOST_ROWS if joint.dof <= _MANY else _FEW_ROWS
    return [(int(k),) for k in np.argsort(-away, kind="stable")[:most]]


def _far(joint: JointCorrection, rows: tuple[int, ...], sources: Sequence[UncertaintySource]) -> bool:
    """True where deviations are together some five times what is stated: divided by 25.4, any would look right."""
    measured, prior, which = joint.measured, joint.prior, list(rows)
    jacobian = measured.jacobian[which][:, prior.columns]
    expected = np.einsum("kn,nm,km->k", jacobian, prior.covariance, jacobian, optimize=True)
    spread = expected + measured.noise(sources).diagonal()[which]
    return bool(np.square(measured.excess_mm[which]).sum() > _FAR**2 * spread.sum())


def _shared(measured: MeasuredParts, standing: Sequence[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """What may share a slip: a feature on one part, a direction, a part, each of a row that stands out; everything."""
    given = measured.deviations
    keys: list[list[object]] = [
        [(one.feature, one.serial) for one in given],
        [tuple(np.round(one.along, 6).tolist()) for one in given],
        [one.serial for one in given],
        [0 for _ in given],
    ]
    groups = [
        tuple(k for k, one in enumerate(key) if one == value)
        for key in keys
        for value in dict.fromkeys(key[row] for (row,) in standing)
    ]
    return [rows for rows in dict.fromkeys(groups) if len(rows) > 1 or len(given) == 1]


def _slips(
    measured: MeasuredParts, rows: tuple[int, ...], standing: Sequence[tuple[int, ...]], *, far: bool
) -> Iterator[tuple[MeasuredParts, Slip, int | None]]:
    """The deviations with each slip of these rows taken back; `far` where they are larger than anything lets expect."""
    every = len(rows) == len(measured.deviations)
    if far and (every or len(measured.deviations) >= 3):
        yield _scaled(measured, rows, 1.0 / MM_PER_INCH), "too large by 25.4", None
    if len(measured.deviations) >= 3 and not every:
        yield _scaled(measured, rows, MM_PER_INCH), "too small by 25.4", None
        yield _scaled(measured, rows, -1.0), "sign", None
    if every:
        if (measured.datum_point >= 0).any():
            yield _against(measured, None), "datum", None
        # What serves as a datum on the drawing, and what stands out: it would if all else were measured from it.
        drawn = [
            point for point in measured.part.datum_point.tolist() if 0 <= point < len(measured.part.features)
        ]
        out = [measured.deviations[row].feature for (row,) in standing]
        for feature in list(dict.fromkeys([*drawn, *out]))[:_MOST_ROWS]:
            if any(feature not in (one.datum, one.feature) for one in measured.deviations):
                yield _against(measured, feature), "datum", feature


def _scaled(measured: MeasuredParts, rows: tuple[int, ...], factor: float) -> MeasuredParts:
    changed = list(measured.deviations)
    for k in rows:
        changed[k] = replace(changed[k], deviation_mm=changed[k].deviation_mm * factor)
    return replace(measured, deviations=tuple(changed))


def _against(measured: MeasuredParts, datum: int | None) -> MeasuredParts:
    """All deviations as if they were measured against another datum."""

    def moved(one: MeasuredDeviation) -> MeasuredDeviation:
        return replace(one, datum=None if one.feature == datum else datum)

    return measured_parts(measured.part, [moved(one) for one in measured.deviations])


def _single_values(
    measured: MeasuredParts, sources: Sequence[UncertaintySource], standing: Sequence[tuple[int, ...]]
) -> Iterator[MeasurementBlunder]:
    """Values without which all the others are explained; none where there are too few to say so."""
    if len(measured.deviations) < 4:
        return
    chances: list[tuple[int, float]] = []
    for (k,) in standing:
        dropped = np.zeros(len(measured.deviations), dtype=bool)
        dropped[k] = True
        chances.append((k, _chance(correct_jointly(measured.without(dropped), sources), sources)))
    explained = [one for one in chances if one[1] >= _EXPLAINED]
    # Where leaving out any of several values helps, none of them stands alone against the others.
    if len(explained) == 1:
        ((k, chance),) = explained
        yield MeasurementBlunder("value", (k,), chance)
