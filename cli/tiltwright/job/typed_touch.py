"""Part zero as touched off, typed beside a job."""

from __future__ import annotations

from dataclasses import replace

from tiltwright.files.diagnostics import option_error
from tiltwright.files.job_file import DEFAULT_WITHIN
from tiltwright.files.loader import ReadJob, TouchedZero
from tiltwright.files.parsing import check_limits, parse_pose, three_lengths
from tiltwright.files.units import Unit

__all__ = ["with_typed_touch"]


def with_typed_touch(job: ReadJob, zero: str, pose: str | None, unit: Unit | None = None) -> ReadJob:
    """A job with part zero as typed in place of its own touch-off; its offsets go by it.

    The tolerance is the one that the job states, or the default.

    Parameters
    ----------
    job : ReadJob
    zero : str
        ``X,Y,Z``: the machine coordinates of part zero.
    pose : str or None
        Machine angles at which it was touched off, such as ``A0,C0``, every rotary named.
    unit : Unit, optional
        Of the numbers; the job's if left out.

    Raises
    ------
    InputFaults
        When the numbers, a rotary's angle or the whole pose is missing, or an angle is outside its rotary's limits.
    """
    machine, unit = job.machine, unit or job.unit
    example = ",".join(f"{letter}0" for letter in machine.letters)
    if pose is None:
        raise option_error(
            "--pose",
            "nothing beside --touched",
            f"the machine angle of every rotary when part zero was touched off, such as {example}",
        )
    at_mm = three_lengths(zero, "--touched", "X,Y,Z", unit)
    angles_deg = parse_pose(pose, machine, "--pose", every=True)
    check_limits(machine, angles_deg, "--pose")
    own = job.touched
    within_mm = job.unit.to_mm(DEFAULT_WITHIN[job.unit.value]) if own is None else own.within_mm
    typed = TouchedZero(
        at_mm,
        angles_deg,
        "touched",
        within_mm,
        within_stated=own is not None and own.within_stated,
        typed=True,
    )
    return replace(job, touched=typed)
