"""The contract of a pivot fit's page: readings pose by pose on their circles, the lines, the residuals."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, angle_products, point_coefficients
from kinematics.calibration import Fit, LineFit, TargetKind
from tiltwright import __version__
from tiltwright.calibration.fit_wording import outlier_sentence
from tiltwright.output import numbers
from tiltwright.output.numbers import fine
from tiltwright.page.contract import machine_part

__all__ = ["fit_page"]

Array = NDArray[np.float64]

_STILL_DEG = 1e-6
_NOTE = (
    "The picture shows how well the readings fit lines, not whether the probe, the targets or the angles were right. "
    "Check the new lines with a reading of your own before you cut."
)


def fit_page(fit: Fit, units: str, title: str) -> dict[str, Any]:
    """The contract of a fit's page.

    Parameters
    ----------
    fit : Fit
    units : str
        "mm" or "inch": what the page shows.
    title : str
        Such as the name of the readings' file.
    """
    readings, residuals = fit.readings, fit.residuals
    suspects = {one.index: outlier_sentence(one, units) for one in fit.outliers}
    return {
        "schema": "tiltwright.fit-page/1",
        "version": __version__,
        "title": title,
        **machine_part(fit.fitted_machine, units),
        "lines": [_line(line, units) for line in fit.lines],
        "targets": [
            {"name": name, "kind": kind.value}
            for name, kind in zip(readings.names, readings.kinds, strict=True)
        ],
        "readings": [
            {
                "row": int(readings.row(i)),
                "target": int(readings.target[i]),
                "angles": readings.angles_deg[i].tolist(),
                "at": readings.points_mm[i].tolist(),
                "residual": (residuals.residual_mm[i] + 0.0).tolist(),
                "size": fine(abs(float(residuals.size_mm[i])), units),
                "suspect": suspects.get(i),
            }
            for i in range(len(readings))
        ],
        "circles": _circles(fit),
        "largest_residual": float(np.linalg.norm(residuals.residual_mm, axis=-1).max()),
        "scatter": None
        if fit.sigma_mm is None or readings.sigma_mm is not None
        else fine(fit.sigma_mm, units),
        "dof": fit.dof,
        "note": _NOTE,
    }


def _line(line: LineFit, units: str) -> dict[str, Any]:
    u = line.u_point_mm
    return {
        "letter": line.letter,
        "old_point": line.old_point_mm.tolist(),
        "old_direction": line.old_direction.tolist(),
        "point": list(numbers.lengths(line.point_mm, units)),
        "u": None
        if u is None
        else [fine(float(one), units) if np.isfinite(one) else "not known" for one in u],
        "direction": [numbers.fixed(float(one), 6) for one in line.direction],
        "moved": [
            {"name": one.name, "value": fine(one.value, units), "verdict": one.verdict}
            for one in line.changes
            if one.unit == "mm"
        ],
    }


def _circles(fit: Fit) -> list[dict[str, Any]]:
    """Arcs that the readings of one target lie on while one rotary turns and the others stand still.

    Each with its rotary, its readings, and the foot and the ends of the arc as the fitted lines have it.
    """
    readings, machine = fit.readings, fit.fitted_machine
    circles = []
    for target, kind in enumerate(readings.kinds):
        if kind is TargetKind.FACE:
            continue
        mine = np.flatnonzero(readings.target == target)
        for i in range(len(machine.rotaries)):
            others = np.delete(readings.angles_deg[mine], i, axis=1)
            groups: dict[tuple[float, ...], list[int]] = {}
            for row, index in zip(others.round(4).tolist(), mine.tolist(), strict=True):
                groups.setdefault(tuple(row), []).append(index)
            for rows in groups.values():
                angles = readings.angles_deg[rows, i]
                if len(rows) > 1 and float(np.ptp(angles)) > _STILL_DEG:
                    circles.append(_circle(fit, machine, i, rows))
    return circles


def _circle(fit: Fit, machine: Machine, i: int, rows: list[int]) -> dict[str, Any]:
    angles = fit.readings.angles_deg[rows]
    first = rows[int(np.argmin(angles[:, i]))]
    # The line of rotary i as the outer rotaries, which stand still here, carry it.
    held = fit.readings.angles_deg[first].copy()
    held[i:] = machine.zero_deg[i:]
    rotary = machine.rotaries[i]
    products = angle_products(machine, held)
    ends = (
        point_coefficients(machine, np.stack([rotary.point_mm, rotary.point_mm + rotary.direction]))
        @ products
    )
    start = fit.readings.points_mm[first] - fit.residuals.residual_mm[first]
    return {
        "rotary": i,
        "rows": rows,
        "point": ends[0].tolist(),
        "direction": (ends[1] - ends[0]).tolist(),
        "start": start.tolist(),
        "turn_deg": float(np.ptp(angles[:, i])) * rotary.positive_turn.sign,
    }
