"""What no single value shows of solids, tools, holders and sections: shapes that cannot be, names that lead nowhere."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence

from tiltwright.files.described import keys_given
from tiltwright.files.faults import Finding, KeyPath, nearest, one_of, shown
from tiltwright.files.job_file import JobFile, StackTable
from tiltwright.files.machine_file import MachineFile
from tiltwright.files.materials import MATERIALS
from tiltwright.files.solid_tables import SHAPES, SolidTable, ToolTable

__all__ = ["job_solid_findings", "machine_solid_findings"]

_PLACES = ("base", "part", "spindle")


def machine_solid_findings(machine: MachineFile) -> Iterator[Finding]:
    """What is wrong between the values that a machine file gives for reach; the model may be a draft."""
    letters = [rotary.letter for rotary in machine.rotary if rotary.letter is not None]
    complete = len(letters) == len(machine.rotary)
    places = ["base", *letters, "spindle"] if complete else None
    for place, solid in enumerate(machine.solid):
        yield from _solid(("solid", place), solid, places)
        yield from _known_name(("solid", place, "material"), solid.material, [*MATERIALS], "material")
    yield from _own_names("holder", [holder.name for holder in machine.holder])
    spindle = machine.spindle
    if spindle is not None and len(keys_given(spindle) & {"diameter", "length"}) == 1:
        (given,) = keys_given(spindle) & {"diameter", "length"}
        yield Finding(("spindle", given), f"{given} alone", "diameter and length of the nose, or neither")


def job_solid_findings(
    job: JobFile, letters: Sequence[str] | None, holders: Sequence[str] | None
) -> Iterator[Finding]:
    """What is wrong between the values that a job file gives for reach; the model may be a draft.

    Parameters
    ----------
    job : JobFile
    letters, holders : sequence of str or None
        Of the machine; None where they are not known.
    """
    steps = [step.name for step in job.stack if step.name is not None]
    complete = letters is not None and len(steps) == len(job.stack)
    places = [*_PLACES, *(letters or ()), *steps] if complete else None
    own = [material.name for material in job.material if material.name is not None]
    materials = (*MATERIALS, *own)
    yield from _own_names("material", [material.name for material in job.material])
    for place, step in enumerate(job.stack):
        yield from _section(place, step)
        yield from _known_name(("stack", place, "material"), step.material, materials, "material")
    for place, solid in enumerate(job.solid):
        yield from _solid(("solid", place), solid, places)
        if solid.on is not None and steps.count(solid.on) > 1:
            found = f"{shown(solid.on)}, the name of {steps.count(solid.on)} stack steps"
            yield Finding(("solid", place, "on"), found, "a step whose name no other has")
        yield from _known_name(("solid", place, "material"), solid.material, materials, "material")
    yield from _tools(job.tool, holders)
    tools = [tool.name for tool in job.tool if tool.name is not None]
    if tools and len(tools) == len(job.tool):
        for place, operation in enumerate(job.operation):
            yield from _known_name(("operation", place, "tool"), operation.tool, tools, "tool")


def _tools(tools: Sequence[ToolTable], holders: Sequence[str] | None) -> Iterator[Finding]:
    yield from _own_names("tool", [tool.name for tool in tools])
    for place, tool in enumerate(tools):
        if holders is not None:
            tip = "" if holders else "the machine file has no [[holder]] tables"
            yield from _known_name(("tool", place, "holder"), tool.holder, holders, "holder", tip)
        if "shank" in keys_given(tool) and "flute" not in keys_given(tool):
            yield Finding(
                ("tool", place, "shank"), "a shank, and no flute", "flute = the length below the shank"
            )


def _own_names(table: str, names: Iterable[str | None]) -> Iterator[Finding]:
    first: dict[str, int] = {}
    for place, name in enumerate(names):
        if name is None:
            continue
        before = first.setdefault(unicodedata.normalize("NFC", name), place)
        if before != place:
            found = f"{shown(name)}, the name of {table} {before + 1} already"
            yield Finding((table, place, "name"), found, f"a name of its own for every {table}")


def _known_name(
    path: KeyPath, name: str | None, known: Sequence[str], what: str, tip: str = ""
) -> Iterator[Finding]:
    if name is None or name in known:
        return
    near = nearest(name, known)
    allowed = one_of(known) if known else f"no {what}"
    yield Finding(
        path, f"an unknown {what}, {shown(name)}", allowed, f'did you mean "{near}"?' if near else tip
    )


def _section(place: int, step: StackTable) -> Iterator[Finding]:
    given = keys_given(step)
    path: KeyPath = ("stack", place)
    if {"round", "bar"} <= given:
        yield Finding((*path, "bar"), "round and bar both", "one of them")
    if "bore" in given and "round" not in given:
        yield Finding((*path, "bore"), "a bore without a round", "bore beside round only")
    if step.round is not None and step.bore is not None and step.bore >= step.round:
        yield Finding((*path, "bore"), shown(step.bore), f"a bore of less than the round's {step.round:g}")
    if step.bar is not None and min(step.bar) <= 0.0:
        yield Finding((*path, "bar"), shown(list(step.bar)), "two edges above zero, [x, y]")
    sectioned = given & {"round", "bar"}
    if sectioned and step.up == 0.0:
        (key, *_) = sorted(sectioned)
        yield Finding((*path, key), "a section on a step without height", "up above or below zero beside it")
    if not sectioned:
        for key in sorted(given & {"blank", "mass", "material"}):
            yield Finding((*path, key), f"{key} on a step without a section", "round or bar beside it")


def _solid(path: KeyPath, solid: SolidTable, places: Sequence[str] | None) -> Iterator[Finding]:
    given = [shape for shape in SHAPES if shape in keys_given(solid)]
    if len(given) != 1:
        where: KeyPath = (*path, given[1]) if given else path
        yield Finding(where, " and ".join(given) if given else "no shape", f"just one of {', '.join(SHAPES)}")
    if solid.on is not None and places is not None:
        yield from _known_name((*path, "on"), solid.on, places, "place")
    box = solid.box
    if box is not None and box.low is not None and box.high is not None:
        for axis, low, high in zip("xyz", box.low, box.high, strict=True):
            if low >= high:
                found = f"an edge of {high - low:g} along {axis}"
                yield Finding((*path, "box", "high"), found, "edges above zero: low is the lower corner")
                break
    for key in ("cylinder", "tube"):
        ends = getattr(solid, key)
        if ends is not None and ends.start is not None and ends.start == ends.end:
            yield Finding((*path, key, "end"), shown(list(ends.end)), "another point than start")
    tube = solid.tube
    if (
        tube is not None
        and tube.diameter is not None
        and tube.bore is not None
        and tube.bore >= tube.diameter
    ):
        allowed = f"a bore of less than the diameter of {tube.diameter:g}"
        yield Finding((*path, "tube", "bore"), shown(tube.bore), allowed)
