"""How tall one step of a job's stack may be, how stiff it then is, and where the fixture may stand on the mill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.reach import (
    Heights,
    Layout,
    Seat,
    Stop,
    deflection_mm,
    seat_range,
    step_heights,
    stiffness_n_per_mm,
    what_stops,
)
from tiltwright.files.faults import Refused, nearest, one_of, shown
from tiltwright.laid import Laid, lay_out
from tiltwright.pivots.cells import number_cell
from tiltwright.typed import wrong
from tiltwright.worked import Worked

__all__ = ["Sized", "Stiffness", "heights_of", "low_and_high"]

_LOWEST_MM = 1.0
_ABOVE_MM = 500.0
_ROWS = 5


@dataclass(frozen=True)
class Stiffness:
    """The step as a cantilever at one height.

    None where section, modulus or force is not known, or where the step is no taller than it is wide.
    """

    height_mm: float
    newton_per_mm: float | None
    deflection_mm: float | None


@dataclass(frozen=True, eq=False)
class Sized:
    """What `reach --size` answers.

    Attributes
    ----------
    laid : Laid
    name : str
        The step.
    own_mm : float
        Its height in the job.
    asked_mm : (float, float)
        The heights that were looked among.
    heights : tuple of Heights
    refusals : tuple of (float, Stop)
        Where no height fits: heights that were looked at, and what each does not fit for.
    stiffness : tuple of Stiffness
        Over the heights that fit, and at the step's own.
    force_n : float or None
        The largest cutting force that an operation states.
    seats : tuple of Seat
        Where the whole fixture may stand, with the step as it is.
    clear_mm, margin_mm : float
    """

    laid: Laid
    name: str
    own_mm: float
    asked_mm: tuple[float, float]
    heights: tuple[Heights, ...]
    refusals: tuple[tuple[float, Stop], ...]
    stiffness: tuple[Stiffness, ...]
    force_n: float | None
    seats: tuple[Seat, ...]
    clear_mm: float
    margin_mm: float


def low_and_high(text: str | None) -> tuple[float, float] | None:
    """Two heights such as ``20:150``.

    Raises
    ------
    InputFaults
        When it is not two numbers above zero, the lower one first.

    Examples
    --------
    >>> low_and_high("20:150"), low_and_high(None)
    ((20.0, 150.0), None)
    """
    if text is None:
        return None
    try:
        low, high = (number_cell(part) for part in text.split(":"))
    except (Refused, ValueError):
        low, high = np.nan, np.nan
    if not 0.0 < low < high < 1e5:
        raise wrong("--between", shown(text), "two heights above zero, the lower one first, such as 20:150")
    return low, high


def heights_of(
    worked: Worked, step: str, asked_mm: tuple[float, float] | None, clear_mm: float | None, margin_mm: float
) -> Sized:
    """The heights of a step.

    Raises
    ------
    InputFaults
        When there is no such step, there are two, or it leads downward; when a solid, tool or sweep cannot be.
    """
    laid = lay_out(worked)
    layout, job = laid.layout, worked.job
    index = _index(layout, step)
    if clear_mm is None:
        clear_mm = job.unit.to_mm(job.file.clear or 0.0)
    own = layout.steps[index].up_mm
    low, high = asked_mm or (_LOWEST_MM, own + _ABOVE_MM)
    heights = step_heights(layout, index, low, high, clear_mm, margin_mm, laid.limits)
    forces = [stand.force_n for stand in layout.stands if stand.force_n is not None]
    force = max(forces, default=None)
    at = sorted({own, *(h for one in heights for h in np.linspace(one.low_mm, one.high_mm, _ROWS).tolist())})
    return Sized(
        laid,
        step,
        own,
        (low, high),
        heights,
        () if heights else _refusals(laid, index, np.linspace(low, high, _ROWS), clear_mm, margin_mm),
        tuple(_stiffness(layout, index, height, force) for height in at),
        force,
        seat_range(layout, clear_mm, margin_mm),
        clear_mm,
        margin_mm,
    )


def _refusals(
    laid: Laid, index: int, heights_mm: NDArray[np.float64], clear_mm: float, margin_mm: float
) -> tuple[tuple[float, Stop], ...]:
    """What heights do not fit for, the step's own among them."""
    own = laid.layout.steps[index].up_mm
    low, high = float(heights_mm[0]), float(heights_mm[-1])
    tried = sorted({*heights_mm.tolist(), *([own] if low <= own <= high else [])})
    found = [
        (height, what_stops(laid.layout, index, height, clear_mm, margin_mm, laid.limits)) for height in tried
    ]
    return tuple((height, stop) for height, stop in found if stop is not None)


def _index(layout: Layout, step: str) -> int:
    names = [one.name for one in layout.steps]
    if step not in names:
        near = nearest(step, names)
        allowed = one_of(names) if names else "a job with a stack"
        raise wrong(
            "--size", f"no step {shown(step)}", allowed, f"did you mean {shown(near)}?" if near else ""
        )
    if names.count(step) > 1:
        raise wrong(
            "--size", f"{names.count(step)} steps named {shown(step)}", "a step with a name of its own"
        )
    index = names.index(step)
    if layout.steps[index].up_mm <= 0.0:
        raise wrong("--size", f"{shown(step)}, which does not lead upward", "a step whose up is above zero")
    return index


def _stiffness(layout: Layout, index: int, height_mm: float, force_n: float | None) -> Stiffness:
    body = layout.step_bodies[index]
    if body is None or body.modulus_gpa is None or height_mm <= body.section.across_mm:
        return Stiffness(height_mm, None, None)
    return Stiffness(
        height_mm,
        stiffness_n_per_mm(body.section, height_mm, body.modulus_gpa),
        None if force_n is None else deflection_mm(body.section, height_mm, body.modulus_gpa, force_n),
    )
