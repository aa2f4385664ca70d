"""Layout of a drawing's panel: strips, scale, and the column of labels.

The geometry lies in the middle, the vertical dimension in a strip to the left, the horizontal one in a strip below, every
other label in a column to the right: so labels and lines never meet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from tiltwright.output import typesetting
from tiltwright.output.canvas import Canvas, Point
from tiltwright.sheet.side_view import Flat, Projection, SideView, Solids

__all__ = ["ViewTransform", "choose_scale"]

TYPE_MM = 3.6
"""Size of the labels' type; its digits are 0.73 of that high, 2.6 mm."""
THIN, MEDIUM, HEAVY = 0.2, 0.35, 0.55
"""Weights of lines in mm."""


@dataclass(frozen=True)
class PanelLayout:
    """A panel's size and strips.

    Attributes
    ----------
    width, height : float
    left, top, right, bottom : float
        The geometry's field.
    dimension_x, dimension_y : float
        Positions of the dimension lines.
    dimension_mm : float
        Type size of the dimensions.
    column_x, column_top, column_bottom : float
        The labels at the right.
    arc_radius : float
        Of the arrow that tells how the table turns.
    arrow : float
        Length of the spindle's arrow.
    brief : bool
        Numbers of steps instead of their names, and dimensions on two lines: for a panel half a page wide.
    alone : bool
        Carries direction of view and scale itself: for a picture without a page around it.
    """

    width: float
    height: float
    left: float
    top: float
    right: float
    bottom: float
    dimension_x: float
    dimension_y: float
    dimension_mm: float
    column_x: float
    column_top: float
    column_bottom: float
    arc_radius: float
    arrow: float
    brief: bool
    alone: bool = False

    @property
    def column_em(self) -> float:
        """Width of the label column in units of the type size."""
        return (self.width - self.column_x - 0.5) / TYPE_MM

    def lowered(self, spare: float) -> PanelLayout:
        """The layout, lower by so many millimetres, taken from the geometry's field."""
        return replace(
            self,
            height=self.height - spare,
            bottom=self.bottom - spare,
            dimension_y=self.dimension_y - spare,
            column_bottom=self.column_bottom - spare,
        )

    def without_arrow(self) -> PanelLayout:
        """The layout for a drawing with the tool itself in it: the arrow's room goes to the geometry.

        But for a line of type above it, which no leader of a label runs into.
        """
        top = self.column_top + 7.0
        return replace(self, top=top, column_top=top)

    def beside(self, dimension: float) -> PanelLayout:
        """The layout with its left strip just wide enough for the vertical dimension's text, a width in mm."""
        spare = self.dimension_x - 3.2 - dimension - 0.5
        return replace(self, dimension_x=self.dimension_x - spare, left=self.left - spare)


WIDE = PanelLayout(
    width=178.0,
    height=89.5,
    left=43.0,
    top=19.5,
    right=112.0,
    bottom=75.5,
    dimension_x=37.0,
    dimension_y=86.0,
    dimension_mm=4.6,
    column_x=119.0,
    column_top=1.0,
    column_bottom=80.5,
    arc_radius=7.0,
    arrow=15.5,
    brief=False,
)
"""As wide as the page, every label written out."""

NARROW = PanelLayout(
    width=87.0,
    height=77.5,
    left=30.0,
    top=16.0,
    right=62.5,
    bottom=63.0,
    dimension_x=24.0,
    dimension_y=71.0,
    dimension_mm=TYPE_MM,
    column_x=69.5,
    column_top=1.0,
    column_bottom=65.5,
    arc_radius=5.0,
    arrow=11.5,
    brief=True,
)
"""Half as wide, with short labels: two stand side by side."""

ALONE = replace(
    WIDE,
    height=WIDE.height + 12.0,
    top=WIDE.top + 6.5,
    bottom=WIDE.bottom + 6.5,
    dimension_y=WIDE.dimension_y + 6.5,
    column_top=WIDE.column_top + 6.5,
    column_bottom=WIDE.column_bottom + 6.5,
    alone=True,
)
"""The wide one with direction of view above and scale below, for a picture without a page around it."""


_PITCH_MM = TYPE_MM * 1.2


@dataclass(frozen=True)
class Label:
    """A label and the point that its leader ends at.

    Attributes
    ----------
    lines : tuple of str
    target : (x, y)
        On the paper.
    bold : bool
    step : bool
        A step of the stack: its leader ends in a dot, and it gives way first where there is no room for all.
    """

    lines: tuple[str, ...]
    target: Point
    bold: bool = False
    step: bool = False

    @property
    def height(self) -> float:
        """Its height in the column, in mm."""
        return len(self.lines) * _PITCH_MM + 0.9


