"""The two dimensions of a side view: from the turning axis to the operation's origin."""

from __future__ import annotations

from tiltwright.sheet import typeface
from tiltwright.sheet.canvas import Canvas, Point
from tiltwright.sheet.layout import MEDIUM, THIN, Layout
from tiltwright.sheet.view import OriginMark, SideView
from tiltwright.show.numbers import with_minus


def dimension(canvas: Canvas, view: SideView, axis: Point, origin: Point, layout: Layout) -> None:
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
    width = typeface.width_em(across, bold=True) * size
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
