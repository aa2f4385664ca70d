"""The side view of one tilt as flat geometry, from the machine, the stack and the operations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.forward import table_pose
from kinematics.machine import Machine, is_horizontal, table_frame
from kinematics.rotary import RotaryAxis, RotationSense
from kinematics.stack import StackStep, cumulative_frames
from kinematics.transform import Pose
from tiltwright.output import numbers

Flat = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class StepShape:
    """One step of the stack seen from the side; flat coordinates in mm, (right, up).

    Parameters
    ----------
    number, name : int, str
        As in the sheet's stack table.
    size : str
        "up 62.000" or "shift x 48.000", in the sheet's unit with its sign; empty for a mere turn.
    start, end : (2,) array
        Ends of the step on the stack's polyline.
    outline : (n, 2) array or None
        Convex outline of its section, or of a stand-in where none is stated; None for a step without height, and for
        one of an indexer that states no section.
    stated : bool
        True where the outline is that of a stated section, to scale.
    """

    number: int
    name: str
    size: str
    start: Flat
    end: Flat
    outline: Flat | None
    stated: bool = False


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
        Its whole outline, and the part of it that nothing nearer to the eye hides.
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
    """Part of one axis' travel that an operation needs.

    Parameters
    ----------
    axis : str
    low, high : str
        Travel left at either end, or the distance beyond it, in words.
    start, end : float
        The needed part, as shares of the travel; below 0 or above 1 beyond an end.
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
        Caption of the bars, long and short.
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
        Direction of view, in words.
    right : str
        Letter of the machine axis that points to the right; Z points up.
    axis_name : str
        The axis that the components start from: "A axis".
    axis_words : tuple of str
        Text beside it.
    turns_clockwise : bool or None
        Whether the table turns clockwise, for this eye, when that axis is moved positive; None where the axis does
        not point at the eye.
    axis_line : (2,) array or None
        Seen direction of that axis where it does not point at the eye.
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
        Note about the steps' outlines.
    solids : Solids or None
        The solids, if the files state any; a step with a solid has no stand-in outline.
    """

    title: str
    seen_from: str
    right: str
    axis_name: str
    axis_words: tuple[str, ...]
    turns_clockwise: bool | None
    axis_line: Flat | None
    platter: Flat | None
    platter_words: str
    platter_stated: bool
    steps: tuple[StepShape, ...]
    part_zero: Flat
    marks: tuple[OriginMark, ...]
    outline_words: str
    solids: Solids | None = None


Array = NDArray[np.float64]

_EDGE_ON = 0.2  # a first rotary that leans out of the level by less (about 12 degrees) is looked along
_RIM = np.linspace(0.0, 2.0 * np.pi, 48, endpoint=False)
_WITHOUT_LENGTH_MM = 1e-6


@dataclass(frozen=True)
class ViewDirection:
    """The two machine axes that a side view shows.

    Attributes
    ----------
    right : int
        0 for machine X, 1 for machine Y, to the right; machine Z points up.
    seen_from : str
    """

    right: int
    seen_from: str

    def flat(self, points: Array) -> Flat:
        """Machine coordinates (..., 3) to flat ones (..., 2)."""
        return np.asarray(points)[..., [self.right, 2]]

    def seen(self, direction: Array) -> tuple[float, float, float]:
        """The components of a machine direction to the right, up, and toward the eye."""
        toward = float(direction[0]) if self.right == 1 else -float(direction[1])
        return float(direction[self.right]), float(direction[2]), toward


FROM_X = ViewDirection(1, "Seen from machine +X, the right: machine Y to the right, Z up")
FROM_FRONT = ViewDirection(0, "Seen from machine -Y, the front: machine X to the right, Z up")


def choose_view_direction(machine: Machine) -> ViewDirection:
    """The side to look from: along the first rotary if it lies level, else across it.

    Examples
    --------
    >>> from kinematics.machine import Platter
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> tilt = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.CLOCKWISE, None)
    >>> choose_view_direction(Machine("mill", (tilt,), Platter())).seen_from
    'Seen from machine -Y, the front: machine X to the right, Z up'
    """
    x, y, z = np.abs(machine.rotaries[0].direction)
    if z < _EDGE_ON:
        return FROM_X if x >= y else FROM_FRONT
    return FROM_X if y > x else FROM_FRONT


@dataclass(frozen=True, eq=False)
class TiltOperation:
    """The part of an operation that its drawing needs.

    Attributes
    ----------
    name, register : str
    machine_deg : ndarray, shape (n,)
    offset_mm : ndarray, shape (3,)
        Its work offset, machine coordinates.
    """

    name: str
    register: str
    machine_deg: Array
    offset_mm: Array


def side_view(
    machine: Machine,
    steps: Sequence[StackStep],
    part_in_table: Pose,
    tilt: Sequence[TiltOperation],
    units: str,
    title: str,
    sections: Sequence[Array | None] = (),
) -> SideView:
    """The side view of the operations that share one tilt, drawn at the pose of the first.

    Parameters
    ----------
    machine, steps, part_in_table
        The setup.
    tilt : sequence of TiltOperation
        At least one.
    units : str
        "mm" or "inch", for the numbers only.
    title : str
    sections : sequence of (n, 2) array or None, optional
        Corners of each step's section about its middle, mm; None for a step without one. None has one if left out.

    Returns
    -------
    SideView
    """
    eye = choose_view_direction(machine)
    turned, frame = table_pose(machine, tilt[0].machine_deg), table_frame(machine)
    table = turned @ frame
    first, last = machine.rotaries[0], machine.rotaries[-1]
    level = abs(float(first.direction[2])) < _EDGE_ON
    seen_line = eye.flat(first.direction)
    diameter_mm = machine.platter.diameter_mm or _nominal_mm(steps)
    unknown = is_horizontal(last) and machine.platter.diameter_mm is None
    shapes = _shapes(
        steps,
        table,
        eye,
        None if is_horizontal(last) else diameter_mm,
        units,
        sections or [None] * len(steps),
    )
    rim = None if unknown else _rim(diameter_mm / 2, last.direction if is_horizontal(last) else None)
    return SideView(
        title=title,
        seen_from=_seen_from(first, eye, level=level),
        right="XY"[eye.right],
        axis_name=f"{first.letter} axis",
        axis_words=_axis_words(first, level=level),
        turns_clockwise=_clockwise(first, eye) if level else None,
        axis_line=None if level else seen_line / np.linalg.norm(seen_line),
        platter=None if rim is None else eye.flat(table.apply(rim)),
        platter_words=_platter_words(machine, units),
        platter_stated=machine.platter.diameter_mm is not None,
        steps=shapes,
        part_zero=eye.flat((table @ part_in_table).translation_mm),
        marks=tuple(_mark(aimed, machine, eye, units) for aimed in tilt),
        outline_words=_outline_words(machine, shapes),
    )


def _seen_from(first: RotaryAxis, eye: ViewDirection, *, level: bool) -> str:
    """The view in words; from a rotary's negative end it says so, for its sense is stated from the positive one."""
    if not level or _toward(first, eye) > 0.0:
        return eye.seen_from
    return eye.seen_from.replace(":", f", {first.letter}'s negative end:")


