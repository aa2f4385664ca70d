"""Drawing of one tilt from the side, to scale, with the offset's two components dimensioned from the tilt axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tiltwright.output import typesetting
from tiltwright.output.canvas import Canvas, LabelBox, LineDrawing, Point
from tiltwright.output.numbers import with_minus
from tiltwright.sheet.panel_layout import (
    HALF,
    HEAVY,
    MEDIUM,
    PATTERNS,
    THIN,
    TYPE_MM,
    PanelLayout,
    Pattern,
    Rings,
    ViewTransform,
    choose_scale,
    hatch,
    inside,
    spot_inside,
    spot_outside,
    strokes_through,
)
from tiltwright.sheet.side_view import OriginMark, SideView, Solids

ARC_HALF_DEG = 40.0  # of the arrow that tells how the table turns
PLATTER = 1.6  # weight of a platter seen edge on
STAND_IN_DASH = "1.6 1.1"  # outlines of what is not drawn as it is
STEP_HATCHING = (Pattern(45.0, 2.2), Pattern(135.0, 2.2))  # hatching of a stack's steps, in turn
PART_ZERO = "part zero"
_KEY_PITCH_MM = 1.25 * TYPE_MM
_SET_IN_MM = 4.0  # of what continues a row of the key
_SAME_PLACE_MM = 1.2  # on the paper: nearer than this, part zero would lie below the circle of the origin
ALOFT = 400.0  # higher than any panel
_CLEAR_ENOUGH_MM = 1.5  # from the arrow that tells how the table turns
_ABOVE_DIMENSION_MM = 1.2  # of the same arrow
_ARC_SIZES = (1.0, 0.75, 0.55)  # of its radius: smaller where it is clear nowhere
ARM_MM = 9.0  # of the turning axis' cross

AT_FULL_SIZE = "; scale as printed at 100 %"
"""Ends the caption of a picture without a page around it; whoever enlarges the picture takes it out."""


@dataclass(frozen=True)
class Panel:
    """A finished drawing.

    Parameters
    ----------
    drawing : LineDrawing
    labels : tuple of LabelBox
        Every text with the paper it takes, in mm.
    strokes : tuple of ((x, y), (x, y))
        Every line that must keep off the labels.
    leaders : tuple of ((x, y), (x, y))
        Those among them that lead from a label to what it names.
    scale, caption : str
        "1:3", say; the same with the note about the outlines.
    origin, arrow_tip : (x, y)
        The drawn operation's origin, and the end of the spindle's arrow above it; None if the tool itself is drawn.
    size : (width, height)
        In mm.
    dimension_lines : (x, y)
        Positions of the vertical and the horizontal dimension line.
    ringed : bool
        Whether a ring is drawn about the smallest gap.
    """

    drawing: LineDrawing
    labels: tuple[LabelBox, ...]
    strokes: tuple[tuple[Point, Point], ...]
    leaders: tuple[tuple[Point, Point], ...]
    scale: str
    caption: str
    origin: Point
    arrow_tip: Point | None
    size: Point
    dimension_lines: Point
    ringed: bool


@dataclass(frozen=True)
class _Body:
    """Area for a step's number or a hatching: rings on the paper, and what lies over them."""

    rings: Rings
    covers: tuple[Rings, ...]
    pattern: Pattern | None


