"""Pivot exercises drawn from a seed: on a mill drawn with them, by plane geometry, or on a given machine with any plan.

By plane geometry, a bore at four quarter turns finds the last rotary's line; the tilting one is found by a ball at
three tilts, or, where it tilts a quarter turn either way, by a level face at three. Readings are rounded as the display
shows them, and none is farther off than the repeatability.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.calibration.planned_targets import PlannedTarget, is_accessible
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.calibration.simulation import perturbed_machine, simulated_readings
from kinematics.constants import MM_PER_INCH
from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.teaching.exercises import (
    PARTS,
    PIVOT_LEVEL,
    UNIT_MM,
    Part,
    RoundedRandom,
    UnitName,
    check_seed,
    tilting_mill,
)
from kinematics.teaching.pivot_exercise import Method, PivotExercise, PivotProbing

__all__ = ["set_pivot_exercise", "set_pivot_exercise_on"]

Floats = NDArray[np.float64]

_DISPLAY_DIGIT = {"mm": 1e-4, "inch": 1e-5}
_TARGET_OFF_MM = 0.5
_STREAM = 5  # the levels of work offsets draw from streams of their own
_TRIES = 200
_QUARTERS = (0.0, 90.0, 180.0, 270.0)
_ARCS = ((30.0, -30.0, -90.0), (25.0, -30.0, -85.0), (30.0, -25.0, -80.0))
_LEVEL_AND_SIDES = (0.0, 0.0, 90.0, 90.0, -90.0, -90.0)
_METHODS: dict[TargetKind, Method] = {
    TargetKind.BORE: "opposite readings",
    TargetKind.BALL: "ball on an arc",
    TargetKind.FACE: "level face",
}


@takes_declared()
def set_pivot_exercise(
    seed: int, sheet: int = 1, units: UnitName = "mm", machine: Machine | None = None
) -> PivotExercise:
    """An exercise for one sheet, every pivot to be found by plane geometry.

    Parameters
    ----------
    seed : int
        0 or more; the same seed, sheet and units give the same exercise.
    sheet : int
        1 or more: each student's own.
    units : "mm" or "inch"
    machine : Machine, optional
        As the shop believes it is; left out, a mill is drawn with the sheet.

    Returns
    -------
    PivotExercise

    Raises
    ------
    KinematicsError
        When a seed, sheet or unit is not one, or plane geometry finds no pivot of the machine: the message says why.

    Examples
    --------
    >>> exercise = set_pivot_exercise(seed=7, sheet=1)
    >>> [(one.letter, one.method, one.axes) for one in exercise.probings]
    [('A', 'level face', ('Y', 'Z')), ('C', 'opposite readings', ('X', 'Y'))]
    >>> tilt = exercise.probings[0]
    >>> found = tilt.by_hand()["means"]
    >>> bool(np.abs(found - tilt.true_mm).max() < 0.005), bool(np.abs(found - tilt.believed_mm).max() > 0.05)
    (True, True)
    >>> set_pivot_exercise(seed=7, units="cm")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: units: expected "mm" or "inch", found 'cm'
    """
    check_seed(seed, sheet)
    why = "" if machine is None else _why_not_by_hand(machine)
    if why:
        raise KinematicsError(
            f"level {PIVOT_LEVEL}: expected a machine whose pivots plane geometry finds, found that {why}"
        )
    draw = RoundedRandom([seed, sheet, _STREAM], units)
    for _ in range(_TRIES):
        exercise = _drawn(draw, seed, sheet, units, machine)
        if exercise is not None:
            return exercise
    raise KinematicsError(
        f"level {PIVOT_LEVEL}: expected a target that can be probed within the travels, found none in {_TRIES} draws"
    )


def _why_not_by_hand(machine: Machine) -> str:
    """The reason why a sheet's readings would not do on a machine; empty where they do."""
    if len(machine.rotaries) != 2:
        count = len(machine.rotaries)
        return f"it has {count} rotar{'y' if count == 1 else 'ies'}, and the readings are taken on two"
    tilt, turn = machine.rotaries
    for rotary, axes in ((tilt, "XY"), (turn, "Z")):
        if not any(np.array_equal(rotary.direction, np.eye(3)["XYZ".index(axis)]) for axis in axes):
            return f"{rotary.letter} does not run exactly along {' or '.join('+' + axis for axis in axes)}"
        if rotary.zero_deg:
            return f"{rotary.letter} has its zero at {rotary.zero_deg:g} degrees"
    if not all(turn.within(angle) for angle in _QUARTERS):
        return f"{turn.letter} does not reach four quarter turns"
    if not _arcs(tilt):
        return f"{tilt.letter} does not reach three tilts far enough apart"
    return ""


