"""Every part's own zero: the offsets of each part of a table, and the parts that are not to be loaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kinematics import PartOffsets, offsets_of_parts
from tiltwright.batch.readings_table import PartReading, known_nests, read_part_readings
from tiltwright.files.conversion import part_within_of
from tiltwright.files.diagnostics import Diagnostic, raise_by_line, shown
from tiltwright.files.loader import ReadJob
from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests, evaluate_nests
from tiltwright.job.sign_slips import SlipCause, slip_of

__all__ = [
    "BeyondClocking",
    "BeyondLimit",
    "BeyondWithin",
    "OffsetsOfBatch",
    "PartOfBatch",
    "offsets_of_batch",
]


@dataclass(frozen=True)
class BeyondWithin:
    """A part whose zero lies farther from the stack's than its tolerance.

    Attributes
    ----------
    distance_mm, within_mm : float
    fits_nest : str or None
        Another nest, in which it would be within its tolerance.
    slip : "sign", "mm as inches", "inches as mm", "pose sign" or None
        Slip of the keys without which it would be.
    axes : tuple of str
        Axes, or the rotary, whose sign it is.
    """

    distance_mm: float
    within_mm: float
    fits_nest: str | None = None
    slip: SlipCause | None = None
    axes: tuple[str, ...] = ()


@dataclass(frozen=True)
class BeyondLimit:
    """A part whose clocking would take a rotary past its limits."""

    letter: str
    operation: str
    machine_deg: float
    limits_deg: tuple[float, float]


@dataclass(frozen=True)
class BeyondClocking:
    """A part that is clocked by more than the job allows."""

    clock_deg: float
    within_deg: float


Held = BeyondWithin | BeyondLimit | BeyondClocking


@dataclass(frozen=True, eq=False)
class PartOfBatch:
    """One part.

    Attributes
    ----------
    reading : PartReading
        Its row of the table.
    nest : int
        Place of its nest.
    row : int
        Its place among the offsets of that nest.
    held : BeyondWithin, BeyondLimit, BeyondClocking or None
        What forbids to load it.
    """

    reading: PartReading
    nest: int
    row: int
    held: Held | None


@dataclass(frozen=True, eq=False)
class OffsetsOfBatch:
    """The offsets of every part of a table.

    Attributes
    ----------
    evaluated : EvaluatedNests
        The job at part zero of the stack: its programs' angles, its offsets' numbers.
    parts : tuple of PartOfBatch
        In the order of the table.
    offsets : tuple of PartOffsets
        Of each nest, rows as `PartOfBatch.row` counts them.
    others : int
        Rows of the table that are of check balls and bores.
    """

    evaluated: EvaluatedNests
    parts: tuple[PartOfBatch, ...]
    offsets: tuple[PartOffsets, ...]
    others: int

    @property
    def held(self) -> tuple[PartOfBatch, ...]:
        """The parts that are not to be loaded."""
        return tuple(one for one in self.parts if one.held is not None)

    @property
    def stays_turned_deg(self) -> float:
        """The largest clocking that no rotary's offset takes out; 0 where there is none."""
        turned = [
            abs(one.reading.clock_deg or 0.0)
            for one in self.parts
            if not self.evaluated.nests[one.nest].job.file.square_up
        ]
        return max(turned, default=0.0)


def offsets_of_batch(job: ReadJob, table: Path) -> OffsetsOfBatch:
    """The offsets of every part of a table, at the program angles that the job has.

    Parameters
    ----------
    job : ReadJob
    table : Path
        Of parts: serial, nest where the job has nests, the display where part zero was touched off, clocking where it
        was measured.

    Raises
    ------
    InputFaults
        With every fault of the table and its row.
    """
    readings, _ = read_part_readings(table)
    zeros = tuple(one for one in readings if one.target is None)
    names = [one.nest.name for one in job.nests]
    faults = [*known_nests(str(table), zeros, names), *_twice(str(table), zeros)]
    if not zeros:
        faults.append(
            Diagnostic(str(table), None, "", "no part's zero", "a row for each part, without a target")
        )
    raise_by_line(faults)
    # Each part goes by its own zero: a correction of the stack's would count twice.
    evaluated = evaluate_nests([job]).uncorrected
    places = [0 if one.nest is None else names.index(one.nest) for one in zeros]
    offsets, held = [], dict[int, Held]()
    rows = [0] * len(zeros)
    expected = [_expected(nest) for nest in evaluated.nests]
    for place, nest in enumerate(evaluated.nests):
        mine = [k for k, of in enumerate(places) if of == place]
        found = _offsets_in(nest, [zeros[k] for k in mine])
        offsets.append(found)
        for row, k in enumerate(mine):
            rows[k] = row
        clocks_deg = [zeros[k].clock_deg or 0.0 for k in mine]
        for row, why in _held(nest, found, expected[place].within_mm, clocks_deg).items():
            k = mine[row]
            held[k] = (
                _explained(nest, expected, place, zeros[k], why) if isinstance(why, BeyondWithin) else why
            )
    parts = tuple(
        PartOfBatch(one, place, row, held.get(k))
        for k, (one, place, row) in enumerate(zip(zeros, places, rows, strict=True))
    )
    return OffsetsOfBatch(evaluated, parts, tuple(offsets), len(readings) - len(zeros))


