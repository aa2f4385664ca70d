"""Checks on how a job says that its parts' zeros are probed: which targets go together, and what they can tell."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import msgspec

from tiltwright.files.diagnostics import KeyPath, UnlocatedDiagnostic, shown
from tiltwright.files.job_file import JobFile
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.probing_tables import EdgeTable, NestProbingTable, ZeroProbingTable
from tiltwright.files.schema_types import keys_given

__all__ = ["TARGETS", "check_probing", "clocking_edge", "probing_in_nest", "targets_given"]

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
    """How one nest's part is probed: by its own targets and limits where it has any, else by the job's."""
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
