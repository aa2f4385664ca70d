"""Correction from a measured part as text."""

from __future__ import annotations

from typing import Any

import numpy as np

from kinematics import work_offset_code
from kinematics.uncertainty import MeasurementBlunder, NextPlace
from kinematics.uncertainty.causes import AGREE_MM
from tiltwright.files.diagnostics import first_few
from tiltwright.output.messages import name_list, named
from tiltwright.output.numbers import UNIT_SYMBOL, angle, fine, length, with_plus
from tiltwright.output.tables import table, units_words, wrapped
from tiltwright.uncertainty.correct_run import PLACE_DECIMALS, Candidate, JobCorrection
from tiltwright.uncertainty.wording import (
    cause_words,
    exact_words,
    in_nest,
    quantity_words,
    signed,
    size_words,
)

__all__ = [
    "added_feature",
    "blunder_words",
    "candidate_words",
    "correct_text",
    "feature_name",
    "measure_next_words",
    "verdict_words",
]

_COLUMNS = 100
_MOST_CAUSES = 8
_MOST_DOUBTS = 5
_MOST_MOVED = 10
_MOST_NAMED = 6
_MOST_SIDE_BY_SIDE = 3
_SAME_DIRECTION = 0.01
"""Directions as people type them are square, or alike, to no more than this."""


def correct_text(found: JobCorrection, units: str) -> str:
    """Text of a correction, as it is printed."""
    job = found.job.views[0].job
    count, parts = len(found.table.measured.deviations), len(found.table.measured.serials)
    several = f" on {parts} parts" if parts > 1 else ""
    title = (
        f"{job.file.name}: what {count} deviation{'' if count == 1 else 's'}{several} say{'s' if count == 1 else ''} about the "
        f"setup, in {units_words(units)}, on {job.machine.name}"
    )
    sections = [
        wrapped(title, columns=_COLUMNS),
        _not_looked_at(found, units),
        *(wrapped(line, columns=_COLUMNS) for line in verdict_words(found, units)),
        _causes(found, units),
        _rivals(found, units),
        _moved(found, units),
        _offsets(found, units),
        _after(found, units),
        _unsaid(found, units),
        _seating(found, units),
    ]
    return "\n\n".join(section for section in sections if section)


def _not_looked_at(found: JobCorrection, units: str) -> str:
    count = len(exact_words(found.job.exact, units))
    if not count:
        return ""
    text = (
        f"TAKEN AS EXACT: nothing is stated of {count} kinds of values. They stay where they are when everything is corrected "
        "together; as single causes they are tried all the same. tiltwright budget lists them."
    )
    return wrapped(text, columns=_COLUMNS)


def _p(value: float) -> str:
    return (
        "less than 0.1 %"
        if value < 0.001
        else f"{100.0 * value:.1f} %"
        if value < 0.1
        else f"{100.0 * value:.0f} %"
    )


