"""Correction of a job from measured parts: the candidates, the one that is taken, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.uncertainty import (
    CausePair,
    JointCorrection,
    MeasuredDeviation,
    MeasurementBlunder,
    NextFeature,
    NextPlace,
    OffsetCorrection,
    SeatingSpread,
    SetupEstimate,
    SetupModel,
    SingleCause,
    SingleCauses,
    Spread,
    UncertaintySource,
    correct_jointly,
    corrections_apart,
    deviations_after,
    measured_parts,
    measurement_blunders,
    next_feature,
    next_place,
    offset_correction,
    seating_spread,
    single_causes,
)
from kinematics.uncertainty.causes import AGREE_MM, UNLIKELY
from tiltwright.files.diagnostics import nearest, one_of, option_error, shown
from tiltwright.job.sign_slips import stated_blank
from tiltwright.uncertainty.evaluation import UncertainJob
from tiltwright.uncertainty.measured_table import MeasuredTable
from tiltwright.uncertainty.wording import quantity_words

__all__ = ["EVERYTHING", "PLACE_DECIMALS", "Candidate", "JobCorrection", "job_correction"]

EVERYTHING = "everything together"
"""The name of the joint estimate among the candidates."""

_MOST_PAIRS = 12

_SMALL_PART_MM = 10.0
"""Reach from an operation's zero of a part of which nothing is known."""

_WELL_INSIDE = 0.8
"""A place to measure lies so far of the way to the blank's edge."""

PLACE_DECIMALS = {"mm": 0, "inch": 1}
"""Of a proposed place, in the file's unit: about there is near enough."""


@dataclass(frozen=True, eq=False)
class Candidate:
    """A correction that the deviations may mean.

    Attributes
    ----------
    name : str
        By which it is chosen.
    estimate : SetupEstimate
    offsets : OffsetCorrection
    cause : SingleCause or None
    pair : CausePair or None
    """

    name: str
    estimate: SetupEstimate
    offsets: OffsetCorrection
    cause: SingleCause | None = None
    pair: CausePair | None = None

    def named_in(self, model: SetupModel, units: str) -> str:
        """The name with its places in a unit."""
        if self.cause is not None:
            return quantity_words(model, self.cause.quantity, units)
        if self.pair is not None:
            both = (self.pair.first, self.pair.second)
            return " + ".join(quantity_words(model, one.quantity, units) for one in both)
        return self.name


@dataclass(frozen=True, eq=False)
class JobCorrection:
    """Result of measured parts for a job.

    Attributes
    ----------
    job : UncertainJob
    table : MeasuredTable
    sources : tuple of UncertaintySource
        The job's, and how parts were found to seat where the job does not say.
    joint : JointCorrection
    causes : SingleCauses
    candidates : tuple of Candidate
        What the deviations may mean; the first is the likeliest. Empty where nothing is to be corrected.
    chosen : Candidate or None
        The one whose offsets are shown.
    named : bool
        True where it was chosen by its name.
    differs_mm : ndarray, shape (O,)
        By how much the candidates' corrections differ at each operation, at most: by shift or turn, at any known place of the part.
    doubts : tuple of MeasurementBlunder
    more : NextFeature or None
    place : NextPlace or None
        Where a feature should be added, if none of the job's tells the candidates apart.
    seating : tuple of SeatingSpread
    """

    job: UncertainJob
    table: MeasuredTable
    sources: tuple[UncertaintySource, ...]
    joint: JointCorrection
    causes: SingleCauses
    candidates: tuple[Candidate, ...]
    chosen: Candidate | None
    named: bool
    differs_mm: NDArray[np.float64]
    doubts: tuple[MeasurementBlunder, ...]
    more: NextFeature | None
    place: NextPlace | None
    seating: tuple[SeatingSpread, ...]

    @property
    def agreed(self) -> bool:
        """True where all candidates ask for the same offsets, to `AGREE_MM`."""
        return not self.differs_mm.size or float(self.differs_mm.max()) <= AGREE_MM

    @property
    def explained(self) -> bool:
        """True where a single cause, two at once or all that is stated explain the deviations."""
        return bool(self.candidates)

    @property
    def settled(self) -> bool:
        """True where there is one correction to load, or none is needed."""
        if not self.joint.significant:
            return True
        alone = self.causes.others == "exact" and not self.causes.far
        return self.explained and self.agreed and not self.doubts and alone

    @property
    def to_be_loaded(self) -> bool:
        """True where the correction is settled, or the setter has named one."""
        return self.settled or self.named

    @property
    def measured_operations(self) -> frozenset[int]:
        """The operations in which something was measured."""
        features = self.job.part.features
        return frozenset(features[k].operation for k in self.table.measured.features)

    def after(
        self,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[tuple[int, NDArray[np.float64]], ...]]:
        """Deviations to expect of every feature with the chosen offsets, their u, and each row's feature and direction."""
        rows = tuple(
            (k, along)
            for k in range(len(self.job.part.features))
            for along in self.job.part.direction[self.job.part.rows(k)]
        )
        if self.chosen is None or not rows:
            return np.zeros(0), np.zeros(0), ()
        wanted = measured_parts(self.job.part, [MeasuredDeviation(k, along, 0.0, 1.0) for k, along in rows])
        expected, u = deviations_after(wanted, self.chosen.estimate, self.chosen.offsets, self.sources)
        return expected, u, rows


