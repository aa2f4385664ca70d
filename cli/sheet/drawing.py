"""The side view of one tilt, to scale, with the offset's two components dimensioned from the tilt axis.

Layout of a panel, so that labels and lines never meet: the geometry in the middle, the vertical dimension in a strip to
the left, the horizontal one in a strip below, every other label in a column to the right with a thin leader.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tiltwright.sheet import typeface
from tiltwright.sheet.canvas import Box, Canvas, Point
from tiltwright.sheet.view import OriginMark, SideView
from tiltwright.show.numbers import with_minus

PANEL_MM = (178.0, 102.0)
SMALL_MM, BIG_MM = 3.6, 4.6  # type sizes; the digits are 0.73 of that high
FIELD = (43.0, 24.0, 112.0, 80.0)  # left, top, right, bottom of the geometry
DIMENSION_X, DIMENSION_Y = 37.0, 91.0  # where the dimension lines run
COLUMN_X = 119.0  # left edge of the labels
COLUMN = (7.5, 84.0)  # top and bottom of the labels
GREYS = ("#dedede", "#f4f4f4", "#c6c6c6")
ARC_RADIUS, ARC_HALF_DEG = 7.0, 40.0  # of the arrow that tells how the table turns
THIN, MEDIUM, HEAVY, PLATTER = 0.2, 0.35, 0.55, 1.6
REDUCTIONS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 100.0)


@dataclass(frozen=True)
class Panel:
    """A finished drawing.

    Parameters
    ----------
    svg : str
    labels : tuple of Box
        Every text with the paper it takes, in mm.
    strokes : tuple of ((x, y), (x, y))
        Every line that must keep off the labels.
    scale : str
        "1:3", say.
    """

    svg: str
    labels: tuple[Box, ...]
    strokes: tuple[tuple[Point, Point], ...]
    scale: str


@dataclass(frozen=True)
class _Label:
    """A label of the right-hand column and the feature it belongs to."""

    lines: tuple[str, ...]
    target: Point
    bold: bool = False
    dot: bool = True

    @property
    def height(self) -> float:
        return len(self.lines) * SMALL_MM * 1.2 + 0.9


def draw(view: SideView) -> Panel:
    """Draw a side view.

    Parameters
    ----------
    view : SideView

    Returns
    -------
    Panel
        178 mm x 102 mm, everything in black and grey.
    """
    canvas = Canvas(*PANEL_MM)
    place, scale = _fit(view)
    labels = [*_bodies(canvas, view, place), *_marks(canvas, view, place)]
    _dimensions(canvas, view, place)
    _column(canvas, labels)
    canvas.text((1.0, 4.0), with_minus(view.seen_from), SMALL_MM, halo=False)
    canvas.text(
        (1.0, PANEL_MM[1] - 1.6), f"scale {scale} printed at 100 %; {view.widths_words}", SMALL_MM, halo=False
    )
    return Panel(canvas.svg(), tuple(canvas.labels), tuple(canvas.strokes), scale)


@dataclass(frozen=True)
class _Placing:
    """Flat millimetres of the machine to millimetres of the paper."""

    factor: float
    middle: Point
    paper: Point

    def __call__(self, point: np.ndarray) -> Point:
        return (
            self.paper[0] + (float(point[0]) - self.middle[0]) * self.factor,
            self.paper[1] - (float(point[1]) - self.middle[1]) * self.factor,
        )


def _fit(view: SideView) -> tuple[_Placing, str]:
    """The largest scale of the usual row at which everything lies in the field."""
    mark = view.marks[0]
    points = [np.atleast_2d(p) for p in (mark.place, mark.axis, view.part_zero)]
    points += [step.outline for step in view.steps if step.outline is not None]
    points += [np.stack((step.start, step.end)) for step in view.steps]
    points += [] if view.platter is None else [view.platter]
    low, high = np.concatenate(points).min(axis=0), np.concatenate(points).max(axis=0)
    room = np.array([FIELD[2] - FIELD[0], FIELD[3] - FIELD[1]])
    need = float(((high - low) / room).max())
    reduction = next((r for r in REDUCTIONS if r >= need), 10.0 ** np.ceil(np.log10(max(need, 1.0))))
    middle = (low + high) / 2
    paper = ((FIELD[0] + FIELD[2]) / 2, (FIELD[1] + FIELD[3]) / 2)
    return _Placing(1.0 / reduction, (float(middle[0]), float(middle[1])), paper), f"1:{reduction:g}"


def _bodies(canvas: Canvas, view: SideView, place: _Placing) -> list[_Label]:
    """Platter and stack; returns what there is to say about them."""
    labels = []
    for index, step in enumerate(view.steps):
        target = place((step.start + step.end) / 2)
        if step.outline is not None:
            canvas.polygon([place(p) for p in step.outline], HEAVY, fill=GREYS[index % len(GREYS)])
        words = f"{step.number}  {step.name}"
        labels.append(_Label((words, with_minus(step.height)) if step.height else (words,), target))
    if view.last_line is not None:
        start, end = (place(p) for p in view.last_line)
        _centre_line(canvas, start, end, THIN)
    if view.platter is not None:
        rim = [place(p) for p in view.platter]
        canvas.polygon(rim, PLATTER if _is_thin(view.platter) else MEDIUM)
        # a point off the middle, so that the leader does not end among the steps
        labels.insert(0, _Label((view.platter_words,), max(rim)))
    for step in view.steps:
        canvas.line(place(step.start), place(step.end), MEDIUM, dash="1.2 0.9")
    return labels


def _centre_line(canvas: Canvas, start: Point, end: Point, weight: float) -> None:
    """A chain line, as far as it keeps off the labels and dimensions around the geometry."""
    free = Box(DIMENSION_X + 2.0, 7.0, COLUMN_X - 4.0, DIMENSION_Y - 6.5)
    piece = free.clip(start, end)
    if piece is not None:
        canvas.line(*piece, weight, dash="5 1.2 1 1.2")


def _is_thin(rim: np.ndarray) -> bool:
    """Whether a rim is seen (nearly) edge on."""
    spread = np.linalg.svd(rim - rim.mean(axis=0), compute_uv=False)
    return bool(spread[1] < 0.03 * spread[0])


def _marks(canvas: Canvas, view: SideView, place: _Placing) -> list[_Label]:
    """Tilt axis, part zero, origin and spindle."""
    mark = view.marks[0]
    axis, zero, origin = place(mark.axis), place(view.part_zero), place(mark.place)
    if view.axis_line is None:
        canvas.circle(axis, 2.6, MEDIUM, fill="white")
        for dx, dy in ((4.2, 0.0), (0.0, 4.2)):
            canvas.line((axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy), MEDIUM)
        canvas.circle(axis, 0.7, MEDIUM, fill="black")
        if view.turns_clockwise is not None:
            half_deg = ARC_HALF_DEG if view.turns_clockwise else -ARC_HALF_DEG
            canvas.arc_arrow(axis, ARC_RADIUS, _free_side_deg(view, axis, place), half_deg, MEDIUM)
    else:
        dx, dy = 34.0 * float(view.axis_line[0]), -34.0 * float(view.axis_line[1])
        _centre_line(canvas, (axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy), MEDIUM)
        canvas.circle(axis, 0.9, MEDIUM, fill="black")
    same = bool(np.hypot(zero[0] - origin[0], zero[1] - origin[1]) < 0.5)
    if not same:
        canvas.circle(zero, 1.5, MEDIUM, fill="white")
        canvas.circle(zero, 0.5, MEDIUM, fill="black")
    tail, tip = (origin[0], origin[1] - 19.0), (origin[0], origin[1] - 3.2)
    canvas.line(tail, (tip[0], tip[1] - 3.0), 1.1)
    canvas.arrow_head(tip, (0.0, 1.0), 4.6)
    canvas.circle(origin, 2.1, HEAVY, fill="white")
    canvas.line((origin[0] - 2.1, origin[1]), (origin[0] + 2.1, origin[1]), MEDIUM)
    canvas.line((origin[0], origin[1] - 2.1), (origin[0], origin[1] + 2.1), MEDIUM)
    name = f"{mark.register} {mark.name}"
    shown = tuple(
        f"{letter} {with_minus(value)}" for letter, value in zip((view.right, "Z"), mark.shown, strict=True)
    )
    labels = [
        _Label(("spindle, along machine Z",), (tail[0], tail[1] + 2.0), dot=False),
        _Label((name, *shown, "at part zero") if same else (name, *shown), origin, bold=True, dot=False),
        _Label(tuple(view.axis_words), axis, dot=False),
    ]
    return labels if same else [*labels, _Label(("part zero",), zero, dot=False)]


def _free_side_deg(view: SideView, axis: Point, place: _Placing) -> float:
    """On which side of the axis its arrow is farthest from platter and stack: below, left, right or above.

    Below only where that is clear of the dimension; the first side that is clear enough is taken.
    """
    outlines = [step.outline for step in view.steps if step.outline is not None]
    outlines += [] if view.platter is None else [view.platter]
    if not outlines:
        return 180.0
    edges = []
    for outline in outlines:
        corners = np.array([place(point) for point in outline])
        share = np.linspace(0.0, 1.0, 25)[:, None, None]
        edges.append((corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2))
    taken = np.concatenate(edges)
    arc = np.radians(np.linspace(-ARC_HALF_DEG, ARC_HALF_DEG, 9))
    clear: dict[float, float] = {}
    for side in (90.0, 180.0, 0.0, 270.0):
        turn = arc + np.radians(side)
        points = np.array(axis) + ARC_RADIUS * np.stack((np.cos(turn), np.sin(turn)), axis=-1)
        if points[:, 1].max() < DIMENSION_Y - 7.0:
            clear[side] = float(np.linalg.norm(points[:, None] - taken[None], axis=-1).min())
    return next((side for side, gap in clear.items() if gap > 1.5), max(clear, key=lambda side: clear[side]))


def _column(canvas: Canvas, labels: list[_Label]) -> None:
    """Labels beside their features, moved apart from the top down, then up again from the bottom."""
    ordered = sorted(labels, key=lambda label: (label.target[1], -label.target[0]))
    room = COLUMN[1] - COLUMN[0]
    while (
        sum(label.height for label in ordered) > room
    ):  # a tall stack: the table beside the drawing has the rest
        ordered = _without_one(ordered)
    tops: list[float] = []
    edge = COLUMN[0]
    for label in ordered:
        tops.append(max(edge, label.target[1] - label.height / 2))
        edge = tops[-1] + label.height
    edge = COLUMN[1]
    for index in reversed(range(len(ordered))):
        tops[index] = min(tops[index], edge - ordered[index].height)
        edge = tops[index]
    for label, top in zip(ordered, tops, strict=True):
        y = top + label.height / 2
        canvas.line(label.target, (COLUMN_X - 3.0, y), THIN)
        canvas.line((COLUMN_X - 3.0, y), (COLUMN_X - 0.8, y), THIN)
        if label.dot:
            canvas.circle(label.target, 0.55, THIN, fill="black")
        room_em = (PANEL_MM[0] - COLUMN_X - 0.5) / SMALL_MM
        for row, line in enumerate(label.lines):
            text = typeface.shortened(typeface.printable(line), room_em, bold=label.bold)
            baseline = top + 0.45 + (row + 1) * SMALL_MM * 1.2 - 1.1
            canvas.text((COLUMN_X, baseline), text, SMALL_MM, bold=label.bold, halo=False)


def _without_one(labels: list[_Label]) -> list[_Label]:
    """Drop second lines of steps first, then whole steps, from the top of the list."""
    for index, label in enumerate(labels):
        if label.dot and len(label.lines) > 1:
            return [*labels[:index], _Label(label.lines[:1], label.target), *labels[index + 1 :]]
    index = next(i for i, label in enumerate(labels) if label.dot)
    return labels[:index] + labels[index + 1 :]


def _dimensions(canvas: Canvas, view: SideView, place: _Placing) -> None:
    """The two components from the tilt axis to the origin."""
    mark = view.marks[0]
    axis, origin = place(mark.axis), place(mark.place)
    across, up = dimension_texts(view, mark)
    for point in (axis, origin):
        canvas.line((DIMENSION_X - 1.5, point[1]), (point[0] - 3.2, point[1]), THIN)
        canvas.line((point[0], point[1] + 3.2), (point[0], DIMENSION_Y + 1.5), THIN)
    top, bottom = sorted((axis[1], origin[1]))
    _span(canvas, (DIMENSION_X, top), (DIMENSION_X, bottom))
    canvas.text((DIMENSION_X - 3.2, (top + bottom) / 2 + BIG_MM * 0.27), up, BIG_MM, anchor="end", bold=True)
    left, right = sorted((axis[0], origin[0]))
    _span(canvas, (left, DIMENSION_Y), (right, DIMENSION_Y))
    width = typeface.width_em(across, bold=True) * BIG_MM
    if width + 3.0 < right - left:
        canvas.text(((left + right) / 2, DIMENSION_Y - 1.6), across, BIG_MM, anchor="middle", bold=True)
    else:
        canvas.text((right + 6.0, DIMENSION_Y + BIG_MM * 0.27), across, BIG_MM, bold=True)


def dimension_texts(view: SideView, mark: OriginMark) -> tuple[str, str]:
    """The two dimensions as the drawing shows them, e.g. ``"ΔY 12.000"``."""
    return f"Δ{view.right} {with_minus(mark.delta[0])}", f"ΔZ {with_minus(mark.delta[1])}"


def _span(canvas: Canvas, start: Point, end: Point) -> None:
    """A dimension line with its arrow heads: inside when there is room, else outside, pointing in."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    long = max(dx, dy)
    ux, uy = (1.0, 0.0) if dy == 0 and dx >= 0 and start[1] == DIMENSION_Y else (0.0, 1.0)
    if long > 6.5:
        canvas.line(start, end, MEDIUM)
        canvas.arrow_head(start, (-ux, -uy))
        canvas.arrow_head(end, (ux, uy))
        return
    for tip, side in ((start, -1.0), (end, 1.0)):
        canvas.line((tip[0] + side * 4.8 * ux, tip[1] + side * 4.8 * uy), tip, MEDIUM)
        canvas.arrow_head(tip, (-side * ux, -side * uy))
