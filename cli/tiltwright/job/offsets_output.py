"""Work offsets: as tables for people, and as JSON and CSV for other programs.

JSON and CSV hold full float64, lengths in the stated unit, angles in degrees; keys never change within a schema number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics import Machine, PlacedOperation, UnreachableOperation, work_offset_code
from tiltwright.job.aim_output import AimedDirection, aim_ways
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import JobMessage
from tiltwright.job.message_wording import message_words, unreachable_text
from tiltwright.job.plane_turns import (
    TurnConvention,
    plane_turns,
    turns_cells,
    turns_explained,
    turns_head,
    turns_report,
)
from tiltwright.job.warnings import job_messages
from tiltwright.machine.sense import senses_words
from tiltwright.output.json_csv import by_axis, by_letter, csv_text, length_list
from tiltwright.output.messages import Severity, values_in
from tiltwright.output.numbers import UNIT_MM, UNIT_SYMBOL, angle, length
from tiltwright.output.tables import table, units_words

__all__ = [
    "EXPANDED_WORDS",
    "NOT_TO_LOAD",
    "ExpandedUncertainties",
    "direction_rows",
    "expanded_of",
    "figures_head",
    "figures_shown",
    "jog_words",
    "message_report",
    "offsets_csv",
    "offsets_report",
    "offsets_table",
    "offsets_turn",
    "operation_columns",
    "operation_report",
    "operation_values",
    "short_name",
    "touch_columns",
    "touch_values",
    "touched_report",
    "turned_table",
    "turns_columns",
    "turns_entry",
    "turns_values",
    "u95_columns",
    "u95_report",
    "unreached_report",
    "z_reference_kind",
]


def z_reference_kind(machine: Machine) -> str:
    """Reference of the Z readings, as JSON names it."""
    return "gauge line" if machine.z_reference.tool_length_mm is None else "reference tool"


def _offset(
    machine: Machine, offset_mm: ArrayLike, rotary_offset_deg: Iterable[float], units: str
) -> dict[str, float]:
    linear = by_axis(offset_mm, units)
    return {**linear, **by_letter(machine, rotary_offset_deg)}


def direction_rows(matrix: NDArray[np.float64]) -> dict[str, list[float]]:
    """The machine's X, Y, Z as rows (3, 3) for JSON, by the axes' names in small letters."""
    return {axis: (row + 0.0).tolist() for axis, row in zip("xyz", matrix, strict=True)}


def operation_report(
    evaluated: EvaluatedJob, placed: PlacedOperation, number: int, units: str, turns: TurnConvention | None
) -> dict[str, Any]:
    """One operation and its work offset for JSON."""
    machine = evaluated.setup.machine
    return {
        "name": placed.name,
        "nest": evaluated.nest,
        "work_offset": number,
        "program": by_letter(machine, placed.program_deg),
        "machine": by_letter(machine, placed.machine_deg),
        "offset": _offset(machine, placed.offset_mm, placed.rotary_offset_deg, units),
        "origin": length_list(placed.origin_mm, units),
        "plane": direction_rows(placed.axes),
        **turns_entry(placed.axes, turns),
        "plane_x_deg": placed.plane_x_deg,
        "free": list(placed.singular_axes),
        "short_deg": placed.misalignment_deg,
    }


def turns_entry(axes: NDArray[np.float64], convention: TurnConvention | None) -> dict[str, Any]:
    """A plane's turns for JSON; nothing without a convention."""
    if convention is None:
        return {}
    return {"turns": turns_report(plane_turns(axes, convention), convention)}


