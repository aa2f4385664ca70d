"""The words for what is uncertain, and for what is taken as exact."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from kinematics.uncertainty import QUANTITY_UNITS, SetupModel, UncertainQuantity, UncertaintySource
from tiltwright.output.numbers import (
    ANGLE_DECIMALS,
    DECIMALS,
    UNIT_SYMBOL,
    fine,
    fixed,
    in_units,
    length,
    with_plus,
)
from tiltwright.uncertainty.evaluation import TakenAsExact

__all__ = [
    "cause_words",
    "exact_words",
    "half_width_words",
    "in_nest",
    "quantity_words",
    "signed",
    "size_words",
    "source_words",
]

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


def in_nest(name: str, nest: str | None) -> str:
    """The name of an operation, a feature or a seam with its nest behind it, where the job has nests."""
    return name if nest is None else f"{name} ({nest})"


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
"""Words for it, the usual size (mm or degrees, common practice), and the key that states it."""


def exact_words(exact: Iterable[TakenAsExact], units: str) -> list[str]:
    """List of what is taken as exact, one line for each kind, with the size that is usual."""
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
    if kind == "coefficient":
        return f"coefficients of expansion ({', '.join(names)}): as they stand (usual: 5 to 10 % from one alloy to the next)"
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


def quantity_words(model: SetupModel, quantity: UncertainQuantity, units: str = "mm") -> str:
    """The name of a single quantity, as reports and options have it; a place in it in the unit shown."""
    kind, owner, component = quantity.kind, quantity.owner, quantity.component
    if kind in {"line shift", "line tilt"}:
        what = "position along" if kind == "line shift" else "direction toward"
        return f"{owner} axis: {what} {_across(model, quantity)[0]}"
    if kind == "rotary angle":
        return f"{owner} axis: angle at {_place(quantity, units)}"
    if kind == "axis position":
        return f"{owner} axis: position at {_place(quantity, units)}"
    words = source_words(UncertaintySource(kind, owner, (quantity,), np.zeros((1, 1))))
    if kind in {"step lean", "part lean", "platter tilt"}:
        return f"{words} about {component}"
    return f"{words} {component}" if component else words


def _across(model: SetupModel, quantity: UncertainQuantity) -> tuple[str, float]:
    """The machine axis along which a line shifts or tilts, and the sign with which it does; of a slanting line, its number."""
    i = model.machine.index(quantity.owner)
    across = model.line_basis[i][int(quantity.component) - 1]
    k = int(np.abs(across).argmax())
    if abs(across[k]) > _ALONG:
        return "XYZ"[k], float(np.sign(across[k]))
    return (
        f"direction {quantity.component} across it ({', '.join(fixed(one, 3) for one in across.tolist())})",
        1.0,
    )


_ALONG = 0.999
"""A line's direction across it counts as a machine axis within 2.6 degrees."""


def signed(model: SetupModel, quantity: UncertainQuantity, value: float) -> float:
    """A quantity's value as it is shown: of a line, along the machine's axis."""
    if quantity.kind in {"line shift", "line tilt"}:
        return value * _across(model, quantity)[1]
    return value


def size_words(quantity: UncertainQuantity, value: float, units: str) -> str:
    """Size of a quantity's error, with its unit and a sign."""
    unit = quantity.unit
    if unit == "mm":
        return f"{with_plus(fine(value, units))} {UNIT_SYMBOL[units]}"
    if unit == "K":
        return f"{with_plus(fixed(value, 1))} K"
    if quantity.kind == "rotary angle":
        return f"{with_plus(fixed(value * 3600.0, 0))} arcsec"
    return f"{with_plus(fixed(value, ANGLE_DECIMALS))} degrees"


_CAUSES = {
    "step up": "{owner} {size} {taller} than stated",
    "step shift": "{owner} {size} off in {sign}{component}",
    "step turn": "{owner} clocked by {signed}",
    "step lean": "{owner} leaning by {signed} about {component}",
    "platter face": "platter's face {size} {higher} than stated",
    "platter tilt": "platter leaning by {signed} about {component}",
    "line shift": "{owner} axis {size} off in {sign}{across}",
    "line tilt": "{owner} axis tipped by {size} toward {sign}{across}",
    "rotary angle": "{owner} stands {signed} off at {at}",
    "axis position": "{owner} stands {signed} off at {at}",
    "touch-off": "touch-off {signed} off in {component}",
    "tool length": "{owner} {size} {longer} than stated",
    "tool diameter": "{owner} {size} {larger} in diameter than stated",
    "temperature": "{warmed} by {size}",
}


def cause_words(model: SetupModel, quantity: UncertainQuantity, value: float, units: str) -> str:
    """Sentence on what is wrong if a quantity is off by so much, as it is said in the shop."""
    stated = signed(model, quantity, value)
    up = stated > 0.0
    across = _across(model, quantity)[0] if quantity.kind in {"line shift", "line tilt"} else ""
    return _CAUSES[quantity.kind].format(
        owner=quantity.owner,
        component=quantity.component,
        across=across,
        size=size_words(quantity, abs(stated), units).lstrip("+"),
        signed=size_words(quantity, stated, units),
        sign="+" if up else "-",
        at=_place(quantity, units),
        taller="taller" if up else "shorter",
        higher="higher" if up else "lower",
        longer="longer" if up else "shorter",
        larger="larger" if up else "smaller",
        warmed="warmed" if up else "cooled",
    )


def _place(quantity: UncertainQuantity, units: str) -> str:
    """Place of a positioning error: an angle, or a coordinate in the unit shown."""
    place = quantity.place or 0.0
    if quantity.unit == "mm":
        return f"{length(place, units)} {UNIT_SYMBOL[units]}"
    return fixed(place, 3).rstrip("0").rstrip(".")
