"""A fit as a JSON object. Lengths in the stated unit, angles in degrees, full float64."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from kinematics.calibration import (
    AngleCurve,
    AngleError,
    Blunder,
    Drift,
    DriftFit,
    Estimate,
    Fit,
    FitDiagnostic,
    LineFit,
    TargetFit,
)
from tiltwright.calibration.fit_wording import (
    blunder_sentence,
    diagnostic_sentence,
    estimate_meaning,
    fixed_sentence,
    outlier_sentence,
)
from tiltwright.output.json_csv import length_list
from tiltwright.output.numbers import in_units

__all__ = ["angle_error_report", "drift_report", "estimate", "fit_report", "no_fit_report", "numbers"]


def number(value: float | None) -> float | None:
    """A number as JSON has it: None where it is unknown or not finite."""
    return None if value is None or not math.isfinite(value) else float(value) + 0.0


def numbers(values: Iterable[float] | None) -> list[float | None] | None:
    """Numbers as JSON has them."""
    return None if values is None else [number(float(value)) for value in values]


def _length(value_mm: float | None, units: str) -> float | None:
    return None if value_mm is None else number(in_units(value_mm, units))


def estimate(one: Estimate, units: str) -> dict[str, Any]:
    """An estimate with its uncertainty as JSON, in the stated unit of length."""
    length = one.unit == "mm"
    shown = {
        key: _length(value, units) if length else number(value)
        for key, value in (
            ("value", one.value),
            ("u", one.standard_uncertainty),
            ("expanded", one.expanded_uncertainty),
        )
    }
    return {
        **shown,
        "unit": units if length else one.unit,
        "held": one.fixed,
        "verdict": one.verdict,
        **({} if one.interval is None else {"low": number(one.interval[0]), "high": number(one.interval[1])}),
        "moves_by_for_0.01_deg_untold": _length(one.tilt_sensitivity_mm, units) if length else 0.0,
        "words": estimate_meaning(one),
    }


def fit_report(
    fit: Fit,
    blunders: Sequence[Blunder],
    units: str,
    findings: Sequence[FitDiagnostic] = (),
    *,
    file: str,
    sha256: str,
    with_drift: Fit | None = None,
) -> dict[str, Any]:
    """Result of `pivot fit` as JSON; `with_drift` is the fit with a drift adjusted along, where one could hide."""
    residuals = fit.residuals
    return {
        "schema": "tiltwright.pivot-fit/1",
        "machine": fit.machine.name,
        "file": file,
        "sha256": sha256,
        "units": units,
        "dof": fit.dof,
        "sigma": _sigma(fit, units),
        "sigma_stated": fit.sigma_stated,
        "sigma_is_floor": fit.at_floor,
        "scatter": _scatter(fit, units),
        "scatter_chance": number(fit.p_value),
        "level": fit.level,
        "coverage_factor": number(fit.coverage_factor),
        "loss": fit.loss,
        "rotary": [_line(line, units) for line in fit.lines],
        "covariance": _covariance(fit, units),
        "pairs": [
            {
                "between": [pair.first, pair.second],
                "distance": estimate(pair.distance, units),
                "angle": estimate(pair.angle, units),
            }
            for pair in fit.pairs
        ],
        "targets": [_target(target, units) for target in fit.targets],
        "held": [fixed_sentence(one, units) for one in fit.fixed],
        "suspects": [
            {"row": one.row, "why": outlier_sentence(one, units), "chance": number(one.p_value)}
            for one in fit.outliers
        ],
        "blunders": [_blunder(blunder, units) for blunder in blunders],
        "findings": [_finding(finding, units) for finding in findings],
        "angle_errors": [angle_error_report(one) for one in fit.angle_errors],
        "angles_adjusted": [_angle_curve(one) for one in fit.angle_curves],
        "drifts": [drift_report(one, units) for one in fit.drifts],
        "drifts_adjusted": [_drift_fit(one, units) for one in fit.drift_fits],
        "with_drift": None if with_drift is None else [_line(line, units) for line in with_drift.lines],
        "readings": [
            {
                "row": fit.readings.row(i),
                "target": fit.readings.names[int(fit.readings.target[i])],
                "residual": _length(float(residuals.size_mm[i]), units),
                "residual_xyz": length_list(residuals.residual_mm[i], units),
                "studentised": number(float(residuals.studentised[i])),
                "redundancy": number(float(residuals.redundancy[i])),
                "weight": number(float(residuals.weight[i])),
            }
            for i in range(len(fit.readings))
        ],
    }


def no_fit_report(
    why: str,
    blunders: Sequence[Blunder],
    units: str,
    findings: Sequence[FitDiagnostic] = (),
    *,
    file: str,
    sha256: str,
) -> dict[str, Any]:
    """Result of `pivot fit` as JSON where a mistake keeps the readings from giving a fit."""
    return {
        "schema": "tiltwright.pivot-fit/1",
        "file": file,
        "sha256": sha256,
        "units": units,
        "dof": None,
        "sigma": None,
        "rotary": [],
        "held": [],
        "suspects": [],
        "blunders": [_blunder(blunder, units) for blunder in blunders],
        "findings": [_finding(finding, units) for finding in findings],
        "readings": [],
        "why_none": why,
    }


def _sigma(fit: Fit, units: str) -> float | None:
    """In the unit of length; where each reading has its own, a plain factor on them."""
    return number(fit.sigma_mm) if fit.readings.sigma_mm is not None else _length(fit.sigma_mm, units)


def _scatter(fit: Fit, units: str) -> float | None:
    return number(fit.s0) if fit.readings.sigma_mm is not None else _length(fit.s0, units)


def _line(line: LineFit, units: str) -> dict[str, Any]:
    u_point = line.u_point_mm
    return {
        "letter": line.letter,
        "point": length_list(line.point_mm, units),
        "direction": (line.direction + 0.0).tolist(),
        "u_point": None if u_point is None else numbers(in_units(float(u), units) for u in u_point),
        "u_direction_deg": numbers(line.u_direction_deg),
        "old_point": length_list(line.old_point_mm, units),
        "old_direction": (line.old_direction + 0.0).tolist(),
        "location_errors": {one.name: estimate(one, units) for one in line.location_errors},
        "moved": {one.name: estimate(one, units) for one in line.changes},
    }


def _covariance(fit: Fit, units: str) -> dict[str, Any]:
    """Of all lines together: for each rotary its shift along two directions across it, and its lean toward them."""
    letters = fit.machine.letters
    names = [f"{letter} {what}" for letter in letters for what in ("shift 1", "shift 2", "lean 1", "lean 2")]
    matrix = None
    if fit.covariance is not None:
        scale = np.tile([in_units(1.0, units)] * 2 + [1.0] * 2, len(letters))
        matrix = (fit.covariance * np.outer(scale, scale) + 0.0).tolist()
    return {
        "of": names,
        "across": (fit.basis + 0.0).tolist(),
        "matrix": matrix,
        **_with_platter(fit, units),
    }


def _with_platter(fit: Fit, units: str) -> dict[str, Any]:
    """The same of all lines, the platter's face and its normal together, where the readings determine the face."""
    if fit.platter is None or fit.platter.covariance is None:
        return {}
    scale = np.ones(len(fit.platter.covariance))
    lines = 4 * len(fit.machine.letters)
    lengths = [*(k for k in range(lines) if k % 4 < 2), lines]
    scale[lengths] = in_units(1.0, units)
    matrix = (fit.platter.covariance * np.outer(scale, scale) + 0.0).tolist()
    return {"platter": {"of": list(fit.platter.quantities), "matrix": matrix}}


