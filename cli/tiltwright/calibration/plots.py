"""Pictures of a fit and of how the lines have drifted.

Drawn in black and greys with a marker and a line style for everything, so that a copy keeps all of it.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import Fit, TargetKind
from tiltwright.calibration.calibration_log import CalibrationRecord, axis_drift
from tiltwright.calibration.fit_text import fine
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.numbers import in_units

__all__ = [
    "ENDINGS",
    "Circles",
    "as_file",
    "circles_about",
    "drift_plot",
    "fit_plot",
    "label",
    "new_figure",
    "nice",
]

_PARALLEL = np.cos(np.radians(5.0))
_STILL_DEG = 1e-3


@dataclass(frozen=True, eq=False)
class Circles:
    """Readings about one line, those of faces and of slanting axes left out.

    Attributes
    ----------
    at_mm : ndarray, shape (k, 2)
        From the line, along `Fit.basis` of the rotary, the turns of the rotaries before it taken off.
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
    """The readings about the fitted line of rotary i."""
    readings, line = fit.readings, fit.lines[i]
    machine = fit.fitted_machine
    point, residual = readings.points_mm, fit.residuals.residual_mm
    for place, rotary in enumerate(machine.rotaries[:i]):
        back = rotary.turned(readings.angles_deg[:, place]).inverse()
        point, residual = back.apply(point), back.turn(residual)
    still = float(np.ptp(readings.angles_deg[:, i])) < _STILL_DEG
    keep = _runs_round(fit, i)[readings.target] if not still else np.zeros(len(readings), dtype=np.bool_)
    from_line = (point - line.point_mm) @ fit.basis[i].T
    at = from_line[keep]
    return Circles(
        at_mm=at,
        residual_mm=(residual @ fit.basis[i].T)[keep],
        radius_mm=np.linalg.norm(at, axis=-1),
        target=readings.target[keep],
        still=still,
    )


def _runs_round(fit: Fit, i: int) -> NDArray[np.bool_]:
    """Which targets keep their distance from the line: balls, and bores and pins along it while the last one turns."""
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
    from matplotlib.figure import Figure

ENDINGS = (".png", ".svg", ".pdf")
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
_GREYS = ("0.0", "0.35", "0.55", "0.2", "0.45", "0.65", "0.1", "0.5")
_PANEL = 4.2
_LONGEST_NAME = 28
_NOTHING_MM = 1e-7
_LEAST_MM = 1e-3


def fit_plot(fit: Fit, units: str, ending: str) -> bytes:
    """The picture of a fit.

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
    title = f"{fit.machine.name}: {len(fit.readings)} readings"
    figure.suptitle(label(title, 70), fontsize=12)
    return as_file(figure, ending)


def new_figure(wide: float, high: float) -> Figure:
    """An empty figure in inches; never one of pyplot's, which would keep every figure alive."""
    from matplotlib.figure import Figure

    return Figure(figsize=(wide, high), layout="constrained")


def as_file(figure: Figure, ending: str) -> bytes:
    """A figure as a file's content, without the date and the counters that would make every file differ."""
    import matplotlib as mpl

    metadata: dict[str, Any] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(ending, {})
    content = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "tiltwright", "svg.fonttype": "path"}), warnings.catch_warnings():
        # A name may hold a sign that the plot's font lacks; a box in the picture tells that well enough.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*")
        figure.savefig(content, format=ending.removeprefix("."), dpi=150, metadata=metadata)
    return content.getvalue()


def label(text: str, longest: int = _LONGEST_NAME) -> str:
    """A text in which nothing is a formula, cut to a readable length."""
    plain = sanitized(text)
    plain = plain if len(plain) <= longest else plain[: longest - 1] + "…"
    return plain.replace("\\", "\N{FULLWIDTH REVERSE SOLIDUS}").replace("$", r"\$")


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
    axes.set_title(f"about {letter}", fontsize=11)
    axes.set_aspect("equal", adjustable="datalim")
    _plain(axes)
    axes.set_xlabel(f"{first} from {letter}'s line, {units}")
    axes.set_ylabel(f"{second}, {units}")
    axes.plot(0.0, 0.0, "+", color="black", markersize=10)
    if not len(found.at_mm):
        words = f"no target runs round {letter} here" if not found.still else f"nothing here turns {letter}"
        axes.text(0.5, 0.6, words, transform=axes.transAxes, ha="center", fontsize=9)
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
        f"residuals {magnified:g} times larger; the bar: {size:g} {units}",
        xy=(0.5, 1.0),
        xycoords="axes fraction",
        xytext=(0.0, -10.0),
        textcoords="offset points",
        ha="center",
        va="top",
        fontsize=8,
    )
    low, high = axes.get_ylim()
    y = low - 0.06 * (high - low)
    axes.plot([-long / 2, long / 2], [y, y], "-|", color="black", linewidth=2, markersize=8)
    # Room for the bar and the words; fixed limits would fight with the equal scales.
    axes.update_datalim([(0.0, y - 0.05 * (high - low)), (0.0, high + 0.12 * (high - low))])
    axes.autoscale_view()


