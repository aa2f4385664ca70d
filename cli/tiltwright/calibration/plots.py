"""Plots of a fit and of the drift of the lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import Fit, TargetKind
from tiltwright.calibration.calibration_log import CalibrationRecord, axis_drift, drifting_letters
from tiltwright.files.units import Unit
from tiltwright.output.figure_style import SMALL, as_file, headline, label, new_figure, plain_axes
from tiltwright.output.numbers import fine, in_units

__all__ = ["Circles", "circles_about", "drift_plot", "fit_plot", "nice"]

_PARALLEL = np.cos(np.radians(5.0))
_STILL_DEG = 1e-3


@dataclass(frozen=True, eq=False)
class Circles:
    """Readings projected along one line; those of faces and of slanting axes are left out.

    Attributes
    ----------
    at_mm : ndarray, shape (k, 2)
        From the line, along `Fit.basis` of the rotary, with the outer rotaries derotated.
    residual_mm : ndarray, shape (k, 2)
    radius_mm : ndarray, shape (k,)
    target : ndarray of int, shape (k,)
    still : bool
        Whether the rotary stands at one angle in all readings.
    """

    at_mm: NDArray[np.float64]
    residual_mm: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    target: NDArray[np.int64]
    still: bool


def circles_about(fit: Fit, i: int) -> Circles:
    """Project the readings along the fitted line of rotary i."""
    readings, line = fit.readings, fit.lines[i]
    machine = fit.fitted_machine
    point, residual = readings.points_mm, fit.residuals.residual_mm
    for place, rotary in enumerate(machine.rotaries[:i]):
        back = rotary.pose_at(readings.angles_deg[:, place]).inverse()
        point, residual = back.apply(point), back.rotate(residual)
    still = float(np.ptp(readings.angles_deg[:, i])) < _STILL_DEG
    keep = _keeps_distance(fit, i)[readings.target] if not still else np.zeros(len(readings), dtype=np.bool_)
    from_line = (point - line.point_mm) @ fit.basis[i].T
    at = from_line[keep]
    return Circles(
        at_mm=at,
        residual_mm=(residual @ fit.basis[i].T)[keep],
        radius_mm=np.linalg.norm(at, axis=-1),
        target=readings.target[keep],
        still=still,
    )


def _keeps_distance(fit: Fit, i: int) -> NDArray[np.bool_]:
    """Mask of the targets that keep their distance from the line: balls, and bores and pins along the last one."""
    last = i == len(fit.lines) - 1
    places = {target.name: target for target in fit.targets}
    keep = []
    for name, kind in zip(fit.readings.names, fit.readings.kinds, strict=True):
        direction = places[name].direction if name in places else None
        along = direction is not None and abs(float(direction @ fit.lines[i].direction)) > _PARALLEL
        keep.append(kind is TargetKind.BALL or (kind in {TargetKind.BORE, TargetKind.PIN} and along and last))
    return np.array(keep, dtype=np.bool_)


if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
_GREYS = ("0.0", "0.35", "0.55", "0.2", "0.45", "0.65", "0.1", "0.5")
_PANEL = 4.2
_NOTHING_MM = 1e-7
_NAME_AWAY = 0.2
"""Distance of a target's name from its reading, as a share of the picture's half width."""
_LINE_OF_TYPE = 0.11
"""Height of a line of type in the panel of residuals, as a share of the panel."""
_LEAST_MM = 1e-3


def fit_plot(fit: Fit, units: str, ending: str) -> bytes:
    """Plot a fit: circles, confidence regions and residuals.

    Parameters
    ----------
    fit : Fit
    units : "mm" or "inch"
    ending : str
        One of `ENDINGS`.

    Returns
    -------
    bytes
        The file's content; the same fit gives the same SVG and PDF.
    """
    n = len(fit.lines)
    columns = max(n, 2)
    figure = new_figure(_PANEL * columns, 10.4)
    grid = figure.add_gridspec(3, columns, height_ratios=[1.25, 1.0, 0.6])
    for i, line in enumerate(fit.lines):
        _circles(figure.add_subplot(grid[0, i]), fit, i, units)
        _region(figure.add_subplot(grid[1, i]), fit, line.letter, units)
    face = np.array([kind is TargetKind.FACE for kind in fit.readings.kinds])[fit.readings.target]
    if face.any() and not face.all():
        # A face's residual has a sign, a ball's or an axis' is a length: side by side, not mixed.
        _residuals(figure.add_subplot(grid[2, : columns // 2]), fit, units, ~face)
        _residuals(figure.add_subplot(grid[2, columns // 2 :]), fit, units, face)
    else:
        _residuals(figure.add_subplot(grid[2, :]), fit, units, np.ones(len(face), dtype=np.bool_))
    headline(figure, f"{fit.machine.name}: {len(fit.readings)} readings")
    return as_file(figure, ending)


def nice(value: float) -> float:
    """The largest of 1, 2 and 5 times a power of ten that is not above a value.

    Examples
    --------
    >>> nice(0.0073), nice(38.0)
    (0.005, 20.0)
    """
    power = 10.0 ** np.floor(np.log10(value))
    step = next(step for step in (5.0, 2.0, 1.0) if step * power <= value * (1.0 + 1e-12))
    return float(f"{step * power:.6g}")


def _circles(axes: Axes, fit: Fit, i: int, units: str) -> None:
    """Readings about one line in the plane across it, the fitted circles, and the residuals magnified."""
    found = circles_about(fit, i)
    letter = fit.lines[i].letter
    first, second = (_way(fit.basis[i, m]) for m in (0, 1))
    plain_axes(axes, f"Readings about the {letter} axis")
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel(f"{first} from {letter}'s line, {units}", fontsize=SMALL)
    axes.set_ylabel(f"{second}, {units}", fontsize=SMALL)
    axes.plot(0.0, 0.0, "+", color="black", markersize=10)
    if not len(found.at_mm):
        words = f"{letter} does not turn" if found.still else f"no target goes round {letter}"
        axes.text(0.5, 0.6, words, transform=axes.transAxes, ha="center", fontsize=SMALL)
        return
    _rings(axes, found, units)
    scale = in_units(1.0, units)
    at, off = found.at_mm * scale, found.residual_mm * scale
    reach = float(np.abs(at).max()) or 1.0
    largest = float(np.linalg.norm(off, axis=-1).max())
    magnified = nice(0.25 * reach / largest) if largest > _NOTHING_MM * scale else 0.0
    for t in np.unique(found.target):
        mine = found.target == t
        marker, grey = _look(int(t))
        axes.plot(*at[mine].T, marker, color=grey, markersize=5, fillstyle="none")
        if len(fit.readings.names) <= len(MARKERS):
            _name_beside(axes, at[mine], at, fit.readings.names[int(t)])
    if magnified:
        ends = at + magnified * off
        axes.plot(
            np.stack([at[:, 0], ends[:, 0]]),
            np.stack([at[:, 1], ends[:, 1]]),
            "-",
            color="black",
            linewidth=1.4,
        )
        _scale_bar(axes, magnified, reach, units)


def _rings(axes: Axes, found: Circles, units: str) -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 181)
    ring = np.stack([np.cos(angle), np.sin(angle)])
    # Many groups share a radius to within a line's width.
    radii = np.unique(np.round(found.radius_mm, 2))[:40]
    for radius in radii:
        axes.plot(*(in_units(float(radius), units) * ring), ":", color="0.6", linewidth=0.8)


def _scale_bar(axes: Axes, magnified: float, reach: float, units: str) -> None:
    """A bar as long as a residual of a round size is drawn."""
    size = nice(0.5 * reach / magnified)
    long = magnified * size
    axes.annotate(
        f"residuals magnified {magnified:g} times; bar: {size:g} {units}",
        xy=(0.5, 1.0),
        xycoords="axes fraction",
        xytext=(0.0, -10.0),
        textcoords="offset points",
        ha="center",
        va="top",
        fontsize=SMALL,
    )
    low, high = axes.get_ylim()
    y = low - 0.06 * (high - low)
    axes.plot([-long / 2, long / 2], [y, y], "-|", color="black", linewidth=2, markersize=8)
    # Room for the bar and the words; fixed limits would fight with the equal scales.
    axes.update_datalim([(0.0, y - 0.05 * (high - low)), (0.0, high + 0.12 * (high - low))])
    axes.autoscale_view()


def _region(axes: Axes, fit: Fit, letter: str, units: str) -> None:
    """Confidence region of the pivot, with the machine file's pivot at the origin."""
    i = fit.machine.index(letter)
    scale = in_units(1.0, units)
    centre = fit.parameters[4 * i : 4 * i + 2] * scale
    plain_axes(axes, f"{letter}'s pivot, across its line")
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel(f"{_way(fit.basis[i, 0])} from the machine file, {units}", fontsize=SMALL)
    axes.set_ylabel(f"{_way(fit.basis[i, 1])}, {units}")
    axes.plot(0.0, 0.0, "x", color="0.45", markersize=9, markeredgewidth=2)
    axes.plot(*centre, "o", color="black", markersize=5)
    above = bool(centre[1] >= 0.0)
    edge, words = centre, "these readings"
    if fit.covariance is None:
        words = "these readings (uncertainty unknown)"
    else:
        middle, half = fit.region(letter)
        angle = np.linspace(0.0, 2.0 * np.pi, 181)
        ellipse = middle[:, None] + half[0][:, None] * np.cos(angle) + half[1][:, None] * np.sin(angle)
        ellipse = ellipse * scale
        axes.plot(*ellipse, "-", color="black", linewidth=1.2)
        edge = ellipse[:, int(np.argmax(ellipse[1] if above else -ellipse[1]))]
        words = f"these readings, {fit.level * 100:g} % region"
    # The two names point away from each other, so that they never cover each other.
    _beside(axes, edge, words, (0, 6 if above else -6))
    _beside(axes, np.zeros(2), "machine file", (0, -8 if above else 8))
    axes.margins(0.3)
    axes.locator_params(nbins=5)


