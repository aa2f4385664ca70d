"""Checks of a fit that no classic blunder explains: readings outside the travels, scatter, lines moved too far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics.calibration.readings import Readings
from kinematics.calibration.results import Fit, LineFit, Outlier
from kinematics.calibration.systematic_terms import AngleError, Drift
from kinematics.declared_types import DeclaredFields
from kinematics.machine import Machine
from kinematics.validation import as_instance

__all__ = ["FitDiagnostic", "check_fit", "outside_travels"]

_SCATTER_MM = 0.05
"""No probe scatters so: common practice for touch probes and edge finders is micrometres to a hundredth."""

_TIMES_STATED = 10.0
"""Ratio of the scatter to what was stated. Chosen here: a stated one is a guess, but not by a power of ten."""
_SHIFT_MM = 2.0
"""mm that a line may have moved. Chosen here: a wrong machine file, tool length or radius moves it more."""
_TILT_DEG = 1.0
"""Degrees that it may have tilted. Chosen here: as bad as `_SHIFT_MM` at 115 mm from the pivot."""
_CERTAIN = 1e-9
"""p-value: of 10,000 readings one set in 100,000 has a reading so unlikely. Chosen here."""
_MARGIN_MM = 10.0
"""A contact point may lie beyond the travels by a stylus or ball radius."""


@dataclass(frozen=True)
class FitDiagnostic(DeclaredFields):
    """A fault of the readings or of the result that must be looked at before the numbers are used.

    Attributes
    ----------
    kind : str
        "outside the travels", "scatter", "far from the machine file", "gross outlier", "angle error", "drift",
        "partly determined".
    rows : tuple of int
        Rows concerned.
    certain : bool
        Whether something is certainly wrong. A line that is partly determined is not wrong, but no calibration
        either.
    readings : int
        Readings in all.
    letter : str
        The rotary concerned.
    axis : str
        Outside the travels: the axis of the first row's coordinate that is out.
    value_mm, low_mm, high_mm : float or None
        That coordinate, and the travel.
    sign_lost : bool
        Whether all of them would lie inside with their signs changed.
    scatter_mm : float or None
        Scatter per coordinate where none was stated.
    times_stated : float or None
        Ratio of the scatter to what was stated.
    shift_mm, tilt_deg : float or None
        Distance from the machine file's line; one of both.
    outliers : tuple of Outlier
        Gross outliers.
    names : tuple of str
        Partly determined: the names of those changes of the line.
    angle_error : AngleError or None
        The error of the rotary's own angle that was not adjusted along.
    drift : Drift or None
    """

    kind: str
    rows: tuple[int, ...] = ()
    certain: bool = True
    readings: int = 0
    letter: str = ""
    axis: str = ""
    value_mm: float | None = None
    low_mm: float | None = None
    high_mm: float | None = None
    sign_lost: bool = False
    scatter_mm: float | None = None
    times_stated: float | None = None
    shift_mm: float | None = None
    tilt_deg: float | None = None
    outliers: tuple[Outlier, ...] = ()
    names: tuple[str, ...] = ()
    angle_error: AngleError | None = None
    drift: Drift | None = None


def outside_travels(readings: Readings, machine: Machine) -> tuple[FitDiagnostic, ...]:
    """Readings where the spindle cannot have been, when the machine states its travels.

    Parameters
    ----------
    readings : Readings
        Points in machine coordinates.
    machine : Machine
        With its travels.

    Returns
    -------
    tuple of FitDiagnostic
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
    >>> [(found.rows, found.axis, found.value_mm, found.sign_lost) for found in outside_travels(read, mill)]
    [((3,), 'X', 50.0, True)]
    >>> outside_travels("readings", mill)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: readings: expected a Readings, found 'readings'
    """
    as_instance(readings, Readings, "readings")
    as_instance(machine, Machine, "machine")
    readings.fits(machine)
    if machine.travel is None:
        return ()
    low, high = machine.travel.low_mm - _MARGIN_MM, machine.travel.high_mm + _MARGIN_MM
    outside = (readings.points_mm < low) | (readings.points_mm > high)
    bad = np.flatnonzero(outside.any(axis=1))
    if not len(bad):
        return ()
    first, axis = int(bad[0]), int(np.argmax(outside[bad[0]]))
    mirrored = np.where(outside, -readings.points_mm, readings.points_mm)[bad]
    return (
        FitDiagnostic(
            "outside the travels",
            rows=tuple(readings.row(int(i)) for i in bad),
            readings=len(readings),
            axis="XYZ"[axis],
            value_mm=float(readings.points_mm[first, axis]),
            low_mm=float(machine.travel.low_mm[axis]),
            high_mm=float(machine.travel.high_mm[axis]),
            sign_lost=bool(((mirrored >= low) & (mirrored <= high)).all()),
        ),
    )


@np.errstate(over="ignore", invalid="ignore")  # a length beyond every number is far as well
def check_fit(fit: Fit) -> tuple[FitDiagnostic, ...]:
    """Faults of a fit: certain ones, and lines that are only partly determined.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    tuple of FitDiagnostic
        Empty for a result that can be written.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> from kinematics.calibration import PlannedTarget, TargetKind, fit_pivots, simulated_readings
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball 1", TargetKind.BALL, [[50.0, 0.0, 40.0]])
    >>> turns = [[0], [60], [120], [180], [240], [300]]
    >>> check_fit(fit_pivots(simulated_readings(mill, [ball], turns, 0.002, seed=1), mill, sigma_mm=0.002))
    ()
    >>> check_fit("mill")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: fit: expected a Fit, found 'mill'
    """
    as_instance(fit, Fit, "fit")
    found = [*outside_travels(fit.readings, fit.machine), *_scatter(fit)]
    found += [one for line in fit.lines for one in _far(line)]
    gross = tuple(outlier for outlier in fit.outliers if outlier.p_value < _CERTAIN)
    if gross:
        rows = tuple(outlier.row for outlier in gross)
        found.append(FitDiagnostic("gross outlier", rows, readings=len(fit.readings), outliers=gross))
    found += [
        FitDiagnostic("angle error", letter=one.letter, angle_error=one)
        for one in fit.angle_errors
        if one.significant
    ]
    found += [FitDiagnostic("drift", drift=one) for one in fit.drifts if one.significant]
    for line in fit.lines:
        names = tuple(one.name for one in line.changes if one.verdict == "partly determined")
        if names:
            found.append(FitDiagnostic("partly determined", certain=False, letter=line.letter, names=names))
    return tuple(found)


def _scatter(fit: Fit) -> list[FitDiagnostic]:
    if fit.s0 is None:
        return []
    if fit.sigma_stated:
        times = fit.s0 / (1.0 if fit.readings.sigma_mm is not None else fit.sigma_mm or 1.0)
        if times <= _TIMES_STATED or (fit.p_value or 0.0) > _CERTAIN:
            return []
        return [FitDiagnostic("scatter", times_stated=times)]
    return [FitDiagnostic("scatter", scatter_mm=fit.s0)] if fit.s0 > _SCATTER_MM else []


def _far(line: LineFit) -> list[FitDiagnostic]:
    shift = float(np.linalg.norm(np.cross(line.old_direction, line.point_mm - line.old_point_mm)))
    sine = float(np.linalg.norm(np.cross(line.old_direction, line.direction)))
    tilt = float(np.degrees(np.arctan2(sine, line.old_direction @ line.direction)))
    kind = "far from the machine file"
    if shift > _SHIFT_MM:
        return [FitDiagnostic(kind, letter=line.letter, shift_mm=shift)]
    return [FitDiagnostic(kind, letter=line.letter, tilt_deg=tilt)] if tilt > _TILT_DEG else []
