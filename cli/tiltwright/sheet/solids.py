"""Solids of an operation in its side views: which are shown, the clearance found in words, and their hatched drawing."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from kinematics.reach import Margin, View, flat_mm, outlines
from tiltwright.output import numbers, typesetting
from tiltwright.output.canvas import Canvas, LabelBox, Point
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, drawn_tip_mm
from tiltwright.reach.messages import assumptions
from tiltwright.reach.wording import assumption_words, corner_words, shown_down
from tiltwright.sheet.data import Texts
from tiltwright.sheet.panel_layout import MEDIUM, THIN, TYPE_MM, Rings, ViewTransform
from tiltwright.sheet.side_view import BodyShape, Flat, Projection, SideView, Solids, TravelBar

__all__ = ["bars", "clearance_words", "draw_projection", "is_ringed", "with_solids"]

_WORDS: dict[View, str] = {"side": "from +X", "front": "from -Y"}


def with_solids(view: SideView, analysis: ReachAnalysis, which: int, units: str) -> SideView:
    """A side view with an operation's solids in place of the stand-in outlines.

    Parameters
    ----------
    view : SideView
        Drawn at that operation.
    analysis : ReachAnalysis
    which : int
        The operation, from 0.
    units : str
        "mm" or "inch".
    """
    operation, layout = analysis.operations[which], analysis.model
    near = operation.clearance.nearest
    main, other = _views(view)
    bare = [body is None for body in layout.step_bodies]
    steps = tuple(
        step if stands_in else replace(step, outline=None)
        for step, stands_in in zip(view.steps, bare, strict=True)
    )
    gap_words: Texts = ()
    if near is not None:
        size = f"gap {shown_down(near.gap_mm, units)}" if near.gap_mm > 0.0 else "contact"
        gap_words = (size, f"{near.body} to {near.obstacle}")
    solids = Solids(
        main=_projection(analysis, operation, main),
        other=_projection(analysis, operation, other),
        tool="" if operation.pose.tool is None else operation.pose.tool.name,
        gap_words=gap_words,
        travel_words=(
            f"Travel left at either end ({units}); dark: what {view.marks[0].register} needs",
            f"Travel left ({units})",
        ),
        bars=tuple(_bar(margin, units) for margin in operation.linear),
        platter=any(solid.name == "platter" for solid in layout.solids),
    )
    words = "dashed: hidden behind what is nearer"
    if any(step.outline is not None for step in steps):
        words += "; steps without a section dashed, their widths not to scale"
    return replace(view, steps=steps, outline_words=words, solids=solids)


def _views(view: SideView) -> tuple[View, View]:
    return ("side", "front") if view.right == "Y" else ("front", "side")


def _projection(analysis: ReachAnalysis, operation: OperationAnalysis, view: View) -> Projection:
    layout = analysis.model
    found = outlines(layout, analysis.scene, operation.pose, view, drawn_tip_mm(layout, operation))
    spindle = {solid.name for solid in layout.spindle}
    bodies = tuple(
        BodyShape(
            one.name,
            one.kind,
            one.polygons,
            one.seen,
            one.kind != "base" and not (one.kind == "holder" and one.name in spindle),
        )
        for one in found
    )
    place = operation.witness
    gap = None if place is None else (flat_mm(place.body_mm, view), flat_mm(place.obstacle_mm, view))
    return Projection(_WORDS[view], bodies, gap)


def _bar(margin: Margin, units: str) -> TravelBar:
    low_mm, high_mm = margin.low_mm - margin.to_low_mm, margin.high_mm + margin.to_high_mm
    low, high = (
        f"{numbers.length(abs(left), units)} {'left' if left >= 0 else 'BEYOND'}"
        for left in (margin.to_low_mm, margin.to_high_mm)
    )
    long = high_mm - low_mm
    return TravelBar(
        margin.axis, low, high, (margin.low_mm - low_mm) / long, (margin.high_mm - low_mm) / long
    )


def clearance_words(analysis: ReachAnalysis, units: str) -> Texts:
    """Sentences: what was checked of clearance, the smallest gap, and what was not checked."""
    up = any(operation.retraction is not None for operation in analysis.operations)
    found = [
        "Clearance between tool, holder or spindle and everything in the way was checked with the stated solids and the uncut blank, at each operation: over "
        + ("its sweep and on the way straight up from it." if up else "its sweep.")
    ]
    gaps = [operation for operation in analysis.operations if operation.clearance.nearest is not None]
    if gaps:
        least = min(
            gaps,
            key=lambda operation: operation.clearance.nearest.gap_mm if operation.clearance.nearest else 0.0,
        )
        near = least.clearance.nearest
        assert near is not None
        where = f" {corner_words(least)}".rstrip()
        size = (
            f"{shown_down(near.gap_mm, units)}, {near.body} to {near.obstacle}"
            if near.gap_mm > 0.0
            else f"none: {near.body} runs into {near.obstacle}"
        )
        found.append(f"The smallest gap is {size}, at {least.pose.name}{where}.")
    else:
        found.append("There was no gap to measure.")
    tables = [
        (operation, operation.table.nearest)
        for operation in analysis.operations
        if operation.table.nearest is not None
    ]
    if tables:
        operation, pair = min(tables, key=lambda both: both[1].gap_mm)
        size = shown_down(pair.gap_mm, units) if pair.gap_mm > 0.0 else "none"
        found.append(
            f"What turns was checked against what stands beside it at each operation: the smallest gap is {size}, "
            f"{pair.body} to {pair.obstacle}, at {operation.pose.name}."
        )
    found += [
        assumption_words(item, units)
        for item in assumptions(analysis)
        if item.kind in ("no sweep", "bearing")
    ]
    found.append(
        'Not checked here: index moves, loads, chips, hoses and anything the files do not state. The command "tiltwright reach" '
        "checks index moves and loads too."
    )
    return tuple(found)


FILL = {"tool": "black"}
"""Solids that are filled; everything else is white."""
HIDDEN_DASH = "1.2 0.8"
ROW_MM = 5.6
EDGE = 0.3  # mm of paper
LONG_MM = 6.0  # a distance on paper that needs no ring to be found


def draw_projection(
    canvas: Canvas, shown: Projection, place: ViewTransform, within: LabelBox
) -> list[tuple[str, str, Rings]]:
    """Draw all bodies as far as they lie in a box, and the smallest gap over them.

    A broken line marks a side where the box cuts a body off.

    Returns
    -------
    list of (str, str, rings)
        Name, kind and seen outline of each body on the paper, cut off at the box.
    """
    # An outline that lies on the box's very edge is not cut off.
    within = replace(within, left=within.left - EDGE, right=within.right + EDGE, bottom=within.bottom + EDGE)
    for body in shown.bodies:
        canvas.area(_placed(body.seen, place), FILL.get(body.kind, "white"), within)
    for body in shown.bodies:
        canvas.rings(_placed(body.rings, place), THIN, within, HIDDEN_DASH)
    for body in shown.bodies:
        canvas.rings(_placed(body.seen, place), MEDIUM, within)
    _cuts(canvas, shown, place, within)
    if shown.gap is not None:
        first, last = (place(end) for end in shown.gap)
        for colour, weight in (("white", 1.5), ("black", 0.7)):
            canvas.line(first, last, weight, colour=colour)
        if not is_ringed(shown, place):
            for end in (first, last):
                canvas.circle(end, 0.8, THIN, fill="black")
        else:
            middle = ((first[0] + last[0]) / 2, (first[1] + last[1]) / 2)
            canvas.circle(middle, _ring_mm(first, last), MEDIUM)
    return [
        (
            body.name,
            body.kind,
            [np.array(within.clip_ring(ring)).reshape(-1, 2) for ring in _placed(body.seen, place)],
        )
        for body in shown.bodies
    ]


def is_ringed(shown: Projection, place: ViewTransform) -> bool:
    """True where the smallest gap is too short on the paper to be found without a ring about it."""
    if shown.gap is None:
        return False
    first, last = (place(end) for end in shown.gap)
    return bool(np.hypot(last[0] - first[0], last[1] - first[1]) <= LONG_MM)


def _cuts(canvas: Canvas, shown: Projection, place: ViewTransform, within: LabelBox) -> None:
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


def _placed(rings: tuple[Flat, ...], place: ViewTransform) -> list[list[Point]]:
    return [place.each(ring) for ring in rings]


def _ring_mm(first: Point, last: Point) -> float:
    return max(2.0, float(np.hypot(last[0] - first[0], last[1] - first[1])) / 2 + 1.2)


def bars(solids: Solids, width: float) -> Canvas:
    """A bar for every axis: its travel in outline, the needed part dark, what is left at either end beside it."""
    canvas = Canvas(width, max(len(solids.bars), 1) * ROW_MM)
    texts = [[_short(words) for words in (bar.low, bar.high)] for bar in solids.bars]
    low_mm, high_mm = (
        max((typesetting.width_em(pair[end], bold=True) for pair in texts), default=0.0) * TYPE_MM
        for end in (0, 1)
    )
    left, right = 6.0 + low_mm + 1.5, width - high_mm - 2.0
    for row, (bar, (low, high)) in enumerate(zip(solids.bars, texts, strict=True), 1):
        baseline = row * ROW_MM - 1.4
        canvas.text((0.5, baseline), bar.axis, TYPE_MM, bold=True, halo=False)
        canvas.text((left - 1.5, baseline), low, TYPE_MM, anchor="end", bold="BEYOND" in bar.low, halo=False)
        canvas.text((right + 1.5, baseline), high, TYPE_MM, bold="BEYOND" in bar.high, halo=False)
        canvas.rectangle(LabelBox(left, baseline - 2.9, right, baseline + 0.3), MEDIUM, fill="white")
        # beyond an end it sticks out a little, and a single point is still seen
        start, end = (left + min(max(share, -0.02), 1.02) * (right - left) for share in (bar.start, bar.end))
        canvas.rectangle(LabelBox(start - 0.3, baseline - 2.3, end + 0.3, baseline - 0.3), THIN, fill="black")
    return canvas


def _short(words: str) -> str:
    """Room left at an end, without the word that stands above all bars; beyond it, with a sign."""
    number, what = words.split(" ", 1)
    return number if what == "left" else f"{number} over"
