"""A job's stub: stress and movement at every operation, the force that breaks it, and the unloading pose; text and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from kinematics import table_pose
from kinematics.batch import Stub, breaking_force_n, worst_stub_load
from kinematics.reach import (
    IndexMove,
    Section,
    box_corners,
    cutting_box_mm,
    job_index_moves,
    scene_of,
    with_unloading,
)
from tiltwright.files.batch_tables import StubTable
from tiltwright.files.diagnostics import InputFaults, sanitized
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.solid_tables import MATERIALS
from tiltwright.job.evaluate import EvaluatedNests
from tiltwright.job.own_zero import correction_report
from tiltwright.output.messages import name_list
from tiltwright.output.numbers import (
    FORCE_UNIT,
    STRESS_UNIT,
    UNIT_MM,
    force,
    length,
    stress,
)
from tiltwright.output.tables import table, units_words, wrapped
from tiltwright.reach.analysis import ReachAnalysis, analyse_unloading, stated_clear_mm
from tiltwright.reach.collision_model import build_collision_model
from tiltwright.reach.messages import assumptions, not_checked
from tiltwright.reach.report import index_move_report, unloading_report
from tiltwright.reach.text import moves_text, unloading_text
from tiltwright.reach.wording import assumption_words, failure_sentences, not_checked_words

__all__ = ["NestStub", "StubCut", "StubStudy", "stub_failures", "stub_report", "stub_study", "stub_text"]


@dataclass(frozen=True)
class StubCut:
    """Effect of an operation's cutting force on the stub.

    Attributes
    ----------
    name : str
    force_n : float or None
        None where the operation states none; then nothing else is known.
    stress_mpa, moved_mm : float or None
        Largest, over all directions of the force and all places where the tip can cut.
    """

    name: str
    force_n: float | None
    stress_mpa: float | None = None
    moved_mm: float | None = None


@dataclass(frozen=True, eq=False)
class NestStub:
    """Stub of a nest, or of a job without nests.

    Attributes
    ----------
    nest : str
        Empty without nests.
    table : StubTable
    stub : Stub
    cuts : tuple of StubCut
    grip_mm, breaking_n, arm_n : float or None
        Height of the gripper above the stub's head, the force there that breaks it, and the arm's; as far as stated.
    reach : ReachAnalysis
        The unloading pose alone, with the index moves there and back.
    """

    nest: str
    table: StubTable
    stub: Stub
    cuts: tuple[StubCut, ...]
    grip_mm: float | None
    breaking_n: float | None
    arm_n: float | None
    reach: ReachAnalysis

    def holds(self, cut: StubCut) -> bool | None:
        """True where the stub holds at an operation; None where that is not known."""
        return None if cut.stress_mpa is None else cut.stress_mpa < self.stub.strength_mpa

    @property
    def breaks_off(self) -> bool | None:
        """True where the arm breaks it; None where its force or height is not stated."""
        if self.arm_n is None or self.breaking_n is None:
            return None
        return self.arm_n >= self.breaking_n


@dataclass(frozen=True, eq=False)
class StubStudy:
    """Stubs of a job.

    Attributes
    ----------
    evaluated : EvaluatedNests
    nests : tuple of NestStub
        Those that have one.
    without : tuple of str
        Nests that have none.
    """

    evaluated: EvaluatedNests
    nests: tuple[NestStub, ...]
    without: tuple[str, ...]


def stub_study(job: ReadJob, evaluated: EvaluatedNests) -> StubStudy:
    """Study of a job's stubs.

    Parameters
    ----------
    job : ReadJob
    evaluated : EvaluatedNests
        The same, with its order of work: the arm comes after the last operation.

    Raises
    ------
    InputFaults
        When the job has no stub, or a solid, tool or sweep is not possible.
    """
    found, without = [], []
    for place, nest in enumerate(evaluated.nests):
        if nest.job.file.stub is None:
            without.append(evaluated.called(place))
            continue
        found.append(_nest_stub(evaluated, place, nest.job, nest.job.file.stub))
    if not found:
        allowed = "[stub] with its section, length, head, material and strength"
        raise InputFaults([fault_at(job, ("stub",), "a job without a stub", allowed, missing=True)])
    return StubStudy(evaluated, tuple(found), tuple(without))


def _stub_of(job: ReadJob, table: StubTable) -> Stub:
    to_mm = job.unit.to_mm
    if table.round is not None:
        section = Section(diameter_mm=to_mm(table.round), bore_mm=to_mm(table.bore or 0.0))
    else:
        assert table.bar is not None  # the file's checks refuse a stub without a section
        section = Section(edges_mm=(to_mm(table.bar[0]), to_mm(table.bar[1])))
    own = next((one for one in job.file.material if one.name == table.material), None)
    modulus = MATERIALS[table.material][1] if own is None else own.modulus
    strength = table.strength if table.strength is not None or own is None else own.strength
    assert modulus is not None
    assert strength is not None
    return Stub(section, to_mm(table.length), modulus, strength)


def _nest_stub(evaluated: EvaluatedNests, place: int, job: ReadJob, table: StubTable) -> NestStub:
    nest = evaluated.nests[place]
    stub = _stub_of(job, table)
    job_model = build_collision_model(nest)
    model = job_model.model
    scene = scene_of(model)
    head_mm = np.array([job.unit.to_mm(one) for one in table.head])
    cuts = []
    for one in model.operations:
        if one.force_n is None:
            cuts.append(StubCut(one.name, None))
            continue
        corners = box_corners(*cutting_box_mm(model, one, scene))
        in_part = (table_pose(model.machine, one.machine_deg) @ model.setup.part_in_machine).inverse()
        # Stress and movement grow with the lever, so the largest over the box is at one of its corners.
        worst, moved = worst_stub_load(stub, one.force_n, in_part.apply(corners) - head_mm)
        cuts.append(StubCut(one.name, one.force_n, float(worst.max()), float(moved.max())))
    grip_mm = None if table.grip is None else job.unit.to_mm(table.grip)
    clear_mm = stated_clear_mm(nest)
    unloading = analyse_unloading(job_model, scene, clear_mm)
    moves: tuple[IndexMove, ...] = ()
    if unloading is not None:
        last = _last_in_order(evaluated, place)
        there = replace(model, operations=tuple(one for one in model.operations if one.name == last))
        ways = job_index_moves(with_unloading(there, [unloading.unloading]), scene)
        moves = tuple(one for one in ways if one.start is not None or not there.operations)
    reach = ReachAnalysis(job_model, scene, (), moves, (), clear_mm, 0.0, unloading)
    return NestStub(
        evaluated.called(place),
        table,
        stub,
        tuple(cuts),
        grip_mm,
        None if grip_mm is None else breaking_force_n(stub, grip_mm),
        table.arm,
        reach,
    )


def _last_in_order(evaluated: EvaluatedNests, place: int) -> str | None:
    """The nest's last operation in the order of work."""
    mine = [name for nest, name in evaluated.names_in_order() if nest == place]
    return mine[-1] if mine else None


