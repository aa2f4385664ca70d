"""Drawing of solids: visible faces filled, hidden edges thin, the smallest gap, and the bars of the travels."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tiltwright.output import typesetting
from tiltwright.output.canvas import Canvas, LabelBox, Point
from tiltwright.sheet.panel_layout import MEDIUM, THIN, TYPE_MM, Label, PanelLayout
from tiltwright.sheet.side_view import Flat, Projection, Solids

__all__ = ["bars_mm", "draw_bars", "draw_projection", "solid_labels"]

FILL = {"tool": "#707070", "holder": "#b0b0b0", "part": "#ffffff", "turning": "#dcdcdc", "base": "#f0f0f0"}
HIDDEN_DASH = "1.2 0.8"
ROW_MM = 5.6
EDGE = 0.3  # mm of paper
LONG_MM = 6.0  # a distance on paper that needs no ring to be found
Place = Callable[[Flat], Point]


def draw_projection(canvas: Canvas, shown: Projection, place: Place, within: LabelBox) -> None:
    """Draw all bodies as far as they lie in a box, and the smallest gap over them.

    A broken line marks a side where the box cuts a body off.
    """
    # An outline that lies on the box's very edge is not cut off.
    within = replace(within, left=within.left - EDGE, right=within.right + EDGE, bottom=within.bottom + EDGE)
    for body in shown.bodies:
        canvas.area(_placed(body.seen, place), FILL[body.kind], within)
    for body in shown.bodies:
        canvas.rings(_placed(body.rings, place), THIN, within, HIDDEN_DASH, "#707070")
    for body in shown.bodies:
        canvas.rings(_placed(body.seen, place), MEDIUM, within)
    _cuts(canvas, shown, place, within)
    if shown.gap is None:
        return
    first, last = (place(end) for end in shown.gap)
    for colour, weight in (("white", 1.5), ("black", 0.7)):
        canvas.line(first, last, weight, colour=colour)
    if _long(shown, place):
        for end in (first, last):
            canvas.circle(end, 0.8, THIN, fill="black")
        return
    canvas.circle(_middle(first, last), _ring_mm(first, last), MEDIUM)


def _cuts(canvas: Canvas, shown: Projection, place: Place, within: LabelBox) -> None:
    """A broken line along each side of the box that cuts bodies off, as high as they are there."""
    for side, sign in ((within.left, -1.0), (within.right, 1.0)):
        heights: list[float] = []
        for body in shown.bodies:
            for ring in _placed(body.rings, place):
                if max(sign * (x - side) for x, _ in ring) > EDGE:
                    inside = np.clip(_crossed(ring, side), within.top, within.bottom)
                    heights += inside.tolist() if np.ptp(inside) > 0.0 else []
        if heights:
            steps = np.linspace(min(heights), max(heights), 2 * max(int(np.ptp(heights) / 3.0), 1) + 1)
            points = [(side - sign * 0.9 * (k % 2), float(y)) for k, y in enumerate(steps)]
            for first, last in pairwise(points):
                canvas.line(first, last, THIN)


def _crossed(ring: list[Point], x: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The heights at which a ring crosses an upright line."""
    found = [
        y1 + (x - x1) / (x2 - x1) * (y2 - y1)
        for (x1, y1), (x2, y2) in zip(ring, [*ring[1:], ring[0]], strict=True)
        if (x1 - x) * (x2 - x) < 0.0
    ]
    return np.array(found or [0.0, 0.0])


def _placed(rings: tuple[Flat, ...], place: Place) -> list[list[Point]]:
    return [[place(point) for point in ring] for ring in rings]


def _middle(first: Point, last: Point) -> Point:
    return (first[0] + last[0]) / 2, (first[1] + last[1]) / 2


def _ring_mm(first: Point, last: Point) -> float:
    return max(2.0, float(np.hypot(last[0] - first[0], last[1] - first[1])) / 2 + 1.2)


def _long(shown: Projection, place: Place) -> bool:
    assert shown.gap is not None
    first, last = (place(end) for end in shown.gap)
    return bool(np.hypot(last[0] - first[0], last[1] - first[1]) > LONG_MM)


def solid_labels(solids: Solids, place: Place, layout: PanelLayout) -> list[Label]:
    """Labels of the tool and the smallest gap."""
    labels = []
    holder = [body for body in solids.main.bodies if body.kind in {"tool", "holder"} and body.whole]
    if solids.tool and holder:
        # the topmost of them: the tool's own tip is crowded
        top = max(holder, key=lambda body: float(np.concatenate(body.rings)[:, 1].max()))
        points = np.concatenate(top.rings)
        labels.append(
            Label(
                ("tool" if layout.brief else solids.tool,),
                place((points.min(axis=0) + points.max(axis=0)) / 2),
            )
        )
    if solids.main.gap is not None and solids.gap_words:
        first, last = (place(end) for end in solids.main.gap)
        middle = _middle(first, last)
        aside = 0.0 if _long(solids.main, place) else _ring_mm(first, last)
        words = solids.gap_words[:1] if layout.brief else solids.gap_words
        labels.append(Label(words, (middle[0] + aside, middle[1]), bold=True))
    return labels


def bars_mm(solids: Solids | None) -> float:
    """The height that the travels' bars take below a drawing."""
    return 0.0 if solids is None or not solids.bars else (len(solids.bars) + 1) * ROW_MM + 2.0


def draw_bars(canvas: Canvas, solids: Solids, top: float, layout: PanelLayout) -> None:
    """Draw a bar for every axis: its travel in outline, the needed part dark, the rest in words at either end."""
    if not solids.bars:
        return
    canvas.text((1.0, top + 4.4), solids.travel_words[int(layout.brief)], TYPE_MM, halo=False)
    texts = [[words.split(" ")[0] if layout.brief and "left" in words else words for words in (bar.low, bar.high)]
             for bar in solids.bars]  # fmt: skip
    wide = max(typesetting.width_em(text, bold=True) for pair in texts for text in pair) * TYPE_MM
    left, right = 7.0 + wide + 3.0, layout.width - wide - 3.5
    for row, (bar, (low, high)) in enumerate(zip(solids.bars, texts, strict=True), 1):
        baseline = top + 4.4 + row * ROW_MM
        canvas.text((1.0, baseline), bar.axis, TYPE_MM, bold=True, halo=False)
        canvas.text((left - 2.5, baseline), low, TYPE_MM, anchor="end", bold="BEYOND" in low, halo=False)
        canvas.text((right + 2.5, baseline), high, TYPE_MM, bold="BEYOND" in high, halo=False)
        canvas.rectangle(LabelBox(left, baseline - 2.9, right, baseline + 0.3), MEDIUM, fill="#ffffff")
        # beyond an end it sticks out a little, and a single point is still seen
        start, end = (left + min(max(share, -0.02), 1.02) * (right - left) for share in (bar.start, bar.end))
        canvas.rectangle(
            LabelBox(start - 0.3, baseline - 2.3, end + 0.3, baseline - 0.3), THIN, fill="#505050"
        )