def verdict_words(found: JobCorrection, units: str) -> list[str]:
    """Verdict in a few sentences: are the deviations significant, and does one correction follow."""
    joint = found.joint
    lines = _doubts(found, units)
    if not joint.significant:
        nothing = (
            f"NOTHING TO CORRECT: measurement and re-clamping alone give deviations as large as these in {_p(joint.noise_p)} "
            "of cases. Leave the offsets as they are."
        )
        return [*lines, nothing]
    lines.append(
        f"SIGNIFICANT: measurement and re-clamping alone would give such deviations in {_p(joint.noise_p)} of cases."
        + (
            " They are within what the budget expects."
            if joint.within_budget
            else " They are more than the budget expects: something is off by more than its stated limits, or nothing is "
            "stated of it."
        )
    )
    if not any(source.kind.startswith("part") for source in found.sources):
        lines.append(
            "NOT STATED: how differently one part seats from the next ([reclamping]). How this one happened to seat is taken for "
            "the setup's here; measure a second part, or state it."
        )
    if not found.explained:
        lines.append(
            "NOT EXPLAINED: no single cause gives these numbers, no two at once do, and everything together within its stated "
            "limits does not either. Check the measurement and its datum first."
        )
    elif found.named and found.chosen is not None:
        lines.append(f"CHOSEN: {candidate_words(found, found.chosen, units)}.")
    elif found.agreed and found.chosen is not None:
        likely = found.chosen
        if likely.cause is None and likely.pair is None:
            lines.append("No single cause gives these numbers; a little of everything that is stated does.")
        else:
            lines.append(f"MOST LIKELY: {candidate_words(found, likely, units)}.")
            if found.causes.others != "exact":
                lines.append(
                    "That it is the only one is not shown: other things may be off by more than stated as well. Measure more "
                    "features, or take it with --choose."
                )
            elif found.causes.far:
                off = float(np.sqrt(found.causes.best[0].cost or 0.0))
                lines.append(
                    f"That is {off:.0f} times the standard uncertainty that is stated of it. Look at it on the machine, and check "
                    "the measurement; if it is so, take it with --choose."
                )
        if len(found.candidates) > 1:
            lines.append(
                f"What else fits asks for the same offsets, to {length(AGREE_MM, units)} {UNIT_SYMBOL[units]}."
            )
    else:
        worst = int(np.argmax(found.differs_mm))
        operation = found.job.model.operations[worst].name
        lines.append(
            f"NOT YET CLEAR: {len(found.candidates)} explanations fit these numbers, and their corrections differ by up to "
            f"{fine(float(found.differs_mm[worst]), units)} {UNIT_SYMBOL[units]} ({named(operation)}). "
            + measure_next_words(found, units)
        )
    return [*lines, *_axis_words(found, units)]


def _doubts(found: JobCorrection, units: str) -> list[str]:
    lines = [blunder_words(found, one, units) for one in found.doubts[:_MOST_DOUBTS]]
    if len(found.doubts) > _MOST_DOUBTS:
        lines.append(f"CHECK THE MEASUREMENT: {len(found.doubts) - _MOST_DOUBTS} more; --json has them all.")
    if any(one.together for one in found.doubts):
        lines.append(f"It takes all {len(found.doubts)} of these at once to make the deviations fit.")
    return lines


def _axis_words(found: JobCorrection, units: str) -> list[str]:
    """Sentence on a cause that is an axis: it belongs into the machine file, with what goes by that alone."""
    chosen = found.chosen
    if chosen is None or not found.to_be_loaded:
        return []
    if chosen.cause is not None:
        each = [(chosen.cause.quantity, chosen.cause.value)]
    elif chosen.pair is not None:
        pair = (chosen.pair.first.quantity, chosen.pair.second.quantity)
        each = list(zip(pair, chosen.pair.values, strict=True))
    else:
        return []
    axes = [one for one in each if one[0].kind in {"line shift", "line tilt"}]
    if not axes:
        return []
    words = " and ".join(cause_words(found.job.model, quantity, value, units) for quantity, value in axes)
    text = (
        f"THE MACHINE FILE: {words}. The corrected offsets put that right for this setup only; batch offsets, batch program and "
        "offsets --touched go without them. Put the axis right in the machine file itself, best by a pivot fit (tiltwright "
        "pivot), and then take the correction out."
    )
    return [text]


def candidate_words(found: JobCorrection, one: Candidate, units: str) -> str:
    """A candidate as it is said."""
    model = found.job.model
    if one.cause is not None:
        text = cause_words(model, one.cause.quantity, one.cause.value, units)
        others = found.causes.same_as(one.cause)
        if others:
            names = [quantity_words(model, other.quantity, units) for other in others]
            text += f" (the same numbers as {first_few(names, 3, '; ')})"
        if found.causes.others == "within limits":
            text += ", with everything else within its stated limits"
        return text
    if one.pair is not None:
        each = zip((one.pair.first, one.pair.second), one.pair.values, strict=True)
        return " and ".join(cause_words(model, cause.quantity, value, units) for cause, value in each)
    return "everything together, each as far as the deviations ask for it"


