"""The correction of a job put into its offsets: refused where it was worked out for another setup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import PlacedOperation, Setup, UnreachableOperation
from tiltwright.files.diagnostics import Diagnostic, InputFaults, shown
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.uncertainty_tables import CorrectedOffsetTable, CorrectionTable
from tiltwright.files.units import Unit
from tiltwright.output.numbers import UNIT_SYMBOL

__all__ = ["AppliedCorrection", "apply_correction", "before_and_after_mm"]

LARGEST_MM = 5.0
"""Farthest that a correction may move an offset: a digit lost in the file moves it farther, or not at all."""

LARGEST_DEG = 5.0
"""The same for a turn: what is clocked by more was not clamped as the job says."""

SAME_MM = 1e-6
"""Offsets are written to a billionth of a millimetre; a millionth apart, the setup is another one."""

_TIP = "take the correction out with tiltwright correct JOB --undo, cut and measure a part, and run correct again"


@dataclass(frozen=True, eq=False)
class AppliedCorrection:
    """A correction that is in a job's offsets.

    Attributes
    ----------
    table : CorrectionTable
    setup : Setup
        Without it.
    placed : dict of str to PlacedOperation
        The operations without it, by name.
    letter : str
        The rotary whose work offset its turn changes.
    turns_deg : dict of str to float
        By how much, in each operation of this nest.
    largest_mm : float
        How far the offset that moves most has moved.
    """

    table: CorrectionTable
    setup: Setup
    placed: dict[str, PlacedOperation]
    letter: str
    turns_deg: dict[str, float]
    largest_mm: float

    @property
    def turn_deg(self) -> float:
        """The turn that changes most, with its sign."""
        return max(self.turns_deg.values(), key=abs, default=0.0)

    @property
    def turns_alike(self) -> bool:
        """True where all operations turn alike."""
        return len(set(self.turns_deg.values())) <= 1


Placed = PlacedOperation | UnreachableOperation


def apply_correction(
    job: ReadJob, table: CorrectionTable, setup: Setup, results: Sequence[Placed]
) -> tuple[Setup, tuple[Placed, ...], AppliedCorrection]:
    """Put a job's correction into its setup and its placed operations.

    Programs keep their angles. A turn goes into the last rotary's value of the operation's own work offset, so the machine's
    angles move with it.

    Raises
    ------
    InputFaults
        When an offset without the correction is no longer what the correction was worked out for, when an operation is
        missing in it, when it moves an offset by millimetres, or when its turn would take a rotary past its limits.
    """
    entries: dict[str, tuple[int, CorrectedOffsetTable]] = {
        one.operation: (k, one) for k, one in table.of_nest(job.nest)
    }
    last = len(setup.machine.rotaries) - 1
    rotary = setup.machine.rotaries[last]
    faults, found, turns = list[Diagnostic](), list[Placed](), dict[str, float]()
    largest_mm = 0.0
    for one in results:
        if not isinstance(one, PlacedOperation):
            found.append(one)
            continue
        if one.name not in entries:
            nest = f" in nest {shown(job.nest)}" if job.nest else ""
            missing = f"no offset for {shown(one.name)}{nest}"
            faults.append(fault_at(job, ("correction",), missing, "one for every operation", _TIP))
            continue
        place, entry = entries[one.name]
        turns[one.name] = table.turn_deg(entry)
        refusal = _refusal(job, one, place, entry, turns[one.name])
        if refusal is not None:
            faults.append(refusal)
            continue
        turn = np.zeros(last + 1)
        turn[last] = turns[one.name]
        before_mm, after_mm = before_and_after_mm(job.unit, entry)
        largest_mm = max(largest_mm, float(np.linalg.norm(after_mm - before_mm)))
        found.append(
            replace(
                one,
                machine_deg=one.machine_deg + turn,
                rotary_offset_deg=one.rotary_offset_deg + turn,
                offset_mm=after_mm,
            )
        )
    if faults:
        raise InputFaults(faults)
    placed = {one.name: one for one in results if isinstance(one, PlacedOperation)}
    correction = AppliedCorrection(table, setup, placed, rotary.letter, turns, largest_mm)
    corrected = setup
    if correction.turns_alike:
        # What is asked at other angles goes by it too; where operations turn by their own, only they do.
        turn = np.zeros(last + 1)
        turn[last] = correction.turn_deg
        corrected = replace(setup, rotary_offset_deg=setup.rotary_offset_deg + turn)
    return corrected, tuple(found), correction


def before_and_after_mm(
    unit: Unit, entry: CorrectedOffsetTable
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """X, Y and Z of an offset without and with the correction."""
    before, after = (
        np.array([unit.to_mm(value) for value in point]) for point in (entry.before, entry.after)
    )
    return before, after


def _refusal(
    job: ReadJob, one: PlacedOperation, place: int, entry: CorrectedOffsetTable, turn_deg: float
) -> Diagnostic | None:
    """The fault of an operation's corrected offset, the first of them; None where it can be put in."""
    unit, offset = job.unit, ("correction", "offset", place)
    turn_key = ("correction", "turn") if entry.turn is None else (*offset, "turn")
    before_mm, after_mm = before_and_after_mm(unit, entry)
    changed_mm = np.abs(before_mm - one.offset_mm)
    if float(changed_mm.max()) > SAME_MM:
        axis = int(changed_mm.argmax())
        now = f"{unit.from_mm(float(one.offset_mm[axis])):.6g}"
        found = f"{'XYZ'[axis]} {entry.before[axis]:.6g} for {shown(one.name)}, which stack and machine now put at {now}"
        return fault_at(
            job, (*offset, "before"), found, "the setup that the correction was worked out for", _TIP
        )
    moved_mm, symbol = float(np.linalg.norm(after_mm - before_mm)), UNIT_SYMBOL[unit.value]
    if moved_mm > LARGEST_MM:
        found = f"{unit.from_mm(moved_mm):.4g} {symbol} away from before, for {shown(one.name)}"
        allowed = f"no more than {unit.from_mm(LARGEST_MM):.3g} {symbol}: a correction, not another setup"
        return fault_at(job, (*offset, "after"), found, allowed, _TIP)
    if abs(turn_deg) > LARGEST_DEG:
        found = f"{turn_deg:g}, for {shown(one.name)}"
        allowed = f"no more than {LARGEST_DEG:g} degrees either way: a correction, not another setup"
        return fault_at(job, turn_key, found, allowed, _TIP)
    rotary = job.machine.rotaries[-1]
    if not bool(rotary.within(one.machine_deg[-1] + turn_deg)):
        found = f"{turn_deg:g}, which takes {shown(one.name)} past the limits of {rotary.letter}"
        return fault_at(job, turn_key, found, "a turn that every operation can follow", _TIP)
    return None
