"""Doubtful entries of a machine file, which is valid all the same: as values, and in words."""

from __future__ import annotations

from typing import assert_never

from kinematics import Machine, common_perpendicular, is_horizontal
from tiltwright.output.messages import Finding
from tiltwright.output.numbers import lengths

__all__ = [
    "MachineFinding",
    "ParallelRotaries",
    "PivotOutOfTravel",
    "PlatterKeysUnused",
    "machine_finding_words",
    "machine_findings",
    "unused_platter_keys",
]

_PARALLEL_WITHIN_DEG = 5.0  # farther out of square than any rotary is assembled


class PlatterKeysUnused(Finding, frozen=True):
    """Keys of the platter that have no effect, because the last rotary is horizontal."""

    kind = "platter keys unused"
    keys: tuple[str, ...]
    letter: str


class PivotOutOfTravel(Finding, frozen=True):
    """A coordinate of a pivot outside the travel, which would be inside with the other sign."""

    kind = "pivot out of travel"
    letter: str
    axis: str
    point_mm: float
    low_mm: float
    high_mm: float


class ParallelRotaries(Finding, frozen=True):
    """Two neighbouring rotaries that turn about parallel lines."""

    kind = "parallel rotaries"
    outer: str
    inner: str


MachineFinding = PlatterKeysUnused | PivotOutOfTravel | ParallelRotaries


def machine_findings(machine: Machine) -> tuple[MachineFinding, ...]:
    """Entries that are possible but look like a slip."""
    unused = unused_platter_keys(machine)
    return (
        *([] if unused is None else [unused]),
        *_pivots_out_of_travel(machine),
        *(
            ParallelRotaries(outer.letter, inner.letter)
            for outer, inner in zip(machine.rotaries, machine.rotaries[1:], strict=False)
            if not _PARALLEL_WITHIN_DEG
            < common_perpendicular(outer, inner).angle_deg
            < 180.0 - _PARALLEL_WITHIN_DEG
        ),
    )


def unused_platter_keys(machine: Machine) -> PlatterKeysUnused | None:
    """The keys of the platter that nothing uses, if there are any."""
    last = machine.rotaries[-1]
    stated = {"face": machine.platter.face_mm, "normal": machine.platter.normal}
    keys = tuple(key for key, value in stated.items() if value is not None)
    return PlatterKeysUnused(keys, last.letter) if keys and is_horizontal(last) else None


def _pivots_out_of_travel(machine: Machine) -> list[PivotOutOfTravel]:
    """Along its own line a pivot may be anywhere; only the two coordinates across it count."""
    travel = machine.travel
    if travel is None:
        return []
    # Where Z is read with a tool's tip, the travel of Z is still the gauge point's.
    lowest, highest = (
        [*end_mm[:2].tolist(), float(machine.z_reference.from_gauge_line_mm(end_mm[2]))]
        for end_mm in (travel.low_mm, travel.high_mm)
    )
    return [
        PivotOutOfTravel(rotary.letter, axis, value, low, high)
        for rotary in machine.rotaries
        for k, (axis, value, low, high) in enumerate(
            zip("XYZ", rotary.point_mm.tolist(), lowest, highest, strict=True)
        )
        if abs(float(rotary.direction[k])) < 0.5 and not low <= value <= high and low <= -value <= high
    ]


def machine_finding_words(finding: MachineFinding, units: str) -> str:
    """A finding as a sentence, lengths in the unit that is shown."""
    match finding:
        case PlatterKeysUnused(keys, letter):
            given = " and ".join(f"`{key}`" for key in keys)
            return (
                f"the platter's {given} in the machine file {'has' if len(keys) == 1 else 'have'} no effect: with the "
                f"last rotary horizontal, as {letter} is, the stack starts at the rotary's point, parallel to the machine "
                "axes"
            )
        case PivotOutOfTravel(letter, axis, point_mm, low_mm, high_mm):
            value, low, high = lengths((point_mm, low_mm, high_mm), units)
            return (
                f"the point of {letter} has {axis} {value}, outside the travel of {low} to {high}: is a minus sign "
                "missing?"
            )
        case ParallelRotaries(outer, inner):
            return f"{outer} and {inner} turn about parallel axes: is one of them entered wrong?"
    assert_never(finding)
