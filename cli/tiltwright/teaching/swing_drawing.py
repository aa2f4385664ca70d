"""Drawing of one rotary's swing to scale, seen along its line: the arm before and after, the turn, the components."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.teaching import RotarySwing
from tiltwright.output.canvas import Canvas, LabelBox, LineDrawing, Point
from tiltwright.output.numbers import angle, length, with_minus
from tiltwright.output.typesetting import printable, shortened

__all__ = ["PANEL_MM", "draw_swing", "view_along"]

PANEL_MM = (176.0, 72.0)
FIELD = (12.0, 10.0, 100.0, 66.0)  # left, top, right, bottom of the geometry
COLUMN_X = 108.0
TYPE_MM = 3.5
THIN, MEDIUM, HEAVY = 0.2, 0.35, 0.6
_LONGEST_ARC_DEG = 330.0
_SHORTEST_ARC_MM = 2.0
_NEARLY = math.cos(math.radians(5.0))
"""A line that leans farther from every machine axis is looked along itself."""


# For each line's axis: the machine axis to the side, the one that goes up, and the way of the first for an eye at +.
_VIEWS = ((1, 2, 1.0), (0, 2, -1.0), (0, 1, 1.0))
_EYES = (("the right", "the left"), ("the back", "the front"), ("above", "below"))


def view_along(letter: str, direction: NDArray[np.float64]) -> tuple[int, int, float, str]:
    """A rotary's line seen from its positive end, where its sense is stated.

    Returns
    -------
    side, up : int
        Machine axes to the side and up the paper.
    across : float
        1 where the first goes to the right, -1 to the left.
    seen : str
        The view in words.
    """
    along = int(np.argmax(np.abs(direction)))
    side, up, way = _VIEWS[along]
    positive = float(direction[along]) > 0.0
    across = way if positive else -way
    words = (
        f"Seen from {_EYES[along][0 if positive else 1]}, the positive end of {letter}: "
        f"{'XYZ'[side]} to the {'right' if across > 0.0 else 'left'}, {'XYZ'[up]} up"
    )
    return side, up, across, words


def draw_swing(swing: RotarySwing, units: str) -> LineDrawing:
    """The drawing, `PANEL_MM` large, seen from the positive end of the rotary's line.

    Parameters
    ----------
    swing : RotarySwing
    units : "mm" or "inch"
        Of the numbers written in it.
    """
    side, up, across, seen = view_along(swing.letter, swing.direction)
    canvas = Canvas(*PANEL_MM)
    points = [np.asarray(p) for p in (swing.pivot_mm, swing.before_mm, swing.after_mm)]
    slanted = float(np.abs(swing.direction).max()) < _NEARLY
    if slanted:
        seen = f"Seen along the line of {swing.letter}, from its positive end"
        flat_view = _across_line(swing.direction)
    else:
        flat_view = np.zeros((2, 3))
        flat_view[0, side], flat_view[1, up] = across, 1.0
    pivot, before, after = _placed([flat_view @ p for p in points])
    _axes(canvas, pivot)
    canvas.line(pivot, before, MEDIUM, dash="2 1.2")
    canvas.line(pivot, after, HEAVY)
    # Counterclockwise is positive for an eye at the positive end.
    shown = _arc(canvas, pivot, before, swing.turn_deg)
    for at, fill in ((before, "white"), (after, "black")):
        canvas.circle(at, 1.3, MEDIUM, fill=fill)
    canvas.circle(pivot, 2.2, MEDIUM, fill="white")
    canvas.circle(pivot, 0.6, MEDIUM, fill="black")
    for mark, at in ((f"P({swing.letter})", pivot), (swing.before, before), (swing.after, after)):
        canvas.name_beside(at, mark, TYPE_MM, LabelBox(0.5, 5.5, COLUMN_X - 2.0, PANEL_MM[1] - 0.5))
    shown_axes = [0, 1, 2] if slanted else [side, up]
    _column(
        canvas, _words(swing, [p[shown_axes] for p in points], ["XYZ"[k] for k in shown_axes], units, shown)
    )
    canvas.text((1.0, 4.0), with_minus(seen), TYPE_MM, halo=False)
    return canvas.finished()


def _across_line(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Right and up of an eye that looks along a slanted line from its positive end: machine Z leans up."""
    up = np.array([0.0, 0.0, 1.0]) - direction[2] * direction
    up /= np.linalg.norm(up)
    return np.stack((np.cross(up, direction), up))