def _toward(first: RotaryAxis, eye: ViewDirection) -> float:
    """Component of a rotary's direction toward the eye."""
    return float(first.direction[0]) if eye is FROM_X else -float(first.direction[1])


def _axis_words(first: RotaryAxis, *, level: bool) -> tuple[str, ...]:
    if level:
        return (f"{first.letter} axis; arrow: how the table", f"turns on a positive {first.letter} move")
    return (f"{first.letter} axis; point square to the origin",)


def _clockwise(first: RotaryAxis, eye: ViewDirection) -> bool:
    """True if the table is seen to turn clockwise on a positive move; from the negative end the sense is reversed."""
    return (first.positive_turn is RotationSense.CLOCKWISE) == (_toward(first, eye) > 0)


def _platter_words(machine: Machine, units: str) -> str:
    diameter_mm = machine.platter.diameter_mm
    return (
        "platter, diameter not known"
        if diameter_mm is None
        else f"platter Ø{numbers.length(diameter_mm, units)}"
    )


def _outline_words(machine: Machine, shapes: Sequence[StepShape]) -> str:
    """Words for what is not to scale in the outlines; empty where all of them are."""
    drawn = [shape for shape in shapes if shape.outline is not None]
    if not drawn and shapes and is_horizontal(machine.rotaries[-1]):
        return "the stack as a line, no outlines"
    if all(shape.stated for shape in drawn):
        return ""
    if not any(shape.stated for shape in drawn):
        return "step widths not to scale"
    return "dashed steps state no section, their widths are not to scale"


def _nominal_mm(steps: Sequence[StackStep]) -> float:
    """A platter width to draw if the machine file states none."""
    ends = np.array([frame.translation_mm for frame in cumulative_frames(steps)])
    return max(60.0, float(np.ptp(ends, axis=0).max()))


def components_from_axis(machine: Machine, offset_mm: Array, units: str) -> tuple[str, str]:
    """The seen components of an offset from the first rotary's line, formatted."""
    eye = choose_view_direction(machine)
    return _pair(eye.flat(offset_mm) - _axis_point(machine, offset_mm, eye), units)


