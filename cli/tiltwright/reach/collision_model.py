"""Collision model of a job: its solids, tools and sweeps as `kinematics.reach` takes them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics import (
    IDENTITY,
    KinematicsError,
    NestStep,
    Pose,
    cumulative_frames,
    rotation_from_intrinsic,
    table_frame,
)
from kinematics.reach import (
    BASE,
    PART,
    SPINDLE_NOSE,
    Attachment,
    Box,
    CollisionModel,
    Frustum,
    HolderPart,
    LoadLimit,
    Mesh,
    OperationPose,
    Section,
    Shape,
    Solid,
    StepBody,
    TipEnvelope,
    Tool,
    Unloading,
    moved_shape,
    on_rotary,
    on_step,
    platter_solid,
)
from tiltwright.files.batch_tables import GRIPPER
from tiltwright.files.conversion import step_of
from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath
from tiltwright.files.job_file import JobFile, StackTable
from tiltwright.files.loader import ReadJob, ReadMachine, ReadNest, fault_at
from tiltwright.files.machine_file import MachineFile
from tiltwright.files.nest_checks import nests_of_solid
from tiltwright.files.solid_tables import MATERIALS, SolidTable, SweepTable, ToolTable
from tiltwright.files.stl import read_stl
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob

__all__ = ["THIN_PLATTER_MM", "JobCollisionModel", "build_collision_model", "own_solids"]

THIN_PLATTER_MM = 1.0
"""Thickness of a platter whose file states none."""


@dataclass(frozen=True, eq=False)
class JobCollisionModel:
    """A job and its collision model.

    Attributes
    ----------
    evaluated : EvaluatedJob
    model : CollisionModel
    limits : tuple of LoadLimit
        Of each rotary, from the base outward.
    unloading : Unloading or None
        Where the job has a stub, and says at which angles an arm takes the part off it.
    """

    evaluated: EvaluatedJob
    model: CollisionModel
    limits: tuple[LoadLimit, ...]
    unloading: Unloading | None = None


def build_collision_model(evaluated: EvaluatedJob) -> JobCollisionModel:
    """The collision model of a job.

    Raises
    ------
    InputFaults
        With every solid, tool, holder and sweep that is not possible: an open mesh, an unknown tool.
    """
    job, machine_file = evaluated.job, evaluated.job.machine_file
    faults: list[Diagnostic] = []
    materials = _materials(job.file)
    spindle, solids = _machine_solids(machine_file, faults)
    more_spindle, more = _job_solids(job, faults, materials)
    beside = _nest_surroundings(job, materials, faults)
    tools = _tools(job, faults)
    poses = _stands(evaluated, tools, faults)
    unloading = _unloading(evaluated, materials, faults)
    retract_mm = _retract(job, faults)
    rotaries = machine_file.file.rotary
    if faults:
        raise InputFaults(faults)
    model = CollisionModel(
        evaluated.setup,
        job.steps,
        tuple(_step_body(step, job.unit, materials) for step in job.file.stack),
        (*solids, *more, *beside),
        (*spindle, *more_spindle),
        tuple(poses),
        retract_mm,
    )
    limits = tuple(LoadLimit(rotary.holding_torque, rotary.capacity) for rotary in rotaries)
    return JobCollisionModel(evaluated, model, limits, unloading)


def _materials(file: JobFile) -> dict[str, tuple[float | None, float | None]]:
    materials: dict[str, tuple[float | None, float | None]] = {**MATERIALS}
    materials.update((material.name, (material.density, material.modulus)) for material in file.material)
    return materials


def _machine_solids(read: ReadMachine, faults: list[Diagnostic]) -> tuple[list[Solid], list[Solid]]:
    """The spindle's solids and the others of a machine file."""
    file, unit, machine = read.file, read.unit, read.machine
    places = {"base": BASE, "spindle": SPINDLE_NOSE}
    places |= {letter: on_rotary(k) for k, letter in enumerate(machine.letters)}
    spindle, solids = _solids(read, enumerate(file.solid), places, dict(MATERIALS), faults)
    nose = _nose(file, unit)
    if nose is not None:
        spindle.insert(0, nose)
    if file.platter is not None:
        thickness = file.platter.thickness
        platter = platter_solid(machine, THIN_PLATTER_MM if thickness is None else unit.to_mm(thickness))
        if platter is not None:
            solids.insert(0, Solid(platter.name, platter.shape, platter.on, mass_kg=file.platter.mass))
    return spindle, solids


