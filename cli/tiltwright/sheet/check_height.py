"""Height of the tip above each origin at the first check: as near as what is stated allows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics import PlacedOperation, Pose, cumulative_frames, table_frame, table_pose
from kinematics.constants import MM_PER_INCH
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.output import numbers
from tiltwright.sheet.data import Texts
from tiltwright.sheet.side_view import bar_section

if TYPE_CHECKING:
    from tiltwright.reach.analysis import ReachAnalysis

__all__ = ["CheckHeights", "check_heights"]

_LADDER_MM = {
    "mm": (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 75.0, 100.0, 150.0, 200.0, 300.0),
    "inch": tuple(
        inches * MM_PER_INCH for inches in (0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.6, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
    ),
}
_APART_MM = {"mm": 2.0, "inch": 0.1 * MM_PER_INCH}
"""Distance to keep from everything that is stated, where the job does not ask for more."""
_ABOVE_MM = {"mm": 10.0, "inch": 0.4 * MM_PER_INCH}
"""Distance above the highest point known, where nothing is stated about bodies."""
_ROUND_MM = {"mm": 5.0, "inch": 0.2 * MM_PER_INCH}
_TOP_MM = 1000.0


@dataclass(frozen=True)
class CheckHeights:
    """Heights in millimetres, one for each operation, and the reasons in sentences."""

    heights_mm: tuple[float, ...]
    reasons: Texts


def check_heights(evaluated: EvaluatedJob, analysis: ReachAnalysis | None, units: str) -> CheckHeights:
    """The height of the tip above each operation's origin at the first check.

    Where tools and solids are stated, the smallest of a few round heights at which the tool, coming straight down, keeps
    its distance from everything, the uncut blank included. Where they are not, a margin above the highest point that the
    files know at that tilt.

    Parameters
    ----------
    evaluated : EvaluatedJob
    analysis : ReachAnalysis or None
    units : str
        "mm" or "inch": heights are round in it.
    """
    placed = [one.placed for one in evaluated.operations]
    solid: list[float | None] = [None] * len(placed)
    if analysis is not None:
        solid = _beside_solids(analysis, units)
    heights = tuple(
        _above_points(evaluated, one, units) if found is None else found
        for one, found in zip(placed, solid, strict=True)
    )
    return CheckHeights(heights, _reasons(evaluated, solid, units))


def _reasons(evaluated: EvaluatedJob, solid: list[float | None], units: str) -> Texts:
    said = []
    unit = numbers.UNIT_SYMBOL[units]
    apart = max(_APART_MM[units], evaluated.job.unit.to_mm(evaluated.job.file.clear or 0.0))
    if any(found is not None for found in solid):
        said.append(
            "Each height is as near as the stated tool, holder and spindle get, straight down, "
            f"{numbers.length(apart, units)} {unit} clear of the stated solids and the uncut blank. What the files do not "
            "state may stand higher: look first."
        )
    blind = [one.placed.name for one, found in zip(evaluated.operations, solid, strict=True) if found is None]
    if blind:
        where = "" if len(blind) == len(solid) else f"At {', '.join(blind)}: "
        said.append(
            f"{where}{'No' if not where else 'no'} tool and solids are stated, so nothing says what stands over the "
            f"origin. The height is {numbers.length(_ABOVE_MM[units], units)} {unit} or a little more above the highest "
            'point of what is stated at that tilt: origins, part zero, the platter, and steps with their "round" or "bar". '
            "Whatever is not stated, clamps and stock too, may stand higher: look first."
        )
    return tuple(said)


def _above_points(evaluated: EvaluatedJob, one: PlacedOperation, units: str) -> float:
    """A margin above the highest origin, part zero, platter edge or stated step at that pose, rounded up."""
    setup = evaluated.setup
    table = table_pose(setup.machine, one.machine_deg) @ table_frame(setup.machine)
    frames = cumulative_frames(evaluated.job.steps)
    ends = [table.apply(frame.translation_mm) for frame in frames]
    part = table @ setup.part_in_table
    ends += _rims(evaluated, table, frames)
    ends += [part.translation_mm, *(part.apply(other.placed.origin_mm) for other in evaluated.operations)]
    highest = max(float(end[2]) for end in ends) - float(one.offset_mm[2])
    above = max(highest, 0.0) + _ABOVE_MM[units]
    return math.ceil(above / _ROUND_MM[units] - 1e-6) * _ROUND_MM[units]


def _rims(evaluated: EvaluatedJob, table: Pose, frames: tuple[Pose, ...]) -> list[NDArray[np.float64]]:
    """The highest points of the platter's edge and of the steps whose section is stated, in machine coordinates."""
    found = []
    platter_mm = evaluated.setup.machine.platter.diameter_mm
    if platter_mm is not None and evaluated.setup.machine.platter.face_mm is not None:
        found.append(_top_of_disc(table, np.zeros(3), platter_mm))
    unit = evaluated.job.unit
    for step, row, frame in zip(evaluated.job.steps, evaluated.job.file.stack, frames, strict=False):
        foot = table @ frame
        for z_mm in (0.0, step.up_mm):
            middle = np.array([*step.shift_mm, z_mm])
            if row.round is not None:
                found.append(_top_of_disc(foot, middle, unit.to_mm(row.round)))
            if row.bar is not None:
                corners = bar_section((unit.to_mm(row.bar[0]), unit.to_mm(row.bar[1])))
                found += [foot.apply(middle + np.array([*corner, 0.0])) for corner in corners]
    return found


def _top_of_disc(pose: Pose, middle_mm: NDArray[np.float64], diameter_mm: float) -> NDArray[np.float64]:
    """The highest point of a disc square to a frame's z."""
    up = np.asarray(pose.rotation)[2, :2]  # how much one millimetre along x, and along y, rises
    steep = float(np.hypot(*up))
    away = up / steep * diameter_mm / 2.0 if steep > 0.0 else np.zeros(2)
    return np.asarray(pose.apply(middle_mm + np.array([*away, 0.0])))


def _beside_solids(analysis: ReachAnalysis, units: str) -> list[float | None]:
    """The smallest height of the ladder that keeps clear, for each operation; None where no tool is stated."""
    from kinematics.reach import TipEnvelope, clearances, scene_of

    model = replace(
        analysis.model,
        solids=tuple(replace(solid, machinable=False) for solid in analysis.model.solids),
        step_bodies=tuple(
            None if body is None else replace(body, machinable=False) for body in analysis.model.step_bodies
        ),
    )
    scene = scene_of(model)
    apart_mm = max(_APART_MM[units], analysis.clear_mm)
    found: list[float | None] = [None] * len(model.operations)
    waiting = [index for index, one in enumerate(model.operations) if one.tool is not None]
    for height_mm in _LADDER_MM[units]:
        asked = [
            replace(
                model.operations[index],
                sweep=TipEnvelope(np.array([0.0, 0.0, height_mm]), np.array([0.0, 0.0, _TOP_MM])),
            )
            for index in waiting
        ]
        measured = clearances(model, apart_mm, scene, asked)
        clear = [one.nearest is None or one.nearest.gap_mm >= apart_mm for one in measured]
        for index, kept in zip(waiting, clear, strict=True):
            if kept:
                found[index] = height_mm
        waiting = [index for index, kept in zip(waiting, clear, strict=True) if not kept]
    for index in waiting:  # even the highest is not clear; what runs into it is among the failures
        found[index] = _LADDER_MM[units][-1]
    return found
