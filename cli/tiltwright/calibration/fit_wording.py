"""Sentences for the results of a fit, lengths in the unit that is shown.

The library reports kinds, letters, targets, rows and numbers in millimetres and degrees; each kind is worded here, once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from kinematics.calibration import (
    AngleError,
    Blunder,
    CoordinateError,
    Drift,
    Estimate,
    Fit,
    FitDiagnostic,
    FixedParameter,
    Outlier,
    TargetKind,
)
from tiltwright.files.diagnostics import enumeration, sanitized
from tiltwright.output.numbers import UNIT_MM

__all__ = [
    "angle_error_text",
    "blunder_sentence",
    "diagnostic_sentence",
    "drift_text",
    "estimate_meaning",
    "fixed_sentence",
    "length_text",
    "outlier_sentence",
    "shown_from",
    "undetected_sentences",
]

_AXES = "XYZ"
_TURNS = "ABC"


def length_text(value_mm: float, units: str, form: str = ".3g") -> str:
    """A length in a sentence, in the unit shown; `form` is ".4f" (a decimal more in inches) or ".3g" (digits).

    Examples
    --------
    >>> length_text(0.31234, "mm"), length_text(0.31234, "inch"), length_text(1234.5, "mm")
    ('0.312 mm', '0.0123 inch', '1234 mm')
    >>> length_text(0.31234, "mm", ".4f"), length_text(0.31234, "inch", ".4f")
    ('0.3123 mm', '0.01230 inch')
    """
    if units == "mm" and not form.endswith("g"):
        return f"{value_mm:{form}} mm"
    value = value_mm / UNIT_MM[units]
    if not form.endswith("g"):
        return f"{value:.{int(form[1:-1]) + 1}f} {units}"
    digits = int(form[1:-1] or 3)
    # Fixed notation: nobody reads 1e+03 at the machine.
    size = math.floor(math.log10(abs(value))) if value else 0
    text = f"{value:.{max(digits - 1 - size, 0)}f}"
    if "." in text and (units == "mm" or not value):
        text = text.rstrip("0").rstrip(".")
    return f"{text} {units}"


def _by_axis(shift_mm: Sequence[float], units: str, digits: str) -> str:
    return ", ".join(
        f"{axis} {length_text(part, units, digits)}" for axis, part in zip(_AXES, shift_mm, strict=True)
    )


def _vector(vector: Sequence[float]) -> str:
    return f"({', '.join(f'{value:.3f}' for value in vector)})"


def _axis(vector: Sequence[float]) -> str | None:
    """The machine axis that a direction nearly is, or None."""
    k = max(range(3), key=lambda j: abs(vector[j]))
    return _AXES[k] if abs(vector[k]) > 0.9 else None


def estimate_meaning(one: Estimate) -> str:  # noqa: C901, PLR0911 - one case for each kind
    """Meaning of an estimate, in a phrase."""
    letter, target = one.letters[0] if one.letters else "", sanitized(one.target)
    match one.kind:
        case "location error" if one.unit == "mm":
            own = _AXES[_TURNS.index(letter)]
            return (
                f"distance of {letter}'s line toward +{one.name[2]} from the machine file's, "
                f"at the {own} of its point there"
            )
        case "location error":
            about, k = _TURNS.index(one.name[2]), _TURNS.index(letter)
            toward, sign = _AXES[3 - about - k], "+" if (about + 1) % 3 == k else "-"
            return (
                f"turn of {letter}'s line about {_AXES[about]}, from the machine's {_AXES[k]}: "
                f"if positive, its +{_AXES[k]} end leans toward {sign}{toward}"
            )
        case "axis shift" if one.name in (*_AXES, *_TURNS):
            if one.unit == "mm":
                return f"{letter}'s line against the machine file, along {one.name}"
            return f"{letter}'s line against the machine file, turned about {_AXES[_TURNS.index(one.name)]}"
        case "axis shift":
            return f"{letter}'s line against the machine file, {one.name}"
        case "distance":
            return f"shortest distance between {enumeration([f'the {c} axis' for c in one.letters])}"
        case "angle":
            return f"angle between {enumeration([f'the {c} axis' for c in one.letters])}"
        case "tilt":
            return f"how far {target} is out of square to the {letter} axis"
        case "face height":
            return f"machine Z of {target} where the {letter} axis goes through it, at the all-zero pose"
        case "height above":
            return f"height of {target} above the {letter} axis, along {one.letters[1]}'s"
    raise AssertionError(one.kind)


def fixed_sentence(one: FixedParameter, units: str) -> str:  # noqa: PLR0911 - one case for each kind
    """A sentence about a parameter that the readings do not determine."""
    letter, names = one.letter, _component_names(one)
    ask = {
        "direction": "a target farther out along the line, or read at more angles, would show it",
        "position": "a ball away from the line, read at angles well apart, would show it",
        "line": "",
    }[one.quantity]
    match one.kind:
        case "rotary not turned" if one.angle_deg is None:
            return (
                f"{letter} does not turn in these readings; {letter}'s line stays as the machine file has it."
            )
        case "rotary not turned":
            return (
                f"{letter} stands at {one.angle_deg:g} degrees in every reading; {letter}'s line stays as the machine "
                "file has it, and the other lines are right only if it is."
            )
        case "not determined":
            return f"{letter}'s {one.quantity} stays as the machine file has it: no reading shows it ({ask})."
        case "component not determined":
            return f"{letter}'s {names[0]} stays as the machine file has it: no reading shows it ({ask})."
        case "combination only":
            return (
                f"{letter}'s {enumeration(names)}: the readings give only a combination of the two; "
                "the rest stays as the machine file has it."
            )
        case "one direction only":
            assert one.shift_mm is not None
            axes = enumeration([_AXES[k] for k in range(3) if abs(one.axes[0][k]) > 1e-3])
            return (
                f"{letter} in {axes} together: the readings give the position along {_vector(one.axes[0])} only, where it "
                f"moved by {length_text(one.shift_mm, units, '.4f')}. Across that it stays as the machine file has it "
                "(turning to a third angle would show it)."
            )
        case "conditional":
            assert one.sensitivity_mm is not None
            return (
                f"{letter}'s position is right only if the directions that stay as they were are right: for each 0.01 "
                f"degrees that they are off it moves by up to {length_text(one.sensitivity_mm, units, '.4f')}, and its "
                "uncertainty does not include that."
            )
        case "target direction":
            assert one.target_kind is not None
            kind = one.target_kind
            thing = "face" if kind is TargetKind.FACE else f"{kind.value}'s axis"
            origin = "as stated" if one.stated else "from the machine file and the poses"
            return (
                f"The direction of {sanitized(one.target)} ({thing}) is taken {origin}, {_vector(one.axes[0])} at the "
                "all-zero pose: the readings do not fully show it."
            )
    raise AssertionError(one.kind)


def _component_names(one: FixedParameter) -> list[str]:
    word, joint = ("position", "in") if one.quantity == "position" else ("direction", "about")
    names = []
    for vector in one.axes:
        axis = _axis(vector)
        if axis is None:
            names.append(f"{word} {'along' if word == 'position' else 'about'} {_vector(vector)}")
        else:
            names.append(f"{word} {joint} {axis}")
    return names


def outlier_sentence(one: Outlier, units: str) -> str:
    """A sentence about a reading that disagrees with the others."""
    return (
        f"{sanitized(one.target)} is about {length_text(one.distance_mm, units)} from where the other readings put it; "
        f"the chance that scatter alone does that to any reading is {one.p_value:.1g}"
    )


def blunder_sentence(one: Blunder, units: str) -> str:  # noqa: C901, PLR0911 - one case for each kind
    """A sentence about a mistake in the readings."""
    names = ", ".join(sanitized(name) for name in one.targets)
    size = "" if one.size_mm is None else length_text(one.size_mm, units)
    radius = "" if one.size_mm is None else length_text(one.size_mm, units, ".3f")
    target = sanitized(one.target)
    match one.kind:
        case "sense reversed":
            verb = "turns" if len(one.letters) == 1 else "turn"
            return (
                f"{enumeration(one.letters)} {verb} the other way round than the machine file says: with `positive_turn` "
                f"reversed the readings fit far better{_misfits(one, units)}."
            )
        case "columns swapped":
            first, second = one.letters
            return (
                f"the {first} and {second} columns are swapped: the other way round the readings fit far "
                f"better{_misfits(one, units)}."
            )
        case "inches for millimetres" | "millimetres for inches":
            says, are = ("mm", "inches") if one.kind.startswith("inches") else ("inches", "mm")
            return (
                f"the readings are marked as {says} but look like {are}: only then do the lines come out where the "
                "machine file has them."
            )
        case "targets confused":
            rows = f"row{'s' if len(one.rows) > 1 else ''} {', '.join(map(str, one.rows))}"
            return (
                f"{rows}: {target} was confused with {sanitized(one.other_target)}; under the other name the readings "
                f"fit far better{_misfits(one, units)}."
            )
        case "target slipped":
            return f"{target} slipped before row {one.rows[0]}: from there on it is about {size} off its old place on the table."
        case "zero moved":
            assert one.shift_mm is not None
            parts = _by_axis(one.shift_mm, units, ".3f")
            again = (
                ""
                if one.certain or one.rivals
                else " What is left over hints at another move, so row and amount are not certain."
            )
            return (
                f"from row {one.rows[0]} on{_about(one)}, every reading is off by about {size} ({parts}): did the "
                f"machine's zero move, or was it hit?{again} Read all of them again in one go."
            )
        case "zero moved repeatedly":
            return (
                f"the readings jump {len(one.rows)} times, at rows {enumeration(list(map(str, one.rows)))}, by up to {size}: did "
                "the machine's zero, the probe or the fixture come and go? Find what is loose, then read all of them again "
                "in one go."
            )
        case "radius left on" if one.certain or one.rivals:
            return (
                f"a stylus radius of about {radius} was not taken off the side touches of {names}; the touches along "
                "the spindle are right."
            )
        case "radius left on":
            return (
                f"a stylus radius of about {radius} may not have been taken off the side touches of {names}: a line "
                "that has moved as far would read the same."
            )
        case "ball read at its top":
            return (
                f"the readings of {names} are about {radius} too high along the spindle at every pose: was the top of the "
                "ball read instead of its centre?"
            )
        case "coordinates swapped" if one.axes:
            return (
                f"the {one.axes[0]} and {one.axes[1]} columns look swapped: only the other way round do the readings "
                "of a target agree."
            )
    return _row_sentence(one, units)


def _about(one: Blunder) -> str:
    """The rows between which a move came, where the readings leave more than one."""
    if one.first_rows is None or one.first_rows[0] == one.first_rows[1]:
        return ""
    first, last = one.first_rows
    return f" (it may have come at any row from {first} to {last})"


def _misfits(one: Blunder, units: str) -> str:
    if one.scatter_mm is None:
        return ""
    before, after = (length_text(scatter, units, ".2g") for scatter in one.scatter_mm)
    return f" (the misfit drops from {before} to {after})"


def _row_sentence(one: Blunder, units: str) -> str:
    """A sentence about a gross error in a single row."""
    head = f"row {one.rows[0]} ({sanitized(one.target)})"
    axes = [error.axis for error in one.coordinates]
    ask = {
        "sign wrong": "is the sign wrong?" if len(axes) == 1 else "are the signs wrong?",
        "coordinates swapped": f"were {enumeration(axes)} swapped?",
        "inches in one row": "is it in inches?",
        "millimetres in one row": "is it in millimetres?",
        "decimal point slipped": "is the decimal point in the wrong place?",
        "reading far off": "",
    }[one.kind]
    if not one.coordinates:
        assert one.size_mm is not None
        far = length_text(one.size_mm, units, ".0f")
        return f"{head} is {far} from where the machine file and the other readings put it"
    found = "; ".join(_coordinate(error, units) for error in one.coordinates)
    return f"{head}: {found}{': ' if ask else ''}{ask}"


def _coordinate(error: CoordinateError, units: str) -> str:
    read, expected = (length_text(value, units, ".1f") for value in (error.read_mm, error.expected_mm))
    return f"{error.axis} is {read}, expected about {expected}"


def diagnostic_sentence(one: FitDiagnostic, units: str) -> str:  # noqa: PLR0911 - one case for each kind
    """A sentence about a fault of the readings or of the fit."""
    match one.kind:
        case "outside the travels":
            return _travel_sentence(one, units)
        case "scatter":
            if one.times_stated is not None:
                much = f"the readings scatter by {one.times_stated:.3g} times what was stated"
            else:
                assert one.scatter_mm is not None
                scatter = length_text(one.scatter_mm, units, ".2g")
                much = f"the readings scatter by {scatter} (standard deviation), more than any probe does"
            return f"{much}: some are wrong, or were taken in another way than the others."
        case "far from the machine file":
            far = f"{one.tilt_deg:.2g} degrees" if one.shift_mm is None else length_text(one.shift_mm, units)
            return (
                f"{one.letter}'s line comes out {far} away from the machine file; lines don't move that far by "
                "themselves. Are these the right machine file, tool length and radius, and were balls read at their "
                "centres? If the rotary was bolted on anew or hit, this may be right."
            )
        case "gross outlier":
            return _gross_sentence(one, units)
        case "angle error":
            assert one.angle_error is not None
            return (
                f"{angle_error_text(one.angle_error)}. The uncertainties below do not cover that. Adjust it along with the "
                f"lines: --angle-errors {one.letter}; then have the rotary's scale and encoder looked at: the machine file "
                "has no place for such an error, and the work offsets keep it."
            )
        case "drift":
            assert one.drift is not None
            return (
                f"{drift_text(one.drift, units)}. The uncertainties below do not cover that. Adjust it along with the "
                f"lines: --drift {one.drift.by}; better, let the machine warm up and read all of it again in one go, with the "
                "first pose once more at the end."
            )
        case "partly determined":
            return (
                f"{one.letter}'s line is only partly determined: its {enumeration(one.names)} moved, but only a combination of "
                "these is known."
            )
    raise AssertionError(one.kind)


def angle_error_text(one: AngleError) -> str:
    """A significant error of a rotary's own angle, with its size."""
    assert one.size_arcsec is not None
    assert one.u_arcsec is not None
    size = f"{one.size_arcsec:.0f} arc seconds (u = {max(one.u_arcsec, 0.5):.0f})"
    if one.component == "by a factor":
        assert one.factor is not None
        return (
            f"{one.letter}'s own angle is off by a factor: it turns {one.factor:.6f} degrees for each degree that it "
            f"shows, {size} over the range that was read"
        )
    assert one.largest_at_deg is not None
    return f"{one.letter}'s own angle is off by {size} {one.component}, most at {one.letter}{one.largest_at_deg:.0f}"