def job_correction(job: UncertainJob, table: MeasuredTable, choose: str | None = None) -> JobCorrection:
    """Work out what measured parts say.

    Parameters
    ----------
    job : UncertainJob
    table : MeasuredTable
    choose : str, optional
        The name of the candidate to take, or its number, from 1.

    Raises
    ------
    InputFaults
        When no candidate has that name.
    """
    measured = table.measured
    seating = seating_spread(measured)
    sources = (*job.sources, *_found_seating(job, seating))
    joint = correct_jointly(measured, sources)
    causes = single_causes(joint, sources)
    found = _candidates(job, joint, causes)
    believed = tuple(found)
    chosen = believed[0] if believed else None
    if choose is not None:
        chosen = _named(choose, job, joint, causes, believed)
    apart = corrections_apart(job.part, [one.offsets for one in believed])
    differs = apart.max(axis=(0, 1), initial=0.0)
    more = next_feature(causes) if joint.significant else None
    place = None
    if more is None and float(differs.max(initial=0.0)) > AGREE_MM:
        u_mm = float(np.median(measured.u_mm))
        place = next_place(job.part, [one.estimate for one in believed], sources, _places(job), u_mm)
    return JobCorrection(
        job,
        table,
        sources,
        joint,
        causes,
        believed,
        chosen,
        choose is not None,
        differs,
        measurement_blunders(measured, sources) if joint.significant else (),
        more,
        place,
        seating,
    )


def _places(job: UncertainJob) -> list[tuple[int, NDArray[np.float64]]]:
    """Places to measure what each operation cuts: at its zero, and out along its X and Y as far as the part is known."""
    model, found = job.model, list[tuple[int, NDArray[np.float64]]]()
    views = {view.job.nest: view for view in job.views}
    blanks = {nest: stated_blank(view) for nest, view in views.items()}
    points, of_points = model.point_mm, model.point_operation
    for nest, mine in model.operations_by_nest.items():
        origins = np.array([model.operations[k].origin_mm for k in mine])
        known = np.vstack([origins, points[np.isin(of_points, mine)]])
        blank, unit = blanks[nest], views[nest].job.unit
        for k in mine:
            origin, axes = model.operations[k].origin_mm, model.poses[k].rotation
            found.append((k, np.zeros(3)))
            for along in (axes[0], -axes[0], axes[1], -axes[1]):
                if blank is None:
                    far_mm = max(float(((known - origin) @ along).max()), _SMALL_PART_MM)
                else:
                    at = blank.nearest_mm(blank.from_part.apply(origin))
                    far_mm = _WELL_INSIDE * blank.out_mm(at, blank.from_part.rotate(along))
                whole = unit.to_mm(round(unit.from_mm(far_mm), PLACE_DECIMALS[unit.value]))
                if whole:
                    found.append((k, axes @ (whole * along)))
    return found


