"""A reach analysis as text and, in full precision, as one JSON object: lengths in the job's unit, the rest in SI."""

from __future__ import annotations

from typing import Any

from kinematics.reach import (
    Clearance,
    ClosestPair,
    IndexMove,
    Margin,
    MoveClearance,
    OperationPose,
    RotaryMargin,
)
from tiltwright.job.message_wording import unreachable_text
from tiltwright.job.own_zero import correction_report
from tiltwright.machine.sense import senses_words
from tiltwright.output.json_csv import by_letter, length_list
from tiltwright.output.numbers import MASS_UNIT, TORQUE_UNIT, UNIT_MM, angle, length, mass, torque
from tiltwright.output.tables import table, units_words
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, RotaryLoad, UnloadingAnalysis
from tiltwright.reach.messages import failures, not_checked
from tiltwright.reach.wording import (
    corner_words,
    failure_words,
    move_angles,
    not_checked_sentences,
    not_checked_words,
    shown_down,
    shown_up,
    taken_as_given,
    turn_words,
)

__all__ = [
    "index_move_report",
    "moves_text",
    "reach_report",
    "reach_text",
    "unloading_report",
    "unloading_text",
]

_NO_TORQUE_NM = 1e-6
_LENGTH_LIMITS = {
    "travel": "Z travel",
    "work": "the work",
    "holder": "its holder",
    "none": "",
    "clearance": "distance to keep",
}


def reach_text(analysis: ReachAnalysis, units: str) -> str:
    """The whole answer but the failures: what was not checked comes first."""
    name, machine = analysis.evaluated.job.file.name, analysis.model.machine.name
    parts = [
        f"{name}: reach in {units_words(units)} and degrees, on {machine}",
        f"Left to the ends of travel and the limits (lower / upper end)\n\n{_margins(analysis, units)}",
        f"Closest of tool, holder and spindle to what is in the way, over the whole sweep\n\n{_tools(analysis, units)}",
    ]
    turning = _turning(analysis, units)
    if turning:
        parts.append(f"Closest of what turns to what stands beside it\n\n{turning}")
    if analysis.unloading is not None:
        parts.append(unloading_text(analysis, analysis.unloading, units))
    if analysis.moves:
        parts.append(moves_text(analysis, units))
    parts.append(f"Load\n\n{_loads(analysis, units)}")
    given = "\n".join(f"- {words}" for words in taken_as_given(analysis, units))
    parts.append(f"Taken as given\n\n{given}")
    missing = not_checked_sentences(analysis)
    return "\n\n".join(["\n".join(missing), *parts] if missing else parts)


def _margins(analysis: ReachAnalysis, units: str) -> str:
    head = ["operation", "X", "Y", "Z", *analysis.model.machine.letters]
    rows = []
    for operation in analysis.operations:
        linear = {margin.axis: _left(margin, units) for margin in operation.linear}
        rows.append(
            [
                operation.pose.name,
                *(linear.get(axis, "not known") for axis in "XYZ"),
                *(_left_deg(margin) for margin in operation.rotary),
            ]
        )
    return table(head, rows)


def _left(margin: Margin, units: str) -> str:
    return f"{_travel_left(margin.to_low_mm, units)} / {_travel_left(margin.to_high_mm, units)}"


def _travel_left(left_mm: float, units: str) -> str:
    """Travel left as sheet and page round it, or by how much it falls short, which never shows as nothing."""
    return length(left_mm, units) if left_mm >= 0.0 else shown_down(left_mm, units)


def _left_deg(margin: RotaryMargin) -> str:
    if margin.to_low_deg is None or margin.to_high_deg is None:
        return "endless"
    return f"{angle(margin.to_low_deg)} / {angle(margin.to_high_deg)}"


def _tools(analysis: ReachAnalysis, units: str) -> str:
    rows = []
    for operation in analysis.operations:
        tool = operation.pose.tool
        rows.append(
            [
                operation.pose.name,
                "not known" if tool is None else tool.name,
                "not checked" if tool is None else _pair(operation.clearance),
                corner_words(operation),
                _gap(operation.clearance, units),
                "" if tool is None else length(tool.length_mm, units),
                _shortest(operation, units),
                _longest(operation, units),
            ]
        )
    head = ["operation", "tool", "closest pair", "where", "gap", "tool length", "shortest", "longest"]
    return table(head, rows, left=4)


def _pair(clearance: Clearance) -> str:
    pair = clearance.nearest
    return f"{pair.body} to {pair.obstacle}" if pair else "nothing"


def _gap(clearance: Clearance, units: str) -> str:
    return shown_down(clearance.nearest.gap_mm, units) if clearance.nearest else ""


def _shortest(operation: OperationAnalysis, units: str) -> str:
    lengths = operation.lengths
    if lengths is None:
        return ""
    if lengths.shortest_mm is None:
        return "none clears" if lengths.shortest_limit == "clearance" else "none fits"
    return shown_up(lengths.shortest_mm, units) + _by(lengths.shortest_limit)


