"""Materials known to the program; a job file may add others."""

from __future__ import annotations

__all__ = ["MATERIALS"]

_ALUMINIUM = (2710.0, 68.9)
_GRAY_IRON = (7190.0, 67.0)

MATERIALS: dict[str, tuple[float, float]] = {
    "steel": (7850.0, 200.0),
    "aluminium": _ALUMINIUM,
    "aluminum": _ALUMINIUM,
    "gray iron": _GRAY_IRON,
    "grey iron": _GRAY_IRON,
}
"""Density in kg/m3 and modulus of elasticity in GPa of structural steel A36, aluminium 6061-T6 and gray cast iron of
class 20, as an engineering-mechanics textbook's appendix of typical material properties lists them. Books differ by a
few per cent."""