def _twice(file: str, readings: Sequence[PartReading]) -> list[Diagnostic]:
    """Faults of serial numbers that stand in two nests: one part cannot be in both."""
    first: dict[str, PartReading] = {}
    faults = []
    for one in readings:
        before = first.setdefault(one.serial, one)
        if before.nest != one.nest:
            found = f"{shown(one.serial)} again, in row {before.row} in nest {shown(before.nest or '')}"
            faults.append(Diagnostic(file, one.row, "serial", found, "each part once"))
    return faults


def _offsets_in(nest: EvaluatedJob, readings: Sequence[PartReading]) -> PartOffsets:
    job, count = nest.job, len(nest.setup.machine.rotaries)
    placed = [one.placed for one in nest.operations]
    return offsets_of_parts(
        job.setup,
        np.array([one.origin_mm for one in placed]).reshape(-1, 3),
        np.array([one.program_deg for one in placed]).reshape(-1, count),
        np.array([one.at_mm for one in readings]).reshape(-1, 3),
        job.touch_pose_deg,
        np.array([one.clock_deg or 0.0 for one in readings]),
        tuple(job.file.square_up or ()),
    )


@dataclass(frozen=True, eq=False)
class _Expected:
    """Display at which a nest's part zero would be touched off, and how far from there it may be."""

    nest: str | None
    at_mm: NDArray[np.float64]
    within_mm: float

    def fits(self, at_mm: NDArray[np.float64]) -> bool:
        """True for a zero within the tolerance."""
        # A turn of the table keeps distances: they need not be taken in the table frame.
        return float(np.linalg.norm(at_mm - self.at_mm)) <= self.within_mm


def _expected(nest: EvaluatedJob) -> _Expected:
    within_mm, _ = part_within_of(nest.job.file, nest.job.unit)
    return _Expected(nest.nest, nest.job.setup.work_offset(np.zeros(3), nest.job.touch_pose_deg), within_mm)


def _explained(
    nest: EvaluatedJob, expected: Sequence[_Expected], own: int, one: PartReading, held: BeyondWithin
) -> BeyondWithin:
    """Reason that a part is too far off, with what it would fit: another nest, or its own but for one slip of the keys."""
    at = np.array(one.at_mm)
    for place, other in enumerate(expected):
        if place != own and other.fits(at):
            return replace(held, fits_nest=other.nest)
    slip = slip_of(nest.job.setup, at, nest.job.touch_pose_deg, held.within_mm)
    return held if slip is None else replace(held, slip=slip[0], axes=slip[1])


def _held(
    nest: EvaluatedJob, found: PartOffsets, within_mm: float, clocks_deg: Sequence[float]
) -> dict[int, Held]:
    """Reasons not to load parts of one nest, by their row."""
    held: dict[int, Held] = {}
    if not nest.operations:
        return held
    for k, rotary in enumerate(nest.setup.machine.rotaries):
        if rotary.limits_deg is None:
            continue
        angles = found.machine_deg[:, :, k]
        for row, m in reversed(np.argwhere(~rotary.within(angles)).tolist()):
            name = nest.operations[m].placed.name
            held[row] = BeyondLimit(rotary.letter, name, float(angles[row, m]), rotary.limits_deg)
    probing = nest.job.file.zero_probing
    if probing is not None and probing.clock_within is not None:
        # What the probing program would stop at is not loaded from a table either.
        for row, clock_deg in enumerate(clocks_deg):
            if abs(clock_deg) > probing.clock_within:
                held[row] = BeyondClocking(clock_deg, probing.clock_within)
    distance = found.distance_mm
    for row in np.nonzero(distance > within_mm)[0].tolist():
        held[row] = BeyondWithin(float(distance[row]), within_mm)
    return held