def _beside(axes: Axes, at: NDArray[np.float64], text: str, offset: tuple[float, float]) -> None:
    """A name beside a point, offset by points of type."""
    across, up = offset
    axes.annotate(
        label(text),
        (float(at[0]), float(at[1])),
        xytext=offset,
        textcoords="offset points",
        fontsize=SMALL,
        ha="center" if not across else "left" if across > 0.0 else "right",
        va="center" if not up else "bottom" if up > 0.0 else "top",
    )


def _name_beside(axes: Axes, mine: NDArray[np.float64], everything: NDArray[np.float64], name: str) -> None:
    """A target's name beside one of its readings (k, 2), inward or outward, where most room is."""
    reach = float(np.abs(everything).max()) or 1.0
    radius = np.linalg.norm(mine, axis=-1, keepdims=True)
    outward = mine / np.where(radius > 0.0, radius, 1.0)
    places = np.concatenate([mine + _NAME_AWAY * reach * outward, mine - _NAME_AWAY * reach * outward])
    room = np.linalg.norm(places[:, None] - everything, axis=-1).min(axis=1)
    x, y = places[int(np.argmax(room))].tolist()
    axes.text(x, y, label(name), fontsize=SMALL, ha="center", va="center", zorder=0.5)


def _residuals(axes: Axes, fit: Fit, units: str, shown: NDArray[np.bool_]) -> None:
    """Residuals of the readings `shown` (N,) by rows; outliers labelled."""
    faces = all(fit.readings.kinds[t] is TargetKind.FACE for t in np.unique(fit.readings.target[shown]))
    plain_axes(axes, "Residuals of faces, + outward" if faces else "Residuals, lengths")
    rows = np.array([fit.readings.row(k) for k in range(len(fit.readings))])
    size = fit.residuals.size_mm * in_units(1.0, units)
    axes.axhline(0.0, color="0.6", linewidth=0.8)
    ends = []
    for t, name in enumerate(fit.readings.names):
        mine = (fit.readings.target == t) & shown
        if mine.any():
            marker, grey = _look(t)
            axes.plot(
                rows[mine],
                size[mine],
                marker,
                color=grey,
                fillstyle="none",
                markersize=5,
            )
            last = int(np.flatnonzero(mine)[-1])
            ends.append((float(rows[last]), float(size[last]), name, grey))
    for outlier in fit.outliers:
        if not shown[outlier.index]:
            continue
        axes.annotate(
            f"row {outlier.row}: {fine(float(fit.residuals.size_mm[outlier.index]), units)}",
            (rows[outlier.index], size[outlier.index]),
            xytext=(6, 0),
            textcoords="offset points",
            fontsize=SMALL,
            weight="bold",
        )
    axes.set_xlabel("row", fontsize=SMALL)
    axes.set_ylabel(f"{'residual, + outward' if faces else 'length of residual'}, {units}", fontsize=SMALL)
    axes.margins(x=0.08, y=0.15)
    axes.locator_params(axis="x", integer=True, nbins=6)
    if float(np.abs(size[shown]).max()) < _NOTHING_MM:
        # An axis of rounding errors would look like scatter.
        axes.set_ylim(-in_units(_LEAST_MM, units), in_units(_LEAST_MM, units))
    if len(fit.readings.names) <= len(MARKERS):
        _names_at_the_right(axes, ends)


