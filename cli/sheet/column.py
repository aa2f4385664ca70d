"""The labels beside a side view: each with a thin leader to what it names, none upon another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from tiltwright.sheet import typeface
from tiltwright.sheet.canvas import Canvas, Point
from tiltwright.sheet.layout import THIN, TYPE_MM, Layout

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
        """What it takes of the column, in mm."""
        return len(self.lines) * _PITCH_MM + 0.9


def write_column(canvas: Canvas, labels: Iterable[Label], layout: Layout) -> None:
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
            text = typeface.shortened(typeface.printable(line), layout.column_em, bold=label.bold)
            baseline = top + 0.45 + (row + 1) * _PITCH_MM - 1.1
            canvas.text((layout.column_x, baseline), text, TYPE_MM, bold=label.bold, halo=False)


def _height(labels: Iterable[Label]) -> float:
    return sum(label.height for label in labels)


def _tops(ordered: list[Label], layout: Layout) -> list[float]:
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
        broken = (typeface.broken(typeface.printable(line), room_em, bold=label.bold) for line in label.lines)
        taller = replace(label, lines=tuple(piece for pieces in broken for piece in pieces))
        if _height(labels) - label.height + taller.height <= room:
            labels[index] = taller
    return labels
