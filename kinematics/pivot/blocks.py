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


def _per_target(values: NDArray[np.float64], starts: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(np.add.reduceat(values, starts, axis=0))


def reduce_targets(
    residual: NDArray[np.float64],
    columns: NDArray[np.float64],
    by_target: NDArray[np.float64],
    target: NDArray[np.int64],
    starts: NDArray[np.int64],
    held: NDArray[np.float64],
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
    """
    if held.any():
        by_target = by_target @ freed(held)[target]
    across = np.swapaxes(by_target, 1, 2)
    own = _per_target(across @ by_target, starts) + held
    inverse = np.linalg.inv(own)
    coupling = inverse @ _per_target(across @ columns, starts)
    step = -(inverse @ _per_target((across @ residual[..., None])[..., 0], starts)[..., None])[..., 0]
    rows = columns - by_target @ coupling[target]
    flat = rows.reshape(-1, rows.shape[-1])
    return Reduced(rows, flat.T @ flat, flat.T @ residual.reshape(-1), inverse, coupling, step, by_target)