def _names_at_the_right(axes: Axes, ends: Sequence[tuple[float, float, str, str]]) -> None:
    """Names in a column right of the axes, each joined to the last of its points."""
    low, high = axes.get_ylim()
    ordered = sorted(ends, key=lambda end: end[1])
    heights = [(end[1] - low) / (high - low) for end in ordered]
    for k in range(1, len(heights)):
        heights[k] = max(heights[k], heights[k - 1] + _LINE_OF_TYPE)
    over = max(heights[-1] - 1.0, 0.0) if heights else 0.0
    for (x, y, name, grey), height in zip(ordered, heights, strict=True):
        axes.annotate(
            label(name),
            (x, y),
            xytext=(1.02, height - over),
            textcoords="axes fraction",
            fontsize=SMALL,
            va="center",
            arrowprops={"arrowstyle": "-", "color": grey, "linewidth": 0.5, "shrinkA": 1, "shrinkB": 4},
        )


def _look(target: int) -> tuple[str, str]:
    return MARKERS[target % len(MARKERS)], _GREYS[target % len(_GREYS)]


def _way(across: NDArray[np.float64]) -> str:
    """Name of the machine axis nearest a direction, with its sign."""
    k = int(abs(across).argmax())
    return f"{'+' if across[k] > 0 else '-'}{'XYZ'[k]}"


