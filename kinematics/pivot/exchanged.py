"""One ball taken for another: readings that fit another ball's place far better than their own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from kinematics.machine import Machine
from kinematics.pivot.blunder import Blunder
from kinematics.pivot.doubt import Doubt
from kinematics.pivot.extra import left_out, rest_of
from kinematics.pivot.pull import pulled_back
from kinematics.pivot.readings import Kind, Readings

__all__ = ["confusions"]

_NEARER = 0.3
"""Ratio: another ball is meant where its place is under a third as far as that of the ball named. Chosen here."""
_APART_MM = 1.0
"""mm that a reading must lie from its own ball: far above scatter, and no two balls stand closer. Chosen here."""


def confusions(readings: Readings, machine: Machine, base: Doubt | None) -> Iterator[Blunder]:
    """Relabellings of ball readings worth a fit: all at once by the machine's own lines, then the worst one alone."""
    balls = [t for t, kind in enumerate(readings.kinds) if kind is Kind.BALL and (readings.target == t).any()]
    if len(balls) < 2:
        return
    where = pulled_back(machine, readings.angles_deg, readings.points_mm)
    middles = np.stack([np.median(where[readings.target == t], axis=0) for t in balls])
    away = np.linalg.norm(where[:, None] - middles, axis=-1)
    column = {t: k for k, t in enumerate(balls)}
    mine = np.array([column.get(int(t), -1) for t in readings.target])
    ball = mine >= 0
    own = away[np.arange(len(mine)), np.where(ball, mine, 0)]
    nearest = away.argmin(axis=1)
    doubtful = ball & (nearest != mine) & (away.min(axis=1) < _NEARER * own) & (own > _APART_MM)
    target = np.where(doubtful, np.array(balls)[nearest], readings.target)
    if doubtful.any():
        yield _relabelled(readings, machine, target)
    if base is None:
        return
    gains = left_out(rest_of(base))
    worst = int(base.problem.order[int(np.argmax(gains))])
    if not ball[worst] or (doubtful.sum() == 1 and doubtful[worst]):
        return
    for other in balls:
        if other != readings.target[worst]:
            alone = np.array(readings.target)
            alone[worst] = other
            yield _relabelled(readings, machine, alone)


def _relabelled(readings: Readings, machine: Machine, target: NDArray[np.int64]) -> Blunder:
    changed = np.flatnonzero(target != readings.target)
    rows = tuple(readings.row(int(i)) for i in changed)
    first = int(changed[0])
    name, other = readings.names[readings.target[first]], readings.names[target[first]]
    what = "row" if len(rows) == 1 else "rows"
    words = f"{what} {', '.join(map(str, rows))}: {name} was confused with {other}: the other name fits far better"
    return Blunder(
        "targets confused",
        words,
        replace(readings, target=target),
        machine,
        target=name,
        other_target=other,
        rows=rows,
    )
