"""Correction from a measured part as JSON."""

from __future__ import annotations

from typing import Any

from kinematics.uncertainty import SingleCause, UncertainQuantity
from kinematics.uncertainty.causes import AGREE_MM
from tiltwright.output.json_csv import by_axis, length_list
from tiltwright.output.numbers import in_units
from tiltwright.uncertainty.correct_run import Candidate, JobCorrection
from tiltwright.uncertainty.correct_text import (
    added_feature,
    blunder_words,
    candidate_words,
    measure_next_words,
)
from tiltwright.uncertainty.wording import cause_words, exact_words, quantity_words, signed

__all__ = ["correct_report"]


def _value(found: JobCorrection, quantity: UncertainQuantity, value: float, units: str) -> float:
    shown_value = signed(found.job.model, quantity, value)
    return in_units(shown_value, units) if quantity.unit == "mm" else shown_value


def _unit(quantity: UncertainQuantity, units: str) -> str:
    return units if quantity.unit == "mm" else str(quantity.unit)


def _u(quantity: UncertainQuantity, u: float, units: str) -> float:
    return u * in_units(1.0, units) if quantity.unit == "mm" else u


def _cause(found: JobCorrection, one: SingleCause, units: str) -> dict[str, Any]:
    model, quantity = found.job.model, one.quantity
    return {
        "what": quantity_words(model, quantity),
        "words": cause_words(model, quantity, one.value, units),
        "value": _value(found, quantity, one.value, units),
        "u": _u(quantity, one.u, units),
        "unit": _unit(quantity, units),
        "level": one.level,
        "chi_square": one.chi_square,
        "p": one.p,
        "stated_u": None if one.stated_u is None else _u(quantity, one.stated_u, units),
        "cost": one.cost,
        "same_as": [quantity_words(model, other.quantity) for other in found.causes.same_as(one)],
    }


def correct_report(found: JobCorrection, units: str) -> dict[str, Any]:
    """Report of a correction for JSON; lengths in the stated unit."""
    job, joint, model = found.job, found.joint, found.job.model
    expected, u, rows = found.after()
    return {
        "schema": "tiltwright.correct/1",
        "job": job.views[0].job.file.name,
        "units": units,
        "parts": len(found.table.measured.serials),
        "significant": joint.significant,
        "within_budget": joint.within_budget,
        "chi_square": {
            "dof": joint.dof,
            "noise": joint.noise_chi_square,
            "noise_p": joint.noise_p,
            "budget": joint.budget_chi_square,
            "budget_p": joint.budget_p,
        },
        "doubts": [
            {
                "slip": one.slip,
                "rows": sorted({found.table.rows[k] for k in one.rows}),
                "p": one.p,
                "together": one.together,
                "words": blunder_words(found, one, units),
            }
            for one in found.doubts
        ],
        "correction": [
            {
                "what": quantity_words(model, quantity),
                "value": _value(found, quantity, value, units),
                "u": _u(quantity, float(spread), units),
                "unit": _unit(quantity, units),
            }
            for quantity, value, spread in zip(
                joint.estimate.quantities, joint.estimate.values.tolist(), joint.estimate.u, strict=True
            )
        ],
        "others": found.causes.others,
        "causes": [_cause(found, one, units) for one in found.causes.causes],
        "candidates": [_candidate(found, one, units) for one in found.candidates],
        "certain": found.causes.certain if found.candidates and found.candidates[0].cause else found.agreed,
        "agreed": found.agreed,
        "agree_within": in_units(AGREE_MM, units),
        "differ_by": length_list(found.differs_mm, units),
        "measure_next": None
        if found.more is None
        else {
            "feature": job.feature_names[found.more.feature][0],
            "operation": job.feature_names[found.more.feature][1],
            "nest": job.feature_names[found.more.feature][2],
            "why": measure_next_words(found, units),
            "expected": length_list(found.more.expected_mm, units),
        },
        "add_feature": None
        if found.place is None
        else {
            **added_feature(found, found.place),
            "nest": job.model.operations[found.place.operation].nest,
            "expected": length_list(found.place.expected_mm, units),
        },
        "chosen": None if found.chosen is None else found.chosen.name,
        "settled": found.settled,
        "writable": found.chosen is not None,
        "operations": _operations(found, units),
        "features": [
            {
                "name": job.feature_names[k][0],
                "operation": job.feature_names[k][1],
                "nest": job.feature_names[k][2],
                "measured": k in found.table.measured.features,
                "along": along.tolist(),
                "after": in_units(float(value), units),
                "u": in_units(float(spread), units),
            }
            for (k, along), value, spread in zip(rows, expected, u, strict=True)
        ],
        "says_nothing_about": [quantity_words(model, one) for one in joint.unsaid]
        if joint.significant
        else [],
        "seating": [
            {
                "what": one.kind,
                "component": one.component or None,
                "nest": one.nest or None,
                "u": in_units(one.u_mm, units),
                "dof": one.dof,
            }
            for one in found.seating
        ],
        "taken_as_exact": exact_words(job.exact, units),
    }


def _candidate(found: JobCorrection, one: Candidate, units: str) -> dict[str, Any]:
    return {
        "name": one.name,
        "words": candidate_words(found, one, units),
        # None where the operations turn differently.
        "turn_deg": float(one.offsets.turn_deg[0]) if one.offsets.turns_alike() else None,
        "turns_deg": one.offsets.turn_deg.tolist(),
        "operations": [by_axis(shift, units) for shift in one.offsets.shift_mm],
    }


def _operations(found: JobCorrection, units: str) -> list[dict[str, Any]]:
    chosen, measured = found.chosen, found.measured_operations
    now = found.job.loaded_mm
    new = now if chosen is None else found.job.uncorrected_mm + chosen.offsets.shift_mm
    entries = []
    for k, (one, number) in enumerate(zip(found.job.model.operations, found.job.numbers, strict=True)):
        entries.append(
            {
                "name": one.name,
                "nest": one.nest,
                "work_offset": number,
                "measured": k in measured,
                "before": by_axis(now[k], units),
                "after": by_axis(new[k], units),
                "u": None if chosen is None else by_axis(chosen.offsets.u_mm[k], units),
                "turn_deg": 0.0 if chosen is None else float(chosen.offsets.turn_deg[k]),
            }
        )
    return entries