def drift_text(one: Drift, units: str) -> str:
    """A significant drift, with its size and direction."""
    assert one.size_mm is not None
    assert one.shift_mm is not None
    parts = _by_axis(one.shift_mm, units, ".4f")
    between = (
        "from the first reading to the last"
        if one.by == "order"
        else "with the temperature, from the coldest reading to the warmest"
    )
    return f"the readings drift by {length_text(one.size_mm, units, '.4f')} ({parts}) {between}"


def shown_from(angle_errors: Sequence[AngleError], drifts: Sequence[Drift], units: str) -> list[str]:
    """Sizes from which on errors of the rotaries' own angles and drifts show, a line for each rotary and drift."""
    found = []
    for letter in dict.fromkeys(one.letter for one in angle_errors):
        mine = [one for one in angle_errors if one.letter == letter]
        sizes = [f"{one.component} {_arcsec(one.detectable_arcsec)}" for one in mine]
        found.append(f"{letter}'s own angle: {', '.join(sizes)}")
    for drift in drifts:
        what = "drift while probing" if drift.by == "order" else "drift with temperature"
        size = "not at all" if drift.detectable_mm is None else length_text(drift.detectable_mm, units, ".4f")
        found.append(f"{what}: {size}")
    return found


def _arcsec(size: float | None) -> str:
    return "not at all" if size is None else f"{max(size, 1.0):.0f} arc seconds"


