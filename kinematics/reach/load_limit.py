"""Load limits of the rotaries, the margin that is left, and the step heights that they allow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.reach.collision_model import CollisionModel, with_step_height
from kinematics.reach.feasibility import Interval, Limit
from kinematics.reach.load import carried, force_torque_nm, gravity_torque_nm, worst_torque
from kinematics.reach.scene import scene_of
from kinematics.validation import as_number

__all__ = ["LoadLimit", "load_feasible", "load_margin"]

_SAMPLES = 41
_WITHIN_MM = 1e-9


@dataclass(frozen=True)
class LoadLimit:
    """Torque that a rotary holds and mass that it may carry; None where not known.

    Raises
    ------
    KinematicsError
        When one of them is not above zero.
    """

    holding_nm: float | None = None
    capacity_kg: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("holding torque", self.holding_nm), ("capacity", self.capacity_kg)):
            if value is not None and not as_number(value, name) > 0.0:
                raise KinematicsError(f"{name}: expected a value above zero, found {value:g}")


def load_margin(model: CollisionModel, limits: Sequence[LoadLimit]) -> tuple[float, Limit]:
    """The smallest share of a holding torque or a capacity that is left, below 0 beyond it, and the limit concerned.

    Parameters
    ----------
    model : CollisionModel
    limits : sequence of LoadLimit
        Of each rotary, from the base outward.
    """
    least, cause = float("inf"), Limit()
    scene = scene_of(model)
    for k, (limit, letter) in enumerate(zip(limits, model.machine.letters, strict=False)):
        if limit.capacity_kg is not None:
            left = 1.0 - carried(model, k).mass_kg / limit.capacity_kg
            if left < least:
                least, cause = left, Limit("capacity", axis=letter)
        if limit.holding_nm is None:
            continue
        torques: list[tuple[str | None, float]] = [(None, worst_torque(model, k).torque_nm)]
        if model.operations:
            poses = np.array([operation.machine_deg for operation in model.operations])
            gravity = np.abs(gravity_torque_nm(model, k, poses)).tolist()
            torques += [
                (operation.name, weight + force_torque_nm(model, k, operation, scene))
                for operation, weight in zip(model.operations, gravity, strict=True)
            ]
        name, torque = max(torques, key=lambda pair: pair[1])
        if 1.0 - torque / limit.holding_nm < least:
            least, cause = 1.0 - torque / limit.holding_nm, Limit("holding torque", name, axis=letter)
    return least, cause


def load_feasible(
    model: CollisionModel, index: int, part: Interval, limits: Sequence[LoadLimit]
) -> list[Interval]:
    """The parts of an interval of step heights at which every rotary can carry and hold its load.

    Parameters
    ----------
    model : CollisionModel
    index : int
        The step, from 0 at the platter.
    part : Interval
        Heights in millimetres.
    limits : sequence of LoadLimit
        Of each rotary, from the base outward.
    """
    if not any(limit.holding_nm is not None or limit.capacity_kg is not None for limit in limits):
        return [part]

    def margin(height: float) -> tuple[float, Limit]:
        return load_margin(with_step_height(model, index, height), limits)

    parts: list[Interval] = []
    start: tuple[float, Limit] | None = None
    before, margin_before = part.low, margin(part.low)
    if margin_before[0] >= 0.0:
        start = (part.low, part.low_limit)
    for height in np.linspace(part.low, part.high, _SAMPLES)[1:].tolist():
        now = margin(height)
        if (now[0] >= 0.0) != (margin_before[0] >= 0.0):
            cause = now[1] if margin_before[0] >= 0.0 else margin_before[1]
            edge = _last_feasible(lambda at: margin(at)[0], before, height)
            if start is None:
                start = (edge, cause)
            else:
                parts.append(Interval(*start, edge, cause))
                start = None
        before, margin_before = height, now
    if start is not None:
        parts.append(Interval(*start, part.high, part.high_limit))
    return parts


def _last_feasible(margin: Callable[[float], float], first: float, last: float) -> float:
    """The height between two at which the margin vanishes, on the side where some is left."""
    from scipy.optimize import brentq  # nothing else of reach waits for it

    root = float(brentq(margin, first, last, xtol=_WITHIN_MM))
    inward = first if margin(first) >= 0.0 else last
    return root if margin(root) >= 0.0 else root + float(np.sign(inward - root)) * 2.0 * _WITHIN_MM
