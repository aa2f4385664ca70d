"""Charts of a batch's record: each axis of each series held against its limits, changes, nests, the forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import KinematicsError
from kinematics.batch import (
    SIGNIFICANT,
    SURELY_SEEN,
    Baseline,
    Change,
    ChangeKind,
    ChartRule,
    ControlChart,
    DriftDetection,
    Forecast,
    GroupShift,
    ProbingInterval,
    baseline_of,
    control_chart,
    drift_detection,
    find_change,
    forecast,
    group_shifts,
    probing_intervals,
    shift_response,
)
from tiltwright.batch.readings_table import PartReading
from tiltwright.batch.record import LoggedReading
from tiltwright.files.diagnostics import nearest, one_of, option_error, shown
from tiltwright.files.loader import ReadJob

__all__ = ["AxisChart", "ChartOptions", "Series", "chart_series", "evaluate_series", "part_zero_shifts"]

FEWEST = 20
"""Readings below which limits from the data are remarked on: the standard deviation is then known to some 16 %."""
_INTERVALS = (5, 10, 20, 40, 80, 160)
DRIFT_PARTS = 100
"""Parts over which the zero drifts by half a tolerance, in the promise that the charts are held to..."""
SEEN_BEFORE = 60
"""... and the part before which they should see it."""
_MOST_SIMULATED = 500
DECIDING = frozenset({ChartRule.BEYOND_LIMIT, ChartRule.EWMA, ChartRule.CUSUM})
"""Rules that say no by themselves."""


@dataclass(frozen=True)
class ChartOptions:
    """Choices at the command line, lengths in millimetres.

    Attributes
    ----------
    target : str or None
        None: part zero.
    baseline : int or None
        Readings, from the first, that centre and limits come from; None: all.
    sigma_mm, center_mm : float or None
        Stated instead.
    tolerance_mm : float or None
        Half-width; with it the forecast is made.
    minutes : float
        Time of one re-probing.
    """

    target: str | None = None
    baseline: int | None = None
    sigma_mm: float | None = None
    center_mm: float | None = None
    tolerance_mm: float | None = None
    minutes: float = 0.0


@dataclass(frozen=True, eq=False)
class Series:
    """Readings of one thing, in the order of the record.

    Attributes
    ----------
    name : str
        "part zero" or the target's.
    serials : tuple of str
    nests : tuple of str or None
    shift_mm : ndarray, shape (n, 3)
        Part zero: from where the job has it, table frame turned as the machine at the all-zero pose. A target: from its
        first reading.
    temperature_c : ndarray, shape (n,)
        NaN where it was not logged.
    """

    name: str
    serials: tuple[str, ...]
    nests: tuple[str | None, ...]
    shift_mm: NDArray[np.float64]
    temperature_c: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class AxisChart:
    """One axis of a series.

    Attributes
    ----------
    axis : str
    chart : ControlChart
    change : Change
    nests : tuple of GroupShift
        Those that sit apart.
    forecast : Forecast or None
    intervals : tuple of ProbingInterval
        Empty without a tolerance.
    detection : DriftDetection or None
        How surely a drift of half the tolerance over `DRIFT_PARTS` is seen before part `SEEN_BEFORE`; None without one.
    false_alarms : float or None
        Share of series in control of as many readings that pass a limit by chance; None where no point has, or where there are
        too many readings to tell.
    if_stated : DriftDetection or None
        The same as `detection` with centre and sigma stated, where that would see it and estimated ones do not.
    """

    axis: str
    chart: ControlChart
    change: Change
    nests: tuple[GroupShift, ...]
    forecast: Forecast | None
    intervals: tuple[ProbingInterval, ...]
    detection: DriftDetection | None = None
    if_stated: DriftDetection | None = None
    false_alarms: float | None = None

    @property
    def in_control(self) -> bool:
        """True where no point is beyond a limit of the three charts, and no change was found.

        The rules about runs of points alone call one point in about a hundred by chance; they are shown as cautions.
        """
        return not self.change.significant and not any(one.rule in DECIDING for one in self.chart.signals)


def chart_series(job: ReadJob, readings: Sequence[LoggedReading], options: ChartOptions) -> Series:
    """The readings of part zero, or of one target.

    Raises
    ------
    InputFaults
        When there is no such target, or too few readings.
    """
    wanted = [one.reading for one in readings if one.reading.target == options.target]
    name = options.target or "part zero"
    if len(wanted) < 2:
        targets = sorted({one.reading.target for one in readings if one.reading.target})
        near = nearest(name, targets)
        tip = f"did you mean {shown(near)}?" if near else ""
        found = f"{len(wanted)} readings of {name}"
        known = f"; targets: {one_of(targets)}" if targets else ""
        raise option_error("--target", found, f"two readings or more{known}", tip)
    at = np.array([one.at_mm for one in wanted])
    shift = at - at[0] if options.target is not None else part_zero_shifts(job, wanted, at)
    warm = np.array([np.nan if one.temperature_c is None else one.temperature_c for one in wanted])
    return Series(name, tuple(one.serial for one in wanted), tuple(one.nest for one in wanted), shift, warm)


def part_zero_shifts(
    job: ReadJob, readings: Sequence[PartReading], at_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Each part's zero from where the job has it in its nest, turned back to the all-zero pose; shape (n, 3)."""
    found = np.empty_like(at_mm)
    for view in job.views:
        rows = [i for i, one in enumerate(readings) if one.nest == view.nest]
        pose = view.touch_pose_deg
        expected = view.setup.work_offset(np.zeros(3), pose)
        found[rows] = (at_mm[rows] - expected) @ shift_response(view.setup, pose)
    return found


