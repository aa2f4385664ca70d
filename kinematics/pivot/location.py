"""Where a rotary's line lies, in the notation of ISO 230-1 for the location errors of an axis of rotation.

``E_Y0A`` reads: error of A's line in the Y direction; ``E_B0A``: its turn about Y. Two conventions are ours to make:

- positions are told from the old line: E_Y0A is where the new line pierces the plane through the old point square
  to the machine axis, less the old point. An old value that was right gives 0.
- angles are told from the machine's own axis, right-handed about the axis they name: E_B0A is 0 for a line truly
  parallel to X in the XZ plane. An old direction that was not square to the machine does not hide itself.

A rotary whose line is more than 30 degrees from the machine axis of its letter has no such errors.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.covary import LineNow, Spread, placed
from kinematics.pivot.results import Estimate

__all__ = ["axis_of", "location_errors", "moved"]

_AXES = "XYZ"
_TURNS = "ABC"
_ALIKE_DEG = 30.0
_KEPT = 1e-7
"""Millimetres or degrees: a number that rounding alone has touched was left as it was."""


def axis_of(letter: str, direction: NDArray[np.float64]) -> int | None:
    """The machine axis (0, 1, 2) that a rotary turns about by its letter, or None where it lies elsewhere."""
    axis = _TURNS.index(letter)
    return axis if abs(float(direction[axis])) > np.cos(np.radians(_ALIKE_DEG)) else None


def crossing(
    line: LineNow, old_point: NDArray[np.float64], k: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the line pierces the plane of constant coordinate k through the old point, and its slopes (4, 3)."""
    lean = line.direction / line.direction[k]
    away = old_point[k] - line.point[k]
    lean_slope = (line.direction_slope - line.direction_slope[:, k : k + 1] * lean) / line.direction[k]
    point_slope = line.point_slope - line.point_slope[:, k : k + 1] * lean + away * lean_slope
    return line.point + away * lean, point_slope


def turn(line: LineNow, k: int, about: int) -> tuple[float, NDArray[np.float64]]:
    """The line's turn (degrees) about machine axis `about` away from machine axis k, and its slopes (4,)."""
    j = 3 - k - about
    sense = 1.0 if (about + 1) % 3 == k else -1.0
    tangent = float(line.direction[j] / line.direction[k])
    slope = (line.direction_slope[:, j] - line.direction_slope[:, k] * tangent) / line.direction[k]
    return sense * float(np.degrees(np.arctan(tangent))), sense * np.degrees(slope / (1.0 + tangent**2))


def location_errors(
    letter: str, old_point: NDArray[np.float64], line: LineNow, i: int, rotaries: int, spread: Spread
) -> tuple[Estimate, ...]:
    """The two positions and the two angles of a rotary's line, in the order of the machine's axes."""
    k = axis_of(letter, line.direction)
    if k is None:
        return ()
    found = []
    others = [j for j in range(3) if j != k]
    where, slopes = crossing(line, old_point, k)
    for j in others:
        words = (
            f"how far {letter}'s line lies toward +{_AXES[j]} of where the machine file has it, "
            f"at {_AXES[k]} of its point there"
        )
        found.append(
            spread.estimate(
                f"E_{_AXES[j]}0{letter}",
                float(where[j] - old_point[j]),
                placed(slopes[:, j], i, rotaries),
                "mm",
                words,
            )
        )
    for about in others:
        value, slope = turn(line, k, about)
        toward = _AXES[3 - k - about]
        sense = "+" if (about + 1) % 3 == k else "-"
        words = (
            f"turn of {letter}'s line about {_AXES[about]}, from the machine's {_AXES[k]}: "
            f"with more of it, its +{_AXES[k]} end leans toward {sense}{toward}"
        )
        found.append(
            spread.estimate(f"E_{_TURNS[about]}0{letter}", value, placed(slope, i, rotaries), "deg", words)
        )
    return tuple(found)


def moved(
    letter: str,
    old: LineNow,
    new: LineNow,
    i: int,
    rotaries: int,
    spread: Spread,
) -> tuple[Estimate, ...]:
    """New minus old, across the line: positions (mm), then turns (degrees), each with its verdict.

    For a rotary near its letter's machine axis along and about the machine's axes; for any other along and about
    the two directions `across` (named "across 1" and "across 2").
    """
    k = axis_of(letter, new.direction)
    found = []
    if k is None:
        for m, (name, unit, factor) in enumerate(
            [("across 1", "mm", 1.0), ("across 2", "mm", 1.0), ("lean 1", "deg", 1.0), ("lean 2", "deg", 1.0)]
        ):
            slope = np.eye(4)[m] * factor
            if m < 2:
                value = float((new.point - old.point) @ old.point_slope[m])
            else:
                size = float(np.linalg.norm(old.direction_slope[m]))
                way = old.direction_slope[m] / size
                value = float(np.degrees(np.arctan2(new.direction @ way, new.direction @ old.direction)))
                slope = slope * float(np.degrees(size))
            words = f"{letter}'s line against the machine file, {name}"
            found.append(spread.estimate(name, value, placed(slope, i, rotaries), unit, words))
    else:
        others = [j for j in range(3) if j != k]
        where, slopes = crossing(new, old.point, k)
        for j in others:
            words = f"{letter}'s line against the machine file, along {_AXES[j]}"
            value = float(where[j] - old.point[j])
            found.append(spread.estimate(_AXES[j], value, placed(slopes[:, j], i, rotaries), "mm", words))
        for about in others:
            value, slope = turn(new, k, about)
            words = f"{letter}'s line against the machine file, turned about {_AXES[about]}"
            change = value - turn(old, k, about)[0]
            found.append(spread.estimate(_TURNS[about], change, placed(slope, i, rotaries), "deg", words))
    return tuple(_judged(estimate) for estimate in found)


def _judged(estimate: Estimate) -> Estimate:
    from dataclasses import replace

    if estimate.held:
        kept = abs(estimate.value) < _KEPT
        return replace(estimate, verdict="left as it was" if kept else "told in part")
    if estimate.expanded is None:
        return estimate
    shown = abs(estimate.value) > estimate.expanded
    return replace(estimate, verdict="moved" if shown else "not shown to have moved")
