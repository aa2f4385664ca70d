"""Gross errors of single readings against predicted positions: a sign lost, inches in one row, X and Y swapped.

A gross error in one row keeps an adjustment from settling, and then nothing names the row. The machine's own lines,
right to within millimetres, carry every reading of a target to one place; a row that lands far away is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.blunders.blunder import Blunder, CoordinateError
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.constants import MM_PER_INCH
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.validation import as_instance, normalized

__all__ = ["find_gross_errors"]

_FAR_MM = 20.0
"""mm from the others: a gross error. Chosen here: lines right to within millimetres carry no reading so far off."""
_NEAR_MM = 5.0
"""mm from the others: in agreement, or put right. Chosen here: lines off by millimetres part readings by as much."""
_TIMES = 10.0
"""Ratio: what is far is so many times as far as the rows that agree. Chosen here."""
_MOST_OFF = 0.4
"""Share of a target's rows that may be far off. Chosen here: a median is right while less than half are wrong."""
_FEWEST = 3
"""Readings of a target: of two that disagree neither is known to be the wrong one."""
_SIGNS = ((-1, 1, 1), (1, -1, 1), (1, 1, -1), (-1, -1, 1), (-1, 1, -1), (1, -1, -1), (-1, -1, -1))
_DECIMALS = (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001)
_PAIRS = ((0, 1), (0, 2), (1, 2))


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # what is not finite is no agreement
def find_gross_errors(readings: Readings, machine: Machine) -> tuple[Blunder, ...]:
    """Rows that one plain slip of the pen or the display explains; certain, since most other rows agree.

    Parameters
    ----------
    readings : Readings
    machine : Machine
        Its lines right to within millimetres.

    Returns
    -------
    tuple of Blunder
        Of the kinds "sign wrong", "inches in one row", "millimetres in one row", "decimal point slipped",
        "coordinates swapped" and "reading far off", each on top of those before it. A row far off that no slip explains is left out of the
        corrected readings.

    Raises
    ------
    KinematicsError
        When the readings do not match the machine's rotaries.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense, transform_points
    >>> from kinematics.calibration import readings_from_rows
    >>> c = RotaryAxis("C", [-100.0, -50.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=-350.0))
    >>> poses = [[0.0], [90.0], [180.0], [270.0]]
    >>> read = transform_points(mill, [-60.0, -50.0, -310.0], poses)
    >>> find_gross_errors(readings_from_rows(["ball"] * 4, ["ball 1"] * 4, poses, read), mill)
    ()
    >>> read[2, 2] = 310.0
    >>> (found,) = find_gross_errors(readings_from_rows(["ball"] * 4, ["ball 1"] * 4, poses, read), mill)
    >>> found.kind, found.rows, found.coordinates
    ('sign wrong', (3,), (CoordinateError(axis='Z', read_mm=310.0, expected_mm=-310.0),))
    >>> find_gross_errors("readings", mill)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: readings: expected a Readings, found 'readings'
    """
    as_instance(readings, Readings, "readings")
    as_instance(machine, Machine, "machine")
    readings.fits(machine)
    found: list[Blunder] = []
    swapped = _all_swapped(readings, machine)
    if swapped is not None:
        return (swapped,)
    off = _deviations_mm(readings, machine)
    rows = [int(i) for i in np.flatnonzero(off > _FAR_MM)]
    gone: list[int] = []
    for i in rows:
        one = _explained(readings, machine, i)
        if one is None:
            gone.append(i)
            continue
        found.append(one)
        readings = one.corrected
    rest = readings.only(np.setdiff1d(np.arange(len(readings)), gone))
    found += [_unexplained(readings, rest, machine, i) for i in gone]
    return tuple(found)


def _unexplained(readings: Readings, rest: Readings, machine: Machine, i: int) -> Blunder:
    """A row that no slip explains; without it there are `rest`."""
    name = readings.names[int(readings.target[i])]
    coordinates: tuple[CoordinateError, ...] = ()
    if readings.kinds[int(readings.target[i])] is TargetKind.BALL:
        coordinates = _errors(readings.points_mm[i], _expected_mm(readings, machine, i), (0, 1, 2))
    return Blunder(
        "reading far off",
        rest,
        machine,
        target=name,
        rows=(readings.row(i),),
        coordinates=coordinates,
        size_mm=_distance_mm(readings, machine, i),
    )


def _deviations_mm(readings: Readings, machine: Machine) -> NDArray[np.float64]:
    """Distance of each reading (N,) from where most of its target's lie; 0 where most do not agree."""
    off = np.zeros(len(readings))
    table = table_pose(machine, readings.angles_deg).inverse()
    where = table.apply(readings.points_mm)
    for t, kind in enumerate(readings.kinds):
        mine = np.flatnonzero(readings.target == t)
        if len(mine) < _FEWEST:
            continue
        away = _constrained(where[mine], kind, _direction(readings, machine, t))
        if away is None:
            continue
        size = np.linalg.norm(away - np.median(away, axis=0), axis=-1)
        near = float(np.quantile(size, 1.0 - _MOST_OFF))
        far = size > max(_FAR_MM, _TIMES * near)
        if near <= _NEAR_MM and far.sum() <= _MOST_OFF * len(mine):
            off[mine] = np.where(far, size, 0.0)
    return off


def _direction(readings: Readings, machine: Machine, t: int) -> NDArray[np.float64] | None:
    """Direction of an axis or a face at the all-zero pose; None where it is not known beforehand."""
    stated = readings.directions[t]
    if stated is not None:
        return stated
    if readings.kinds[t] is not TargetKind.FACE or readings.names[t].lower().startswith("platter"):
        last = machine.rotaries[-1].direction
        normal = machine.platter.normal
        return normalized(
            last if normal is None or readings.kinds[t] is not TargetKind.FACE else normal, "direction"
        )
    return None


