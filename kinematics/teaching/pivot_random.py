"""Exercises in finding a pivot, drawn from a seed.

A bore read at four quarter turns tells the last rotary's line. The tilting one is told by a ball at three tilts, or,
where it tilts a quarter turn either way, by a level face at three. What is printed is all there is: the readings are
rounded as the display shows them, and none is farther off than the repeatability says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.planning import PlannedTarget, is_accessible
from kinematics.calibration.readings import TargetKind
from kinematics.constants import MM_PER_INCH
from kinematics.errors import KinematicsError
from kinematics.forward import table_pose
from kinematics.machine import Machine
from kinematics.rotary import RotaryAxis
from kinematics.teaching.exercises import DECIMALS, PARTS, Part, RoundedRandom, UnitName, tilting_mill
from kinematics.teaching.pivot_exercise import PIVOT_LEVEL, Method, PivotExercise, Probed
from kinematics.validation import read_only

__all__ = ["set_pivot_exercise"]

Floats = NDArray[np.float64]

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


def set_pivot_exercise(seed: int, sheet: int = 1, units: UnitName = "mm") -> PivotExercise:
    """The exercise of one sheet.

    Parameters
    ----------
    seed : int
        0 or more; the same seed, sheet and units give the same exercise.
    sheet : int
        1 or more: each student's own.
    units : "mm" or "inch"

    Returns
    -------
    PivotExercise

    Raises
    ------
    KinematicsError
        When a seed, sheet or unit is not one.

    Examples
    --------
    >>> exercise = set_pivot_exercise(seed=7, sheet=1)
    >>> [(one.letter, one.method, one.axes) for one in exercise.probed]
    [('A', 'level face', ('Y', 'Z')), ('C', 'opposite readings', ('X', 'Y'))]
    >>> tilt = exercise.probed[0]
    >>> by_hand = tilt.worked()["means"]
    >>> bool(np.abs(by_hand - tilt.true_mm).max() < 0.005), bool(np.abs(by_hand - tilt.believed_mm).max() > 0.05)
    (True, True)
    >>> set_pivot_exercise(seed=7, units="cm")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: units: expected mm or inch, found 'cm'
    """
    if units not in DECIMALS:
        raise KinematicsError(f"units: expected mm or inch, found {units!r}")
    if seed < 0 or sheet < 1:
        raise KinematicsError(f"seed and sheet: expected from 0 and from 1, found {seed} and {sheet}")
    draw = RoundedRandom([seed, sheet, _STREAM], units)
    for _ in range(_TRIES):
        exercise = _drawn(draw, seed, sheet, units)
        if exercise is not None:
            return exercise
    raise KinematicsError(f"exercise: expected one that can be probed, found none in {_TRIES} draws")


def _drawn(draw: RoundedRandom, seed: int, sheet: int, units: UnitName) -> PivotExercise | None:
    part = PARTS[draw.one(0, len(PARTS) - 1)]
    truth = tilting_mill(draw, gap=False)
    machine, truth = _believed(draw, truth), _apart(draw, truth)
    tilt, turn = truth.rotaries
    repeats = draw.rounded(draw.one(2, 3) * 1e-3 if units == "mm" else 1e-4 * draw.unit_mm, draw.decimals)
    sides = tilt.within(-90.0) and tilt.within(90.0)
    first = _face(draw, tilt, turn) if sides else _ball(draw, tilt, turn)
    targets = (first, _bore(draw, turn))
    arc = _ARCS[draw.one(0, len(_ARCS) - 1)]
    angles: tuple[Sequence[float], ...] = (_sides(tilt) if sides else arc, _QUARTERS)
    radius = (draw.rounded((2.0, 3.0)[draw.one(0, 1)], 3) if units == "mm" else 0.0625 * MM_PER_INCH) if sides else (
        draw.nominal(10, 15, 0.004)
    )  # fmt: skip
    probed = []
    for i, target in enumerate(targets):
        poses = np.zeros((len(angles[i]), 2))
        poses[:, i] = angles[i]
        if not is_accessible(truth, [target], poses).all():
            return None
        probed.append(_probed(draw, machine, truth, i, target, poses, radius if i == 0 else 0.0, repeats))
    letters = truth.letters
    title = f"{part.name.capitalize()}, {PIVOT_LEVEL}"
    digit = draw.unit_mm * 10.0**-draw.decimals
    return PivotExercise(
        seed, sheet, units, title, _story(part, letters, targets), machine, truth, targets, tuple(probed),
        repeats, digit,
    )  # fmt: skip


def _moved(draw: RoundedRandom, rotary: RotaryAxis, low_mm: float, high_mm: float) -> RotaryAxis:
    """The rotary's line somewhere else across itself, by as much or more in either direction."""
    point = rotary.point_mm.copy()
    for k in range(3):
        if k != int(np.argmax(np.abs(rotary.direction))):
            sign = 1.0 if draw.one(0, 1) else -1.0
            point[k] = draw.rounded(point[k] + sign * draw.length(low_mm, high_mm), draw.decimals)
    return replace(rotary, point_mm=point)


