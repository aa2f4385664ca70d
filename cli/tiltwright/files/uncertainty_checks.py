"""Checks on what may be off, on features and on seams."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tiltwright.files.checks import known_name, own_names
from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, nearest, one_of, shown
from tiltwright.files.job_file import JobFile, OperationTable
from tiltwright.files.machine_file import MachineFile
from tiltwright.files.schema_types import FileTable, keys_given
from tiltwright.files.solid_tables import EXPANSIONS
from tiltwright.files.uncertainty_tables import FeatureTable, SeamTable, check_spreads

__all__ = ["check_job_uncertainty", "check_machine_uncertainty", "operation_names", "states_uncertainty"]

_STEP = ("up", "shift", "turn", "lean")


def check_machine_uncertainty(machine: MachineFile) -> Iterator[UnlocatedDiagnostic]:
    """Check what a machine file says may be off; the table may be partial."""
    for place, rotary in enumerate(machine.rotary):
        yield from check_spreads(("rotary", place), rotary, ("position", "direction", "positioning"))
    if machine.platter is not None:
        yield from check_spreads(("platter",), machine.platter, ("face", "normal"))
    if machine.positioning is not None:
        yield from check_spreads(("positioning",), machine.positioning, ("x", "y", "z"))


def check_job_uncertainty(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    """Check what a job file says may be off, its features and its seams; the table may be partial."""
    for place, step in enumerate(job.stack):
        yield from check_spreads(("stack", place), step, _STEP)
    for place, nest in enumerate(job.nest):
        for k, step in enumerate(nest.step):
            yield from check_spreads(("nest", place, "step", k), step, _STEP)
        yield from _touches(("nest", place, "touched"), nest.touched)
    if job.reclamping is not None:
        yield from check_spreads(("reclamping",), job.reclamping, _STEP)
    for place, tool in enumerate(job.tool):
        yield from check_spreads(("tool", place), tool, ("length", "diameter"))
    yield from _touches(("touched",), job.touched)
    if job.temperature is not None:
        own = [material.name for material in job.material if material.name is not None]
        yield from known_name(("temperature", "part"), job.temperature.part, (*EXPANSIONS, *own), "material")
    yield from own_names("feature", [feature.name for feature in job.feature])
    if all(operation.name is not None for operation in job.operation):
        yield from _features(job.feature, job.operation)
        yield from _seams(job.seam, job.operation)


def operation_names(operation: OperationTable) -> tuple[str, ...]:
    """The names that an operation's repeats have; of a single operation its own; none where none is stated."""
    if operation.name is None:
        return ()
    count = 1 if operation.repeat is None or operation.repeat.count is None else operation.repeat.count
    if count == 1:
        return (operation.name,)
    return tuple(f"{operation.name} {k}" for k in range(1, count + 1))


def _touches(path: KeyPath, touched: FileTable | None) -> Iterator[UnlocatedDiagnostic]:
    if (
        touched is not None
        and "touches" in keys_given(touched)
        and "repeatability" not in keys_given(touched)
    ):
        yield UnlocatedDiagnostic(
            (*path, "touches"), "touches without a repeatability", "repeatability beside it, found from them"
        )


def _features(
    features: Sequence[FeatureTable], operations: Sequence[OperationTable]
) -> Iterator[UnlocatedDiagnostic]:
    patterns = [operation.name for operation in operations if operation.name is not None]
    each = [name for operation in operations for name in operation_names(operation)]
    names = [feature.name for feature in features if feature.name is not None]
    for place, feature in enumerate(features):
        path: KeyPath = ("feature", place)
        known = list(dict.fromkeys([*patterns, *each]))
        yield from known_name((*path, "operation"), feature.operation, known, "operation")
        if feature.datum is None:
            continue
        where = (*path, "datum")
        if feature.datum == feature.name:
            yield UnlocatedDiagnostic(where, f"{shown(feature.datum)}, the feature itself", "another feature")
        elif feature.datum not in names and feature.datum not in each:
            near = nearest(feature.datum, [*names, *each])
            others = [name for name in names if name != feature.name]
            tip = (
                f'did you mean "{near}"?'
                if near
                else "a pattern is no datum: name one of it" * (feature.datum in patterns)
            )
            yield UnlocatedDiagnostic(
                where,
                f"no feature or operation {shown(feature.datum)}",
                f"a feature ({one_of(others)}) or an operation" if others else "a feature or an operation",
                tip,
            )
        elif _goes_round(features, place):
            yield UnlocatedDiagnostic(where, "datums that go round in a circle", "a first datum without one")


def _goes_round(features: Sequence[FeatureTable], place: int) -> bool:
    """Test whether a feature's datums lead back to it."""
    by_name = {feature.name: feature for feature in features}
    here, seen = features[place], set()
    while here.datum is not None and here.datum in by_name and here.name not in seen:
        seen.add(here.name)
        here = by_name[here.datum]
        if here.name == features[place].name:
            return True
    return False


def _seams(seams: Sequence[SeamTable], operations: Sequence[OperationTable]) -> Iterator[UnlocatedDiagnostic]:
    each = [name for operation in operations for name in operation_names(operation)]
    for place, seam in enumerate(seams):
        if seam.between is None:
            continue
        where = ("seam", place, "between")
        for name in seam.between:
            yield from known_name(where, name, each, "operation")
        if seam.between[0] == seam.between[1]:
            yield UnlocatedDiagnostic(where, f"{shown(seam.between[0])} twice", "two different operations")


def states_uncertainty(file: JobFile) -> bool:
    """Test whether a job file itself states how far anything may be off: then there is a budget to show.

    A machine file's statements alone do not count: offsets with everything of the set-up taken as exact would look
    better than they are.
    """
    tables: list[FileTable | None] = [
        *file.stack,
        *(step for nest in file.nest for step in nest.step),
        file.reclamping,
        file.touched,
        *(nest.touched for nest in file.nest),
        file.temperature,
    ]
    return any(
        getattr(table, key) is not None
        for table in tables
        if table is not None
        for key in table.__struct_fields__
        if key.endswith(("_within", "_u")) or key in ("repeatability", "runs")
    )
