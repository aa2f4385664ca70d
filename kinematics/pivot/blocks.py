"""One Gauss-Newton step with every target eliminated first: time and memory grow with the readings, not faster.

Each reading touches the rotaries' few numbers and its own target's four. Per target its four numbers are solved for
and taken out of the rotaries' columns (the Schur complement, formed as a sum of squares so that nothing cancels);
what remains is one small system for the rotaries.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    p = columns.shape[-1]
    if any_held:
        by_target = by_target @ freed(held)[target]
    beside = np.concatenate([by_target, columns, residual[..., None]], axis=2)
    summed = np.add.reduceat(np.swapaxes(by_target, 1, 2) @ beside, starts, axis=0)
    inverse = np.asarray(np.linalg.inv(summed[:, :, :4] + held), dtype=np.float64)
    solved = inverse @ summed[:, :, 4:]
    coupling, step = solved[:, :, :p], -solved[:, :, p]
    rows = columns - by_target @ coupling[target]
    flat = rows.reshape(3 * len(rows), p)
    return Reduced(rows, flat.T @ flat, flat.T @ residual.reshape(-1), inverse, coupling, step, by_target)
