"""The correction of a job put into its offsets: refused where it was worked out for another setup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kinematics import PlacedOperation, Setup, UnreachableOperation
from tiltwright.files.diagnostics import Diagnostic, InputFaults, shown
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.uncertainty_tables import CorrectedOffsetTable, CorrectionTable
from tiltwright.output.numbers import UNIT_SYMBOL

__all__ = ["AppliedCorrection", "apply_correction"]

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


def _turn_key(entry: CorrectedOffsetTable, place: int) -> tuple[str | int, ...]:
    """The key that an offset's turn stands at."""
    return ("correction", "turn") if entry.turn is None else ("correction", "offset", place, "turn")


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
    unit, last = job.unit, len(setup.machine.rotaries) - 1
    rotary = setup.machine.rotaries[last]
    entries: dict[str, tuple[int, CorrectedOffsetTable]] = {
        one.operation: (k, one) for k, one in table.of_nest(job.nest)
    }
    faults, found, turns = list[Diagnostic](), list[Placed](), dict[str, float]()
    largest = 0.0
    for one in results:
        if not isinstance(one, PlacedOperation):
            found.append(one)
            continue
        if one.name not in entries:
            nest = f" in nest {shown(job.nest)}" if job.nest else ""
            faults.append(
                fault_at(
                    job,
                    ("correction",),
                    f"no offset for {shown(one.name)}{nest}",
                    "one for every operation",
                    _TIP,
                )
            )
            continue
        place, entry = entries[one.name]
        before, after = (np.array([unit.to_mm(v) for v in point]) for point in (entry.before, entry.after))
        if float(np.abs(before - one.offset_mm).max()) > SAME_MM:
            axis = int(np.abs(before - one.offset_mm).argmax())
            now = f"{unit.from_mm(float(one.offset_mm[axis])):.6g}"
            faults.append(
                fault_at(
                    job,
                    ("correction", "offset", place, "before"),
                    f"{'XYZ'[axis]} {entry.before[axis]:.6g} for {shown(one.name)}, which stack and machine now put at {now}",
                    "the setup that the correction was worked out for",
                    _TIP,
                )
            )
            continue
        moved = float(np.linalg.norm(after - before))
        if moved > LARGEST_MM:
            most = unit.from_mm(LARGEST_MM)
            faults.append(
                fault_at(
                    job,
                    ("correction", "offset", place, "after"),
                    f"{unit.from_mm(moved):.4g} {UNIT_SYMBOL[unit.value]} away from before, for {shown(one.name)}",
                    f"no more than {most:.3g} {UNIT_SYMBOL[unit.value]}: a correction, not another setup",
                    _TIP,
                )
            )
            continue
        turns[one.name] = table.turn_deg(entry)
        turn = np.zeros(last + 1)
        turn[last] = turns[one.name]
        if abs(turns[one.name]) > LARGEST_DEG:
            faults.append(
                fault_at(
                    job,
                    _turn_key(entry, place),
                    f"{turns[one.name]:g}, for {shown(one.name)}",
                    f"no more than {LARGEST_DEG:g} degrees either way: a correction, not another setup",
                    _TIP,
                )
            )
            continue
        angles = one.machine_deg + turn
        if not bool(rotary.within(angles[last])):
            faults.append(
                fault_at(
                    job,
                    _turn_key(entry, place),
                    f"{turn[last]:g}, which takes {shown(one.name)} past the limits of {rotary.letter}",
                    "a turn that every operation can follow",
                    _TIP,
                )
            )
        largest = max(largest, moved)
        offset_deg = one.rotary_offset_deg + turn
        found.append(replace(one, machine_deg=angles, rotary_offset_deg=offset_deg, offset_mm=after))
    if faults:
        raise InputFaults(faults)
    placed = {one.name: one for one in results if isinstance(one, PlacedOperation)}
    correction = AppliedCorrection(table, setup, placed, rotary.letter, turns, largest)
    corrected = setup
    if correction.turns_alike:
        # What is asked at other angles goes by it too; where operations turn by their own, only they do.
        turn = np.zeros(last + 1)
        turn[last] = correction.turn_deg
        corrected = replace(setup, rotary_offset_deg=setup.rotary_offset_deg + turn)
    return corrected, tuple(found), correction
