"""Masses, forces and torques as a job's reader thinks of them: metric beside millimetres, pounds beside inches."""

from __future__ import annotations

from tiltwright.files.quantity import FORCE, MASS, TORQUE
from tiltwright.show.numbers import fixed

__all__ = ["FORCE_UNIT", "MASS_UNIT", "STIFFNESS_UNIT", "TORQUE_UNIT", "force", "mass", "stiffness", "torque"]

MASS_UNIT = {"mm": "kg", "inch": "lb"}
FORCE_UNIT = {"mm": "N", "inch": "lbf"}
TORQUE_UNIT = {"mm": "N·m", "inch": "lbf·ft"}
STIFFNESS_UNIT = {"mm": "N/µm", "inch": "lbf/0.001 in"}


def mass(mass_kg: float, units: str) -> str:
    """A mass without its unit.

    Examples
    --------
    >>> mass(1.0, "mm"), mass(1.0, "inch")
    ('1.00', '2.20')
    """
    return fixed(mass_kg / MASS[MASS_UNIT[units]], 2)


def force(force_n: float, units: str) -> str:
    """A force without its unit."""
    return fixed(force_n / FORCE[FORCE_UNIT[units]], 1)


def torque(torque_nm: float, units: str) -> str:
    """A torque without its unit."""
    return fixed(torque_nm / TORQUE[TORQUE_UNIT[units]], 2)


def stiffness(newton_per_mm: float, units: str) -> str:
    """A stiffness without its unit: force for a thousandth of a millimetre, or of an inch.

    Examples
    --------
    >>> stiffness(50_000.0, "mm"), stiffness(50_000.0, "inch")
    ('50.0', '285.5')
    """
    per_thousandth = newton_per_mm * (1e-3 if units == "mm" else 0.0254)
    return fixed(per_thousandth / FORCE[FORCE_UNIT[units]], 1)