def feature_name(found: JobCorrection, feature: int) -> str:
    """A feature by name, operation and nest, as the table of deviations has it."""
    name, operation, nest, _ = found.job.feature_names[feature]
    text = name if name == operation else f"{name}, {operation}"
    return in_nest(text, nest)


def measure_next_words(found: JobCorrection, units: str) -> str:
    """Sentence on what to measure next, and what it should show."""
    more = found.more
    if more is None and found.place is not None:
        return _place_words(found, found.place, units)
    if more is None:
        return (
            "No other feature of this job would tell them apart, nor would any place on the part that an operation cuts. Name your "
            "choice with --choose."
        )
    if len(found.causes.rivals) > 1:
        values = ", ".join(
            f"{_signed(found, more.feature, value, units)} if {cause_words(found.job.model, cause.quantity, cause.value, units)}"
            for value, cause in list(zip(more.expected_mm, found.causes.rivals, strict=True))[:4]
        )
        return f"MEASURE NEXT: {_next_name(found, more.feature)}. It should be off by {values}."
    return (
        f"MEASURE NEXT: {_next_name(found, more.feature)}. That rules out {_pairs_ruled(found)} explanations by two causes at "
        "once."
    )


def _next_name(found: JobCorrection, feature: int) -> str:
    """A feature to measure; of one that was measured, the directions that are still missing."""
    name = feature_name(found, feature)
    known = [one.along for one in found.causes.joint.measured.deviations if one.feature == feature]
    if not known:
        return name
    *_, singular, rows = np.linalg.svd(np.array(known).reshape(-1, 3))
    missing = rows[int((singular > _SAME_DIRECTION).sum()) :]
    if len(missing) != 1:
        return f"{name}, square to the direction that was measured"
    # Toward its largest component, so that the same direction is always said alike.
    along = missing[0] * np.sign(missing[0][np.argmax(np.abs(missing[0]))])
    return f"{name}, along {' '.join(f'{value + 0.0:.3g}' for value in along.round(3))} in part coordinates"


def added_feature(found: JobCorrection, place: NextPlace) -> dict[str, Any]:
    """The keys of the [[feature]] that should be added, as the job file has them, in its unit."""
    one, unit = found.job.model.operations[place.operation], found.job.views[0].job.unit
    decimals = PLACE_DECIMALS[unit.value]
    return {
        "operation": one.name,
        "at": [round(unit.from_mm(value), decimals) + 0.0 for value in place.at_mm.tolist()],
        "along": "+" + "XYZ"[int(np.argmax(place.along))],
    }


def _place_words(found: JobCorrection, place: NextPlace, units: str) -> str:
    """The feature that should be added, as it is typed, and what it should show."""
    table, one = added_feature(found, place), found.job.model.operations[place.operation]
    at = ", ".join(f"{value:g}" for value in table["at"])
    nest = "" if one.nest is None else f" in nest {one.nest}"
    values = ", ".join(
        f"{with_plus(fine(value, units))} if ({k}) holds"
        for k, value in enumerate(place.expected_mm.tolist()[:_MOST_SIDE_BY_SIDE], start=1)
    )
    return (
        f'No other feature of this job would tell them apart. ADD A FEATURE: a [[feature]] with operation = "{one.name}", '
        f'at = [{at}], along = "{table["along"]}", or one near there, and measure it{nest}. It should be off by {values}.'
    )


def _signed(found: JobCorrection, feature: int, value_mm: float, units: str) -> str:
    """A deviation to expect: with its sign along a direction, without one for a position's length."""
    text = fine(value_mm, units)
    return text if found.job.part.features[feature].along is None else with_plus(text)


def _pairs_ruled(found: JobCorrection) -> str:
    pairs = len(found.causes.pairs)
    left = 0 if found.more is None else round(found.more.left)
    return f"{pairs - left} of {pairs}"


_LEVELS = {1: "best", 2: "fits", 3: "-"}
"""Marks of single causes: no numbers, which --choose would take for an explanation's."""


