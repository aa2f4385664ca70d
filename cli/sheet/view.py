"""The side view of one tilt as flat geometry: what a drawing needs, and nothing about how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Flat = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StepShape:
    """One step of the stack seen from the side; flat coordinates in mm, (right, up).

    Parameters
    ----------
    number, name : int, str
        As in the sheet's stack table.
    size : str
        What the step does, "up 62.000" or "shift x 48.000", in the sheet's unit with its sign; empty for a mere turn.
    start, end : (2,) array
        Where the step begins and ends on the stack's polyline.
    outline : (n, 2) array or None
        Convex outline of a stand-in body; None for a step without height, and for every step of an indexer, whose
        stack says nothing about the body around it.
    """

    number: int
    name: str
    size: str
    start: Flat
    end: Flat
    outline: Flat | None


@dataclass(frozen=True, eq=False)
class OriginMark:
    """One operation's origin in a side view, with its offset's components from the tilt axis.

    Parameters
    ----------
    name, register : str
        The operation and its work offset ("G55").
    place : (2,) array
        Flat coordinates in mm.
    axis : (2,) array
        The point of the tilt axis that the components start from, flat, in mm.
    shown : (str, str)
        The offset's two seen components as the offsets table prints them.
    delta : (str, str)
        The components from the tilt axis, formatted in the sheet's unit.
    """

    name: str
    register: str
    place: Flat
    axis: Flat
    shown: tuple[str, str]
    delta: tuple[str, str]


@dataclass(frozen=True, eq=False)
class SideView:
    """A tilt seen from the side, at the machine angles of its first operation.

    Parameters
    ----------
    title : str
        The tilt, in words.
    seen_from : str
        Where the eye is, in words.
    right : str
        Letter of the machine axis that points to the right; Z points up.
    axis_name : str
        The axis that the components start from: "A axis".
    axis_words : tuple of str
        What to write beside it.
    turns_clockwise : bool or None
        Whether the table turns clockwise, for this eye, when that axis is moved positive; None where the axis does
        not point at the eye.
    axis_line : (2,) array or None
        Seen direction of that axis where it does not point at the eye.
    last_line : (2, 2) array or None
        Two points of the last rotary's line where it is seen from the side.
    platter : (n, 2) array or None
        The platter's rim, seen from the side.
    platter_words : str
        "platter Ø160.000", say.
    platter_stated : bool
        Whether the machine file states its diameter.
    steps : tuple of StepShape
    part_zero : (2,) array
    marks : tuple of OriginMark
        The first is drawn and dimensioned, the others are listed.
    outline_words : str
        What the steps' outlines are worth.
    """

    title: str
    seen_from: str
    right: str
    axis_name: str
    axis_words: tuple[str, ...]
    turns_clockwise: bool | None
    axis_line: Flat | None
    last_line: Flat | None
    platter: Flat | None
    platter_words: str
    platter_stated: bool
    steps: tuple[StepShape, ...]
    part_zero: Flat
    marks: tuple[OriginMark, ...]
    outline_words: str
