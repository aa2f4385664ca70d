"""An evaluated plan as text, as JSON, and as a table to fill in by hand."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.calibration import Estimate, PoseGain
from tiltwright.calibration.fit_report import angle_error_report, drift_report, estimate, numbers
from tiltwright.calibration.fit_text import span
from tiltwright.calibration.fit_wording import estimate_meaning, fixed_sentence, shown_from
from tiltwright.calibration.plan import EvaluatedPlan
from tiltwright.calibration.probe_program import checked_words
from tiltwright.files.diagnostics import sanitized
from tiltwright.files.z_reading import z_reading
from tiltwright.output.json_csv import by_letter, csv_text, length_list
from tiltwright.output.numbers import UNIT_SYMBOL, angle, fine, in_units, lengths
from tiltwright.output.tables import table, units_words

if TYPE_CHECKING:
    from tiltwright.calibration.probe_program import Program

__all__ = ["blank_table", "plan_report", "plan_text"]

_WIDTH = 120
_SMALL_GAIN = 0.02


def plan_text(evaluated: EvaluatedPlan, units: str, program: Program | None = None) -> str:
    """Text that `pivot plan` prints."""
    plan, machine = evaluated.plan, evaluated.machine
    how = "chosen for the least uncertainty" if evaluated.chosen else "as stated"
    title = (
        f"{sanitized(plan.name)} on {machine.name}: {len(evaluated.readings)} readings in {len(evaluated.poses_deg)} poses "
        f"({how})\nlengths in {units_words(units)}, machine coordinates; angles in degrees"
    )
    return "\n\n".join(
        [
            title,
            _expected(evaluated, units),
            *_trips(evaluated, program, units),
            *_beside(evaluated),
            *_unreadable(evaluated),
            _uncertainties(evaluated, units),
            _worst(evaluated, units),
            _systematic(evaluated, units),
        ]
    )


def _expected(evaluated: EvaluatedPlan, units: str) -> str:
    letters = evaluated.machine.letters
    head = ["", "target", *letters, "X", "Y", "Z"]
    readings = evaluated.readings
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
    z = textwrap.fill(z_reading(evaluated.machine.z_reference.tool_length_mm), _WIDTH)
    return f"{head_line}\n{table(head, rows, left=2)}\n{z}"


def _trips(evaluated: EvaluatedPlan, program: Program | None, units: str) -> list[str]:
    if program is None:
        return []
    readings = evaluated.readings
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


def _beside(evaluated: EvaluatedPlan) -> list[str]:
    """Lines about the probe's clearance, targets touched in another way, and what is not checked."""
    if evaluated.plan.probe is None:
        return []
    lines = [
        f"  {_pose(evaluated, evaluated.poses_deg[p])}: {depth}"
        for p, depth in enumerate(evaluated.access.descents)
        if depth
    ]
    points = _targets_of_points(evaluated)
    lines += [
        f"  {_pose(evaluated, evaluated.poses_deg[p])}: {sanitized(evaluated.plan.targets[points[k]].name)} is touched "
        f"{way.words}: the stem is beside it"
        for (p, k), way in sorted(evaluated.access.approaches.items())
    ]
    return [
        "\n".join(
            ["Beside the probe on its way down:", *lines, *(f"  {s}" for s in checked_words(evaluated))]
        )
    ]


def _targets_of_points(evaluated: EvaluatedPlan) -> list[int]:
    return [t for t, target in enumerate(evaluated.plan.targets) for _ in target.points_mm]


def _pose(evaluated: EvaluatedPlan, pose: Any) -> str:  # noqa: ANN401 - a row of an array
    return " ".join(f"{letter}{a + 0.0:g}" for letter, a in zip(evaluated.machine.letters, pose, strict=True))


def _unreadable(evaluated: EvaluatedPlan) -> list[str]:
    grouped: dict[tuple[str, str], list[int]] = {}
    targets = evaluated.plan.targets
    for k, t in enumerate(_targets_of_points(evaluated)):
        nth = k - sum(len(one.points_mm) for one in targets[:t]) + 1
        name = sanitized(targets[t].name) + (f", point {nth}" if len(targets[t].points_mm) > 1 else "")
        for p in range(len(evaluated.poses_deg)):
            if (p, k) in evaluated.access.reasons:
                grouped.setdefault((name, evaluated.access.reasons[p, k]), []).append(p)
    lines = [
        f"  {name}: not at {', '.join(_pose(evaluated, evaluated.poses_deg[p]) for p in poses)}: {sanitized(why)}"
        for (name, why), poses in grouped.items()
    ]
    refused = [_pose(evaluated, pose) for pose in evaluated.poses_deg[~evaluated.accessible.any(axis=1)]]
    lines += [f"  Nothing is read at {', '.join(refused)}: the pose is left out"] if refused else []
    return ["\n".join(["Left out:", *lines])] if lines else []