def stub_failures(study: StubStudy, units: str) -> tuple[str, ...]:
    """Everything that does not hold, break off or clear, each in a sentence."""
    found = []
    for one in study.nests:
        before = f"{one.nest}: " if one.nest else ""
        symbol = STRESS_UNIT[units]
        found += [
            f"{before}{cut.name}: the cutting force puts up to {stress(cut.stress_mpa or 0.0, units)} {symbol} on the stub, which "
            f"breaks at {stress(one.stub.strength_mpa, units)}"
            for cut in one.cuts
            if one.holds(cut) is False
        ]
        if one.breaks_off is False and one.arm_n is not None and one.breaking_n is not None:
            found.append(
                f"{before}the arm puts {force(one.arm_n, units)} {FORCE_UNIT[units]} on the part, and it takes "
                f"{force(one.breaking_n, units)} to break the stub"
            )
        found += [f"{before}{words}" for words in failure_sentences(one.reach, units)]
    return tuple(found)


def stub_text(study: StubStudy, units: str) -> str:
    """The study for a terminal: what was not checked first."""
    name = sanitized(study.evaluated.nests[0].job.file.name)
    head = f"{name}: the stub in {units_words(units)}, on {study.evaluated.nests[0].setup.machine.name}"
    blocks = [*_not_checked(study), head]
    text = "\n".join(blocks[:-1] + [""] * bool(blocks[:-1]) + blocks[-1:])
    return "\n\n".join(
        [text, *(block for one in study.nests for block in _blocks(one, units)), _given(study, units)]
    )


def _not_checked(study: StubStudy) -> list[str]:
    found = []
    if study.without:
        found.append(f"NOT CHECKED: {name_list(study.without, 'and')}; no stub is stated there")
    for one in study.nests:
        before = f"{one.nest}, " if one.nest else ""
        silent = [cut.name for cut in one.cuts if cut.force_n is None]
        if silent:
            found.append(f"NOT CHECKED: {before}{name_list(silent, 'and')}; no cutting force is stated there")
        if one.grip_mm is None:
            found.append(f"NOT CHECKED: {before}the force that breaks it off; no `grip` is stated")
        elif one.arm_n is None:
            found.append(f"NOT CHECKED: {before}the arm's force; no `arm` is stated")
        if one.reach.unloading is None:
            found.append(f"NOT CHECKED: {before}the unloading pose; no `unload` is stated")
        else:
            items = not_checked(one.reach)
            found += [
                f"NOT CHECKED: {not_checked_words(item)}"
                for item in items
                if item.kind in ("gripper", "spindle", "index moves", "table", "section", "platter")
            ]
    return [wrapped(words) for words in dict.fromkeys(found)]


