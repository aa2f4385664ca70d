"""The materials that the program knows; a job file may add its own."""

from __future__ import annotations

__all__ = ["MATERIALS"]

MATERIALS: dict[str, tuple[float, float]] = {
    "steel": (7850.0, 200.0),
    "aluminium": (2710.0, 68.9),
    "gray iron": (7190.0, 67.0),
}
"""Density in kg/m3 and modulus in GPa of structural steel A36, aluminium 6061-T6 and gray cast iron of class 20, as an
engineering-mechanics textbook's appendix of typical material properties lists them. Books differ by a few per cent."""
