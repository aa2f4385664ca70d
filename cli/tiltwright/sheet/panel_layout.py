"""Layout of a drawing's panel: strips, scale, and free places for its labels.

The geometry lies in the field, the vertical dimension in a strip to the left, the horizontal one in a strip below. A
step's number stands inside its body where there is room, else outside it with a leader that crosses nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from tiltwright.output.canvas import LabelBox, Point
from tiltwright.sheet.side_view import Flat, Projection, SideView, Solids

__all__ = ["ViewTransform", "choose_scale"]

TYPE_MM = 3.6
"""Size of the labels' type; its digits are 0.73 of that high, 2.6 mm."""
THIN, MEDIUM, HEAVY = 0.3, 0.45, 0.7
"""Weights of lines in mm; a copier loses none of them."""


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
    arc_radius : float
        Of the arrow that tells how the table turns.
    arrow : float
        Length of the spindle's arrow.
    key_x : float or None
        Left edge of a list of what the drawing shows, for a picture without a page around it.
    """

    width: float
    height: float
    left: float
    top: float
    right: float
    bottom: float
    dimension_x: float
    dimension_y: float
    arc_radius: float = 5.0
    arrow: float = 10.5
    key_x: float | None = None

    def lowered(self, spare: float) -> PanelLayout:
        """The layout, lower by so many millimetres, taken from the geometry's field."""
        return replace(
            self,
            height=self.height - spare,
            bottom=self.bottom - spare,
            dimension_y=self.dimension_y - spare,
        )

    def beside(self, dimension: float) -> PanelLayout:
        """The layout with its left strip just wide enough for the vertical dimension's text, a width in mm."""
        spare = self.dimension_x - 3.2 - dimension - 0.5
        return replace(self, dimension_x=self.dimension_x - spare, left=self.left - spare)


HALF = PanelLayout(
    width=86.0,
    height=59.3,
    left=28.0,
    top=13.5,
    right=77.0,
    bottom=48.5,
    dimension_x=23.0,
    dimension_y=53.0,
)
"""Half as wide as the page: two stand side by side."""

PAIR = PanelLayout(
    width=116.0,
    height=74.0,
    left=28.0,
    top=7.0,
    right=112.0,
    bottom=61.5,
    dimension_x=23.0,
    dimension_y=67.0,
)
"""For solids, seen from one side and, where there is room, from the other beside it."""

ALONE = PanelLayout(
    width=178.0,
    height=92.0,
    left=30.0,
    top=20.0,
    right=104.0,
    bottom=76.0,
    dimension_x=25.0,
    dimension_y=82.0,
    key_x=114.0,
)
"""With direction of view above, scale below and a list of what it shows, for a picture without a page around it."""


REDUCTIONS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 100.0)
COARSER = 1.5  # how much smaller a side view may become so that the other one fits beside it
MUST = frozenset({"tool", "holder", "part"})  # of the other view, where not all of it has room
BETWEEN = 5.0  # mm of paper from one view to the other
WORDS_APART = 17.0  # mm from middle to middle for what is written above them
LEAST_FIELD = 16.0  # mm of paper that the geometry's field keeps


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

    def each(self, points: Flat) -> list[Point]:
        """Flat points of the machine, (n, 2), on the paper."""
        x = self.paper[0] + (points[:, 0] - self.middle[0]) * self.factor
        y = self.paper[1] - (points[:, 1] - self.middle[1]) * self.factor
        return list(zip(x.tolist(), y.tolist(), strict=True))

    def beside(self) -> ViewTransform | None:
        """The transform of the view from the other side, if there is room for it."""
        if self.other is None:
            return None
        return ViewTransform(self.factor, (self.other_middle, self.middle[1]), self.other)


