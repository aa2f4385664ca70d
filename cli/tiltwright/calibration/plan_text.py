"""An evaluated plan as text, as JSON, and as a table to fill in by hand."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.calibration import Estimate, PoseGain
from tiltwright.calibration.fit_report import angle_error_report, drift_report, estimate, numbers
from tiltwright.calibration.fit_text import fine, span
from tiltwright.calibration.fit_wording import estimate_meaning, fixed_sentence, shown_from
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.calibration.probe_program import checked_words
from tiltwright.files.diagnostics import sanitized
from tiltwright.files.z_reading import z_reading
from tiltwright.output.json_csv import by_letter, csv_text, length_list
from tiltwright.output.numbers import angle, in_units, lengths
from tiltwright.output.tables import table, units_words

if TYPE_CHECKING:
    from tiltwright.calibration.probe_program import Program

__all__ = ["blank_table", "plan_report", "plan_text"]

_WIDTH = 120
_SMALL_GAIN = 0.02


def plan_text(worked: EvaluatedPlan, units: str, program: Program | None = None) -> str:
    """Text that `pivot plan` prints."""
    plan, machine = worked.plan, worked.machine
    how = "chosen for the least uncertainty" if worked.chosen else "as stated"
    title = (
        f"{sanitized(plan.name)} on {machine.name}: {len(worked.readings)} readings in {len(worked.poses_deg)} poses "
        f"({how})\nlengths in {units_words(units)}, machine coordinates; angles in degrees"
    )
    return "\n\n".join(
        [
            title,
            _expected(worked, units),
            *_trips(worked, program, units),
            *_beside(worked),
            *_unreadable(worked),
            _uncertainties(worked, units),
            _worst(worked, units),
            _systematic(worked, units),
        ]
    )


def _expected(worked: EvaluatedPlan, units: str) -> str:
    letters = worked.machine.letters
    head = ["", "target", *letters, "X", "Y", "Z"]
    readings = worked.readings
    rows = [
        [
            str(i + 1),
            sanitized(readings.names[int(readings.target[i])])[:34],
            *map(angle, readings.angles_deg[i]),
            *lengths(readings.points_mm[i], units),
        ]
        for i in range(len(readings))
    ]
    head_line = (
        "Where the centres, points of axes and contact points are, if the machine file is right (to compare with "
        "readings worked\nout; with a probe in, no display shows a centre, nor a contact point beside the tip):"
    )
    z = textwrap.fill(z_reading(worked.machine.z_reference.tool_length_mm), _WIDTH)
    return f"{head_line}\n{table(head, rows, left=2)}\n{z}"


def _trips(worked: EvaluatedPlan, program: Program | None, units: str) -> list[str]:
    if program is None:
        return []
    readings = worked.readings
    rows = [
        [
            str(trip.reading),
            sanitized(readings.names[int(readings.target[trip.reading - 1])])[:34],
            str(trip.touch),
            *lengths(np.array(trip.shown_mm), units),
        ]
        for trip in program.trips
    ]
    head = "What the display shows at each trip: the tip's lowest point, the probe's length offset in force:"
    return [f"{head}\n{table(['', 'target', 'touch', 'X', 'Y', 'Z'], rows, left=2)}"]


def _beside(worked: EvaluatedPlan) -> list[str]:
    """Lines about the probe's clearance, targets touched in another way, and what is not checked."""
    if worked.plan.probe is None:
        return []
    lines = [
        f"  {_pose(worked, worked.poses_deg[p])}: {depth}"
        for p, depth in enumerate(worked.ways.poses)
        if depth
    ]
    points = _targets_of_points(worked)
    lines += [
        f"  {_pose(worked, worked.poses_deg[p])}: {sanitized(worked.plan.targets[points[k]].name)} is touched "
        f"{way.words}: the stem is beside it"
        for (p, k), way in sorted(worked.ways.way.items())
    ]
    return [
        "\n".join(["Beside the probe on its way down:", *lines, *(f"  {s}" for s in checked_words(worked))])
    ]


