"""An uncertainty carried through one operation, line by line, as a student works it by hand."""

from __future__ import annotations

import numpy as np

from kinematics.uncertainty import UncertaintySource, offset_budget
from tiltwright.files.uncertainty_checks import states_uncertainty
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output.document import Block, Heading, Paragraph, Table
from tiltwright.output.numbers import UNIT_MM, UNIT_SYMBOL, fine, fixed
from tiltwright.uncertainty.evaluation import UncertainJob, uncertain_job
from tiltwright.uncertainty.wording import source_words

__all__ = ["uncertainty_by_hand"]

_LEAST_MM = 1e-5
"""What a line must add to be worth writing down: a hundredth of a micrometre."""

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
