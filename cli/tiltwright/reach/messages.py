"""Messages of a reach analysis as values: failures, what was not checked, and assumptions. `wording` puts them in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from kinematics import IndexRule, UnreachableOperation, is_horizontal
from kinematics.reach import (
    Box,
    ClosestPair,
    CollisionModel,
    Frustum,
    IndexMove,
    MoveClearance,
    Shape,
)
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis
from tiltwright.reach.collision_model import THIN_PLATTER_MM

__all__ = [
    "Assumption",
    "CapacityExceeded",
    "HoldingExceeded",
    "MarginShort",
    "MoveTooClose",
    "NotChecked",
    "PairTooClose",
    "ReachFailure",
    "RetractTooLow",
    "RotaryOutside",
    "TravelExceeded",
    "Unreachable",
    "Verdict",
    "assumptions",
    "failures",
    "move_words",
    "not_checked",
    "not_stated",
    "verdict",
]

_SLACK_MM = 1e-9

End: TypeAlias = Literal["low", "high"]


@dataclass(frozen=True, eq=False)
class Unreachable:
    """An operation that the rotaries cannot bring to the spindle."""

    operation: str
    result: UnreachableOperation
    kind: str = field(default="unreachable", init=False)


@dataclass(frozen=True)
class TravelExceeded:
    """A readout beyond an end of travel, millimetres."""

    operation: str
    axis: str
    end: End
    readout_mm: float
    beyond_mm: float
    kind: str = field(default="travel", init=False)


@dataclass(frozen=True)
class MarginShort:
    """A readout closer to an end of travel than the margin asked for, millimetres."""

    operation: str
    axis: str
    end: End
    left_mm: float
    margin_mm: float
    kind: str = field(default="margin", init=False)


@dataclass(frozen=True)
class RetractTooLow:
    """A stated retract position below the top of an operation; machine Z, millimetres."""

    operation: str
    top_mm: float
    retract_mm: float
    kind: str = field(default="retract", init=False)


@dataclass(frozen=True)
class RotaryOutside:
    """A rotary outside its limits."""

    operation: str
    letter: str
    machine_deg: float
    kind: str = field(default="limits", init=False)


@dataclass(frozen=True)
class PairTooClose:
    """Two solids that touch at an operation, or are closer than the distance to keep.

    Attributes
    ----------
    operation : str
    pair : ClosestPair
    clear_mm : float
        The distance to keep.
    corner : (int, int, int)
        See `WitnessPoints.corner`; zeros where it is not known.
    kind : "clearance", "retraction", "table" or "gripper"
        Tool, holder or spindle in the cut; on the way straight up; what turns against what stands; the gripper at the
        unloading pose.
    """

    operation: str
    pair: ClosestPair
    clear_mm: float
    corner: tuple[int, int, int]
    kind: Literal["clearance", "retraction", "table", "gripper"]


@dataclass(frozen=True, eq=False)
class MoveTooClose:
    """An index move on which two solids meet, or come closer than the distance to keep."""

    move: IndexMove
    clearance: MoveClearance
    clear_mm: float
    kind: str = field(default="index move", init=False)

    @property
    def operation(self) -> None:
        """No operation of its own."""
        return


@dataclass(frozen=True)
class CapacityExceeded:
    """A rotary that carries more than it may."""

    letter: str
    mass_kg: float
    capacity_kg: float
    operation: None = None
    kind: str = field(default="capacity", init=False)


@dataclass(frozen=True)
class HoldingExceeded:
    """A rotary whose holding torque is not enough, at an operation or, with no operation, at its worst angle."""

    letter: str
    torque_nm: float
    holding_nm: float
    operation: str | None
    machine_deg: float | None
    kind: str = field(default="holding torque", init=False)


ReachFailure: TypeAlias = (
    Unreachable
    | TravelExceeded
    | MarginShort
    | RetractTooLow
    | RotaryOutside
    | PairTooClose
    | MoveTooClose
    | CapacityExceeded
    | HoldingExceeded
)


@dataclass(frozen=True)
class NotChecked:
    """Something that was not checked, since the files do not state what it takes.

    Attributes
    ----------
    kind : str
    names : tuple of str
        The operations, steps, tools, solids or rotaries concerned.
    """

    kind: Literal[
        "table",
        "travel",
        "tool",
        "index moves",
        "one operation",
        "section",
        "platter",
        "platter thickness",
        "spindle",
        "holder",
        "load",
        "mass",
        "gripper",
        "unloading",
    ]
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Assumption:
    """Something the figures rest on.

    Attributes
    ----------
    kind : str
    names : tuple of str
        The operations, solids or rotaries concerned.
    value : float or None
        A length in millimetres, where there is one.
    """

    kind: Literal[
        "stated solids",
        "facets",
        "index bound",
        "broken off",
        "blank whole",
        "order of arrival",
        "both ways",
        "half turn both ways",
        "short way",
        "as the numbers run",
        "start",
        "constant distance",
        "bearing",
        "static",
        "force in the blank",
        "force in the whole sweep",
        "convex hull",
        "no sweep",
        "retract",
        "platter thickness",
        "arm",
        "spindle at unloading",
    ]
    names: tuple[str, ...] = ()
    value: float | None = None


@dataclass(frozen=True)
class Verdict:
    """The questions that an analysis answers.

    Attributes
    ----------
    checked : tuple of "reaches", "clears", "holds"
        Questions that the files state enough for.
    complete : bool
        False where something was not checked.
    """

    checked: tuple[Literal["reaches", "clears", "holds"], ...]
    complete: bool


def failures(analysis: ReachAnalysis) -> tuple[ReachFailure, ...]:
    """Everything that does not reach, clear or hold, operation by operation, then index moves and loads."""
    return (
        *(Unreachable(one.name, one) for one in analysis.evaluated.unreached),
        *(failure for operation in analysis.operations for failure in _of_operation(analysis, operation)),
        *_of_unloading(analysis),
        *(
            MoveTooClose(move, one, analysis.clear_mm)
            for move in analysis.moves or ()
            for one in move.clearances
            if one.at_least_mm <= 0.0 or one.at_least_mm < analysis.clear_mm
        ),
        *_of_loads(analysis),
    )


def _of_operation(analysis: ReachAnalysis, operation: OperationAnalysis) -> Iterator[ReachFailure]:
    name, stated = operation.pose.name, analysis.model.retract_mm[2]
    for margin in operation.linear:
        ends: tuple[tuple[End, float, float], ...] = (
            ("low", margin.to_low_mm, margin.low_mm),
            ("high", margin.to_high_mm, margin.high_mm),
        )
        for end, left, readout in ends:
            if left < -_SLACK_MM:
                yield TravelExceeded(name, margin.axis, end, readout, -left)
            elif left < analysis.margin_mm - _SLACK_MM:
                yield MarginShort(name, margin.axis, end, left, analysis.margin_mm)
        if margin.axis == "Z" and stated is not None and stated < margin.high_mm - _SLACK_MM:
            yield RetractTooLow(name, margin.high_mm, stated)
    for rotary in operation.rotary:
        if not rotary.fits:
            yield RotaryOutside(name, rotary.letter, rotary.machine_deg)
    yield from _of_pairs(analysis, operation)


def _of_pairs(analysis: ReachAnalysis, operation: OperationAnalysis) -> Iterator[PairTooClose]:
    name = operation.pose.name
    for pair in operation.clearance.too_close:
        known = operation.witness is not None and pair == operation.clearance.nearest
        corner = operation.witness.corner if operation.witness is not None and known else (0, 0, 0)
        yield PairTooClose(name, pair, analysis.clear_mm, corner, "clearance")
    listed = {pair.indices for pair in operation.clearance.too_close}
    for pair in operation.retraction.too_close if operation.retraction else ():
        if pair.indices not in listed:
            yield PairTooClose(name, pair, analysis.clear_mm, (0, 0, 0), "retraction")
    for pair in operation.table.too_close:
        yield PairTooClose(name, pair, analysis.clear_mm, (0, 0, 0), "table")


def _of_unloading(analysis: ReachAnalysis) -> Iterator[ReachFailure]:
    found = analysis.unloading
    if found is None:
        return
    name = found.unloading.name
    for rotary in found.rotary:
        if not rotary.fits:
            yield RotaryOutside(name, rotary.letter, rotary.machine_deg)
    for pair in found.table.too_close:
        yield PairTooClose(name, pair, analysis.clear_mm, (0, 0, 0), "table")
    for pair in () if found.gripper is None else found.gripper.too_close:
        yield PairTooClose(name, pair, analysis.clear_mm, (0, 0, 0), "gripper")


def _of_loads(analysis: ReachAnalysis) -> Iterator[ReachFailure]:
    for k, load in enumerate(analysis.loads):
        if load.capacity_kg is not None and load.carried.mass_kg > load.capacity_kg:
            yield CapacityExceeded(load.letter, load.carried.mass_kg, load.capacity_kg)
        if load.holding_nm is None:
            continue
        if load.worst.torque_nm > load.holding_nm:
            worst_deg = float(load.worst.machine_deg[k])
            yield HoldingExceeded(load.letter, load.worst.torque_nm, load.holding_nm, None, worst_deg)
        for operation in analysis.operations:
            total = operation.torques[k].total_nm
            if total > load.holding_nm:
                name, angle_deg = operation.pose.name, float(operation.pose.machine_deg[k])
                yield HoldingExceeded(load.letter, total, load.holding_nm, name, angle_deg)


def not_checked(analysis: ReachAnalysis) -> tuple[NotChecked, ...]:
    """Everything that was not checked, the table first; it belongs before the figures."""
    asked = analysis.moves is not None
    found = list(not_stated(analysis.model, moves_too=asked))
    platter = analysis.evaluated.job.machine_file.file.platter
    upright = not is_horizontal(analysis.model.machine.rotaries[-1])
    if upright and (platter is None or platter.diameter is None):
        found.append(NotChecked("platter"))
    elif upright and platter is not None and platter.thickness is None:
        found.append(NotChecked("platter thickness"))
    if analysis.unloading is not None and analysis.unloading.gripper is None:
        found.append(NotChecked("gripper"))
    if not asked and analysis.loads:
        found.append(NotChecked("one operation"))
    unlimited = [
        load.letter for load in analysis.loads if load.holding_nm is None or load.capacity_kg is None
    ]
    if unlimited:
        found.append(NotChecked("load", tuple(unlimited)))
    unknown = dict.fromkeys(name for load in analysis.loads for name in load.carried.unknown)
    if unknown:
        found.append(NotChecked("mass", tuple(unknown)))
    return tuple(found)


def not_stated(model: CollisionModel, *, moves_too: bool = True) -> tuple[NotChecked, ...]:
    """Everything whose distances or travels were not checked, since the files do not state it."""
    tools = {one.tool.name: one.tool for one in model.operations if one.tool is not None}
    without_tool = tuple(one.name for one in model.operations if one.tool is None)
    bare = tuple(step.name for step, body in zip(model.steps, model.step_bodies, strict=True) if body is None)
    without_holder = tuple(name for name, tool in tools.items() if not tool.holder)
    found = (
        (not model.base_solids, NotChecked("table")),
        (model.machine.travel is None, NotChecked("travel")),
        (bool(without_tool), NotChecked("tool", without_tool)),
        (moves_too and model.retract_z_mm() is None, NotChecked("index moves")),
        (bool(bare), NotChecked("section", bare)),
        (bool(tools) and not model.spindle, NotChecked("spindle")),
        (bool(without_holder), NotChecked("holder", without_holder)),
    )
    return tuple(item for missing, item in found if missing)


def assumptions(analysis: ReachAnalysis) -> tuple[Assumption, ...]:
    """Everything the figures rest on."""
    return (
        Assumption("stated solids"),
        *_of_bounds(analysis),
        Assumption("blank whole"),
        *_of_moves(analysis),
        *_of_turning(analysis),
        *_of_statics(analysis),
        *_of_what_was_left_out(analysis),
        *_of_the_arm(analysis),
    )


def _of_bounds(analysis: ReachAnalysis) -> Iterator[Assumption]:
    """Largest amounts that shown distances can be too short by, over all that are shown."""
    pairs = [
        pair
        for one in analysis.operations
        for clearance in (one.clearance, one.retraction, one.table)
        if clearance is not None
        for pair in (clearance.nearest, *clearance.too_close)
        if pair is not None and pair.gap_mm > 0.0
    ]
    yield Assumption("facets", value=max((pair.facet_error_mm for pair in pairs), default=0.0))
    moves = [(move, one) for move in analysis.moves or () for one in move.clearances if one.seen_mm > 0.0]
    if moves:
        yield Assumption("index bound", value=max(one.shortfall_mm for _, one in moves))
    broken_off = dict.fromkeys(move_words(move) for move, one in moves if not one.settled)
    if broken_off:
        yield Assumption("broken off", tuple(broken_off))


def move_words(move: IndexMove) -> str:
    """An index move by its ends."""
    start, end = ("the start" if one is None else one.name for one in (move.start, move.end))
    return f"{start} to {end}"


def _of_moves(analysis: ReachAnalysis) -> Iterator[Assumption]:
    if not analysis.moves:
        return
    model = analysis.model
    yield Assumption("order of arrival")
    yield Assumption("start")
    endless = [(one.letter, one.index_direction) for one in model.machine.rotaries if one.limits_deg is None]
    by_kind: dict[
        Literal["both ways", "half turn both ways", "short way", "as the numbers run"], list[str]
    ] = {}
    for letter, direction in endless:
        if direction.rule is None:
            by_kind.setdefault("both ways", []).append(letter)
        elif direction.rule is IndexRule.AS_NUMBERED:
            by_kind.setdefault("as the numbers run", []).append(letter)
        elif direction.half_turn is None:
            by_kind.setdefault("half turn both ways", []).append(letter)
        else:
            by_kind.setdefault("short way", []).append(f"{letter} {direction.half_turn}")
    for kind, letters in by_kind.items():
        yield Assumption(kind, tuple(letters))


def _of_turning(analysis: ReachAnalysis) -> Iterator[Assumption]:
    scene = analysis.scene
    if len(scene.moving_pairs.turning):
        yield Assumption("constant distance")
    if scene.moving_pairs.bearings:
        names = (
            f"{scene.bodies[body].name} on {scene.bodies[obstacle].name}"
            for body, obstacle in scene.moving_pairs.bearings
        )
        yield Assumption("bearing", tuple(names))


def _of_statics(analysis: ReachAnalysis) -> Iterator[Assumption]:
    if analysis.loads:
        yield Assumption("static")
    if any(one.pose.force_n is not None for one in analysis.operations):
        blank = any(body.machinable for body in analysis.scene.bodies)
        yield Assumption("force in the blank" if blank else "force in the whole sweep")
    hulls = tuple(solid.name for solid in analysis.model.spindle if not _is_convex(solid.shape))
    if hulls:
        yield Assumption("convex hull", hulls)


def _is_convex(shape: Shape) -> bool:
    return isinstance(shape, Box) or (isinstance(shape, Frustum) and not shape.bore_mm)


def _of_what_was_left_out(analysis: ReachAnalysis) -> Iterator[Assumption]:
    model = analysis.model
    still = tuple(one.pose.name for one in analysis.operations if not one.pose.sweep.stated)
    if still:
        yield Assumption("no sweep", still)
    z = model.retract_z_mm()
    if z is not None and model.retract_mm[2] is None:
        yield Assumption("retract", value=z)
    platter = analysis.evaluated.job.machine_file.file.platter
    if platter is not None and platter.diameter is not None and platter.thickness is None:
        yield Assumption("platter thickness", value=THIN_PLATTER_MM)


def _of_the_arm(analysis: ReachAnalysis) -> Iterator[Assumption]:
    if analysis.unloading is not None:
        yield Assumption("arm")
        if analysis.unloading.gripper is not None and any(one.tool for one in analysis.model.operations):
            yield Assumption("spindle at unloading")


def verdict(analysis: ReachAnalysis) -> Verdict:
    """The questions that were checked: the outcome never says more."""
    model = analysis.model
    tools = any(one.pose.tool is not None for one in analysis.operations)
    checked: list[Literal["reaches", "clears", "holds"]] = []
    if model.machine.travel is not None:
        checked.append("reaches")
    if (tools and analysis.scene.bodies) or len(analysis.scene.moving_pairs.turning):
        checked.append("clears")
    if any(load.holding_nm is not None for load in analysis.loads):
        checked.append("holds")
    return Verdict(tuple(checked), not not_checked(analysis))
