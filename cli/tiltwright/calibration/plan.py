"""Probing plans: read from a file, and evaluated to poses, expected readings and uncertainties."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics import KinematicsError, Machine, table_frame
from kinematics.calibration import (
    PlannedTarget,
    PoseGain,
    PredictedUncertainty,
    Readings,
    TargetKind,
    candidate_poses,
    optimal_poses,
    planned_readings,
    poses_for_angle_errors,
    predict_uncertainty,
    rank_added_poses,
)
from tiltwright.calibration.plan_data import DEFAULT_POSES, Plan
from tiltwright.calibration.probe_access import ProbeAccess, accessible_touches
from tiltwright.calibration.probe_obstacles import is_platter_face
from tiltwright.calibration.raw_readings import distinct
from tiltwright.files.decoding import decode_table
from tiltwright.files.diagnostics import UnlocatedDiagnostic, one_of, shown
from tiltwright.files.loader import refuse_other_kind
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.probing_files import PlanFile, TargetTable
from tiltwright.files.toml_source import load
from tiltwright.files.units import Unit

__all__ = [
    "DEFAULT_POSES",
    "INCHES",
    "EvaluatedPlan",
    "Plan",
    "evaluate_plan",
    "inches_as_mm",
    "place_tip",
    "point_outside_travels",
    "read_plan",
]

_ANGLE_POSES = 3
"""Number of further poses proposed against errors of the rotaries' own angles. Chosen here."""


@dataclass(frozen=True, eq=False)
class EvaluatedPlan:
    """Evaluated plan.

    Attributes
    ----------
    plan : Plan
    machine : Machine
    poses_deg : ndarray, shape (m, n)
    chosen : bool
        True for poses that were optimised, False for stated ones.
    accessible : ndarray of bool, shape (m, k)
        True for those of the k points of all targets that can be read at a pose.
    access : ProbeAccess
        Approach to each, or the reason why there is none.
    readings : Readings
        Expected readings, pose by pose.
    predicted : PredictedUncertainty
    added : PoseGain or None
        Most informative further pose; None where none is left.
    angle_poses_deg : ndarray, shape (k, n)
        Up to three further poses that would best show errors of the rotaries' own angles.
    with_angle_poses : PredictedUncertainty
        Prediction with those, and with the first pose read again at the end, which best shows a drift.
    """

    plan: Plan
    machine: Machine
    poses_deg: NDArray[np.float64]
    chosen: bool
    accessible: NDArray[np.bool_]
    access: ProbeAccess
    readings: Readings
    predicted: PredictedUncertainty
    added: PoseGain | None
    angle_poses_deg: NDArray[np.float64]
    with_angle_poses: PredictedUncertainty


def read_plan(path: str, machine: Machine) -> Plan:
    """Read a plan file.

    Raises
    ------
    InputFaults
        With every fault of the file.
    """
    source = load(path, "a plan file")
    refuse_other_kind(source, "a plan file")
    file, faults = decode_table(PlanFile, source)
    faults.raise_if_any()
    findings = [*_target_findings(file), *_pose_findings(file, machine), *_place_findings(file, machine)]
    targets = []
    for place, target in enumerate(file.target):
        try:
            targets.append(_target(target, file.units))
        except KinematicsError as refusal:
            findings.append(
                UnlocatedDiagnostic(("target", place, "at"), str(refusal), "points of one axis or one face")
            )
        else:
            findings += _name_findings(place, targets[-1], machine)
    faults.extend(findings)
    faults.raise_if_any()
    poses = None
    if file.poses is not None:
        poses = np.array([[pose[letter] for letter in machine.letters] for pose in file.poses])
    return Plan(
        name=file.name,
        units=file.units,
        targets=tuple(targets),
        diameters_mm=tuple(None if t.diameter is None else file.units.to_mm(t.diameter) for t in file.target),
        poses_deg=poses,
        choose=file.choose or DEFAULT_POSES,
        step_deg=file.step,
        sigma_mm=file.units.to_mm(file.repeatability),
        probe=file.probe,
        stems_mm=tuple(
            None if t.stem_diameter is None else file.units.to_mm(t.stem_diameter) for t in file.target
        ),
    )


def _target(target: TargetTable, unit: Unit) -> PlannedTarget:
    direction = target.direction or AXIS_DIRECTIONS[target.along or "+Z"]
    points = np.array(target.at) * unit.mm
    return PlannedTarget(target.name, TargetKind(target.kind), points, np.array(direction))


