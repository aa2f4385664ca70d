"""Single readings against what the machine file foretells: a sign lost, inches in one row, X and Y swapped.

A gross error in one row keeps an adjustment from settling, and then nothing names the row. The machine's own lines,
right to within millimetres, carry every reading of a target to one place; a row that lands far away is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.blunders.blunder import Blunder
from kinematics.calibration.lengths import in_millimetres
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.constants import MM_PER_INCH
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.validation import normalized

__all__ = ["find_gross_errors"]

_FAR_MM = 20.0
"""mm from the others: a gross error. Chosen here: lines right to within millimetres carry no reading so far off."""
_NEAR_MM = 5.0
"""mm from the others: in agreement, or put right. Chosen here: lines off by millimetres part readings by as much."""
_TIMES = 10.0
"""Ratio: what is far is so many times as far as the rows that agree. Chosen here."""
_MOST_OFF = 0.4
"""Share of a target's rows that may be far off. Chosen here: a median tells the middle while less than half are."""
_FEWEST = 3
"""Readings of a target: of two that disagree neither is known to be the wrong one."""
_SIGNS = ((-1, 1, 1), (1, -1, 1), (1, 1, -1), (-1, -1, 1), (-1, 1, -1), (1, -1, -1), (-1, -1, -1))
_PAIRS = ((0, 1), (0, 2), (1, 2))


def find_gross_errors(readings: Readings, machine: Machine) -> tuple[Blunder, ...]:
    r"""Rows that one plain slip of the pen or the display explains; certain, since most other rows agree.

    Parameters
    ----------
    readings : Readings
    machine : Machine
        Its lines right to within millimetres.

    Returns
    -------
    tuple of Blunder
        Of the kinds "sign wrong", "inches in one row", "millimetres in one row", "coordinates swapped" and
        "reading far off", each on top of those before it. A row far off that no slip explains is left out of the
        mended readings.

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
    >>> [found.words for found in find_gross_errors(readings_from_rows(["ball"] * 4, ["ball 1"] * 4, poses, read), mill)]
    ['row 3 (ball 1): Z is 310.0\xa0mm, expected about -310.0\xa0mm: is the sign wrong?']
    """
    readings.fits(machine)
    found: list[Blunder] = []
    swapped = _all_swapped(readings, machine)
    if swapped is not None:
        return (swapped,)
    off = _off_mm(readings, machine)
    rows = [int(i) for i in np.flatnonzero(off > _FAR_MM)]
    gone: list[int] = []
    for i in rows:
        one = _explained(readings, machine, i)
        if one is None:
            gone.append(i)
            continue
        found.append(one)
        readings = one.mended
    kept = np.setdiff1d(np.arange(len(readings)), gone)
    for i in gone:
        words = f"{_where(readings, i)} {_said(readings, machine, i, (0, 1, 2))}"
        found.append(Blunder("reading far off", words, readings.only(kept), machine, rows=(readings.row(i),)))
    return tuple(found)


def _off_mm(readings: Readings, machine: Machine) -> NDArray[np.float64]:
    """How far each reading (N,) lies from where most of its target's lie; 0 where most do not agree."""
    off = np.zeros(len(readings))
    table = table_pose(machine, readings.angles_deg).inverse()
    where = table.apply(readings.points_mm)
    for t, kind in enumerate(readings.kinds):
        mine = np.flatnonzero(readings.target == t)
        if len(mine) < _FEWEST:
            continue
        away = _misses(where[mine], kind, _direction(readings, machine, t))
        if away is None:
            continue
        size = np.linalg.norm(away - np.median(away, axis=0), axis=-1)
        near = float(np.quantile(size, 1.0 - _MOST_OFF))
        far = size > max(_FAR_MM, _TIMES * near)
        if near <= _NEAR_MM and far.sum() <= _MOST_OFF * len(mine):
            off[mine] = np.where(far, size, 0.0)
    return off


def _direction(readings: Readings, machine: Machine, t: int) -> NDArray[np.float64] | None:
    """Of an axis or a face at the all-zero pose, where it is known beforehand."""
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


def _misses(
    where: NDArray[np.float64], kind: TargetKind, direction: NDArray[np.float64] | None
) -> NDArray[np.float64] | None:
    """What of the places (k, 3) a target of that kind fixes."""
    if kind is TargetKind.BALL:
        return where
    if direction is None:
        return None
    along = (where @ direction)[:, None] * direction
    return along if kind is TargetKind.FACE else where - along


def _mends(point: NDArray[np.float64]) -> Iterator[tuple[str, tuple[int, ...], NDArray[np.float64]]]:
    """A point put right in every plain way: the kind, the coordinates concerned, the point."""
    for sign in _SIGNS:
        changed = tuple(k for k in range(3) if sign[k] < 0)
        yield "sign wrong", changed, point * np.array(sign)
    for i, j in _PAIRS:
        other = point.copy()
        other[[i, j]] = other[[j, i]]
        yield "coordinates swapped", (i, j), other
    for kind, factor in (("inches in one row", MM_PER_INCH), ("millimetres in one row", 1.0 / MM_PER_INCH)):
        for changed in ((0, 1, 2), (0,), (1,), (2,)):
            other = point.copy()
            other[list(changed)] *= factor
            yield kind, changed, other