def _placed(flat: Sequence[NDArray[np.float64]]) -> list[Point]:
    """Points of the machine on the paper, the pivot among them, as large as fits."""
    stacked = np.array(flat)
    radius = float(np.linalg.norm(stacked - stacked[0], axis=1).max())
    low, high = stacked.min(axis=0), stacked.max(axis=0)
    room = np.array([FIELD[2] - FIELD[0], FIELD[3] - FIELD[1]]) - 8.0
    span = np.maximum(high - low, 1e-9 + 0.05 * radius)
    factor = float((room / span).min()) if radius > 0.0 else 1.0
    middle, paper = (low + high) / 2.0, ((FIELD[0] + FIELD[2]) / 2.0, (FIELD[1] + FIELD[3]) / 2.0)
    return [
        (paper[0] + float(p[0] - middle[0]) * factor, paper[1] - float(p[1] - middle[1]) * factor)
        for p in stacked
    ]


def _axes(canvas: Canvas, pivot: Point) -> None:
    canvas.line((FIELD[0] - 4.0, pivot[1]), (FIELD[2] + 2.0, pivot[1]), THIN, dash="5 1.2 1 1.2")
    canvas.line((pivot[0], FIELD[1] - 3.0), (pivot[0], FIELD[3] + 3.0), THIN, dash="5 1.2 1 1.2")


def _arc(canvas: Canvas, pivot: Point, before: Point, turned_deg: float) -> float:
    """Draw the turn as an arrow the way the table goes, and return the turn it shows: whole turns are left out.

    An arrow shorter than its own head is not drawn.
    """
    reach = math.hypot(before[0] - pivot[0], before[1] - pivot[1])
    shown = math.fmod(turned_deg, 360.0)
    shown = max(-_LONGEST_ARC_DEG, min(_LONGEST_ARC_DEG, shown))
    if reach < 1.0 or shown == 0.0:
        return shown
    start = math.degrees(math.atan2(before[1] - pivot[1], before[0] - pivot[0]))
    room = min(
        pivot[0] - FIELD[0] + 8.0,
        FIELD[2] + 6.0 - pivot[0],
        pivot[1] - FIELD[1] + 4.0,
        FIELD[3] + 4.0 - pivot[1],
    )
    radius = min(0.6 * reach, 22.0)
    if abs(shown) > 120.0:
        radius = max(5.0, min(radius, room))
    if math.radians(abs(shown)) * radius < _SHORTEST_ARC_MM:
        return 0.0
    # An angle on paper grows clockwise.
    canvas.arc_arrow(pivot, radius, start - shown / 2.0, -shown / 2.0, MEDIUM)
    return shown


def _words(
    swing: RotarySwing,
    flat: Sequence[NDArray[np.float64]],
    names: Sequence[str],
    units: str,
    shown_deg: float,
) -> list[tuple[str, bool]]:
    pivot, before, after = flat

    def pair(values: NDArray[np.float64], prefix: str = "") -> str:
        return "  ".join(f"{prefix}{n} {length(float(v), units)}" for n, v in zip(names, values, strict=True))

    def rows(values: NDArray[np.float64], arm: NDArray[np.float64] | None = None) -> list[tuple[str, bool]]:
        """A point and its arm; of a slanted line all three coordinates, on two lines, which leaves no room for the arm."""
        if len(names) > 2:
            here = pair(values).split("  ")
            return [("  ".join(here[:2]), False), (here[2], False)]
        return [(pair(values), False), *([] if arm is None else [("arm " + pair(arm, "Δ"), False)])]

    way = "counterclockwise" if swing.turn_deg > 0.0 else "clockwise"
    words = [
        (f"P({swing.letter})  pivot of {swing.letter}", True),
        *rows(pivot),
        (f"{swing.before}  before the turn (dashed)", True),
        *rows(before, before - pivot),
        (f"turn of the table {angle(swing.turn_deg)}°", True),
        (f"that is {way} here", False),
    ]
    if abs(abs(shown_deg) - abs(swing.turn_deg)) > 1e-6:
        words.append((f"({_left_out(swing.turn_deg, shown_deg)})", False))
    return [
        *words,
        (f"{swing.after}  after the turn", True),
        *rows(after, after - pivot),
    ]


def _left_out(turned_deg: float, shown_deg: float) -> str:
    if shown_deg == 0.0 and abs(turned_deg) < _LONGEST_ARC_DEG:
        return "too small to be seen here"
    return "whole turns left out" if abs(turned_deg) > 360.0 else "the arrow stops short"


def _column(canvas: Canvas, words: Sequence[tuple[str, bool]]) -> None:
    y = 4.0
    for text, bold in words:
        y += 6.4 if bold else 5.0
        room_em = (PANEL_MM[0] - COLUMN_X - 0.5) / TYPE_MM
        fitted = shortened(printable(with_minus(text)), room_em, bold=bold)
        canvas.text((COLUMN_X, y), fitted, TYPE_MM, bold=bold, halo=False)