def choose_scale(
    view: SideView, layout: PanelLayout, least_mm: float = 0.0
) -> tuple[ViewTransform, str, PanelLayout]:
    """The largest standard scale at which everything fits into the field, and the field lowered to what is needed.

    The panel keeps the least height, for a list beside the geometry.

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
    used = max(float(high[1] - low[1]) / reduction, LEAST_FIELD)
    spare = min(layout.bottom - layout.top - used, layout.height - least_mm)
    layout = layout.lowered(max(0.0, spare))
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


Points = NDArray[np.float64]
Rings = Sequence[Points]

_GRID_MM = 0.8
_AT_ONCE = 60
_TRIED = 420  # places, the nearest first
_MARGIN_MM = 0.45  # between a label and the lines about it
_LEADER_MM = (2.0, 26.0)  # shortest and longest
_SLACK_MM = 1e-6  # more than rounding: what is left out is clear without a doubt
_HEADWAY_MM = 0.6  # from a leader to the lines that it must not touch


def inside(rings: Rings, points: Points) -> NDArray[np.bool_]:
    """True for the points inside closed rings, holes taken out (even-odd rule)."""
    found = np.zeros(len(points), dtype=bool)
    for ring in rings:
        if len(ring) < 3:
            continue
        # Column by column, and the edges along the first axis: to reduce a last axis of a few takes many times as long.
        x1, y1 = ring.T
        # Most points lie outside of the box about the ring, and need no closer look.
        x, y = points[:, 0], points[:, 1]
        about = ((x >= x1.min()) & (x <= x1.max()) & (y >= y1.min()) & (y <= y1.max())).nonzero()[0]
        x, y = x[about], y[about]
        x1, y1, x2, y2 = x1[:, None], y1[:, None], _next(x1)[:, None], _next(y1)[:, None]
        rise = y2 - y1
        rise[rise == 0.0] = 1.0
        above = (y1 > y) != (y2 > y)
        found[about] ^= np.logical_xor.reduce(above & (x < x1 + (y - y1) / rise * (x2 - x1)), axis=0)
    return found


def _next(values: Points) -> Points:
    """The values of a ring from the second on, and then the first; numpy's roll takes ten times as long."""
    return np.concatenate((values[1:], values[:1]))


def strokes_through(strokes: Points, middles: Points, half: Points) -> NDArray[np.bool_]:
    """True for each box, given by its middle and half its size, that a straight stroke (k, 2, 2) runs into."""
    if len(strokes) and len(middles):
        strokes = _about(strokes, middles.min(axis=0) - half, middles.max(axis=0) + half)
    if not len(strokes):
        return np.zeros(len(middles), dtype=bool)
    start, step = strokes[:, 0], strokes[:, 1] - strokes[:, 0]
    safe = np.where(np.abs(step) < 1e-12, 1e-12, step)
    enter, leave = np.zeros(len(middles)), np.ones(len(middles))
    for axis in (0, 1):
        first = (middles[:, axis] - half[axis] - start[:, axis, None]) / safe[:, axis, None]
        last = (middles[:, axis] + half[axis] - start[:, axis, None]) / safe[:, axis, None]
        enter = np.maximum(enter, np.minimum(first, last))
        leave = np.minimum(leave, np.maximum(first, last))
    return np.asarray((enter < leave).any(axis=0))


def _about(strokes: Points, low: Points, high: Points) -> Points:
    """The strokes (k, 2, 2) whose boxes share a place with the box from low to high: no other can come near it."""
    lower, upper = np.minimum(strokes[:, 0], strokes[:, 1]), np.maximum(strokes[:, 0], strokes[:, 1])
    shared = (lower <= high + _SLACK_MM) & (upper >= low - _SLACK_MM)
    return strokes[shared[:, 0] & shared[:, 1]]


def crossed(strokes: Points, start: Points, end: Points) -> bool:
    """True if a straight line comes within a leader's headway of any stroke."""
    if len(strokes):
        near = np.stack([start, end])
        strokes = _about(strokes, near.min(axis=0) - _HEADWAY_MM, near.max(axis=0) + _HEADWAY_MM)
    if not len(strokes):
        return False
    # A leader is short: sampled at a quarter millimetre, each sample held against each stroke.
    count = max(int(np.hypot(*(end - start)) / 0.25), 2)
    samples = start + np.linspace(0.0, 1.0, count)[:, None] * (end - start)
    first, step = strokes[:, 0], strokes[:, 1] - strokes[:, 0]
    long = np.maximum(_both(step**2), 1e-12)
    share = (_both((samples[:, None] - first) * step) / long).clip(0.0, 1.0)
    apart = samples[:, None] - (first + share[..., None] * step)
    return bool((np.hypot(apart[..., 0], apart[..., 1]) < _HEADWAY_MM).any())


def _both(pairs: Points) -> Points:
    """The sum of the two coordinates, quicker than along an axis of length two."""
    return pairs[..., 0] + pairs[..., 1]


@dataclass(frozen=True)
class Spot:
    """A free place for a label: its middle, and the ends of its leader where it needs one."""

    middle: Point
    leader: tuple[Point, Point] | None = None


