"""An SVG drawing in millimetres that records its labels and lines, so that they can be kept apart."""

from __future__ import annotations

import functools
import html
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tiltwright.output import typesetting

Point = tuple[float, float]
_JOINED_MM = 1e-6
_CLEAR_MM = 0.8
_HEAD = """\
<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink\""""


@dataclass(frozen=True)
class LabelBox:
    """Box of a label on the paper, in mm; y points down."""

    left: float
    top: float
    right: float
    bottom: float
    text: str = ""

    @property
    def corners(self) -> list[Point]:
        """The corners, clockwise from the left one at the top."""
        return [
            (self.left, self.top),
            (self.right, self.top),
            (self.right, self.bottom),
            (self.left, self.bottom),
        ]

    def overlaps(self, other: LabelBox) -> bool:
        """True if two labels share any paper."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def touches(self, other: LabelBox) -> bool:
        """True if two boxes share any paper, an edge or a corner included."""
        return (
            self.left <= other.right
            and other.left <= self.right
            and self.top <= other.bottom
            and other.top <= self.bottom
        )

    def clip(self, start: Point, end: Point) -> tuple[Point, Point] | None:
        """The piece of a straight line inside the box, or None (Liang and Barsky's clipping)."""
        dx, dy = end[0] - start[0], end[1] - start[1]
        first, last = 0.0, 1.0
        for step, room in (
            (-dx, start[0] - self.left),
            (dx, self.right - start[0]),
            (-dy, start[1] - self.top),
            (dy, self.bottom - start[1]),
        ):
            if step == 0:
                if room <= 0:
                    return None
                continue
            at = room / step
            if step < 0:
                first = max(first, at)
            else:
                last = min(last, at)
        if first >= last:
            return None
        return (start[0] + first * dx, start[1] + first * dy), (start[0] + last * dx, start[1] + last * dy)

    def clip_ring(self, ring: Sequence[Point]) -> list[Point]:
        """A ring cut off at the box's edges (Sutherland and Hodgman's clipping)."""
        found = list(ring)
        for axis, edge, sign in (
            (0, self.left, 1),
            (0, self.right, -1),
            (1, self.top, 1),
            (1, self.bottom, -1),
        ):
            corners, found = found, []
            for first, last in zip(corners, [*corners[1:], *corners[:1]], strict=True):
                before, after = sign * (first[axis] - edge), sign * (last[axis] - edge)
                if before >= 0:
                    found.append(first)
                if (before >= 0) != (after >= 0):
                    share = before / (before - after)
                    found.append(
                        (first[0] + share * (last[0] - first[0]), first[1] + share * (last[1] - first[1]))
                    )
        return found

    def crossed_by(self, start: Point, end: Point) -> bool:
        """True if a straight line runs through the label."""
        if max(start[0], end[0]) < self.left or min(start[0], end[0]) > self.right:
            return False
        if max(start[1], end[1]) < self.top or min(start[1], end[1]) > self.bottom:
            return False
        return self.clip(start, end) is not None


@dataclass(frozen=True)
class Lettering:
    """A text of a drawing, on its baseline, in mm.

    Attributes
    ----------
    at : (x, y)
        Where it begins, has its middle, or ends.
    text : str
    size : float
    anchor : "start", "middle" or "end"
    bold : bool
    """

    at: Point
    text: str
    size: float
    anchor: str
    bold: bool

    @property
    def svg(self) -> str:
        """The text as an element of an SVG."""
        x, y = _round(self.at)
        style = _stated(
            font_size=self.size,
            text_anchor=self.anchor,
            font_family=f"{typesetting.FAMILY}, sans-serif",
            font_weight="bold" if self.bold else "normal",
            fill="black",
        )
        return f'<text x="{x}" y="{y}"{style}>{html.escape(self.text, quote=False)}</text>'


@dataclass(frozen=True)
class LineDrawing:
    """A finished drawing: lines and areas as elements of an SVG, and texts, in the order in which they were drawn.

    Attributes
    ----------
    width, height : float
        Size on paper in mm.
    elements : tuple of str and Lettering
    """

    width: float
    height: float
    elements: tuple[str | Lettering, ...] = ()

    @property
    def svg(self) -> str:
        """All of it as SVG; text in it stays text."""
        return self._svg(one if isinstance(one, str) else one.svg for one in self.elements)

    @property
    def outlines(self) -> str:
        """The SVG without its texts, for a page that sets them itself."""
        return self._svg(one for one in self.elements if isinstance(one, str))

    @property
    def letterings(self) -> tuple[Lettering, ...]:
        """The texts."""
        return tuple(one for one in self.elements if isinstance(one, Lettering))

    def reworded(self, old: str, new: str) -> LineDrawing:
        """The drawing with other words in its texts."""
        elements = (
            one if isinstance(one, str) else replace(one, text=one.text.replace(old, new))
            for one in self.elements
        )
        return replace(self, elements=tuple(elements))

    def _svg(self, elements: Iterable[str]) -> str:
        size = f'width="{self.width:g}mm" height="{self.height:g}mm" viewBox="0 0 {self.width} {self.height}"'
        return "\n".join((_HEAD, f"     {size}>", "<defs>", "</defs>", *elements, "</svg>"))


@dataclass
class Canvas:
    """A drawing under construction.

    Parameters
    ----------
    width, height : float
        Size on paper in mm.
    """

    width: float
    height: float
    labels: list[LabelBox] = field(default_factory=list)
    strokes: list[tuple[Point, Point]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._elements: list[str | Lettering] = []

    def line(self, start: Point, end: Point, weight: float, dash: str = "", colour: str = "black") -> None:
        """A straight line; weight in mm, dash as in SVG."""
        self.strokes.append((start, end))
        self._path(
            _polyline((start, end)),
            stroke=colour,
            stroke_width=weight,
            stroke_linecap="butt",
            **_dashed(dash),
        )

    def lines(self, pieces: Sequence[tuple[Point, Point]], weight: float) -> None:
        """Many straight lines of one weight, such as a hatching."""
        if not pieces:
            return
        self.strokes.extend(pieces)
        path = " ".join([f"M{_plain(start)} L{_plain(end)}" for start, end in pieces])
        self._path(path, stroke="black", stroke_width=weight, fill="none")

    def polygon(self, points: Iterable[Point], weight: float, fill: str = "none", dash: str = "") -> None:
        """A closed outline."""
        corners = list(points)
        self.strokes.extend(zip(corners, corners[1:] + corners[:1], strict=True))
        self._path(
            f"{_polyline(corners)} Z",
            stroke="black",
            stroke_width=weight,
            stroke_linejoin="round",
            fill=fill,
            **_dashed(dash),
        )

    def area(self, rings: Iterable[Sequence[Point]], fill: str, within: LabelBox) -> None:
        """A filled area without an outline, holes included, as far as it lies in a box."""
        d = _closed(within.clip_ring(ring) for ring in rings)
        if d:
            self._path(d, fill=fill, fill_rule="evenodd", stroke="none")

    def rings(
        self,
        rings: Sequence[Sequence[Point]],
        weight: float,
        within: LabelBox,
        dash: str = "",
        colour: str = "black",
    ) -> None:
        """Closed outlines, as far as they lie in a box; the box's own edges are not drawn."""
        parts = []
        for ring in rings:
            end: Point | None = None
            for first, last in zip(ring, [*ring[1:], *ring[:1]], strict=True):
                piece = within.clip(first, last)
                if piece is None:
                    continue
                self.strokes.append(piece)
                start = "L" if end is not None and math.dist(end, piece[0]) < _JOINED_MM else "M"
                end = piece[1]
                if start == "M":
                    parts.append(f"M{_plain(piece[0])}")
                parts.append(f"L{_plain(end)}")
        if not parts:
            return
        self._path(
            " ".join(parts),
            fill="none",
            stroke=colour,
            stroke_width=weight,
            stroke_linejoin="round",
            stroke_linecap="round" if not dash else "butt",
            **_dashed(dash),
        )

    def rectangle(self, box: LabelBox, weight: float, fill: str = "none") -> None:
        """An upright rectangle."""
        self.polygon(box.corners, weight, fill)

    def circle(self, centre: Point, radius: float, weight: float, fill: str = "none") -> None:
        """A circle; its box counts as four lines."""
        x, y = centre
        corners = [(x - radius, y), (x, y - radius), (x + radius, y), (x, y + radius)]
        self.strokes.extend(zip(corners, corners[1:] + corners[:1], strict=True))
        x, y = _round(centre)
        style = _stated(r=radius, stroke="black", stroke_width=weight, fill=fill)
        self._elements.append(f'<circle cx="{x}" cy="{y}"{style} />')

    def arrow_head(self, tip: Point, towards: Point, size: float = 2.4) -> None:
        """A filled arrow head whose point is ``tip``, pointing along ``towards`` (any length)."""
        norm = math.hypot(*towards)
        ux, uy = towards[0] / norm, towards[1] / norm
        back = (tip[0] - size * ux, tip[1] - size * uy)
        half = size * 0.28
        corners = (
            tip,
            (back[0] - half * uy, back[1] + half * ux),
            (back[0] + half * uy, back[1] - half * ux),
        )
        self._path(f"{_polyline(corners)} Z", fill="black")

    def arc_arrow(
        self, centre: Point, radius: float, middle_deg: float, half_deg: float, weight: float
    ) -> None:
        """Draw an arc about a middle direction (0 right, 90 down the paper), with its head at ``middle + half``.

        Going to a larger angle is clockwise on paper.
        """

        def at(angle_deg: float) -> Point:
            turn = math.radians(angle_deg)
            return centre[0] + radius * math.cos(turn), centre[1] + radius * math.sin(turn)

        # Straight pieces for the labels to keep clear of, 30 degrees or less each; the head begins at the last.
        pieces = max(4, math.ceil(abs(half_deg) / 15.0))
        reach = 1.85 if abs(half_deg) <= 90.0 else 2.0 - 2.2 / (radius * math.radians(abs(half_deg)))
        ends = [at(middle_deg + half_deg * (-1.0 + reach * k / pieces)) for k in range(pieces + 1)]
        self.strokes.extend(itertools.pairwise(ends))
        start, end, tip = _round(ends[0]), _round(ends[-1]), at(middle_deg + half_deg)
        for colour, width in (("white", weight + 1.0), ("black", weight)):
            large, clockwise = int(reach * abs(half_deg) > 180.0), int(half_deg > 0)
            arc = f"M{start[0]},{start[1]} A{radius},{radius},0,{large},{clockwise},{end[0]},{end[1]}"
            self._path(arc, stroke=colour, stroke_width=width, fill="none")
        sign = math.copysign(1.0, half_deg)
        turn = math.radians(middle_deg + half_deg * 0.92)
        self.arrow_head(tip, (-sign * math.sin(turn), sign * math.cos(turn)))

    def text(
        self,
        at: Point,
        text: str,
        size: float,
        *,
        anchor: str = "start",
        bold: bool = False,
        halo: bool = True,
    ) -> LabelBox:
        """A label on its baseline, on white, with its box remembered."""
        shown = typesetting.printable(text)
        width = typesetting.width_em(shown, bold=bold) * size
        left = at[0] - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        box = LabelBox(
            left,
            at[1] - typesetting.ASCENT_EM * size,
            left + width,
            at[1] + typesetting.DESCENT_EM * size,
            text=shown,
        )
        self.labels.append(box)
        if halo:
            x, y = _round((box.left - 0.4, box.top - 0.3))
            width, height = _round((box.right - box.left + 0.8, box.bottom - box.top + 0.6))
            self._elements.append(f'<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="white" />')
        self._elements.append(Lettering(at, shown, size, anchor, bold))
        return box

    def name_beside(self, at: Point, text: str, size: float, within: LabelBox) -> LabelBox:
        """A bold name near a point, in the first place that is clear of lines and of other labels.

        Where no place is clear, the one that least is in the way of.
        """
        width = typesetting.width_em(typesetting.printable(text), bold=True) * size
        height = typesetting.ASCENT_EM * size
        places = [
            (
                at[0] + (away + width / 2.0) * right - width / 2.0,
                at[1] - (away + height / 2.0) * up + height / 2.0,
            )
            for away, right, up in _AROUND
        ]
        return self.text(self._best(places, width, size, within), text, size, bold=True)

    def text_where_free(self, places: Sequence[Point], text: str, size: float, within: LabelBox) -> LabelBox:
        """A label that begins at the first of the places that is clear of lines and of other labels.

        Where none is clear, the one that least is in the way of.
        """
        width = typesetting.width_em(typesetting.printable(text)) * size
        return self.text(self._best(places, width, size, within), text, size)

    def _best(self, places: Sequence[Point], width: float, size: float, within: LabelBox) -> Point:
        """The first place at which a label covers nothing, else the first at which it covers least.

        A line counts one, another label ten, and what lies outside a hundred.
        """
        x, y = np.array(places, dtype=np.float64).T
        left, right = x - _CLEAR_MM, x + width + _CLEAR_MM
        top = y - typesetting.ASCENT_EM * size - _CLEAR_MM
        bottom = y + typesetting.DESCENT_EM * size + _CLEAR_MM
        outside = (
            (left < within.left) | (right > within.right) | (top < within.top) | (bottom > within.bottom)
        )
        edges = [(box.left, box.top, box.right, box.bottom) for box in self.labels]
        x1, y1, x2, y2 = np.array(edges, dtype=np.float64).reshape(-1, 4).T[..., None]
        labels = (left < x2) & (x1 < right) & (top < y2) & (y1 < bottom)
        x1, y1, x2, y2 = np.array(self.strokes, dtype=np.float64).reshape(-1, 4).T[..., None]
        near = (np.maximum(x1, x2) >= left) & (np.minimum(x1, x2) <= right)
        near &= (np.maximum(y1, y2) >= top) & (np.minimum(y1, y2) <= bottom)
        best, least = places[0], math.inf
        for k, amount in enumerate((100 * outside + 10 * labels.sum(axis=0)).tolist()):
            if amount >= least:
                continue
            box = LabelBox(float(left[k]), float(top[k]), float(right[k]), float(bottom[k]))
            lines = [self.strokes[n] for n in near[:, k].nonzero()[0].tolist()]
            covered = amount + sum(box.crossed_by(*line) for line in lines)
            if covered < least:
                best, least = places[k], covered
            if covered == 0:
                break
        return best

    def finished(self) -> LineDrawing:
        """The drawing as it is now."""
        return LineDrawing(self.width, self.height, tuple(self._elements))

    def _path(self, d: str, **attributes: object) -> None:
        self._elements.append(f'<path d="{d}"{_stated(**attributes)} />')


_AROUND = [
    (away, math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))
    for away, degrees in itertools.product((3.0, 5.0, 8.0, 11.0, 15.0), range(22, 382, 15))
]
"""Places about a point, the nearest first: distance, and direction to the right and up."""


@functools.lru_cache(maxsize=256, typed=True)  # a few styles, thousands of times
def _stated(**attributes: object) -> str:
    """Attributes of an SVG's element, each after a space.

    Written here: a class's keys hold 30,000 elements, and with drawsvg they took a tenth of the time of a lesson; to load
    it takes 25 ms of every sheet.
    """
    return "".join(f' {name.replace("_", "-")}="{value}"' for name, value in attributes.items())


def _dashed(dash: str) -> dict[str, str]:
    return {"stroke_dasharray": dash} if dash else {}


def _polyline(points: Iterable[Point]) -> str:
    """The path data of straight lines from point to point."""
    return "M" + " L".join([f"{round(x, 4) + 0.0},{round(y, 4) + 0.0}" for x, y in points])


def _closed(rings: Iterable[Sequence[Point]]) -> str:
    """The path data of closed rings."""
    return " ".join(f"M{' L'.join(map(_plain, ring))} Z" for ring in rings if len(ring))


def _plain(point: Point) -> str:
    """A point of a path, without noughts at the end."""
    return f"{round(point[0], 4) + 0.0:g} {round(point[1], 4) + 0.0:g}"


def _round(point: Point) -> Point:
    """Round to a ten-thousandth of a millimetre: plenty on paper, and the bytes are the same everywhere."""
    return round(point[0], 4) + 0.0, round(point[1], 4) + 0.0