def _mark(aimed: TiltOperation, machine: Machine, eye: ViewDirection, units: str) -> OriginMark:
    axis = _axis_point(machine, aimed.offset_mm, eye)
    delta = eye.flat(aimed.offset_mm) - axis
    return OriginMark(
        name=aimed.name,
        register=aimed.register,
        place=eye.flat(aimed.offset_mm),
        axis=axis,
        shown=_pair(eye.flat(aimed.offset_mm), units),
        delta=_pair(delta, units),
    )


def _pair(flat: Flat, units: str) -> tuple[str, str]:
    return numbers.length(float(flat[0]), units), numbers.length(float(flat[1]), units)


def _axis_point(machine: Machine, offset_mm: Array, eye: ViewDirection) -> Flat:
    """Point of the first rotary's line beside the origin: level with it, or at its height if the line stands upright."""
    first = machine.rotaries[0]
    if abs(float(first.direction[2])) < _EDGE_ON:
        along = 1 - eye.right
        return eye.flat(
            first.point_mm
            + (offset_mm[along] - first.point_mm[along]) / first.direction[along] * first.direction
        )
    return eye.flat(first.point_mm + ((offset_mm - first.point_mm) @ first.direction) * first.direction)


def round_section(diameter_mm: float) -> Array:
    """Corners of a round's section, shape (n, 2), mm."""
    return _rim(diameter_mm / 2.0)[:, :2]


def bar_section(edges_mm: tuple[float, float]) -> Array:
    """Corners of a bar's section, shape (4, 2), mm."""
    x, y = edges_mm[0] / 2.0, edges_mm[1] / 2.0
    return np.array([[-x, -y], [x, -y], [x, y], [-x, y]])


def _rim(radius_mm: float, direction: Array | None = None) -> Array:
    """A rim in the table frame: about z, or about an indexer's own level axis."""
    circle = np.stack((np.cos(_RIM), np.sin(_RIM), np.zeros_like(_RIM)), axis=-1) * radius_mm
    if direction is None:
        return circle
    order = [2, 0, 1] if abs(direction[0]) >= abs(direction[1]) else [0, 2, 1]
    return circle[:, order]


def _shapes(
    steps: Sequence[StackStep],
    table: Pose,
    eye: ViewDirection,
    widest_mm: float | None,
    units: str,
    sections: Sequence[Array | None],
) -> tuple[StepShape, ...]:
    """The shapes of all steps; one with height but no section is drawn as a stand-in cylinder if a width is given."""
    frames = [table @ frame for frame in cumulative_frames(steps)]
    shapes = []
    for index, (step, before, section) in enumerate(zip(steps, frames, sections, strict=False)):
        share = index / max(len(steps) - 1, 1)
        outline, foot = None, None
        if section is not None:
            foot = np.column_stack((section, np.zeros(len(section))))
        elif widest_mm is not None:
            foot = _rim(widest_mm * (0.36 - 0.16 * share))
        if foot is not None and abs(step.up_mm) > _WITHOUT_LENGTH_MM:
            foot = foot + np.array([*step.shift_mm, 0.0])
            rims = np.concatenate((foot, foot + np.array([0.0, 0.0, step.up_mm])))
            outline = _hull(eye.flat(before.apply(rims)))
        shapes.append(
            StepShape(
                number=index + 1,
                name=step.name,
                size=_size_words(step, units),
                start=eye.flat(before.translation_mm),
                end=eye.flat(frames[index + 1].translation_mm),
                outline=outline,
                stated=section is not None,
            )
        )
    return tuple(shapes)


def _size_words(step: StackStep, units: str) -> str:
    """Its height, or its shift if it has none."""
    if abs(step.up_mm) > _WITHOUT_LENGTH_MM:
        return f"up {numbers.length(step.up_mm, units)}"
    shifts = [
        f"{axis} {numbers.length(value, units)}"
        for axis, value in zip("xy", step.shift_mm, strict=True)
        if abs(value) > _WITHOUT_LENGTH_MM
    ]
    return f"shift {', '.join(shifts)}" if shifts else ""


def _hull(points: Flat) -> Flat:
    """The convex hull of flat points, by the monotone chain.

    Importing scipy.spatial takes 0.4 s, more than all of a sheet; this takes 0.2 ms for the 96 points of a step.
    """
    ordered = sorted(set(map(tuple, points.round(6).tolist())))
    chains: list[list[tuple[float, float]]] = []
    for run in (ordered, ordered[::-1]):
        chain: list[tuple[float, float]] = []
        for x, y in run:
            while len(chain) > 1:
                (x1, y1), (x2, y2) = chain[-2:]
                if (x2 - x1) * (y - y1) - (y2 - y1) * (x - x1) > 0.0:
                    break  # a turn to the left
                chain.pop()
            chain.append((x, y))
        chains.append(chain[:-1])
    return np.array(chains[0] + chains[1])
