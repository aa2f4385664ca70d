"""Readings as a file has them, whatever its form, and checks of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine
from kinematics.calibration import Readings, TargetKind, readings_from_rows
from tiltwright.files.diagnostics import Diagnostic, InputFaults, InvalidValue, nearest, shown
from tiltwright.files.written_numbers import EMPTY_CELL
from tiltwright.output.numbers import UNIT_MM

__all__ = [
    "KINDS",
    "MOST_FAULTS",
    "RawReading",
    "RawReadings",
    "kind_cell",
    "last_digit_mm",
    "readings_of",
    "refuse",
]

KINDS = tuple(kind.value for kind in TargetKind)
MOST_FAULTS = 40
_MOST_ALIKE = 3
_MOST_DIGITS = 9
_SAME_DEG = 0.01
"""Angles nearer than this are one pose: far more than a control's resolution, far less than any useful turn."""


@dataclass(frozen=True)
class RawReading:
    """One reading, lengths in the file's unit."""

    line: int
    kind: str
    target: str
    angles: tuple[float, ...]
    xyz: tuple[float, float, float]
    sigma: float | None = None
    direction: NDArray[np.float64] | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class RawReadings:
    """The readings of a file.

    Attributes
    ----------
    file : str
    units : "mm" or "inch"
        Of the rows' lengths.
    rows : tuple of Row
    place : str
        What a row is called in messages: "row" of a table, "line" of a log, "reading" of a parameter file.
    """

    file: str
    units: str
    rows: tuple[RawReading, ...] = field(repr=False)
    place: str = "row"


def kind_cell(text: str) -> str:
    """The kind of a target.

    Examples
    --------
    >>> kind_cell("ball")
    'ball'
    >>> kind_cell("bal")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "bal"; allowed: ball, bore, pin or face
    """
    word = text.strip()
    if word.lower() in KINDS:
        return word.lower()
    near = nearest(word, KINDS) if word else None
    found = shown(word) if word else EMPTY_CELL
    tip = f'did you mean "{near}"?' if near else ""
    raise InvalidValue(found=found, allowed="ball, bore, pin or face", tip=tip)


def refuse(file: str, faults: Sequence[Diagnostic]) -> None:
    """Raise the faults, if there are any: the first three of a kind and how many more, forty at most."""
    if not faults:
        return
    kinds: dict[tuple[str, str, str], list[Diagnostic]] = {}
    for fault in sorted(faults, key=lambda fault: fault.line or 0):
        kinds.setdefault((fault.key, fault.allowed, fault.tip), []).append(fault)
    ordered = []
    for alike in kinds.values():
        shown_here = alike[:_MOST_ALIKE] if len(alike) > _MOST_ALIKE + 1 else alike
        more = len(alike) - len(shown_here)
        if more:
            last = shown_here[-1]
            shown_here = [*shown_here[:-1], replace(last, found=f"{last.found} (and {more} more such rows)")]
        ordered += shown_here
    ordered.sort(key=lambda fault: fault.line or 0)
    if len(ordered) > MOST_FAULTS:
        more = len(ordered) - MOST_FAULTS
        ordered = ordered[:MOST_FAULTS]
        ordered.append(Diagnostic(file, None, "", f"{more} more faults", "none", "mend these first"))
    raise InputFaults(ordered)


def readings_of(taken: RawReadings, machine: Machine) -> Readings:
    """The readings as the fit takes them, in millimetres.

    Raises
    ------
    InputFaults
        When a pose lies outside the limits, a target has two kinds or directions, all poses are alike, or no target
        was read in two poses.
    """
    refuse(taken.file, [*_outside(taken, machine), *_two_meanings(taken)])
    refuse(taken.file, _too_little(taken, machine))
    mm = UNIT_MM[taken.units]
    sigma = [row.sigma for row in taken.rows if row.sigma is not None]
    warmth = [row.temperature_c for row in taken.rows if row.temperature_c is not None]
    return readings_from_rows(
        [row.kind for row in taken.rows],
        [row.target for row in taken.rows],
        [row.angles for row in taken.rows],
        np.array([row.xyz for row in taken.rows]) * mm,
        sigma_mm=np.array(sigma) * mm if sigma else None,
        rows=[row.line for row in taken.rows],
        temperature_c=warmth if len(warmth) == len(taken.rows) else None,
        directions={row.target: row.direction for row in taken.rows if row.direction is not None},
    )


