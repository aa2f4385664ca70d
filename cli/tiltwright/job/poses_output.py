"""Part zero's offset at many poses: as a table for people, and as JSON and CSV in pieces for other programs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy import float64
from numpy.typing import NDArray

from kinematics import Machine, Setup
from kinematics.progress import counted
from tiltwright.files.parsing import check_typed_limits
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_wording import finding_words
from tiltwright.job.offsets_output import (
    NOT_TO_LOAD,
    direction_rows,
    jog_words,
    touch_columns,
    touch_values,
    touched_report,
    turned_table,
    turns_columns,
    turns_entry,
    turns_values,
    z_reference_kind,
)
from tiltwright.job.plane_turns import TurnConvention
from tiltwright.job.sign_slips import out_of_travel, outside_travel
from tiltwright.output.json_csv import by_letter, csv_pieces, json_pieces, length_list
from tiltwright.output.numbers import UNIT_SYMBOL, angle, length
from tiltwright.output.tables import units_words
from tiltwright.terminal.streams import note

__all__ = ["poses_csv", "poses_json", "poses_table", "poses_text", "say_beyond_travel"]

_AT_ONCE = 5000


def _blocks(program_deg: NDArray[float64], what: str = "poses") -> Iterator[NDArray[float64]]:
    """Program angles (k, n) in blocks, so that little is held at once."""
    starts = range(0, len(program_deg), _AT_ONCE)
    return (program_deg[start : start + _AT_ONCE] for start in counted(starts, what))


def poses_json(
    setup: Setup,
    job: str | None,
    program_deg: NDArray[float64],
    units: str,
    turns: TurnConvention | None = None,
    evaluated: EvaluatedJob | None = None,
) -> Iterator[str]:
    """Part zero's offset at k poses for JSON, in the form of `offsets_report`, in pieces.

    A pose has no work offset number: `work_offset` is null, and its name is its angles.

    Parameters
    ----------
    setup : Setup
    job : str or None
        The job's name.
    program_deg : ndarray, shape (k, n)
    units : {"mm", "inch"}
    turns : TurnConvention, optional
        Adds each plane as three turns.
    evaluated : EvaluatedJob, optional
    """
    touched = None if evaluated is None else touched_report(evaluated, units)
    report: dict[str, Any] = {
        "schema": "tiltwright.offsets/1",
        "job": job,
        "units": units,
        "z_reference": z_reference_kind(setup.machine),
        "operations": [],
        **({} if touched is None else {"touched": touched}),
    }
    return json_pieces(report, "operations", _reports(setup, program_deg, units, turns, evaluated))


def _reports(
    setup: Setup,
    program_deg: NDArray[float64],
    units: str,
    turns: TurnConvention | None,
    evaluated: EvaluatedJob | None,
) -> Iterator[dict[str, Any]]:
    machine, origin = setup.machine, [0.0, 0.0, 0.0]
    nest = None if evaluated is None else evaluated.nest
    rotary = by_letter(machine, setup.rotary_offset_deg)
    for program in _blocks(program_deg):
        reached = setup.machine_deg(program)
        linear = length_list(setup.work_offset(origin, reached), units)
        axes = setup.machine_axes(reached)
        for at, there, xyz, directions in zip(
            (program + 0.0).tolist(), reached.tolist(), linear, axes, strict=True
        ):
            yield {
                "name": _pose_name(machine, at),
                "nest": nest,
                "work_offset": None,
                "program": dict(zip(machine.letters, at, strict=True)),
                "machine": dict(zip(machine.letters, there, strict=True)),
                "offset": {**dict(zip("XYZ", xyz, strict=True)), **rotary},
                "origin": origin,
                "plane": direction_rows(directions),
                **turns_entry(directions, turns),
            }


def _pose_name(machine: Machine, program_deg: list[float]) -> str:
    """The name of a pose: its angles, such as "A-35 C60"."""
    return " ".join(f"{letter}{value:g}" for letter, value in zip(machine.letters, program_deg, strict=True))


def poses_csv(
    setup: Setup,
    program_deg: NDArray[float64],
    units: str,
    turns: TurnConvention | None = None,
    evaluated: EvaluatedJob | None = None,
) -> Iterator[str]:
    """Part zero's offset at many poses (k, n), one row for each, in pieces."""
    machine = setup.machine
    head = [
        *(f"program_{letter}_deg" for letter in machine.letters),
        *(f"machine_{letter}_deg" for letter in machine.letters),
        *(f"offset_{axis}_{UNIT_SYMBOL[units]}" for axis in "XYZ"),
        *turns_columns(turns),
        *touch_columns(evaluated),
    ]
    return csv_pieces(head, _rows(setup, program_deg, units, turns, touch_values(evaluated)))


