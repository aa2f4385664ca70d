"""Text of a fit: faults first, then the lines, what moved, what is not determined, and the worst readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import Blunder, Estimate, Fit, FitDiagnostic, LineFit, TargetFit
from tiltwright.calibration.fit_wording import (
    blunder_sentence,
    diagnostic_sentence,
    estimate_meaning,
    fixed_sentence,
    length_text,
    outlier_sentence,
    undetected_sentences,
)
from tiltwright.files.diagnostics import first_few, sanitized
from tiltwright.output.numbers import fine, fixed
from tiltwright.output.tables import table, units_words, wrapped, wrapped_table

__all__ = ["blunder_text", "change_text", "diagnostic_text", "fit_text", "in_columns", "plus_minus", "span"]

_COLUMNS = 80
"""A projector's screen, and a narrow window's."""
_DEGREES = 5
_MOST_ROWS = 5
_MUCH_MM = 0.01
"""Common practice: touch probes repeat within micrometres, edge finders and indicators within hundredths."""
_MOST_LISTED = 12


def span(one: Estimate, value: float | None, units: str) -> str:
    """A value, u or U of an estimate in its unit; a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "-"
    return fine(value, units) if one.unit == "mm" else fixed(value, _DEGREES)


def plus_minus(one: Estimate, units: str) -> str:
    """An estimate in a sentence: "0.0139 ± 0.0016 mm"."""
    unit = units if one.unit == "mm" else "degrees"
    if one.fixed:
        return f"{span(one, one.value, units)} {unit} (partly as the machine file has it)"
    if one.expanded_uncertainty is None:
        return f"{span(one, one.value, units)} {unit} (uncertainty unknown: no redundant readings)"
    return f"{span(one, one.value, units)} ± {span(one, one.expanded_uncertainty, units)} {unit}"


def fit_text(fit: Fit, units: str, file: str, pasted: str = "", with_drift: Fit | None = None) -> str:
    """Text that `pivot fit` prints of a fit; `pasted` are the platter's lines for the machine file.

    `with_drift` is the same fit with a drift adjusted along, where one could hide.
    """
    targets = len(fit.targets)
    title = (
        f"Pivots of {fit.machine.name}, from {len(fit.readings)} readings of {targets} "
        f"target{'s' if targets > 1 else ''} ({sanitized(file)})\n"
        f"lengths in {units_words(units)}, machine coordinates at the all-zero pose; angles in degrees"
    )
    parts = [
        title,
        _lines(fit, units),
        _trust(fit, units),
        _verdict(fit, units),
        *([_fixed(fit, units)] if fit.fixed else []),
        *_outliers(fit, units),
        _systematic(fit, units),
        _hidden_drift(fit, with_drift, units),
        _location(fit, units),
        _between(fit, units),
        pasted,
        _worst(fit, units),
    ]
    return in_columns("\n\n".join(part for part in parts if part))


def in_columns(text: str) -> str:
    """The text with its sentences broken to the screen's width; tables stay as they are."""
    return "\n".join(_broken_line(line) for line in text.split("\n"))


def _broken_line(line: str) -> str:
    plain = line.lstrip(" ")
    if len(line) <= _COLUMNS or "  " in plain.rstrip():
        return line
    inset = line[: len(line) - len(plain)]
    return wrapped(plain, inset, f"{inset}    " if inset else "", columns=_COLUMNS)


def blunder_text(blunders: Sequence[Blunder], corrected: Fit | None, units: str) -> str:
    """Text of the mistakes in the readings, and of the fit with them put right."""
    certain = any(blunder.proves_mistake for blunder in blunders)
    head = (
        "STOP. These readings hold a mistake. Put it right before you use the numbers:"
        if certain
        else "CAUTION. These readings may hold a mistake. Check before you use the numbers:"
    )
    lines = [head]
    for blunder in blunders:
        sure = "certain" if blunder.certain else "this or the next" if blunder.rivals else "possible"
        lines.append(f"  ** {blunder.kind.upper()} ({sure}): {blunder_sentence(blunder, units)}")
        lines += _rows(blunder.rows)
        for rival in blunder.rivals:
            lines.append(f"  or {rival.kind.upper()} (explains it as well): {blunder_sentence(rival, units)}")
            lines += _rows(rival.rows)
    if corrected is not None:
        scatter = (
            "" if corrected.sigma_mm is None else f" (scatter of a reading: {_scatter(corrected, units)})"
        )
        which = "the first of these" if blunders[-1].rivals else "that"
        lines.append(f"  With {which} put right{scatter}:")
        lines += [
            f"     {change_text(line.letter, one, units)}" for line in corrected.lines for one in line.changes
        ]
    return in_columns("\n".join(lines))


