"""A tool, probe or gauge length left in the Z of a touch-off: what a difference from the stack looks like."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tiltwright.files.job_file import DEFAULT_WITHIN
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.job.message_kinds import LengthLeftIn

__all__ = ["length_left_in"]

_LEAST_MM = 10.0
"""No tool or probe is shorter than this from the gauge line; a smaller difference of its own is no tool length."""

_GAUGE_STEPS_MM = (10.0, 12.7)
"""Setting gauges and the blocks that are put under a tip are whole multiples of 10 mm or half inches ..."""
_LONGEST_GAUGE_MM = 304.8
"""... up to 12 inches."""


def length_left_in(evaluated: EvaluatedJob) -> LengthLeftIn | None:
    """A tool, probe or gauge length that the touch-off's Z looks wrong by; None where it does not.

    The difference counts as such a length when what is left without it would pass as a touch-off by the default
    tolerance. So X and Y must agree to that, and a stated length must explain Z to that. The job's own tolerance has no
    say: a tight one would hide the reason for a refusal, a wide one would find it everywhere.
    """
    touch, touched = evaluated.touch, evaluated.job.touched
    if touch is None or touched is None:
        return None
    unit = evaluated.job.unit
    near_mm = unit.to_mm(DEFAULT_WITHIN[unit.value])
    x, y, z = _machine_difference_mm(evaluated).tolist()
    aside_mm = float(np.hypot(x, y))
    if aside_mm > near_mm or touch.distance_mm <= near_mm:
        return None

    def explains(length_mm: float) -> bool:
        # A length must cover more than it leaves open.
        return length_mm > 2.0 * near_mm and float(np.hypot(aside_mm, abs(z) - length_mm)) <= near_mm

    step = next(
        (step.name for step in evaluated.job.steps if step.up_mm != 0.0 and explains(abs(step.up_mm))), None
    )
    if abs(float(touched.at_mm[2])) <= near_mm:
        return LengthLeftIn(z, "Z of zero", None, None, step)
    fitting = [
        (source, name, length) for source, name, length in _known_lengths(evaluated) if explains(length)
    ]
    if fitting:
        source, name, length_mm = min(fitting, key=lambda one: abs(abs(z) - one[2]))
        return LengthLeftIn(z, source, name, length_mm, step)
    for whole_mm in _GAUGE_STEPS_MM:
        gauge_mm = whole_mm * round(abs(z) / whole_mm)
        if gauge_mm <= _LONGEST_GAUGE_MM and explains(gauge_mm):
            return LengthLeftIn(z, "gauge length", None, gauge_mm, step)
    return LengthLeftIn(z, "unknown", None, None, step) if abs(z) >= _LEAST_MM else None


def _machine_difference_mm(evaluated: EvaluatedJob) -> NDArray[np.float64]:
    """Touched minus stack in machine directions at the pose of the touch-off."""
    assert evaluated.touch is not None
    assert evaluated.job.touched is not None
    in_part = evaluated.setup.part_in_table.rotation.T @ evaluated.touch.difference_mm
    return np.asarray(evaluated.setup.machine_axes(evaluated.job.touched.machine_deg) @ in_part)


def _known_lengths(evaluated: EvaluatedJob) -> Iterator[tuple[str, str | None, float]]:
    """Lengths that are stated: source, name, millimetres."""
    reference_mm = evaluated.setup.machine.z_reference.tool_length_mm
    for tool in evaluated.job.file.tool:
        length_mm = evaluated.job.unit.to_mm(tool.length)
        yield "tool", tool.name, length_mm
        if reference_mm is not None:
            # Its length offset there is a difference.
            yield "tool", tool.name, abs(length_mm - reference_mm)
    if reference_mm is not None:
        yield "reference tool", None, reference_mm