def last_digit_mm(taken: RawReadings) -> float:
    """The step of the last digit that any of the readings has, in millimetres: what they were rounded to.

    At most a tenth of the unit: whole numbers alone were typed in from a drawing, not rounded.

    Examples
    --------
    >>> last_digit_mm(RawReadings("a", "mm", (RawReading(2, "ball", "b", (0.0,), (-352.85, -193.1, -350.0)),)))
    0.01
    """
    values = [value for row in taken.rows for value in row.xyz]
    digits = next(
        (d for d in range(1, _MOST_DIGITS) if all(abs(round(v, d) - v) < 1e-9 for v in values)), _MOST_DIGITS
    )
    return float(10.0**-digits * UNIT_MM[taken.units])


def _outside(taken: RawReadings, machine: Machine) -> Iterable[Diagnostic]:
    angles = np.array([row.angles for row in taken.rows]).reshape(len(taken.rows), len(machine.rotaries))
    for i, rotary in enumerate(machine.rotaries):
        if rotary.limits_deg is None:
            continue
        low, high = rotary.limits_deg
        for place in np.flatnonzero(~rotary.within(angles[:, i])).tolist():
            yield Diagnostic(
                taken.file,
                taken.rows[place].line,
                f"{rotary.letter}_deg",
                f"{angles[place, i]:g}, outside the machine's limits",
                f"{low:g} to {high:g} degrees",
                "are the angle columns in the right order, and are these machine angles?",
            )


def _two_meanings(taken: RawReadings) -> Iterable[Diagnostic]:
    first: dict[str, RawReading] = {}
    stated: dict[str, RawReading] = {}
    for row in taken.rows:
        before = first.setdefault(row.target, row)
        if before.kind != row.kind:
            found = f"{row.kind} for {shown(row.target)}, a {before.kind} in {taken.place} {before.line}"
            yield Diagnostic(
                taken.file,
                row.line,
                "kind",
                found,
                "one kind for one target",
                "give one of them another name",
            )
        if row.direction is None:
            continue
        earlier = stated.setdefault(row.target, row)
        assert earlier.direction is not None
        if not np.allclose(earlier.direction, row.direction, rtol=0.0, atol=1e-12):
            found = f"another direction of {shown(row.target)} than in {taken.place} {earlier.line}"
            yield Diagnostic(taken.file, row.line, "direction", found, "one direction for one target")


def _too_little(taken: RawReadings, machine: Machine) -> list[Diagnostic]:
    """Faults of readings that determine nothing, with the poses that are missing."""
    if not taken.rows:
        allowed = "readings of one target in three poses or more"
        return [Diagnostic(taken.file, None, "", "no readings", allowed)]
    by_target: dict[str, list[tuple[float, ...]]] = {}
    for row in taken.rows:
        by_target.setdefault(row.target, []).append(row.angles)
    poses = distinct([row.angles for row in taken.rows])
    letters = machine.letters
    wish = f"the same target read in poses that differ: {' and '.join(letters)} turned, three angles of each or more"
    if len(poses) == 1:
        at = " ".join(f"{letter}{value:g}" for letter, value in zip(letters, poses[0], strict=True))
        count = len(taken.rows)
        found = f"{count} reading{'s' if count > 1 else ''} in one pose, {at}: nothing turns"
        return [Diagnostic(taken.file, None, "", found, wish, _next_poses(machine, poses))]
    if all(len(distinct(angles)) < 2 for angles in by_target.values()):
        found = f"{len(by_target)} targets, each read in one pose only"
        return [
            Diagnostic(taken.file, None, "", found, wish, "read the first target again in the other poses")
        ]
    return []


def distinct(poses: Iterable[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Poses without those that are alike, in their order."""
    kept: dict[tuple[int, ...], tuple[float, ...]] = {}
    for pose in poses:
        kept.setdefault(tuple(round(angle / _SAME_DEG) for angle in pose), pose)
    return list(kept.values())


def _next_poses(machine: Machine, poses: Sequence[tuple[float, ...]]) -> str:
    """Poses to add to a single one, within the limits."""
    (pose,) = poses
    added = []
    for i, rotary in enumerate(machine.rotaries):
        low, high = rotary.limits_deg or (pose[i] - 180.0, pose[i] + 180.0)
        angles = (
            [pose[i] - 120.0, pose[i] + 120.0] if rotary.limits_deg is None else [low, (low + high) / 2, high]
        )
        far = [angle for angle in angles if abs(angle - pose[i]) > 1.0][:2]
        added += [f"{rotary.letter}{angle:g}" for angle in far]
    return f"add the same target at {', '.join(added)}, the others as they are"