def _nose(file: MachineFile, unit: Unit) -> Solid | None:
    table = file.spindle
    if table is None or table.diameter is None or table.length is None:
        return None
    top = np.array([0.0, 0.0, unit.to_mm(table.length)])
    return Solid("spindle nose", Frustum(np.zeros(3), top, unit.to_mm(table.diameter)), SPINDLE_NOSE)


def _job_solids(
    job: ReadJob, faults: list[Diagnostic], materials: dict[str, tuple[float | None, float | None]]
) -> tuple[list[Solid], list[Solid]]:
    places = {step.name: on_step(k) for k, step in enumerate(job.steps)}
    # The program's own words go before a step that happens to be called so.
    places |= {"base": BASE, "spindle": SPINDLE_NOSE, "part": PART}
    places |= {letter: on_rotary(k) for k, letter in enumerate(job.machine.letters)}
    mine = {step.name for step in job.file.stack}
    nest = None if job.own_nest is None else job.own_nest.place
    tables = [
        (number, table)
        for number, table in enumerate(job.file.solid)
        if table.on != GRIPPER and (nest is None or _stands_in(job.file, number, nest, mine))
    ]
    return _solids(job, tables, places, materials, faults)


def _unloading(
    evaluated: EvaluatedJob, materials: dict[str, tuple[float | None, float | None]], faults: list[Diagnostic]
) -> Unloading | None:
    """The unloading pose with the gripper's solids, which stand in part coordinates."""
    job = evaluated.job
    if job.file.stub is None or job.file.stub.unload is None:
        return None
    nest = None if job.own_nest is None else job.own_nest.place
    tables = [
        (number, table)
        for number, table in enumerate(job.file.solid)
        if table.on == GRIPPER and (nest is None or nest in nests_of_solid(job.file, number))
    ]
    _, gripper = _solids(job, tables, {GRIPPER: PART}, materials, faults)
    program = [job.file.stub.unload[letter] for letter in job.machine.letters]
    return Unloading("unloading", evaluated.setup.machine_deg(program), tuple(gripper))


def _stands_in(file: JobFile, number: int, nest: int, steps: Collection[str]) -> bool:
    """Test whether a solid is one of a nest's own, or of what all nests share, among the steps below that nest."""
    of = nests_of_solid(file, number)
    on = file.solid[number].on
    if of:
        return nest in of
    shared = {"base", "spindle", *"ABC"}
    return on in steps or on in shared


def _solids(
    read: ReadJob | ReadMachine,
    tables: Iterable[tuple[int, SolidTable]],
    places: dict[str, Attachment],
    materials: dict[str, tuple[float | None, float | None]],
    faults: list[Diagnostic],
) -> tuple[list[Solid], list[Solid]]:
    spindle: list[Solid] = []
    others: list[Solid] = []
    for number, table in tables:
        shape = _shape_or_fault(read, number, table, faults)
        if shape is None:
            continue
        on = places[table.on]
        solid = Solid(
            table.name,
            shape,
            on,
            machinable=table.cut if table.cut is not None else on.to == "part",
            mass_kg=table.mass,
            density_kg_m3=_density(table, materials),
        )
        (spindle if on.to == "spindle" else others).append(solid)
    return spindle, others


def _density(table: SolidTable, materials: dict[str, tuple[float | None, float | None]]) -> float | None:
    return None if table.material is None else materials[table.material][0]


def _shape_or_fault(
    read: ReadJob | ReadMachine, number: int, table: SolidTable, faults: list[Diagnostic]
) -> Shape | None:
    """The shape of a solid's table, or None with its fault added."""
    try:
        return _shape(read, table)
    except (KinematicsError, ValueError, OSError) as refusal:
        key = next(k for k in ("box", "cylinder", "tube", "mesh") if getattr(table, k) is not None)
        path: KeyPath = ("solid", number, key)
        faults.append(fault_at(read, path, str(refusal), "a closed solid with sizes above zero"))
        return None


def _shape(read: ReadJob | ReadMachine, table: SolidTable) -> Shape:
    unit = read.unit
    if table.box is not None:
        return Box(_array(table.box.low, unit), _array(table.box.high, unit))
    if table.cylinder is not None:
        round_ = table.cylinder
        last = None if round_.end_diameter is None else unit.to_mm(round_.end_diameter)
        return Frustum(
            _array(round_.start, unit), _array(round_.end, unit), unit.to_mm(round_.diameter), last
        )
    if table.tube is not None:
        tube = table.tube
        sizes = unit.to_mm(tube.diameter), None, unit.to_mm(tube.bore)
        return Frustum(_array(tube.start, unit), _array(tube.end, unit), *sizes)
    assert table.mesh is not None
    mesh = read_stl(read.path.parent / table.mesh.file, table.mesh.units.mm)
    pose = Pose(rotation_from_intrinsic(table.mesh.rotate or ()), _array(table.mesh.at, unit))
    return Mesh(pose.apply(mesh.vertices_mm), mesh.triangles)