def _believed(draw: RoundedRandom, truth: Machine) -> Machine:
    return replace(truth, rotaries=tuple(_moved(draw, rotary, 0.06, 0.2) for rotary in truth.rotaries))


def _apart(draw: RoundedRandom, truth: Machine) -> Machine:
    """Lines that miss each other by more than they are believed to be wrong: taking them to meet must show."""
    tilt, turn = truth.rotaries
    return replace(truth, rotaries=(tilt, _moved(draw, turn, 0.25, 0.6)))


def _sides(tilt: RotaryAxis) -> tuple[float, ...]:
    """Machine angles of a face level, looking to -, looking to +."""
    angles = np.array(_LEVEL_AND_SIDES)
    # A right-handed quarter turn about +X makes +Z look to -Y, one about +Y makes it look to +X.
    flip = float(tilt.positive_turn.sign) * (1.0 if int(np.argmax(tilt.direction)) == 0 else -1.0)
    return tuple((flip * angles + 0.0).tolist())


def _face(draw: RoundedRandom, tilt: RotaryAxis, turn: RotaryAxis) -> PlannedTarget:
    """The level top of a blank, touched before and behind its middle."""
    axis = int(np.argmax(tilt.direction))
    at = np.array([turn.point_mm[0], turn.point_mm[1], turn.point_mm[2] + draw.length(90, 130, 1)])
    points = np.array([at, at])
    points += [*_beside(draw), 0.0]
    points[:, 1 - axis] += np.array([-1.0, 1.0]) * draw.length(10, 18, 1)
    return PlannedTarget("top of the blank", TargetKind.FACE, points, np.array([0.0, 0.0, 1.0]))


def _beside(draw: RoundedRandom) -> Floats:
    """Off the last rotary's line either way: what stands on it would give its place away."""
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


def _probed(
    draw: RoundedRandom,
    machine: Machine,
    truth: Machine,
    i: int,
    target: PlannedTarget,
    poses: Floats,
    radius: float,
    repeats: float,
) -> Probed:
    rotary = truth.rotaries[i]
    axis = int(np.argmax(rotary.direction))
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
    error = draw.random.triangular(-repeats, 0.0, repeats, exact.shape) * measured
    step = draw.unit_mm * 10.0**-draw.decimals
    shown = np.rint((exact + extra + error) / step) * step
    asked = [k for k in range(3) if k != axis]
    return Probed(
        rotary.letter, target.name, _METHODS[target.kind], axis, read_only(poses[:, i]), read_only(np.asarray(rotary.turn_deg(poses[:, i]))),
        read_only(shown), read_only(shown - extra), radius, read_only(machine.rotaries[i].point_mm[asked]),
        read_only(rotary.point_mm[asked]),
    )  # fmt: skip


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