def _causes(found: JobCorrection, units: str) -> str:
    """The single causes, ranked; those that explain, and a few that do not."""
    causes = found.causes.causes
    if not causes:
        return ""
    good = [one for one in causes if one.level < 3]
    listed = (good or list(causes))[:_MOST_CAUSES]
    model = found.job.model
    rows = [
        [
            _LEVELS[one.level],
            cause_words(model, one.quantity, one.value, units),
            size_words(one.quantity, one.u, units).lstrip("+"),
            _p(one.p),
            "not stated" if one.cost is None else f"{np.sqrt(one.cost):.1f} u",
        ]
        for one in listed
    ]
    head = ["", "as the only cause", "u of that", "chance of the rest", "from what is stated"]
    alone = (
        "everything else as stated"
        if found.causes.others == "exact"
        else "everything else within its stated limits"
    )
    text = f"Single causes, {alone}; those marked best cannot be told apart by these deviations\n\n"
    text += table(head, rows, align="llrrr")
    rest = len(good) - len(listed)
    if not good:
        text += "\n\n" + wrapped("None of them gives these numbers by itself.", columns=_COLUMNS)
    elif rest > 0:
        text += f"\n\nand {rest} more that fit"
    return text


def _rivals(found: JobCorrection, units: str) -> str:
    """Differences between the candidates' corrections at each operation."""
    if found.agreed or len(found.candidates) < 2:
        return ""
    shown_now = found.candidates[:_MOST_SIDE_BY_SIDE]
    head = ["operation", *(f"({k})" for k in range(1, len(shown_now) + 1)), "all differ by"]
    turns, letter = any(one.offsets.turns for one in shown_now), found.job.model.machine.letters[-1]
    rows = []
    for k, one in enumerate(found.job.model.operations):
        cells = [
            " ".join(with_plus(fine(value, units)) for value in candidate.offsets.shift_mm[k].tolist())
            + (f" {with_plus(angle(float(candidate.offsets.turn_deg[k])))}" if turns else "")
            for candidate in shown_now
        ]
        rows.append(
            [
                in_nest(one.name, one.nest),
                *cells,
                fine(found.differs_mm[k], units),
            ]
        )
    legend = [
        f'({k}) {candidate_words(found, one, units)}. Taken by --choose {k}, or by its name, "{one.named_in(found.job.model, units)}"'
        for k, one in enumerate(shown_now, start=1)
    ]
    left = len(found.candidates) - len(shown_now)
    if left > 0:
        legend.append(f"and {left} more; --json has them all")
    lines = [
        "What each explanation asks of the offsets: change of X, Y, Z"
        + (f", and of {letter} in degrees" if turns else ""),
        "\n".join(wrapped(line, columns=_COLUMNS) for line in legend),
        table(head, rows, align="l" + "r" * (len(head) - 1)),
    ]
    return "\n\n".join(lines)


def _moved(found: JobCorrection, units: str) -> str:
    """The joint estimate: what moves most, against how well it was known."""
    estimate, prior = found.joint.estimate, found.joint.prior
    if not found.joint.significant or not len(estimate.values):
        return ""
    moved = np.abs(estimate.values - prior.values) / np.where(prior.u > 0.0, prior.u, np.inf)
    order = [k for k in np.argsort(-moved, kind="stable").tolist() if moved[k] > 0.05][:_MOST_MOVED]
    model = found.job.model
    rows = [
        [
            quantity_words(model, estimate.quantities[k], units),
            size_words(
                estimate.quantities[k],
                signed(model, estimate.quantities[k], float(estimate.values[k])),
                units,
            ),
            size_words(estimate.quantities[k], float(estimate.u[k]), units).lstrip("+"),
            size_words(estimate.quantities[k], float(prior.u[k]), units).lstrip("+"),
        ]
        for k in order
    ]
    if not rows:
        return ""
    head = ["everything together", "off by", "u now", "u as stated"]
    left = int((moved > 0.05).sum()) - len(rows)
    text = "If everything uncertain moves at once, what is known well moves little\n\n" + table(
        head, rows, align="lrrr"
    )
    return text + (f"\n\nand {left} more that move less" if left > 0 else "")


