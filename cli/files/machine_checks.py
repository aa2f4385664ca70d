"""What no single value of a machine file shows: letters used twice, a platter without its face."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tiltwright.files.described import keys_given
from tiltwright.files.faults import Finding, shown
from tiltwright.files.machine_file import AXIS_DIRECTIONS, MachineFile, RotaryTable
from tiltwright.files.solid_checks import machine_solid_findings

__all__ = ["direction_of", "machine_findings"]

_FLAT_BELOW = 0.5


def machine_findings(machine: MachineFile) -> Iterator[Finding]:
    """What is wrong between the values of a machine file.

    The model may be a draft with None for what could not be read.
    """
    yield from _letters(machine)
    for place, rotary in enumerate(machine.rotary):
        yield from _one_direction(place, rotary)
    yield from _platter(machine)
    yield from machine_solid_findings(machine)
    yield from _z_reference(machine)


def direction_of(rotary: RotaryTable) -> tuple[float, float, float] | None:
    """The direction of a rotary's line, however the file gives it; None where it does not."""
    if rotary.direction is not None:
        return rotary.direction
    return AXIS_DIRECTIONS[rotary.along] if rotary.along is not None else None


def _letters(machine: MachineFile) -> Iterator[Finding]:
    first: dict[str, int] = {}
    for place, rotary in enumerate(machine.rotary):
        if rotary.letter is None:
            continue
        before = first.setdefault(rotary.letter, place)
        if before != place:
            found = f"{shown(rotary.letter)}, the letter of rotary {before + 1} already"
            yield Finding(("rotary", place, "letter"), found, "a letter of its own for every rotary")


def _one_direction(place: int, rotary: RotaryTable) -> Iterator[Finding]:
    given = keys_given(rotary) & {"along", "direction"}
    allowed = 'either along = "+X" (or another axis) or a measured direction = [i, j, k]'
    if len(given) == 2:
        yield Finding(("rotary", place, "direction"), "along and direction both", allowed)
    elif not given:
        yield Finding(("rotary", place, "along"), "neither along nor direction", allowed)


def _platter(machine: MachineFile) -> Iterator[Finding]:
    direction = direction_of(machine.rotary[-1]) if machine.rotary else None
    if direction is None:
        return
    upright = direction[2] / math.hypot(*direction)
    platter = machine.platter
    given = keys_given(machine) if platter is None else keys_given(platter)
    if abs(upright) >= _FLAT_BELOW and ("platter" if platter is None else "face") not in given:
        yield Finding(
            ("platter", "face"),
            "nothing, the key is missing",
            "face = machine Z of the platter's face at the all-zero pose, since the last rotary stands upright",
        )
    if platter is not None and platter.normal is not None:
        away = (
            (0.0, 0.0, 1.0)
            if abs(upright) < _FLAT_BELOW
            else tuple(math.copysign(1.0, upright) * c for c in direction)
        )
        if sum(a * b for a, b in zip(platter.normal, away, strict=True)) <= 0.0:
            yield Finding(
                ("platter", "normal"),
                shown(list(platter.normal)),
                "a direction away from the platter",
                "turn its sign round if it points into the platter",
            )


def _z_reference(machine: MachineFile) -> Iterator[Finding]:
    path = ("reference_tool_length",)
    given = path[0] in keys_given(machine)
    if machine.z_reference == "reference tool" and not given:
        yield Finding(
            path,
            "nothing, the key is missing",
            "the reference tool's length from the gauge line, above zero",
            'it goes with z_reference = "reference tool"',
        )
    if machine.z_reference == "gauge line" and given:
        yield Finding(
            path,
            "a reference tool's length",
            'no such key with z_reference = "gauge line"',
            'take it out, or write z_reference = "reference tool"',
        )