def _targets_of_points(worked: EvaluatedPlan) -> list[int]:
    return [t for t, target in enumerate(worked.plan.targets) for _ in target.points_mm]


def _pose(worked: EvaluatedPlan, pose: Any) -> str:  # noqa: ANN401 - a row of an array
    return " ".join(f"{letter}{a + 0.0:g}" for letter, a in zip(worked.machine.letters, pose, strict=True))


def _unreadable(worked: EvaluatedPlan) -> list[str]:
    grouped: dict[tuple[str, str], list[int]] = {}
    targets = worked.plan.targets
    for k, t in enumerate(_targets_of_points(worked)):
        nth = k - sum(len(one.points_mm) for one in targets[:t]) + 1
        name = sanitized(targets[t].name) + (f", point {nth}" if len(targets[t].points_mm) > 1 else "")
        for p in range(len(worked.poses_deg)):
            if (p, k) in worked.ways.why:
                grouped.setdefault((name, worked.ways.why[p, k]), []).append(p)
    lines = [
        f"  {name}: not at {', '.join(_pose(worked, worked.poses_deg[p]) for p in poses)}: {sanitized(why)}"
        for (name, why), poses in grouped.items()
    ]
    refused = [_pose(worked, pose) for pose in worked.poses_deg[~worked.which.any(axis=1)]]
    lines += [f"  Nothing is read at {', '.join(refused)}: the pose is left out"] if refused else []
    return ["\n".join(["Left out:", *lines])] if lines else []


def _uncertainties(worked: EvaluatedPlan, units: str) -> str:
    rows = [
        [
            one.name,
            *(
                ["held", "-"]
                if one.standard_uncertainty is None
                else [span(one, one.standard_uncertainty, units), span(one, one.expanded_uncertainty, units)]
            ),
            units if one.unit == "mm" else "deg",
            estimate_meaning(one),
        ]
        for one in worked.foreseen.estimates
    ]
    text = table(["number", "u", "U 95 %", "", "meaning"], rows, align="lrrll")
    sigma = fine(worked.plan.sigma_mm, units)
    return f"Uncertainty to expect, with a probe that scatters by {sigma} in each coordinate:\n{text}"


def _worst(worked: EvaluatedPlan, units: str) -> str:
    one, added = worked.foreseen.worst, worked.added
    lines = [f"Least certain: {_worst_words(one, units)}"]
    lines += [f"Not determined: {fixed_sentence(one, units)}" for one in worked.foreseen.fixed]
    if worked.foreseen.dof == 0:
        lines.append("There would be no redundant readings: a wrong reading would not show.")
    if added is None:
        lines.append("No pose is left to add.")
    elif added.gain < _SMALL_GAIN:
        lines.append(
            f"One more pose would hardly help (the best, {_pose(worked, added.pose_deg)}, by {_gain(added)})."
        )
    else:
        lines.append(
            f"One more pose helps most at {_pose(worked, added.pose_deg)}: it takes {_gain(added)} off the "
            "uncertainty of all lines together."
        )
    return "\n".join(lines)


def _systematic(worked: EvaluatedPlan, units: str) -> str:
    """Sizes from which on errors of the rotaries' own angles and a drift would show, and poses that show them better."""
    lines = [f"  {one}" for one in shown_from(worked.foreseen.angle_errors, worked.foreseen.drifts, units)]
    poses = [_pose(worked, pose) for pose in worked.angle_poses_deg]
    first = f"with {_pose(worked, worked.poses_deg[0])} read again at the end"
    lines.append(f"Read at {', '.join(poses)} as well, and {first}:" if poses else f"The same {first}:")
    with_more = worked.with_angle_poses
    lines += [f"  {one}" for one in shown_from(with_more.angle_errors, with_more.drifts, units)]
    return "\n".join(
        ["An error of a rotary's own angle, or a drift while probing, shows from this size on:", *lines]
    )