def _target(target: TargetFit, units: str) -> dict[str, Any]:
    return {
        "name": target.name,
        "kind": target.kind.value,
        "readings": target.readings,
        "point": length_list(target.point_mm, units),
        "direction": None if target.direction is None else (target.direction + 0.0).tolist(),
        "tilt": None if target.tilt is None else estimate(target.tilt, units),
        "tilt_toward_deg": number(target.tilt_toward_deg),
        "face": None if target.face_height is None else estimate(target.face_height, units),
        "above": {letter: estimate(one, units) for letter, one in target.heights_above},
    }


def _blunder(blunder: Blunder, units: str) -> dict[str, Any]:
    return {
        "kind": blunder.kind,
        "rotary": blunder.letters[0] if len(blunder.letters) == 1 else None,
        "rotaries": list(blunder.letters),
        "target": blunder.target or None,
        "other_target": blunder.other_target or None,
        "rows": list(blunder.rows),
        "size": _length(blunder.size_mm, units),
        "certain": blunder.certain,
        "rivals": [_blunder(rival, units) for rival in blunder.rivals],
        "words": blunder_sentence(blunder, units),
    }


def angle_error_report(one: AngleError) -> dict[str, Any]:
    """The test of one component of a rotary's own angle as JSON."""
    return {
        "rotary": one.letter,
        "component": one.component,
        "significant": one.significant,
        "chance": number(one.p_value),
        "shows_from_arcsec": number(one.detectable_arcsec),
        "size_arcsec": number(one.size_arcsec),
        "u_arcsec": number(one.u_arcsec),
        "largest_at_deg": number(one.largest_at_deg),
        "factor": number(one.factor),
    }


def _angle_curve(one: AngleCurve) -> dict[str, Any]:
    return {
        "rotary": one.letter,
        "coefficients": numbers(one.coefficients),
        "of": ["cos q - 1", "sin q", "cos 2q - 1", "sin 2q", "q"],
        "covariance": None if one.covariance is None else (one.covariance + 0.0).tolist(),
        "all_determined": one.estimable,
        "largest_arcsec": number(one.largest_arcsec),
        "u_arcsec": number(one.u_arcsec),
        "largest_at_deg": number(one.largest_at_deg),
    }


def _drift_fit(one: DriftFit, units: str) -> dict[str, Any]:
    return {
        "by": one.by,
        "shift": length_list(one.shift_mm, units),
        "size": _length(one.size_mm, units),
        "u": _length(one.u_mm, units),
        "all_determined": one.estimable,
    }


def drift_report(one: Drift, units: str) -> dict[str, Any]:
    """The test for a drift as JSON."""
    return {
        "by": one.by,
        "significant": one.significant,
        "chance": number(one.p_value),
        "shows_from": _length(one.detectable_mm, units),
        "shift": None if one.shift_mm is None else length_list(np.array(one.shift_mm), units),
        "size": _length(one.size_mm, units),
        "u": _length(one.u_mm, units),
    }


def _finding(finding: FitDiagnostic, units: str) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "certain": finding.certain,
        "rows": list(finding.rows),
        "words": diagnostic_sentence(finding, units),
    }
