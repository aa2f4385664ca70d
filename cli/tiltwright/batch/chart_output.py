"""Charts of a batch as text, JSON and pictures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kinematics.batch import SURELY_SEEN, ChangeFit, ChangeKind, ChartRule, Signal
from tiltwright.batch.chart import (
    DRIFT_PARTS,
    FEWEST,
    SEEN_BEFORE,
    AxisChart,
    Series,
    change_values,
)
from tiltwright.files.diagnostics import sanitized
from tiltwright.files.loader import ReadJob
from tiltwright.output.figure_style import SMALL, as_file, headline, new_figure, plain_axes
from tiltwright.output.numbers import UNIT_MM, UNIT_SYMBOL, fixed, in_units
from tiltwright.output.tables import table, units_words, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["chart_picture", "chart_report", "chart_text"]

_FINE = {"mm": 4, "inch": 5}
"""Decimals of statistics: one more than a length has."""


def chart_text(job: ReadJob, series: Series, charts: Sequence[AxisChart], units: str) -> str:
    """The charts as text: the verdict first, then figures, then what follows from them."""
    lines = [f"{job.file.name}: {series.name}, {len(series.serials)} readings, in {units_words(units)}", ""]
    lines.append(wrapped("NOT CHECKED: whatever was not probed. Statistics say what changed, not why."))
    lines += _verdict(series, charts, units)
    lines += ["", _figures(charts, units, nested=len(set(series.nests)) > 1), ""]
    for one in charts:
        lines += _signals(series, one)
    for one in charts:
        lines += _after(one, units)
    lines += _detection(charts, units)
    return "\n".join(lines)


def _verdict(series: Series, charts: Sequence[AxisChart], units: str) -> Iterator[str]:
    baseline = charts[0].chart.baseline
    if 0 < baseline.count < FEWEST:
        yield wrapped(
            f"caution: the limits come from {baseline.count} readings only; from {FEWEST} on they can be relied on"
        )
    for one in charts:
        if not one.in_control:
            cause = _change_words(series, one, units) or _by_chance(one)
            yield wrapped(f"FAIL: {one.axis} is out of control. {cause}".rstrip())
        elif one.chart.signals:
            yield wrapped(
                f"caution: {one.axis} has runs of points that come by chance once in a while; see below"
            )
    if all(one.in_control for one in charts):
        yield "PASS: X, Y and Z stay within their limits, and no jump or drift shows."


def _fine(value_mm: float, units: str, more: int = 0) -> str:
    return fixed(in_units(value_mm, units), _FINE[units] + more)


def _detection(charts: Sequence[AxisChart], units: str) -> Iterator[str]:
    """Sentence on how surely a slow drift is seen, on the axis that scatters most, and on what would do where it is not."""
    worst = max(charts, key=lambda one: one.chart.baseline.sigma)
    if worst.detection is None:
        return
    unit, of_100 = UNIT_SYMBOL[units], int(100.0 * worst.detection.seen)
    sure = worst.detection.seen >= SURELY_SEEN
    words = (
        f"A drift of half the tolerance over {DRIFT_PARTS} parts is seen before part {SEEN_BEFORE} in {of_100} of 100 batches "
        f"that scatter as {worst.axis} does."
    )
    if not sure:
        largest = _fine(worst.detection.largest_sigma, units)
        words = f"caution: {words[0].lower()}{words[1:]} For {100 * SURELY_SEEN:.0f} of 100, sigma must be {largest} {unit} or less"
        if worst.if_stated is None:
            words += ": probe each part more than once and take the mean."
        else:
            stated = _fine(worst.if_stated.largest_sigma, units)
            words += f", or {stated} {unit} or less with --center and --sigma stated from an earlier batch."
    yield wrapped(words)


def _by_chance(one: AxisChart) -> str:
    """Sentence on the share of series that pass a limit where nothing has changed."""
    if one.false_alarms is None:
        return ""
    baseline = one.chart.baseline
    source = "" if not baseline.count else f", with limits from {baseline.count} readings"
    return (
        f"No jump or drift shows. Where nothing has changed, {100.0 * one.false_alarms:.0f} of 100 series of so many parts pass "
        f"a limit by chance{source}: probe the next parts before you change anything."
    )


def _change_words(series: Series, one: AxisChart, units: str) -> str:
    best = one.change.best
    if best is None:
        return ""
    words = _form(best, series, units)
    if one.change.rivals:
        others = " or ".join(_form(rival, series, units) for rival in one.change.rivals)
        return f"It {words}; these readings fit as well if it {others}."
    return f"It {words}."


def _form(fit: ChangeFit, series: Series, units: str) -> str:
    unit = UNIT_SYMBOL[units]
    if fit.kind is ChangeKind.JUMP:
        assert fit.index is not None
        size = f"{_fine(fit.amount, units)} {unit} (standard uncertainty {_fine(fit.u, units)})"
        return f"jumps by {size} at part {fit.index + 1}, serial {sanitized(series.serials[fit.index])}"
    size = f"{_fine(fit.amount, units, 2)} {unit}"
    each = "per part" if fit.kind is ChangeKind.DRIFT else "per degree Celsius"
    what = "drifts" if fit.kind is ChangeKind.DRIFT else "moves with the temperature,"
    return f"{what} by {size} {each} (standard uncertainty {_fine(fit.u, units, 2)})"


def _figures(charts: Sequence[AxisChart], units: str, *, nested: bool) -> str:
    rows = []
    for one in charts:
        low, high = one.chart.limits
        base = one.chart.baseline
        rows.append(
            [
                one.axis,
                *(
                    _fine(value, units)
                    for value in (base.center, base.sigma, low, high, float(one.chart.ewma[-1]))
                ),
                str(len({signal.index for signal in one.chart.signals})),
            ]
        )
    note = "\nEach nest is charted about its own mean." if nested else ""
    return table(["axis", "centre", "sigma", "lower", "upper", "now", "points out"], rows) + note


def _signals(series: Series, one: AxisChart) -> Iterator[str]:
    found: dict[tuple[ChartRule, int], list[Signal]] = {}
    for signal in one.chart.signals:
        found.setdefault((signal.rule, signal.side), []).append(signal)
    for number, rule in enumerate(ChartRule, start=1):
        for way in (1, -1):
            signals = found.get((rule, way), [])
            if not signals:
                continue
            side = "" if rule is ChartRule.MOVING_RANGE else (", above" if way > 0 else ", below")
            more = f", and {len(signals) - 1} more" if len(signals) > 1 else ""
            yield wrapped(
                f"{one.axis}: rule {number}, {rule.value}{side}: part {signals[0].index + 1}, serial "
                f"{sanitized(series.serials[signals[0].index])}{more}",
                rest="   ",
            )


def _after(one: AxisChart, units: str) -> Iterator[str]:
    unit = UNIT_SYMBOL[units]
    # Of two nests one line says both.
    for shift in one.nests[:1] if len(one.nests) == 2 else one.nests:
        way = "high" if shift.shift > 0.0 else "low"
        side = f"{_fine(abs(shift.shift), units)} {unit} {way} in {one.axis}"
        yield wrapped(
            f"Nest {sanitized(shift.group)} sits {side} against the others (standard uncertainty "
            f"{_fine(shift.u, units)}): a chip, or a worn locator? Look before you correct an offset."
        )
    if one.forecast is not None and one.forecast.parts is not None:
        soon = (
            f", {one.forecast.earliest} at the earliest (95 %)" if one.forecast.earliest is not None else ""
        )
        parts = f"{one.forecast.parts} more part{'' if one.forecast.parts == 1 else 's'}"
        yield wrapped(
            f"{one.axis}: at this drift {parts} stay within the tolerance{soon}."
            if one.forecast.parts
            else f"{one.axis}: outside the tolerance already, or with the next part. Probe again now."
        )
    best, drifts = one.change.best, [fit.kind for fit in one.change.rivals]
    if one.forecast is not None and not one.intervals and ChangeKind.DRIFT in drifts and best is not None:
        yield wrapped(
            f"{one.axis}: no forecast: these readings do not tell a drift from a {best.kind.value}, and only a drift goes on."
        )
    if one.intervals:
        rows = [
            [str(i.parts), fixed(i.minutes_per_part, 2), f"{100.0 * i.share:.0f} %", f"{i.outside:.1e}"]
            for i in one.intervals
        ]
        yield table(
            [f"{one.axis}: probe every", "minutes a part", "tolerance used", "last part outside"],
            rows,
            left=0,
        )


def chart_report(job: ReadJob, series: Series, charts: Sequence[AxisChart], units: str) -> dict[str, Any]:
    """The charts for JSON, lengths in the stated unit."""
    scale = 1.0 / UNIT_MM[units]

    def listed(values: Any) -> list[float | None]:  # noqa: ANN401 - any array
        return [None if np.isnan(value) else float(value) * scale for value in values]

    return {
        "schema": "tiltwright.batch-chart/1",
        "job": job.file.name,
        "units": units,
        "series": series.name,
        "in_control": all(one.in_control for one in charts),
        "serials": list(series.serials),
        "nests": list(series.nests),
        "axes": [
            {
                "axis": one.axis,
                "center": one.chart.baseline.center * scale,
                "sigma": one.chart.baseline.sigma * scale,
                "baseline_readings": one.chart.baseline.count,
                "limits": [limit * scale for limit in one.chart.limits],
                "values": listed(one.chart.values),
                "moving_range": listed(one.chart.moving_range),
                "ewma": listed(one.chart.ewma),
                "cusum_high": listed(one.chart.cusum_high),
                "cusum_low": listed(one.chart.cusum_low),
                "signals": [
                    {"index": s.index, "rule": s.rule.name.lower().replace("_", " "), "side": s.side}
                    for s in one.chart.signals
                ],
                "changes": [
                    {**form, "amount": form["amount"] * scale, "u": form["u"] * scale}
                    for form in change_values(one.change)
                ],
                "significant": one.change.significant,
                "false_alarms": one.false_alarms,
                "nests_apart": [
                    {
                        "nest": s.group,
                        "shift": s.shift * scale,
                        "u": s.u * scale,
                        "probability": s.probability,
                    }
                    for s in one.nests
                ],
                "forecast": None
                if one.forecast is None
                else {"parts": one.forecast.parts, "earliest": one.forecast.earliest},
                "drift_seen": None
                if one.detection is None
                else {
                    "before": SEEN_BEFORE,
                    "share": one.detection.seen,
                    "largest_sigma": one.detection.largest_sigma * scale,
                },
                "intervals": [
                    {
                        "parts": i.parts,
                        "minutes_per_part": i.minutes_per_part,
                        "share": i.share,
                        "outside": i.outside,
                    }
                    for i in one.intervals
                ],
            }
            for one in charts
        ],
    }


def chart_picture(
    job: ReadJob, series: Series, charts: Sequence[AxisChart], units: str, ending: str
) -> bytes:
    """Each axis in a row: every part with its limits and the weighted mean; the moving range; both cumulative sums."""
    figure = new_figure(14.0, 2.6 * len(charts) + 0.6)
    unit, parts = UNIT_SYMBOL[units], np.arange(1, len(series.serials) + 1)
    columns = 3
    for row, one in enumerate(charts):
        drawn = [figure.add_subplot(len(charts), columns, columns * row + k + 1) for k in range(columns)]
        _individuals(drawn[0], one, parts, units)
        plain_axes(drawn[0], f"{one.axis}, {unit}: each part, and the weighted mean")
        _ranges(drawn[1], one, parts, units)
        plain_axes(drawn[1], f"{one.axis}, {unit}: moving range")
        _sums(drawn[2], one, parts, units)
        plain_axes(drawn[2], f"{one.axis}, {unit}: cumulative sums (dashed: below)")
        if row == len(charts) - 1:
            for axes in drawn:
                axes.set_xlabel("part", fontsize=SMALL)
    headline(figure, f"{job.file.name}: {series.name}")
    return as_file(figure, ending)


def _individuals(axes: Axes, one: AxisChart, parts: NDArray[np.int64], units: str) -> None:
    chart = one.chart
    values, ewma = (np.array(v) / UNIT_MM[units] for v in (chart.values, chart.ewma))
    axes.plot(parts, values, "o", color="0.0", fillstyle="none", markersize=3.5, linewidth=0.8)
    axes.plot(parts, ewma, "-", color="0.0", linewidth=1.4)
    hit = sorted({signal.index for signal in chart.signals if signal.rule is not ChartRule.MOVING_RANGE})
    axes.plot(parts[hit], values[hit], "s", color="0.0", markersize=5)
    low, high = chart.limits
    for value, text in ((low, "lower"), (chart.baseline.center, "centre"), (high, "upper")):
        _level(axes, value / UNIT_MM[units], text, solid=text == "centre")


def _ranges(axes: Axes, one: AxisChart, parts: NDArray[np.int64], units: str) -> None:
    """The moving range, its mean in control and its limit."""
    chart = one.chart
    ranges = np.array(chart.moving_range) / UNIT_MM[units]
    axes.plot(parts, ranges, "-", color="0.0", linewidth=0.8)
    hit = sorted({signal.index for signal in chart.signals if signal.rule is ChartRule.MOVING_RANGE})
    axes.plot(parts[hit], ranges[hit], "s", color="0.0", markersize=5)
    _level(axes, chart.mean_range / UNIT_MM[units], "mean", solid=True)
    _level(axes, chart.moving_range_limit / UNIT_MM[units], "upper", solid=False)
    axes.set_ylim(bottom=0.0)


def _sums(axes: Axes, one: AxisChart, parts: NDArray[np.int64], units: str) -> None:
    chart = one.chart
    up, down = (np.array(v) / UNIT_MM[units] for v in (chart.cusum_high, chart.cusum_low))
    limit = chart.design.decision * chart.baseline.sigma / UNIT_MM[units]
    axes.plot(parts, up, "-", color="0.0", linewidth=1.4)
    axes.plot(parts, -down, "--", color="0.0", linewidth=1.4)
    _level(axes, limit, "limit", solid=False)
    _level(axes, -limit, "", solid=False)


def _level(axes: Axes, at: float, text: str, *, solid: bool) -> None:
    axes.axhline(at, color="0.35", linewidth=0.9, linestyle="-" if solid else "--")
    axes.annotate(text, (1.0, at), xycoords=("axes fraction", "data"), fontsize=SMALL, va="center")
