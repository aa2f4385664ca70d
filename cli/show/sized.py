"""The heights of a step, for people and for other programs."""

from __future__ import annotations

from typing import Any

from kinematics.reach import Heights, Seat, Stop
from tiltwright.show.amounts import FORCE_UNIT, STIFFNESS_UNIT, force, stiffness
from tiltwright.show.numbers import DECIMALS, UNIT_MM, fixed, in_units, length
from tiltwright.show.reach_words import stop_words
from tiltwright.show.tables import table, units_words
from tiltwright.sized import Sized

__all__ = ["sized_report", "sized_text"]


def sized_text(sized: Sized, units: str) -> str:
    """The answer for a terminal."""
    worked = sized.laid.worked
    low, high = (length(value, units) for value in sized.asked_mm)
    parts = [
        f"{worked.job.file.name}: heights of {sized.name} in {units_words(units)}, on {worked.setup.machine.name}",
        (
            f"It is {length(sized.own_mm, units)} in the job. Looked among {low} to {high}, keeping "
            f"{length(sized.clear_mm, units)} between what cuts and what turns and "
            f"{length(sized.margin_mm, units)} to the ends of travel."
        ),
    ]
    if sized.heights:
        rows = [
            [
                length(one.low_mm, units),
                length(one.high_mm, units),
                stop_words(one.low_stop),
                stop_words(one.high_stop),
            ]
            for one in sized.heights
        ]
        parts.append(table(["from", "to", "no lower for", "no higher for"], rows, left=4))
    else:
        rows = [[length(height, units), stop_words(stop)] for height, stop in sized.refusals]
        parts.append("No height fits. For example:\n\n" + table(["at", "it does not for"], rows, left=2))
    parts += [_stiffness(sized, units), _seats(sized, units)]
    return "\n\n".join(parts)


def _stiffness(sized: Sized, units: str) -> str:
    if all(one.newton_per_mm is None for one in sized.stiffness):
        return (
            "Stiffness: not known; give the step round or bar, and a material with a modulus. No taller than it is "
            "wide it is no beam, and stiff."
        )
    rows = [
        [
            length(one.height_mm, units) + (" (as it is)" if one.height_mm == sized.own_mm else ""),
            "no beam" if one.newton_per_mm is None else stiffness(one.newton_per_mm, units),
            ""
            if one.deflection_mm is None
            else fixed(in_units(one.deflection_mm, units), DECIMALS[units] + 2),
        ]
        for one in sized.stiffness
    ]
    head = ["height", f"stiffness {STIFFNESS_UNIT[units]}", f"gives at its top, {units}"]
    under = (
        "no operation states a cutting force"
        if sized.force_n is None
        else f"under {force(sized.force_n, units)} {FORCE_UNIT[units]} across it"
    )
    return f"As a cantilever, {under}; joints and shear make it softer, so compare heights by it\n\n{table(head, rows)}"


def _seats(sized: Sized, units: str) -> str:
    if not sized.seats:
        return "Where the fixture may stand on the mill: not known, no travels are stated."
    rows = [
        [
            seat.axis,
            "nowhere" if seat.low_mm is None else length(seat.low_mm, units),
            "nowhere" if seat.high_mm is None else length(seat.high_mm, units),
            stop_words(seat.low_stop),
            stop_words(seat.high_stop),
        ]
        for seat in sized.seats
    ]
    text = table(["along", "from", "to", "no lower for", "no higher for"], rows, left=1)
    return f"The whole fixture may move on the mill by, one axis at a time, with the step as it is\n\n{text}"


def sized_report(sized: Sized, units: str) -> dict[str, Any]:
    """The answer as JSON: lengths in `units`, forces in N, stiffness in N/mm."""
    mm = UNIT_MM[units]
    return {
        "schema": "tiltwright.reach-size/1",
        "job": sized.laid.worked.job.file.name,
        "units": units,
        "step": sized.name,
        "height": sized.own_mm / mm,
        "looked_among": [value / mm for value in sized.asked_mm],
        "clear": sized.clear_mm / mm,
        "margin": sized.margin_mm / mm,
        "heights": [_range(one, mm) for one in sized.heights],
        "refused": [{"height": height / mm, **_stop(stop)} for height, stop in sized.refusals],
        "force_N": sized.force_n,
        "stiffness": [
            {
                "height": one.height_mm / mm,
                "N_per_mm": one.newton_per_mm,
                "deflection": None if one.deflection_mm is None else one.deflection_mm / mm,
            }
            for one in sized.stiffness
        ],
        "seat": [_seat(seat, mm) for seat in sized.seats],
    }


def _range(one: Heights, mm: float) -> dict[str, Any]:
    return {
        "low": one.low_mm / mm,
        "high": one.high_mm / mm,
        "low_stop": _stop(one.low_stop),
        "high_stop": _stop(one.high_stop),
    }


def _seat(seat: Seat, mm: float) -> dict[str, Any]:
    return {
        "axis": seat.axis,
        "low": None if seat.low_mm is None else seat.low_mm / mm,
        "high": None if seat.high_mm is None else seat.high_mm / mm,
        "low_stop": _stop(seat.low_stop),
        "high_stop": _stop(seat.high_stop),
    }


def _stop(stop: Stop) -> dict[str, str]:
    return {"by": stop.by, "what": stop.what, "operation": stop.operation}