def _uncertainties(evaluated: EvaluatedPlan, units: str) -> str:
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
        for one in evaluated.predicted.estimates
    ]
    text = table(["number", "u", "U 95 %", "", "meaning"], rows, align="lrrll")
    sigma = fine(evaluated.plan.sigma_mm, units)
    return f"Uncertainty to expect, with a probe that scatters by {sigma} in each coordinate:\n{text}"


def _worst(evaluated: EvaluatedPlan, units: str) -> str:
    one, added = evaluated.predicted.worst, evaluated.added
    lines = [f"Least certain: {_worst_words(one, units)}"]
    lines += [f"Not determined: {fixed_sentence(one, units)}" for one in evaluated.predicted.fixed]
    if evaluated.predicted.dof == 0:
        lines.append("There would be no redundant readings: a wrong reading would not show.")
    if added is None:
        lines.append("No pose is left to add.")
    elif added.gain < _SMALL_GAIN:
        lines.append(
            f"One more pose would hardly help (the best, {_pose(evaluated, added.pose_deg)}, by {_gain(added)})."
        )
    else:
        lines.append(
            f"One more pose helps most at {_pose(evaluated, added.pose_deg)}: it takes {_gain(added)} off the "
            "uncertainty of all lines together."
        )
    return "\n".join(lines)


def _systematic(evaluated: EvaluatedPlan, units: str) -> str:
    """Sizes from which on errors of the rotaries' own angles and a drift would show, and poses that show them better."""
    lines = [
        f"  {one}" for one in shown_from(evaluated.predicted.angle_errors, evaluated.predicted.drifts, units)
    ]
    poses = [_pose(evaluated, pose) for pose in evaluated.angle_poses_deg]
    first = f"with {_pose(evaluated, evaluated.poses_deg[0])} read again at the end"
    lines.append(f"Read at {', '.join(poses)} as well, and {first}:" if poses else f"The same {first}:")
    with_more = evaluated.with_angle_poses
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


def plan_report(evaluated: EvaluatedPlan, units: str, program: Program | None = None) -> dict[str, Any]:
    """An evaluated plan as a JSON object."""
    machine, readings, predicted = evaluated.machine, evaluated.readings, evaluated.predicted
    added = evaluated.added
    scale = np.tile([in_units(1.0, units)] * 2 + [1.0] * 2, len(machine.letters))
    return {
        "schema": "tiltwright.pivot-plan/1",
        "plan": evaluated.plan.name,
        "machine": machine.name,
        "units": units,
        "repeatability": in_units(evaluated.plan.sigma_mm, units),
        "chosen": evaluated.chosen,
        "poses": [by_letter(machine, pose) for pose in evaluated.poses_deg],
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
                "target": evaluated.plan.targets[_targets_of_points(evaluated)[k]].name,
                "machine": by_letter(machine, evaluated.poses_deg[p]),
                "why": why,
            }
            for (p, k), why in sorted(evaluated.access.reasons.items())
        ],
        "beside": list(evaluated.access.descents),
        "foreseen": {one.name: estimate(one, units) for one in predicted.estimates},
        "covariance": (predicted.covariance * np.outer(scale, scale) + 0.0).tolist(),
        "dof": predicted.dof,
        "angle_errors": [angle_error_report(one) for one in predicted.angle_errors],
        "drifts": [drift_report(one, units) for one in predicted.drifts],
        "angle_poses": [by_letter(machine, pose) for pose in evaluated.angle_poses_deg],
        "with_angle_poses": {
            "angle_errors": [angle_error_report(one) for one in evaluated.with_angle_poses.angle_errors],
            "drifts": [drift_report(one, units) for one in evaluated.with_angle_poses.drifts],
        },
        "held": [fixed_sentence(one, units) for one in predicted.fixed],
        "poorest": predicted.worst.name,
        "added_pose": None
        if added is None
        else {
            "pose": by_letter(machine, added.pose_deg),
            "gain": added.gain,
            "before": numbers([in_units(added.before_mm, units)]),
            "after": numbers([in_units(added.after_mm, units)]),
        },
    }


def blank_table(evaluated: EvaluatedPlan, units: str) -> str:
    """The table that `pivot fit` reads, X, Y and Z left to be filled in."""
    readings, suffix = evaluated.readings, UNIT_SYMBOL[units]
    head = [
        "kind",
        "target",
        *(f"{c}_deg" for c in evaluated.machine.letters),
        *(f"{a}_{suffix}" for a in "XYZ"),
    ]

    def rows() -> Iterator[list[object]]:
        for i in range(len(readings)):
            t = int(readings.target[i])
            angles = (readings.angles_deg[i] + 0.0).tolist()
            yield [readings.kinds[t].value, readings.names[t], *angles, "", "", ""]

    return csv_text(head, rows())
