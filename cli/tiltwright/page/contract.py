"""The contract between library and page: one JSON object with everything that the page of a job shows.

Lengths are millimetres and angles degrees, in full float64; the page divides by `unit_mm` and rounds as
`output.numbers` does. Within a schema number keys are only added, never changed: a page skips what it does not know.

The page makes the facets itself, so a job without meshes costs no more than its numbers.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics import (
    Machine,
    PlacedOperation,
    Pose,
    RotaryAxis,
    Setup,
    UnreachableOperation,
    common_perpendicular,
    cumulative_frames,
    is_horizontal,
    point_coefficients,
    pose_coefficients,
    rotation_about_axis,
    table_frame,
    work_offset_code,
)
from kinematics.teaching import Digits, Working, written, written_number
from kinematics.teaching.worked_step import Calculation, Number, WorkedStep
from kinematics.teaching.working import seen_from
from tiltwright import __version__
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import CorrectionInForce
from tiltwright.job.message_wording import message_words, unreachable_text
from tiltwright.job.warnings import job_messages
from tiltwright.output import numbers
from tiltwright.output.messages import as_shown, grouped, plain_quotes
from tiltwright.reach.collision_model import build_collision_model
from tiltwright.teaching.workings import digits_for, stack_used, workings_of

if TYPE_CHECKING:
    from kinematics.reach import CollisionModel, Mesh, Shape, Solid, Tool, Unloading

__all__ = ["MOST_TRIANGLES", "Bodies", "bodies_of", "machine_part", "setup_page", "simplified_words"]

Array = NDArray[np.float64]


MOST_TRIANGLES = 30_000
"""Triangles of all meshes together, above which they are simplified: a tablet turns so many without a stutter, and the
file stays below a megabyte."""

_COARSEST_MM = 1.0
"""Simplification stops here: coarser, a fixture would no longer look like itself."""
_FIRST_MM = 0.02


@dataclass(frozen=True)
class Bodies:
    """Solids that the page draws.

    Attributes
    ----------
    table : list
        Base, what turns, the part: each with a kind, the number of rotaries that carry it and its shape.
    tools : list
        Each tool with its bodies above the tip.
    simplified : tuple of (str, int, int, float)
        Meshes that were simplified: name, triangles before and after, and the largest distance allowed, mm.
    assumed : tuple of str
        Steps drawn with an assumed width, because their file states no section.
    gripper : list
        As `table`: what holds the part at the unloading pose.
    """

    table: list[dict[str, Any]]
    tools: list[dict[str, Any]]
    simplified: tuple[tuple[str, int, int, float], ...]
    assumed: tuple[str, ...]
    gripper: list[dict[str, Any]]


def bodies_of(model: CollisionModel, gripper: Sequence[Solid] = ()) -> Bodies:
    """The solids of a model for the page, in machine coordinates at the all-zero pose.

    Parameters
    ----------
    model : CollisionModel
    gripper : sequence of Solid
        On the part, at the unloading pose.
    """
    meshes = _Meshes.of((*model.all_solids(), *model.spindle, *gripper))

    def body(solid: Solid, kind: str) -> dict[str, Any]:
        named = {"name": solid.name, "kind": kind, "carried": model.carried_by(solid.on)}
        return named | _placed(solid, model.frame(solid.on), meshes)

    table = [
        body(solid, "part" if solid.machinable else "turning" if model.carried_by(solid.on) else "base")
        for solid in model.all_solids()
    ]
    holding = [body(solid, "gripper") for solid in gripper]
    assumed, names = _assumed(model)
    tools = []
    for tool in dict.fromkeys(one.tool for one in model.operations):
        if tool is not None:
            spindle = [
                {"name": solid.name, "kind": "spindle", **_placed(solid, _lifted(tool.length_mm), meshes)}
                for solid in model.spindle
            ]
            tools.append({"name": tool.name, "length_mm": tool.length_mm, "bodies": [*_tool(tool), *spindle]})
    return Bodies([*table, *assumed], tools, tuple(meshes.simplified), names, holding)


def _lifted(z_mm: float) -> Pose:
    return Pose(np.eye(3), np.array([0.0, 0.0, z_mm]))


def _placed(solid: Solid, frame: Pose, meshes: _Meshes) -> dict[str, Any]:
    """The shape of a solid, with the pose of its frame unless that is the machine's own."""
    shape = meshes.shape(solid)
    still = np.array_equal(frame.rotation, np.eye(3)) and not frame.translation_mm.any()
    if still:
        return {"shape": shape}
    matrix = np.concatenate([frame.rotation, frame.translation_mm[:, None]], axis=1)
    return {"shape": shape, "pose": matrix.tolist()}


