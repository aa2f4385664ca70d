"""Values of a probing plan, in millimetres and degrees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import PlannedTarget
from tiltwright.files.probing_tables import ProbeTable
from tiltwright.files.units import Unit

__all__ = ["DEFAULT_POSES", "Plan", "clearance_mm_of", "over_mm_of", "spare_mm_of"]

DEFAULT_POSES = 12
_SPARE_MM = 2.0
"""Common practice: more than the error of a plan, less than a tip."""
_CLEARANCE_MM, _OVER_MM = 5.0, 3.0
"""Common practice: start of a touch before the expected surface, and overtravel beyond it."""


def spare_mm_of(probe: ProbeTable | None, units: Unit) -> float:
    """Least clearance between the probe and known obstacles, as stated or as usual."""
    return _or(None if probe is None else probe.spare, units, _SPARE_MM)


def clearance_mm_of(probe: ProbeTable | None, units: Unit) -> float:
    """Distance from the expected surface at which a touch begins, as stated or as usual."""
    return _or(None if probe is None else probe.clearance, units, _CLEARANCE_MM)


def over_mm_of(probe: ProbeTable | None, units: Unit) -> float:
    """Overtravel of a touch beyond the expected surface, as stated or as usual."""
    return _or(None if probe is None else probe.over, units, _OVER_MM)


def _or(stated: float | None, units: Unit, usual_mm: float) -> float:
    """Stated length in millimetres, or the usual one."""
    return usual_mm if stated is None else units.to_mm(stated)


@dataclass(frozen=True, eq=False)
class Plan:
    """Probing plan.

    Attributes
    ----------
    name : str
    units : Unit
        Unit of the lengths in `probe`.
    targets : tuple of PlannedTarget
        In millimetres.
    diameters_mm : tuple of float or None
        Of each target.
    poses_deg : ndarray, shape (m, n), or None
        None where they are to be optimised.
    choose : int
    step_deg : float
    sigma_mm : float
    probe : ProbeTable or None
    stems_mm : tuple of float or None
        Diameter of each ball's stem; empty where none is stated.
    """

    name: str
    units: Unit
    targets: tuple[PlannedTarget, ...]
    diameters_mm: tuple[float | None, ...]
    poses_deg: NDArray[np.float64] | None
    choose: int
    step_deg: float
    sigma_mm: float
    probe: ProbeTable | None
    stems_mm: tuple[float | None, ...] = ()

    @property
    def spare_mm(self) -> float:
        """Least clearance between the probe and known obstacles."""
        return spare_mm_of(self.probe, self.units)

    @property
    def clearance_mm(self) -> float:
        """Distance from the expected surface at which a touch begins."""
        return clearance_mm_of(self.probe, self.units)

    @property
    def over_mm(self) -> float:
        """Overtravel of a touch beyond the expected surface."""
        return over_mm_of(self.probe, self.units)

    def stem_mm(self, target: int) -> float | None:
        """Diameter of a ball's stem."""
        return self.stems_mm[target] if self.stems_mm else None