_LOOKS = (("o", "-", "0.0"), ("s", "--", "0.45"))


def drift_plot(name: str, entries: Sequence[CalibrationRecord], ending: str, unit: Unit) -> bytes:
    """Plot of each line's shift across itself since before the first calibration, with dates and expanded uncertainties."""
    letters, units = drifting_letters(entries), unit.value
    figure = new_figure(9.0, 3.1 * len(letters) + 0.8)
    numbers = np.arange(len(entries) + 1)
    for place, letter in enumerate(letters):
        axes = figure.add_subplot(len(letters), 1, place + 1)
        plain_axes(axes, f"{letter}'s line")
        shifts, ways = axis_drift(entries, letter, unit)
        spread = _expanded(entries, letter, ways, unit)
        for m in range(len(ways)):
            marker, style, grey = _LOOKS[m]
            axes.errorbar(
                numbers,
                shifts[:, m],
                yerr=spread[:, m],
                fmt=marker + style,
                color=grey,
                fillstyle="none" if m else "full",
                markersize=5,
                linewidth=1.0,
                capsize=3,
            )
        last = int(np.flatnonzero(np.isfinite(shifts[:, 0]))[-1])
        apart = shifts[last, 0] >= shifts[last, 1]
        for m, way in enumerate(ways):
            up = 7 if apart == (m == 0) else -7
            axes.annotate(
                f"in {way}",
                (numbers[last], shifts[last, m]),
                xytext=(8, up),
                textcoords="offset points",
                fontsize=SMALL,
                va="center",
            )
        axes.set_ylabel(f"shift, {units}", fontsize=SMALL)
        axes.margins(x=0.08)
        axes.set_xticks(numbers, ["before", *(_tick(entry) for entry in entries)], fontsize=SMALL - 1)
    headline(figure, f"{name}: drift of the lines")
    return as_file(figure, ending)


def _tick(entry: CalibrationRecord) -> str:
    try:
        day = datetime.fromisoformat(entry.said["date"]).date().isoformat()
    except ValueError:
        day = "?"
    restored = "\nrestored" if entry.said["action"] == "restore" else ""
    return f"{entry.number}\n{day}{restored}"


def _expanded(
    entries: Sequence[CalibrationRecord], letter: str, ways: Sequence[str], unit: Unit
) -> NDArray[np.float64]:
    """Expanded uncertainties as the log has them, in `unit`, shape (k + 1, 2); 0 where it has none."""
    found = np.zeros((len(entries) + 1, len(ways)))
    for entry in entries:
        for rotary in entry.fitted:
            if rotary.get("letter") != letter:
                continue
            errors = rotary.get("location_errors")
            for m, way in enumerate(ways):
                error = errors.get(f"E_{way}0{letter}") if isinstance(errors, dict) else None
                expanded = error.get("expanded") if isinstance(error, dict) else None
                if isinstance(expanded, int | float) and entry.applied:
                    found[entry.number, m] = unit.from_mm(entry.unit.to_mm(expanded))
    return found
