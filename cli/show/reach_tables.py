"""Reach for people at a terminal."""

from __future__ import annotations

from kinematics.reach import Margin, RotaryMargin
from tiltwright.reached import Reached, Stood
from tiltwright.show.amounts import MASS_UNIT, TORQUE_UNIT, mass, torque
from tiltwright.show.numbers import angle, length
from tiltwright.show.reach_words import corner_words, move_angles, taken_as_given
from tiltwright.show.tables import table, units_words

__all__ = ["reach_text"]

_NO_TORQUE_NM = 1e-6
_STOPPED_BY = {
    "travel": "Z travel",
    "work": "the work",
    "holder": "its holder",
    "none": "",
    "clearance": "a distance",
}


def reach_text(reached: Reached, units: str) -> str:
    """The whole answer but the verdict."""
    worked = reached.worked
    parts = [
        f"{worked.job.file.name}: reach in {units_words(units)} and degrees, on {reached.layout.machine.name}",
        f"What is left to the ends of travel and the limits (to the lower / to the upper end)\n\n{_margins(reached, units)}",
        f"Nearest of what cuts to what turns, over the whole sweep\n\n{_distances(reached, units)}",
    ]
    if reached.moves:
        parts.append(f"Index moves, spindle retracted\n\n{_moves(reached, units)}")
    parts.append(f"Load\n\n{_loads(reached, units)}")
    given = "\n".join(f"- {words}" for words in taken_as_given(reached, units))
    parts.append(f"Taken as given\n\n{given}")
    return "\n\n".join(parts)


def _margins(reached: Reached, units: str) -> str:
    letters = reached.layout.machine.letters
    head = ["operation", "X", "Y", "Z", *letters]
    rows = []
    for stood in reached.operations:
        linear = {margin.axis: _left(margin, units) for margin in stood.linear}
        rows.append(
            [
                stood.stand.name,
                *(linear.get(axis, "not known") for axis in "XYZ"),
                *(_left_deg(margin) for margin in stood.rotary),
            ]
        )
    return table(head, rows)


def _left(margin: Margin, units: str) -> str:
    return f"{length(margin.to_low_mm, units)} / {length(margin.to_high_mm, units)}"


def _left_deg(margin: RotaryMargin) -> str:
    if margin.to_low_deg is None or margin.to_high_deg is None:
        return "endless"
    return f"{angle(margin.to_low_deg)} / {angle(margin.to_high_deg)}"


def _distances(reached: Reached, units: str) -> str:
    rows = [
        [
            stood.stand.name,
            stood.stand.tool.name if stood.stand.tool else "not known",
            _pair(stood),
            corner_words(stood),
            length(stood.clearance.nearest.gap_mm, units) if stood.clearance.nearest else "",
            length(stood.stand.tool.length_mm, units) if stood.stand.tool else "",
            _shortest(stood, units),
            _longest(stood, units),
        ]
        for stood in reached.operations
    ]
    head = ["operation", "tool", "nearest", "where", "distance", "tool length", "shortest", "longest"]
    return table(head, rows, left=4)


def _pair(stood: Stood) -> str:
    near = stood.clearance.nearest
    return f"{near.cutting} to {near.turning}" if near else "nothing"


def _shortest(stood: Stood, units: str) -> str:
    lengths = stood.lengths
    if lengths is None:
        return ""
    if lengths.shortest_mm is None:
        return "none clears"
    by = _STOPPED_BY[lengths.shortest_by]
    return length(lengths.shortest_mm, units) + (f" ({by})" if by else "")


def _longest(stood: Stood, units: str) -> str:
    lengths = stood.lengths
    if lengths is None or lengths.longest_mm is None:
        return ""
    by = _STOPPED_BY[lengths.longest_by]
    return length(lengths.longest_mm, units) + (f" ({by})" if by else "")


def _moves(reached: Reached, units: str) -> str:
    letters = reached.layout.machine.letters
    rows = [
        [
            move.start,
            move.end,
            f"{move.cutting} to {move.turning}",
            length(move.at_least_mm, units),
            *move_angles(reached, move),
        ]
        for move in reached.moves
    ]
    return table(["from", "to", "nearest", "at least", *(f"machine {x}" for x in letters)], rows, left=3)


def _loads(reached: Reached, units: str) -> str:
    rows = []
    for k, load in enumerate(reached.loads):
        stood = max(reached.operations, key=lambda one: one.torques[k].total_nm, default=None)
        worst = None if stood is None else stood.torques[k]
        rows.append(
            [
                load.letter,
                mass(load.carried.mass_kg, units),
                "" if load.capacity_kg is None else mass(load.capacity_kg, units),
                torque(load.worst.torque_nm, units),
                angle(float(load.worst.machine_deg[k])) if load.worst.torque_nm > _NO_TORQUE_NM else "",
                "" if stood is None else stood.stand.name,
                "" if worst is None else torque(worst.gravity_nm, units),
                "" if worst is None else torque(worst.force_nm, units),
                "" if load.holding_nm is None else torque(load.holding_nm, units),
            ]
        )
    m, t = MASS_UNIT[units], TORQUE_UNIT[units]
    head = [
        "rotary",
        f"carries {m}",
        "capacity",
        f"gravity {t}",
        "worst at",
        "most at",
        "its gravity",
        "its cut",
        "holds",
    ]
    return table(head, rows)
