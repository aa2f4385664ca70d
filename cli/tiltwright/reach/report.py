"""Reach for other programs: one JSON object, full precision, lengths in the job's unit, the rest in SI."""

from __future__ import annotations

from typing import Any

from kinematics.reach import ClosestPair, IndexMove, Margin
from tiltwright.job.aim_wording import unreachable_text
from tiltwright.output.json_csv import by_letter, length_list
from tiltwright.output.numbers import UNIT_MM
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, RotaryLoad
from tiltwright.reach.text import against, taken_as_given

__all__ = ["reach_report"]


def reach_report(reached: ReachAnalysis, units: str) -> dict[str, Any]:
    """The whole answer.

    Lengths and readouts are in `units`, angles in degrees, masses in kg, torques in N m.
    """
    no = against(reached, units)
    mm = UNIT_MM[units]
    return {
        "schema": "tiltwright.reach/1",
        "job": reached.worked.job.file.name,
        "machine": reached.layout.machine.name,
        "units": units,
        "fits": not no,
        "against": list(no),
        "clear": reached.clear_mm / mm,
        "margin": reached.margin_mm / mm,
        "operations": [_operation(reached, stood, units) for stood in reached.operations],
        "unreached": [{"name": one.name, "why": unreachable_text(one)} for one in reached.worked.unreached],
        "index_moves": [_move(reached, move, units) for move in reached.moves],
        "load": [_load(reached, load, units) for load in reached.loads],
        "taken_as_given": list(taken_as_given(reached, units)),
    }


def _operation(reached: ReachAnalysis, stood: OperationAnalysis, units: str) -> dict[str, Any]:
    mm, machine, stand = UNIT_MM[units], reached.layout.machine, stood.stand
    near, lengths = stood.clearance.nearest, stood.lengths
    low, high = reached.layout.tips_mm(stand)
    return {
        "name": stand.name,
        "machine": by_letter(machine, stand.machine_deg),
        "tool": None if stand.tool is None else stand.tool.name,
        "tip": {
            "low": length_list(low, units),
            "high": length_list(high, units),
            "stated": stand.sweep.stated,
        },
        "linear": {margin.axis: _margin(margin, mm) for margin in stood.linear},
        "rotary": {
            margin.letter: {"to_low_deg": margin.to_low_deg, "to_high_deg": margin.to_high_deg}
            for margin in stood.rotary
        },
        "nearest": None
        if near is None or stood.place is None
        else {
            **_near(near, mm),
            "corner": dict(zip("XYZ", stood.place.corner, strict=True)),
            "at": {
                "cutting": length_list(stood.place.cutting_mm, units),
                "turning": length_list(stood.place.turning_mm, units),
            },
        },
        "too_near": [_near(one, mm) for one in stood.clearance.too_near],
        "too_near_on_the_way_up": [_near(one, mm) for one in stood.way_up.too_near] if stood.way_up else [],
        "tool_length": None
        if lengths is None or stand.tool is None
        else {
            "stated": stand.tool.length_mm / mm,
            "shortest": None if lengths.shortest_mm is None else lengths.shortest_mm / mm,
            "shortest_by": lengths.shortest_by,
            "longest": None if lengths.longest_mm is None else lengths.longest_mm / mm,
            "longest_by": lengths.longest_by,
        },
        "torque_Nm": {
            letter: {"gravity": torque.gravity_nm, "force": torque.force_nm}
            for letter, torque in zip(machine.letters, stood.torques, strict=True)
        },
    }


def _margin(margin: Margin, mm: float) -> dict[str, float]:
    return {
        "low": margin.low_mm / mm,
        "high": margin.high_mm / mm,
        "to_low": margin.to_low_mm / mm,
        "to_high": margin.to_high_mm / mm,
    }


def _near(near: ClosestPair, mm: float) -> dict[str, Any]:
    return {
        "cutting": near.cutting,
        "turning": near.turning,
        "distance": near.gap_mm / mm,
        "true_at_most": (near.gap_mm + near.over_mm) / mm if near.gap_mm > 0.0 else None,
    }


def _move(reached: ReachAnalysis, move: IndexMove, units: str) -> dict[str, Any]:
    mm = UNIT_MM[units]
    return {
        "from": move.start,
        "to": move.end,
        "fits": reached.move_fits(move),
        "at_least": move.at_least_mm / mm,
        "seen": move.seen_mm / mm,
        "cutting": move.cutting,
        "turning": move.turning,
        "machine": by_letter(reached.layout.machine, move.machine_deg),
    }


def _load(reached: ReachAnalysis, load: RotaryLoad, units: str) -> dict[str, Any]:
    return {
        "letter": load.letter,
        "mass_kg": load.carried.mass_kg,
        "centre": length_list(load.carried.centre_mm, units),
        "mass_not_known": list(load.carried.unknown),
        "capacity_kg": load.capacity_kg,
        "worst_gravity_Nm": load.worst.torque_nm,
        "worst_machine": by_letter(reached.layout.machine, load.worst.machine_deg),
        "holding_Nm": load.holding_nm,
    }