def spot_inside(
    half: Points, strokes: Points, region: Rings, covers: Sequence[Rings], near: Point
) -> Spot | None:
    """The free place inside a body, outside of what covers it, that is nearest to a point; None where there is none."""
    rings = [ring for ring in region if len(ring)]
    if not rings:
        return None
    corners = np.concatenate(rings)
    x, y = _axes(corners.min(axis=0), corners.max(axis=0))
    grid = _points(x, y)[np.hypot(x - near[0], (y - near[1])[:, None]).ravel().argsort(kind="stable")]
    start, count = 0, _AT_ONCE
    while start < len(grid):
        free = grid[start : start + count]
        free = free[inside(region, free)]
        for cover in covers:
            free = free[~inside(cover, free)]
        free = free[~strokes_through(strokes, free, half + _MARGIN_MM)]
        if len(free):
            return Spot((float(free[0, 0]), float(free[0, 1])))
        start, count = start + count, 4 * count
    return None


def spot_outside(
    half: Points, strokes: Points, within: LabelBox, bodies: Sequence[Rings], targets: Points
) -> Spot | None:
    """The free place outside of every body with the shortest leader to one of the targets that crosses nothing."""
    if not len(targets):
        return None
    low = np.array([within.left, within.top]) + half + _MARGIN_MM
    high = np.array([within.right, within.bottom]) - half - _MARGIN_MM
    left = _TRIED
    for middles, aims in _nearest_first(*_axes(low, high), targets):
        clear = np.ones(len(middles), dtype=bool)
        for body in bodies:
            clear &= ~inside(body, middles)
        tried = clear.nonzero()[0][:left]
        left -= len(tried)
        for middle, start, target, along in _leaders(middles[tried], aims[tried], strokes, half):
            if crossed(strokes, start, target - (_HEADWAY_MM + 0.25) * along):
                continue
            path = start + np.linspace(0.0, 1.0, 12)[:, None] * (target - 0.5 * along - start)
            if any(inside(body, path).any() for body in bodies):
                continue
            return Spot(
                (float(middle[0]), float(middle[1])),
                ((float(start[0]), float(start[1])), (float(target[0]), float(target[1]))),
            )
        if not left:
            break
    return None


def _leaders(
    middles: Points, targets: Points, strokes: Points, half: Points
) -> Iterator[tuple[Points, Points, Points, Points]]:
    """The places that no stroke runs into and whose leader is of a fitting length: middle, start, target and direction."""
    along = targets - middles
    along /= np.hypot(along[:, 0], along[:, 1]).clip(1e-9)[:, None]
    # from the edge of the label's box to a little before the body, so that the leader touches its outline only
    edge = ((half + 0.3) / np.abs(along).clip(1e-9)).min(axis=1)
    start = middles + edge[:, None] * along
    long = np.hypot(targets[:, 0] - start[:, 0], targets[:, 1] - start[:, 1])
    fitting = ((long >= _LEADER_MM[0]) & (long <= _LEADER_MM[1])).nonzero()[0]
    for k in fitting[~strokes_through(strokes, middles[fitting], half + _MARGIN_MM)]:
        yield middles[k], start[k], targets[k], along[k]


def _nearest_first(x: Points, y: Points, targets: Points) -> Iterator[tuple[Points, Points]]:
    """The places of a grid, the nearest to any target first, each with the target that it is nearest to, in batches."""
    if not len(x) or not len(y):
        return
    grid = _points(x, y)
    across, down = (x - targets[:, :1]) ** 2, (y - targets[:, 1:]) ** 2
    rough = np.sqrt((across[:, None] + down[:, :, None]).min(axis=0)).ravel()
    far = np.flatnonzero(rough > _LEADER_MM[0] - _SLACK_MM)
    shown = 0
    # A label mostly stands among the first: the exact distances of all the others need not be known.
    for count in (2 * _AT_ONCE, 8 * _AT_ONCE, len(far)):
        some, whole = far, len(far) <= 2 * count
        if not whole:
            last = np.partition(rough[far], count + 1)[count + 1]
            some = far[rough[far] <= last + _SLACK_MM]
        apart = np.hypot(grid[some, 0, None] - targets[:, 0], grid[some, 1, None] - targets[:, 1])
        exact = apart.min(axis=1, initial=np.inf)
        order = exact.argsort(kind="stable")
        order = order[exact[order] > _LEADER_MM[0]][shown : None if whole else count]
        yield grid[some[order]], targets[apart[order].argmin(axis=1)]
        if whole:
            return
        shown += len(order)


