"""A machine in words: what its file says and what follows from it."""

from __future__ import annotations

from kinematics import (
    Machine,
    RotaryAxis,
    common_perpendicular,
    is_horizontal,
    platter_above_tilt_mm,
    table_frame,
)
from tiltwright.output.numbers import angle, length, lengths
from tiltwright.output.tables import table, units_words

__all__ = ["machine_remarks", "machine_text", "one_direction", "passed_over"]

_NEARLY_DEG = 5.0  # more than any rotary is out of square by mistake of assembly
_SEEN_FROM = {0: ("the right", "the left"), 1: ("the back", "the front"), 2: ("above", "below")}


def one_direction(outer: str, inner: str) -> str:
    """What there is to ask about two neighbouring rotaries that turn about parallel lines."""
    return f"{outer} and {inner} turn about one direction: is one of them entered wrong?"


def machine_remarks(machine: Machine, units: str) -> list[str]:
    """What is possible, but looks like a slip."""
    return [*passed_over(machine), *_signs_lost(machine, units)] + [
        one_direction(outer.letter, inner.letter)
        for outer, inner in zip(machine.rotaries, machine.rotaries[1:], strict=False)
        if not _NEARLY_DEG < common_perpendicular(outer, inner).angle_deg < 180.0 - _NEARLY_DEG
    ]


def passed_over(machine: Machine) -> tuple[str, ...]:
    """What a machine file states of its platter, and nothing goes by."""
    last = machine.rotaries[-1]
    stated = {"face": machine.platter.face_mm, "normal": machine.platter.normal}
    given = [f"[platter] {key}" for key, value in stated.items() if value is not None]
    if not given or not is_horizontal(last):
        return ()
    have = "has" if len(given) == 1 else "have"
    words = (
        f"{' and '.join(given)} of the machine file {have} no part in this: where the last rotary lies flat, as "
        f"{last.letter} does, the stack begins at the rotary's point, parallel to the machine"
    )
    return (words,)


def _signs_lost(machine: Machine, units: str) -> list[str]:
    """Pivots outside the travels across their lines that would lie inside with the other sign."""
    travel = machine.travel
    if travel is None:
        return []
    return [
        f"the point of {rotary.letter} has {axis} {length(value, units)}, outside the travel of {length(low, units)} to "
        f"{length(high, units)}: was a minus sign lost?"
        for rotary in machine.rotaries
        for k, (axis, value, low, high) in enumerate(
            zip("XYZ", rotary.point_mm.tolist(), travel.low_mm.tolist(), travel.high_mm.tolist(), strict=True)
        )
        if abs(float(rotary.direction[k])) < 0.5 and not low <= value <= high and low <= -value <= high
    ]


def machine_text(machine: Machine, units: str) -> str:
    """What `machine show` prints."""
    parts = [
        f"{machine.name}\nlengths in {units_words(units)}, machine coordinates; angles in degrees",
        _rotaries(machine, units),
        "How the table turns:\n" + "\n".join(f"  {_turning(rotary)}" for rotary in machine.rotaries),
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
    axis = int(abs(rotary.direction).argmax())
    end = _SEEN_FROM[axis][0 if rotary.direction[axis] > 0 else 1]
    zero = f"; it shows {angle(rotary.zero_deg)} at the all-zero pose" if rotary.zero_deg else ""
    return (
        f"{rotary.letter}: a positive move turns the table {rotary.positive_turn.value}, seen from {end}{zero}. "
        f"Check: jog {rotary.letter} +10 and look."
    )


def _facts(machine: Machine, units: str) -> list[str]:
    facts = []
    for outer, inner in zip(machine.rotaries, machine.rotaries[1:], strict=False):
        gap = common_perpendicular(outer, inner)
        facts.append(
            f"{outer.letter}'s and {inner.letter}'s lines pass each other at {length(gap.distance_mm, units)}, "
            f"{angle(gap.angle_deg)} degrees between their directions"
        )
    above = platter_above_tilt_mm(machine)
    if above is not None:
        side = "above" if above >= 0.0 else "below"
        facts.append(
            f"the platter's face lies {length(abs(above), units)} {side} {machine.letters[0]}'s line"
        )
    frame = table_frame(machine)
    where = "at the rotary's point" if is_horizontal(machine.rotaries[-1]) else "in the platter's face"
    x, y, z = lengths(frame.translation_mm, units)
    facts.append(f"the table frame's origin lies {where}: X {x} Y {y} Z {z} at the all-zero pose")
    for rotary in machine.rotaries:
        off = min(angle_off for angle_off in _off_axes(rotary))
        if off > 5e-5:
            facts.append(f"{rotary.letter}'s line lies {angle(off)} degrees off its machine axis")
    if machine.platter.diameter_mm is not None:
        facts.append(f"the platter's diameter is {length(machine.platter.diameter_mm, units)}")
    facts.append(_travel(machine, units))
    tool = machine.z_reference.tool_length_mm
    facts.append(
        "Z is read at the gauge line"
        if tool is None
        else f"Z is read with the tip of a reference tool {length(tool, units)} long"
    )
    return facts


def _off_axes(rotary: RotaryAxis) -> list[float]:
    """Degrees between the line and each machine axis, exact for small ones."""
    import numpy as np

    across = [np.linalg.norm(np.delete(rotary.direction, i)) for i in range(3)]
    return [float(np.degrees(np.arctan2(a, abs(d)))) for a, d in zip(across, rotary.direction, strict=True)]


def _travel(machine: Machine, units: str) -> str:
    if machine.travel is None:
        return "no travels are stated"
    ends = zip("XYZ", machine.travel.low_mm, machine.travel.high_mm, strict=True)
    return "travels: " + ", ".join(
        f"{axis} {length(low, units)} to {length(high, units)}" for axis, low, high in ends
    )