def _gain(added: PoseGain) -> str:
    return f"{added.gain * 100:.0f} %"


def _worst_words(one: Estimate, units: str) -> str:
    if one.standard_uncertainty is None:
        return f"{one.name} is not determined: {estimate_meaning(one)}"
    unit = units if one.unit == "mm" else "degrees"
    return f"{one.name}, u = {span(one, one.standard_uncertainty, units)} {unit}: {estimate_meaning(one)}"


def plan_report(worked: EvaluatedPlan, units: str, program: Program | None = None) -> dict[str, Any]:
    """An evaluated plan as a JSON object."""
    machine, readings, foreseen = worked.machine, worked.readings, worked.foreseen
    added = worked.added
    scale = np.tile([in_units(1.0, units)] * 2 + [1.0] * 2, len(machine.letters))
    return {
        "schema": "tiltwright.pivot-plan/1",
        "plan": worked.plan.name,
        "machine": machine.name,
        "units": units,
        "repeatability": in_units(worked.plan.sigma_mm, units),
        "chosen": worked.chosen,
        "poses": [by_letter(machine, pose) for pose in worked.poses_deg],
        "readings": [
            {
                "target": readings.names[int(readings.target[i])],
                "kind": readings.kinds[int(readings.target[i])].value,
                "machine": by_letter(machine, readings.angles_deg[i]),
                "display": dict(zip("XYZ", length_list(readings.points_mm[i], units), strict=True)),
            }
            for i in range(len(readings))
        ],
        "trips": None
        if program is None
        else [
            {
                "reading": trip.reading,
                "touch": trip.touch,
                "shown": dict(zip("XYZ", length_list(np.array(trip.shown_mm), units), strict=True)),
            }
            for trip in program.trips
        ],
        "left_out": [
            {
                "target": worked.plan.targets[_targets_of_points(worked)[k]].name,
                "machine": by_letter(machine, worked.poses_deg[p]),
                "why": why,
            }
            for (p, k), why in sorted(worked.ways.why.items())
        ],
        "beside": list(worked.ways.poses),
        "foreseen": {one.name: estimate(one, units) for one in foreseen.estimates},
        "covariance": (foreseen.covariance * np.outer(scale, scale) + 0.0).tolist(),
        "dof": foreseen.dof,
        "angle_errors": [angle_error_report(one) for one in foreseen.angle_errors],
        "drifts": [drift_report(one, units) for one in foreseen.drifts],
        "angle_poses": [by_letter(machine, pose) for pose in worked.angle_poses_deg],
        "with_angle_poses": {
            "angle_errors": [angle_error_report(one) for one in worked.with_angle_poses.angle_errors],
            "drifts": [drift_report(one, units) for one in worked.with_angle_poses.drifts],
        },
        "held": [fixed_sentence(one, units) for one in foreseen.fixed],
        "poorest": foreseen.worst.name,
        "added_pose": None
        if added is None
        else {
            "pose": by_letter(machine, added.pose_deg),
            "gain": added.gain,
            "before": numbers([in_units(added.before_mm, units)]),
            "after": numbers([in_units(added.after_mm, units)]),
        },
    }


def blank_table(worked: EvaluatedPlan, units: str) -> str:
    """The table that `pivot fit` reads, X, Y and Z left to be filled in."""
    readings, suffix = worked.readings, "in" if units == "inch" else "mm"
    head = [
        "kind",
        "target",
        *(f"{c}_deg" for c in worked.machine.letters),
        *(f"{a}_{suffix}" for a in "XYZ"),
    ]

    def rows() -> Iterator[list[object]]:
        for i in range(len(readings)):
            t = int(readings.target[i])
            angles = (readings.angles_deg[i] + 0.0).tolist()
            yield [readings.kinds[t].value, readings.names[t], *angles, "", "", ""]

    return csv_text(head, rows())
