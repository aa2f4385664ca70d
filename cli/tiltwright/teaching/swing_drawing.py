"""Drawing of one rotary's swing to scale, seen along its line: the arm before and after, the turn, the components."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import wrap_deg
from kinematics.teaching import RotarySwing
from tiltwright.output.canvas import Canvas, Point
from tiltwright.output.numbers import angle, length, with_minus
from tiltwright.output.typesetting import printable, shortened

__all__ = ["PANEL_MM", "draw_swing"]

PANEL_MM = (176.0, 84.0)
FIELD = (12.0, 10.0, 100.0, 78.0)  # left, top, right, bottom of the geometry
COLUMN_X = 108.0
TYPE_MM = 3.5
THIN, MEDIUM, HEAVY = 0.2, 0.35, 0.6
_LONGEST_ARC_DEG = 175.0

# Which machine axes go to the right and up, and whether the eye stands at the line's positive end.
_VIEWS = (
    (1, 2, 1.0, "Seen from machine +X: Y to the right, Z up"),
    (0, 2, -1.0, "Seen from machine -Y, the front: X to the right, Z up"),
    (0, 1, 1.0, "Seen from above: X to the right, Y up"),
)


def draw_swing(swing: RotarySwing, units: str) -> str:
    """The drawing as SVG, `PANEL_MM` large.

    Parameters
    ----------
    swing : RotarySwing
    units : "mm" or "inch"
        Of the numbers written in it.
    """
    along = int(np.argmax(np.abs(swing.direction)))
    right, up, eye, seen = _VIEWS[along]
    canvas = Canvas(*PANEL_MM)
    flat = [np.asarray(p)[[right, up]] for p in (swing.pivot_mm, swing.before_mm, swing.after_mm)]
    pivot, before, after = _placed(flat)
    # Counterclockwise for the eye is positive here; paper's y points down.
    turned = swing.turn_deg * eye * float(np.sign(swing.direction[along]))
    _axes(canvas, pivot)
    canvas.line(pivot, before, MEDIUM, dash="2 1.2")
    canvas.line(pivot, after, HEAVY)
    shown = _arc(canvas, pivot, before, turned)
    for at, fill in ((before, "white"), (after, "black")):
        canvas.circle(at, 1.3, MEDIUM, fill=fill)
    canvas.circle(pivot, 2.2, MEDIUM, fill="white")
    canvas.circle(pivot, 0.6, MEDIUM, fill="black")
    names = ("XYZ"[right], "XYZ"[up])
    _labels(canvas, pivot, before, after)
    _column(canvas, _words(swing, flat, names, units, shown))
    canvas.text((1.0, 4.0), with_minus(seen), TYPE_MM, halo=False)
    return canvas.svg()


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
    """Draw the turn as an arrow and return the turn it shows: the short way round where the turn is long."""
    reach = math.hypot(before[0] - pivot[0], before[1] - pivot[1])
    shown = float(wrap_deg(turned_deg, low_deg=-180.0)) if abs(turned_deg) > _LONGEST_ARC_DEG else turned_deg
    shown = max(-_LONGEST_ARC_DEG, min(_LONGEST_ARC_DEG, shown))
    if reach < 1.0 or shown == 0.0:
        return shown
    start = math.degrees(math.atan2(before[1] - pivot[1], before[0] - pivot[0]))
    # An angle on paper grows clockwise.
    canvas.arc_arrow(pivot, min(0.6 * reach, 22.0), start - shown / 2.0, -shown / 2.0, MEDIUM)
    return shown


def _labels(canvas: Canvas, pivot: Point, before: Point, after: Point) -> None:
    for mark, at in (("P", pivot), ("w", before), ("w'", after)):
        toward = -1.0 if at[1] < pivot[1] or at is pivot else 1.0
        canvas.text((at[0] + 2.6, at[1] + (toward * 3.2 + 1.2)), mark, TYPE_MM, bold=True, halo=True)


def _words(
    swing: RotarySwing,
    flat: Sequence[NDArray[np.float64]],
    names: tuple[str, str],
    units: str,
    shown_deg: float,
) -> list[tuple[str, bool]]:
    pivot, before, after = flat

    def pair(values: NDArray[np.float64], prefix: str = "") -> str:
        return "  ".join(f"{prefix}{n} {length(float(v), units)}" for n, v in zip(names, values, strict=True))

    words = [
        (f"P  pivot of {swing.letter}", True),
        (pair(pivot), False),
        ("w  before the turn (dashed)", True),
        (pair(before), False),
        ("arm " + pair(before - pivot, "Δ"), False),
        (f"turn of the table {angle(swing.turn_deg)}°", True),
        ("counterclockwise is positive, seen", False),
        ("from the line's positive end", False),
    ]
    if abs(abs(shown_deg) - abs(swing.turn_deg)) > 1e-6:
        words.append(("(arrow: the short way round)", False))
    return [
        *words,
        ("w'  after the turn", True),
        (pair(after), False),
        ("arm " + pair(after - pivot, "Δ"), False),
    ]


def _column(canvas: Canvas, words: Sequence[tuple[str, bool]]) -> None:
    y = 13.0
    for text, bold in words:
        y += 6.4 if bold else 5.0
        room_em = (PANEL_MM[0] - COLUMN_X - 0.5) / TYPE_MM
        fitted = shortened(printable(with_minus(text)), room_em, bold=bold)
        canvas.text((COLUMN_X, y), fitted, TYPE_MM, bold=bold, halo=False)
