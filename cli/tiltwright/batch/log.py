"""The batch record as its user meets it: readings in, entries listed, readings out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiltwright.batch.chart import part_zero_shifts
from tiltwright.batch.readings_table import PartReading, known_nests, read_part_readings
from tiltwright.batch.record import LoggedReading, RecordEntry, log_readings, read_record, withdraw
from tiltwright.files.conversion import part_within_of
from tiltwright.files.diagnostics import Diagnostic, InputFaults, shown
from tiltwright.files.loader import ReadJob
from tiltwright.files.units import Unit
from tiltwright.job.sign_slips import LEFT_OVER
from tiltwright.output.json_csv import csv_text, length_list
from tiltwright.output.numbers import UNIT_SYMBOL, length
from tiltwright.output.tables import table
from tiltwright.terminal.streams import note

__all__ = ["add_readings", "record_csv", "record_report", "record_text", "withdraw_entry"]

_MOST_NAMED = 5
_NOT_MOVED_MM = 1.0
"""A check ball or bore that lies no farther off is where it was: nothing moves it that far unnoticed."""

_UNIT_NAME = {Unit.MM: "millimetres", Unit.INCH: "inches"}


def add_readings(job: ReadJob, path: Path, table_path: Path, *, who: str | None, again: bool) -> None:
    """Append a table's readings to a record and say so.

    Raises
    ------
    InputFaults
    """
    readings, unit = read_part_readings(table_path)
    nests = [one.nest.name for one in job.nests]
    faults = known_nests(str(table_path), readings, nests)
    if faults:
        raise InputFaults(faults)
    zeros = [one for one in readings if one.target is None]
    within = {view.nest: part_within_of(view.file, job.unit)[0] for view in job.views}
    allowed_mm = np.array([within[one.nest] for one in zeros])
    far_mm = _distances_mm(job, zeros)
    faults = _in_the_other_unit(job, str(table_path), zeros, unit, far_mm, allowed_mm)
    faults += _targets_in_the_other_unit(job, str(table_path), readings, unit, path)
    if faults:
        raise InputFaults(faults)
    number = log_readings(path, readings, who=who, source=str(table_path), again=again)
    more = "1 more reading" if len(readings) == 1 else f"{len(readings)} more readings"
    note(f"{path} has {more}, as entry {number}", label="done")
    _say_far(zeros, far_mm, allowed_mm, job.unit.value)


def _distances_mm(job: ReadJob, zeros: Sequence[PartReading], scale: float = 1.0) -> NDArray[np.float64]:
    """Distance of each part's zero, its figures times a scale, from the job's; shape (n,)."""
    at_mm = np.array([one.at_mm for one in zeros]).reshape(-1, 3)
    return np.asarray(np.linalg.norm(part_zero_shifts(job, zeros, scale * at_mm), axis=1))


def _in_the_other_unit(
    job: ReadJob,
    file: str,
    zeros: Sequence[PartReading],
    unit: Unit,
    far_mm: NDArray[np.float64],
    allowed_mm: NDArray[np.float64],
) -> list[Diagnostic]:
    """Faults of the parts' zeros that lie far from the job's, and at it once their figures are taken in the other unit."""
    other = _other(unit)
    swapped_mm = _distances_mm(job, zeros, other.mm / unit.mm)
    # The figures are the other unit's where that takes all but a hundredth of the way out, as in `slip_of`.
    slipped = (far_mm > allowed_mm) & (swapped_mm <= np.maximum(allowed_mm, LEFT_OVER * far_mm))
    return [
        _other_unit(
            job, file, zeros[k], unit, f"serial {shown(zeros[k].serial)}", float(far_mm[k]), "the job's zero"
        )
        for k in np.flatnonzero(slipped).tolist()
    ]


def _other(unit: Unit) -> Unit:
    return Unit.INCH if unit is Unit.MM else Unit.MM


def _targets_in_the_other_unit(
    job: ReadJob, file: str, readings: Sequence[PartReading], unit: Unit, record: Path
) -> list[Diagnostic]:
    """Faults of check balls and bores that lie far from where the record has them last, and there in the other unit."""
    again = [one for one in readings if one.target is not None]
    if not again or not record.exists():
        return []
    last = {one.reading.target: np.array(one.reading.at_mm) for one in read_record(record)[1]}
    scale, found = _other(unit).mm / unit.mm, list[Diagnostic]()
    for one in again:
        if one.target in last:
            was_mm, at_mm = last[one.target], np.array(one.at_mm)
            far_mm = float(np.linalg.norm(at_mm - was_mm))
            near_mm = max(_NOT_MOVED_MM, LEFT_OVER * far_mm)
            if near_mm < far_mm and float(np.linalg.norm(scale * at_mm - was_mm)) <= near_mm:
                whose = f"{shown(one.target)}"
                found.append(_other_unit(job, file, one, unit, whose, far_mm, "where it was read last"))
    return found


def _other_unit(
    job: ReadJob, file: str, one: PartReading, unit: Unit, whose: str, far_mm: float, where: str
) -> Diagnostic:
    """The fault of a reading whose figures fit the other unit."""
    other = _other(unit)
    here, there = UNIT_SYMBOL[unit.value], UNIT_SYMBOL[other.value]
    return Diagnostic(
        file,
        one.row,
        f"X_{here}, Y_{here}, Z_{here}",
        f"{whose} {length(far_mm, job.unit.value)} {UNIT_SYMBOL[job.unit.value]} from {where}; its figures fit in "
        f"{_UNIT_NAME[other]}",
        f"figures in {_UNIT_NAME[unit]}, as the column heads say",
        f"if they are in {_UNIT_NAME[other]}, name the columns X_{there}, Y_{there}, Z_{there}",
    )


def _say_far(
    zeros: Sequence[PartReading], far_mm: NDArray[np.float64], allowed_mm: NDArray[np.float64], units: str
) -> None:
    """Name the parts whose zero lies farther from the job's than its tolerance: a sign, another nest."""
    far = np.flatnonzero(far_mm > allowed_mm).tolist()
    for k in far[:_MOST_NAMED]:
        note(
            f"serial {shown(zeros[k].serial)} lies {length(float(far_mm[k]), units)} {UNIT_SYMBOL[units]} from where the job has "
            f"its zero ({length(float(allowed_mm[k]), units)} allowed). A lost sign, another nest? --withdraw takes the entry out",
            label="caution",
        )
    if len(far) > _MOST_NAMED:
        note(f"{len(far) - _MOST_NAMED} more parts lie as far off", label="caution")


