"""A budget as text and as JSON, and carried through one operation line by line, as a student works it by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from kinematics import work_offset_code
from kinematics.uncertainty import Seam, UncertaintySource, offset_budget
from tiltwright.files.diagnostics import first_few
from tiltwright.files.uncertainty_checks import states_uncertainty
from tiltwright.job.coating import COATING_HEAD, coating_report, coating_rows, coating_words, cut_sizes
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.own_zero import correction_report
from tiltwright.output.document import Block, Heading, Paragraph, Table
from tiltwright.output.json_csv import by_axis, length_list
from tiltwright.output.numbers import UNIT_MM, UNIT_SYMBOL, fine, fixed, in_units, length
from tiltwright.output.tables import table, units_words, wrapped
from tiltwright.uncertainty.budget_run import BudgetLine, JobBudget
from tiltwright.uncertainty.evaluation import UncertainJob, uncertain_job
from tiltwright.uncertainty.wording import exact_words, half_width_words, in_nest, source_words

__all__ = ["budget_report", "budget_text", "line_name", "uncertainty_by_hand"]

_COLUMNS = 100
_SHOWN_SHARES = 4
_LEAST_SHARE = 0.01


def budget_text(budget: JobBudget, units: str) -> str:
    """A budget as it is printed."""
    job = budget.job.views[0].job
    parts = [
        f"{job.file.name}: uncertainty budget in {units_words(units)}, coverage 95 %, on {job.machine.name}",
        _exact(budget, units),
        _offsets(budget, units),
    ]
    if budget.features:
        parts.append(_features(budget, units))
    if budget.seams:
        parts.append(_seams(budget, units))
    parts.append(_coating(budget, units))
    if budget.lines:
        parts += [_shares(budget), _help(budget, units)]
    parts.append(_trials(budget))
    return "\n\n".join(part for part in parts if part)


def _bullets(lines: Sequence[str]) -> str:
    broken = [wrapped(line, columns=_COLUMNS - 2).split("\n") for line in lines]
    return "\n".join(
        "\n".join(("- " if not k else "  ") + one for k, one in enumerate(each)) for each in broken
    )


def _exact(budget: JobBudget, units: str) -> str:
    lines = exact_words(budget.job.exact, units)
    if not lines:
        return ""
    head = "TAKEN AS EXACT. Nothing says how far these may be off, so the figures below leave them out:"
    return f"{head}\n{_bullets(lines)}"


def _dof(value: float) -> str:
    return "-" if math.isinf(value) or value > 999.5 else f"{value:.0f}"


def _offsets(budget: JobBudget, units: str) -> str:
    model, expected = budget.job.model, budget.expected_mm
    warm = bool((np.abs(expected) > 5e-5).any())
    head = [
        "operation",
        "load",
        "U of X",
        "U of Y",
        "U of Z",
        *(["exp. X", "exp. Y", "exp. Z"] if warm else []),
        "dof",
    ]
    rows = []
    for k, (one, number) in enumerate(zip(model.operations, budget.job.numbers, strict=True)):
        row = [in_nest(one.name, one.nest), work_offset_code(number)]
        row += [fine(value, units) for value in budget.expanded_mm[k].tolist()]
        row += [fine(value, units) for value in expected[k].tolist()] if warm else []
        rows.append([*row, _dof(float(budget.offsets.dof[k].min()))])
    text = f"Work offsets: each lies within its U of the value to load, in 95 of 100 setups\n\n{table(head, rows, left=2)}"
    if warm:
        told = "exp.: how far the right offset is expected to be from the one loaded, at the running temperature. It is not "
        text += "\n\n" + wrapped(told + "in the offsets.", columns=_COLUMNS)
    return text


def _percent(chance: float | None) -> str:
    if chance is None:
        return ""
    if chance > 0.9999:
        return "> 99.99 %"
    return f"{100.0 * chance:.2f} %" if chance > 0.99 else f"{100.0 * chance:.1f} %"


def _verdict(line: BudgetLine) -> str:
    return "" if line.verdict is None else "PASS" if line.verdict else "FAIL"


def _toleranced(line: BudgetLine, units: str) -> list[str]:
    limit = line.budget.limit_mm
    if limit is None:
        return ["", "", "", ""]
    room = limit - line.expanded_mm - abs(line.expected_mm)
    return [
        f"±{length(limit, units)}" if len(line.budget.expected_mm) == 1 else f"Ø{length(2.0 * limit, units)}",
        fine(room, units) if room > 0.0 else "none",
        _percent(line.conforms),
        _verdict(line),
    ]


def _features(budget: JobBudget, units: str) -> str:
    head = ["feature", "cut in", "against", "expected", "U", "tolerance", "left over", "conform", ""]
    rows = [
        [
            line.name,
            in_nest(line.operation, line.nest),
            line.datum or "part as clamped",
            fine(line.expected_mm, units),
            fine(line.expanded_mm, units),
            *_toleranced(line, units),
        ]
        for line in budget.features
    ]
    words = "Features: how far each may lie from where the drawing wants it, against its datum"
    return f"{words}\n\n{table(head, rows, align='lllrrrrrl')}{_below([_RULE, *_failures(budget.features, units)])}"


_RULE = (
    "PASS: the deviation to expect and its U together stay within the tolerance, so conformity is proven before the first cut "
    "(ISO 14253-1: the tolerance less a guard band of U on either side). left over: what remains for tool wear, deflection and "
    "inspection. conform: the share of parts expected within tolerance (JCGM 106)."
)
"""The decision rule, and what the guard band leaves."""


def _failures(lines: Sequence[BudgetLine], units: str) -> list[str]:
    """A sentence for each line of a table that is not proven."""
    found = []
    for line in lines:
        limit = line.budget.limit_mm
        if line.verdict is False and limit is not None:
            name = line.name if isinstance(line.budget.of, Seam) else f"{line.name}, {line.operation}"
            found.append(
                f"FAIL: {in_nest(name, line.nest)} may be off by {fine(abs(line.expected_mm) + line.expanded_mm, units)} "
                f"{UNIT_SYMBOL[units]}, and {length(limit, units)} is allowed; {_percent(line.conforms)} of parts would conform."
            )
    return found


def _below(lines: Sequence[str]) -> str:
    """Sentences below a table."""
    return "\n\n" + "\n".join(wrapped(line, columns=_COLUMNS) for line in lines) if lines else ""


def _seams(budget: JobBudget, units: str) -> str:
    head = ["between", "expected", "U", "tolerance", "left over", "conform", ""]
    rows = [
        [
            in_nest(line.name, line.nest),
            fine(line.expected_mm, units),
            fine(line.expanded_mm, units),
            *_toleranced(line, units),
        ]
        for line in budget.seams
    ]
    words = "Seams: the step where two operations meet, up or down"
    rule = [] if budget.features else [_RULE]
    return (
        f"{words}\n\n{table(head, rows, align='lrrrrrl')}{_below([*rule, *_failures(budget.seams, units)])}"
    )


def _coating(budget: JobBudget, units: str) -> str:
    """Sizes to cut before the coating, which have no part in the budget."""
    job = budget.job.views[0].job
    sizes = cut_sizes(job)
    if not sizes:
        return ""
    head = f"Sizes to cut before the coating, {units_words(units)}"
    return f"{head}\n\n{table(list(COATING_HEAD), coating_rows(sizes, units), align='rrlll')}\n\n" + wrapped(
        coating_words(job, units), columns=_COLUMNS
    )


def line_name(line: BudgetLine) -> str:
    """A feature or seam by name, operation and nest."""
    if isinstance(line.budget.of, Seam):
        return f"seam {in_nest(line.name, line.nest)}"
    return in_nest(f"{line.name}, {line.operation}", line.nest)


def _shares(budget: JobBudget) -> str:
    rows = []
    for line in budget.lines:
        shares = line.budget.shares
        order = np.argsort(-shares, kind="stable").tolist()
        told = [k for k in order if shares[k] >= _LEAST_SHARE][:_SHOWN_SHARES]
        words = ", ".join(f"{100.0 * shares[k]:.0f} % {source_words(budget.job.sources[k])}" for k in told)
        rows.append(f"{line_name(line)}: {words or 'nothing that is stated moves it'}")
    return "Where it comes from: each source's share of the variance, the largest first\n" + _bullets(rows)


def _poses(budget: JobBudget, line: BudgetLine, units: str) -> str:
    """Gain for a feature or seam by more probing at the best tilt."""
    place = budget.lines.index(line)
    best = None
    for added in budget.added:
        of = (*added.budget.features, *added.budget.seams)[place]
        if best is None or of.expanded_mm < best[1]:
            best = (added, of.expanded_mm)
    if best is None:
        return ""
    added, after = best
    letter, now = budget.job.model.machine.letters[0], line.budget.expanded_mm
    what = f" {len(added.poses_deg)} more probing poses at {letter}{added.tilt_deg:g}, as planned, would"
    if after > 0.98 * now:
        return f"{what} do nothing for it; no other tilt does more."
    return f"{what} take U from {fine(now, units)} to {fine(after, units)} {UNIT_SYMBOL[units]}; no other tilt does more."


def _help(budget: JobBudget, units: str) -> str:
    """Advice on what would help most, for each feature or seam that fails; where none does, for the one nearest to it."""
    sources = budget.job.sources
    failing = [line for line in budget.lines if line.verdict is False]
    tight = [line for line in budget.lines if line.budget.limit_mm is not None]
    tight.sort(
        key=lambda line: (abs(line.expected_mm) + line.expanded_mm) / (line.budget.limit_mm or 1.0),
        reverse=True,
    )
    asked = failing or tight[:1] or sorted(budget.lines, key=lambda line: -line.expanded_mm)[:1]
    lines = []
    for line in asked:
        effects = line.source_effects(sources)
        if not effects or line.budget.expanded_mm <= 0.0:
            continue
        best = effects[0]
        known = half_width_words(best.source, 0.5, units)
        now = half_width_words(best.source, 1.0, units)
        how = (
            f"{source_words(best.source)} known {known} (now {now})"
            if known
            else f"half as much from the {source_words(best.source)}"
        )
        text = (
            f"{line_name(line)}: {how} would take U from {fine(line.budget.expanded_mm, units)} to {fine(best.halved_mm, units)} "
            f"{UNIT_SYMBOL[units]}."
        )
        useless = [source_words(one) for one in line.useless(sources)]
        if useless:
            text += f" Improving these would do nothing for it: {first_few(useless, 3, '; ')}."
        lines.append(text + _poses(budget, line, units))
    return "What would help most\n" + _bullets(lines) if lines else ""


def _trials(budget: JobBudget) -> str:
    trials = [one for one in (budget.offset_trials, budget.part_trials) if one is not None]
    if not trials:
        return (
            "Nothing uncertain is stated, in the job file or the machine file: there is nothing to work out."
        )
    count, seed = max(one.trials for one in trials), trials[0].seed
    text = f"Monte Carlo (JCGM 101): {count:,} trials, seed {seed}."
    if not all(one.converged for one in trials):
        text += " They were too few for its numerical tolerance."
    if budget.agrees:
        text += " It agrees with the linear propagation that the figures above come from."
    else:
        agree = budget.offset_agrees
        offsets = [
            f"{in_nest(one.name, one.nest)} {axis}"
            for one, row in zip(budget.job.model.operations, agree, strict=True)
            for axis, serves in zip("XYZ", row, strict=True)
            if not serves
        ]
        others = [line_name(line) for line in budget.lines if not line.linear_serves]
        named = [*offsets, *others]
        some = first_few(named, 6, "; ")
        text += f" Linear propagation does not serve for {some}: the Monte Carlo interval is given there."
    return wrapped(text, columns=_COLUMNS)


def budget_report(budget: JobBudget, units: str) -> dict[str, Any]:
    """A budget for JSON; lengths in the stated unit."""
    job, model = budget.job, budget.job.model
    scale = UNIT_MM[units]
    trials = [one for one in (budget.offset_trials, budget.part_trials) if one is not None]
    return {
        "schema": "tiltwright.budget/1",
        "job": job.views[0].job.file.name,
        "units": units,
        "correction": correction_report(job.views),
        "level": budget.offsets.level,
        "operations": [
            {
                "name": one.name,
                "nest": one.nest,
                "work_offset": number,
                "u": by_axis(budget.offsets.u_mm[k], units),
                "U95": by_axis(budget.expanded_mm[k], units),
                "expected": by_axis(budget.expected_mm[k], units),
                "dof": dict(zip("XYZ", map(_finite, budget.offsets.dof[k].tolist()), strict=True)),
                "linear_serves": bool(budget.offset_agrees[k].all()),
            }
            for k, (one, number) in enumerate(zip(model.operations, job.numbers, strict=True))
        ],
        "covariance": (budget.offsets.covariance / scale**2 + 0.0).tolist(),
        "features": [
            {
                "name": line.name,
                "operation": line.operation,
                "nest": line.nest,
                "datum": line.datum or None,
                **_line(line, budget, units),
            }
            for line in budget.features
        ],
        "seams": [
            {"between": list(names[:2]), "nest": line.nest, **_line(line, budget, units)}
            for line, names in zip(budget.seams, job.seam_names, strict=True)
        ],
        "added_poses": [
            {
                "tilt_deg": added.tilt_deg,
                "poses_deg": added.poses_deg.tolist(),
                "U95": [
                    in_units(one.expanded_mm, units) for one in (*added.budget.features, *added.budget.seams)
                ],
            }
            for added in budget.added
        ],
        "monte_carlo": {
            "trials": max((one.trials for one in trials), default=0),
            "seed": trials[0].seed if trials else None,
            "settled": all(one.converged for one in trials),
            "agrees": budget.agrees,
        },
        "coating": coating_report(job.views[0].job, units),
        "taken_as_exact": exact_words(job.exact, units),
        "unreached": list(job.unreached),
        "conforms": budget.conforms,
    }


def _finite(value: float) -> float | None:
    return None if math.isinf(value) else value


def _line(line: BudgetLine, budget: JobBudget, units: str) -> dict[str, Any]:
    one = line.budget
    limit = one.of.tolerance_mm
    order = np.argsort(-one.shares, kind="stable").tolist()
    return {
        "u": in_units(one.u_mm, units),
        "U95": in_units(line.expanded_mm, units),
        "expected": length_list(one.expected_mm, units),
        "dof": _finite(one.dof),
        "tolerance": None if limit is None else in_units(limit, units),
        "conforms": line.conforms,
        "proven": line.verdict,
        "interval": None
        if line.low_mm is None or line.high_mm is None
        else [in_units(line.low_mm, units), in_units(line.high_mm, units)],
        "linear_serves": line.linear_serves,
        "shares": [
            {"source": source_words(budget.job.sources[k]), "share": float(one.shares[k])} for k in order
        ],
    }


_LEAST_MM = 1e-5
"""Least contribution of a line that is written down: a hundredth of a micrometre."""

_RULES = (
    "Limits either way become a standard uncertainty u: limit / square root of 3 (GUM 4.3.7). Each u is multiplied by how "
    "far X, Y and Z move for one unit of it; a tilted table turns these along with everything that stands on it. The "
    "squares add up, since the sources do not depend on each other."
)


def uncertainty_by_hand(evaluated: EvaluatedJob, units: str) -> list[list[Block]]:
    """For each operation the lines that carry the uncertainty to its offset; nothing where the job states none."""
    if not states_uncertainty(evaluated.job.file):
        return [[] for _ in evaluated.operations]
    job = uncertain_job(evaluated)
    budget = offset_budget(job.model, job.sources)
    found: list[list[Block]] = []
    for k in range(len(evaluated.operations)):
        rows = [row for source in job.sources for row in _rows(job, source, k, units)]
        u, expanded = budget.u_mm[k], budget.expanded_mm[k]
        factor = np.divide(expanded, u, out=np.full(3, 1.96), where=u > 0.0)
        rows.append(("root of the sum of squares", *[""] * 4, *(fine(one, units) for one in u)))
        rows.append(
            (
                f"times k = {fixed(float(factor.max()), 2)}: U",
                *[""] * 4,
                *(fine(one, units) for one in expanded),
            )
        )
        head = ("source", "u", "X per 1", "Y per 1", "Z per 1", "u of X", "u of Y", "u of Z")
        found.append([Heading("How sure it is"), Paragraph(_RULES), Table(head, tuple(rows))])
    return found


def _rows(job: UncertainJob, source: UncertaintySource, k: int, units: str) -> list[tuple[str, ...]]:
    """The lines of one source: one for each of its quantities, or one in all where they hang together."""
    by_quantity = job.model.offset_jacobian[k][:, job.model.columns(source)]
    words = source_words(source)
    if source.kind == "calibration":
        u = np.sqrt(np.clip(np.einsum("ij,jk,ik->i", by_quantity, source.covariance, by_quantity), 0.0, None))
        return [(f"{words} (joint)", *[""] * 4, *(fine(one, units) for one in u))]
    found = []
    for quantity, own, moves in zip(source.quantities, source.u.tolist(), by_quantity.T, strict=True):
        adds = np.abs(moves) * own
        if float(adds.max()) < _LEAST_MM:
            continue
        length = quantity.unit == "mm"
        size = f"{fine(own, units)} {UNIT_SYMBOL[units]}" if length else f"{own:.5f} {quantity.unit}"
        name = f"{words} {quantity.component}".rstrip()
        if quantity.place is not None and not length:
            name += f" at {quantity.place:g}"
        scale = 1.0 if length else UNIT_MM[units]
        each = (fixed(float(one) / scale, 4) for one in moves)
        found.append((name, size, *each, *(fine(one, units) for one in adds)))
    return found
