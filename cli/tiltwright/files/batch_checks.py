"""Checks on a batch: its times, its coating, the stubs that parts are left on, and the probing of their zeros."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import msgspec

from tiltwright.files.batch_tables import GRIPPER, StubTable
from tiltwright.files.checks import (
    KnownMachine,
    check_bore_and_bar,
    check_every_letter,
    check_letters,
    check_limits,
    known_name,
)
from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, one_of, shown
from tiltwright.files.job_file import JobFile
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.probing_tables import EdgeTable, NestProbingTable, ZeroProbingTable
from tiltwright.files.schema_types import keys_given
from tiltwright.files.solid_tables import MATERIALS

__all__ = [
    "TARGETS",
    "check_batch",
    "check_probing",
    "clocking_edge",
    "probing_in_nest",
    "stub_of",
    "targets_given",
]


def stub_of(job: JobFile, nest: int | None) -> tuple[KeyPath, StubTable | None]:
    """The stub of a nest, or of a job without nests, and the path of its table."""
    own = None if nest is None else job.nest[nest].stub
    if nest is not None and own is not None:
        return ("nest", nest, "stub"), own
    return ("stub",), job.stub


def check_batch(job: JobFile, known: KnownMachine) -> Iterator[UnlocatedDiagnostic]:
    """Check what a job says of its batch; the table may be partial."""
    batch = job.batch
    if batch is not None:
        yield from _both(("batch",), keys_given(batch), "probe_every", "probing", 'probing = "4 min"')
        if "unattended" in keys_given(batch) and "hours" not in keys_given(batch):
            yield UnlocatedDiagnostic(
                ("batch", "unattended"),
                "a time to run alone after closing, and no hours",
                'hours = { Mon-Fri = "7:00-16:00" } beside it',
            )
    if job.stub is not None:
        yield from _stub(job, ("stub",), job.stub, known, limits=not job.nest)
    for place, nest in enumerate(job.nest):
        if nest.stub is not None:
            yield from _stub(job, ("nest", place, "stub"), nest.stub, known, limits=False)
    yield from _gripper(job)
    yield from _both((), keys_given(job), "coating", "coating_outward", "coating_outward = 0.5, or 1")
    yield from _coated(job)


def _both(
    path: KeyPath, given: frozenset[str], first: str, second: str, example: str
) -> Iterator[UnlocatedDiagnostic]:
    if first in given and second not in given:
        yield UnlocatedDiagnostic(
            (*path, second), "the key is missing", f"{example}, beside {first}", missing=True
        )
    elif second in given and first not in given:
        yield UnlocatedDiagnostic((*path, second), f"{second} without {first}", f"{first} beside it")


def _stub(
    job: JobFile, path: KeyPath, stub: StubTable, known: KnownMachine, *, limits: bool
) -> Iterator[UnlocatedDiagnostic]:
    given = keys_given(stub)
    sections = sorted(given & {"round", "bar"})
    if len(sections) != 1:
        yield UnlocatedDiagnostic(
            (*path, "bar") if sections else path,
            "round and bar both" if sections else "no section",
            "round or bar, one of them",
            missing=not sections,
        )
    yield from check_bore_and_bar(path, stub)
    yield from _material(job, path, stub)
    if "arm" in given and "grip" not in given:
        yield UnlocatedDiagnostic(
            (*path, "arm"),
            "an arm's force without its height",
            "grip = the height at which it acts, beside it",
        )
    if stub.unload is not None:
        where = (*path, "unload")
        yield from check_letters(where, stub.unload, known)
        yield from check_every_letter(where, stub.unload, known)
        if limits:
            yield from check_limits(where, stub.unload, known)


def _material(job: JobFile, path: KeyPath, stub: StubTable) -> Iterator[UnlocatedDiagnostic]:
    """Check that modulus and strength are stated: neither is guessed."""
    own = {
        material.name: (k, material) for k, material in enumerate(job.material) if material.name is not None
    }
    yield from known_name((*path, "material"), stub.material, (*MATERIALS, *own), "material")
    if stub.material is None or stub.material not in (*MATERIALS, *own):
        return
    place, material = own.get(stub.material, (0, None))
    if material is not None and "modulus" not in keys_given(material):
        yield UnlocatedDiagnostic(
            ("material", place, "modulus"),
            "the key is missing",
            f"the modulus of {shown(material.name)}, of which a stub is made",
            'modulus = "70 GPa"',
            missing=True,
        )
    if "strength" not in keys_given(stub) and (material is None or "strength" not in keys_given(material)):
        yield UnlocatedDiagnostic(
            (*path, "strength"),
            "the key is missing",
            'the stress at which it breaks, such as strength = "310 MPa"',
            f"it depends on the alloy and its temper; no strength of {shown(stub.material)} is known here",
            missing=True,
        )


def _gripper(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    stubs = [stub for stub in (job.stub, *(nest.stub for nest in job.nest)) if stub is not None]
    for place, solid in enumerate(job.solid):
        if solid.on == GRIPPER and not any("unload" in keys_given(stub) for stub in stubs):
            yield UnlocatedDiagnostic(
                ("solid", place, "on"),
                f"{shown(GRIPPER)}, and no unloading pose",
                "unload = { A = 0, C = 0 } in [stub], which says when it is there",
            )


def _coated(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    for place, feature in enumerate(job.feature):
        path: KeyPath = ("feature", place)
        given = keys_given(feature)
        if "coated" in given and "size" not in given:
            yield UnlocatedDiagnostic((*path, "coated"), "coated without a size", "size beside it")
        elif "coated" in given and "coating" not in keys_given(job):
            yield UnlocatedDiagnostic(
                (*path, "coated"),
                "coated, and the job has no coating",
                'coating = "0.012 mm" at the top of the job',
            )
        elif {"size"} <= given and "coated" not in given and "coating" in keys_given(job):
            yield UnlocatedDiagnostic(
                (*path, "coated"),
                "the key is missing",
                f"{one_of(['inside', 'outside', 'one face', 'no'])}, beside size where the job has a coating",
                missing=True,
            )
        if None in (feature.size, job.coating, job.coating_outward) or feature.coated not in (
            "outside",
            "one face",
        ):
            continue
        assert feature.size is not None
        assert job.coating is not None
        assert job.coating_outward is not None
        grown_mm = job.coating * job.coating_outward * (2.0 if feature.coated == "outside" else 1.0)
        if job.units is not None and job.units.to_mm(feature.size) <= grown_mm:
            yield UnlocatedDiagnostic(
                (*path, "size"),
                shown(feature.size),
                f"more than the coating's own {job.units.from_mm(grown_mm):.6g}",
            )


TARGETS = ("face", "edge", "bore", "boss")
"""The keys of what is touched."""

_TOGETHER = "a face, and with it two edges, a bore or a boss"
_SAME_PLANE = 1e-6


def targets_given(table: NestProbingTable) -> frozenset[str]:
    """The targets that a table names."""
    return keys_given(table) & frozenset(TARGETS if table.edge else {*TARGETS} - {"edge"})


def clocking_edge(table: NestProbingTable) -> EdgeTable | None:
    """The edge whose two points give the clocking."""
    return next((edge for edge in table.edge if edge.at is not None and len(edge.at) > 1), None)


def probing_in_nest(whole: ZeroProbingTable | None, own: NestProbingTable | None) -> ZeroProbingTable | None:
    """Probing of one nest's part: by its own targets and limits where it has any, else by the job's."""
    if own is None:
        return whole
    stated: dict[str, Any] = {
        key: getattr(own, key) for key in ("within", "clock_within") if getattr(own, key) is not None
    }
    if targets_given(own):
        stated |= {key: getattr(own, key) for key in TARGETS}
        if clocking_edge(own) is None:
            # The job's limit is for a clocking that is not measured here.
            stated |= {"clock_within": own.clock_within}
    return msgspec.structs.replace(whole or ZeroProbingTable(), **stated)


def check_probing(job: JobFile) -> Iterator[UnlocatedDiagnostic]:
    """Check the targets of a job and of each of its nests. The table may be partial."""
    if job.zero_probing is not None:
        yield from _targets(("zero_probing",), job.zero_probing)
    for place, nest in enumerate(job.nest):
        if nest.zero_probing is not None:
            yield from _targets(("nest", place, "zero_probing"), nest.zero_probing)


def _targets(path: KeyPath, table: NestProbingTable) -> Iterator[UnlocatedDiagnostic]:
    given = targets_given(table)
    if not given:
        return
    rounds = sorted(given & {"bore", "boss"})
    if len(rounds) > 1:
        yield UnlocatedDiagnostic((*path, "boss"), "bore and boss both", "one of the two")
    if "face" not in given:
        yield UnlocatedDiagnostic((*path, "face"), "the key is missing", _TOGETHER, missing=True)
    if not rounds and len(table.edge) < 2:
        found = "one edge" if table.edge else "no edge, bore or boss"
        yield UnlocatedDiagnostic((*path, "edge"), found, _TOGETHER, missing=not table.edge)
    if rounds and len(table.edge) > 1:
        allowed = "no edge, or one of two points for the clocking"
        yield UnlocatedDiagnostic((*path, "edge"), f"two edges beside a {rounds[0]}", allowed)
    sides = [table.face.side if table.face is not None else None, *(edge.side for edge in table.edge)]
    axes = [side[1] for side in sides if side is not None]
    if rounds and sides[0] is not None and sides[0][1] != "Z":
        found = f"{shown(sides[0])} beside a {rounds[0]}, which gives X and Y already"
        yield UnlocatedDiagnostic((*path, "face", "side"), found, '"+Z" or "-Z"')
    elif len(set(axes)) < len(axes):
        found = ", ".join(shown(side) for side in sides if side is not None)
        yield UnlocatedDiagnostic(
            (*path, "edge"), f"sides {found}", "a side along X, one along Y and one along Z"
        )
    yield from _edges(path, table.edge, alone=bool(rounds))


def _edges(path: KeyPath, edges: tuple[EdgeTable, ...], *, alone: bool) -> Iterator[UnlocatedDiagnostic]:
    two = [place for place, edge in enumerate(edges) if edge.at is not None and len(edge.at) == 2]
    if len(two) == 2:
        found = "two points, as the edge before it has"
        yield UnlocatedDiagnostic((*path, "edge", two[1], "at"), found, "one edge with two points")
    if alone and edges and not two:
        found = "one point on an edge beside a bore or boss"
        yield UnlocatedDiagnostic((*path, "edge", 0, "at"), found, "two points, for the clocking; or no edge")
    for place in two:
        edge, here = edges[place], (*path, "edge", place)
        if edge.side is None or any(point is None for point in edge.at):
            continue
        if edge.side[1] == "Z":
            found = f"two points on {shown(edge.side)}, which show no clocking"
            yield UnlocatedDiagnostic((*here, "at"), found, "two points on a side along X or Y")
            continue
        across = AXIS_DIRECTIONS[edge.side]
        first, second = edge.at
        deep = sum(n * (b - a) for n, a, b in zip(across, first, second, strict=True))
        if abs(deep) > _SAME_PLANE:
            found = f"points that lie {abs(deep):.6g} apart along {edge.side[1]}"
            yield UnlocatedDiagnostic(
                (*here, "at"), found, f"two points at one {edge.side[1]}: one straight edge"
            )
        elif math.dist(first[:2], second[:2]) <= _SAME_PLANE:
            found = "two points above each other, which show no clocking"
            yield UnlocatedDiagnostic((*here, "at"), found, "two points apart along the edge")
