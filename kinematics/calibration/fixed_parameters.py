"""What was held, in the setter's words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import wrap_deg
from kinematics.calibration.lengths import in_millimetres
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.calibration.results import Estimate, FixedParameter
from kinematics.calibration.solve import Adjusted
from kinematics.machine import Machine

__all__ = ["conditions", "held_words", "stands_still"]

_WHOLE = 0.98
_SOME = 1e-3
_STILL_DEG = 1e-6
_ALONG = 0.999
_AXES = "XYZ"
_TURNS = "ABC"


def stands_still(readings: Readings, i: int) -> float | None:
    """The angle at which rotary i stands in every reading, or None where it is turned."""
    angle = readings.angles_deg[:, i]
    away = np.abs(wrap_deg(angle - angle[0], low_deg=-180.0))
    return float(angle[0]) if float(away.max()) < _STILL_DEG else None


def held_words(solved: Adjusted, machine: Machine, readings: Readings) -> tuple[FixedParameter, ...]:
    """A sentence for everything that the readings do not tell."""
    free = solved.state.free
    share = 1.0 - (free * free).sum(axis=1)
    found: list[FixedParameter] = []
    for i, letter in enumerate(machine.letters):
        mine = share[4 * i : 4 * i + 4]
        if not (mine > _SOME).any():
            continue
        still = stands_still(readings, i)
        if still is not None and (mine > _WHOLE).all():
            words = f"Nothing here turns {letter}, so {letter}'s line is left as it was."
            if abs(float(machine.rotaries[i].turn_deg(still))) > _STILL_DEG:
                words = (
                    f"{letter} stands at {still:g} degrees in every reading, so {letter}'s line is left as it was; "
                    "the other lines are told on that condition."
                )
            found.append(FixedParameter(letter, "", "line", words))
            continue
        square = solved.problem.lines.square[i]
        found.extend(_part(letter, "direction", mine[2:], _turn_names(square, machine.rotaries[i].direction)))
        combined = _one_way(solved, i, letter)
        found.extend(combined or _part(letter, "position", mine[:2], _shift_names(square)))
    found.extend(_targets_held(solved, readings))
    return tuple(found)


def conditions(machine: Machine, found: Sequence[Sequence[Estimate]]) -> tuple[FixedParameter, ...]:
    """A sentence for every line whose position holds only as far as directions do that were not told.

    Parameters
    ----------
    machine : Machine
    found : sequence of sequence of Estimate
        Of each rotary, those of its positions among them.
    """
    held = []
    for letter, estimates in zip(machine.letters, found, strict=True):
        lean_mm = max((one.lean_mm for one in estimates), default=0.0)
        if lean_mm > 0.0:
            words = (
                f"{letter}'s position holds only as far as the directions that were left or taken as they were: for "
                f"each 0.01 degrees that they are wrong by it moves by up to {in_millimetres(lean_mm, '.4f')}, which "
                "its uncertainty does not count."
            )
            held.append(FixedParameter(letter, "", "position on condition", words))
    return tuple(held)


def _one_way(solved: Adjusted, i: int, letter: str) -> list[FixedParameter]:
    """A position that is told along one direction only, which is none of the machine's axes."""
    mine = solved.state.free[4 * i : 4 * i + 2]
    size, ways = np.linalg.eigh(mine @ mine.T)
    square = solved.problem.lines.square[i]
    way = ways[:, 1] @ square
    if size[0] > _SOME or size[1] < _WHOLE or float(np.abs(way).max()) > _ALONG:
        return []
    first = int(np.argmax(np.abs(way) > _SOME))
    sign = 1.0 if way[first] > 0.0 else -1.0
    numbers = (solved.state.told * solved.problem.scale)[4 * i : 4 * i + 2]
    moved = sign * float(ways[:, 1] @ numbers)
    axes = " and ".join(_AXES[j] for j in range(3) if abs(float(way[j])) > _SOME)
    words = (
        f"{letter} in {axes} together: only along ({_three(sign * way + 0.0)}) is the position told; moved by "
        f"{in_millimetres(moved, '.4f')} along it. What lies square to it is left as it was (a turn to a third angle would tell it)."
    )
    return [FixedParameter(letter, "", "part of the position", words)]


def _part(letter: str, quantity: str, share: NDArray[np.float64], names: list[str]) -> list[FixedParameter]:
    """Sentences for one rotary's direction or position."""
    whole, some = share > _WHOLE, share > _SOME
    if not some.any():
        return []
    ask = {
        "direction": "no reading notices it (a target farther out along the line, or read at more turns, would)",
        "position": "no reading notices it (a ball off the line, read at turns well apart, would)",
    }[quantity]
    if whole.all():
        return [FixedParameter(letter, "", quantity, f"{letter}'s {quantity} is left as it was: {ask}.")]
    if whole.any() and not (some & ~whole).any():
        name = names[int(np.argmax(whole))]
        return [
            FixedParameter(
                letter, "", f"part of the {quantity}", f"{letter}'s {name} is left as it was: {ask}."
            )
        ]
    told = " and ".join(name for name, use in zip(names, some, strict=True) if use)
    words = f"{letter}'s {told}: only in combination are these told; what the readings leave open is left as it was."
    return [FixedParameter(letter, "", f"part of the {quantity}", words)]


def _shift_names(square: NDArray[np.float64]) -> list[str]:
    return [_along(way) for way in square]


def _along(way: NDArray[np.float64]) -> str:
    k = int(np.argmax(np.abs(way)))
    return f"position in {_AXES[k]}" if abs(float(way[k])) > 0.9 else f"position along ({_three(way)})"


def _turn_names(square: NDArray[np.float64], direction: NDArray[np.float64]) -> list[str]:
    """A lean toward one direction is a turn about the one square to it and to the line."""
    names = []
    for way in square:
        about = np.cross(direction, way)
        k = int(np.argmax(np.abs(about)))
        about_name = _AXES[k] if abs(float(about[k])) > 0.9 else f"({_three(about)})"
        names.append(f"direction about {about_name}")
    return names


def _three(vector: NDArray[np.float64]) -> str:
    return ", ".join(f"{value:.3f}" for value in vector)


def _targets_held(solved: Adjusted, readings: Readings) -> list[FixedParameter]:
    """Sentences for the directions of bores and faces that were taken, not told."""
    problem, found = solved.problem, []
    for t, index in enumerate(problem.names):
        name, kind = readings.names[index], readings.kinds[index]
        if kind is TargetKind.BALL:
            continue
        if float(np.diag(solved.state.held[t])[2:].max()) < _SOME:
            continue
        way = problem.charts.direction[t]
        origin = (
            "as stated"
            if readings.directions[index] is not None
            else "as the machine file and the poses have it"
        )
        thing = "face" if kind is TargetKind.FACE else f"{kind.value}'s axis"
        words = (
            f"The direction of {name} ({thing}) is taken {origin}, ({_three(way)}) at the all-zero pose: "
            "the readings do not fully tell it."
        )
        found.append(FixedParameter("", name, "direction", words))
    return found
