"""Drawing of the readings for one pivot, to scale, seen along the rotary's line."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine
from kinematics.teaching import PivotExercise, PivotProbing
from tiltwright.output.canvas import Canvas, LabelBox, LineDrawing, Point
from tiltwright.output.numbers import length, with_minus
from tiltwright.output.typesetting import printable, shortened, width_em
from tiltwright.teaching.swing_drawing import view_along

__all__ = ["PANEL_MM", "draw_probing"]

PANEL_MM = (176.0, 84.0)
FIELD = (14.0, 11.0, 104.0, 78.0)  # left, top, right, bottom of the geometry
COLUMN_X = 114.0
TYPE_MM = 3.5
_SMALL_MM = 3.0
THIN, MEDIUM, HEAVY = 0.2, 0.35, 0.6
_GAP_MM = 4.0
_ABOVE_MM, _BELOW_MM = 3.0, 4.0
"""More room above a low drawing, for the numbers of its readings; the edge below any."""

Floats = NDArray[np.float64]


def draw_probing(
    exercise: PivotExercise, which: int, units: str, found_mm: Floats | None = None
) -> LineDrawing:
    """The drawing, at most `PANEL_MM` large, as high as what it shows.

    Parameters
    ----------
    exercise : PivotExercise
    which : int
        The pivot, from 0.
    units : "mm" or "inch"
        Of the numbers written in it.
    found_mm : ndarray, shape (2,), optional
        The pivot that was found, for a key; without it the pivot stands where the shop believes it, with a question
        mark.
    """
    probing = exercise.probings[which]
    right, up, across, seen = view_along(probing.letter, exercise.machine.rotaries[which].direction)
    pivot = probing.believed_mm if found_mm is None else found_mm
    centres = probing.centre_mm[:, [right, up]]
    platter = _platter(exercise.machine, probing, right, up)
    edge = probing.radius_mm if probing.method == "ball on an arc" else 0.0
    words = _words(probing, units, found_mm)
    least = _row_y(words, len(words)) + 2.0
    place = _scale(np.vstack([pivot, centres + edge, centres - edge, *platter]), across, least)
    canvas = Canvas(PANEL_MM[0], place.height)
    _table(canvas, probing, platter, place)
    at = place(pivot)
    _read(
        canvas,
        probing,
        [place(point) for point in centres],
        at,
        abs(place(pivot + np.array([edge, 0.0]))[0] - at[0]),
    )
    canvas.line((at[0] - 5.0, at[1]), (at[0] + 5.0, at[1]), THIN)
    canvas.line((at[0], at[1] - 5.0), (at[0], at[1] + 5.0), THIN)
    canvas.circle(at, 1.6, MEDIUM, fill="white")
    canvas.circle(at, 0.5, MEDIUM, fill="black")
    room = LabelBox(0.5, 5.5, COLUMN_X - 2.0, place.height - 0.5)
    canvas.name_beside(at, _pivot_name(probing, found_mm), TYPE_MM, room)
    if probing.axis != 2:
        _name_platter(canvas, f"platter, {probing.letter} 0", [place(point) for point in platter], room)
    for row, (text, bold) in enumerate(words, start=1):
        fitted = shortened(printable(text), (PANEL_MM[0] - COLUMN_X - 0.5) / TYPE_MM, bold=bold)
        canvas.text((COLUMN_X, _row_y(words, row)), fitted, TYPE_MM, bold=bold, halo=False)
    canvas.text((1.0, 4.0), with_minus(seen), TYPE_MM, halo=False)
    return canvas.finished()


def _pivot_name(probing: PivotProbing, found_mm: Floats | None) -> str:
    """The working's name of the pivot, with a question mark where it is only believed."""
    return f"P({probing.letter})" + ("" if found_mm is not None else " ?")


def _platter(machine: Machine, probing: PivotProbing, right: int, up: int) -> list[Floats]:
    """The platter at the all-zero pose seen along the line: its rim, or its face from the side."""
    radius = (machine.platter.diameter_mm or 160.0) / 2.0
    middle = machine.rotaries[-1].point_mm.copy()
    middle[2] = machine.platter.face_mm or middle[2]
    if probing.axis == 2:
        return [middle[[right, up]] + radius * np.array([-1.0, -1.0]), middle[[right, up]] + radius]
    ends = np.array([middle, middle])
    ends[:, right] += [-radius, radius]
    return [end[[right, up]] for end in ends]


