"""Reach where there are nests: each nest with the others in its way, and the index moves in the order of work."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

from kinematics.progress import counted
from kinematics.reach import CollisionModel, job_index_moves, scene_of, whole_body, with_unloading
from tiltwright.files.diagnostics import InputFaults, KeyPath, shown
from tiltwright.files.loader import fault_at
from tiltwright.job.evaluate import EvaluatedNests
from tiltwright.job.nests_output import order_words, shown_name
from tiltwright.output.tables import wrapped
from tiltwright.reach.analysis import ReachAnalysis, analyse_reach
from tiltwright.reach.collision_model import own_solids
from tiltwright.reach.report import reach_report
from tiltwright.reach.text import moves_text, reach_text
from tiltwright.reach.wording import failure_sentences

if TYPE_CHECKING:
    import manifold3d

__all__ = [
    "NestsReach",
    "analyse_nests",
    "check_apart",
    "nests_failures",
    "nests_reach_report",
    "nests_reach_text",
]


@dataclass(frozen=True, eq=False)
class NestsReach:
    """Reach analysis of every nest.

    Attributes
    ----------
    evaluated : EvaluatedNests
    nests : tuple of ReachAnalysis
        Of each nest, the others in its way; without index moves.
    moves : ReachAnalysis
        The index moves of all nests in the order of work; without operations.
    """

    evaluated: EvaluatedNests
    nests: tuple[ReachAnalysis, ...]
    moves: ReachAnalysis


def analyse_nests(
    evaluated: EvaluatedNests, clear_mm: float | None, margin_mm: float, *, moves_too: bool = True
) -> NestsReach:
    """Reach analysis of every nest of a job, with the index moves from one operation to the next over all nests.

    Parameters
    ----------
    evaluated, clear_mm, margin_mm, moves_too
        As `analyse_reach` takes them.

    Raises
    ------
    InputFaults
        When two nests stand in one place, or a solid, tool or sweep is not possible.
    """
    check_apart(evaluated)
    found = [
        analyse_reach(nest, clear_mm, margin_mm, moves_too=False)
        for nest in counted(evaluated.nests, "nests")
    ]
    first = found[0]
    moves = replace(first, operations=(), moves=None, loads=(), unloading=None)
    if moves_too:
        model = _in_order(evaluated, found)
        scene = scene_of(model)
        job_model = replace(first.job_model, model=model)
        moves = replace(moves, job_model=job_model, scene=scene, moves=job_index_moves(model, scene))
        found = [replace(one, moves=()) for one in found]
    return NestsReach(evaluated, tuple(found), moves)


def _in_order(evaluated: EvaluatedNests, found: list[ReachAnalysis]) -> CollisionModel:
    """The first nest's model with the operations of all nests, in the order of work and in its part's coordinates."""
    back = found[0].model.setup.part_in_machine.inverse()
    poses = {}
    for n, (nest, analysis) in enumerate(zip(evaluated.nests, found, strict=True)):
        there = back @ nest.setup.part_in_machine
        for one, pose in zip(nest.operations, analysis.model.operations, strict=True):
            name = shown_name(evaluated, n, one)
            poses[n, one.placed.name] = replace(pose, name=name, origin_mm=there.apply(pose.origin_mm))
    in_order = [poses[place] for place in evaluated.names_in_order() if place in poses]
    unloading = [
        replace(one.unloading.unloading, name=f"unloading of {evaluated.nest_words(n)}", gripper=())
        for n, one in enumerate(found)
        if one.unloading is not None
    ]
    return with_unloading(replace(found[0].model, operations=tuple(in_order)), unloading)


_OVERLAP_MM3 = 1.0
"""Solids of two nests that share more than a cubic millimetre cannot both be clamped."""


def check_apart(evaluated: EvaluatedNests) -> None:
    """Refuse nests, or jobs on one table, whose own steps or solids overlap.

    A thing that two jobs both describe, by the same name in the same place, is one thing.

    Raises
    ------
    InputFaults
        With the second of each such pair, and what of it is in the way; or with every solid that is not possible.
    """
    if len(evaluated.nests) < 2:
        return
    own = [
        [
            (solid.name, whole_body(solid.name, solid.shape).moved(frame).manifold)
            for solid, frame in own_solids(nest)
        ]
        for nest in evaluated.nests
    ]
    faults = []
    for a, b in combinations(range(len(own)), 2):
        one, two = evaluated.nests[a].job, evaluated.nests[b].job
        several = one.path != two.path
        pairs = ((x, y) for x in own[a] for y in own[b])
        hit = next(((x, y) for x, y in pairs if _overlap(x, y, several=several)), None)
        if hit is None:
            continue
        (first, _), (second, _) = hit
        own_nest = two.own_nest
        key: KeyPath = ("name",) if own_nest is None else ("nest", own_nest.place, "name")
        if not several:
            found = (
                f"{shown(two.nest)}, whose {shown(second)} overlaps {shown(first)} of nest {shown(one.nest)}"
            )
            allowed, tip = "a place of its own for each nest", "move one of them with `shift`"
            faults.append(fault_at(two, key, found, allowed, tip))
            continue
        place = f" of nest {shown(one.nest)}" if one.nest else ""
        found = f"{shown(two.file.name)}, whose {shown(second)} overlaps {shown(first)}{place} of {one.source.file}"
        tip = "move one of them with `shift`; what both stand on has one name and one place in both files"
        faults.append(fault_at(two, key, found, "a place of its own for each job on the table", tip))
    if faults:
        raise InputFaults(faults)


def _overlap(
    first: tuple[str, manifold3d.Manifold], second: tuple[str, manifold3d.Manifold], *, several: bool
) -> bool:
    """True where two solids share space, and are not one that two jobs both describe."""
    shared = (first[1] ^ second[1]).volume()
    if shared <= _OVERLAP_MM3:
        return False
    whole = max(first[1].volume(), second[1].volume())
    return not (several and first[0] == second[0] and shared > whole * (1.0 - _SAME_SOLID))


_SAME_SOLID = 1e-6


def nests_failures(reach: NestsReach, units: str) -> tuple[str, ...]:
    """Everything that fails, each in a sentence, the nest before it."""
    said = [
        f"{reach.evaluated.called(n)}: {words}"
        for n, one in enumerate(reach.nests)
        for words in failure_sentences(one, units)
    ]
    return (*said, *failure_sentences(reach.moves, units))


def nests_reach_text(reach: NestsReach, units: str) -> str:
    """The whole answer but the failures, nest by nest."""
    parts = [
        f"NEST {reach.evaluated.called(n)}\n\n{reach_text(one, units)}" for n, one in enumerate(reach.nests)
    ]
    if reach.moves.moves:
        parts.append(f"{wrapped(order_words(reach.evaluated.order))}\n\n{moves_text(reach.moves, units)}")
    return "\n\n".join(parts)


def nests_reach_report(reach: NestsReach, units: str) -> dict[str, Any]:
    """The whole answer as one JSON object, in the form of one job's: each operation has its nest."""
    reports = [reach_report(one, units) for one in reach.nests]
    moves = reach_report(reach.moves, units)
    names = [nest.nest for nest in reach.evaluated.nests]

    def joined(key: str) -> list[Any]:
        return [
            {**one, "nest": name} if isinstance(one, dict) else f"{name}: {one}"
            for name, report in zip(names, reports, strict=True)
            for one in report[key]
        ]

    return {
        **reports[0],
        "fits": moves["fits"] and all(report["fits"] for report in reports),
        "not_checked": joined("not_checked"),
        "against": [*joined("against"), *moves["against"]],
        "failures": [*joined("failures"), *({**one, "nest": None} for one in moves["failures"])],
        "operations": joined("operations"),
        "unloading": joined("unloading"),
        "unreached": joined("unreached"),
        "index_moves": moves["index_moves"],
        "load": joined("load"),
        "taken_as_given": list(
            dict.fromkeys(words for report in reports for words in report["taken_as_given"])
        ),
    }
