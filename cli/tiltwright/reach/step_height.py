"""Step-height study of `reach --size`: values, text and JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.reach import (
    CollisionModel,
    FeasibleRange,
    Limit,
    MountingRange,
    deflection_mm,
    limiting_cause,
    mounting_ranges,
    step_heights,
    stiffness_n_per_mm,
)
from tiltwright.files.diagnostics import nearest, one_of, option_error, shown
from tiltwright.files.parsing import typed_length
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output.numbers import (
    DECIMALS,
    FORCE_UNIT,
    STIFFNESS_UNIT,
    UNIT_MM,
    fixed,
    force,
    in_units,
    length,
    stiffness,
)
from tiltwright.output.tables import table, units_words
from tiltwright.reach.collision_model import JobCollisionModel, build_collision_model
from tiltwright.reach.messages import NotChecked, not_stated
from tiltwright.reach.report import not_checked_report
from tiltwright.reach.wording import limit_words, not_checked_words, shown_down, shown_up

__all__ = [
    "StepHeightStudy",
    "Stiffness",
    "parse_height_range",
    "step_height_report",
    "step_height_text",
    "study_step_height",
]

_LOWEST_MM = 1.0
_ABOVE_MM = 500.0
_ROWS = 5


@dataclass(frozen=True)
class Stiffness:
    """Stiffness of the step as a cantilever at one height.

    None where section, modulus or force is not known, or where the step is no taller than it is wide.
    """

    height_mm: float
    newton_per_mm: float | None
    deflection_mm: float | None


@dataclass(frozen=True, eq=False)
class StepHeightStudy:
    """Feasible heights of a stack step, their stiffness, and where the fixture may be mounted.

    Attributes
    ----------
    job_model : JobCollisionModel
    name : str
        The step.
    own_mm : float
        Its height in the job.
    asked_mm : (float, float)
        The heights that were tried.
    heights : tuple of FeasibleRange
    refusals : tuple of (float, Limit)
        Where no height fits: heights that were tried, and the limit of each.
    stiffness : tuple of Stiffness
        Over the heights that fit, and at the step's own.
    force_n : float or None
        The largest cutting force that an operation states.
    mounting : tuple of MountingRange
        Feasible moves of the whole fixture, with the step as it is.
    clear_mm, margin_mm : float
    """

    job_model: JobCollisionModel
    name: str
    own_mm: float
    asked_mm: tuple[float, float]
    heights: tuple[FeasibleRange, ...]
    refusals: tuple[tuple[float, Limit], ...]
    stiffness: tuple[Stiffness, ...]
    force_n: float | None
    mounting: tuple[MountingRange, ...]
    clear_mm: float
    margin_mm: float


def parse_height_range(text: str | None, unit: Unit) -> tuple[float, float] | None:
    """Two heights such as ``20:150``, in millimetres.

    Parameters
    ----------
    text : str or None
    unit : Unit
        Of a height without a unit of its own.

    Raises
    ------
    InputFaults
        When it is not two lengths above zero, the lower one first.

    Examples
    --------
    >>> parse_height_range("20:150", Unit.MM), parse_height_range("1in : 2in", Unit.MM)
    ((20.0, 150.0), (25.4, 50.8))
    """
    if text is None:
        return None
    wanted = "two heights above zero, the lower one first, such as 20:150"
    parts = text.split(":")
    if len(parts) != 2:
        raise option_error("--between", shown(text), wanted)
    low, high = (typed_length(part.strip(), "--between", unit) for part in parts)
    if not 0.0 < low < high < 1e5:
        raise option_error("--between", shown(text), wanted)
    return low, high


def study_step_height(
    evaluated: EvaluatedJob,
    step: str,
    asked_mm: tuple[float, float] | None,
    clear_mm: float | None,
    margin_mm: float,
) -> StepHeightStudy:
    """Feasible heights of a step.

    Raises
    ------
    InputFaults
        When there is no such step, there are two, or it leads downward; when a solid, tool or sweep cannot be.
    """
    job_model = build_collision_model(evaluated)
    model, job = job_model.model, evaluated.job
    index = _index(model, step)
    if clear_mm is None:
        clear_mm = job.unit.to_mm(job.file.clear or 0.0)
    own = model.steps[index].up_mm
    low, high = asked_mm or (_LOWEST_MM, own + _ABOVE_MM)
    heights = step_heights(model, index, low, high, clear_mm, margin_mm, job_model.limits)
    forces = [pose.force_n for pose in model.operations if pose.force_n is not None]
    force = max(forces, default=None)
    at = sorted({own, *(h for one in heights for h in np.linspace(one.low_mm, one.high_mm, _ROWS).tolist())})
    return StepHeightStudy(
        job_model,
        step,
        own,
        (low, high),
        heights,
        () if heights else _refusals(job_model, index, np.linspace(low, high, _ROWS), clear_mm, margin_mm),
        tuple(_stiffness_of(model, index, height, force) for height in at),
        force,
        mounting_ranges(model, clear_mm, margin_mm),
        clear_mm,
        margin_mm,
    )


def _refusals(
    job_model: JobCollisionModel,
    index: int,
    heights_mm: NDArray[np.float64],
    clear_mm: float,
    margin_mm: float,
) -> tuple[tuple[float, Limit], ...]:
    """Causes for which sample heights, the current one included, do not fit."""
    own = job_model.model.steps[index].up_mm
    low, high = float(heights_mm[0]), float(heights_mm[-1])
    tried = sorted({*heights_mm.tolist(), *([own] if low <= own <= high else [])})
    found = [
        (height, limiting_cause(job_model.model, index, height, clear_mm, margin_mm, job_model.limits))
        for height in tried
    ]
    return tuple((height, limit) for height, limit in found if limit is not None)


def _index(model: CollisionModel, step: str) -> int:
    names = [one.name for one in model.steps]
    if step not in names:
        near = nearest(step, names)
        allowed = one_of(names) if names else "a job with a stack"
        raise option_error(
            "--size", f"no step {shown(step)}", allowed, f"did you mean {shown(near)}?" if near else ""
        )
    if names.count(step) > 1:
        raise option_error(
            "--size", f"{names.count(step)} steps named {shown(step)}", "a step with a name of its own"
        )
    index = names.index(step)
    if model.steps[index].up_mm <= 0.0:
        raise option_error(
            "--size", f"{shown(step)}, which does not lead upward", "a step whose up is above zero"
        )
    return index


def _stiffness_of(model: CollisionModel, index: int, height_mm: float, force_n: float | None) -> Stiffness:
    body = model.step_bodies[index]
    if body is None or body.modulus_gpa is None or height_mm <= body.section.across_mm:
        return Stiffness(height_mm, None, None)
    return Stiffness(
        height_mm,
        stiffness_n_per_mm(body.section, height_mm, body.modulus_gpa),
        None if force_n is None else deflection_mm(body.section, height_mm, body.modulus_gpa, force_n),
    )


def step_height_text(study: StepHeightStudy, units: str) -> str:
    """The answer for a terminal."""
    evaluated = study.job_model.evaluated
    low, high = (length(value, units) for value in study.asked_mm)
    parts = [
        f"{evaluated.job.file.name}: heights of {study.name} in {units_words(units)}, on {evaluated.setup.machine.name}",
        (
            f"It is {length(study.own_mm, units)} in the job. Heights from {low} to {high} were tried, with "
            f"{length(study.clear_mm, units)} to keep between solids and {length(study.margin_mm, units)} to leave to "
            "the ends of travel."
        ),
    ]
    if study.heights:
        rows = [
            [
                shown_up(one.low_mm, units),
                shown_down(one.high_mm, units),
                limit_words(one.low_limit),
                limit_words(one.high_limit),
            ]
            for one in study.heights
        ]
        parts.append(table(["from", "to", "lower limit set by", "upper limit set by"], rows, left=4))
    else:
        rows = [[length(height, units), limit_words(limit)] for height, limit in study.refusals]
        parts.append("No height fits. For example:\n\n" + table(["height", "limited by"], rows, left=2))
    parts += [_stiffness(study, units), _mounting(study, units)]
    missing = [not_checked_words(one) for one in _not_checked(study)]
    return "\n\n".join(
        ["\n".join(f"NOT CHECKED: {words}" for words in missing), *parts] if missing else parts
    )


def _not_checked(study: StepHeightStudy) -> tuple[NotChecked, ...]:
    """Checks that no height was put to: all that is not stated, and the loads that have no limit."""
    model, limits = study.job_model.model, study.job_model.limits
    open_ended = tuple(
        letter
        for letter, limit in zip(model.machine.letters, limits, strict=True)
        if limit.holding_nm is None or limit.capacity_kg is None
    )
    unloading = (NotChecked("unloading"),) if study.job_model.unloading is not None else ()
    return (*not_stated(model), *((NotChecked("load", open_ended),) if open_ended else ()), *unloading)


def _stiffness(study: StepHeightStudy, units: str) -> str:
    if all(one.newton_per_mm is None for one in study.stiffness):
        return (
            "Stiffness: not known. Give the step a section (round or bar) and a material with a modulus. A step no taller "
            "than it is wide is not a beam; it is stiff."
        )
    rows = [
        [
            length(one.height_mm, units) + (" (as it is)" if one.height_mm == study.own_mm else ""),
            "not a beam" if one.newton_per_mm is None else stiffness(one.newton_per_mm, units),
            ""
            if one.deflection_mm is None
            else fixed(in_units(one.deflection_mm, units), DECIMALS[units] + 2),
        ]
        for one in study.stiffness
    ]
    head = ["height", f"stiffness {STIFFNESS_UNIT[units]}", f"deflection at the top, {units}"]
    under = (
        "no operation states a cutting force"
        if study.force_n is None
        else f"under {force(study.force_n, units)} {FORCE_UNIT[units]} across it"
    )
    return f"As a cantilever, {under}; joints and shear make it softer, so use it to compare heights\n\n{table(head, rows)}"


def _mounting(study: StepHeightStudy, units: str) -> str:
    if not study.mounting:
        return "Where the fixture may stand on the mill: not known. Enter the travels to find out."
    rows = [
        [
            mounting_range.axis,
            "nowhere" if mounting_range.low_mm is None else shown_up(mounting_range.low_mm, units),
            "nowhere" if mounting_range.high_mm is None else shown_down(mounting_range.high_mm, units),
            limit_words(mounting_range.low_limit),
            limit_words(mounting_range.high_limit),
        ]
        for mounting_range in study.mounting
    ]
    text = table(["along", "from", "to", "lower limit set by", "upper limit set by"], rows, left=1)
    return f"Room to move the whole fixture on the mill, one axis at a time, with the step as it is\n\n{text}"


def step_height_report(study: StepHeightStudy, units: str) -> dict[str, Any]:
    """The answer as JSON: lengths in `units`, forces in N, stiffness in N/mm."""
    mm = UNIT_MM[units]
    return {
        "schema": "tiltwright.reach-size/1",
        "job": study.job_model.evaluated.job.file.name,
        "units": units,
        "step": study.name,
        "height": study.own_mm / mm,
        "looked_among": [value / mm for value in study.asked_mm],
        "clear": study.clear_mm / mm,
        "margin": study.margin_mm / mm,
        "not_checked": not_checked_report(_not_checked(study)),
        "heights": [_range(one, mm) for one in study.heights],
        "refused": [{"height": height / mm, **_stop(limit)} for height, limit in study.refusals],
        "force_N": study.force_n,
        "stiffness": [
            {
                "height": one.height_mm / mm,
                "N_per_mm": one.newton_per_mm,
                "deflection": None if one.deflection_mm is None else one.deflection_mm / mm,
            }
            for one in study.stiffness
        ],
        "seat": [_seat(mounting_range, mm) for mounting_range in study.mounting],
    }


def _range(one: FeasibleRange, mm: float) -> dict[str, Any]:
    return {
        "low": one.low_mm / mm,
        "high": one.high_mm / mm,
        "low_stop": _stop(one.low_limit),
        "high_stop": _stop(one.high_limit),
    }


def _seat(mounting_range: MountingRange, mm: float) -> dict[str, Any]:
    return {
        "axis": mounting_range.axis,
        "low": None if mounting_range.low_mm is None else mounting_range.low_mm / mm,
        "high": None if mounting_range.high_mm is None else mounting_range.high_mm / mm,
        "low_stop": _stop(mounting_range.low_limit),
        "high_stop": _stop(mounting_range.high_limit),
    }


_BY = {"range": "asked", "index move": "swing", "capacity": "load", "holding torque": "load"}
"""Words of the JSON for kinds of limits."""


def _stop(limit: Limit) -> dict[str, str]:
    by, what = _BY.get(limit.kind, limit.kind), ""
    if limit.kind == "travel":
        what = f"{limit.axis} {limit.end}"
    elif limit.kind in ("capacity", "holding torque"):
        what = f"{limit.kind} of {limit.axis}"
    elif limit.pair is not None:
        what = f"{limit.pair[0]} to {limit.pair[1]}"
    operation = limit.operation or ""
    if limit.kind == "index move":
        operation = f"{limit.operation or 'start'} to {limit.next_operation or 'start'}"
    return {"by": by, "what": what, "operation": operation}