def _blocks(one: NestStub, units: str) -> Iterator[str]:
    if one.nest:
        yield f"NEST {sanitized(one.nest)}"
    yield wrapped(_stub_words(one, units))
    rows = []
    for cut in one.cuts:
        if cut.force_n is None or cut.stress_mpa is None or cut.moved_mm is None:
            rows.append([cut.name, "not stated", "", "", "", ""])
            continue
        rows.append(
            [
                cut.name,
                force(cut.force_n, units),
                stress(cut.stress_mpa, units),
                f"{100.0 * cut.stress_mpa / one.stub.strength_mpa:.0f} %",
                length(cut.moved_mm, units),
                "PASS" if one.holds(cut) else "FAIL",
            ]
        )
    columns = [
        "operation",
        f"force {FORCE_UNIT[units]}",
        f"stress {STRESS_UNIT[units]}",
        "of strength",
        f"tip moves {units}",
        "",
    ]
    yield table(columns, rows, align="lrrrrl")
    if one.breaking_n is not None and one.grip_mm is not None:
        yield wrapped(_breaking_words(one, units))
    if one.reach.unloading is not None:
        yield unloading_text(one.reach, one.reach.unloading, units)
        if one.reach.moves:
            yield moves_text(one.reach, units)


def _stub_words(one: NestStub, units: str) -> str:
    section = one.stub.section
    if section.edges_mm is not None:
        edges = " by ".join(length(edge, units) for edge in section.edges_mm)
        what = f"A bar of {edges}"
    else:
        bore = f" with a bore of {length(section.bore_mm, units)}" if section.bore_mm else ""
        what = f"A round of {length(section.diameter_mm or 0.0, units)}{bore}"
    return (
        f"{what}, {length(one.stub.length_mm, units)} long, of {sanitized(one.table.material)}: it breaks at "
        f"{stress(one.stub.strength_mpa, units)} {STRESS_UNIT[units]}, as stated."
    )


def _breaking_words(one: NestStub, units: str) -> str:
    assert one.breaking_n is not None
    assert one.grip_mm is not None
    edges = one.stub.section.edges_mm
    way = (
        ""
        if edges is None or edges[0] == edges[1]
        else f" along {'x' if edges[0] < edges[1] else 'y'} of the part"
    )
    words = (
        f"pushed{way} {length(one.grip_mm, units)} above its head, it breaks at {force(one.breaking_n, units)} "
        f"{FORCE_UNIT[units]}."
    )
    if one.arm_n is None:
        return words[0].upper() + words[1:]
    verdict = "PASS" if one.breaks_off else "FAIL"
    return f"{verdict}: {words} The arm has {force(one.arm_n, units)}."


_OF_UNLOADING = frozenset(
    {
        "stated solids",
        "facets",
        "order of arrival",
        "both ways",
        "half turn both ways",
        "short way",
        "as the numbers run",
        "arm",
        "spindle at unloading",
    }
)
"""Assumptions of reach that the unloading pose and its index moves rest on."""


def _given(study: StubStudy, units: str) -> str:
    lines = [_FIXED_WORDS, _FORCE_WORDS, _BREAKS_WORDS]
    for one in study.nests:
        if one.reach.unloading is not None:
            given = assumptions(one.reach)
            lines += [assumption_words(item, units) for item in given if item.kind in _OF_UNLOADING]
    return "Taken as given\n\n" + "\n".join(wrapped(words, "- ") for words in dict.fromkeys(lines))


_FIXED_WORDS = "The stub has its final section at every operation, and stands fixed at its foot; the part on it does not give."
_FORCE_WORDS = (
    "The cutting force acts in the worst direction, anywhere that the tip can be inside the blank; chatter, shock, notches "
    "and fatigue come on top."
)
_BREAKS_WORDS = (
    "It breaks at the stated strength as a straight beam would. A notch at its foot makes it break sooner, a tough material "
    "bends first: try one before the arm does."
)


def stub_report(study: StubStudy, units: str) -> dict[str, Any]:
    """The study for JSON: lengths in the stated unit, forces in N, stresses in MPa."""
    mm = UNIT_MM[units]
    failures = stub_failures(study, units)
    return {
        "schema": "tiltwright.batch-stub/1",
        "job": study.evaluated.nests[0].job.file.name,
        "units": units,
        "correction": correction_report(study.evaluated.nests),
        "holds": not failures,
        "not_checked": _not_checked(study),
        "failures": list(failures),
        "without_stub": list(study.without),
        "stubs": [
            {
                "nest": one.nest or None,
                "length": one.stub.length_mm / mm,
                "modulus_GPa": one.stub.modulus_gpa,
                "strength_MPa": one.stub.strength_mpa,
                "operations": [
                    {
                        "name": cut.name,
                        "force_N": cut.force_n,
                        "stress_MPa": cut.stress_mpa,
                        "moved": None if cut.moved_mm is None else cut.moved_mm / mm,
                        "holds": one.holds(cut),
                    }
                    for cut in one.cuts
                ],
                "grip": None if one.grip_mm is None else one.grip_mm / mm,
                "breaking_N": one.breaking_n,
                "arm_N": one.arm_n,
                "breaks_off": one.breaks_off,
                "unloading": None
                if one.reach.unloading is None
                else unloading_report(one.reach, one.reach.unloading, mm),
                "index_moves": [index_move_report(one.reach, move, units) for move in one.reach.moves or ()],
            }
            for one in study.nests
        ],
    }