def _axes(low: Points, high: Points) -> tuple[Points, Points]:
    """The columns and rows of a grid that fills a box; none where the box is empty."""
    if (high <= low).any():
        return np.zeros(0), np.zeros(0)
    return np.arange(low[0], high[0] + 1e-9, _GRID_MM), np.arange(low[1], high[1] + 1e-9, _GRID_MM)


def _points(x: Points, y: Points) -> Points:
    """The points of a grid, row by row."""
    places = np.empty((len(y), len(x), 2))
    places[..., 0], places[..., 1] = x, y[:, None]
    return places.reshape(-1, 2)


@dataclass(frozen=True)
class Pattern:
    """A hatching: direction on the paper, distance and weight of its lines, in mm."""

    angle_deg: float
    apart_mm: float
    weight: float = 0.2


PATTERNS: dict[str, Pattern | None] = {
    "tool": None,
    "holder": Pattern(0.0, 1.1),
    "part": None,
    "turning": Pattern(45.0, 2.0),
    "base": Pattern(135.0, 3.2),
}
"""The hatching of a solid by its kind."""


def hatch(
    region: Rings, covers: Sequence[Rings], boxes: Sequence[LabelBox], angle_deg: float, apart_mm: float
) -> list[tuple[Point, Point]]:
    """Parallel lines inside closed rings, interrupted where something covers them and about labels."""
    turn = np.radians(angle_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    rings = [ring for ring in region if len(ring) > 2]
    if not rings:
        return []
    heights = np.concatenate(rings) @ across
    # Off the corners, which mostly lie at round places.
    first, last = np.ceil(heights.min() / apart_mm), np.floor(heights.max() / apart_mm)
    lines = (np.arange(first, last + 1.0) + 0.137) * apart_mm
    about = _box(rings)
    over = [[ring for ring in cover if len(ring) > 2] for cover in covers]
    over = [cover for cover in over if cover and _box(cover).touches(about)]
    over += [[np.array(box.corners)] for box in boxes if box.touches(about)]
    (along_x, along_y), (across_x, across_y) = along.tolist(), across.tolist()
    drawn, gone = _runs([rings], along, across, lines), _runs(over, along, across, lines)
    found: list[tuple[Point, Point]] = []
    for height, pieces, without in zip(lines.tolist(), drawn, gone, strict=True):
        x, y = height * across_x, height * across_y
        for low, high in _without(pieces, without):
            if high - low > 0.3:
                found.append(
                    ((x + low * along_x, y + low * along_y), (x + high * along_x, y + high * along_y))
                )
    return found


def _box(rings: Sequence[Points]) -> LabelBox:
    """The box about rings."""
    corners = np.concatenate(rings)
    (left, top), (right, bottom) = corners.min(axis=0).tolist(), corners.max(axis=0).tolist()
    return LabelBox(left, top, right, bottom)


def _runs(
    bodies: Sequence[Sequence[Points]], along: Points, across: Points, heights: Points
) -> list[list[tuple[float, float]]]:
    """The stretches of parallel straight lines inside each body's rings, a list for each line."""
    found: list[list[tuple[float, float]]] = [[] for _ in heights]
    rings = [ring for body in bodies for ring in body]
    if not rings:
        return found
    of = np.repeat(np.arange(len(bodies)), [sum(map(len, body)) for body in bodies])
    corners, following = np.concatenate(rings), np.concatenate([_next(ring) for ring in rings])
    x, x2 = corners @ along, following @ along
    y, y2 = corners @ across - heights[:, None], following @ across - heights[:, None]
    line, place = ((y > 0.0) != (y2 > 0.0)).nonzero()
    before, after = y[line, place], y2[line, place]
    at = x[place] + before / (before - after) * (x2[place] - x[place])
    # A line enters a body as often as it leaves it.
    order = np.lexsort((at, of[place], line))
    ends = at[order].tolist()
    for k, low, high in zip(line[order].tolist()[::2], ends[::2], ends[1::2], strict=True):
        found[k].append((low, high))
    return found


def _without(pieces: list[tuple[float, float]], gone: list[tuple[float, float]]) -> list[tuple[float, float]]:
    for low, high in gone:
        pieces = [
            part
            for start, end in pieces
            for part in ((start, min(end, low)), (max(start, high), end))
            if part[1] > part[0]
        ]
    return pieces