def write_column(canvas: Canvas, labels: Iterable[Label], layout: PanelLayout) -> None:
    """Labels beside their features, moved apart from the top down, then up again from the bottom."""
    ordered = sorted(labels, key=lambda label: (label.target[1], -label.target[0]))
    room = layout.column_bottom - layout.column_top
    while _height(ordered) > room:  # a tall stack: the table of the stack has the rest
        ordered = _without_one(ordered)
    ordered = _wrapped(ordered, room, layout.column_em)
    for label, top in zip(ordered, _tops(ordered, layout), strict=True):
        y = top + label.height / 2
        canvas.line(label.target, (layout.column_x - 3.0, y), THIN)
        canvas.line((layout.column_x - 3.0, y), (layout.column_x - 0.8, y), THIN)
        if label.step:
            canvas.circle(label.target, 0.55, THIN, fill="black")
        for row, line in enumerate(label.lines):
            text = typesetting.shortened(typesetting.printable(line), layout.column_em, bold=label.bold)
            baseline = top + 0.45 + (row + 1) * _PITCH_MM - 1.1
            canvas.text((layout.column_x, baseline), text, TYPE_MM, bold=label.bold, halo=False)


def _height(labels: Iterable[Label]) -> float:
    return sum(label.height for label in labels)


def _tops(ordered: list[Label], layout: PanelLayout) -> list[float]:
    tops: list[float] = []
    edge = layout.column_top
    for label in ordered:
        tops.append(max(edge, label.target[1] - label.height / 2))
        edge = tops[-1] + label.height
    edge = layout.column_bottom
    for index in reversed(range(len(ordered))):
        tops[index] = min(tops[index], edge - ordered[index].height)
        edge = tops[index]
    return tops


def _without_one(labels: list[Label]) -> list[Label]:
    """Drop second lines of steps first, then whole steps, from the top of the list."""
    for index, label in enumerate(labels):
        if label.step and len(label.lines) > 1:
            return [*labels[:index], replace(label, lines=label.lines[:1]), *labels[index + 1 :]]
    index = next(i for i, label in enumerate(labels) if label.step)
    return labels[:index] + labels[index + 1 :]


def _wrapped(labels: list[Label], room: float, room_em: float) -> list[Label]:
    """Long lines on two lines each, as far as the column has room for it: operations before steps."""
    labels = list(labels)
    for index in sorted(range(len(labels)), key=lambda i: labels[i].step):
        label = labels[index]
        broken = (
            typesetting.broken(typesetting.printable(line), room_em, bold=label.bold) for line in label.lines
        )
        taller = replace(label, lines=tuple(piece for pieces in broken for piece in pieces))
        if _height(labels) - label.height + taller.height <= room:
            labels[index] = taller
    return labels


REDUCTIONS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 100.0)
COARSER = 1.5  # how much smaller a side view may become so that the other one fits beside it
MUST = frozenset({"tool", "holder", "part"})  # of the other view, where not all of it has room
BETWEEN = 5.0  # mm of paper from one view to the other
WORDS_APART = 17.0  # mm from middle to middle for what is written above them


@dataclass(frozen=True)
class ViewTransform:
    """Flat millimetres of the machine to millimetres of the paper.

    Attributes
    ----------
    factor : float
        Paper to machine.
    middle, paper : (x, y)
        A point of the machine, and where on the paper it lies.
    other : (x, y) or None
        Middle of the view from the other side, at the same heights; None if it has no room.
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

    def beside(self) -> ViewTransform | None:
        """The transform of the view from the other side, if there is room for it."""
        if self.other is None:
            return None
        return ViewTransform(self.factor, (self.other_middle, self.middle[1]), self.other)


def choose_scale(view: SideView, layout: PanelLayout) -> tuple[ViewTransform, str, PanelLayout]:
    """The largest standard scale at which everything fits into the field, and the field lowered to what is needed.

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
    placing = ViewTransform(1.0 / reduction, (float(middle[0]), float(middle[1])), paper)
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
    """Width on paper and middle of the other view, at a scale; None if it does not fit beside the main one.

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


def _column_mm(view: SideView, layout: PanelLayout) -> float:
    """Height of the column that the labels can need, long names on two lines."""
    if layout.brief:
        lines = [1] * (len(view.steps) + 4) + [2]
    else:
        names = [(f"{step.number}  {step.name}", int(bool(step.size)), False) for step in view.steps]
        names += [(f"{view.marks[0].register} {view.marks[0].name}", 3, True), (view.platter_words, 0, False)]
        lines = [
            more + len(typesetting.broken(typesetting.printable(name), layout.column_em, bold=bold))
            for name, more, bold in names
        ]
        lines += [1, 1, len(view.axis_words)]
    lines += [] if view.solids is None else [1, 2]
    return sum(Label(("",) * count, (0.0, 0.0)).height for count in lines)