def _longest(operation: OperationAnalysis, units: str) -> str:
    lengths = operation.lengths
    if lengths is None or lengths.longest_mm is None:
        return ""
    return shown_down(lengths.longest_mm, units) + _by(lengths.longest_limit)


def _by(limit: str) -> str:
    words = _LENGTH_LIMITS[limit]
    return f" ({words})" if words else ""


def _turning(analysis: ReachAnalysis, units: str) -> str:
    rows = [
        [operation.pose.name, _pair(operation.table), _gap(operation.table, units)]
        for operation in analysis.operations
        if operation.table.nearest is not None
    ]
    return table(["operation", "closest pair", "gap"], rows, left=2) if rows else ""


def unloading_text(analysis: ReachAnalysis, found: UnloadingAnalysis, units: str) -> str:
    """The closest pairs at the unloading pose."""
    letters = analysis.model.machine.letters
    angles = zip(letters, found.unloading.machine_deg.tolist(), strict=True)
    rows = [["gripper", "not stated" if found.gripper is None else _pair(found.gripper), ""]]
    if found.gripper is not None:
        rows[0][2] = _gap(found.gripper, units)
    if found.table.nearest is not None:
        rows.append(["what turns", _pair(found.table), _gap(found.table, units)])
    pose = ", ".join(f"{letter} {angle(value)}" for letter, value in angles)
    closest = table(["", "closest pair", "gap"], rows, left=2)
    return f"Unloading, at machine angles {pose}, spindle retracted\n\n{closest}"


def moves_text(analysis: ReachAnalysis, units: str) -> str:
    """The index moves and the smallest gaps on them."""
    letters = analysis.model.machine.letters
    rows = []
    for move in analysis.moves or ():
        start, end = ("(start)" if one is None else one.name for one in (move.start, move.end))
        ends = [start, end, turn_words(move, letters)]
        rows += [[*ends, *_smallest(analysis, one, units)] for one in move.clearances] or [
            [*ends, "nothing near", "", *("" for _ in letters)]
        ]
    head = [
        "from",
        "to",
        "turns by",
        "closest pair",
        "smallest gap",
        *(f"at machine {letter}" for letter in letters),
    ]
    ways = senses_words(analysis.model.machine)
    return f"Index moves, spindle retracted\nThe table turns: {ways}\n\n{table(head, rows, left=4)}"


def _smallest(analysis: ReachAnalysis, clearance: MoveClearance, units: str) -> list[str]:
    return [
        f"{clearance.body} to {clearance.obstacle}",
        shown_down(clearance.at_least_mm, units),
        *move_angles(analysis, clearance),
    ]


def _loads(analysis: ReachAnalysis, units: str) -> str:
    rows = []
    for k, load in enumerate(analysis.loads):
        worst = max(analysis.operations, key=lambda one: one.torques[k].total_nm, default=None)
        at_worst = None if worst is None else worst.torques[k]
        rows.append(
            [
                load.letter,
                mass(load.carried.mass_kg, units),
                "not stated" if load.capacity_kg is None else mass(load.capacity_kg, units),
                torque(load.worst.torque_nm, units),
                angle(float(load.worst.machine_deg[k])) if load.worst.torque_nm > _NO_TORQUE_NM else "",
                "" if worst is None else worst.pose.name,
                "" if at_worst is None else torque(at_worst.gravity_nm, units),
                "" if at_worst is None else torque(at_worst.force_nm, units),
                "not stated" if load.holding_nm is None else torque(load.holding_nm, units),
            ]
        )
    m, t = MASS_UNIT[units], TORQUE_UNIT[units]
    head = [
        "rotary",
        f"carries {m}",
        "capacity",
        f"worst gravity {t}",
        "at machine angle",
        "worst operation",
        "its gravity",
        "its cut",
        "holding torque",
    ]
    return table(head, rows)


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
        "not_checked": [
            {"kind": one.kind, "names": list(one.names), "words": not_checked_words(one)}
            for one in not_checked(analysis)
        ],
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
            **_pair_report(near, mm),
            "corner": dict(zip("XYZ", operation.witness.corner, strict=True)),
            "at": {
                "cutting": length_list(operation.witness.body_mm, units),
                "turning": length_list(operation.witness.obstacle_mm, units),
            },
        },
        "too_near": [_pair_report(one, mm) for one in operation.clearance.too_close],
        "too_near_on_the_way_up": [_pair_report(one, mm) for one in operation.retraction.too_close]
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


def _pair_report(pair: ClosestPair, mm: float) -> dict[str, Any]:
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
        **_smallest_report(analysis, tool, units),
        "table": None
        if table is None
        else {"turning": table.body, "standing": table.obstacle, **_smallest_report(analysis, table, units)},
    }


def _name(operation: OperationPose | None) -> str:
    return "start" if operation is None else operation.name


def _smallest_report(analysis: ReachAnalysis, found: MoveClearance | None, units: str) -> dict[str, Any]:
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
