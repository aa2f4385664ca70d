"""Three orthographic views of one operation, to scale, with the smallest gap and the room left on the travels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import drawsvg
import numpy as np
from numpy.typing import NDArray

from kinematics.reach import Margin, Outline, View, flat_mm, outlines
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.numbers import angle, in_units, length
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, drawn_tip_mm
from tiltwright.reach.wording import corner_words, not_checked_sentences, shown_down

__all__ = ["three_views"]

Array: TypeAlias = NDArray[np.float64]

_WIDTH, _HEIGHT = 277.0, 190.0  # mm: a landscape A4 sheet less 10 on every side
_TITLE, _FOOT, _GUTTER, _CAPTION = 14.0, 40.0, 6.0, 6.0
_FILL = {"tool": "#555555", "holder": "#a8a8a8", "part": "#ffffff", "turning": "#d9d9d9", "base": "#efefef"}
_FONT = "DejaVu Sans, sans-serif"
_SEEN_FROM: dict[View, str] = {
    "front": "from the front: X to the right, Z up",
    "side": "from +X: Y to the right, Z up",
    "top": "from above: X to the right, Y up",
}
_AROUND_SHARE = 0.35
_MOST_MISSING, _LONGEST_MISSING = 4, 96
_LONG = 6.0  # mm on paper: a distance that needs no ring to be found


@dataclass(frozen=True)
class _Frame:
    """Frame of a view on the paper, and the part of the machine it shows, in millimetres."""

    left: float
    top: float
    width: float
    height: float
    low: tuple[float, float]
    scale: float

    def witness(self, flat: Array) -> Array:
        """Flat machine coordinates (..., 2) on the paper."""
        x = self.left + (flat[..., 0] - self.low[0]) * self.scale
        y = self.top + self.height - (flat[..., 1] - self.low[1]) * self.scale
        return np.stack([x, y], axis=-1)


def three_views(analysis: ReachAnalysis, which: int, units: str) -> str:
    """An SVG, its size in millimetres, of one operation from the front, from the side and from above.

    Parameters
    ----------
    analysis : ReachAnalysis
    which : int
        The operation, from 0.
    units : str
        "mm" or "inch".
    """
    operation = analysis.operations[which]
    drawing = drawsvg.Drawing(_WIDTH, _HEIGHT, id_prefix="v")
    drawing.set_render_size(f"{_WIDTH:g}mm", f"{_HEIGHT:g}mm")
    drawing.append(drawsvg.Rectangle(0, 0, _WIDTH, _HEIGHT, fill="white"))
    title = f"{analysis.evaluated.job.file.name}: {operation.pose.name}"
    _write(drawing, title, 0.0, 5.0, 4.2, bold=True)
    _write(drawing, _subtitle(analysis, operation, units), 0.0, 10.5, 3.0)
    _missing(drawing, analysis)
    tip = drawn_tip_mm(analysis.model, operation)
    each = (_WIDTH - 2 * _GUTTER - 0.4) / 3
    tall = _HEIGHT - _TITLE - _FOOT - _CAPTION
    views: tuple[View, ...] = ("front", "side", "top")
    found = {view: outlines(analysis.model, analysis.scene, operation.pose, view, tip) for view in views}
    focus = {view: _focus(found[view], flat_mm(tip, view)) for view in views}
    # One scale for all three, so that they can be compared.
    scale = min(min(each / np.ptp(box[:, 0]), tall / np.ptp(box[:, 1])) for box in focus.values())
    for number, view in enumerate(views):
        middle = focus[view].mean(axis=0)
        low = middle - np.array([each, tall]) / (2.0 * scale)
        frame = _Frame(
            0.2 + number * (each + _GUTTER), _TITLE, each, tall, (float(low[0]), float(low[1])), scale
        )
        _view(drawing, frame, found[view], view, operation, units)
    _foot(drawing, operation, units)
    text: str = drawing.as_svg()
    return text


def _missing(drawing: drawsvg.Drawing, analysis: ReachAnalysis) -> None:
    """Note of what was not checked, in the upper right corner: a clear picture must not pass for a clear setup."""
    sentences = not_checked_sentences(analysis)
    shown = sentences if len(sentences) <= _MOST_MISSING else sentences[: _MOST_MISSING - 1]
    lines = [
        *shown,
        *(
            [f"NOT CHECKED: {len(sentences) - len(shown)} more, listed by `reach`"]
            if shown != sentences
            else []
        ),
    ]
    for number, words in enumerate(lines):
        clipped = words if len(words) <= _LONGEST_MISSING else f"{words[: _LONGEST_MISSING - 3]}..."
        _write(drawing, clipped, _WIDTH, 3.0 + 2.9 * number, 2.3, bold=True, anchor="end")


def _subtitle(analysis: ReachAnalysis, operation: OperationAnalysis, units: str) -> str:
    angles = "  ".join(
        f"{letter} {angle(float(value))}"
        for letter, value in zip(analysis.model.machine.letters, operation.pose.machine_deg, strict=True)
    )
    near = operation.clearance.nearest
    words = "nothing is near"
    if near is not None:
        where = corner_words(operation)
        words = f"nearest: {near.body} to {near.obstacle}, {shown_down(near.gap_mm, units)} {units} {where}".rstrip()
    return f"machine angles {angles}    {words}"


def _focus(shown: tuple[Outline, ...], tip: Array) -> Array:
    """The box that a view must show: tool, work and what turns; base and spindle only as far as there is room."""
    points = [ring for one in shown if one.kind in {"tool", "part", "turning"} for ring in one.polygons]
    box = np.concatenate([*points, tip[None]])
    low, high = box.min(axis=0), box.max(axis=0)
    room = _AROUND_SHARE * float((high - low).max()) / 2.0 + 5.0
    return np.stack([low - room, high + room])


def _view(
    drawing: drawsvg.Drawing,
    frame: _Frame,
    shown: tuple[Outline, ...],
    view: View,
    operation: OperationAnalysis,
    units: str,
) -> None:
    clip = drawsvg.ClipPath()
    clip.append(drawsvg.Rectangle(frame.left, frame.top, frame.width, frame.height))
    group = drawsvg.Group(clip_path=clip)
    for one in shown:
        seen = _path(frame, one.seen)
        group.append(drawsvg.Path(d=seen, fill=_FILL[one.kind], fill_rule="evenodd", stroke="none"))
    for one in shown:
        hidden = _path(frame, one.polygons)
        group.append(
            drawsvg.Path(
                d=hidden, fill="none", stroke="#808080", stroke_width=0.12, stroke_dasharray="1.2 0.8"
            )
        )
    for one in shown:
        seen = _path(frame, one.seen)
        weight = 0.45 if one.kind in {"tool", "part"} else 0.3
        group.append(
            drawsvg.Path(d=seen, fill="none", stroke="black", stroke_width=weight, stroke_linejoin="round")
        )
    drawing.append(group)
    drawing.append(
        drawsvg.Rectangle(
            frame.left, frame.top, frame.width, frame.height, fill="none", stroke="#808080", stroke_width=0.15
        )
    )
    _gap(drawing, frame, view, operation, units)
    _write(drawing, _SEEN_FROM[view], frame.left, frame.top + frame.height + 4.0, 2.6)


def _path(frame: _Frame, rings: tuple[Array, ...]) -> str:
    """Rings as the data of an SVG path."""
    parts = []
    for ring in rings:
        points = " L".join(f"{x:.3f} {y:.3f}" for x, y in frame.witness(ring))
        parts.append(f"M{points} Z")
    return " ".join(parts) or "M0 0"


def _gap(
    drawing: drawsvg.Drawing, frame: _Frame, view: View, operation: OperationAnalysis, units: str
) -> None:
    """The tightest distance: a line between its ends, a ring about it where it is short, its size."""
    near, witness = operation.clearance.nearest, operation.witness
    if near is None or witness is None:
        return
    first, last = (frame.witness(flat_mm(end, view)) for end in (witness.body_mm, witness.obstacle_mm))
    middle = (first + last) / 2.0
    inside = (
        frame.left < middle[0] < frame.left + frame.width and frame.top < middle[1] < frame.top + frame.height
    )
    if not inside:
        return
    long = float(np.linalg.norm(last - first)) > _LONG
    radius = 0.0 if long else max(2.2, float(np.linalg.norm(last - first)) / 2.0 + 1.4)
    for end in (first, last) if long else ():
        drawing.append(drawsvg.Circle(*end.tolist(), 0.7, fill="black", stroke="white", stroke_width=0.3))
    for stroke, weight in (("white", 1.1), ("black", 0.35)) if not long else ():
        drawing.append(
            drawsvg.Circle(*middle.tolist(), radius, fill="none", stroke=stroke, stroke_width=weight)
        )
    drawing.append(drawsvg.Line(*first.tolist(), *last.tolist(), stroke="white", stroke_width=1.1))
    drawing.append(drawsvg.Line(*first.tolist(), *last.tolist(), stroke="black", stroke_width=0.5))
    right = middle[0] < frame.left + frame.width / 2.0
    turn = 1.0 if right else -1.0
    knee = middle + np.array([turn, -1.0]) * (radius * 0.7071 + 5.0)
    knee[1] = max(knee[1], frame.top + 4.0)
    start = middle + np.array([turn, -1.0]) * radius * 0.7071
    words = shown_down(near.gap_mm, units) if near.gap_mm > 0.0 else "contact"
    wide = 1.75 * len(words) + 1.0
    end = knee + np.array([turn * wide, 0.0])
    box_left = min(float(knee[0]), float(end[0]))
    drawing.append(drawsvg.Rectangle(box_left, knee[1] - 3.4, wide, 3.6, fill="white"))
    drawing.append(
        drawsvg.Lines(
            *start.tolist(), *knee.tolist(), *end.tolist(), fill="none", stroke="black", stroke_width=0.25
        )
    )
    _write(drawing, words, box_left + 0.5, float(knee[1]) - 0.8, 2.8, bold=True)


def _foot(drawing: drawsvg.Drawing, operation: OperationAnalysis, units: str) -> None:
    """A bar for every linear axis: its travel, what the operation needs of it, and what is left at either end."""
    top = _HEIGHT - _FOOT + 8.0
    _write(
        drawing,
        f"Travels, machine readouts in {units}: dark is what the operation needs",
        0.0,
        top - 3.0,
        2.6,
    )
    if not operation.linear:
        _write(drawing, "not stated", 0.0, top + 3.0, 2.6)
    for number, margin in enumerate(operation.linear):
        _bar(drawing, margin, top + 2.0 + 9.0 * number, units)


def _bar(drawing: drawsvg.Drawing, margin: Margin, top: float, units: str) -> None:
    left, right = 30.0, _WIDTH - 30.0
    low, high = margin.low_mm - margin.to_low_mm, margin.high_mm + margin.to_high_mm
    scale = (right - left) / (high - low)

    def across(value: float) -> float:
        return float(np.clip(left + (value - low) * scale, left - 4.0, right + 4.0))

    fits = margin.fits
    _write(drawing, margin.axis, 0.0, top + 3.2, 3.2, bold=True)
    _write(drawing, f"{in_units(low, units):.1f}", 8.0, top + 3.2, 2.4)
    _write(drawing, f"{in_units(high, units):.1f}", right + 2.0, top + 3.2, 2.4)
    drawing.append(
        drawsvg.Rectangle(left, top, right - left, 4.0, fill="white", stroke="black", stroke_width=0.2)
    )
    start, end = across(margin.low_mm), across(margin.high_mm)
    drawing.append(drawsvg.Rectangle(start - 0.4, top, end - start + 0.8, 4.0, fill="#555555"))
    words = (
        f"{length(margin.to_low_mm, units)} left"
        if margin.to_low_mm >= 0
        else f"{length(-margin.to_low_mm, units)} beyond"
    )
    _write(drawing, words, left + 1.0, top + 7.0, 2.2)
    words = (
        f"{length(margin.to_high_mm, units)} left"
        if margin.to_high_mm >= 0
        else f"{length(-margin.to_high_mm, units)} beyond"
    )
    _write(drawing, words, right - 1.0, top + 7.0, 2.2, anchor="end")
    if not fits:
        _write(drawing, "DOES NOT FIT", (left + right) / 2.0, top + 7.0, 2.4, bold=True, anchor="middle")


def _write(
    drawing: drawsvg.Drawing,
    words: str,
    x: float,
    y: float,
    size: float,
    *,
    bold: bool = False,
    anchor: str = "start",
) -> None:
    drawing.append(
        drawsvg.Text(
            sanitized(words),
            size,
            x,
            y,
            font_family=_FONT,
            font_weight="bold" if bold else "normal",
            text_anchor=anchor,
        )
    )