def _array(
    point: tuple[float, float, float], unit: Unit
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.array([unit.to_mm(length) for length in point])


def own_solids(evaluated: EvaluatedJob) -> tuple[tuple[Solid, Pose], ...]:
    """Solids that a nest alone, or a job without nests, puts on the table, in their places: steps with a section, and solids.

    What all nests share is left out, and so are solids on the base and the gripper.

    Raises
    ------
    InputFaults
        With every solid that is not possible.
    """
    job = evaluated.job
    own = job.own_nest
    frames = [table_frame(job.machine) @ frame for frame in cumulative_frames(job.steps)]
    mine = [k for k in range(len(job.steps)) if own is None or own.stack[k].nest == own.place]
    materials = _materials(job.file)
    found = []
    for k in mine:
        body = _step_body(job.file.stack[k], job.unit, materials)
        if body is not None:
            step = job.steps[k]
            found.append(
                (Solid(step.name, body.section.shape(step.up_mm, step.shift_mm), on_step(k)), frames[k])
            )
    at = {job.steps[k].name: frames[k] for k in mine}
    if own is None:
        at[job.machine.letters[-1]] = IDENTITY
    at["part"] = evaluated.setup.part_in_machine
    faults: list[Diagnostic] = []
    for number, table in enumerate(job.file.solid):
        if table.on not in at or (own is not None and own.place not in nests_of_solid(job.file, number)):
            continue
        # Whatever it is on, its frame is known here.
        _, made = _solids(job, [(number, table)], {table.on: PART}, materials, faults)
        found += [(solid, at[table.on]) for solid in made]
    if faults:
        raise InputFaults(faults)
    return tuple(found)


def _nest_surroundings(
    job: ReadJob, materials: dict[str, tuple[float | None, float | None]], faults: list[Diagnostic]
) -> list[Solid]:
    """Solids on the table beside a nest: the other nests, and what the stack has above the step that it stands on.

    No tool may cut any of it: a blank is cut in its own nest only.
    """
    own = job.own_nest
    if own is None or job.whole is None:
        return []
    tables = job.whole.file.stack
    trunk = tuple(NestStep(step_of(table, job.unit), None, k) for k, table in enumerate(tables))
    passed = {(one.nest, one.index) for one in own.stack}
    found: list[Solid] = []
    for name, place, stack in ((None, None, trunk), *((n.nest.name, n.place, n.stack) for n in job.nests)):
        frames = [table_frame(job.machine) @ frame for frame in cumulative_frames(one.step for one in stack)]
        for one, frame in zip(stack, frames, strict=False):
            if (one.nest, one.index) in passed:
                continue
            passed.add((one.nest, one.index))
            table = tables[one.index] if one.nest is None else job.file.nest[one.nest].step[one.index]
            body = _step_body(table, job.unit, materials)
            if body is not None:
                shape = body.section.shape(one.step.up_mm, one.step.shift_mm)
                label = one.step.name if name is None else f"{one.step.name} of nest {name}"
                found.append(_beside(job, label, shape, frame, body.mass_kg, body.density_kg_m3))
        if place != own.place:
            found += _solids_beside(job, place, own, stack, frames, materials, faults)
    return found


def _solids_beside(
    job: ReadJob,
    place: int | None,
    own: ReadNest,
    stack: Sequence[NestStep],
    frames: Sequence[Pose],
    materials: dict[str, tuple[float | None, float | None]],
    faults: list[Diagnostic],
) -> list[Solid]:
    """Solids of another nest; of the stack (no place), those on steps that the nest does not stand on."""
    below = {one.step.name for one in own.stack}
    at = {one.step.name: frame for one, frame in zip(stack, frames, strict=False)}
    if place is not None:
        at["part"] = frames[-1]
    found = []
    for number, table in enumerate(job.file.solid):
        of = nests_of_solid(job.file, number)
        mine = place in of if place is not None else not of and table.on not in below
        if not mine or table.on not in at:
            continue
        shape = _shape_or_fault(job, number, table, faults)
        if shape is None:
            continue
        label = table.name if place is None else f"{table.name} of nest {job.nests[place].nest.name}"
        found.append(_beside(job, label, shape, at[table.on], table.mass, _density(table, materials)))
    return found


def _beside(
    job: ReadJob, name: str, shape: Shape, frame: Pose, mass_kg: float | None, density: float | None
) -> Solid:
    on = on_rotary(len(job.machine.rotaries) - 1)
    return Solid(name, moved_shape(shape, frame), on, mass_kg=mass_kg, density_kg_m3=density)


def _step_body(
    step: StackTable, unit: Unit, materials: dict[str, tuple[float | None, float | None]]
) -> StepBody | None:
    if step.round is not None:
        section = Section(diameter_mm=unit.to_mm(step.round), bore_mm=unit.to_mm(step.bore or 0.0))
    elif step.bar is not None:
        section = Section(edges_mm=(unit.to_mm(step.bar[0]), unit.to_mm(step.bar[1])))
    else:
        return None
    density, modulus = (None, None) if step.material is None else materials[step.material]
    return StepBody(section, bool(step.blank), step.mass, density, modulus)


def _tools(job: ReadJob, faults: list[Diagnostic]) -> dict[str, Tool]:
    machine = job.machine_file
    holders: dict[str, tuple[HolderPart, ...]] = {}
    for holder in machine.file.holder:
        parts = [[machine.unit.to_mm(size) for size in part] for part in holder.parts]
        holders[holder.name] = tuple(HolderPart(*part) for part in parts)
    tools: dict[str, Tool] = {}
    for number, table in enumerate(job.file.tool):
        try:
            tools[table.name] = _tool(table, job.unit, holders)
        except KinematicsError:
            # Its sizes are above zero by the file's own rules: what is left is that it vanishes in its holder.
            parts_mm = sum(part.length_mm for part in holders.get(table.holder or "", ()))
            allowed = f"more than its holder's length of {job.unit.from_mm(parts_mm):.6g}"
            faults.append(fault_at(job, ("tool", number, "length"), f"{table.length:g}", allowed))
    return tools


def _tool(table: ToolTable, unit: Unit, holders: dict[str, tuple[HolderPart, ...]]) -> Tool:
    return Tool(
        table.name,
        unit.to_mm(table.length),
        unit.to_mm(table.diameter),
        () if table.holder is None else holders[table.holder],
        None if table.shank is None else unit.to_mm(table.shank),
        None if table.flute is None else unit.to_mm(table.flute),
    )


def _stands(evaluated: EvaluatedJob, tools: dict[str, Tool], faults: list[Diagnostic]) -> list[OperationPose]:
    job = evaluated.job
    poses = []
    for one in evaluated.operations:
        table = job.file.operation[one.placed.operation]
        if table.tool is not None and table.tool not in tools and not job.file.tool:
            path = ("operation", one.placed.operation, "tool")
            found = f'"{table.tool}", and the job has no [[tool]] tables'
            fault = fault_at(
                job, path, found, "a tool that the job describes", "add [[tool]] with its length"
            )
            if fault not in faults:
                faults.append(fault)
            continue
        poses.append(
            OperationPose(
                one.placed.name,
                one.placed.machine_deg,
                evaluated.program_zero_mm(one.placed),
                tools.get(table.tool or ""),
                _sweep(table.sweep, job.unit),
                table.force,
            )
        )
    return poses


def _sweep(table: SweepTable | None, unit: Unit) -> TipEnvelope:
    if table is None:
        return TipEnvelope.nowhere()
    ends = (table.x, table.y, table.z)
    low, high = (np.array([unit.to_mm(end[k]) for end in ends]) for k in (0, 1))
    return TipEnvelope(low, high)


def _retract(job: ReadJob, faults: list[Diagnostic]) -> tuple[float | None, float | None, float | None]:
    """The retract position; a place outside the travels is a fault."""
    spindle = job.machine_file.file.spindle
    read: ReadJob | ReadMachine = job
    path: KeyPath = ("retract",)
    table = job.file.retract
    if table is None and spindle is not None:
        read, path, table = job.machine_file, ("spindle", "retract"), spindle.retract
    if table is None:
        return None, None, None
    x, y, z = (None if value is None else read.unit.to_mm(value) for value in (table.x, table.y, table.z))
    travel = job.machine.travel
    if travel is not None:
        for axis, value, low, high in zip("xyz", (x, y, z), travel.low_mm, travel.high_mm, strict=True):
            if value is not None and not low <= value <= high:
                found, lower, upper = (f"{read.unit.from_mm(v):.10g}" for v in (value, low, high))
                faults.append(fault_at(read, (*path, axis), found, f"{lower} to {upper}, the axis' travel"))
    return x, y, z
