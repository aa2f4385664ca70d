"""The words for what is uncertain, and for what is taken as exact."""

from __future__ import annotations

from collections.abc import Iterable

from kinematics.uncertainty import QUANTITY_UNITS, UncertaintySource
from tiltwright.output.numbers import ANGLE_DECIMALS, DECIMALS, UNIT_SYMBOL, fixed, in_units
from tiltwright.uncertainty.evaluation import TakenAsExact

__all__ = ["exact_words", "fine", "half_width_words", "source_words"]

_WHAT = {
    "calibration": "calibration of the rotary axes",
    "line shift": "{} axis: position",
    "line tilt": "{} axis: direction",
    "platter face": "platter: face",
    "platter tilt": "platter: lean",
    "rotary angle": "{} axis: positioning",
    "axis position": "{} axis: positioning",
    "step up": "{}: up",
    "step shift": "{}: shift",
    "step turn": "{}: turn",
    "step lean": "{}: lean",
    "part up": "re-clamping: up",
    "part shift": "re-clamping: shift",
    "part turn": "re-clamping: turn",
    "part lean": "re-clamping: lean",
    "touch-off": "touch-off",
    "tool length": "{}: length",
    "tool diameter": "{}: diameter",
    "temperature": "temperature",
}


def source_words(source: UncertaintySource) -> str:
    """The name of a source, as every report has it."""
    kind, owner = source.kind, source.owner
    what = _WHAT[kind]
    if kind == "touch-off" or kind.startswith("part"):
        # One of each nest, or one of all.
        first, _, last = what.partition(":")
        return f"{first}{f', {owner}' if owner else ''}{':' if last else ''}{last}"
    return what.replace("{}", owner)


def fine(value_mm: float, units: str) -> str:
    """A length with one decimal more than a sheet shows: an uncertainty is small."""
    return fixed(in_units(value_mm, units), DECIMALS[units] + 1)


def half_width_words(source: UncertaintySource, share: float, units: str) -> str:
    """A share of a source's limits, or of its standard uncertainty, in words; empty for a calibration."""
    if source.kind in {"calibration", "temperature"}:
        return ""
    limits = source.distribution == "rectangular"
    size = share * float(source.u.max()) * (3.0**0.5 if limits else 1.0)
    if source.quantities[0].unit == "mm":
        text = f"{fine(size, units)} {UNIT_SYMBOL[units]}"
    elif size < 0.01:
        text = f"{fixed(size * 3600.0, 1)} arcsec"
    else:
        text = f"{fixed(size, ANGLE_DECIMALS)} degrees"
    return f"within {text}" if limits else f"to a standard uncertainty of {text}"


_USUAL: dict[str, tuple[str, float, float, str]] = {
    "line shift": ("position of the {} axis", 0.005, 0.03, "position_within"),
    "line tilt": ("direction of the {} axis", 0.003, 0.02, "direction_within"),
    "platter face": ("height of the platter's face", 0.005, 0.02, "face_within"),
    "platter tilt": ("lean of the platter's face", 0.002, 0.01, "normal_within"),
    "rotary angle": ("angle of the {} axis", 10.0 / 3600.0, 60.0 / 3600.0, "positioning"),
    "axis position": ("positioning of {}", 0.003, 0.015, "[positioning]"),
    "step up": ("height of {}", 0.003, 0.03, "up_within"),
    "step shift": ("shift of {}", 0.01, 0.05, "shift_within"),
    "step turn": ("clocking of {}", 0.005, 0.05, "turn_within"),
    "step lean": ("lean of {}", 0.002, 0.02, "lean_within"),
    "part shift": ("re-clamping", 0.005, 0.03, "[reclamping]"),
    "part up": ("re-clamping, height", 0.002, 0.02, "up_within"),
    "part turn": ("re-clamping, clocking", 0.005, 0.05, "turn_within"),
    "part lean": ("re-clamping, lean", 0.002, 0.02, "lean_within"),
    "touch-off": ("touch-off", 0.002, 0.01, "repeatability"),
    "tool length": ("tool lengths", 0.003, 0.01, "length_within"),
    "tool diameter": ("tool diameters", 0.005, 0.02, "diameter_within"),
}
"""What it is, the usual size (mm or degrees, common practice), and the key that states it."""


def exact_words(exact: Iterable[TakenAsExact], units: str) -> list[str]:
    """What is taken as exact, one line for each kind, with the size that is usual."""
    owners: dict[str, list[str]] = {}
    lines = []
    for one in exact:
        if one.kind == "held":
            lines.append(f"not determined by the calibration: {one.words}")
        elif one.kind == "lines edited":
            lines.append(
                "the machine file's axes have been changed since the last calibration in its log, so that calibration "
                "does not count"
            )
        else:
            owners.setdefault(one.kind, []).append(one.owner)
    for kind, names in owners.items():
        lines.append(_one_kind(kind, [name for name in names if name], units))
    return lines


def _one_kind(kind: str, names: list[str], units: str) -> str:
    if kind == "temperature":
        return "temperature: set-up and run taken as equally warm; state [temperature] (a shop may change by 2 to 8 K in a day)"
    if kind == "expansion":
        return f"growth with temperature: no material or growth is stated for {'; '.join(names)}"
    what, low, high, key = _USUAL[kind]
    joined = "; ".join(names) if any("," in name for name in names) else ", ".join(names)
    # A phrase without a place for names gets them behind it.
    words = what.format(joined) if "{}" in what else what + (f" ({joined})" if joined else "")
    return f"{words}: state {key} (usual: {_size(kind, low, high, units)})"


def _size(kind: str, low: float, high: float, units: str) -> str:
    if QUANTITY_UNITS[kind] == "mm":  # type: ignore[index]  # the kinds of `_USUAL`
        decimals = DECIMALS[units]
        ends = (fixed(in_units(one, units), decimals) for one in (low, high))
        return f"{' to '.join(ends)} {UNIT_SYMBOL[units]}"
    if kind == "rotary angle":
        return f"{low * 3600.0:.0f} to {high * 3600.0:.0f} arcsec"
    return f"{low:g} to {high:g} degrees"