def _target_findings(file: PlanFile) -> list[UnlocatedDiagnostic]:
    findings = []
    first: dict[str, int] = {}
    for place, target in enumerate(file.target):
        before = first.setdefault(target.name, place)
        if before != place:
            found = f"{shown(target.name)}, the name of target {before + 1} already"
            findings.append(
                UnlocatedDiagnostic(("target", place, "name"), found, "a name of its own for every target")
            )
        if target.along is not None and target.direction is not None:
            findings.append(
                UnlocatedDiagnostic(("target", place, "direction"), "along and direction both", "one of both")
            )
        if target.kind == "ball" and len(target.at) > 1:
            found = f"{len(target.at)} points of a ball"
            findings.append(
                UnlocatedDiagnostic(("target", place, "at"), found, "its centre: one point, [[x, y, z]]")
            )
        if target.kind == "face" and target.diameter is not None:
            findings.append(
                UnlocatedDiagnostic(("target", place, "diameter"), "the diameter of a face", "none")
            )
        if target.kind != "ball" and target.stem_diameter is not None:
            found = f"the stem of a {target.kind}"
            findings.append(
                UnlocatedDiagnostic(("target", place, "stem_diameter"), found, "none: a ball has one")
            )
    return findings


def _place_findings(file: PlanFile, machine: Machine) -> list[UnlocatedDiagnostic]:
    """Findings of targets outside the travels: a lost sign, or another unit."""
    findings = []
    for place, target in enumerate(file.target):
        outside = point_outside_travels(machine, np.array(target.at) * file.units.mm)
        if outside is not None:
            point, axis = outside
            low, high = (
                file.units.from_mm(float(end[axis]))
                for end in (machine.travel.low_mm, machine.travel.high_mm)  # type: ignore[union-attr] # point_outside_travels found some
            )
            found = f"{'XYZ'[axis]} {target.at[point][axis]:g} of {shown(target.name)}, outside the machine's travel"
            allowed = f"{low:g} to {high:g} at the all-zero pose"
            tip = place_tip(machine, np.array(target.at) * file.units.mm, axis, file.units)
            findings.append(UnlocatedDiagnostic(("target", place, "at"), found, allowed, tip))
        elif inches_as_mm(machine, np.array(target.at) * file.units.mm, file.units):
            found = f"{shown(target.name)}, far from the platter"
            allowed = "a place on the table, at the all-zero pose"
            findings.append(UnlocatedDiagnostic(("target", place, "at"), found, allowed, INCHES))
    return findings


def _name_findings(place: int, target: PlannedTarget, machine: Machine) -> list[UnlocatedDiagnostic]:
    """Finding of a face named after the platter that is not the platter's: its touches would count as such."""
    if target.kind is not TargetKind.FACE or not target.name.lower().startswith("platter"):
        return []
    if machine.platter.face_mm is None or is_platter_face(target, machine):
        return []
    allowed = "another name, or points within 1 mm of the machine file's platter face, looking its way"
    return [
        UnlocatedDiagnostic(
            ("target", place, "name"), f"{shown(target.name)}, a face that is not the platter's", allowed
        )
    ]


def point_outside_travels(machine: Machine, points_mm: NDArray[np.float64]) -> tuple[int, int] | None:
    """First of the points (k, 3) outside the travels, and the axis; None where all are inside."""
    if machine.travel is None:
        return None
    outside = np.argwhere((points_mm < machine.travel.low_mm) | (points_mm > machine.travel.high_mm))
    return (int(outside[0, 0]), int(outside[0, 1])) if len(outside) else None


def place_tip(machine: Machine, points_mm: NDArray[np.float64], axis: int, unit: Unit) -> str:
    """Tip about points (k, 3) outside the travels in an axis: the likeliest mistake.

    `unit` is the one in which they were typed.
    """
    mirrored = np.array(points_mm)
    mirrored[:, axis] *= -1.0
    if unit is Unit.INCH and point_outside_travels(machine, points_mm / Unit.INCH.mm) is None:
        return "these look like millimetres, and the unit is inch"
    return (
        "a minus sign lost?" if point_outside_travels(machine, mirrored) is None else "the unit? the machine?"
    )


INCHES = "these look like inches, and the unit is mm"

_FAR_DIAMETERS = 2.0
"""Nothing to probe stands so many diameters of the platter away from its middle."""


