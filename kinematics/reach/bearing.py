"""At which heights of a stack step the rotaries can carry and hold what then stands on them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.reach.layout import Layout, with_step_height
from kinematics.reach.load import carried, force_torque_nm, gravity_torque_nm, worst_torque
from kinematics.reach.stop import Part, Stop

__all__ = ["LoadLimit", "bearable", "load_spare"]

_LOADED = 41
_HALVINGS = 26


@dataclass(frozen=True)
class LoadLimit:
    """What a rotary can hold against and carry; None where it is not known."""

    holding_nm: float | None = None
    capacity_kg: float | None = None


def bearable(layout: Layout, index: int, part: Part, limits: Sequence[LoadLimit]) -> list[Part]:
    """The parts of a range of heights at which every rotary can carry and hold what it must."""
    if not any(limit.holding_nm is not None or limit.capacity_kg is not None for limit in limits):
        return [part]

    def spare(height: float) -> tuple[float, Stop]:
        return load_spare(with_step_height(layout, index, height), limits)

    low, low_stop, high, high_stop = part
    parts: list[Part] = []
    start: tuple[float, Stop] | None = None
    before, spare_before = low, spare(low)
    if spare_before[0] >= 0.0:
        start = (low, low_stop)
    for height in np.linspace(low, high, _LOADED)[1:].tolist():
        now = spare(height)
        if (now[0] >= 0.0) != (spare_before[0] >= 0.0):
            edge, stop = _edge(spare, before, height, now if spare_before[0] >= 0.0 else spare_before)
            if start is None:
                start = (edge, stop)
            else:
                parts.append((*start, edge, stop))
                start = None
        before, spare_before = height, now
    if start is not None:
        parts.append((*start, high, high_stop))
    return parts


def _edge(
    spare: Callable[[float], tuple[float, Stop]], first: float, last: float, beyond: tuple[float, Stop]
) -> tuple[float, Stop]:
    """Between a height that can be borne and one that cannot: the last that can, and what it is about."""
    good, bad = (first, last) if spare(first)[0] >= 0.0 else (last, first)
    for _ in range(_HALVINGS):
        middle = (good + bad) / 2.0
        if spare(middle)[0] >= 0.0:
            good = middle
        else:
            bad = middle
    return good, beyond[1]


def load_spare(layout: Layout, limits: Sequence[LoadLimit]) -> tuple[float, Stop]:
    """The smallest share of a holding torque or a capacity that is left, below 0 beyond it; and whose it is."""
    least, stop = float("inf"), Stop("asked")
    for k, (limit, letter) in enumerate(zip(limits, layout.machine.letters, strict=False)):
        if limit.capacity_kg is not None:
            left = 1.0 - carried(layout, k).mass_kg / limit.capacity_kg
            if left < least:
                least, stop = left, Stop("load", f"capacity of {letter}")
        if limit.holding_nm is None:
            continue
        torques = [("", worst_torque(layout, k).torque_nm)]
        if layout.stands:
            poses = np.array([stand.machine_deg for stand in layout.stands])
            gravity = np.abs(gravity_torque_nm(layout, k, poses)).tolist()
            torques += [
                (stand.name, pull + force_torque_nm(layout, k, stand))
                for stand, pull in zip(layout.stands, gravity, strict=True)
            ]
        name, torque = max(torques, key=lambda pair: pair[1])
        if 1.0 - torque / limit.holding_nm < least:
            least, stop = 1.0 - torque / limit.holding_nm, Stop("load", f"holding torque of {letter}", name)
    return least, stop
