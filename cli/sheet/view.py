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
class BodyShape:
    """One solid from one side; flat coordinates in mm.

    Parameters
    ----------
    name, kind : str
        The kind as `kinematics.reach.Outline` has it.
    rings, seen : tuple of (k, 2) array
        Its whole outline, and what of it nothing nearer to the eye hides.
    whole : bool
        Whether the drawing must hold all of it; base and spindle go as far as there is room.
    """

    name: str
    kind: str
    rings: tuple[Flat, ...]
    seen: tuple[Flat, ...]
    whole: bool


@dataclass(frozen=True, eq=False)
class Projection:
    """All solids from one side, the farthest from the eye first.

    Parameters
    ----------
    words : str
        "from +X", say.
    bodies : tuple of BodyShape
    gap : ((2,) array, (2,) array) or None
        The ends of the smallest distance between what cuts and what turns.
    """

    words: str
    bodies: tuple[BodyShape, ...]
    gap: tuple[Flat, Flat] | None


@dataclass(frozen=True)
class TravelBar:
    """What an operation needs of one axis' travel.

    Parameters
    ----------
    axis : str
    low, high : str
        What is left at either end, or how far beyond it, in words.
    start, end : float
        What is needed, as shares of the travel; below 0 or above 1 beyond an end.
    """

    axis: str
    low: str
    high: str
    start: float
    end: float


@dataclass(frozen=True, eq=False)
class Solids:
    """The solids of a tilt's first operation.

    Parameters
    ----------
    main, other : Projection
        From the side that the dimensions are of, and from the one square to it.
    tool : str
        The tool's name; empty where none is stated.
    gap_words : tuple of str
        The smallest distance and what it lies between; empty where nothing is near.
    travel_words : tuple of str
        What the bars show, long and short.
    bars : tuple of TravelBar
    platter : bool
        Whether the platter is among the bodies.
    """

    main: Projection
    other: Projection
    tool: str
    gap_words: tuple[str, ...]
    travel_words: tuple[str, str]
    bars: tuple[TravelBar, ...]
    platter: bool


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
    solids : Solids or None
        What stands there, where the files state it; a step with a solid has no stand-in outline.
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
    solids: Solids | None = None
