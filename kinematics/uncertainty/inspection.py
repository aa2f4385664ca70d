"""Inspection of finished parts: deviations of features, with their derivatives by everything that could have caused them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.uncertainty.features import PartModel
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.sources import UncertaintySource
from kinematics.validation import (
    ValueEquality,
    as_instance,
    as_number,
    as_positive,
    as_vector,
    normalized,
    read_only,
)

__all__ = ["MeasuredDeviation", "MeasuredParts", "SeatingSpread", "measured_parts", "seating_spread"]

SEATING = ("part up", "part shift", "part turn", "part lean")
"""The kinds of quantities that are another's on the next part: how it seats."""


@dataclass(frozen=True, eq=False)
class MeasuredDeviation(ValueEquality, DeclaredFields):
    """One deviation that inspection found: where a feature is less where the drawing wants it.

    Attributes
    ----------
    feature : int
        Its place among the part model's features.
    along : ndarray, shape (3,)
        The direction of the deviation, part coordinates.
    deviation_mm : float
        Found less nominal.
    u_mm : float
        Standard uncertainty of the measurement.
    serial : str
        The part; deviations with the same serial are of one part, seated once.
    datum : "drawn", None or int
        What it was measured against: the drawing's datum, nothing but the part as clamped, or another feature.

    Raises
    ------
    KinematicsError
        When a number is not finite, the uncertainty is not more than 0, or the direction has no length.

    Examples
    --------
    >>> MeasuredDeviation(0, [0, 0, 2.0], 0.031, 0.003).along.tolist()
    [0.0, 0.0, 1.0]
    >>> MeasuredDeviation(0, [0, 0, 1], 0.031, 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: measured deviation, uncertainty: expected more than 0, found 0
    """

    feature: int
    along: Array
    deviation_mm: float
    u_mm: float
    serial: str = ""
    datum: int | Literal["drawn"] | None = "drawn"

    def __post_init__(self) -> None:
        along = normalized(as_vector(self.along, 3, "measured deviation, along"), "measured deviation, along")
        object.__setattr__(self, "along", read_only(along))
        object.__setattr__(self, "deviation_mm", as_number(self.deviation_mm, "measured deviation"))
        object.__setattr__(self, "u_mm", as_positive(self.u_mm, "measured deviation, uncertainty"))
        super().__post_init__()


@dataclass(frozen=True, eq=False)
class MeasuredParts(DeclaredFields):
    """Deviations of one or several parts, as rows of a linear model: deviation = nominal + jacobian x + noise.

    Attributes
    ----------
    part : PartModel
    deviations : tuple of MeasuredDeviation
        One for each of the K rows.
    jacobian : ndarray, shape (K, P)
        Derivatives of the deviations by the setup model's quantities; exact.
    nominal_mm : ndarray, shape (K,)
        The deviations with nothing off.
    point, datum_point : ndarray of int, shape (K,)
        Places among the setup model's points; a datum's is -1 where there is none.
    """

    part: PartModel
    deviations: tuple[MeasuredDeviation, ...]
    jacobian: Array
    nominal_mm: Array
    point: NDArray[np.int64]
    datum_point: NDArray[np.int64]

    @cached_property
    def excess_mm(self) -> Array:
        """Found less what would be found with nothing off, shape (K,)."""
        found = np.array([one.deviation_mm for one in self.deviations])
        return read_only(found - self.nominal_mm)

    @cached_property
    def u_mm(self) -> Array:
        """Standard uncertainties of the measurement, shape (K,)."""
        return read_only(np.array([one.u_mm for one in self.deviations]))

    @cached_property
    def along(self) -> Array:
        """Directions of the deviations, part coordinates, shape (K, 3)."""
        return read_only(np.array([one.along for one in self.deviations]).reshape(-1, 3))

    @cached_property
    def serials(self) -> tuple[str, ...]:
        """The parts, in the order in which they occur."""
        return tuple(dict.fromkeys(one.serial for one in self.deviations))

    @cached_property
    def features(self) -> tuple[int, ...]:
        """The features that were measured, ascending."""
        return tuple(sorted({one.feature for one in self.deviations}))

    def noise(self, sources: Sequence[UncertaintySource]) -> Array:
        """The covariance of what no offset can take out, shape (K, K): of the measurement, and of each part's seating."""
        found = np.diag(np.square(self.u_mm))
        seated = [source for source in sources if source.kind in SEATING]
        if seated:
            own = np.array([self.serials.index(one.serial) for one in self.deviations])
            spread = np.zeros_like(found)
            for source in seated:
                rows = self.jacobian[:, self.part.model.columns(source)]
                spread += rows @ source.covariance @ rows.T
            found += np.where(own[:, None] == own[None, :], spread, 0.0)
        return found