def _arcs(tilt: RotaryAxis) -> list[tuple[float, float, float]]:
    """The triples of tilts for a ball that a rotary reaches, mirrored where its limits lie the other way."""
    both = [*_ARCS, *((-a, -b, -c) for a, b, c in _ARCS)]
    return [arc for arc in both if all(tilt.within(angle) for angle in arc)]


@takes_declared(unread=("which",))
def set_pivot_exercise_on(
    machine: Machine,
    targets: Sequence[PlannedTarget],
    poses_deg: ArrayLike,
    seed: int,
    *,
    sigma_mm: float = 0.002,
    position_mm: float = 0.05,
    direction_deg: float = 0.01,
    units: UnitName = "mm",
    which: ArrayLike | None = None,
    sheet: int = 1,
) -> PivotExercise:
    """An exercise on a given machine: its lines moved at random, and the readings of a probing plan.

    Parameters
    ----------
    machine : Machine
        As the shop believes it is.
    targets : sequence of PlannedTarget
        Where the plan has them; each truly stands about half a millimetre off.
    poses_deg : array_like, shape (m, n)
    seed : int
        0 or more; the same seed gives the same exercise.
    sigma_mm : float
        Standard deviation of a reading, per coordinate.
    position_mm, direction_deg : float
        Standard deviations of the hidden errors, per direction across a line.
    units : "mm" or "inch"
        The display's: readings are rounded to 0.0001 mm or 0.00001 inch.
    which : array_like of bool, shape (m, t) or (m, k), optional
        As for `kinematics.calibration.planned_readings`.
    sheet : int
        1 or more: each student's own hidden errors.

    Returns
    -------
    PivotExercise
        Without `probings`.

    Raises
    ------
    KinematicsError
        When a seed, unit or standard deviation is not one, or nothing is to be read.

    Examples
    --------
    >>> from kinematics import Platter, RotationSense
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> ball = PlannedTarget("ball", TargetKind.BALL, [[60.0, 0.0, 40.0]])
    >>> exercise = set_pivot_exercise_on(mill, [ball], [[0.0], [90.0], [180.0], [270.0]], seed=7)
    >>> len(exercise.readings), exercise.probings
    (4, ())
    >>> set_pivot_exercise_on(mill, [ball], [[0.0]], seed=-1)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: seed: expected a whole number from 0, found -1
    """
    check_seed(seed, sheet)
    drawn = seed if sheet == 1 else int(np.random.SeedSequence([seed, sheet]).generate_state(1)[0])
    truth = perturbed_machine(machine, drawn, position_mm, direction_deg)
    # Nobody bolts a ball down to a hundredth.
    off = np.random.default_rng([drawn, 1]).normal(size=(len(targets), 3)) * _TARGET_OFF_MM
    displaced = [replace(target, points_mm=target.points_mm + off[t]) for t, target in enumerate(targets)]
    digit = UNIT_MM[units] * _DISPLAY_DIGIT[units]
    readings = simulated_readings(
        truth, displaced, poses_deg, sigma_mm, drawn + 2, which=which, resolution_mm=digit
    )
    small = "hundredths of a millimetre" if units == "mm" else "thousandths of an inch"
    story = (
        f"The machine file states where each rotary's line runs, and is wrong by some {small}. Find "
        "the lines from the readings. How sure each number is can be worked out, too; it is not marked."
    )
    return PivotExercise(
        machine=machine,
        truth=truth,
        readings=readings,
        sigma_mm=sigma_mm,
        units=units,
        digit_mm=digit,
        targets=tuple(displaced),
        seed=seed,
        sheet=sheet,
        title=f"Finding the pivots of {machine.name}",
        story=story,
    )


