"""What is wrong with an answer although no classic blunder explains it: too much scatter, lines moved too far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics.calibration.lengths import in_millimetres
from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Fit, LineFit
from kinematics.machine import Machine

__all__ = ["FitDiagnostic", "check_fit", "outside_travels"]

_SCATTER_MM = 0.05
"""No probe scatters so: common practice for touch probes and edge finders is micrometres to a hundredth."""

_TIMES_STATED = 10.0
"""Ratio of the scatter to what was stated. Chosen here: a stated one is a guess, but not by a power of ten."""
_MOVE_MM = 2.0
"""mm that a line may have moved. Chosen here: a wrong machine file, tool length or radius moves it more."""
_LEAN_DEG = 1.0
"""Degrees that it may have leaned. Chosen here: as bad as `_MOVE_MM` at 115 mm from the pivot."""
_CERTAIN = 1e-9
"""Chance by scatter: of 10,000 readings one set in 100,000 has a reading so unlikely. Chosen here."""
_MARGIN_MM = 10.0
"""A contact point may lie beyond the travels by a stylus or ball radius."""


@dataclass(frozen=True)
class FitDiagnostic:
    """Something that a setter must look at before the numbers are used.

    Attributes
    ----------
    kind : str
        "outside the travels", "scatter", "far from the machine file", "certain suspect", "half told".
    words : str
        A sentence for the user.
    rows : tuple of int
        Rows concerned.
    certain : bool
        Whether something is wrong for certain. What is only half told is not wrong, but is no calibration either.
    """

    kind: str
    words: str
    rows: tuple[int, ...] = ()
    certain: bool = True


def outside_travels(readings: Readings, machine: Machine) -> tuple[FitDiagnostic, ...]:
    r"""Readings where the spindle cannot have been, when the machine states its travels.

    Parameters
    ----------
    readings : Readings
        Points in machine coordinates.
    machine : Machine
        With its travels.

    Returns
    -------
    tuple of Finding
        One for all rows that lie more than 10 mm outside, or none; empty where no travels are stated.

    Raises
    ------
    KinematicsError
        When the readings do not match the machine's rotaries.

    Examples
    --------
    >>> from kinematics import Platter, RotaryAxis, RotationSense, Travel
    >>> from kinematics.calibration import readings_from_rows
    >>> c = RotaryAxis("C", [-50, -50, -50], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=-60.0), Travel([-100, -100, -100], [0, 0, 0]))
    >>> read = readings_from_rows(["ball"] * 2, ["one"] * 2, [[0.0], [90.0]], [[-40, -50, -30], [50, 60, 30]], rows=[2, 3])
    >>> [(found.rows, found.words) for found in outside_travels(read, mill)]
    [((3,), 'row 3 lies outside the travels (X 50\xa0mm, travel -100\xa0mm to 0\xa0mm): were minus signs lost?')]
    """
    readings.fits(machine)
    if machine.travel is None:
        return ()
    low, high = machine.travel.low_mm - _MARGIN_MM, machine.travel.high_mm + _MARGIN_MM
    outside = (readings.points_mm < low) | (readings.points_mm > high)
    bad = np.flatnonzero(outside.any(axis=1))
    if not len(bad):
        return ()
    first, axis = int(bad[0]), int(np.argmax(outside[bad[0]]))
    low_mm, high_mm = float(machine.travel.low_mm[axis]), float(machine.travel.high_mm[axis])
    bounds = f"{in_millimetres(low_mm, 'g')} to {in_millimetres(high_mm, 'g')}"
    turned = np.where(outside, -readings.points_mm, readings.points_mm)[bad]
    signs = bool(((turned >= low) & (turned <= high)).all())
    whose = (
        f"row {readings.row(first)} lies" if len(bad) == 1 else f"{len(bad)} of {len(readings)} readings lie"
    )
    read_mm = in_millimetres(float(readings.points_mm[first, axis]), "g")
    example = f"{'XYZ'[axis]} {read_mm}, travel {bounds}"
    example = example if len(bad) == 1 else f"row {readings.row(first)}: {example}"
    ask = (
        "were minus signs lost?"
        if signs
        else "are these machine coordinates, in the unit that they are called?"
    )
    words = f"{whose} outside the travels ({example}): {ask}"
    return (FitDiagnostic("outside the travels", words, tuple(readings.row(int(i)) for i in bad)),)


def check_fit(fit: Fit) -> tuple[FitDiagnostic, ...]:
    """What is wrong with an answer for certain, or told only in part.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    tuple of Finding
        Empty for an answer that can be written.
    """
    found = [*outside_travels(fit.readings, fit.machine), *_scatter(fit)]
    found += [one for line in fit.lines for one in _far(line)]
    sure = [suspect for suspect in fit.suspects if suspect.chance < _CERTAIN]
    if sure:
        rows = tuple(suspect.row for suspect in sure)
        listed = ", ".join(map(str, rows))
        where = "" if len(rows) > 1 else f" {sure[0].words.split(';')[0]}, and"
        words = (
            f"row{'s' if len(rows) > 1 else ''} {listed}:{where} scatter does not do this; "
            "read again, or leave out (a robust loss makes little of it)"
        )
        found.append(FitDiagnostic("certain suspect", words, rows))
    for line in fit.lines:
        half = [one.name for one in line.moved if one.verdict == "told in part"]
        if half:
            words = (
                f"{line.letter}'s line is told only in part: its {' and '.join(half)} moved, but not freely"
            )
            found.append(FitDiagnostic("half told", words, certain=False))
    return tuple(found)


def _scatter(fit: Fit) -> list[FitDiagnostic]:
    if fit.scatter is None:
        return []
    if fit.sigma_stated:
        times = fit.scatter / (1.0 if fit.readings.sigma_mm is not None else fit.sigma_mm or 1.0)
        if times <= _TIMES_STATED or (fit.scatter_chance or 0.0) > _CERTAIN:
            return []
        words = f"the readings scatter by {times:.3g} times what was stated"
    else:
        if fit.scatter <= _SCATTER_MM:
            return []
        words = f"the readings miss one another by {in_millimetres(fit.scatter, '.2g')} (standard), no probe scatters so"
    return [
        FitDiagnostic("scatter", f"{words}: some are wrong, or were taken in another way than the others")
    ]


def _far(line: LineFit) -> list[FitDiagnostic]:
    move = float(np.linalg.norm(np.cross(line.old_direction, line.point_mm - line.old_point_mm)))
    sine = float(np.linalg.norm(np.cross(line.old_direction, line.direction)))
    lean = float(np.degrees(np.arctan2(sine, line.old_direction @ line.direction)))
    if move <= _MOVE_MM and lean <= _LEAN_DEG:
        return []
    what = in_millimetres(move) if move > _MOVE_MM else f"{lean:.2g} degrees"
    words = (
        f"{line.letter}'s line comes out {what} away from the machine file: lines do not wander so far. "
        "Are these the right machine file, tool length and radius, and were balls read at their centres? "
        "If the rotary was bolted on anew or hit, this may be right"
    )
    return [FitDiagnostic("far from the machine file", words)]