class _scale:  # noqa: N801 - used as a function
    """Transform from machine coordinates across the line to paper, as large as fits."""

    def __init__(self, points: Floats, across: float, least: float) -> None:
        low, high = points.min(axis=0), points.max(axis=0)
        room = np.array([FIELD[2] - FIELD[0], FIELD[3] - FIELD[1]])
        self.factor = float((room / np.maximum(high - low, 1e-6)).min())
        self.middle, self.across = (low + high) / 2.0, across
        high_mm = float((high - low)[1] * self.factor)
        top = FIELD[1] + min(room[1] - high_mm, _ABOVE_MM)
        self.middle_y, self.height = top + high_mm / 2.0, max(top + high_mm + _BELOW_MM, least)

    def __call__(self, point: Floats) -> Point:
        away = (point - self.middle) * self.factor * np.array([self.across, 1.0])
        return (FIELD[0] + FIELD[2]) / 2.0 + float(away[0]), self.middle_y - float(away[1])


def _table(canvas: Canvas, probing: PivotProbing, platter: list[Floats], place: _scale) -> None:
    start, end = (place(point) for point in platter)
    if probing.axis == 2:
        middle = ((start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0)
        canvas.circle(middle, abs(end[0] - start[0]) / 2.0, THIN)
        return
    canvas.line(start, end, HEAVY)


def _name_platter(canvas: Canvas, name: str, ends: list[Point], room: LabelBox) -> None:
    """The platter's name below it, above it or beside it, wherever no arm runs through it."""
    left, right = min(ends[0][0], ends[1][0]), max(ends[0][0], ends[1][0])
    y, wide = ends[0][1], width_em(printable(name)) * _SMALL_MM
    along = [left + share * (right - wide - left) for share in (0.0, 1.0, 0.25, 0.5, 0.75)]
    places = [(x, y + below) for below in (4.2, -1.8) for x in along]
    canvas.text_where_free(
        [*places, (right + 2.0, y + 1.0), (left - wide - 2.0, y + 1.0)], name, _SMALL_MM, room
    )


def _read(canvas: Canvas, probing: PivotProbing, points: list[Point], pivot: Point, radius: float) -> None:
    """Every reading with its number and its arm."""
    if probing.method == "level face":
        for first, second in ((0, 1), (2, 3), (4, 5)):
            _upright(canvas, points[first], points[second], pivot)
    for k, at in enumerate(points):
        away = (at[0] - pivot[0], at[1] - pivot[1])
        far = math.hypot(*away) or 1.0
        if probing.method != "level face":
            canvas.line(pivot, at, THIN, dash="3 1.2")
        canvas.circle(at, max(radius, 1.0), MEDIUM, fill="white")
        reach = max(radius, 1.0) + _GAP_MM
        label = (at[0] + away[0] / far * reach, at[1] + away[1] / far * reach + 1.2)
        canvas.text(label, str(k + 1), TYPE_MM, anchor="middle", bold=True, halo=False)


def _upright(canvas: Canvas, first: Point, second: Point, pivot: Point) -> None:
    """A face through two touches, and its distance from the pivot."""
    along = (second[0] - first[0], second[1] - first[1])
    start = (first[0] - 0.6 * along[0], first[1] - 0.6 * along[1])
    end = (second[0] + 0.6 * along[0], second[1] + 0.6 * along[1])
    canvas.line(start, end, HEAVY)
    share = ((pivot[0] - first[0]) * along[0] + (pivot[1] - first[1]) * along[1]) / (
        along[0] ** 2 + along[1] ** 2
    )
    foot = (first[0] + share * along[0], first[1] + share * along[1])
    canvas.line(pivot, foot, THIN, dash="3 1.2")


def _words(probing: PivotProbing, units: str, found_mm: Floats | None) -> list[tuple[str, bool]]:
    """The column beside the drawing, each row with whether it is bold."""
    shown = probing.believed_mm if found_mm is None else found_mm
    words = [
        (f"{_pivot_name(probing, found_mm)}  pivot of {probing.letter}", True),
        ("as the shop believes" if found_mm is None else "found by hand", False),
        *(
            (f"{name} {with_minus(length(float(v), units))}", False)
            for name, v in zip(probing.axes, shown, strict=True)
        ),
        (probing.target, True),
    ]
    if probing.method == "level face":
        stands = [
            f"{k + 1}, {k + 2}:  {probing.letter} {with_minus(f'{probing.angles_deg[k] + 0.0:g}')}"
            for k in (0, 2, 4)
        ]
    else:
        stands = [
            f"{k + 1}:  {probing.letter} {with_minus(f'{a + 0.0:g}')}"
            for k, a in enumerate(probing.angles_deg)
        ]
    return [*words, *((stand, False) for stand in stands)]


def _row_y(words: Sequence[tuple[str, bool]], row: int) -> float:
    """The baseline of a row of the column, counted from 1."""
    return 12.0 + sum(6.4 if bold else 5.0 for _, bold in words[:row])
