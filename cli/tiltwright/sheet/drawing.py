"""Drawing of one tilt from the side, to scale, with the offset's two components dimensioned from the tilt axis."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tiltwright.output import typesetting
from tiltwright.output.canvas import Canvas, LabelBox, Point
from tiltwright.output.numbers import with_minus
from tiltwright.sheet.panel_layout import (
    HEAVY,
    MEDIUM,
    THIN,
    TYPE_MM,
    WIDE,
    Label,
    PanelLayout,
    ViewTransform,
    choose_scale,
    write_column,
)
from tiltwright.sheet.side_view import OriginMark, SideView, Solids
from tiltwright.sheet.solid_drawing import bars_mm, draw_bars, draw_projection, solid_labels


def dimension(canvas: Canvas, view: SideView, axis: Point, origin: Point, layout: PanelLayout) -> None:
    """Draw the two components from the turning axis to the origin, both given on the paper."""
    mark, size = view.marks[0], layout.dimension_mm
    across, up = dimension_texts(view, mark)
    at_x, at_y = layout.dimension_x, layout.dimension_y
    for point in (axis, origin):
        canvas.line((at_x - 1.5, point[1]), (point[0] - 3.2, point[1]), THIN)
        canvas.line((point[0], point[1] + 3.2), (point[0], at_y + 1.5), THIN)
    top, bottom = sorted((axis[1], origin[1]))
    _span(canvas, (at_x, top), (at_x, bottom), level=False)
    rows = up.split(" ") if layout.brief else [up]
    for row, text in enumerate(rows):
        baseline = (top + bottom) / 2 + size * (0.27 + 1.2 * (row - (len(rows) - 1) / 2))
        canvas.text((at_x - 3.2, baseline), text, size, anchor="end", bold=True)
    left, right = sorted((axis[0], origin[0]))
    _span(canvas, (left, at_y), (right, at_y), level=True)
    width = typesetting.width_em(across, bold=True) * size
    if layout.brief:
        middle = min(max((left + right) / 2, width / 2 + 0.5), layout.width - width / 2 - 0.5)
        canvas.text((middle, at_y + 5.0), across, size, anchor="middle", bold=True)
    elif width + 3.0 < right - left:
        canvas.text(((left + right) / 2, at_y - 1.6), across, size, anchor="middle", bold=True)
    else:
        canvas.text((right + 6.0, at_y + size * 0.27), across, size, bold=True)


def dimension_texts(view: SideView, mark: OriginMark) -> tuple[str, str]:
    """The two dimensions as the drawing shows them, e.g. ``"ΔY 12.000"``."""
    return f"Δ{view.right} {with_minus(mark.delta[0])}", f"ΔZ {with_minus(mark.delta[1])}"


def _span(canvas: Canvas, start: Point, end: Point, *, level: bool) -> None:
    """A dimension line with its arrow heads: inside when there is room, else outside, pointing in."""
    long = end[0] - start[0] + end[1] - start[1]
    ux, uy = (1.0, 0.0) if level else (0.0, 1.0)
    if long > 6.5:
        canvas.line(start, end, MEDIUM)
        canvas.arrow_head(start, (-ux, -uy))
        canvas.arrow_head(end, (ux, uy))
        return
    for tip, side in ((start, -1.0), (end, 1.0)):
        canvas.line((tip[0] + side * 4.8 * ux, tip[1] + side * 4.8 * uy), tip, MEDIUM)
        canvas.arrow_head(tip, (-side * ux, -side * uy))


GREYS = ("#e6e6e6", "#f7f7f7", "#d6d6d6")
ARC_HALF_DEG = 40.0  # of the arrow that tells how the table turns
PLATTER = 1.6  # weight of a platter seen edge on
STAND_IN_DASH = "1.6 1.1"  # outlines of what is not drawn as it is
PART_ZERO = "part zero"
ALOFT = 400.0  # higher than any panel


@dataclass(frozen=True)
class Panel:
    """A finished drawing.

    Parameters
    ----------
    svg : str
    labels : tuple of LabelBox
        Every text with the paper it takes, in mm.
    strokes : tuple of ((x, y), (x, y))
        Every line that must keep off the labels.
    scale, caption : str
        "1:3", say; the same with the note about the outlines.
    origin, arrow_tip : (x, y)
        The drawn operation's origin, and the end of the spindle's arrow above it; None if the tool itself is drawn.
    size : (width, height)
        In mm.
    dimension_lines : (x, y)
        Positions of the vertical and the horizontal dimension line.
    """

    svg: str
    labels: tuple[LabelBox, ...]
    strokes: tuple[tuple[Point, Point], ...]
    scale: str
    caption: str
    origin: Point
    arrow_tip: Point | None
    size: Point
    dimension_lines: Point


def draw(view: SideView, layout: PanelLayout = WIDE) -> Panel:
    """Draw a side view.

    Parameters
    ----------
    view : SideView
    layout : PanelLayout

    Returns
    -------
    Panel
        As wide as the layout, as high as its content needs, everything in black and grey.
    """
    solids = view.solids
    if layout.brief or solids is not None:
        _, up = dimension_texts(view, view.marks[0])
        text = up.split(" ")[1] if layout.brief else up
        layout = layout.beside(typesetting.width_em(text, bold=True) * layout.dimension_mm)
    if solids is not None:
        layout = layout.without_arrow()
    place, scale, layout = choose_scale(view, layout)
    size = layout.width, layout.height + bars_mm(solids)
    canvas = Canvas(*size)
    labels = [] if solids is None else _solids(canvas, solids, place, layout)
    labels += _bodies(canvas, view, place, layout)
    arrow = _spindle_arrow(view, place, layout) if solids is None else None
    labels += _marks(canvas, view, place, layout, arrow)
    if solids is not None:
        draw_bars(canvas, solids, layout.height, layout)
    dimension(canvas, view, place(view.marks[0].axis), place(view.marks[0].place), layout)
    write_column(canvas, labels, layout)
    caption = "; ".join(filter(None, (f"scale {scale}", view.outline_words)))
    if layout.alone:
        canvas.text((1.0, 4.0), with_minus(view.seen_from), TYPE_MM, halo=False)
        words = f"{caption}; scale as printed at 100 %"
        canvas.text((1.0, layout.height - 1.6), words, TYPE_MM, halo=False)
    return Panel(
        svg=canvas.svg(),
        labels=tuple(canvas.labels),
        strokes=tuple(canvas.strokes),
        scale=scale,
        caption=caption,
        origin=place(view.marks[0].place),
        arrow_tip=None if arrow is None else arrow[0],
        size=size,
        dimension_lines=(layout.dimension_x, layout.dimension_y),
    )


def _solids(canvas: Canvas, solids: Solids, place: ViewTransform, layout: PanelLayout) -> list[Label]:
    """Draw the solids from one side and, if there is room, from the other beside it; returns their labels."""
    field = LabelBox(layout.left, layout.top, layout.right, layout.bottom)
    beside = place.beside()
    if beside is not None:
        left_field = replace(field, right=place.between - 0.8)
        draw_projection(canvas, solids.other, beside, left_field)
        field = replace(field, left=place.between + 0.8)
        for shown, at in ((solids.other, beside.paper[0]), (solids.main, place.paper[0])):
            canvas.text((at, layout.top - 2.5), with_minus(shown.words), TYPE_MM, anchor="middle", halo=False)
    draw_projection(canvas, solids.main, place, field)
    return solid_labels(solids, place, layout)


def _bodies(canvas: Canvas, view: SideView, place: ViewTransform, layout: PanelLayout) -> list[Label]:
    """Draw platter and stack; returns their labels."""
    labels = []
    for index, step in enumerate(view.steps):
        target = place((step.start + step.end) / 2)
        if step.outline is not None:
            fill = GREYS[index % len(GREYS)]
            canvas.polygon([place(p) for p in step.outline], MEDIUM, fill=fill, dash=STAND_IN_DASH)
        words = (
            (f"{step.number}  {step.name}", with_minus(step.size))
            if step.size
            else (f"{step.number}  {step.name}",)
        )
        labels.append(Label((str(step.number),) if layout.brief else words, target, step=True))
    if view.last_line is not None:
        start, end = (place(p) for p in view.last_line)
        _centre_line(canvas, layout, start, end, THIN)
    if view.platter is not None:
        rim = [place(p) for p in view.platter]
        if view.solids is None or not view.solids.platter:
            weight = PLATTER if _is_thin(view.platter) else MEDIUM
            canvas.polygon(rim, weight, dash="" if view.platter_stated else STAND_IN_DASH)
        # a point off the middle, so that the leader does not end among the steps
        labels.insert(0, Label(("platter",) if layout.brief else (view.platter_words,), max(rim)))
    outlined = view.solids is not None or any(step.outline is not None for step in view.steps)
    for step in view.steps:
        canvas.line(
            place(step.start),
            place(step.end),
            MEDIUM if outlined else HEAVY,
            dash="1.2 0.9" if outlined else "",
        )
    return labels


def _centre_line(canvas: Canvas, layout: PanelLayout, start: Point, end: Point, weight: float) -> None:
    """Draw the part of a chain line that keeps off labels and dimensions."""
    free = LabelBox(
        layout.dimension_x + 2.0, layout.column_top, layout.column_x - 4.0, layout.dimension_y - 6.5
    )
    piece = free.clip(start, end)
    if piece is not None:
        canvas.line(*piece, weight, dash="5 1.2 1 1.2")


def _is_thin(rim: np.ndarray) -> bool:
    """True if a rim is seen edge on, or nearly so."""
    spread = np.linalg.svd(rim - rim.mean(axis=0), compute_uv=False)
    return bool(spread[1] < 0.03 * spread[0])


def _outlines(view: SideView) -> list[np.ndarray]:
    """The closed outlines of everything in a drawing; a step drawn as a line counts there and back."""
    found = [
        np.stack((step.start, step.end)) if step.outline is None else step.outline for step in view.steps
    ]
    if view.solids is not None:
        found += [ring for body in view.solids.main.bodies if body.whole for ring in body.rings]
    return found if view.platter is None else [*found, view.platter]


def _spindle_arrow(view: SideView, place: ViewTransform, layout: PanelLayout) -> tuple[Point, Point]:
    """Tip and tail of the spindle's arrow, above the origin and everything drawn over it."""
    mark = view.marks[0]
    origin = place(mark.place)
    lane = LabelBox(origin[0] - 2.2, -ALOFT, origin[0] + 2.2, ALOFT)
    tips = [origin[1] - 3.2]
    for outline in _outlines(view):
        corners = [place(point) for point in outline]
        pieces = [lane.clip(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
        tips += [min(piece[0][1], piece[1][1]) - 1.2 for piece in pieces if piece is not None]
    for centre, radius in ((place(view.part_zero), 1.5), (place(mark.axis), layout.arc_radius)):
        if abs(centre[0] - origin[0]) < radius + 2.2 and centre[1] < origin[1] - 1.0:
            tips.append(centre[1] - radius - 1.5)
    tip = origin[0], max(min(tips), layout.column_top + 5.0)
    return tip, (tip[0], max(tip[1] - layout.arrow, layout.column_top))


def _marks(
    canvas: Canvas,
    view: SideView,
    place: ViewTransform,
    layout: PanelLayout,
    arrow: tuple[Point, Point] | None,
) -> list[Label]:
    """Draw tilt axis, part zero, origin and spindle; returns their labels."""
    mark = view.marks[0]
    axis, zero, origin = place(mark.axis), place(view.part_zero), place(mark.place)
    if view.axis_line is None:
        canvas.circle(axis, 2.6, MEDIUM, fill="white")
        for dx, dy in ((4.2, 0.0), (0.0, 4.2)):
            canvas.line((axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy), MEDIUM)
        canvas.circle(axis, 0.7, MEDIUM, fill="black")
        if view.turns_clockwise is not None:
            half_deg = ARC_HALF_DEG if view.turns_clockwise else -ARC_HALF_DEG
            middle_deg = _free_side_deg(view, axis, place, layout)
            canvas.arc_arrow(axis, layout.arc_radius, middle_deg, half_deg, MEDIUM)
    else:
        dx, dy = 34.0 * float(view.axis_line[0]), -34.0 * float(view.axis_line[1])
        _centre_line(canvas, layout, (axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy), MEDIUM)
        canvas.circle(axis, 0.9, MEDIUM, fill="black")
    same = bool(np.hypot(zero[0] - origin[0], zero[1] - origin[1]) < 0.5)
    if not same:
        canvas.circle(zero, 1.5, MEDIUM, fill="white")
        canvas.circle(zero, 0.5, MEDIUM, fill="black")
    labels = []
    if arrow is not None:
        tip, tail = arrow
        if tip[1] < origin[1] - 4.0:
            _centre_line(canvas, layout, tip, (origin[0], origin[1] - 2.1), THIN)
        canvas.line(tail, (tip[0], tip[1] - 3.0), 1.1)
        canvas.arrow_head(tip, (0.0, 1.0), 4.6)
        words = "spindle" if layout.brief else "spindle, along machine Z"
        labels.append(Label((words,), (tail[0], tail[1] + 1.5)))
    canvas.circle(origin, 2.1, HEAVY, fill="white")
    canvas.line((origin[0] - 2.1, origin[1]), (origin[0] + 2.1, origin[1]), MEDIUM)
    canvas.line((origin[0], origin[1] - 2.1), (origin[0], origin[1] + 2.1), MEDIUM)
    labels += [
        Label(_origin_words(view, layout, same=same), origin, bold=True),
        Label((view.axis_name,) if layout.brief else view.axis_words, axis),
    ]
    return labels if same else [*labels, Label((PART_ZERO,), zero)]


def _origin_words(view: SideView, layout: PanelLayout, *, same: bool) -> tuple[str, ...]:
    mark = view.marks[0]
    if layout.brief:
        return (f"{mark.register},", PART_ZERO) if same else (mark.register,)
    shown = (
        f"{letter} {with_minus(value)}" for letter, value in zip((view.right, "Z"), mark.shown, strict=True)
    )
    return (
        f"{mark.register} {mark.name}",
        *shown,
        *((f"at {PART_ZERO}",) if same and mark.name != PART_ZERO else ()),
    )


def _free_side_deg(view: SideView, axis: Point, place: ViewTransform, layout: PanelLayout) -> float:
    """The side of the axis on which its arrow is farthest from platter and stack: below, left, right or above.

    Below only where that is clear of the dimension; the first side that is clear enough is taken.
    """
    share = np.linspace(0.0, 1.0, 25)[:, None, None]
    origin = np.array(place(view.marks[0].place))
    taken = [origin[None], np.linspace(origin, (origin[0], 0.0), 25)]  # the origin, and the spindle over it
    for outline in _outlines(view):
        corners = np.array([place(point) for point in outline])
        taken.append((corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2))
    points_taken = np.concatenate(taken)
    arc = np.radians(np.linspace(-ARC_HALF_DEG, ARC_HALF_DEG, 9))
    clear: dict[float, float] = {}
    for side in (90.0, 180.0, 0.0, 270.0):
        turn = arc + np.radians(side)
        points = np.array(axis) + layout.arc_radius * np.stack((np.cos(turn), np.sin(turn)), axis=-1)
        if points[:, 1].max() < layout.dimension_y - 7.0:
            clear[side] = float(np.linalg.norm(points[:, None] - points_taken[None], axis=-1).min())
    return next((side for side, gap in clear.items() if gap > 1.5), max(clear, key=lambda side: clear[side]))