def evaluate_series(series: Series, options: ChartOptions) -> tuple[AxisChart, ...]:
    """Charts of X, Y and Z.

    Raises
    ------
    InputFaults
        When a choice does not fit the readings.
    """
    count = len(series.serials)
    if options.baseline is not None and not 2 <= options.baseline <= count:
        raise option_error("--baseline", f"{options.baseline}", f"2 to {count}, the readings that there are")
    return tuple(_axis(series, options, k) for k in range(3))


def _axis(series: Series, options: ChartOptions, k: int) -> AxisChart:
    raw = series.shift_mm[:, k]
    # Nests that sit apart would pass for scatter: each is charted about its own mean, and shown against the others.
    values = raw - _nest_means(raw, series.nests, options.baseline)
    chart = control_chart(values, _baseline(series, values, options, k))
    change = find_change(values, series.temperature_c if np.isfinite(series.temperature_c).all() else None)
    names = [one for one in series.nests if one is not None]
    apart = group_shifts(raw, names) if len(names) == raw.size else ()
    foreseen, intervals = _foreseen(chart, change, options)
    return AxisChart(
        "XYZ"[k],
        chart,
        change,
        tuple(one for one in apart if one.probability < SIGNIFICANT),
        foreseen,
        intervals,
        *_detection(values.size, chart.baseline, options),
        _false_alarms(chart, options) if not change.significant else None,
    )


def _false_alarms(chart: ControlChart, options: ChartOptions) -> float | None:
    """The share of series in control that pass a limit, where one of this series has."""
    count = chart.values.size
    if not 2 <= count <= _MOST_SIMULATED or not any(one.rule in DECIDING for one in chart.signals):
        return None
    return _simulated(0.0, 1.0, count + 1, count, options).seen


def _detection(
    count: int, baseline: Baseline, options: ChartOptions
) -> tuple[DriftDetection | None, DriftDetection | None]:
    """The share of drifts of half the tolerance that is seen, and that with stated limits where those are better."""
    if options.tolerance_mm is None:
        return None, None
    drift = 0.5 * options.tolerance_mm / DRIFT_PARTS
    found = _simulated(drift, baseline.sigma, SEEN_BEFORE, count, options)
    if found.seen >= SURELY_SEEN or None not in (options.center_mm, options.sigma_mm):
        return found, None
    return found, drift_detection(drift, baseline.sigma, SEEN_BEFORE, center_from=0, sigma_from=0)


def _simulated(drift: float, sigma: float, before: int, count: int, options: ChartOptions) -> DriftDetection:
    """The share of simulated batches that is seen, with what is not stated estimated from as many readings as here."""
    first = min(count if options.baseline is None else options.baseline, before - 1)
    return drift_detection(
        drift,
        sigma,
        before,
        center_from=first if options.center_mm is None else 0,
        sigma_from=first if options.sigma_mm is None else 0,
    )


def _nest_means(
    values: NDArray[np.float64], nests: Sequence[str | None], baseline: int | None
) -> NDArray[np.float64]:
    """Mean of each reading's nest less the mean of all, from the baseline's readings where the nest has any there."""
    found = np.zeros(values.size)
    if len(set(nests)) < 2:
        return found
    first = np.arange(values.size) < (values.size if baseline is None else baseline)
    member = np.array([nest or "" for nest in nests])
    for nest in np.unique(member):
        mine = member == nest
        chosen = mine & first if (mine & first).any() else mine
        found[mine] = values[chosen].mean() - values[first].mean()
    return found


def _baseline(series: Series, values: NDArray[np.float64], options: ChartOptions, k: int) -> Baseline:
    chosen = values[: options.baseline]
    if options.sigma_mm is not None:
        center = float(chosen.mean()) if options.center_mm is None else options.center_mm
        return Baseline(center, options.sigma_mm)
    try:
        found = baseline_of(chosen)
    except KinematicsError as refusal:
        allowed = "readings that differ, or a stated --sigma"
        raise option_error("--baseline", f"{series.name}, {'XYZ'[k]}: {refusal}", allowed) from refusal
    return found if options.center_mm is None else Baseline(options.center_mm, found.sigma, found.count)


def _foreseen(
    chart: ControlChart, change: Change, options: ChartOptions
) -> tuple[Forecast | None, tuple[ProbingInterval, ...]]:
    if options.tolerance_mm is None:
        return None, ()
    best = change.best
    drifts = best is not None and best.kind is ChangeKind.DRIFT
    drift, spread = (best.amount, best.u) if best is not None and drifts else (0.0, 0.0)
    half = options.tolerance_mm
    # The weighted mean lags behind a drift; the line that was fitted does not.
    here = (
        float(chart.values.mean()) + 0.5 * drift * (chart.values.size - 1)
        if drifts
        else float(chart.ewma[-1])
    )
    foreseen = forecast(here, drift, (-half, half), u_drift=spread)
    if not drifts:
        return foreseen, ()
    return foreseen, probing_intervals(
        _INTERVALS, drift=drift, sigma=chart.baseline.sigma, tolerance=half, minutes=options.minutes
    )


def change_values(change: Change) -> list[dict[str, Any]]:
    """Every form of change that was tried, for JSON; lengths in millimetres."""
    return [
        {
            "kind": one.kind.value,
            "amount": one.amount,
            "u": one.u,
            "index": one.index,
            "probability": one.probability,
            "bic": one.bic,
        }
        for one in change.fits
    ]