def _offsets(found: JobCorrection, units: str) -> str:
    chosen = found.chosen
    if chosen is None:
        return ""
    model, numbers = found.job.model, found.job.numbers
    now, new = found.job.loaded_mm, found.job.uncorrected_mm + chosen.offsets.shift_mm
    measured = found.measured_operations
    head = ["operation", "load", "", "X", "Y", "Z"]
    rows = []
    for k, (one, number) in enumerate(zip(model.operations, numbers, strict=True)):
        name = in_nest(one.name, one.nest)
        rows.append([name, work_offset_code(number), "now", *(length(v, units) for v in now[k].tolist())])
        rows.append(["", "", "new", *(length(v, units) for v in new[k].tolist())])
        u = [f"u {fine(v, units)}" for v in chosen.offsets.u_mm[k].tolist()]
        rows.append(["" if k in measured else "(not measured)", "", "", *u])
    if found.agreed or found.named:
        head_words = "New offsets"
    else:
        head_words = (
            "Offsets for explanation (1) - NOT TO BE LOADED before it is clear which explanation holds"
        )
    text = f"{head_words}\n\n{table(head, rows, align='lllrrr')}"
    if chosen.offsets.turns:
        text += "\n\n" + wrapped(_turn_words(found, chosen), columns=_COLUMNS)
    return text


def _turn_words(found: JobCorrection, chosen: Candidate) -> str:
    """Sentence on the last rotary's values: one change for all, one for each nest, or one for each operation."""
    model, turn = found.job.model, chosen.offsets.turn_deg.tolist()
    letter = model.machine.letters[-1]
    if chosen.offsets.turns_alike():
        return (
            f"Every work offset's {letter} changes by {with_plus(angle(turn[0]))} degrees: that takes out the clocking, "
            "and the program keeps its angles."
        )
    by_nest = all(chosen.offsets.turns_alike(mine) for mine in model.operations_by_nest.values())
    each: dict[str, list[str]] = {}
    for one, number, degrees in zip(model.operations, found.job.numbers, turn, strict=True):
        what = "stays" if not degrees else f"changes by {with_plus(angle(degrees))} degrees"
        name = f"nest {one.nest}" if by_nest else work_offset_code(number)
        if name not in each.setdefault(what, []):
            each[what].append(name)
    changes = "; ".join(f"{what} in {name_list(names, 'and')}" for what, names in each.items())
    text = f"{letter} does not change alike in all work offsets: it {changes}. The program keeps its angles."
    if not by_nest:
        text += f" So each work offset holds a {letter} of its own: load every one of them, and copy none from another."
    return text


_LEFT_MM = 0.0005
_COVERAGE = 1.96
"""Coverage factor for 95 %: nothing here has few degrees of freedom."""


def _after(found: JobCorrection, units: str) -> str:
    expected, u, rows = found.after()
    if found.chosen is None:
        return ""
    measured = found.table.measured
    was: dict[int, list[float]] = {}
    for one, value in zip(measured.deviations, found.table.found_mm, strict=True):
        was.setdefault(one.feature, []).append(abs(value))
    lines = []
    for k in range(len(found.job.part.features)):
        mine = [row for row, (feature, _) in enumerate(rows) if feature == k]
        tolerance = found.job.part.features[k].tolerance_mm
        lines.append(
            [
                feature_name(found, k),
                fine(max(was[k]), units) if k in was else "not measured",
                fine(max(abs(float(expected[row])) for row in mine), units),
                fine(_COVERAGE * max(float(u[row]) for row in mine), units),
                ""
                if tolerance is None
                else (f"±{length(tolerance, units)}" if len(mine) == 1 else f"Ø{length(tolerance, units)}"),
            ]
        )
    head = ["feature", "found off by", "left after", "U", "tolerance"]
    text = f"What the next part should show with the new offsets, at most along any direction\n\n{table(head, lines, align='lrrrr')}"
    words = "U: expanded uncertainty if this explanation holds and the next part seats as stated."
    if expected.size and float(np.abs(expected).max()) > _LEFT_MM:
        words += " What is left is what offsets can't take out: a lean, a tipped axis, a tool's diameter, the part's own growth."
    return f"{text}\n\n{wrapped(words, columns=_COLUMNS)}"