def offsets_report(
    evaluated: EvaluatedJob,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> dict[str, Any]:
    """A job's work offsets for JSON, each plane as turns too where a convention is given, and U95 where it is known."""
    report: dict[str, Any] = {
        "schema": "tiltwright.offsets/1",
        "job": evaluated.job.file.name,
        "units": units,
        "z_reference": z_reference_kind(evaluated.setup.machine),
        "operations": [
            {
                **operation_report(evaluated, one.placed, one.number, units, turns),
                **u95_report(expanded_of(evaluated, one.placed.name, expanded_mm), units),
            }
            for one in evaluated.operations
        ],
        "unreached": [unreached_report(one) for one in evaluated.unreached],
        "set_before_each": evaluated.before_each,
        "remarks": [message_report(message, evaluated, units) for message in job_messages(evaluated)],
    }
    if evaluated.touch is not None:
        report["touched"] = touched_report(evaluated, units)
    return report


def u95_report(expanded_mm: tuple[float, ...], units: str) -> dict[str, Any]:
    """The expanded uncertainty of an offset for JSON; nothing where there is none."""
    if not expanded_mm:
        return {}
    return {"U95": by_axis(expanded_mm, units)}


_WEIGHT = {Severity.INFO: "note", Severity.WARNING: "mind", Severity.ERROR: "no"}
"""The severities' names in schema 1, which programs may rely on."""


def message_report(message: JobMessage, evaluated: EvaluatedJob, units: str) -> dict[str, Any]:
    """A message for JSON."""
    return {
        "weight": _WEIGHT[message.severity],
        "words": message_words(message, evaluated.operations, units),
        "severity": message.severity.value,
        "kind": message.finding.kind,
        "operations": list(message.about),
        "values": values_in(message.finding, units),
    }


def touched_report(evaluated: EvaluatedJob, units: str) -> dict[str, Any] | None:
    """Part zero as touched off against the stack for JSON; None where nothing was touched off."""
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return None
    return {
        "source": "--touched" if touched.typed else "job",
        "read": by_axis(touched.at_mm, units),
        "pose": by_letter(evaluated.setup.machine, touched.machine_deg),
        "touched": length_list(touch.touched_mm, units),
        "stack": length_list(touch.stack_mm, units),
        "difference": length_list(touch.difference_mm, units),
        "distance": touch.distance_mm / UNIT_MM[units],
        "within": touched.within_mm / UNIT_MM[units],
        "within_stated": touched.within_stated,
        "accepted": not evaluated.touch_too_far,
        "used": touched.use,
    }


def unreached_report(one: UnreachableOperation) -> dict[str, Any]:
    """An operation that cannot be reached, for JSON."""
    return {
        "name": one.name,
        "why": unreachable_text(one),
        "short_deg": one.misalignment_deg,
        "ways": aim_ways(AimedDirection.unreached(one)),
    }


def turns_columns(convention: TurnConvention | None) -> list[str]:
    """Names of the columns of CSV that hold a plane's turns; none without a convention."""
    if convention is None:
        return []
    angles = [f"turn_{place}_{axis}_deg" for place, axis in enumerate(convention.order, start=1)]
    return [*angles, "turns_about", "turns_degenerate"]


def turns_values(axes: NDArray[np.float64], convention: TurnConvention | None) -> list[Any]:
    """Values of these columns."""
    if convention is None:
        return []
    turns = plane_turns(axes, convention)
    return [*turns.angles_deg, convention.about, "yes" if turns.degenerate else "no"]


def offsets_csv(
    evaluated: EvaluatedJob,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> str:
    """A job's work offsets as CSV, one row for each operation, the unit in every column's name; U95 where it is known."""
    rows = [
        [
            one.placed.name,
            one.number,
            *operation_values(one.placed, units, turns),
            *touch_values(evaluated),
            *length_list(expanded_of(evaluated, one.placed.name, expanded_mm), units),
        ]
        for one in evaluated.operations
    ]
    head = [
        "operation",
        "work_offset",
        *operation_columns(evaluated.setup.machine, units, turns),
        *touch_columns(evaluated),
        *(u95_columns(units) if expanded_mm else []),
    ]
    return csv_text(head, rows)


def operation_columns(machine: Machine, units: str, turns: TurnConvention | None) -> list[str]:
    """Names of the columns of CSV that hold an operation's angles, work offset, origin and plane."""
    letters, suffix = machine.letters, UNIT_SYMBOL[units]
    return [
        *(f"program_{letter}_deg" for letter in letters),
        *(f"machine_{letter}_deg" for letter in letters),
        *(f"offset_{axis}_{suffix}" for axis in "XYZ"),
        *(f"offset_{letter}_deg" for letter in letters),
        *(f"origin_{axis}_{suffix}" for axis in "xyz"),
        *turns_columns(turns),
    ]


def operation_values(placed: PlacedOperation, units: str, turns: TurnConvention | None) -> list[Any]:
    """Values of these columns."""
    return [
        *placed.program_deg.tolist(),
        *placed.machine_deg.tolist(),
        *length_list(placed.offset_mm, units),
        *(placed.rotary_offset_deg + 0.0).tolist(),
        *length_list(placed.origin_mm, units),
        *turns_values(placed.axes, turns),
    ]


def u95_columns(units: str) -> list[str]:
    """Names of the columns of CSV that hold a work offset's expanded uncertainty."""
    return [f"U95_{axis}_{UNIT_SYMBOL[units]}" for axis in "XYZ"]


def touch_columns(evaluated: EvaluatedJob | None) -> list[str]:
    """Name of the column of CSV that holds the verdict on the touch-off; none where there is none."""
    return [] if evaluated is None or evaluated.touch is None else ["touch_off"]


def touch_values(evaluated: EvaluatedJob | None) -> list[str]:
    """The verdict on the touch-off in every row, so that no row can be used without it."""
    if evaluated is None or evaluated.touch is None:
        return []
    return ["too far" if evaluated.touch_too_far else "accepted"]


_LONGEST_NAME = 34


def short_name(name: str) -> str:
    """A name for a column of a table."""
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


NOT_TO_LOAD = "DO NOT LOAD THESE: part zero was touched off too far from where the stack puts it."
"""The line above a table of offsets that the touch-off forbids to load."""


def offsets_table(
    evaluated: EvaluatedJob,
    units: str,
    turns: TurnConvention | None = None,
    expanded_mm: ExpandedUncertainties | None = None,
) -> str:
    """A job's work offsets as a table, one row for each operation; with their expanded uncertainties where given."""
    machine = evaluated.setup.machine
    offset_rotaries = offsets_turn([evaluated])
    head = [
        "operation",
        "load",
        *figures_head(machine, offset_rotaries=offset_rotaries, expanded=bool(expanded_mm)),
    ]
    rows = [
        [
            short_name(one.placed.name),
            work_offset_code(one.number),
            *figures_shown(evaluated, one.placed, units, expanded_mm, offset_rotaries=offset_rotaries),
        ]
        for one in evaluated.operations
    ]
    title = f"{evaluated.job.file.name}: work offsets in {units_words(units)} and degrees, on {machine.name}"
    if evaluated.touch_too_far:
        title = f"{NOT_TO_LOAD}\n{title}"
    text = turned_table(title, head, rows, [one.placed.axes for one in evaluated.operations], turns, left=2)
    return "\n\n".join([text, *([EXPANDED_WORDS] if expanded_mm else []), jog_words(machine)])


def figures_head(machine: Machine, *, offset_rotaries: bool, expanded: bool) -> list[str]:
    """Heads of a table's columns of figures: program angles, work offset, expanded uncertainty."""
    return [
        *(f"program {letter}" for letter in machine.letters),
        *"XYZ",
        *((f"offset {letter}" for letter in machine.letters) if offset_rotaries else ()),
        *((f"U of {axis}" for axis in "XYZ") if expanded else ()),
    ]


def figures_shown(
    evaluated: EvaluatedJob,
    placed: PlacedOperation,
    units: str,
    expanded_mm: ExpandedUncertainties | None,
    *,
    offset_rotaries: bool,
) -> list[str]:
    """An operation's figures in these columns."""
    return [
        *map(angle, placed.program_deg),
        *(length(value, units) for value in placed.offset_mm),
        *(map(angle, placed.rotary_offset_deg) if offset_rotaries else ()),
        *(length(value, units) for value in expanded_of(evaluated, placed.name, expanded_mm)),
    ]


def offsets_turn(nests: Iterable[EvaluatedJob]) -> bool:
    """True where a work offset has a rotary's value that is not zero, so that a table shows these too."""
    return any(
        nest.setup.rotary_offset_deg.any()
        or any(one.placed.rotary_offset_deg.any() for one in nest.operations)
        for nest in nests
    )


def jog_words(machine: Machine) -> str:
    """The line below a table of offsets: a sense entered backwards shows in no number, only at the machine."""
    return f"Before you load them, jog and look which way the table turns: {senses_words(machine)}."


ExpandedUncertainties = Mapping[tuple[str, str | None], tuple[float, float, float]]
"""Expanded uncertainty of X, Y, Z by an operation's name and its nest, millimetres."""

EXPANDED_WORDS = (
    "U: expanded uncertainty, 95 %, of what the job states; tiltwright budget tells what it takes as exact."
)


def expanded_of(
    evaluated: EvaluatedJob, name: str, expanded_mm: ExpandedUncertainties | None
) -> tuple[float, ...]:
    """The expanded uncertainty of an operation's X, Y and Z; empty where there is none."""
    return (expanded_mm or {}).get((name, evaluated.job.nest), ())


def turned_table(
    title: str,
    head: list[str],
    rows: list[list[str]],
    axes: Iterable[NDArray[np.float64]],
    convention: TurnConvention | None,
    *,
    left: int,
) -> str:
    """A table under its title, with columns and a line on the planes' turns where a convention is asked for."""
    if convention is None:
        return f"{title}\n\n{table(head, rows, left=left)}"
    found = [plane_turns(at, convention) for at in axes]
    rows = [[*row, *turns_cells(turns)] for row, turns in zip(rows, found, strict=True)]
    explained = turns_explained(convention, degenerate=any(turns.degenerate for turns in found))
    return f"{title}\n\n{table([*head, *turns_head(convention)], rows, left=left)}\n\n{explained}"