def draw(view: SideView, layout: PanelLayout = HALF) -> Panel:
    """Draw a side view.

    Parameters
    ----------
    view : SideView
    layout : PanelLayout

    Returns
    -------
    Panel
        As wide as the layout, as high as its content needs, in black and white.
    """
    _, up = dimension_texts(view, view.marks[0])
    layout = layout.beside(max(typesetting.width_em(word, bold=True) for word in up.split(" ")) * TYPE_MM)
    least = 0.0 if layout.key_x is None else _least_for_key(view, layout)
    place, scale, layout = choose_scale(view, layout, least)
    canvas = Canvas(layout.width, layout.height)
    bodies, numbered = _solids(canvas, view, place, layout) if view.solids else ([], {})
    numbered |= _steps(canvas, view, place, bodies)
    arrow = _spindle_arrow(view, place, layout) if view.solids is None else None
    holes = _marks(canvas, view, place, layout, arrow)
    dimension(canvas, view, place(view.marks[0].axis), place(view.marks[0].place), layout)
    caption = _caption(view, scale)
    if layout.key_x is not None:
        _key(canvas, view, place, layout, caption)
    leaders = _numbers(canvas, view, place, layout, bodies, numbered)
    _hatching(canvas, bodies, holes)
    return Panel(
        drawing=canvas.finished(),
        labels=tuple(canvas.labels),
        strokes=tuple(canvas.strokes),
        leaders=tuple(leaders),
        scale=scale,
        caption=caption,
        origin=place(view.marks[0].place),
        arrow_tip=None if arrow is None else arrow[0],
        size=(layout.width, layout.height),
        dimension_lines=(layout.dimension_x, layout.dimension_y),
        ringed=view.solids is not None and _ringed(view.solids, place),
    )


def dimension(canvas: Canvas, view: SideView, axis: Point, origin: Point, layout: PanelLayout) -> None:
    """Draw the two components from the turning axis to the origin, both given on the paper."""
    across, up = dimension_texts(view, view.marks[0])
    at_x, at_y = layout.dimension_x, layout.dimension_y
    for point in (axis, origin):
        canvas.line((at_x - 1.5, point[1]), (point[0] - 3.2, point[1]), THIN)
        canvas.line((point[0], point[1] + 3.2), (point[0], at_y + 1.5), THIN)
    top, bottom = sorted((axis[1], origin[1]))
    _span(canvas, (at_x, top), (at_x, bottom), level=False)
    for row, text in enumerate(up.split(" ")):
        baseline = (top + bottom) / 2 + TYPE_MM * (0.27 + 1.2 * (row - 0.5))
        canvas.text((at_x - 3.2, baseline), text, TYPE_MM, anchor="end", bold=True, halo=False)
    left, right = sorted((axis[0], origin[0]))
    _span(canvas, (left, at_y), (right, at_y), level=True)
    width = typesetting.width_em(across, bold=True) * TYPE_MM
    edge = (layout.key_x or layout.width) - width / 2 - 0.5
    middle = min(max((left + right) / 2, width / 2 + 0.5), edge)
    canvas.text((middle, at_y + 5.0), across, TYPE_MM, anchor="middle", bold=True, halo=False)


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


def _solids(
    canvas: Canvas, view: SideView, place: ViewTransform, layout: PanelLayout
) -> tuple[list[_Body], dict[int, _Body]]:
    """Draw the solids from one side and, if there is room, from the other beside it; returns what they show."""
    from tiltwright.sheet.solids import draw_projection  # only here: it loads the whole room of reach

    solids = view.solids
    assert solids is not None
    field = LabelBox(layout.left, layout.top, layout.right, layout.bottom)
    beside = place.beside()
    bodies: list[_Body] = []
    if beside is not None:
        left_field = replace(field, right=place.between - 0.8)
        bodies += _hatched(draw_projection(canvas, solids.other, beside, left_field))
        field = replace(field, left=place.between + 0.8)
        for shown, at in ((solids.other, beside.paper[0]), (solids.main, place.paper[0])):
            canvas.text((at, layout.top - 2.5), with_minus(shown.words), TYPE_MM, anchor="middle", halo=False)
    drawn = draw_projection(canvas, solids.main, place, field)
    bodies += _hatched(drawn)
    by_name = {name: _Body(rings, (), None) for name, _, rings in drawn}
    numbered = {step.number: by_name[step.name] for step in view.steps if step.name in by_name}
    return bodies, numbered


def _ringed(solids: Solids, place: ViewTransform) -> bool:
    from tiltwright.sheet.solids import is_ringed

    beside = place.beside()
    return is_ringed(solids.main, place) or (beside is not None and is_ringed(solids.other, beside))


def _hatched(drawn: Sequence[tuple[str, str, Rings]]) -> list[_Body]:
    return [_Body(rings, (), PATTERNS[kind]) for _, kind, rings in drawn]


