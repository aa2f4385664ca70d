"""Part zero as touched off, typed beside a job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kinematics import PlacedOperation, Setup, compare_touch_off, setup_of_part
from tiltwright.files.conversion import TouchedZero, part_within_of
from tiltwright.files.diagnostics import InvalidValue, option_error
from tiltwright.files.loader import ReadJob
from tiltwright.files.parsing import check_typed_limits, parse_degrees, parse_pose, three_lengths
from tiltwright.files.plausibility import clocking_caution
from tiltwright.files.toml_source import add_caution
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob, evaluate_read_job
from tiltwright.terminal.streams import note

__all__ = ["at_typed_touch", "evaluated_at_typed_zero", "with_typed_touch"]


def evaluated_at_typed_zero(
    job: ReadJob,
    nest: str | None,
    only: Sequence[str],
    typed: tuple[str, str | None, str | None],
    unit: Unit | None,
) -> EvaluatedJob:
    """Evaluate a job by part zero, its pose and a clocking as typed; its correction is left out, and that is said.

    Raises
    ------
    InputFaults
        As `at_typed_touch` does.
    """
    zero, pose, clock = typed
    left_out = None
    if job.file.correction is not None:
        from tiltwright.job.own_zero import not_in_own_zero  # most jobs have no correction

        correction, job = job.file.correction, job.uncorrected
        left_out = not_in_own_zero(correction, [evaluate_read_job(job, (), nest)])
        if left_out is None:
            words = "the job's correction is left out here: --touched gives the part its own zero"
            note(words, label="caution")
    if nest is None and clock is None:
        evaluated = evaluate_read_job(with_typed_touch(job, zero, pose, unit), only)
    else:
        evaluated = at_typed_touch(evaluate_read_job(job, only, nest), zero, pose, clock, unit)
    return evaluated if left_out is None else replace(evaluated, left_out=left_out)


def at_typed_touch(
    evaluated: EvaluatedJob, zero: str, pose: str | None, clock: str | None, unit: Unit | None = None
) -> EvaluatedJob:
    """A job, or one nest of it, at part zero as typed; the programs and their angles stay as they are.

    Parameters
    ----------
    evaluated : EvaluatedJob
    zero, pose, unit
        As `with_typed_touch` takes them.
    clock : str or None
        Degrees that the part was found turned about its own z, beyond the stack's.

    Raises
    ------
    InputFaults
        As `with_typed_touch` does, and when the clocking is no angle or takes a rotary past its limits.
    """
    job = with_typed_touch(evaluated.job, zero, pose, unit)
    assert job.touched is not None  # just typed
    clock_deg = 0.0
    if clock is not None:
        try:
            clock_deg = parse_degrees(clock)
        except InvalidValue as refusal:
            raise option_error("--clock", refusal.found, refusal.allowed, refusal.tip) from None
        caution = clocking_caution(clock_deg)
        if caution is not None:
            add_caution(f"--clock: {caution}")
    touched = job.touched
    touch = compare_touch_off(job.setup, touched.at_mm, touched.machine_deg)
    setup = setup_of_part(
        job.setup, touched.at_mm, touched.machine_deg, clock_deg, tuple(job.file.square_up or ())
    )
    operations = tuple(replace(one, placed=_placed_at(one.placed, setup)) for one in evaluated.operations)
    return replace(evaluated, job=job, touch=touch, setup=setup, operations=operations)


def _placed_at(placed: PlacedOperation, setup: Setup) -> PlacedOperation:
    """An operation at the same program angles on another part."""
    machine_deg = setup.machine_deg(placed.program_deg)
    for rotary, angle in zip(setup.machine.rotaries, machine_deg.tolist(), strict=True):
        if not rotary.within(angle):
            low, high = rotary.limits_deg or (0.0, 0.0)
            found = f"{placed.name} at machine {rotary.letter} {angle:.6g}"
            raise option_error("--clock", found, f"machine angles {low:.10g} to {high:.10g}")
    return replace(
        placed,
        machine_deg=machine_deg,
        rotary_offset_deg=setup.rotary_offset_deg,
        offset_mm=setup.work_offset(placed.origin_mm, machine_deg),
        axes=setup.machine_axes(machine_deg),
    )


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
    check_typed_limits(machine, angles_deg, "--pose")
    within_mm, within_stated = part_within_of(job.file, job.unit)
    typed = TouchedZero(
        at_mm,
        angles_deg,
        "touched",
        within_mm,
        within_stated=within_stated,
        typed=True,
    )
    return replace(job, touched=typed)