def diagnostic_text(diagnostics: Sequence[FitDiagnostic], units: str) -> str:
    """Text of the certain faults that no classic mistake explains."""
    lines = ["STOP. Something is wrong with these readings. Find it before using the numbers:"]
    for one in diagnostics:
        if one.certain:
            lines += [f"  ** {one.kind.upper()}: {diagnostic_sentence(one, units)}", *_rows(one.rows)]
    return in_columns("\n".join(lines))


def _rows(rows: Sequence[int]) -> list[str]:
    """List of several rows, cut to a dozen."""
    if len(rows) < 2:  # a single one is in the sentence
        return []
    return [f"     rows {first_few(list(map(str, rows)), _MOST_LISTED)}"]


def _scatter(fit: Fit, units: str) -> str:
    assert fit.sigma_mm is not None
    if fit.readings.sigma_mm is not None:
        return f"{fit.sigma_mm:.2f} times the stated one"
    return f"{fine(fit.sigma_mm, units)} {units}"


def _lines(fit: Fit, units: str) -> str:
    head = ["rotary", "X", "Y", "Z", "i", "j", "k"]
    rows = []
    for line in fit.lines:
        rows.append(
            [f"{line.letter} line", *(fine(v, units) for v in line.point_mm), *_three(line.direction)]
        )
        rows.append(["u", *_u_cells(line, units, 1.0)])
        if fit.coverage_factor is not None:
            rows.append([f"U {fit.level * 100:g} %", *_u_cells(line, units, fit.coverage_factor)])
    where = (
        "Each line by its point nearest the old one, and its direction. A position along the line itself is "
        "never known (-), and quantities that the readings do not determine have no uncertainty either."
    )
    return f"{table(head, rows)}\n{where}"


def _three(vector: NDArray[np.float64]) -> list[str]:
    return [fixed(float(value), 7) for value in vector]


def _u_cells(line: LineFit, units: str, factor: float) -> list[str]:
    """Standard (factor 1) or expanded uncertainties of a line's point and direction."""
    if line.u_point_mm is None or line.u_direction_deg is None:
        return ["-"] * 6
    point = [fine(u * factor, units) if np.isfinite(u) else "-" for u in line.u_point_mm]
    directions = [
        fixed(float(np.radians(u_deg)) * factor, 7) if np.isfinite(u_deg) else "-"
        for u_deg in line.u_direction_deg
    ]
    return [*point, *directions]


def _trust(fit: Fit, units: str) -> str:
    lines = []
    own = fit.readings.sigma_mm is not None
    if fit.loss != "linear":
        reduced = int((fit.residuals.weight < 0.99).sum())
        lines.append(
            f"ROBUST: with the loss {fit.loss}, {reduced} of {len(fit.readings)} readings count for less."
        )
    if fit.sigma_mm is None:
        lines.append(
            "There are no redundant readings: as many equations as unknowns, so no uncertainty can be given. "
            "State the probe's with --sigma, or read more poses."
        )
    elif fit.sigma_stated:
        sigma = "as each reading states it" if own else f"{fine(fit.sigma_mm, units)} as stated"
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {sigma}; k = {fit.coverage_factor:.2f}."
        )
        if fit.dof == 0:
            lines.append("There are no redundant readings: a wrong reading would not show.")
        if fit.s0 is not None:
            scatter = f"{fit.s0:.2f} times what was stated" if own else fine(fit.s0, units)
            lines.append(f"The readings themselves scatter by {scatter} ({fit.dof} degrees of freedom).")
        if fit.p_value is not None and fit.p_value < 1e-3:
            lines.append(
                "That is far more than stated: the stated uncertainty is too small, or a reading is wrong."
            )
    elif fit.at_floor:
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {fine(fit.sigma_mm, units)}: that of rounding to "
            "the readings' last digit (one step over root 12). The readings scatter by less, so this is the least that "
            f"can be claimed; k = {fit.coverage_factor:.2f}."
        )
    else:
        sigma = f"{fit.sigma_mm:.2f} times what each reading states" if own else fine(fit.sigma_mm, units)
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {sigma}, from the readings themselves "
            f"({fit.dof} degrees of freedom; Student's t gives k = {fit.coverage_factor:.2f} for {fit.level * 100:g} %)."
        )
        if not own and fit.sigma_mm > _MUCH_MM:
            lines.append(
                "That is a lot for a touch probe, and little for an edge finder. If your probe is better than that, "
                "something moved or warmed up between readings: state your probe's uncertainty with --sigma, and the "
                "readings that disagree will show."
            )
    return "Uncertainty:\n" + "\n".join(f"  {line}" for line in lines)


