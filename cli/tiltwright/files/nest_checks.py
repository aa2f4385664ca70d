"""Checks on the nests of a job: what stands on what, and what is done where."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tiltwright.files.batch_checks import stub_of
from tiltwright.files.batch_tables import GRIPPER
from tiltwright.files.checks import (
    KnownMachine,
    check_letters,
    check_section,
    check_step_names,
    check_touched,
    known_name,
    own_names,
)
from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, one_of, shown
from tiltwright.files.job_file import JobFile, NestTable
from tiltwright.files.schema_types import Name, keys_given
from tiltwright.files.solid_tables import MATERIALS

__all__ = ["PLATTER", "check_nests", "nests_of_operation", "nests_of_solid"]

PLATTER = "platter"
"""The word for what a nest stands on that stands on no step."""


def nests_of_operation(job: JobFile, place: int) -> tuple[int, ...]:
    """Places of the nests that an operation is done in; none where the job has no nests."""
    named = job.operation[place].nests
    return tuple(k for k, nest in enumerate(job.nest) if named is None or nest.name in named)


def nests_of_solid(job: JobFile, place: int) -> tuple[int, ...]:
    """Places of the nests that a solid stands in; none where it belongs to no nest."""
    solid = job.solid[place]
    if solid.nest is not None:
        return tuple(k for k, nest in enumerate(job.nest) if nest.name == solid.nest)
    if solid.on == "part":
        return tuple(range(len(job.nest)))
    if solid.on == GRIPPER:
        stubs = (stub_of(job, k)[1] for k in range(len(job.nest)))
        return tuple(k for k, stub in enumerate(stubs) if stub is not None and stub.unload is not None)
    return tuple(k for k, nest in enumerate(job.nest) if solid.on in {step.name for step in nest.step})


def check_nests(job: JobFile, known: KnownMachine) -> Iterator[UnlocatedDiagnostic]:
    """Check the nests of a job, and what is said of nests elsewhere. The table may be partial."""
    if not job.nest:
        # Among the keys of a partial table is one that could not be read.
        if "nest" not in getattr(job, "model_fields_set", ()):
            yield from _without_nests(job)
        return
    yield from own_names("nest", [nest.name for nest in job.nest])
    own = [material.name for material in job.material if material.name is not None]
    for place, nest in enumerate(job.nest):
        path: KeyPath = ("nest", place)
        yield from check_step_names((*path, "step"), [step.name for step in nest.step])
        for k, step in enumerate(nest.step):
            yield from check_section((*path, "step", k), step)
            where = (*path, "step", k, "material")
            yield from known_name(where, step.material, (*MATERIALS, *own), "material")
        if nest.square_up is not None:
            yield from check_letters((*path, "square_up"), nest.square_up, known)
        yield from check_touched((*path, "touched"), nest.touched, known)
        yield from _on(job, place)
    if job.touched is not None:
        yield UnlocatedDiagnostic(
            ("touched",), "one part zero for several nests", "[nest.touched] below each [[nest]]"
        )
    names = list(dict.fromkeys(nest.name for nest in job.nest))
    if all(name is not None for name in names):
        yield from _operations(job, names)
        yield from _solids(job, names)


def _without_nests(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    """Check that nothing speaks of nests in a job that has none."""
    allowed = "[[nest]] tables beside it, or no such key"
    if job.order is not None:
        yield UnlocatedDiagnostic(("order",), "an order of work in a job without nests", allowed)
    for place, operation in enumerate(job.operation):
        for key in ("nests", "after"):
            if key in keys_given(operation):
                yield UnlocatedDiagnostic(("operation", place, key), f"{key} in a job without nests", allowed)
    for place, solid in enumerate(job.solid):
        if "nest" in keys_given(solid):
            yield UnlocatedDiagnostic(("solid", place, "nest"), "a nest in a job without nests", allowed)


def _on(job: JobFile, place: int) -> Iterator[UnlocatedDiagnostic]:
    """Check what one nest stands on, down to the stack."""
    path: KeyPath = ("nest", place, "on")
    on, passed = job.nest[place].on, [place]
    while on is not None and on != PLATTER:
        holders: list[int | None] = [None for step in job.stack if step.name == on]
        holders += [k for k, nest in enumerate(job.nest) for step in nest.step if step.name == on]
        if not holders and len(passed) == 1:
            steps = [step.name for step in job.stack] + [step.name for nest in job.nest for step in nest.step]
            known = [name for name in steps if name is not None]
            if len(known) == len(steps):
                mine = {step.name for step in job.nest[place].step}
                yield from known_name(path, on, [PLATTER, *(n for n in known if n not in mine)], "step")
            return
        if len(holders) != 1:
            if len(passed) == 1:
                found = f"{shown(on)}, the name of {len(holders)} steps"
                yield UnlocatedDiagnostic(path, found, "a step whose name no other has")
            return
        (owner,) = holders
        if owner is None:
            return
        if owner in passed:
            # Told once for a ring of nests: at the first of them.
            if owner == place and place == min(passed):
                words = (
                    "one of its own steps" if len(passed) == 1 else "a step that stands on this nest itself"
                )
                tip = "the step below the nest is the one to name, from the platter up"
                yield UnlocatedDiagnostic(
                    path, f"{shown(job.nest[place].on)}, {words}", "a step below it", tip
                )
            return
        passed.append(owner)
        on = job.nest[owner].on


def _operations(job: JobFile, names: Sequence[str]) -> Iterator[UnlocatedDiagnostic]:
    """Check where operations are done, after which others, and that no nest stays empty."""
    yield from _after(job)
    used: set[str] = set()
    for place, operation in enumerate(job.operation):
        named = operation.nests or ()
        for k, name in enumerate(named):
            path: KeyPath = ("operation", place, "nests", k)
            yield from known_name(path, name, names, "nest")
            if name in named[:k]:
                yield UnlocatedDiagnostic(path, f"{shown(name)} again", "each nest once")
        if not named and "nests" in keys_given(operation):
            return
        used |= {*(named or names)}
    for place, nest in enumerate(one.name for one in job.nest):
        if nest not in used:
            found = f"{shown(nest)}, and no operation is done in it"
            tip = "name it in the `nests` of an operation, or take the nest out"
            yield UnlocatedDiagnostic(("nest", place, "name"), found, "a nest that holds a part", tip)


def _after(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    before: list[Name] = []
    for place, operation in enumerate(job.operation):
        for k, name in enumerate(operation.after or ()):
            if name not in before:
                allowed = f"an operation above it: {one_of(before)}" if before else "an operation above it"
                tip = "the order of the file must be one that works"
                yield UnlocatedDiagnostic(("operation", place, "after", k), shown(name), allowed, tip)
        if operation.name is not None:
            before.append(operation.name)


def _solids(job: JobFile, names: Sequence[str]) -> Iterator[UnlocatedDiagnostic]:
    """Check which nest a solid stands in."""
    for place, solid in enumerate(job.solid):
        yield from known_name(("solid", place, "nest"), solid.nest, names, "nest")
        if solid.nest in names and solid.on is not None and solid.on not in ("part", GRIPPER):
            of = next(nest for nest in job.nest if nest.name == solid.nest)
            own = [step.name for step in of.step]
            if solid.on not in own:
                allowed = one_of(["part", GRIPPER, *own])
                found = f"{shown(solid.on)}, which is not in the nest {shown(solid.nest)}"
                yield UnlocatedDiagnostic(("solid", place, "on"), found, allowed)
        holders = sum(step.name == solid.on for step in job.stack)
        for nest in _of_interest(job, solid.nest):
            inside = sum(step.name == solid.on for step in nest.step)
            if solid.on is not None and inside and inside + holders > 1:
                found = f"{shown(solid.on)}, the name of {inside + holders} steps"
                yield UnlocatedDiagnostic(("solid", place, "on"), found, "a step whose name no other has")
                break


def _of_interest(job: JobFile, named: str | None) -> tuple[NestTable, ...]:
    return tuple(nest for nest in job.nest if named is None or nest.name == named)
