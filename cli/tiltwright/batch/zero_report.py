"""The probing of a batch's parts as JSON: what is touched, what every offset goes by, what was checked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kinematics.batch import shift_response
from tiltwright.batch.zero_access import CheckedAccess
from tiltwright.batch.zero_probing import NestProbing, PlannedTouch, ProbedParts
from tiltwright.batch.zero_program import STAMP, parameters_used, stays_turned_words
from tiltwright.output.json_csv import by_letter, length_list

__all__ = ["program_report"]


def program_report(parts: ProbedParts, checked: CheckedAccess, files: Sequence[str | None]) -> dict[str, Any]:
    """The programs of a job for JSON, lengths in the job's unit.

    Parameters
    ----------
    parts : ProbedParts
    checked : CheckedAccess
    files : sequence of str or None
        Where each program was written, loader by loader; None where it was not.
    """
    machine, unit = parts.nests[0].job.machine, parts.unit
    return {
        "schema": "tiltwright.batch-program/1",
        "job": parts.nests[0].job.file.name,
        "units": unit.value,
        "pose": by_letter(machine, machine.zero_deg),
        "safe_height": parts.high,
        "display_work_offset": {"number": parts.display_offset, "free": parts.display_offset_is_free},
        "parameters": [list(run) for run in parameters_used(parts)],
        "passed_parameter": STAMP,
        "programs": [{"loader": number, "file": file} for number, file in enumerate(files, start=1)],
        "nests": [_nest(parts, nest) for nest in parts.nests],
        "spare": unit.from_mm(checked.spare_mm),
        "kept_clear_of": list(checked.bodies),
        "stays_turned": bool(stays_turned_words(parts)),
        "not_checked": {
            "steps_without_section": list(checked.open_steps),
            "targets_not_shown_on_part": list(checked.unproven_targets),
        },
    }


def _nest(parts: ProbedParts, nest: NestProbing) -> dict[str, Any]:
    unit = parts.unit.value
    evaluated = parts.evaluated.nests[nest.place]
    operations = []
    for one in evaluated.operations:
        machine_deg = nest.job.setup.machine_deg(one.placed.program_deg)
        nominal = nest.job.setup.work_offset(one.placed.origin_mm, machine_deg)
        operations.append(
            {
                "name": one.placed.name,
                "work_offset": one.number,
                "loader": one.loader,
                "nominal": dict(zip("XYZ", length_list(nominal, unit), strict=True)),
                "response": shift_response(nest.job.setup, machine_deg).tolist(),
            }
        )
    return {
        "nest": nest.job.nest,
        "within": parts.unit.from_mm(nest.within_mm),
        "clock_within_deg": nest.clock_within_deg,
        "touches": [_touch(parts, touch) for touch in nest.touches],
        "operations": operations,
    }


def _touch(parts: ProbedParts, touch: PlannedTouch) -> dict[str, Any]:
    unit = parts.unit
    return {
        "kind": touch.kind,
        "name": touch.words,
        "at": length_list(touch.point_mm, unit.value),
        "normal": touch.normal.tolist(),
        "diameter": 2.0 * unit.from_mm(touch.radius_mm) if touch.radius_mm else None,
        "trips": [list(trip) for trip in touch.cycle.trips],
    }