def _region(axes: Axes, fit: Fit, letter: str, units: str) -> None:
    """Where the pivot may lie, with the machine file's pivot at the origin."""
    i = fit.machine.index(letter)
    scale = in_units(1.0, units)
    centre = fit.parameters[4 * i : 4 * i + 2] * scale
    _plain(axes)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_title(f"{letter}'s pivot, across its line", fontsize=11)
    axes.set_xlabel(f"{_way(fit.basis[i, 0])} from the machine file, {units}")
    axes.set_ylabel(f"{_way(fit.basis[i, 1])}, {units}")
    axes.plot(0.0, 0.0, "x", color="0.45", markersize=9, markeredgewidth=2, label="machine file")
    axes.plot(*centre, "o", color="black", markersize=5, label="these readings")
    if fit.covariance is None:
        axes.text(0.5, 0.92, "nothing tells how sure", transform=axes.transAxes, ha="center", fontsize=9)
    else:
        middle, half = fit.region(letter)
        angle = np.linspace(0.0, 2.0 * np.pi, 181)
        ellipse = middle[:, None] + half[0][:, None] * np.cos(angle) + half[1][:, None] * np.sin(angle)
        axes.plot(
            *(ellipse * scale), "-", color="black", linewidth=1.2, label=f"{fit.level * 100:g} % region"
        )
    axes.margins(0.15)
    axes.locator_params(nbins=5)
    axes.legend(fontsize=8, loc="best", frameon=True)


def _residuals(axes: Axes, fit: Fit, units: str, shown: NDArray[np.bool_]) -> None:
    """The residuals of the readings shown (N,) by their rows; the suspects by name."""
    _plain(axes)
    rows = np.array([fit.readings.row(k) for k in range(len(fit.readings))])
    size = fit.residuals.size_mm * in_units(1.0, units)
    axes.axhline(0.0, color="0.6", linewidth=0.8)
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
                label=label(f"\u200a{name}"),
            )
    for suspect in fit.outliers:
        if not shown[suspect.index]:
            continue
        axes.annotate(
            f"row {suspect.row}: {fine(float(fit.residuals.size_mm[suspect.index]), units)}",
            (rows[suspect.index], size[suspect.index]),
            xytext=(6, 0),
            textcoords="offset points",
            fontsize=8,
            weight="bold",
        )
    faces = all(fit.readings.kinds[t] is TargetKind.FACE for t in np.unique(fit.readings.target[shown]))
    axes.set_xlabel("row")
    axes.set_ylabel(f"{'residual, + outward' if faces else 'length of residual'}, {units}", fontsize=9)
    axes.margins(x=0.08, y=0.15)
    axes.locator_params(axis="x", integer=True, nbins=6)
    if float(np.abs(size[shown]).max()) < _NOTHING_MM:
        # An axis of rounding errors would look like scatter.
        axes.set_ylim(-in_units(_LEAST_MM, units), in_units(_LEAST_MM, units))
    if len(fit.readings.names) <= len(MARKERS):
        axes.legend(fontsize=8, loc="best", frameon=True)


def _look(target: int) -> tuple[str, str]:
    return MARKERS[target % len(MARKERS)], _GREYS[target % len(_GREYS)]


def _plain(axes: Axes) -> None:
    axes.grid(visible=True, color="0.9", linewidth=0.6)
    axes.tick_params(labelsize=8)
    axes.set_axisbelow(True)


def _way(across: NDArray[np.float64]) -> str:
    """A direction across a line by the machine axis that it follows."""
    k = int(abs(across).argmax())
    return f"{'+' if across[k] > 0 else '-'}{'XYZ'[k]}"


_LOOKS = (("o", "-", "0.0"), ("s", "--", "0.45"))


def drift_plot(name: str, entries: Sequence[CalibrationRecord], ending: str) -> bytes:
    """Each line's way across itself, from where it was before the first calibration, by number; with dates and U."""
    letters = list(entries[0].before)
    units = entries[-1].said["units"]
    figure = new_figure(9.0, 3.1 * len(letters) + 0.8)
    numbers = np.arange(len(entries) + 1)
    for place, letter in enumerate(letters):
        axes = figure.add_subplot(len(letters), 1, place + 1)
        axes.grid(visible=True, color="0.9", linewidth=0.6)
        shifts, ways = axis_drift(entries, letter)
        spread = _expanded(entries, letter, ways)
        for m, way in enumerate(ways):
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
                label=f"{letter} in {way}",
            )
        axes.set_ylabel(f"{letter}'s line, {units}")
        axes.set_xticks(numbers, ["before", *(_tick(entry) for entry in entries)], fontsize=7)
        axes.legend(fontsize=8, loc="best")
    figure.suptitle(label(f"{name}: how the lines have wandered", 70), fontsize=11)
    return as_file(figure, ending)


def _tick(entry: CalibrationRecord) -> str:
    try:
        day = datetime.fromisoformat(entry.said["date"]).date().isoformat()
    except ValueError:
        day = "?"
    restored = "\nrestored" if entry.said["action"] == "restore" else ""
    return f"{entry.number}\n{day}{restored}"


def _expanded(entries: Sequence[CalibrationRecord], letter: str, ways: Sequence[str]) -> NDArray[np.float64]:
    """Expanded uncertainties as the log has them, shape (k + 1, 2); 0 where it has none."""
    found = np.zeros((len(entries) + 1, len(ways)))
    for entry in entries:
        result = entry.said.get("result")
        for rotary in result.get("rotary", []) if isinstance(result, dict) else []:
            if rotary.get("letter") != letter:
                continue
            errors = rotary.get("location_errors", {})
            for m, way in enumerate(ways):
                expanded = errors.get(f"E_{way}0{letter}", {}).get("expanded")
                if isinstance(expanded, int | float):
                    found[entry.number, m] = expanded
    return found