def _unsaid(found: JobCorrection, units: str) -> str:
    if not found.joint.significant:
        return ""
    names = [quantity_words(found.job.model, one, units) for one in found.joint.unsaid]
    if not names:
        return ""
    listed = first_few(names, _MOST_NAMED, "; ", "; ")
    return wrapped(f"These deviations say nothing about: {listed}.", columns=_COLUMNS)


def _seating(found: JobCorrection, units: str) -> str:
    if not found.seating:
        return ""
    keys = {"part up": "up_u", "part shift": "shift_u"}
    stated_u = {(source.kind, source.owner): float(source.u.max()) for source in found.job.sources}
    rows = [
        [
            f"{'up' if one.kind == 'part up' else one.component}{f' ({one.nest})' if one.nest else ''}",
            fine(one.u_mm, units),
            fine(one.scatter_mm, units),
            str(one.dof),
            "-" if (one.kind, one.nest) not in stated_u else fine(stated_u[one.kind, one.nest], units),
        ]
        for one in found.seating
    ]
    worst = {
        key: max((one.u_mm for one in found.seating if one.kind == kind), default=0.0)
        for kind, key in keys.items()
    }
    file_units = found.job.views[0].job.unit.value
    stated = ", ".join(f"{key} = {fine(value, file_units)}" for key, value in worst.items() if value > 0.0)
    text = "From part to part: how differently they seat\n\n" + table(
        ["direction", "standard deviation", "measurement alone", "dof", "u as stated"], rows, align="lrrrr"
    )
    if stated:
        text += "\n\n" + wrapped(f"For the budget: [reclamping] {stated}.", columns=_COLUMNS)
    return text


def blunder_words(found: JobCorrection, doubt: MeasurementBlunder, units: str) -> str:
    """A slip of the measurement in words: where it is, what it looks like, and what to do."""
    deviations, table_rows = found.table.measured.deviations, found.table.rows
    rows = sorted({table_rows[k] for k in doubt.rows})
    where = f"row {rows[0]}" if len(rows) == 1 else f"rows {rows[0]} to {rows[-1]}"
    if len(doubt.rows) == len(deviations) and len(deviations) > 1:
        where = "all of them"
    elif len(doubt.rows) == 1:
        one = deviations[doubt.rows[0]]
        where += f", {feature_name(found, one.feature)} ({with_plus(fine(found.table.found_mm[doubt.rows[0]], units))})"
    one_row = len(doubt.rows) == 1
    fit, they, its = ("fits", "it is", "its sign is") if one_row else ("fit", "they are", "their signs are")
    inches = "Inches typed as millimetres, or the other way round"
    match doubt.slip:
        case "sign":
            what = f"{fit} if {its} turned round. A deviation is found less nominal"
        case "too large by 25.4":
            what = f"{fit} if {they} divided by 25.4. {inches}"
        case "too small by 25.4":
            what = f"{fit} if {they} multiplied by 25.4. {inches}"
        case "exchanged":
            names = dict.fromkeys(feature_name(found, deviations[k].feature) for k in doubt.rows)
            *first, last = map(str, rows)
            where = f"rows {', '.join(first)} and {last}, {' and '.join(names)},"
            what = "fit if each has the other's figures. Look which is which"
        case "datum":
            datum = "the part as it was clamped" if doubt.datum is None else feature_name(found, doubt.datum)
            what = f"fit if they were measured against {datum}. Look up what the inspection's datum was"
        case _:
            what = "stands against all the others, which fit together without it. Measure it again"
    return f"CHECK THE MEASUREMENT: {where} {what}."