def _steps(canvas: Canvas, view: SideView, place: ViewTransform, bodies: list[_Body]) -> dict[int, _Body]:
    """Draw platter and stack; returns each step's body, where it is drawn with one."""
    numbered: dict[int, _Body] = {}
    outlines = [None if step.outline is None else place.each(step.outline) for step in view.steps]
    rings = [None if outline is None else np.array(outline) for outline in outlines]
    for index, (step, outline) in enumerate(zip(view.steps, outlines, strict=True)):
        if outline is None:
            continue
        canvas.polygon(outline, MEDIUM, fill="white", dash="" if step.stated else STAND_IN_DASH)
        first, *over = [[ring] for ring in rings[index:] if ring is not None]
        numbered[step.number] = _Body(first, tuple(over), STEP_HATCHING[index % 2])
        bodies.append(numbered[step.number])
    if view.platter is not None and (view.solids is None or not view.solids.platter):
        weight = PLATTER if _is_thin(view.platter) else MEDIUM
        canvas.polygon(place.each(view.platter), weight, dash="" if view.platter_stated else STAND_IN_DASH)
    if view.solids is None and not any(outlines):
        for step in view.steps:
            canvas.line(place(step.start), place(step.end), HEAVY)
            canvas.circle(place(step.end), 0.6, THIN, fill="black")
    return numbered


def _numbers(
    canvas: Canvas,
    view: SideView,
    place: ViewTransform,
    layout: PanelLayout,
    bodies: Sequence[_Body],
    numbered: dict[int, _Body],
) -> list[tuple[Point, Point]]:
    """Write the steps' numbers: inside their bodies, else beside them; one without a free place is left out.

    The table of the stack has every step. Returns the leaders.
    """
    leaders: list[tuple[Point, Point]] = []
    space = LabelBox(
        layout.dimension_x + 1.0, layout.top - 6.0, (layout.key_x or layout.width) - 1.0, layout.bottom + 3.0
    )
    rings = [body.rings for body in bodies]
    taken, strokes, labels = _strokes(canvas), len(canvas.strokes), len(canvas.labels)
    for step in view.steps:
        text = str(step.number)
        half = _half(text)
        taken = np.concatenate((taken, _strokes(canvas, strokes, labels)))
        strokes, labels = len(canvas.strokes), len(canvas.labels)
        middle = place((step.start + step.end) / 2)
        body = numbered.get(step.number)
        spot = None if body is None else spot_inside(half, taken, body.rings, body.covers, middle)
        if spot is None:
            targets = np.array([middle]) if body is None else _rim_of(body)
            spot = spot_outside(half, taken, space, rings, targets)
        if spot is None:
            continue
        if spot.leader is not None:
            canvas.line(*spot.leader, THIN)
            canvas.circle(spot.leader[1], 0.5, THIN, fill="black")
            leaders.append(spot.leader)
        x, y = spot.middle
        canvas.text((x, y + TYPE_MM * 0.26), text, TYPE_MM, anchor="middle", bold=True, halo=False)
    return leaders


def _half(text: str) -> NDArray[np.float64]:
    """Half the size of a label in bold type."""
    return np.array([typesetting.width_em(text, bold=True) * TYPE_MM / 2, TYPE_MM * 0.5])


def _strokes(canvas: Canvas, strokes: int = 0, labels: int = 0) -> NDArray[np.float64]:
    """Every line so far, and the edges of every label, (k, 2, 2); those from a number on."""
    edges = []
    for box in canvas.labels[labels:]:
        corners = box.corners
        edges += [*zip(corners, corners[1:] + corners[:1], strict=True), (corners[0], corners[2])]
    return np.array([*canvas.strokes[strokes:], *edges], dtype=np.float64).reshape(-1, 2, 2)