def _drawn(
    draw: RoundedRandom, seed: int, sheet: int, units: UnitName, own: Machine | None
) -> PivotExercise | None:
    part = PARTS[draw.one(0, len(PARTS) - 1)]
    if own is None:
        truth = tilting_mill(draw, gap=False)
        machine, truth = _moved_lines(draw, truth), _apart(draw, truth)
    else:
        machine, truth = own, _moved_lines(draw, own)
    tilt, turn = truth.rotaries
    repeats = draw.rounded(draw.one(2, 3) * 1e-3 if units == "mm" else 1e-4 * draw.unit_mm, draw.decimals)
    sides = tilt.within(-90.0) and tilt.within(90.0)
    first = _face(draw, tilt, turn) if sides else _ball(draw, tilt, turn)
    targets = (first, _bore(draw, turn))
    arcs = _ARCS if own is None or sides else _arcs(tilt)
    arc = arcs[draw.one(0, len(arcs) - 1)]
    angles: tuple[Sequence[float], ...] = (_sides(tilt) if sides else arc, _QUARTERS)
    radius = (draw.rounded((2.0, 3.0)[draw.one(0, 1)], 3) if units == "mm" else 0.0625 * MM_PER_INCH) if sides else (
        draw.nominal(10, 15, 0.004)
    )  # fmt: skip
    probings = []
    for i, target in enumerate(targets):
        poses = np.zeros((len(angles[i]), 2))
        poses[:, i] = angles[i]
        if not is_accessible(truth, [target], poses).all():
            return None
        probings.append(_probing(draw, machine, truth, i, target, poses, radius if i == 0 else 0.0, repeats))
    letters = truth.letters
    title = f"{part.name.capitalize()}, {PIVOT_LEVEL}"
    digit = draw.unit_mm * 10.0**-draw.decimals
    return PivotExercise(
        machine=machine,
        truth=truth,
        readings=_readings(machine, targets, probings),
        # Errors are drawn from a triangle as wide as the repeatability.
        sigma_mm=repeats / math.sqrt(6.0),
        units=units,
        digit_mm=digit,
        probings=tuple(probings),
        targets=targets,
        repeatability_mm=repeats,
        seed=seed,
        sheet=sheet,
        title=title,
        story=_story(part, letters, targets),
    )


def _readings(
    machine: Machine, targets: Sequence[PlannedTarget], probings: Sequence[PivotProbing]
) -> Readings:
    """All readings of a sheet, radii taken off."""
    count = [len(one.angles_deg) for one in probings]
    angles = np.zeros((sum(count), len(machine.letters)))
    start = 0
    for one, many in zip(probings, count, strict=True):
        angles[start : start + many, machine.index(one.letter)] = one.angles_deg
        start += many
    return Readings(
        names=tuple(target.name for target in targets),
        kinds=tuple(target.kind for target in targets),
        target=np.repeat(np.arange(len(count)), count),
        angles_deg=angles,
        points_mm=np.concatenate([one.centre_mm for one in probings]),
        directions=tuple(None if t.kind is TargetKind.BALL else t.direction for t in targets),
    )


def _moved(draw: RoundedRandom, rotary: RotaryAxis, low_mm: float, high_mm: float) -> RotaryAxis:
    """A rotary with its line shifted at random across itself, by between two lengths in each coordinate."""
    point = rotary.point_mm.copy()
    for k in range(3):
        if k != int(np.argmax(np.abs(rotary.direction))):
            sign = 1.0 if draw.one(0, 1) else -1.0
            point[k] = draw.rounded(point[k] + sign * draw.length(low_mm, high_mm), draw.decimals)
    return replace(rotary, point_mm=point)


def _moved_lines(draw: RoundedRandom, truth: Machine) -> Machine:
    """The machine with lines as far off as hidden errors are."""
    return replace(truth, rotaries=tuple(_moved(draw, rotary, 0.06, 0.2) for rotary in truth.rotaries))


def _apart(draw: RoundedRandom, truth: Machine) -> Machine:
    """The machine with lines that miss each other by more than the hidden errors: taking them to meet must show."""
    tilt, turn = truth.rotaries
    return replace(truth, rotaries=(tilt, _moved(draw, turn, 0.25, 0.6)))


def _sides(tilt: RotaryAxis) -> tuple[float, ...]:
    """Machine angles of a face level, looking to -, looking to +."""
    angles = np.array(_LEVEL_AND_SIDES)
    # A right-handed quarter turn about +X makes +Z look to -Y, one about +Y makes it look to +X.
    flip = float(tilt.positive_turn.sign) * (1.0 if int(np.argmax(tilt.direction)) == 0 else -1.0)
    return tuple((flip * angles + 0.0).tolist())