def _constrained(
    where: NDArray[np.float64], kind: TargetKind, direction: NDArray[np.float64] | None
) -> NDArray[np.float64] | None:
    """The component of the points (k, 3) that a target of that kind constrains; None where it is not known."""
    if kind is TargetKind.BALL:
        return where
    if direction is None:
        return None
    along = (where @ direction)[:, None] * direction
    return along if kind is TargetKind.FACE else where - along


def _corrections(point: NDArray[np.float64]) -> Iterator[tuple[str, tuple[int, ...], NDArray[np.float64]]]:
    """A point corrected for each plain slip: the kind, the coordinates concerned, the point."""
    for sign in _SIGNS:
        changed = tuple(k for k in range(3) if sign[k] < 0)
        yield "sign wrong", changed, point * np.array(sign)
    for i, j in _PAIRS:
        other = point.copy()
        other[[i, j]] = other[[j, i]]
        yield "coordinates swapped", (i, j), other
    factors = [("inches in one row", MM_PER_INCH), ("millimetres in one row", 1.0 / MM_PER_INCH)]
    factors += [("decimal point slipped", factor) for factor in _DECIMALS]
    for kind, factor in factors:
        for changed in ((0, 1, 2), (0,), (1,), (2,)):
            other = point.copy()
            other[list(changed)] *= factor
            yield kind, changed, other


def _explained(readings: Readings, machine: Machine, i: int) -> Blunder | None:
    """The slip that brings a row back to the others and changes fewest coordinates; None where none does."""
    best: tuple[tuple[bool, int, float], str, tuple[int, ...], Readings] | None = None
    for kind, changed, point in _corrections(readings.points_mm[i]):
        points = np.array(readings.points_mm)
        points[i] = point
        corrected = replace(readings, points_mm=points)
        left = _distance_mm(corrected, machine, i)
        if left > _NEAR_MM:
            continue
        # All three at once in another unit is one slip, not three.
        count = 1 if len(changed) == 3 and "row" in kind else len(changed)
        # Within a millimetre one way fits as well as another: then the fewest coordinates changed.
        key = (left > 1.0, count, left)
        if best is None or key < best[0]:
            best = (key, kind, changed, corrected)
    if best is None:
        return None
    _, kind, changed, corrected = best
    t = int(readings.target[i])
    # A bore or a face constrains its points in part only: the corrected reading is what was expected there.
    ball = readings.kinds[t] is TargetKind.BALL
    expected = _expected_mm(readings, machine, i) if ball else corrected.points_mm[i]
    return Blunder(
        kind,
        corrected,
        machine,
        target=readings.names[t],
        rows=(readings.row(i),),
        coordinates=_errors(readings.points_mm[i], expected, changed),
    )


def _distance_mm(readings: Readings, machine: Machine, i: int) -> float:
    """Distance of reading i from the middle of its target's others."""
    t = int(readings.target[i])
    mine = np.flatnonzero(readings.target == t)
    where = table_pose(machine, readings.angles_deg[mine]).inverse().apply(readings.points_mm[mine])
    away = _constrained(where, readings.kinds[t], _direction(readings, machine, t))
    assert away is not None
    others = np.median(away[mine != i], axis=0)
    return float(np.linalg.norm(away[mine == i][0] - others))


def _expected_mm(readings: Readings, machine: Machine, i: int) -> NDArray[np.float64]:
    """Position (3,) of a ball at reading i, by the machine's lines and the ball's other readings."""
    mine = np.flatnonzero((readings.target == readings.target[i]) & (np.arange(len(readings)) != i))
    zero = table_pose(machine, readings.angles_deg).inverse().apply(readings.points_mm)
    return table_pose(machine, readings.angles_deg[i]).apply(np.median(zero[mine], axis=0))


def _errors(
    read: NDArray[np.float64], expected: NDArray[np.float64], changed: Sequence[int]
) -> tuple[CoordinateError, ...]:
    return tuple(CoordinateError("XYZ"[k], float(read[k]), float(expected[k])) for k in changed)


def _all_swapped(readings: Readings, machine: Machine) -> Blunder | None:
    """Two coordinates exchanged in every row: then nothing agrees as it stands, and everything once they are back."""
    before = _agreement_mm(readings, machine)
    if before < _FAR_MM:
        return None
    for i, j in _PAIRS:
        points = np.array(readings.points_mm)
        points[:, [i, j]] = points[:, [j, i]]
        corrected = replace(readings, points_mm=points)
        if _agreement_mm(corrected, machine) < min(_NEAR_MM, before / _TIMES):
            return Blunder("coordinates swapped", corrected, machine, axes=("XYZ"[i], "XYZ"[j]))
    return None


def _agreement_mm(readings: Readings, machine: Machine) -> float:
    """The median distance of readings from the middle of their target; infinite where nothing can be compared."""
    where = table_pose(machine, readings.angles_deg).inverse().apply(readings.points_mm)
    sizes = []
    for t, kind in enumerate(readings.kinds):
        mine = readings.target == t
        away = (
            _constrained(where[mine], kind, _direction(readings, machine, t))
            if mine.sum() >= _FEWEST
            else None
        )
        if away is not None:
            sizes.append(np.linalg.norm(away - np.median(away, axis=0), axis=-1))
    return float(np.median(np.concatenate(sizes))) if sizes else 0.0
