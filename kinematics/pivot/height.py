"""How high a face stands: where the last rotary's line pierces it, and above the other rotaries' lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.adjust import raw_rows
from kinematics.pivot.chart import leaned
from kinematics.pivot.covary import Spread, lines_now
from kinematics.pivot.results import Estimate, TargetFit
from kinematics.pivot.solve import Solved

__all__ = ["with_heights"]

_STEP_MM = 1e-3
_PARALLEL = 1e-3
_NOTICED = 1e-3
"""Of a millimetre of what is held: less than that does not make a number rest on it."""

_Measure = Callable[[NDArray[np.float64], NDArray[np.float64]], float]


def with_heights(
    solved: Solved, letters: tuple[str, ...], spread: Spread, target: TargetFit, t: int
) -> TargetFit:
    """A face square to the last rotary with its heights."""

    def crossing(told: NDArray[np.float64], own: NDArray[np.float64]) -> NDArray[np.float64]:
        last = lines_now(solved, told)[-1]
        charts, lever = solved.problem.charts, solved.problem.lever_mm
        normal = leaned(charts.direction[t], charts.square[t], own[2:] / lever)
        # Of the plane only its distance along the normal is counted, from the chart's base.
        away = own[0] + float(normal @ (charts.base[t] - last.point))
        return np.asarray(last.point + away / float(normal @ last.direction) * last.direction)

    def face(told: NDArray[np.float64], own: NDArray[np.float64]) -> float:
        return float(crossing(told, own)[2])

    words = f"machine Z of {target.name} where {letters[-1]}'s line pierces it, at the all-zero pose"
    found = []
    for i, letter in enumerate(letters[:-1]):
        now = lines_now(solved)
        if float(np.linalg.norm(np.cross(now[i].direction, now[-1].direction))) < _PARALLEL:
            continue

        def above(told: NDArray[np.float64], own: NDArray[np.float64], i: int = i) -> float:
            lines = lines_now(solved, told)
            up = lines[-1].direction - (lines[-1].direction @ lines[i].direction) * lines[i].direction
            return float((crossing(told, own) - lines[i].point) @ up / np.linalg.norm(up))

        told = f"how far {target.name} stands above {letter}'s line, along {letters[-1]}'s"
        found.append((letter, _estimate(solved, spread, t, "above", above, told)))
    return replace(target, face=_estimate(solved, spread, t, "face", face, words), above=tuple(found))


def _estimate(solved: Solved, spread: Spread, t: int, name: str, measure: _Measure, words: str) -> Estimate:
    """A number that follows from the lines and one target; slopes by central differences, far below any scatter."""
    state = solved.state
    told, own = state.told, state.targets[t]

    def slope(whole: NDArray[np.float64], by: Callable[[NDArray[np.float64]], float]) -> NDArray[np.float64]:
        steps = _STEP_MM * np.eye(len(whole))
        return np.array([(by(whole + step) - by(whole - step)) / (2.0 * _STEP_MM) for step in steps])

    by_lines = slope(told, lambda changed: measure(changed, own))
    by_target = slope(own, lambda changed: measure(told, changed))
    value = measure(told, own)
    # Everything is pulled back by the lines: with one that moves, a target read elsewhere moves along.
    whole = by_lines @ state.free - by_target @ solved.reduced.coupling[t]
    open_lines = by_lines - _carried(solved, t, by_target)
    if _rests_on_held(spread, open_lines):
        return Estimate(name, value, None, None, "mm", words, held=True)
    inner = np.linalg.inv(solved.reduced.information) if state.free.shape[1] else np.zeros((0, 0))
    inverse = solved.reduced.inverse[t] - state.held[t]
    return spread.spelled(
        name, value, float(whole @ inner @ whole + by_target @ inverse @ by_target), "mm", words
    )


def _carried(solved: Solved, t: int, by_target: NDArray[np.float64]) -> NDArray[np.float64]:
    """How the number would follow the lines, told or not, through the target's readings."""
    problem, state = solved.problem, solved.state
    raw = raw_rows(problem, state)
    mine = problem.target == t
    across = np.swapaxes(raw.by_target[mine], 1, 2)
    inverse = solved.reduced.inverse[t] - state.held[t]
    return np.asarray(by_target @ inverse @ (across @ raw.columns[mine]).sum(axis=0))


def _rests_on_held(spread: Spread, slope: NDArray[np.float64]) -> bool:
    untold = slope - spread.free @ (slope @ spread.free)
    return float(np.abs(untold).max(initial=0.0)) > _NOTICED