def change_text(letter: str, one: Estimate, units: str) -> str:
    """Verdict on one parameter of the machine file, in a sentence."""
    linear = one.unit == "mm"
    where = (
        f"in {one.name}"
        if linear
        else f"about {dict(zip('ABC', 'XYZ', strict=True)).get(one.name, one.name)}"
    )
    if not linear and one.name not in {"A", "B", "C"}:
        where = f"({one.name})"
    if one.verdict == "partly determined":
        unit = units if linear else "degrees"
        verb = "moved" if linear else "turned"
        return f"{letter} {where}: {verb} by {span(one, one.value, units)} {unit}, but only a combination is known"
    if one.fixed:
        return f"{letter} {where}: left as it was"
    if one.verdict == "moved":
        on = ", if the directions that stay as they were are right" if one.tilt_sensitivity_mm > 0.0 else ""
        return f"{letter} {'moved' if linear else 'turned'} {plus_minus(one, units)} {where}{on}"
    if not one.verdict:
        return f"{letter} {where}: {plus_minus(one, units)} from the machine file"
    return f"{letter} {where}: {one.verdict} ({plus_minus(one, units)})"


def _verdict(fit: Fit, units: str) -> str:
    # What stays as it was is told once, with its reason, under "Not determined by these readings".
    lines = [
        change_text(line.letter, one, units)
        for line in fit.lines
        for one in line.changes
        if one.verdict == "partly determined" or not (one.fixed and fit.fixed)
    ]
    return "Against the machine file:\n" + "\n".join(f"  {line}" for line in lines) if lines else ""


def _fixed(fit: Fit, units: str) -> str:
    lines = "\n".join(f"  {fixed_sentence(one, units)}" for one in fit.fixed)
    return f"Not determined by these readings:\n{lines}"


def _outliers(fit: Fit, units: str) -> list[str]:
    if not fit.outliers:
        return []
    lines = "\n".join(f"  row {one.row}: {outlier_sentence(one, units)}" for one in fit.outliers)
    return [f"Suspects, the worst first (read them again before you use the numbers):\n{lines}"]


def _systematic(fit: Fit, units: str) -> str:
    """Errors that grow with an angle or with time: what was tested, adjusted, and would have shown."""
    lines = undetected_sentences(fit, units)
    return (
        "The rotaries' own angles, and drift:\n" + "\n".join(f"  {line}" for line in lines) if lines else ""
    )


def _hidden_drift(fit: Fit, with_drift: Fit | None, units: str) -> str:
    """The intervals that allow for a drift that could hide in these readings."""
    if with_drift is None:
        return ""
    (test,) = (one for one in fit.drifts if one.by == "order")
    size = "of any size" if test.detectable_mm is None else f"up to {length_text(test.detectable_mm, units)}"
    rows = [
        [f"{line.letter} {one.name}", plus_minus(one, units), plus_minus(along, units)]
        for line, wide in zip(fit.lines, with_drift.lines, strict=True)
        for one, along in zip(line.changes, wide.changes, strict=True)
        if not one.fixed
    ]
    if not rows:
        return ""
    head = (
        f"A slow drift {size} could hide in these readings: in this order, or with so few of them, it looks much like a "
        "line that moved. With more poses, in mixed order, and the first one read again at the end, it would show. "
        "Intervals as above, and with a drift adjusted along (--drift order):"
    )
    return f"{head}\n{table(['', 'as above', 'drift adjusted'], rows, left=1)}"