@takes_declared()
def measured_parts(part: PartModel, deviations: Sequence[MeasuredDeviation]) -> MeasuredParts:
    """Put measured deviations on a part model.

    Parameters
    ----------
    part : PartModel
    deviations : sequence of MeasuredDeviation

    Returns
    -------
    MeasuredParts

    Raises
    ------
    KinematicsError
        When there is no deviation, or one is of a feature that the part does not have.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> measured = measured_parts(part, [MeasuredDeviation(0, [0, 0, 1], -0.05, 0.03)])
    >>> measured.jacobian[:, part.model.columns(height)].tolist()   # on a taller post "face" is cut lower
    [[-1.0]]
    >>> measured_parts(part, [MeasuredDeviation(2, [0, 0, 1], -0.05, 0.03)])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: measured deviation: expected a feature from 0 to 1, found 2
    """
    count = len(part.features)
    given = tuple(as_instance(one, MeasuredDeviation, "measured deviations") for one in deviations)
    if not given:
        raise KinematicsError("measured deviations: expected one or more, found none")
    for one in given:
        for place in (one.feature, *([one.datum] if isinstance(one.datum, int) else [])):
            if not 0 <= place < count:
                raise KinematicsError(
                    f"measured deviation: expected a feature from 0 to {count - 1}, found {place}"
                )
    first = part.first[np.array([one.feature for one in given], dtype=np.int64)]
    point, normal = part.point[first], part.normal[first]
    datum, datum_normal = part.datum_point[first].copy(), part.datum_normal[first].copy()
    for k, one in enumerate(given):
        if one.datum is None:
            datum[k], datum_normal[k] = -1, 0.0
        elif one.datum != "drawn":
            row = part.first[one.datum]
            datum[k], datum_normal[k] = part.point[row], part.normal[row]
    along = np.array([one.along for one in given])
    jacobian = part.model.deviation_jacobian(point, along, normal)
    nominal = part.model.nominal_deviation(point, along)
    held = np.flatnonzero(datum >= 0)
    if held.size:
        jacobian[held] -= part.model.deviation_jacobian(datum[held], along[held], datum_normal[held])
        nominal[held] -= part.model.nominal_deviation(datum[held], along[held])
    return MeasuredParts(part, given, read_only(jacobian), read_only(nominal), point, datum)


@dataclass(frozen=True, eq=False)
class SeatingSpread(DeclaredFields):
    """Spread of the measured parts' seating along one of the part's axes.

    Attributes
    ----------
    kind : "part up" or "part shift"
    nest : str
    component : str
        "x" or "y" of a shift.
    u_mm : float
        Standard deviation from part to part, the measurement's own scatter taken off; 0 where that explains all of it.
    dof : int
        Degrees of freedom: parts less one.
    scatter_mm : float
        What the measurement alone would let these parts scatter.
    """

    kind: Literal["part up", "part shift"]
    nest: str
    component: str
    u_mm: float
    dof: int
    scatter_mm: float


def seating_spread(measured: MeasuredParts) -> tuple[SeatingSpread, ...]:
    """The spread from part to part along x, y and up, from deviations that were measured on every part.

    Parameters
    ----------
    measured : MeasuredParts

    Returns
    -------
    tuple of SeatingSpread
        Of the directions that the deviations determine; none with a single part.

    Notes
    -----
    Of each part the deviations less the mean over all parts are fitted by a shift of the part (weighted least squares,
    no prior); the variance of these shifts less that of the fit is the spread.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> rows = [MeasuredDeviation(0, [0, 0, 1], 0.05 * k, 0.03, serial=str(k)) for k in range(3)]
    >>> up = seating_spread(measured_parts(part, rows))[0]   # 0, 0.05 and 0.10 scatter by 0.05, the measurement by 0.03
    >>> up.kind, round(up.u_mm, 6), up.dof
    ('part up', 0.04, 2)
    >>> seating_spread(rows)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: measured: expected a MeasuredParts, found [MeasuredDeviation(feature=0, along=array([0., 0., 1.]), ...
    """
    as_instance(measured, MeasuredParts, "measured")
    count = len(measured.serials)
    if count < 2:
        return ()
    by_part: list[dict[tuple[object, ...], int]] = [{} for _ in range(count)]
    for row, one in enumerate(measured.deviations):
        key = (one.feature, one.datum, *np.round(one.along, 9).tolist())
        by_part[measured.serials.index(one.serial)][key] = row
    common = [key for key in by_part[0] if all(key in other for other in by_part[1:])]
    model = measured.part.model
    found: list[SeatingSpread] = []
    for nest in model.stacks:
        owner = nest or ""
        rows = np.array([[one[key] for key in common] for one in by_part], dtype=np.int64)
        mine = [
            k
            for k, row in enumerate(rows[0].tolist() if common else [])
            if model.operations[measured.part.features[measured.deviations[row].feature].operation].nest
            == nest
        ]
        if not mine:
            continue
        rows = rows[:, mine]
        wanted = [
            model.index("part shift", owner, "x"),
            model.index("part shift", owner, "y"),
            model.index("part up", owner),
        ]
        values, u = measured.excess_mm[rows], measured.u_mm[rows].mean(axis=0)
        centred = (values - values.mean(axis=0)) / u
        weighted = measured.jacobian[rows[0]][:, wanted] / u[:, None]
        solve = np.linalg.pinv(weighted, rcond=1e-6)
        determined = np.abs(solve @ weighted - np.eye(3)).max(axis=1) < 1e-6
        shifts = centred @ solve.T
        of_fit = np.square(solve).sum(axis=1)
        variance = np.square(shifts).sum(axis=0) / (count - 1)
        names: tuple[tuple[Literal["part up", "part shift"], str], ...] = (
            ("part shift", "x"),
            ("part shift", "y"),
            ("part up", ""),
        )
        for k, (kind, component) in enumerate(names):
            if determined[k]:
                spread = float(np.sqrt(max(0.0, variance[k] - of_fit[k])))
                found.append(
                    SeatingSpread(kind, owner, component, spread, count - 1, float(np.sqrt(of_fit[k])))
                )
    return tuple(found)
