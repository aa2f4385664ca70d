"""At which scale a side view is drawn, and where on the paper it lies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from tiltwright.sheet import typeface
from tiltwright.sheet.canvas import Point
from tiltwright.sheet.column import Label
from tiltwright.sheet.layout import Layout
from tiltwright.sheet.view import Flat, Projection, SideView, Solids

__all__ = ["Placing", "fit"]

REDUCTIONS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 100.0)
COARSER = 1.5  # how much smaller a side view may become so that the other one fits beside it
MUST = frozenset({"tool", "holder", "part"})  # of the other view, where not all of it has room
BETWEEN = 5.0  # mm of paper from one view to the other
WORDS_APART = 17.0  # mm from middle to middle for what is written above them


@dataclass(frozen=True)
class Placing:
    """Flat millimetres of the machine to millimetres of the paper.

    Attributes
    ----------
    factor : float
        Paper to machine.
    middle, paper : (x, y)
        A point of the machine, and where on the paper it lies.
    other : (x, y) or None
        Where the middle of the view from the other side lies, at the same heights; None where it has no room.
    other_middle : float
        That middle's coordinate to the right.
    between : float
        The paper's x between both views.
    """

    factor: float
    middle: Point
    paper: Point
    other: Point | None = None
    other_middle: float = 0.0
    between: float = 0.0

    def __call__(self, point: Flat) -> Point:
        """A flat point of the machine on the paper."""
        return (
            self.paper[0] + (float(point[0]) - self.middle[0]) * self.factor,
            self.paper[1] - (float(point[1]) - self.middle[1]) * self.factor,
        )

    def beside(self) -> Placing | None:
        """The same for the view from the other side, where there is room for it."""
        if self.other is None:
            return None
        return Placing(self.factor, (self.other_middle, self.middle[1]), self.other)


def fit(view: SideView, layout: Layout) -> tuple[Placing, str, Layout]:
    """The largest scale of the usual row at which everything lies in the field; the field, only as high as need be.

    A little smaller where the solids from the other side then fit beside it.
    """
    mark = view.marks[0]
    points = [np.atleast_2d(p) for p in (mark.place, mark.axis, view.part_zero)]
    points += [step.outline for step in view.steps if step.outline is not None]
    points += [np.stack((step.start, step.end)) for step in view.steps]
    points += [] if view.platter is None else [view.platter]
    points += [] if view.solids is None else [whole_points(view.solids.main)]
    low, high = np.concatenate(points).min(axis=0), np.concatenate(points).max(axis=0)
    room = np.array([layout.right - layout.left, layout.bottom - layout.top])
    need = float(((high - low) / room).max())
    alone = next((r for r in REDUCTIONS if r >= need), float(10.0 ** np.ceil(np.log10(max(need, 1.0)))))
    reduction, pair = alone, None
    if view.solids is not None:
        reductions = [r for r in REDUCTIONS if alone <= r <= COARSER * alone]
        # A little smaller and whole is better than cut off.
        for kinds, each in product((None, MUST), reductions):
            pair = _pair(view.solids, float(high[0] - low[0]) / each, float(room[0]), each, kinds)
            if pair is not None:
                reduction = each
                break
    spare = layout.bottom - layout.top - float(high[1] - low[1]) / reduction
    column = layout.column_bottom - layout.column_top
    layout = layout.lowered(max(0.0, min(spare, column - _column_mm(view, layout))))
    middle = (low + high) / 2
    paper = ((layout.left + layout.right) / 2, (layout.top + layout.bottom) / 2)
    placing = Placing(1.0 / reduction, (float(middle[0]), float(middle[1])), paper)
    if pair is not None:
        wide, other_middle = pair
        main = float(high[0] - low[0]) / reduction
        start = paper[0] - (wide + BETWEEN + main) / 2
        placing = replace(
            placing,
            paper=(start + wide + BETWEEN + main / 2, paper[1]),
            other=(start + wide / 2, paper[1]),
            other_middle=other_middle,
            between=start + wide + BETWEEN / 2,
        )
    return placing, f"1:{reduction:g}", layout


def _pair(
    solids: Solids, main: float, room: float, reduction: float, kinds: frozenset[str] | None
) -> tuple[float, float] | None:
    """Width on paper and middle of the other view, at a scale; None where it does not fit beside the main one.

    The bodies of those kinds (all of them, for None) and the smallest distance must be on it whole.
    """
    left = room - main - BETWEEN
    points = whole_points(solids.other, kinds)
    if not len(points) or np.ptp(points[:, 0]) / reduction > left:
        return None
    middle = float(points[:, 0].min() + points[:, 0].max()) / 2
    wide = min(left, float(np.ptp(whole_points(solids.other)[:, 0])) / reduction)
    return (wide, middle) if (wide + main) / 2 + BETWEEN > WORDS_APART else None


def whole_points(shown: Projection, kinds: frozenset[str] | None = None) -> Flat:
    """The points that a drawing must hold, (k, 2): of all kinds of bodies, or of some."""
    rings = [
        ring
        for body in shown.bodies
        if body.whole and (kinds is None or body.kind in kinds)
        for ring in body.rings
    ]
    gap = [] if shown.gap is None else [np.stack(shown.gap)]
    return np.concatenate([*rings, *gap, np.zeros((0, 2))])


def _column_mm(view: SideView, layout: Layout) -> float:
    """What the labels can need of the column, long names on two lines."""
    if layout.brief:
        lines = [1] * (len(view.steps) + 4) + [2]
    else:
        names = [(f"{step.number}  {step.name}", int(bool(step.size)), False) for step in view.steps]
        names += [(f"{view.marks[0].register} {view.marks[0].name}", 3, True), (view.platter_words, 0, False)]
        lines = [
            more + len(typeface.broken(typeface.printable(name), layout.column_em, bold=bold))
            for name, more, bold in names
        ]
        lines += [1, 1, len(view.axis_words)]
    lines += [] if view.solids is None else [1, 2]
    return sum(Label(("",) * count, (0.0, 0.0)).height for count in lines)
