"""Text of a reach analysis: tables between what was not checked and what was taken as given."""

from __future__ import annotations

from kinematics.reach import Clearance, Margin, MoveClearance, RotaryMargin
from tiltwright.machine.sense import senses_words
from tiltwright.output.numbers import MASS_UNIT, TORQUE_UNIT, angle, length, mass, torque
from tiltwright.output.tables import table, units_words
from tiltwright.reach.analysis import OperationAnalysis, ReachAnalysis, UnloadingAnalysis
from tiltwright.reach.wording import (
    corner_words,
    move_angles,
    not_checked_sentences,
    shown_down,
    shown_up,
    taken_as_given,
    turn_words,
)

__all__ = ["moves_text", "reach_text", "unloading_text"]

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