def undetected_sentences(fit: Fit, units: str) -> list[str]:
    """Sentences on the tests of the angles and of drift that found nothing: the size from which they would, what was adjusted."""
    found = shown_from(
        [one for one in fit.angle_errors if not one.significant],
        [one for one in fit.drifts if not one.significant],
        units,
    )
    if found:
        head = "None found, and the uncertainties above take them as none. Errors of this size would have shown (99 cases in 100):"
        found = [head, *(f"  {line}" for line in found)]
    for curve in fit.angle_curves:
        u = "" if curve.u_arcsec is None else f" (u = {max(curve.u_arcsec, 0.5):.0f})"
        rest = (
            ""
            if curve.estimable
            else " These poses do not determine all of it; what is missing is taken as none."
        )
        found.append(
            f"{curve.letter}'s own angle was adjusted along: off by up to {abs(curve.largest_arcsec):.0f} arc seconds{u}, "
            f"at {curve.letter}{curve.largest_at_deg:g}. The machine file has no place for that: the work offsets keep "
            f"it.{rest}"
        )
    for drift in fit.drift_fits:
        u = "" if drift.u_mm is None else f" (u = {length_text(drift.u_mm, units, '.2g')})"
        parts = _by_axis(drift.shift_mm.tolist(), units, ".4f")
        span, at = (
            ("from the first reading to the last", "first")
            if drift.by == "order"
            else ("from the coldest reading to the warmest", "coldest")
        )
        rest = (
            ""
            if drift.estimable
            else " These readings do not determine all of it; what is missing is taken as none."
        )
        found.append(
            f"A drift was adjusted along: {length_text(drift.size_mm, units)}{u} {span} ({parts}). The lines are those at "
            f"the {at} reading.{rest}"
        )
    return found