def inches_as_mm(machine: Machine, points_mm: NDArray[np.float64], unit: Unit) -> bool:
    """True where points (k, 3) typed in mm lie far from the platter, and as inches would lie on it."""
    diameter_mm = machine.platter.diameter_mm
    if unit is not Unit.MM or diameter_mm is None:
        return False
    middle_mm = table_frame(machine).translation_mm
    far_mm, near_mm = (
        float(np.linalg.norm(points_mm * scale - middle_mm, axis=-1).max()) for scale in (1.0, Unit.INCH.mm)
    )
    return far_mm > _FAR_DIAMETERS * diameter_mm >= near_mm


def _pose_findings(file: PlanFile, machine: Machine) -> list[UnlocatedDiagnostic]:
    findings = []
    if file.poses is not None and file.choose is not None:
        findings.append(UnlocatedDiagnostic(("choose",), "poses and choose both", "one of both"))
    letters = set(machine.letters)
    for place, pose in enumerate(file.poses or ()):
        path = ("poses", place)
        if set(pose) != letters:
            found, allowed = shown(dict(pose)), f"an angle for each of {one_of(machine.letters, 'and')}"
            findings.append(UnlocatedDiagnostic(path, found, allowed))
            continue
        for rotary in machine.rotaries:
            if rotary.limits_deg is not None and not rotary.within(pose[rotary.letter]):
                low, high = rotary.limits_deg
                found = f"{rotary.letter} at {pose[rotary.letter]:g}, outside the machine's limits"
                findings.append(UnlocatedDiagnostic(path, found, f"{low:g} to {high:g} degrees"))
    poses = [tuple(pose.get(letter, 0.0) for letter in machine.letters) for pose in file.poses or ()]
    if not findings and len(poses) > len(distinct(poses)):
        findings.append(UnlocatedDiagnostic(("poses",), "a pose that stands there twice", "every pose once"))
    return findings


def evaluate_plan(plan: Plan, machine: Machine) -> EvaluatedPlan:
    """Evaluate a plan: its poses, the expected readings, and the uncertainty to expect.

    Raises
    ------
    KinematicsError
        When nothing can be read, or there are too few poses to choose from.
    """
    candidates = candidate_poses(machine, plan.step_deg)
    possible = accessible_touches(plan, machine, candidates)
    poses = plan.poses_deg
    if poses is None:
        readable = int(possible.accessible.any(axis=1).sum())
        if readable == 0:
            raise KinematicsError(
                "plan: expected a target that can be read somewhere within limits and travels, found none"
                + _reasons(possible)
            )
        poses = optimal_poses(
            machine, plan.targets, candidates, min(plan.choose, readable), plan.sigma_mm, possible.accessible
        )
    access = accessible_touches(plan, machine, poses)
    if not access.accessible.any():
        raise KinematicsError(
            f"plan: expected at least one target that can be read at one pose, found none{_reasons(access)}"
        )
    planned = planned_readings(machine, plan.targets, poses, access.accessible)
    further = _further_poses(np.asarray(poses), candidates, possible.accessible)
    read = np.concatenate([access.accessible, further[1]])
    angle_poses = np.zeros((0, len(machine.rotaries)))
    if len(further[0]):
        angle_poses = poses_for_angle_errors(
            machine, plan.targets, poses, further[0], _ANGLE_POSES, plan.sigma_mm, read
        )
    longer = np.concatenate([poses, angle_poses, poses[:1]])
    extended = planned_readings(
        machine, plan.targets, longer, accessible_touches(plan, machine, longer).accessible
    )
    return EvaluatedPlan(
        plan=plan,
        machine=machine,
        poses_deg=poses,
        chosen=plan.poses_deg is None,
        accessible=access.accessible,
        access=access,
        readings=planned,
        predicted=predict_uncertainty(planned, machine, plan.sigma_mm),
        added=rank_added_poses(machine, plan.targets, poses, further[0], plan.sigma_mm, read)[0]
        if len(further[0])
        else None,
        angle_poses_deg=angle_poses,
        with_angle_poses=predict_uncertainty(extended, machine, plan.sigma_mm),
    )


def _further_poses(
    poses: NDArray[np.float64], candidates: NDArray[np.float64], accessible: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Candidates beyond the planned poses at which anything can be read, and their accessibility."""
    planned: Sequence[tuple[float, ...]] = [tuple(pose) for pose in poses.tolist()]
    new = np.array([len(distinct([*planned, tuple(pose)])) > len(planned) for pose in candidates.tolist()])
    use = accessible.any(axis=1) & new
    return candidates[use], accessible[use]


def _reasons(access: ProbeAccess) -> str:
    """Most frequent reasons why points cannot be touched, one a line."""
    counted = Counter(access.reasons.values()).most_common(3)
    return "".join(f"\n  {words}" for words, _ in counted)