def _shape(shape: Shape) -> dict[str, Any]:
    from kinematics.reach import Box, Frustum

    if isinstance(shape, Frustum):
        first, last = shape.diameters_mm
        return {
            "is": "round",
            "from": shape.from_mm.tolist(),
            "to": shape.to_mm.tolist(),
            "diameters": [first, last],
            "bore": shape.bore_mm,
        }
    if isinstance(shape, Box):
        return {"is": "box", "low": shape.low_mm.tolist(), "high": shape.high_mm.tolist()}
    return _mesh(shape.vertices_mm, shape.triangles)


def _mesh(vertices: Array, triangles: NDArray[np.int64]) -> dict[str, Any]:
    return {
        "is": "mesh",
        "vertices": base64.b64encode(np.ascontiguousarray(vertices, dtype="<f4").tobytes()).decode(),
        "triangles": base64.b64encode(np.ascontiguousarray(triangles, dtype="<u4").tobytes()).decode(),
        "count": len(triangles),
    }


class _Meshes:
    """The shapes of solids; meshes simplified where all of them together are too many triangles."""

    def __init__(self, within: dict[int, tuple[Array, NDArray[np.int64]]]) -> None:
        self._within = within
        self.simplified: list[tuple[str, int, int, float]] = []

    @classmethod
    def of(cls, solids: Sequence[Solid]) -> _Meshes:
        from kinematics.reach import Mesh

        meshes = [(solid.name, solid.shape) for solid in solids if isinstance(solid.shape, Mesh)]
        found = cls({})
        total = sum(len(mesh.triangles) for _, mesh in meshes)
        if total > MOST_TRIANGLES:
            for name, mesh in meshes:
                found._simplify(name, mesh, MOST_TRIANGLES * len(mesh.triangles) // total)
        return found

    def _simplify(self, name: str, mesh: Mesh, most: int) -> None:
        import manifold3d

        before = len(mesh.triangles)
        made = manifold3d.Manifold(
            manifold3d.Mesh64(np.array(mesh.vertices_mm), mesh.triangles.astype(np.uint64))
        )
        within, simple = _FIRST_MM, made
        while simple.num_tri() > most and within <= _COARSEST_MM:
            simple = made.simplify(within)
            reached, within = within, within * 2.0
        if simple.num_tri() < before:
            got = simple.to_mesh64()
            self._within[id(mesh)] = (
                np.asarray(got.vert_properties)[:, :3],
                np.asarray(got.tri_verts, dtype=np.int64),
            )
            self.simplified.append((name, before, simple.num_tri(), reached))

    def shape(self, solid: Solid) -> dict[str, Any]:
        """The shape of a solid as the page takes it."""
        simple = self._within.get(id(solid.shape))
        return _shape(solid.shape) if simple is None else _mesh(*simple)


def _tool(tool: Tool) -> list[dict[str, Any]]:
    """Tool and holder above the tip."""
    from kinematics.reach import Frustum

    def round_on(low: float, high: float, diameter: float, upper: float | None = None) -> dict[str, Any]:
        return _shape(Frustum(np.array([0.0, 0.0, low]), np.array([0.0, 0.0, high]), diameter, upper))

    top = tool.stickout_mm
    flute = min(tool.flute_mm or top, top)
    bodies = [{"name": "tool", "kind": "tool", "shape": round_on(0.0, flute, tool.diameter_mm)}]
    if top - flute > 1e-3:
        shank = round_on(flute, top, tool.shank_mm or tool.diameter_mm)
        bodies.append({"name": "shank", "kind": "tool", "shape": shank})
    up = tool.length_mm
    for part in tool.holder:
        low = up - part.length_mm
        lower = part.diameter_mm if part.lower_diameter_mm is None else part.lower_diameter_mm
        bodies.append(
            {"name": "holder", "kind": "holder", "shape": round_on(low, up, lower, part.diameter_mm)}
        )
        up = low
    return bodies


def _assumed(model: CollisionModel) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Steps without a section as rounds of an assumed width, slimmer from step to step, and their names."""
    machine = model.machine
    if is_horizontal(machine.rotaries[-1]):
        # An indexer's steps lie beside its line; a guess at their shape would mislead.
        return [], ()
    frames, foot = cumulative_frames(model.steps), table_frame(machine)
    tall = float(np.ptp([frame.translation_mm for frame in frames], axis=0).max())
    wide = machine.platter.diameter_mm or max(60.0, tall)
    bodies, names = [], []
    for i, (step, body) in enumerate(zip(model.steps, model.step_bodies, strict=True)):
        if body is not None or abs(step.up_mm) < 1e-6:
            continue
        share = 0.72 - 0.32 * i / max(len(model.steps) - 1, 1)
        stands = (foot @ frames[i]).apply(np.array([[*step.shift_mm, 0.0], [*step.shift_mm, step.up_mm]]))
        ends = sorted(stands.tolist(), key=lambda end: end[2])
        shape = {"is": "round", "from": ends[0], "to": ends[1], "diameters": [wide * share] * 2, "bore": 0.0}
        bodies.append(
            {"name": step.name, "kind": "assumed", "carried": len(machine.rotaries), "shape": shape}
        )
        names.append(step.name)
    return bodies, tuple(names)


NOT_CHECKED = (
    'Clearance, index moves and loads are not checked here: "tiltwright reach" does that. This page moves no machine and '
    "never says that a setup is safe. Prove out above the part first: single block, rapid turned down."
)


class Repeated:
    """Entries that occur many times, kept once; the contract has their numbers."""

    def __init__(self) -> None:
        self.entries: list[Any] = []
        self._numbers: dict[str, int] = {}

    def number(self, entry: str | list[Any]) -> int:
        """The number of an entry."""
        key = entry if isinstance(entry, str) else repr(entry)
        if key not in self._numbers:
            self._numbers[key] = len(self.entries)
            self.entries.append(entry)
        return self._numbers[key]


def setup_page(
    evaluated: EvaluatedJob, units: str, *, by_hand: bool = False, answers: dict[str, Any] | None = None
) -> dict[str, Any]:
    """The contract of a job's page.

    Parameters
    ----------
    evaluated : EvaluatedJob
    units : str
        "mm" or "inch": what the page shows.
    by_hand : bool
        Work the offsets out by plane trigonometry.
    answers : dict, optional
        Somebody's answers, as `tiltwright.page.lesson_pages` has them.

    Raises
    ------
    InputFaults
        When a solid, tool or sweep is not possible.
    KinematicsError
        When the machine is not square, with `by_hand`.
    """
    job, setup = evaluated.job, evaluated.setup
    machine = setup.machine
    job_model = build_collision_model(evaluated)
    model, unloading = job_model.model, job_model.unloading
    bodies = bodies_of(model, () if unloading is None else unloading.gripper)
    texts, lines = Repeated(), Repeated()
    digits = digits_for(units)
    # What is worked out line by line is the stack; a correction comes on top, in a line of its own.
    workings = workings_of(evaluated.uncorrected, by_hand=by_hand)
    operations = [
        _operation(evaluated, one.placed, units)
        | {
            "work_offset": one.number,
            "code": work_offset_code(one.number),
            "sweep": [pose.sweep.low_mm.tolist(), pose.sweep.high_mm.tolist()] if pose.sweep.stated else None,
            "tool": None if pose.tool is None else pose.tool.name,
            "working": _working(_with_correction(working, evaluated, one.placed), digits, texts, lines),
        }
        | _own_offsets(setup, one.placed)
        for one, pose, (_, working) in zip(evaluated.operations, model.operations, workings, strict=True)
    ]
    messages, correction = _messages(evaluated, units)
    return {
        "schema": "tiltwright.page/1",
        "version": __version__,
        "job": job.file.name,
        "revision": job.file.revision,
        "nest": evaluated.nest,
        **machine_part(machine, units),
        "offsets_deg": setup.rotary_offset_deg.tolist(),
        "poses": [pose_coefficients(machine, count).tolist() for count in range(len(machine.rotaries) + 1)],
        "part": {
            "zero": _carried(setup, [0.0, 0.0, 0.0]),
            "axes": (setup.part_in_machine.rotation + 0.0).tolist(),
        },
        "stack": _stack(evaluated),
        "operations": operations,
        "unreached": [_unreached(evaluated, one) for one in evaluated.unreached],
        "unloading": None if unloading is None else _unloading(setup, unloading, bodies),
        "bodies": bodies.table,
        "tools": bodies.tools,
        "assumed": list(bodies.assumed),
        "correction": correction,
        "messages": [*messages, *simplified_words(bodies, units)],
        "not_checked": NOT_CHECKED,
        "by_hand": by_hand,
        "answers": answers,
        "lines": lines.entries,
        "texts": texts.entries,
    }


def machine_part(machine: Machine, units: str) -> dict[str, Any]:
    """Part of the contract about the machine and the unit shown."""
    travel = machine.travel
    return {
        "machine": machine.name,
        "units": units,
        "symbol": numbers.UNIT_SYMBOL[units],
        "unit_mm": numbers.UNIT_MM[units],
        "decimals": numbers.DECIMALS[units],
        "angle_decimals": numbers.ANGLE_DECIMALS,
        "reference_tool_mm": machine.z_reference.tool_length_mm,
        "travel": None if travel is None else [travel.low_mm.tolist(), travel.high_mm.tolist()],
        "rotaries": [_rotary(rotary) for rotary in machine.rotaries],
        "gaps": _gaps(machine.rotaries),
        "platter": _platter(machine),
    }


def _rotary(rotary: RotaryAxis) -> dict[str, Any]:
    return {
        "letter": rotary.letter,
        "point": rotary.point_mm.tolist(),
        "direction": (rotary.direction + 0.0).tolist(),
        "sign": rotary.positive_turn.sign,
        "sense": rotary.positive_turn.value,
        "seen": seen_from(rotary),
        "zero_deg": rotary.zero_deg,
        "limits": None if rotary.limits_deg is None else list(rotary.limits_deg),
    }


def _gaps(rotaries: tuple[RotaryAxis, ...]) -> list[dict[str, Any]]:
    """Neighbouring lines that miss each other: the feet of their common perpendicular, at the all-zero pose."""
    gaps = []
    for first, second in pairwise(rotaries):
        relation = common_perpendicular(first, second)
        gaps.append(
            {
                "between": [first.letter, second.letter],
                "distance": relation.distance_mm,
                "angle_deg": relation.angle_deg,
                "feet": [relation.first_mm.tolist(), relation.second_mm.tolist()],
            }
        )
    return gaps


def _platter(machine: Machine) -> dict[str, Any] | None:
    """Middle, normal and diameter of the face; None for an indexer, which has none."""
    if machine.platter.face_mm is None:
        return None
    frame = table_frame(machine)
    return {
        "middle": frame.translation_mm.tolist(),
        "normal": (frame.rotation[:, 2] + 0.0).tolist(),
        "diameter": machine.platter.diameter_mm,
    }


def _carried(setup: Setup, part_mm: ArrayLike) -> list[Any]:
    """Coefficients of a point in part coordinates."""
    listed: list[Any] = point_coefficients(setup.machine, setup.part_in_machine.apply(part_mm)).tolist()
    return listed


def _operation(evaluated: EvaluatedJob, placed: PlacedOperation, units: str) -> dict[str, Any]:
    setup = evaluated.setup
    return {
        "name": placed.name,
        "program": placed.program_deg.tolist(),
        "machine": placed.machine_deg.tolist(),
        "shown": list(numbers.lengths(placed.offset_mm, units)),
        "origin": placed.origin_mm.tolist(),
        "carried": _carried(setup, evaluated.program_zero_mm(placed)),
        "normal": _carried_direction(setup, placed.plane.normal),
    }


def _carried_direction(setup: Setup, part: Array) -> list[float]:
    """A direction of the part in machine coordinates at the all-zero pose: it turns with the table."""
    listed: list[float] = (setup.part_in_machine.rotation @ part + 0.0).tolist()
    return listed


def _unreached(evaluated: EvaluatedJob, one: UnreachableOperation) -> dict[str, Any]:
    """Reason that an operation cannot be reached, and the nearest of the poses that were tried, held to the limits."""
    setup, asked = evaluated.setup, evaluated.job.operations[one.operation]
    assert asked.plane is not None  # stated angles are always placed
    turn = rotation_about_axis([0.0, 0.0, 1.0], asked.names.index(one.name) * asked.step_deg)
    normal = turn @ asked.plane.normal
    # Each way as far as the limits let it go: the one that leaves the plane nearest to the spindle.
    ways = setup.machine.held_to_limits([way.machine_deg for way in one.solutions])
    left_deg = np.degrees(np.arccos(np.clip(setup.machine_axes(ways)[:, 2] @ normal, -1.0, 1.0)))
    best = int(np.argmin(left_deg.round(9)))
    nearest = ways[best]
    return {
        "name": one.name,
        "why": unreachable_text(one),
        "machine": nearest.tolist(),
        "program": setup.program_deg(nearest).tolist(),
        "left_deg": float(left_deg[best]),
        "carried": _carried(setup, turn @ asked.origin_mm),
        "normal": _carried_direction(setup, normal),
    }


_HELD = 'The gripper as the job states it, at this pose only. "tiltwright reach" checks what it clears.'
_NOTHING_HELD = 'The job states no solid on "gripper", so none is drawn.'


def _unloading(setup: Setup, unloading: Unloading, bodies: Bodies) -> dict[str, Any]:
    """The pose at which an arm takes the part, and what it holds it with."""
    return {
        "name": "Unloading",
        "words": _HELD if bodies.gripper else _NOTHING_HELD,
        "machine": unloading.machine_deg.tolist(),
        "program": setup.program_deg(unloading.machine_deg).tolist(),
        "carried": _carried(setup, [0.0, 0.0, 0.0]),
        "normal": _carried_direction(setup, np.array([0.0, 0.0, 1.0])),
        "bodies": bodies.gripper,
    }


def _stack(evaluated: EvaluatedJob) -> list[dict[str, Any]]:
    """The end of each step, the platter's first; part zero alone where it was touched off."""
    setup, steps = evaluated.setup, stack_used(evaluated)
    frame = table_frame(setup.machine)
    start = {"name": "table frame", "at": (frame.translation_mm + 0.0).tolist()}
    if steps is None:
        at = setup.part_in_machine.translation_mm
        return [start, {"name": "part zero, touched off", "at": at.tolist()}]
    ends = [frame.apply(one.translation_mm) for one in cumulative_frames(steps)[1:]]
    return [
        start,
        *({"name": step.name, "at": end.tolist()} for step, end in zip(steps, ends, strict=True)),
    ]


def _own_offsets(setup: Setup, placed: PlacedOperation) -> dict[str, Any]:
    """The rotaries' values of an operation's work offset, where they are not those of the others."""
    if np.array_equal(placed.rotary_offset_deg, setup.rotary_offset_deg):
        return {}
    return {"offsets_deg": placed.rotary_offset_deg.tolist()}


def _with_correction(working: Working, evaluated: EvaluatedJob, placed: PlacedOperation) -> Working:
    """A working with the job's correction, if it has one, as its last line."""
    if evaluated.correction is None:
        return working
    before = evaluated.correction.placed[placed.name].offset_mm
    calculations = tuple(
        Calculation(axis, "{} + {}", (Number(old), Number(new - old)), Number(new))
        for axis, old, new in zip("XYZ", before.tolist(), placed.offset_mm.tolist(), strict=True)
    )
    rule = f'Add the correction that {evaluated.correction.table.measured} asked for: "{evaluated.correction.table.cause}".'
    line = WorkedStep("offset", rule, "offset + correction", calculations, "machine coordinates")
    return replace(working, lines=(*working.lines, line))


def _working(working: Working, digits: Digits, texts: Repeated, lines: Repeated) -> list[int]:
    """The numbers of a working's lines."""
    return [lines.number(_line(line, digits, texts)) for line in working.lines]


def _line(line: WorkedStep, digits: Digits, texts: Repeated) -> list[Any]:
    """A line of a working as `explain` writes it: key, rule, formula, frame, calculations, rows of its matrix.

    All but the key are numbers of texts.
    """
    matrix = [] if line.matrix is None else line.matrix.tolist()
    return [
        line.key,
        *map(texts.number, (line.rule, line.formula, line.frame)),
        [texts.number(written(one, digits)) for one in line.calculations],
        [
            texts.number(" ".join(written_number(Number(value, "ratio"), digits) for value in row))
            for row in matrix
        ],
    ]


def _messages(evaluated: EvaluatedJob, units: str) -> tuple[list[list[str]], list[str]]:
    """Label and words of every message; apart, those of the correction in force, beside the offset: empty without one."""
    said: list[list[str]] = []
    correction: list[str] = []
    for message in grouped(job_messages(evaluated), lambda finding: as_shown(finding, units)):
        words = plain_quotes(message_words(message, evaluated.operations, units))
        if isinstance(message.finding, CorrectionInForce):
            correction = [message.severity.label, words]
        else:
            said.append([message.severity.label, words])
    return said, correction


def simplified_words(bodies: Bodies, units: str) -> list[list[str]]:
    """Notes on meshes that were simplified and on steps whose width was assumed."""
    notes = []
    for name, before, after, within_mm in bodies.simplified:
        within = f"{numbers.length(within_mm, units)} {numbers.UNIT_SYMBOL[units]}"
        notes.append(
            [
                "note",
                f"{name} is drawn with {after:,} triangles instead of {before:,}, to within {within}; no number is affected",
            ]
        )
    if bodies.assumed:
        names = ", ".join(bodies.assumed)
        notes.append(
            [
                "note",
                f"drawn dotted, with an assumed width: {names}. `round` or `bar` in the job file gives the true one",
            ]
        )
    return notes