def _travel_sentence(one: FitDiagnostic, units: str) -> str:
    assert one.value_mm is not None
    assert one.low_mm is not None
    assert one.high_mm is not None
    read, low, high = (length_text(value, units, ".4g") for value in (one.value_mm, one.low_mm, one.high_mm))
    example = f"{one.axis} {read}, travel {low} to {high}"
    if len(one.rows) == 1:
        found = f"row {one.rows[0]} lies outside the travels ({example})"
    else:
        found = f"{len(one.rows)} of {one.readings} readings lie outside the travels (row {one.rows[0]}: {example})"
    if one.sign_lost:
        return f"{found}: were minus signs lost?"
    return f"{found}: are these machine coordinates, in the unit stated?"


def _gross_sentence(one: FitDiagnostic, units: str) -> str:
    rows = ", ".join(map(str, one.rows))
    what_to_do = "read again, or leave it out; a robust loss gives it little weight"
    if len(one.rows) > 1:
        return f"rows {rows}: scatter does not do this; {what_to_do.replace(' it', ' them')}."
    outlier = one.outliers[0]
    far = length_text(outlier.distance_mm, units)
    return (
        f"row {rows}: {sanitized(outlier.target)} is about {far} from where the other readings put it, and scatter does "
        f"not do this; {what_to_do}."
    )
