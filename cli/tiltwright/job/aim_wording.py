"""Sentences for aimed directions: why a pose cannot be used, and why an operation cannot be reached."""

from __future__ import annotations

from kinematics import UnreachableOperation, Violation
from tiltwright.output import numbers

__all__ = ["unreachable_text", "violation_text"]

_SHOWN_FROM_DEG = 5e-5
"""An excess below this would read 0.0000: it is shown by its power of ten."""


_MOST_REASONS = 6
"""Three rotaries have many poses, each with reasons of its own: beyond so many nobody reads on."""


def violation_text(violation: Violation) -> str:
    """One reason why a pose cannot be used."""
    letter, angle = violation.letter, numbers.angle(violation.angle_deg)
    if violation.kind == "tilt sign":
        return f"program {letter} would be {angle}, and a {violation.tilt} tilt was asked for"
    low, high = violation.limits_deg or (float("-inf"), float("inf"))
    if violation.kind == "alignment":
        return f"machine {letter} would stand at {angle} to line x up, its limits are {low:g} to {high:g}"
    excess = violation.excess_deg
    over = numbers.angle(excess) if excess >= _SHOWN_FROM_DEG else f"{excess:.0e}"
    return (
        f"machine {letter} would stand at {angle}, its limits are {low:g} to {high:g}: {over} degrees too far"
    )


def unreachable_text(operation: UnreachableOperation) -> str:
    """Why an operation cannot be reached, with the nearest pose that can be had."""
    reasons = [violation_text(violation) for violation in operation.violations]
    if len(reasons) > _MOST_REASONS:
        more = len(reasons) - _MOST_REASONS
        reasons = [*reasons[:_MOST_REASONS], f"and {more} more; `tiltwright aim` lists every pose"]
    if operation.misalignment_deg > 0.0:
        nearest = operation.solutions[0]
        short = (
            f"its direction stays {numbers.angle(operation.misalignment_deg)} degrees from the spindle at best "
            f"(machine angles {', '.join(map(numbers.angle, nearest.machine_deg))})"
        )
        # Slightly off square, a direction is always a little short; what stops it may yet be a limit.
        reasons = [short] if nearest.feasible else [short, *reasons]
    return "; ".join(reasons)
