"""A fit as a setter reads it: what is wrong first, then the lines, what moved, what stayed unknown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import Blunder, Estimate, Fit, FitDiagnostic, LineFit, TargetFit, in_unit
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.numbers import DECIMALS, UNIT_MM, fixed, in_units
from tiltwright.output.tables import table, units_words

__all__ = ["blunder_words", "finding_words", "fine", "fit_text", "moved_words", "plus_minus", "said", "span"]

_DEGREES = 5
_MOST_ROWS = 5
_MUCH_MM = 0.01
"""Common practice: touch probes repeat within micrometres, edge finders and indicators within hundredths."""
_MOST_LISTED = 12


def fine(value_mm: float, units: str) -> str:
    """A length one decimal finer than offsets are loaded with: what is compared, not what is typed in."""
    return fixed(in_units(value_mm, units), DECIMALS[units] + 1)


def said(words: str, units: str) -> str:
    """A sentence of the library in the unit that is shown, fit for a terminal."""
    return sanitized(in_unit(words, units, UNIT_MM[units]))


def span(one: Estimate, value: float | None, units: str) -> str:
    """A value, u or U of an estimate in its unit; a dash where there is none."""
    if value is None or not np.isfinite(value):
        return "-"
    return fine(value, units) if one.unit == "mm" else fixed(value, _DEGREES)


def plus_minus(one: Estimate, units: str) -> str:
    """An estimate in a sentence: "0.0139 ± 0.0016 mm"."""
    unit = units if one.unit == "mm" else "degrees"
    if one.held:
        return f"{span(one, one.value, units)} {unit} (partly as the machine file has it)"
    if one.expanded is None:
        return f"{span(one, one.value, units)} {unit} (nothing tells how sure)"
    return f"{span(one, one.value, units)} ± {span(one, one.expanded, units)} {unit}"


def fit_text(fit: Fit, units: str, file: str) -> str:
    """What `pivot fit` prints of an answer."""
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
        *([_held(fit, units)] if fit.held else []),
        *_suspects(fit, units),
        _location(fit, units),
        _between(fit, units),
        _worst(fit, units),
    ]
    return "\n\n".join(part for part in parts if part)


def blunder_words(blunders: Sequence[Blunder], mended: Fit | None, units: str) -> str:
    """The mistakes that the readings show, before everything else, and what is left once they are put right."""
    certain = any(blunder.made for blunder in blunders)
    head = (
        "STOP. These readings hold a mistake; the numbers below are worth nothing until it is put right:"
        if certain
        else "LOOK. These readings may hold a mistake; check this before you use the numbers below:"
    )
    lines = [head]
    for blunder in blunders:
        sure = "certain" if blunder.certain else "this or another" if blunder.rivals else "likely"
        lines.append(f"  ** {blunder.kind.upper()} ({sure}): {said(blunder.words, units)}")
        lines += _rows(blunder.rows)
        for rival in blunder.rivals:
            lines.append(f"  or {rival.kind.upper()} (explains it as well): {said(rival.words, units)}")
            lines += _rows(rival.rows)
    if mended is not None:
        scatter = "" if mended.sigma_mm is None else f" (a reading scatters by {_scatter(mended, units)})"
        which = "the first of these" if blunders[-1].rivals else "that"
        lines.append(f"  With {which} put right{scatter}:")
        lines += [
            f"     {moved_words(line.letter, one, units)}" for line in mended.lines for one in line.moved
        ]
    return "\n".join(lines)


def finding_words(findings: Sequence[FitDiagnostic], units: str) -> str:
    """What is wrong although no classic mistake explains it; before everything else."""
    lines = ["STOP. Something is wrong with these readings; do not use the numbers below until it is found:"]
    for one in findings:
        if one.certain:
            lines += [
                f"  ** {one.kind.upper()}: {said(one.words, units)}.".replace("?.", "?"),
                *_rows(one.rows),
            ]
    return "\n".join(lines)


def _rows(rows: Sequence[int]) -> list[str]:
    """The first of several rows, on a line of their own."""
    if len(rows) < 2:  # a single one is in the words
        return []
    more = len(rows) - _MOST_LISTED
    listed = ", ".join(map(str, rows[:_MOST_LISTED]))
    return [f"     rows {listed}{f' and {more} more' if more > 0 else ''}"]


def _scatter(fit: Fit, units: str) -> str:
    assert fit.sigma_mm is not None
    if fit.readings.sigma_mm is not None:
        return f"{fit.sigma_mm:.2f} times what it states"
    return f"{fine(fit.sigma_mm, units)} {units}"


def _lines(fit: Fit, units: str) -> str:
    head = ["rotary", "", "X", "Y", "Z", "i", "j", "k"]
    rows = []
    for line in fit.lines:
        rows.append([line.letter, "line", *(fine(v, units) for v in line.point_mm), *_three(line.direction)])
        rows.append(["", "u", *_u_cells(line, units, 1.0)])
        if fit.coverage_factor is not None:
            rows.append(["", f"U {fit.level * 100:g} %", *_u_cells(line, units, fit.coverage_factor)])
    where = (
        "Each line by its point nearest the old one, and its direction. Along the line itself a position is\n"
        "never known (-); what is not told by the readings has none either."
    )
    return f"{table(head, rows, left=2)}\n{where}"


def _three(vector: NDArray[np.float64]) -> list[str]:
    return [fixed(float(value), 7) for value in vector]


def _u_cells(line: LineFit, units: str, factor: float) -> list[str]:
    """Standard (factor 1) or expanded uncertainties of a line's point and direction, both in the column's terms."""
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
        pulled = int((fit.each.weight < 0.99).sum())
        lines.append(
            f"ROBUST: the loss {fit.loss} was asked for; {pulled} of {len(fit.readings)} readings count for less."
        )
    if fit.sigma_mm is None:
        lines.append(
            "Nothing is left over to check with: as many readings as unknowns. No uncertainty can be told; "
            "state the probe's with --sigma, or read more poses."
        )
    elif fit.sigma_stated:
        said = "as each reading states it" if own else f"{fine(fit.sigma_mm, units)} as stated"
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {said}; k = {fit.coverage_factor:.2f}."
        )
        if fit.dof == 0:
            lines.append("Nothing is left over to check with: a wrong reading could not show.")
        if fit.scatter is not None:
            spread = f"{fit.scatter:.2f} of what was stated" if own else fine(fit.scatter, units)
            lines.append(f"The readings themselves scatter by {spread} ({fit.dof} to spare).")
        if fit.scatter_chance is not None and fit.scatter_chance < 1e-3:
            lines.append(
                "That is far more than stated: the stated uncertainty is too small, or a reading is wrong."
            )
    elif fit.at_floor:
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {fine(fit.sigma_mm, units)}: what rounding to the "
            "readings' last digit leaves (a step over root 12). The readings scatter by less, so this is the least "
            f"that can be claimed; k = {fit.coverage_factor:.2f}."
        )
    else:
        said = f"{fit.sigma_mm:.2f} times what each reading states" if own else fine(fit.sigma_mm, units)
        lines.append(
            f"Standard uncertainty of a reading, each coordinate: {said}, told by the readings themselves "
            f"({fit.dof} to spare; Student's t gives k = {fit.coverage_factor:.2f} for {fit.level * 100:g} %)."
        )
        if not own and fit.sigma_mm > _MUCH_MM:
            lines.append(
                "That is much for a touch probe, and little for an edge finder. If it is more than yours, something moved "
                "or warmed between the readings: state with --sigma what the probe is good for, and what does not agree "
                "with it shows."
            )
    return "How sure:\n" + "\n".join(f"  {line}" for line in lines)


def moved_words(letter: str, one: Estimate, units: str) -> str:
    """A verdict on one number of the machine file in a sentence."""
    linear = one.unit == "mm"
    where = (
        f"in {one.name}"
        if linear
        else f"about {dict(zip('ABC', 'XYZ', strict=True)).get(one.name, one.name)}"
    )
    if not linear and one.name not in {"A", "B", "C"}:
        where = f"({one.name})"
    if one.verdict == "told in part":
        unit = units if linear else "degrees"
        verb = "moved" if linear else "turned"
        return (
            f"{letter} {where}: {verb} by {span(one, one.value, units)} {unit}, but told only in combination"
        )
    if one.held:
        return f"{letter} {where}: left as it was"
    if one.verdict == "moved":
        on = ", if the directions that were not told are right" if one.lean_mm > 0.0 else ""
        return f"{letter} {'moved' if linear else 'turned'} {plus_minus(one, units)} {where} since{on}"
    if not one.verdict:
        return f"{letter} {where}: {plus_minus(one, units)} from the machine file"
    return f"{letter} {where}: {one.verdict} ({plus_minus(one, units)})"


def _verdict(fit: Fit, units: str) -> str:
    lines = [moved_words(line.letter, one, units) for line in fit.lines for one in line.moved]
    return "Against the machine file:\n" + "\n".join(f"  {line}" for line in lines)


def _held(fit: Fit, units: str) -> str:
    lines = "\n".join(f"  {said(one.words, units)}" for one in fit.held)
    return f"What these readings cannot tell:\n{lines}"


def _suspects(fit: Fit, units: str) -> list[str]:
    if not fit.suspects:
        return []
    lines = "\n".join(f"  row {one.row}: {said(one.words, units)}" for one in fit.suspects)
    return [f"Suspects, the worst first (read them again before you use the numbers):\n{lines}"]


def _location(fit: Fit, units: str) -> str:
    rows = [
        [
            one.name,
            *(span(one, value, units) for value in (one.value, one.u, one.expanded)),
            units if one.unit == "mm" else "deg",
            "held; " + one.words if one.held else one.words,
        ]
        for line in fit.lines
        for one in line.location_errors
    ]
    if not rows:
        return ""
    text = table(["error", "value", "u", "U", "", "meaning"], rows, align="lrrrll")
    return f"Axis location errors (notation of ISO 230-1):\n{text}"


def _between(fit: Fit, units: str) -> str:
    lines = [
        f"{pair.first}'s and {pair.second}'s lines pass each other at {plus_minus(pair.distance, units)}, "
        f"at an angle of {plus_minus(pair.angle, units)}"
        for pair in fit.pairs
    ]
    last = fit.machine.letters[-1]
    for target in fit.targets:
        lines += _heights(fit, target, units)
        # A tilt that was held is the one that was put in: it says nothing.
        if target.tilt is None or target.tilt.held:
            continue
        toward = (
            f", its normal leaning toward {target.tilt_toward_deg:.0f} degrees (from +X toward +Y)"
            if target.tilt_toward_deg is not None
            else ""
        )
        lines.append(
            f"{sanitized(target.name)} is out of square to {last}'s line by {plus_minus(target.tilt, units)}{toward}"
        )
    return "How they lie to each other:\n" + "\n".join(f"  {line}" for line in lines) if lines else ""


def _heights(fit: Fit, target: TargetFit, units: str) -> list[str]:
    """Where a face stands, and what that says of the machine file's platter."""
    if target.face is None:
        return []
    name, face = sanitized(target.name), target.face
    above = "".join(f", {plus_minus(one, units)} above {letter}'s line" for letter, one in target.above)
    lines = [f"face of {name}: Z {plus_minus(face, units)} at the all-zero pose{above}"]
    filed = fit.machine.platter.face_mm
    if not target.name.lower().startswith("platter") or filed is None:
        return lines
    off = replace(face, value=face.value - filed)
    if off.held:
        verdict = "not told"
    elif off.expanded is None:
        verdict = f"{plus_minus(off, units)} from it"
    else:
        moved = abs(off.value) > off.expanded
        verdict = f"{'moved' if moved else 'not shown to have moved'} ({plus_minus(off, units)})"
    lines.append(
        f"  the machine file's platter face is {fine(filed, units)}: {verdict}; "
        "--write leaves it: change `face` under [platter] by hand"
    )
    return lines


def _worst(fit: Fit, units: str) -> str:
    """The largest residuals; studentised, a reading at 2 is nothing, at 5 it is a suspect."""
    each, readings = fit.each, fit.readings
    size = np.abs(each.studentised)
    order = np.argsort(np.where(np.isfinite(size), -size, np.inf), kind="stable")[:_MOST_ROWS]
    rows = [
        [
            str(readings.row(int(i))),
            sanitized(readings.names[int(readings.target[i])])[:34],
            " ".join(
                f"{letter}{angle:g}"
                for letter, angle in zip(fit.machine.letters, readings.angles_deg[i], strict=True)
            ),
            fine(float(each.size_mm[i]), units),
            f"{each.studentised[i]:.1f}",
        ]
        for i in order
        if np.isfinite(size[i])
    ]
    if not rows:
        return ""
    head = ["row", "target", "pose", "residual", "studentised"]
    return f"The readings that fit worst:\n{table(head, rows, left=3)}"