def _rows(
    setup: Setup,
    program_deg: NDArray[float64],
    units: str,
    turns: TurnConvention | None,
    touch: list[str],
) -> Iterator[list[Any]]:
    for program in _blocks(program_deg):
        reached = setup.machine_deg(program)
        linear = np.array(length_list(setup.work_offset([0.0, 0.0, 0.0], reached), units))
        columns = (np.concatenate([program, reached, linear], axis=-1) + 0.0).tolist()
        if turns is None:
            yield from ([*row, *touch] for row in columns)
            continue
        for row, at in zip(columns, setup.machine_axes(reached), strict=True):
            yield [*row, *turns_values(at, turns), *touch]


def poses_table(
    setup: Setup,
    program_deg: NDArray[float64],
    title: str,
    units: str,
    turns: TurnConvention | None = None,
) -> str:
    """Part zero's offset at many poses (k, n), one row for each."""
    reached = setup.machine_deg(program_deg)
    offset_mm, axes = setup.work_offset([0.0, 0.0, 0.0], reached), setup.machine_axes(reached)
    rows = [
        [*map(angle, program), *(length(value, units) for value in xyz)]
        for program, xyz in zip(program_deg, offset_mm, strict=True)
    ]
    head = [*(f"program {letter}" for letter in setup.machine.letters), "X", "Y", "Z"]
    text = turned_table(title, head, rows, axes, turns, left=0)
    return f"{text}\n\n{jog_words(setup.machine)}"


def poses_text(
    evaluated: EvaluatedJob | None,
    setup: Setup,
    program_deg: NDArray[float64],
    units: str,
    turns: TurnConvention | None,
    form: str,
) -> str | Iterator[str]:
    """Part zero's offset at many poses (k, n) in the form asked for: "json", "csv" or "table"."""
    name = None if evaluated is None else evaluated.job.file.name
    if form == "csv":
        return poses_csv(setup, program_deg, units, turns, evaluated)
    if form == "json":
        return poses_json(setup, name, program_deg, units, turns, evaluated)
    title = f"{name or 'Part zero as typed'}: part zero's work offset in {units_words(units)}, on {setup.machine.name}"
    if evaluated is not None and evaluated.touch_too_far:
        title = f"{NOT_TO_LOAD}\n{title}"
    return poses_table(setup, program_deg, title, units, turns)


_MOST_NAMED = 3


def say_beyond_travel(setup: Setup, program_deg: NDArray[float64], units: str, option: str) -> None:
    """Refuse poses that the rotaries do not reach, and name the first whose offsets the spindle cannot stand over.

    A lost minus shows here.

    Raises
    ------
    InputFaults
        When a rotary would be outside its limits; `option` is where the pose was typed.
    """
    machine, beyond = setup.machine, 0
    named: list[tuple[NDArray[float64], NDArray[float64]]] = []
    for program in _blocks(program_deg, "travels"):
        reached = setup.machine_deg(program)
        check_typed_limits(machine, reached, option)
        if machine.travel is None:
            continue
        offset_mm = setup.work_offset([0.0, 0.0, 0.0], reached)
        outside = np.flatnonzero(outside_travel(offset_mm, machine.travel, machine.z_reference).any(axis=-1))
        named += [(program[k], offset_mm[k]) for k in outside[: _MOST_NAMED - len(named)]]
        beyond += len(outside)
    for at, offset in named:
        words = "; ".join(finding_words(one, units) for one in out_of_travel(offset, machine))
        pose = zip(machine.letters, at, strict=True)
        angles = " ".join(f"{letter}{angle(value)}" for letter, value in pose)
        note(f"program {angles}: {words}", label="caution")
    if beyond > len(named):
        note(f"{beyond - len(named)} more poses lie outside the travels", label="caution")
