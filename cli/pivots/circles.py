"""Readings in the plane across a rotary's line, where what it carries runs round in circles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot import Fit, Kind

__all__ = ["Circles", "circles_about"]

_PARALLEL = np.cos(np.radians(5.0))
_STILL_DEG = 1e-3


@dataclass(frozen=True, eq=False)
class Circles:
    """Readings about one line, those of faces and of slanting axes left out.

    Attributes
    ----------
    at_mm : ndarray, shape (k, 2)
        From the line, along `Fit.across` of the rotary, the turns of the rotaries before it taken off.
    residual_mm : ndarray, shape (k, 2)
    radius_mm : ndarray, shape (k,)
    target : ndarray of int, shape (k,)
    still : bool
        Whether the rotary stands at one angle in all readings.
    """

    at_mm: NDArray[np.float64]
    residual_mm: NDArray[np.float64]
    radius_mm: NDArray[np.float64]
    target: NDArray[np.int64]
    still: bool


def circles_about(fit: Fit, i: int) -> Circles:
    """The readings about the fitted line of rotary i."""
    readings, line = fit.readings, fit.lines[i]
    machine = fit.fitted_machine
    point, residual = readings.points_mm, fit.each.residual_mm
    for place, rotary in enumerate(machine.rotaries[:i]):
        back = rotary.turned(readings.angles_deg[:, place]).inverse()
        point, residual = back.apply(point), back.turn(residual)
    still = float(np.ptp(readings.angles_deg[:, i])) < _STILL_DEG
    keep = _runs_round(fit, i)[readings.target] if not still else np.zeros(len(readings), dtype=np.bool_)
    from_line = (point - line.point_mm) @ fit.across[i].T
    at = from_line[keep]
    return Circles(
        at_mm=at,
        residual_mm=(residual @ fit.across[i].T)[keep],
        radius_mm=np.linalg.norm(at, axis=-1),
        target=readings.target[keep],
        still=still,
    )


def _runs_round(fit: Fit, i: int) -> NDArray[np.bool_]:
    """Which targets keep their distance from the line: balls, and bores and pins along it while the last one turns."""
    last = i == len(fit.lines) - 1
    places = {target.name: target for target in fit.targets}
    keep = []
    for name, kind in zip(fit.readings.names, fit.readings.kinds, strict=True):
        direction = places[name].direction if name in places else None
        along = direction is not None and abs(float(direction @ fit.lines[i].direction)) > _PARALLEL
        keep.append(kind is Kind.BALL or (kind in {Kind.BORE, Kind.PIN} and along and last))
    return np.array(keep, dtype=np.bool_)