def _found_seating(job: UncertainJob, seating: tuple[SeatingSpread, ...]) -> list[UncertaintySource]:
    """Seating of the parts as it was found, where the job does not state how it differs."""
    stated = {(source.kind, source.owner) for source in job.sources}
    found = []
    for one in seating:
        if (one.kind, one.nest) not in stated and one.u_mm > 0.0:
            quantities = [
                quantity
                for quantity in job.model.of_kind(one.kind, one.nest)
                if quantity.component == one.component
            ]
            found.append(UncertaintySource.of(quantities, Spread(one.u_mm)))
    return found


def _candidates(job: UncertainJob, joint: JointCorrection, causes: SingleCauses) -> list[Candidate]:
    """Candidates for the cause of the deviations, the likeliest first."""
    if not joint.significant:
        return []
    found = [_single(job, causes, one) for one in causes.rivals]
    if causes.rivals:
        found += [_pair(job, causes, one) for one in causes.pairs[:_MOST_PAIRS]]
        if causes.far and joint.within_budget:
            # One value far off, or many a little: what is stated speaks for these.
            found.append(_everything(joint))
    elif joint.within_budget:
        # No single cause stands out, and none is needed: the budget lets such deviations be expected.
        found.append(_everything(joint))
    else:
        likely = [one for one in causes.pairs if one.total <= causes.pairs[0].total + UNLIKELY]
        found += [_pair(job, causes, one) for one in likely[:_MOST_PAIRS]]
    return found


def _everything(joint: JointCorrection) -> Candidate:
    return Candidate(EVERYTHING, joint.estimate, offset_correction(joint.estimate))


def _single(job: UncertainJob, causes: SingleCauses, cause: SingleCause) -> Candidate:
    estimate = causes.estimate(cause)
    name = quantity_words(job.model, cause.quantity)
    return Candidate(name, estimate, offset_correction(estimate), cause)


def _pair(job: UncertainJob, causes: SingleCauses, pair: CausePair) -> Candidate:
    estimate = causes.pair_estimate(pair)
    names = (quantity_words(job.model, one.quantity) for one in (pair.first, pair.second))
    return Candidate(" + ".join(names), estimate, offset_correction(estimate), None, pair)


def _named(
    choose: str,
    job: UncertainJob,
    joint: JointCorrection,
    causes: SingleCauses,
    candidates: tuple[Candidate, ...],
) -> Candidate:
    """The candidate of that name or number; any single cause may be named, whether it is believed or not."""
    if not joint.significant:
        tip = "no correction is needed"
        raise option_error("--choose", shown(choose), "nothing: the deviations are not significant", tip)
    wanted = " ".join(choose.split()).casefold()
    if wanted == EVERYTHING:
        return _everything(joint)
    number = wanted.removeprefix("(").removesuffix(")")
    if number.isascii() and number.isdecimal():
        if 1 <= int(number) <= len(candidates):
            return candidates[int(number) - 1]
        allowed = (
            "a name"
            if not candidates
            else "1, or a name"
            if len(candidates) == 1
            else f"1 to {len(candidates)}, or a name"
        )
        raise option_error("--choose", shown(choose), allowed)
    for units in ("mm", "inch"):
        by_name = {one.named_in(job.model, units).casefold(): one for one in candidates}
        if wanted in by_name:
            return by_name[wanted]
        for cause in causes.causes:
            if quantity_words(job.model, cause.quantity, units).casefold() == wanted:
                return _single(job, causes, cause)
    units = job.views[0].job.unit.value
    names = [*(one.named_in(job.model, units) for one in candidates), EVERYTHING]
    every = [*names, *(quantity_words(job.model, one.quantity, units) for one in causes.causes)]
    near = nearest(choose, every)
    tip = f"did you mean {shown(near)}?" if near else ""
    raise option_error("--choose", shown(choose), one_of(dict.fromkeys(names)), tip)