def _location(fit: Fit, units: str) -> str:
    rows = [
        [
            one.name,
            *(
                span(one, value, units)
                for value in (one.value, one.standard_uncertainty, one.expanded_uncertainty)
            ),
            units if one.unit == "mm" else "deg",
            estimate_meaning(one),
        ]
        for line in fit.lines
        for one in line.location_errors
        if not (one.fixed and fit.fixed)
    ]
    if not rows:
        return ""
    text = wrapped_table(["error", "value", "u", "U", "", "meaning"], rows, "lrrrll", _COLUMNS)
    return f"Axis location errors (notation of ISO 230-1):\n{text}"


def _between(fit: Fit, units: str) -> str:
    lines = [
        f"the {pair.first} and {pair.second} axes miss each other by {plus_minus(pair.distance, units)}; the angle "
        f"between them is {plus_minus(pair.angle, units)}"
        for pair in fit.pairs
    ]
    last = fit.machine.letters[-1]
    for target in fit.targets:
        lines += _heights(fit, target, units)
        # A tilt that is fixed is the one that was put in.
        if target.tilt is None or target.tilt.fixed:
            continue
        toward = (
            f", its normal leaning toward {target.tilt_toward_deg:.0f} degrees (from +X toward +Y)"
            if target.tilt_toward_deg is not None
            else ""
        )
        lines.append(_tilt(target.name, target.tilt, last, toward, units))
    return "Relative position of the axes:\n" + "\n".join(f"  {line}" for line in lines) if lines else ""


def _tilt(name: str, tilt: Estimate, last: str, toward: str, units: str) -> str:
    """A face's tilt: with the interval of a length, or not shown."""
    if tilt.interval is None:
        return f"{sanitized(name)} is out of square to the {last} axis by {plus_minus(tilt, units)}{toward}"
    low, high = (span(tilt, value, units) for value in tilt.interval)
    if tilt.verdict == "out of square":
        value = span(tilt, tilt.value, units)
        return f"{sanitized(name)} is out of square to the {last} axis by {value} degrees ({low} to {high}){toward}"
    return f"{sanitized(name)} is not shown to be out of square to the {last} axis ({high} degrees at most)"


def _heights(fit: Fit, target: TargetFit, units: str) -> list[str]:
    """Lines about a face's height, and about the machine file's platter where it is the platter's."""
    if target.face_height is None:
        return []
    name, face = sanitized(target.name), target.face_height
    above = "".join(
        f", {plus_minus(one, units)} above the {letter} axis" for letter, one in target.heights_above
    )
    lines = [f"face of {name}: Z {plus_minus(face, units)} at the all-zero pose{above}"]
    filed = fit.machine.platter.face_mm
    if not target.name.lower().startswith("platter") or filed is None:
        return lines
    off = replace(face, value=face.value - filed)
    if off.fixed:
        verdict = "not determined"
    elif off.expanded_uncertainty is None:
        verdict = f"{plus_minus(off, units)} from it"
    else:
        moved = abs(off.value) > off.expanded_uncertainty
        verdict = f"{'moved' if moved else 'not shown to have moved'} ({plus_minus(off, units)})"
    lines.append(
        f"  the machine file's platter face is {fine(filed, units)}: {verdict}; "
        "change `face` under [platter] by hand, or with --write --with-face"
    )
    return lines


def _worst(fit: Fit, units: str) -> str:
    """Table of the largest residuals; studentised, 2 is ordinary and 5 is suspicious."""
    residuals, readings = fit.residuals, fit.readings
    size = np.abs(residuals.studentised)
    order = np.argsort(np.where(np.isfinite(size), -size, np.inf), kind="stable")[:_MOST_ROWS]
    rows = [
        [
            str(readings.row(int(i))),
            sanitized(readings.names[int(readings.target[i])])[:34],
            " ".join(
                f"{letter}{angle:g}"
                for letter, angle in zip(fit.machine.letters, readings.angles_deg[i], strict=True)
            ),
            fine(float(residuals.size_mm[i]), units),
            f"{residuals.studentised[i]:.1f}",
        ]
        for i in order
        if np.isfinite(size[i])
    ]
    if not rows:
        return ""
    head = ["row", "target", "pose", "residual", "studentised"]
    return f"The readings that fit worst:\n{table(head, rows, left=3)}"