def _face(draw: RoundedRandom, tilt: RotaryAxis, turn: RotaryAxis) -> PlannedTarget:
    """The level top of a blank, touched on both sides of its middle."""
    axis = int(np.argmax(tilt.direction))
    at = np.array([turn.point_mm[0], turn.point_mm[1], turn.point_mm[2] + draw.length(90, 130, 1)])
    points = np.array([at, at])
    points += [*_beside(draw), 0.0]
    points[:, 1 - axis] += np.array([-1.0, 1.0]) * draw.length(10, 18, 1)
    return PlannedTarget("top of the blank", TargetKind.FACE, points, np.array([0.0, 0.0, 1.0]))


def _beside(draw: RoundedRandom) -> Floats:
    """A random shift off the last rotary's line: a target on it would give the pivot away."""
    return np.array([draw.length(3, 9) * (1.0 if draw.one(0, 1) else -1.0) for _ in range(2)])


def _ball(draw: RoundedRandom, tilt: RotaryAxis, turn: RotaryAxis) -> PlannedTarget:
    """A ball on a stem, off to one side of the tilting line."""
    axis = int(np.argmax(tilt.direction))
    at = turn.point_mm + np.array([0.0, 0.0, draw.length(70, 110)])
    at[:2] += _beside(draw)
    at[1 - axis] += draw.length(15, 40) * (1.0 if draw.one(0, 1) else -1.0)
    return PlannedTarget("gauge ball", TargetKind.BALL, at[None], np.array([0.0, 0.0, 1.0]))


def _bore(draw: RoundedRandom, turn: RotaryAxis) -> PlannedTarget:
    radius, angle = draw.length(25, 50), np.radians(draw.one(20, 70) + 90.0 * draw.one(0, 3))
    at = turn.point_mm + np.array([radius * np.cos(angle), radius * np.sin(angle), draw.length(60, 110, 1)])
    return PlannedTarget("bore", TargetKind.BORE, at[None], np.array([0.0, 0.0, 1.0]))


def _probing(
    draw: RoundedRandom,
    machine: Machine,
    truth: Machine,
    i: int,
    target: PlannedTarget,
    poses: Floats,
    radius: float,
    repeats: float,
) -> PivotProbing:
    rotary = truth.rotaries[i]
    table = table_pose(truth, poses)
    assert target.direction is not None  # a ball's is its stem's
    normal = table.rotate(target.direction)
    touch = np.arange(len(poses)) % len(target.points_mm)
    exact = table.apply(target.points_mm[touch])
    # What the display adds to a centre or a contact: a ball is touched on top; a side touch shows the stylus centre.
    extra = np.zeros_like(exact)
    if target.kind is TargetKind.BALL:
        extra[:, 2] = radius
    elif target.kind is TargetKind.FACE:
        extra = radius * normal * (np.abs(normal[:, 2:]) < 0.5)
    measured = np.ones_like(exact)
    if target.kind is TargetKind.FACE:
        measured = (np.abs(normal) > 0.5).astype(np.float64)
        # The probe is sent where the shop believes the face to be: what is not measured gives nothing away.
        sent = table_pose(machine, poses).apply(target.points_mm[touch])
        exact = np.where(measured > 0.0, exact, sent)
    error = draw.random.triangular(-repeats, 0.0, repeats, exact.shape) * measured
    step = draw.unit_mm * 10.0**-draw.decimals
    shown = np.rint((exact + extra + error) / step) * step
    return PivotProbing.of(
        machine,
        truth,
        letter=rotary.letter,
        target=target.name,
        method=_METHODS[target.kind],
        angles_deg=poses[:, i],
        shown_mm=shown,
        centre_mm=shown - extra,
        radius_mm=radius,
    )


def _story(part: Part, letters: Sequence[str], targets: Sequence[PlannedTarget]) -> str:
    tilt, turn = letters
    what = (
        "a gauge ball stands beside it"
        if targets[0].kind is TargetKind.BALL
        else "its top is indicated level with both rotaries at 0"
    )
    return (
        f"After the tilting rotary was taken off for cleaning and bolted on again, the first {part.name} came out "
        f"with its features out of place: the pivots of {tilt} and {turn} are not where the shop's list says. A bored "
        f"blank is clamped on the platter, {what}, and the probe in the spindle reads them. Find both pivots."
    )