def _rim_of(body: _Body) -> NDArray[np.float64]:
    """Points along a body's outline that nothing covers."""
    share = np.linspace(0.0, 1.0, 6)[:-1, None, None]
    found = [
        (ring + share * (np.roll(ring, -1, axis=0) - ring)).reshape(-1, 2)
        for ring in body.rings
        if len(ring) > 1
    ]
    points = np.concatenate([np.zeros((0, 2)), *found])
    for cover in body.covers:
        points = points[~inside(cover, points)]
    return points


def _hatching(canvas: Canvas, bodies: Sequence[_Body], holes: Sequence[LabelBox]) -> None:
    """Hatch the bodies, with room about labels and marks."""
    boxes = [
        LabelBox(box.left - 0.5, box.top - 0.1, box.right + 0.5, box.bottom + 0.1) for box in canvas.labels
    ]
    for body in bodies:
        if body.pattern is not None:
            pieces = hatch(
                body.rings, body.covers, [*boxes, *holes], body.pattern.angle_deg, body.pattern.apart_mm
            )
            canvas.lines(pieces, body.pattern.weight)


def _is_thin(rim: np.ndarray) -> bool:
    """True if a rim is seen edge on, or nearly so."""
    x, y = (rim - rim.mean(axis=0)).T
    # Of the ellipse that spreads as the points do: the squares of its half axes, which numpy's svd takes long to tell.
    middle, apart = float(x @ x + y @ y) / 2.0, math.hypot(float(x @ x - y @ y) / 2.0, float(x @ y))
    return middle - apart < 0.03**2 * (middle + apart)


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
        corners = place.each(outline)
        pieces = [lane.clip(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
        tips += [min(piece[0][1], piece[1][1]) - 1.2 for piece in pieces if piece is not None]
    for centre, radius in ((place(view.part_zero), 1.5), (place(mark.axis), layout.arc_radius)):
        if abs(centre[0] - origin[0]) < radius + 2.2 and centre[1] < origin[1] - 1.0:
            tips.append(centre[1] - radius - 1.5)
    highest = layout.top - 13.0
    tip = origin[0], max(min(tips), highest + 5.0)
    return tip, (tip[0], max(tip[1] - layout.arrow, highest))


def _marks(
    canvas: Canvas,
    view: SideView,
    place: ViewTransform,
    layout: PanelLayout,
    arrow: tuple[Point, Point] | None,
) -> list[LabelBox]:
    """Draw turning axis, part zero, origin and spindle; returns the boxes of those that no hatching may run into."""
    mark = view.marks[0]
    axis, zero, origin = place(mark.axis), place(view.part_zero), place(mark.place)
    holes = [_about(axis, 1.6), _about(origin, 2.6)]
    free = LabelBox(layout.dimension_x + 2.0, layout.top - 8.0, layout.width - 2.0, layout.dimension_y - 3.0)
    if view.axis_line is None:
        for dx, dy in ((ARM_MM, 0.0), (0.0, ARM_MM)):
            arm = free.clip((axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy))
            if arm is not None:
                canvas.line(*arm, THIN)
        if view.turns_clockwise is not None:
            half_deg = ARC_HALF_DEG if view.turns_clockwise else -ARC_HALF_DEG
            middle_deg, radius = _free_side(view, axis, place, layout)
            canvas.arc_arrow(axis, radius, middle_deg, half_deg, MEDIUM)
            turn, away = np.radians(middle_deg), 0.88 * radius
            about = (axis[0] + away * float(np.cos(turn)), axis[1] + away * float(np.sin(turn)))
            holes.append(_about(about, 2.8))
    else:
        dx, dy = 34.0 * float(view.axis_line[0]), -34.0 * float(view.axis_line[1])
        line = free.clip((axis[0] - dx, axis[1] - dy), (axis[0] + dx, axis[1] + dy))
        if line is not None:
            canvas.line(*line, MEDIUM, dash="5 1.2 1 1.2")
    canvas.circle(axis, 1.0, THIN, fill="black")
    if _zero_is_apart(view, place):
        canvas.circle(zero, 1.5, MEDIUM, fill="white")
        canvas.circle(zero, 0.5, MEDIUM, fill="black")
        holes.append(_about(zero, 1.9))
    canvas.circle(origin, 2.1, HEAVY, fill="white")
    canvas.line((origin[0] - 2.1, origin[1]), (origin[0] + 2.1, origin[1]), MEDIUM)
    canvas.line((origin[0], origin[1] - 2.1), (origin[0], origin[1] + 2.1), MEDIUM)
    if arrow is not None:
        tip, tail = arrow
        if tip[1] < origin[1] - 4.0:
            canvas.line(tip, (origin[0], origin[1] - 2.1), THIN, dash="5 1.2 1 1.2")
        canvas.line(tail, (tip[0], tip[1] - 3.0), 1.1)
        canvas.arrow_head(tip, (0.0, 1.0), 4.6)
        _beside_arrow(canvas, mark.register, tip, tail, layout)
    return holes


def _beside_arrow(canvas: Canvas, text: str, tip: Point, tail: Point, layout: PanelLayout) -> None:
    """The work offset's name beside the spindle's arrow, on the side that is free; left out where neither is."""
    if not text:
        return
    half = _half(text)
    y = (tip[1] + tail[1]) / 2 - 0.5
    for side in (1.0, -1.0):
        middle = np.array([[tip[0] + side * (half[0] + 2.4), y]])
        low, high = middle[0] - half, middle[0] + half
        if (
            low[0] < layout.dimension_x + 1.0
            or high[0] > (layout.key_x or layout.width) - 0.5
            or low[1] < 0.0
        ):
            continue
        if not strokes_through(_strokes(canvas), middle, half + 0.3)[0]:
            at = (float(middle[0, 0]), float(y + TYPE_MM * 0.26))
            canvas.text(at, text, TYPE_MM, anchor="middle", bold=True, halo=False)
            return


def _about(centre: Point, half: float) -> LabelBox:
    return LabelBox(centre[0] - half, centre[1] - half, centre[0] + half, centre[1] + half)


def _key(canvas: Canvas, view: SideView, place: ViewTransform, layout: PanelLayout, caption: str) -> None:
    """Key of a picture without a page around it: direction of view above, scale below, the rest in a list."""
    assert layout.key_x is not None
    canvas.text((1.0, 4.0), with_minus(view.seen_from), TYPE_MM, halo=False)
    words = f"{caption}{AT_FULL_SIZE}"
    canvas.text((1.0, layout.height - 1.0), words, TYPE_MM, halo=False)
    rows, last = _key_rows(view, layout, apart=_zero_is_apart(view, place))
    fitting = int((layout.height - 8.0) / _KEY_PITCH_MM)
    if len(rows) > fitting:  # a tall stack: the working has every step
        rows = [*rows[: fitting - last - 1], ("…", False), *rows[-last:]]
    for row, (text, bold) in enumerate(rows):
        words = text.lstrip(" ")
        set_in_mm = _SET_IN_MM if words != text else 0.0
        room_em = _key_room_em(layout) - set_in_mm / TYPE_MM
        printed = typesetting.shortened(typesetting.printable(words), room_em, bold=bold)
        at = (layout.key_x + set_in_mm, 10.0 + row * _KEY_PITCH_MM)
        canvas.text(at, printed, TYPE_MM, bold=bold, halo=False)


def _caption(view: SideView, scale: str) -> str:
    return "; ".join(filter(None, (f"scale {scale}", view.outline_words)))


def _least_for_key(view: SideView, layout: PanelLayout) -> float:
    """The height that the key needs, and the caption below it where that reaches as far to the right."""
    words = typesetting.printable(_caption(view, "1:2.5") + AT_FULL_SIZE)
    reaches = 2.0 + typesetting.width_em(words) * TYPE_MM > (layout.key_x or layout.width)
    rows, _ = _key_rows(view, layout, apart=True)
    return 8.5 + (len(rows) + (0.6 if reaches else 0.0)) * _KEY_PITCH_MM


def _key_room_em(layout: PanelLayout) -> float:
    """The width that a row of the key has."""
    return (layout.width - (layout.key_x or 0.0) - 1.0) / TYPE_MM


def _zero_is_apart(view: SideView, place: ViewTransform) -> bool:
    """True where part zero has a circle of its own."""
    zero, origin = place(view.part_zero), place(view.marks[0].place)
    return bool(np.hypot(zero[0] - origin[0], zero[1] - origin[1]) >= _SAME_PLACE_MM)


def _key_rows(view: SideView, layout: PanelLayout, *, apart: bool) -> tuple[list[tuple[str, bool]], int]:
    """The rows of a key, each with whether it is bold, and how many of the last ones are not the stack's."""
    mark = view.marks[0]
    shown = [f"{axis} {with_minus(value)}" for axis, value in zip((view.right, "Z"), mark.shown, strict=True)]
    rows = [(f"{mark.register} {mark.name}".strip(), True), ("crossed circle, at", False)]
    rows += [(words, True) for words in shown]
    if mark.name != PART_ZERO:
        rows.append((f"small circle: {PART_ZERO}" if apart else f"{PART_ZERO}: the same place", False))
    for step in reversed(view.steps):
        words = ", ".join(filter(None, (step.name, with_minus(step.size))))
        rows += [(row, False) for row in _broken(f"{step.number}  {words}", _key_room_em(layout))]
    axis, *arrow = view.axis_words[0].split("; ")
    below = [view.platter_words, f"dot in a cross: {axis}", *arrow, *view.axis_words[1:]]
    return [*rows, *((words, False) for words in below)], len(below)


def _broken(text: str, whole_em: float) -> list[str]:
    """A text in lines no wider than there is room for; those after the first begin with a space, and are set in."""
    lines, room_em = [""], whole_em
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if lines[-1].strip() and typesetting.width_em(typesetting.printable(longer)) > room_em:
            lines.append(f" {word}")
            room_em = whole_em - _SET_IN_MM / TYPE_MM
        else:
            lines[-1] = longer
    return lines


def _free_side(view: SideView, axis: Point, place: ViewTransform, layout: PanelLayout) -> tuple[float, float]:
    """The side of the axis on which its arrow keeps clear of platter and stack, in degrees on the paper, and its radius.

    Below, left, right or above, smaller where no side is clear at full size; below only where that is clear of the
    dimension. The first one that is clear enough is taken, else the one that is clearest.
    """
    share = np.linspace(0.0, 1.0, 25)[:, None, None]
    origin = np.array(place(view.marks[0].place))
    # The origin, the spindle over it, and the two lines from it to the dimensions.
    ends = ((origin[0], 0.0), (origin[0], layout.dimension_y), (layout.dimension_x, origin[1]))
    taken = [origin[None], *(np.linspace(origin, end, 50) for end in ends)]
    for outline in _outlines(view):
        corners = np.array(place.each(outline))
        taken.append((corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2))
    points_taken = np.concatenate(taken)
    from_axis = np.hypot(points_taken[:, 0] - axis[0], points_taken[:, 1] - axis[1])
    arc = np.radians(np.linspace(-ARC_HALF_DEG, ARC_HALF_DEG, 9))
    clear: dict[tuple[float, float], float] = {}
    for share_of in _ARC_SIZES:
        radius = share_of * layout.arc_radius
        # No other point is near enough to matter.
        near = points_taken[np.abs(from_axis - radius) <= _CLEAR_ENOUGH_MM + 1e-6]
        sides = (90.0, 180.0, 0.0, 270.0) if share_of == 1.0 else (180.0, 0.0, 90.0, 270.0)
        for side in sides:
            turn = arc + np.radians(side)
            points = np.array(axis) + radius * np.stack((np.cos(turn), np.sin(turn)), axis=-1)
            if points[:, 1].max() < layout.dimension_y - _ABOVE_DIMENSION_MM:
                square = (points[:, :1] - near[:, 0]) ** 2 + (points[:, 1:] - near[:, 1]) ** 2
                clear[side, radius] = float(np.sqrt(square.min(initial=np.inf)))
                if clear[side, radius] > _CLEAR_ENOUGH_MM:
                    return side, radius
    return max(clear, key=lambda at: clear[at], default=(270.0, layout.arc_radius))
