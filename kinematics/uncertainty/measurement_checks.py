"""Checks of the measurement itself: one value against the others, a sign, inch for millimetre, another datum."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.uncertainty.explanations import EXPLAINED, Explanations
from kinematics.uncertainty.inspection import MeasuredDeviation, MeasuredParts, measured_parts
from kinematics.uncertainty.sources import UncertaintySource

__all__ = ["MeasurementBlunder", "measurement_blunders"]

Slip = Literal["too large by 25.4", "too small by 25.4", "sign", "exchanged", "datum", "value"]

_UNEXPLAINED = 1e-3
"""Below this probability the deviations fit nothing that is stated, and no single cause."""

_FAR = 5.0
"""Standard uncertainties beyond which a unit is suspected."""

_FAR_LIKELIER = float(np.log(100.0))
"""Logarithm of how many times likelier the deviations must be without a slip: one seldom happens."""

_ANYWHERE_MM = 1.0
"""A value that was misread may be as far off."""

_MOST_EXCHANGED = 50
"""Exchanges looked at closely: those that would explain the deviations best."""

_TOO_GOOD = 1.0 - 1e-3
"""Beyond this probability figures divided by 25.4 scatter less than any measurement does."""

_ROWS_A_SLIP = 5
"""Several slips are believed in no more than one of so many values: turned and scaled often enough, any figures fit."""

_MOST_ROWS, _FEW_ROWS, _MANY = 12, 4, 100
"""Rows looked at one by one: those that stand farthest from what the others let expect; fewer where there are many."""


@dataclass(frozen=True)
class MeasurementBlunder(DeclaredFields):
    """A slip in the measurement that would explain deviations which nothing else does.

    Attributes
    ----------
    slip : str
        "too large by 25.4" or "too small by 25.4" (inch for millimetre), "sign", "exchanged" (two features, each with the
        other's figures), "datum" (measured against another one) or "value" (this one stands against all others).
    rows : tuple of int
        The deviations that have it.
    p : float
        The probability of the deviations with it taken back: by what is stated, or by the best single cause.
    datum : int or None
        Of another datum: the feature; None for the part as clamped.
    together : bool
        True where this is one of several slips at once: none of them explains the deviations by itself.
    """

    slip: Slip
    rows: tuple[int, ...]
    p: float
    datum: int | None = None
    together: bool = False


@takes_declared()
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
        fewer values comes before one in more. A sign lost in one value, or two features exchanged, are named where the
        deviations are explained, too, but would be far likelier without: features that contradict each other at one place
        need a lean to do so, or several things off at once.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> from kinematics.uncertainty import MeasuredDeviation, measured_parts
    >>> rows = [MeasuredDeviation(0, [0, 0, 1], -0.05, 0.003), MeasuredDeviation(1, [0, -1, 0], -0.05, 0.003)]
    >>> measurement_blunders(measured_parts(part, rows), [height])   # they agree
    ()
    >>> measurement_blunders(rows, [height])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: measured: expected a MeasuredParts, found [MeasuredDeviation(feature=0, along=array([0., 0., 1.]), ...
    """
    known = Explanations(measured, tuple(sources))
    excess = measured.excess_mm
    standing = _standing_out(known)
    if known.chances(excess[:, None])[0] >= _UNEXPLAINED:
        return tuple(
            doubt
            for _, _, doubt in _likelier(known, [*_signs(measured, standing), *_exchanges(known, standing)])
        )
    found = _explained(known, [slip for rows in standing for slip in _slips(known, rows, standing)])
    exchanged = _likelier(known, list(_exchanges(known, standing)))
    others = [*(slip for slip, _ in found), *(_misread(known, rows) for rows in standing)]
    if exchanged and all(slip.likely(known) < exchanged[0][0] for slip in others):
        return tuple(doubt for _, _, doubt in exchanged)
    alone = [doubt for _, doubt in found] or list(_single_values(known, standing))
    if not alone:
        shared = [slip for rows in _shared(measured, standing) for slip in _slips(known, rows, standing)]
        found = _explained(known, shared)
        several, likely = _several(known, standing)
        if not several:
            several, likely = _several(known, standing, misread=True)
        if several and all(slip.likely(known) < likely for slip, _ in found):
            return several
        alone = [doubt for _, doubt in found]
    return tuple(sorted(alone, key=lambda one: -one.p))


def _several(
    known: Explanations, standing: Sequence[tuple[int, ...]], *, misread: bool = False
) -> tuple[tuple[MeasurementBlunder, ...], float]:
    """Slips in several values, taken back one after the other, and how likely the deviations are then.

    No slip where the deviations are not explained at the end. With `misread`, values count that were anything else as well.
    """
    most = len(known.measured.deviations) // _ROWS_A_SLIP
    back, found = known, list[_TakenBack]()
    while len(found) < most:
        taken = {row for one in found for row in one.rows}
        left = [rows for rows in standing if rows[0] not in taken]
        slips = [slip for rows in left for slip in _slips(back, rows, standing)]
        slips += [_misread(back, rows) for rows in left if misread]
        if not slips:
            break
        figures = [back.measured.excess_mm, *(one.excess_mm for one in slips)]
        as_found, *each = back.evidence(np.column_stack(figures)).tolist()
        each = [one - slip.unlikely for one, slip in zip(each, slips, strict=True)]
        likeliest = int(np.argmax(each))
        if each[likeliest] - as_found < _FAR_LIKELIER:
            break
        found.append(slips[likeliest])
        back = back.with_figures(found[-1].back)
        chance = float(back.chances(back.measured.excess_mm[:, None])[0])
        if chance >= EXPLAINED:
            many = len(found) > 1
            doubts = tuple(MeasurementBlunder(one.slip, one.rows, chance, together=many) for one in found)
            # Each may have happened in any row.
            unlikely = len(found) * (_FAR_LIKELIER + float(np.log(len(figures[0]))))
            return doubts, each[likeliest] - unlikely - sum(one.unlikely for one in found[:-1])
        standing = _standing_out(back)
    return (), -np.inf


def _misread(known: Explanations, rows: tuple[int, ...]) -> _TakenBack:
    """A value replaced by what all the others let expect: it may have been anything, and that costs likelihood."""
    measured, (row,) = known.measured, rows
    inverse = known.whole_inverse
    spread = float(inverse[row, row]) ** -0.5
    figures = np.array([one.deviation_mm for one in measured.deviations])
    figures[row] -= spread**2 * float(inverse[row] @ known.left(measured.excess_mm))
    anything = float(np.log(2.0 * _ANYWHERE_MM / (np.sqrt(2.0 * np.pi) * spread)))
    return _TakenBack("value", rows, _with_figures(measured, figures), unlikely=max(anything, 0.0))


def _signs(measured: MeasuredParts, standing: Sequence[tuple[int, ...]]) -> Iterator[_TakenBack]:
    """Signs lost in single values that are no mere scatter."""
    if len(measured.deviations) >= _FEW_ROWS:
        for rows in standing:
            if abs(measured.deviations[rows[0]].deviation_mm) >= _FAR * measured.u_mm[rows[0]]:
                yield _TakenBack("sign", rows, _scaled(measured, rows, -1.0))


def _exchanges(known: Explanations, standing: Sequence[tuple[int, ...]]) -> Iterator[_TakenBack]:
    """Two features of one part, one of which stands out, each with the other's figures: those that would be explained."""
    measured = known.measured
    given = measured.deviations
    if len(given) < _FEW_ROWS:
        return
    of_feature: dict[tuple[str, int], list[int]] = {}
    for k, one in enumerate(given):
        of_feature.setdefault((one.serial, one.feature), []).append(k)
    out = dict.fromkeys((given[k].serial, given[k].feature) for (k,) in standing)
    pairs = {
        tuple(sorted((first, second)))
        for first in out
        for second in of_feature
        if first != second and first[0] == second[0] and len(of_feature[first]) == len(of_feature[second])
    }
    figures = np.array([one.deviation_mm for one in given])
    exchanged = []
    for first, second in sorted(pairs):
        order = np.arange(len(given))
        order[of_feature[first]], order[of_feature[second]] = of_feature[second], of_feature[first]
        if np.abs(figures[order] - figures).max() >= _FAR * measured.u_mm[of_feature[first]].min():
            exchanged.append(((*of_feature[first], *of_feature[second]), figures[order]))
    if not exchanged:
        return
    chances = known.chances(np.column_stack([one for _, one in exchanged]) - measured.nominal_mm[:, None])
    for k in np.argsort(-chances, kind="stable")[:_MOST_EXCHANGED].tolist():
        if chances[k] >= EXPLAINED:
            rows, other = exchanged[k]
            yield _TakenBack(
                "exchanged", rows, _with_figures(measured, other), unlikely=float(np.log(len(exchanged)))
            )


def _likelier(
    known: Explanations, slips: Sequence[_TakenBack]
) -> list[tuple[float, _TakenBack, MeasurementBlunder]]:
    """The slips without which the deviations are far likelier than they are, whatever explains them; the likeliest first."""
    found = _explained(known, slips)
    if not found:
        return []
    figures = [known.measured.excess_mm, *(slip.excess_mm for slip, _ in found)]
    as_found, *each = known.evidence(np.column_stack(figures)).tolist()
    likely = [
        (one - slip.unlikely - _FAR_LIKELIER, slip, doubt)
        for one, (slip, doubt) in zip(each, found, strict=True)
    ]
    return sorted((one for one in likely if one[0] > as_found), key=lambda one: -one[0])


def _standing_out(known: Explanations) -> list[tuple[int, ...]]:
    """The rows that stand farthest from what all the others let expect, by standard uncertainties."""
    inverse = known.whole_inverse
    left = inverse @ known.left(known.measured.excess_mm)
    away = np.abs(left) / np.sqrt(np.diag(inverse))
    most = _MOST_ROWS if len(left) <= _MANY else _FEW_ROWS
    return [(int(k),) for k in np.argsort(-away, kind="stable")[:most]]


def _far(known: Explanations, rows: tuple[int, ...]) -> bool:
    """True where deviations are together some five times what is stated: divided by 25.4, any would look right."""
    which = list(rows)
    spread = (known.noise + known.spread).diagonal()[which]
    return bool(np.square(known.measured.excess_mm[which]).sum() > _FAR**2 * spread.sum())


@dataclass(frozen=True, eq=False)
class _TakenBack:
    """The deviations with a slip taken back: other figures in the same rows, or the same ones against another datum.

    `unlikely` is the logarithm of the number of other ways in which it could have happened.
    """

    slip: Slip
    rows: tuple[int, ...]
    back: MeasuredParts
    datum: int | None = None
    unlikely: float = 0.0

    @property
    def excess_mm(self) -> NDArray[np.float64]:
        """As of `back`."""
        return self.back.excess_mm

    def explanations(self, known: Explanations) -> Explanations:
        """Explanations of the deviations with it taken back."""
        return (
            Explanations(self.back, known.sources) if self.slip == "datum" else known.with_figures(self.back)
        )

    def likely(self, known: Explanations) -> float:
        """Log likelihood of the deviations with it taken back, it counting as something that seldom happens."""
        found = float(self.explanations(known).evidence(self.excess_mm[:, None])[0])
        return found - self.unlikely - _FAR_LIKELIER


def _explained(
    known: Explanations, slips: Sequence[_TakenBack]
) -> list[tuple[_TakenBack, MeasurementBlunder]]:
    """The slips without which the deviations are explained, with the probability of the deviations then."""
    same = [one for one in slips if one.slip != "datum"]
    chances = known.chances(np.column_stack([one.excess_mm for one in same])).tolist() if same else []
    found = [
        *zip(same, chances, strict=True),
        *(
            (one, float(one.explanations(known).chances(one.excess_mm[:, None])[0]))
            for one in slips
            if one.slip == "datum"
        ),
    ]
    return [
        (one, MeasurementBlunder(one.slip, one.rows, chance, one.datum))
        for one, chance in found
        if EXPLAINED <= chance <= (_TOO_GOOD if one.slip == "too large by 25.4" else 1.0)
    ]


def _shared(measured: MeasuredParts, standing: Sequence[tuple[int, ...]]) -> list[tuple[int, ...]]:
    """Groups that may share a slip: a feature on one part, a direction, a part, each of a row that stands out; everything."""
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
    known: Explanations, rows: tuple[int, ...], standing: Sequence[tuple[int, ...]]
) -> Iterator[_TakenBack]:
    """Each slip that these rows may have, taken back."""
    measured = known.measured
    every, several = len(rows) == len(measured.deviations), len(measured.deviations) >= 3
    # Where they are no larger than something lets expect, a division by 25.4 would put anything right.
    if (every or several) and _far(known, rows):
        yield _TakenBack("too large by 25.4", rows, _scaled(measured, rows, 1.0 / MM_PER_INCH))
    if several and not every:
        yield _TakenBack("too small by 25.4", rows, _scaled(measured, rows, MM_PER_INCH))
        yield _TakenBack("sign", rows, _scaled(measured, rows, -1.0))
    if every:
        if (measured.datum_point >= 0).any():
            yield _TakenBack("datum", rows, _against(measured, None))
        # What serves as a datum on the drawing, and what stands out: it would if all else were measured from it.
        drawn = [
            point for point in measured.part.datum_point.tolist() if 0 <= point < len(measured.part.features)
        ]
        out = [measured.deviations[row].feature for (row,) in standing]
        for feature in list(dict.fromkeys([*drawn, *out]))[:_MOST_ROWS]:
            if any(feature not in (one.datum, one.feature) for one in measured.deviations):
                yield _TakenBack("datum", rows, _against(measured, feature), feature)