def withdraw_entry(path: Path, number: int, *, who: str | None) -> None:
    """Withdraw an entry, or take the withdrawal back, and say which."""
    counts = withdraw(path, number, who=who)
    note(f"entry {number} {'counts again' if counts else 'does not count any more'}", label="done")


def record_text(job: ReadJob, entries: Sequence[RecordEntry]) -> str:
    """The entries as a table."""
    rows = [
        [
            str(one.number),
            one.written_at.replace("T", " ").removesuffix("+00:00") + " UTC",
            one.who or "",
            str(one.count) if one.kind == "readings" else "",
            _what(one),
        ]
        for one in entries
    ]
    counting = sum(one.count for one in entries if not one.withdrawn)
    entry = "entry" if len(entries) == 1 else "entries"
    head = f"{job.file.name}: {counting} readings count, in {len(entries)} {entry}"
    return f"{head}\n\n{table(['entry', 'when', 'who', 'readings', 'what'], rows, align='rllrl')}"


def _what(one: RecordEntry) -> str:
    if one.kind == "readings":
        return f"from {one.source}{'; withdrawn' if one.withdrawn else ''}"
    return f"entry {one.about} {'withdrawn' if one.kind == 'withdrawn' else 'counts again'}"


def record_report(
    job: ReadJob, entries: Sequence[RecordEntry], readings: Sequence[LoggedReading], units: str
) -> dict[str, Any]:
    """The record for JSON, lengths in the stated unit."""
    return {
        "schema": "tiltwright.batch-log/1",
        "job": job.file.name,
        "units": units,
        "entries": [
            {
                "number": one.number,
                "kind": one.kind,
                "about": one.about,
                "written_at": one.written_at,
                "who": one.who,
                "source": one.source,
                "count": one.count,
                "withdrawn": one.withdrawn,
            }
            for one in entries
        ],
        "readings": [
            {
                "entry": one.entry,
                "serial": one.reading.serial,
                "nest": one.reading.nest,
                "target": one.reading.target,
                "at": length_list(one.reading.at_mm, units),
                "clock_deg": one.reading.clock_deg,
                "temperature_c": one.reading.temperature_c,
            }
            for one in readings
        ],
    }


def record_csv(readings: Sequence[LoggedReading], units: str) -> str:
    """The readings that count, as the table that `batch log` reads."""
    ending = "mm" if units == "mm" else "in"
    head = ["serial", "nest", "target", *(f"{axis}_{ending}" for axis in "XYZ"), "clock_deg", "temperature_C"]
    return csv_text(
        head,
        (
            [
                one.reading.serial,
                one.reading.nest or "",
                one.reading.target or "",
                *length_list(one.reading.at_mm, units),
                "" if one.reading.clock_deg is None else one.reading.clock_deg,
                "" if one.reading.temperature_c is None else one.reading.temperature_c,
            ]
            for one in readings
        ),
    )