def _explained(readings: Readings, machine: Machine, i: int) -> Blunder | None:
    """The plain slip that brings a row back to the others, the one that changes fewest coordinates."""
    best: tuple[tuple[bool, int, float], str, tuple[int, ...], Readings] | None = None
    for kind, changed, point in _mends(readings.points_mm[i]):
        points = np.array(readings.points_mm)
        points[i] = point
        mended = replace(readings, points_mm=points)
        left = _left_mm(mended, machine, i)
        if left > _NEAR_MM:
            continue
        # All three at once in another unit is one slip, not three.
        count = 1 if len(changed) == 3 and "row" in kind else len(changed)
        # Within a millimetre one way fits as well as another: then the fewest coordinates changed.
        key = (left > 1.0, count, left)
        if best is None or key < best[0]:
            best = (key, kind, changed, mended)
    if best is None:
        return None
    _, kind, changed, mended = best
    ask = {
        "sign wrong": "is the sign wrong?" if len(changed) == 1 else "are the signs wrong?",
        "coordinates swapped": f"were {' and '.join('XYZ'[k] for k in changed)} swapped?",
        "inches in one row": "is it in inches?",
        "millimetres in one row": "is it in millimetres?",
    }[kind]
    words = f"{_where(readings, i)} {_said(readings, machine, i, changed, mended)}: {ask}"
    name = readings.names[int(readings.target[i])]
    return Blunder(kind, words, mended, machine, target=name, rows=(readings.row(i),))


def _left_mm(readings: Readings, machine: Machine, i: int) -> float:
    """How far reading i lies from the middle of its target's others."""
    t = int(readings.target[i])
    mine = np.flatnonzero(readings.target == t)
    where = table_pose(machine, readings.angles_deg[mine]).inverse().apply(readings.points_mm[mine])
    away = _misses(where, readings.kinds[t], _direction(readings, machine, t))
    assert away is not None
    others = np.median(away[mine != i], axis=0)
    return float(np.linalg.norm(away[mine == i][0] - others))


def _where(readings: Readings, i: int) -> str:
    return f"row {readings.row(i)} ({readings.names[int(readings.target[i])]}):"


def _said(
    readings: Readings, machine: Machine, i: int, changed: tuple[int, ...], mended: Readings | None = None
) -> str:
    """What was read beside what the machine's lines foretell (of a face: beside what it would be put right)."""
    t = int(readings.target[i])
    read = readings.points_mm[i]
    mine = np.flatnonzero((readings.target == t) & (np.arange(len(readings)) != i))
    pose = table_pose(machine, readings.angles_deg)
    middle = np.median(pose.inverse().apply(readings.points_mm)[mine], axis=0)
    told = table_pose(machine, readings.angles_deg[i]).apply(middle)
    if readings.kinds[t] is not TargetKind.BALL:
        if mended is None:
            size = _left_mm(readings, machine, i)
            return f"lies {in_millimetres(size, '.0f')} from where the machine file and the other readings have it"
        told = mended.points_mm[i]
    parts = [
        f"{'XYZ'[k]} is {in_millimetres(read[k], '.1f')}, expected about {in_millimetres(told[k], '.1f')}"
        for k in changed
    ]
    return "; ".join(parts)


def _all_swapped(readings: Readings, machine: Machine) -> Blunder | None:
    """Two coordinates exchanged in every row: then nothing agrees as it stands, and everything once they are back."""
    before = _agreement_mm(readings, machine)
    if before < _FAR_MM:
        return None
    for i, j in _PAIRS:
        points = np.array(readings.points_mm)
        points[:, [i, j]] = points[:, [j, i]]
        mended = replace(readings, points_mm=points)
        if _agreement_mm(mended, machine) < min(_NEAR_MM, before / _TIMES):
            names = f"{'XYZ'[i]} and {'XYZ'[j]}"
            words = f"the columns {names} look swapped: only the other way round do the readings of a target agree."
            return Blunder("coordinates swapped", words, mended, machine)
    return None


def _agreement_mm(readings: Readings, machine: Machine) -> float:
    """The median distance of readings from the middle of their target; infinite where nothing can be compared."""
    where = table_pose(machine, readings.angles_deg).inverse().apply(readings.points_mm)
    sizes = []
    for t, kind in enumerate(readings.kinds):
        mine = readings.target == t
        away = _misses(where[mine], kind, _direction(readings, machine, t)) if mine.sum() >= _FEWEST else None
        if away is not None:
            sizes.append(np.linalg.norm(away - np.median(away, axis=0), axis=-1))
    return float(np.median(np.concatenate(sizes))) if sizes else 0.0
