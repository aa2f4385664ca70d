"""A machine as text and JSON: the entries of its file and what follows from them."""

from __future__ import annotations

from typing import Any

from kinematics import (
    Machine,
    RotaryAxis,
    common_perpendicular,
    is_horizontal,
    platter_above_tilt_mm,
    table_frame,
)
from tiltwright.machine.findings import machine_finding_words, machine_findings
from tiltwright.machine.sense import positive_turn_words
from tiltwright.output.json_csv import length_list
from tiltwright.output.messages import values_in
from tiltwright.output.numbers import UNIT_SYMBOL, angle, length, lengths
from tiltwright.output.tables import table, units_words

__all__ = ["machine_report", "machine_text"]


def machine_text(machine: Machine, units: str) -> str:
    """The text of `machine show`."""
    parts = [
        f"{machine.name}\nLengths in {units_words(units)}, machine coordinates; angles in degrees.",
        _rotaries(machine, units),
        "Senses of turning:\n" + "\n".join(f"  {_turning(rotary)}" for rotary in machine.rotaries),
        "What follows:\n" + "\n".join(f"  {fact}" for fact in _facts(machine, units)),
    ]
    return "\n\n".join(parts)


def _rotaries(machine: Machine, units: str) -> str:
    rows = [
        [
            rotary.letter,
            *lengths(rotary.point_mm, units),
            *(f"{part:.7f}" for part in rotary.direction + 0.0),
            "endless"
            if rotary.limits_deg is None
            else f"{rotary.limits_deg[0]:g} to {rotary.limits_deg[1]:g}",
        ]
        for rotary in machine.rotaries
    ]
    return table(["rotary", "X", "Y", "Z", "i", "j", "k", "limits"], rows)


def _turning(rotary: RotaryAxis) -> str:
    zero = f"; the display reads {angle(rotary.zero_deg)} at the all-zero pose" if rotary.zero_deg else ""
    return (
        f"A positive {rotary.letter} move turns the table {positive_turn_words(rotary)}{zero}. "
        f"Check it: jog {rotary.letter} by +10 degrees and watch the table."
    )


def _facts(machine: Machine, units: str) -> list[str]:
    unit = UNIT_SYMBOL[units]
    facts = []
    for outer, inner in zip(machine.rotaries, machine.rotaries[1:], strict=False):
        relation = common_perpendicular(outer, inner)
        facts.append(
            f"The {outer.letter} and {inner.letter} axes miss each other by {length(relation.distance_mm, units)} {unit}; "
            f"the angle between them is {angle(relation.angle_deg)} degrees."
        )
    above_mm = platter_above_tilt_mm(machine)
    if above_mm is not None:
        side = "above" if above_mm >= 0.0 else "below"
        facts.append(
            f"The platter's face is {length(abs(above_mm), units)} {unit} {side} the {machine.letters[0]} axis."
        )
    frame = table_frame(machine)
    where = "at the rotary's point" if is_horizontal(machine.rotaries[-1]) else "in the platter's face"
    x, y, z = lengths(frame.translation_mm, units)
    facts.append(f"The table frame's origin is {where}: X {x} Y {y} Z {z} at the all-zero pose.")
    for rotary in machine.rotaries:
        off_deg = min(_off_machine_axes_deg(rotary))
        if off_deg > 5e-5:
            facts.append(f"The {rotary.letter} axis is {angle(off_deg)} degrees off its machine axis.")
    if machine.platter.diameter_mm is not None:
        facts.append(f"The platter is {length(machine.platter.diameter_mm, units)} {unit} across.")
    facts.append(_travel(machine, units))
    tool_mm = machine.z_reference.tool_length_mm
    facts.append(
        "Z is read at the gauge line."
        if tool_mm is None
        else f"Z is read at the tip of the reference tool, {length(tool_mm, units)} {unit} long."
    )
    return facts


def _off_machine_axes_deg(rotary: RotaryAxis) -> list[float]:
    """Degrees between the rotary's line and each machine axis; the arc tangent keeps small ones exact."""
    import numpy as np

    across = [np.linalg.norm(np.delete(rotary.direction, i)) for i in range(3)]
    return [float(np.degrees(np.arctan2(a, abs(d)))) for a, d in zip(across, rotary.direction, strict=True)]


def _travel(machine: Machine, units: str) -> str:
    if machine.travel is None:
        return "No travels are entered, so no offset is checked against them."
    ends = zip("XYZ", machine.travel.low_mm, machine.travel.high_mm, strict=True)
    return (
        "Travels: "
        + ", ".join(f"{axis} {length(low, units)} to {length(high, units)}" for axis, low, high in ends)
        + "."
    )


def machine_report(machine: Machine, units: str) -> dict[str, Any]:
    """A machine for JSON: its file's values at full precision, and what follows from them."""
    above_mm = platter_above_tilt_mm(machine)
    frame = table_frame(machine)
    gaps = [
        {
            "between": [first.letter, second.letter],
            "distance": length_list([relation.distance_mm], units)[0],
            "angle_deg": relation.angle_deg,
        }
        for first, second in zip(machine.rotaries, machine.rotaries[1:], strict=False)
        for relation in (common_perpendicular(first, second),)
    ]
    return {
        "schema": "tiltwright.machine/1",
        "name": machine.name,
        "units": units,
        "z_reference": "gauge line" if machine.z_reference.tool_length_mm is None else "reference tool",
        "rotary": [
            {
                "letter": rotary.letter,
                "point": length_list(rotary.point_mm, units),
                "direction": rotary.direction.tolist(),
                "positive_turn": rotary.positive_turn.value,
                "limits": "endless" if rotary.limits_deg is None else list(rotary.limits_deg),
                "zero": rotary.zero_deg,
                "lies_flat": is_horizontal(rotary),
            }
            for rotary in machine.rotaries
        ],
        "gaps": gaps,
        "remarks": [
            {
                "kind": found.kind,
                "values": values_in(found, units),
                "words": machine_finding_words(found, units),
            }
            for found in machine_findings(machine)
        ],
        "platter_above_tilt": None if above_mm is None else length_list([above_mm], units)[0],
        "table": {
            "origin": length_list(frame.translation_mm, units),
            **{axis: frame.rotation[:, i].tolist() for i, axis in enumerate("xyz")},
        },
    }
