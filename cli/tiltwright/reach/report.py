"""Reach for other programs: one JSON object, full precision, lengths in the job's unit, the rest in SI."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from kinematics.reach import Clearance, ClosestPair, IndexMove, Margin, MoveClearance, OperationPose
from tiltwright.job.message_wording import unreachable_text
from tiltwright.job.own_zero import correction_report
from tiltwright.output.json_csv import by_letter, length_list
from tiltwright.output.numbers import UNIT_MM
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, RotaryLoad, UnloadingAnalysis
from tiltwright.reach.messages import NotChecked, failures, not_checked
from tiltwright.reach.wording import failure_words, not_checked_words, taken_as_given

__all__ = ["index_move_report", "not_checked_report", "reach_report", "unloading_report"]


def reach_report(analysis: ReachAnalysis, units: str) -> dict[str, Any]:
    """The whole answer as one JSON object.

    Lengths and readouts are in `units`, angles in degrees, masses in kg, torques in N m.
    """
    no = []
    for one in failures(analysis):
        words = failure_words(one, analysis, units)
        no.append((one, words if one.operation is None else f"{one.operation}: {words}"))
    mm = UNIT_MM[units]
    return {
        "schema": "tiltwright.reach/1",
        "job": analysis.evaluated.job.file.name,
        "machine": analysis.model.machine.name,
        "units": units,
        "correction": correction_report([analysis.evaluated]),
        "fits": not no,
        "not_checked": not_checked_report(not_checked(analysis)),
        "against": [words for _, words in no],
        "failures": [{"kind": one.kind, "operation": one.operation, "words": words} for one, words in no],
        "clear": analysis.clear_mm / mm,
        "margin": analysis.margin_mm / mm,
        "operations": [_operation(analysis, operation, units) for operation in analysis.operations],
        "unloading": []
        if analysis.unloading is None
        else [unloading_report(analysis, analysis.unloading, mm)],
        "unreached": [
            {"name": one.name, "why": unreachable_text(one)} for one in analysis.evaluated.unreached
        ],
        "index_moves": [index_move_report(analysis, move, units) for move in analysis.moves or ()],
        "load": [_load(analysis, load, units) for load in analysis.loads],
        "taken_as_given": list(taken_as_given(analysis, units)),
    }


def not_checked_report(found: Iterable[NotChecked]) -> list[dict[str, Any]]:
    """Everything that was not checked, for JSON."""
    return [{"kind": one.kind, "names": list(one.names), "words": not_checked_words(one)} for one in found]


def _operation(analysis: ReachAnalysis, operation: OperationAnalysis, units: str) -> dict[str, Any]:
    mm, machine, pose = UNIT_MM[units], analysis.model.machine, operation.pose
    near, lengths = operation.clearance.nearest, operation.lengths
    low, high = analysis.model.tips_mm(pose)
    return {
        "name": pose.name,
        "machine": by_letter(machine, pose.machine_deg),
        "tool": None if pose.tool is None else pose.tool.name,
        "tip": {
            "low": length_list(low, units),
            "high": length_list(high, units),
            "stated": pose.sweep.stated,
        },
        "linear": {margin.axis: _margin(margin, mm) for margin in operation.linear},
        "rotary": {
            margin.letter: {"to_low_deg": margin.to_low_deg, "to_high_deg": margin.to_high_deg}
            for margin in operation.rotary
        },
        "nearest": None
        if near is None or operation.witness is None
        else {
            **_pair(near, mm),
            "corner": dict(zip("XYZ", operation.witness.corner, strict=True)),
            "at": {
                "cutting": length_list(operation.witness.body_mm, units),
                "turning": length_list(operation.witness.obstacle_mm, units),
            },
        },
        "too_near": [_pair(one, mm) for one in operation.clearance.too_close],
        "too_near_on_the_way_up": [_pair(one, mm) for one in operation.retraction.too_close]
        if operation.retraction
        else [],
        **_table(operation.table, mm),
        "tool_length": None
        if lengths is None or pose.tool is None
        else {
            "stated": pose.tool.length_mm / mm,
            "shortest": None if lengths.shortest_mm is None else lengths.shortest_mm / mm,
            "shortest_by": lengths.shortest_limit,
            "longest": None if lengths.longest_mm is None else lengths.longest_mm / mm,
            "longest_by": lengths.longest_limit,
        },
        "torque_Nm": {
            letter: {"gravity": torque.gravity_nm, "force": torque.force_nm}
            for letter, torque in zip(machine.letters, operation.torques, strict=True)
        },
    }


def unloading_report(analysis: ReachAnalysis, found: UnloadingAnalysis, mm: float) -> dict[str, Any]:
    """The unloading pose for JSON, lengths in a unit of so many millimetres."""
    gripper = found.gripper
    pairs = () if gripper is None else (gripper.nearest, *gripper.too_close)
    nearest, *too_close = [
        None if pair is None else {"gripper": pair.body, "obstacle": pair.obstacle, **_distance(pair, mm)}
        for pair in pairs
    ] or [None]
    return {
        "machine": by_letter(analysis.model.machine, found.unloading.machine_deg),
        "gripper_stated": gripper is not None,
        "gripper_nearest": nearest,
        "gripper_too_near": too_close,
        **_table(found.table, mm),
    }


def _margin(margin: Margin, mm: float) -> dict[str, float]:
    return {
        "low": margin.low_mm / mm,
        "high": margin.high_mm / mm,
        "to_low": margin.to_low_mm / mm,
        "to_high": margin.to_high_mm / mm,
    }


def _pair(pair: ClosestPair, mm: float) -> dict[str, Any]:
    return {"cutting": pair.body, "turning": pair.obstacle, **_distance(pair, mm)}


def _distance(pair: ClosestPair, mm: float) -> dict[str, float | None]:
    return {
        "distance": pair.gap_mm / mm,
        "true_at_most": (pair.gap_mm + pair.facet_error_mm) / mm if pair.gap_mm > 0.0 else None,
    }


def _table(clearance: Clearance, mm: float) -> dict[str, Any]:
    """Distances between what turns and what stands."""
    nearest, too_close = (
        [
            {"turning": pair.body, "standing": pair.obstacle, **_distance(pair, mm)}
            for pair in pairs
            if pair is not None
        ]
        for pairs in ((clearance.nearest,), clearance.too_close)
    )
    return {"table_nearest": nearest[0] if nearest else None, "table_too_near": too_close}


def index_move_report(analysis: ReachAnalysis, move: IndexMove, units: str) -> dict[str, Any]:
    """One way of an index move for JSON."""
    tool, table = move.tool, move.table
    return {
        "from": _name(move.start),
        "to": _name(move.end),
        "from_start": move.start is None,
        "to_start": move.end is None,
        "turn": by_letter(analysis.model.machine, move.turn_deg),
        "ways": move.ways,
        "fits": analysis.move_fits(move),
        "cutting": None if tool is None else tool.body,
        "turning": None if tool is None else tool.obstacle,
        **_smallest(analysis, tool, units),
        "table": None
        if table is None
        else {"turning": table.body, "standing": table.obstacle, **_smallest(analysis, table, units)},
    }


def _name(operation: OperationPose | None) -> str:
    return "start" if operation is None else operation.name


def _smallest(analysis: ReachAnalysis, found: MoveClearance | None, units: str) -> dict[str, Any]:
    if found is None:
        return dict.fromkeys(("at_least", "seen", "true_at_most", "settled", "machine"))
    mm = UNIT_MM[units]
    return {
        "at_least": found.at_least_mm / mm,
        "seen": found.seen_mm / mm,
        "true_at_most": (found.at_least_mm + found.shortfall_mm) / mm if found.seen_mm > 0.0 else None,
        "settled": found.settled,
        "machine": by_letter(analysis.model.machine, found.machine_deg),
    }


def _load(analysis: ReachAnalysis, load: RotaryLoad, units: str) -> dict[str, Any]:
    return {
        "letter": load.letter,
        "mass_kg": load.carried.mass_kg,
        "centre": length_list(load.carried.centre_mm, units),
        "mass_not_known": list(load.carried.unknown),
        "capacity_kg": load.capacity_kg,
        "worst_gravity_Nm": load.worst.torque_nm,
        "worst_machine": by_letter(analysis.model.machine, load.worst.machine_deg),
        "holding_Nm": load.holding_nm,
    }
