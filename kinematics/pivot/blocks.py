"""One Gauss-Newton step with every target eliminated first: time and memory grow with the readings, not faster.

Each reading touches the rotaries' few numbers and its own target's four. Per target its four numbers are solved for
and taken out of the rotaries' columns (the Schur complement, formed as a sum of squares so that nothing cancels);
what remains is one small system for the rotaries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot.pull import BLOCK

__all__ = ["Reduced", "freed", "reduce_targets"]


@dataclass(frozen=True, eq=False)
class Reduced:
    """The rows with the targets taken out.

    Attributes
    ----------
    rows : ndarray, shape (N, 3, p)
        The rotaries' columns less what the targets can take over.
    information : ndarray, shape (p, p)
        Their squares: the Schur complement.
    gradient : ndarray, shape (p,)
    inverse : ndarray, shape (t, 4, 4)
        Inverses of the targets' own blocks; the held directions have a 1 there.
    coupling : ndarray, shape (t, 4, p)
        By how much a target follows each of the rotaries' numbers (to be subtracted).
    target_step : ndarray, shape (t, 4)
        What each target would move by if the rotaries stood still.
    by_target : ndarray, shape (N, 3, 4)
        The targets' columns that are free.
    """

    rows: NDArray[np.float64]
    information: NDArray[np.float64]
    gradient: NDArray[np.float64]
    inverse: NDArray[np.float64]
    coupling: NDArray[np.float64]
    target_step: NDArray[np.float64]
    by_target: NDArray[np.float64]

    def follow(self, step: NDArray[np.float64]) -> NDArray[np.float64]:
        """The targets' step (t, 4) that goes with a step of the rotaries (p,)."""
        return self.target_step - self.coupling @ step


def freed(held: NDArray[np.float64]) -> NDArray[np.float64]:
    """The projector (t, 4, 4) on what is not held, for projectors `held` (t, 4, 4)."""
    return np.eye(4) - held


def reduce_targets(
    residual: NDArray[np.float64],
    columns: NDArray[np.float64],
    by_target: NDArray[np.float64],
    target: NDArray[np.int64],
    starts: NDArray[np.int64],
    held: NDArray[np.float64],
    *,
    any_held: bool = True,
) -> Reduced:
    """Take the targets out of the weighted rows.

    Parameters
    ----------
    residual : ndarray, shape (N, 3)
    columns : ndarray, shape (N, 3, p)
        The rotaries' columns.
    by_target : ndarray, shape (N, 3, 4)
    target : ndarray of int, shape (N,)
        Ascending: readings stand sorted by target.
    starts : ndarray of int, shape (t,)
        Where each target's readings begin.
    held : ndarray, shape (t, 4, 4)
        Projector on each target's held combinations.
    any_held : bool
        False where nothing is held but numbers that a target does not have: their columns are zero anyway.
    """
    n, p = len(residual), columns.shape[-1]
    if any_held:
        by_target = by_target @ freed(held)[target]
    blocks = [slice(start, start + BLOCK) for start in range(0, n, BLOCK)]
    summed = np.zeros((len(starts), 4, 5 + p))
    for block in blocks:
        own = by_target[block]
        beside = np.concatenate([own, columns[block], residual[block, :, None]], axis=2)
        here = target[block]
        first = np.flatnonzero(np.diff(here, prepend=-1))
        summed[here[first]] += np.add.reduceat(np.swapaxes(own, 1, 2) @ beside, first, axis=0)
    inverse = np.asarray(np.linalg.inv(summed[:, :, :4] + held), dtype=np.float64)
    solved = inverse @ summed[:, :, 4:]
    coupling, step = solved[:, :, :p], -solved[:, :, p]
    rows, information, gradient = np.empty((n, 3, p)), np.zeros((p, p)), np.zeros(p)
    for block in blocks:
        left = columns[block] - by_target[block] @ coupling[target[block]]
        rows[block] = left
        flat = left.reshape(3 * len(left), p)
        information += flat.T @ flat
        gradient += flat.T @ residual[block].reshape(-1)
    return Reduced(rows, information, gradient, inverse, coupling, step, by_target)