def _scaled(measured: MeasuredParts, rows: tuple[int, ...], factor: float) -> MeasuredParts:
    changed = np.array([one.deviation_mm for one in measured.deviations])
    changed[list(rows)] *= factor
    return _with_figures(measured, changed)


def _with_figures(measured: MeasuredParts, figures: NDArray[np.float64]) -> MeasuredParts:
    """The same rows with other deviations."""
    changed = tuple(
        one if one.deviation_mm == value else replace(one, deviation_mm=value)
        for one, value in zip(measured.deviations, figures.tolist(), strict=True)
    )
    return replace(measured, deviations=changed)


def _against(measured: MeasuredParts, datum: int | None) -> MeasuredParts:
    """All deviations as if they were measured against another datum."""

    def moved(one: MeasuredDeviation) -> MeasuredDeviation:
        return replace(one, datum=None if one.feature == datum else datum)

    return measured_parts(measured.part, [moved(one) for one in measured.deviations])


def _single_values(known: Explanations, standing: Sequence[tuple[int, ...]]) -> Iterator[MeasurementBlunder]:
    """Values without which all the others are explained; none where there are too few to say so."""
    excess = known.measured.excess_mm[:, None]
    if len(excess) < _FEW_ROWS:
        return
    chances = [(k, float(known.chances(excess, without=k)[0])) for (k,) in standing]
    explained = [one for one in chances if one[1] >= EXPLAINED]
    # Where leaving out any of several values helps, none of them stands alone against the others.
    if len(explained) == 1:
        ((k, chance),) = explained
        yield MeasurementBlunder("value", (k,), chance)
