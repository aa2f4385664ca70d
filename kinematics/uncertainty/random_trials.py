"""Propagation of distributions by a Monte Carlo method after JCGM 101:2008, with the adaptive number of trials.

Trials come in blocks of 10,000. After each block the estimates, standard uncertainties and interval ends of all blocks
so far are averaged; it stops when twice the standard deviation of every average is below the numerical tolerance (7.9).
Only the block's own trials are held at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.progress import report_progress
from kinematics.uncertainty.features import PartModel
from kinematics.uncertainty.model_parts import Array
from kinematics.uncertainty.setup_model import SetupModel
from kinematics.uncertainty.setup_trials import SetupTrials
from kinematics.uncertainty.sources import UncertaintySource, draw_sources
from kinematics.validation import as_count

__all__ = [
    "BLOCK_TRIALS",
    "MonteCarloResult",
    "monte_carlo",
    "numerical_tolerance",
    "offset_trials",
    "part_trials",
]

BLOCK_TRIALS = 10_000
"""Trials in a block: JCGM 101:2008, 7.9.4 b, for a coverage of 95 %."""

_MOST_TRIALS = 2_000_000
_LEAST_BLOCKS = 5


class Trials(Protocol):
    """A model of a measurement: so many trials, shape (outputs, trials)."""

    def __call__(self, trials: int, generator: np.random.Generator, /) -> Array:
        """Draw inputs and evaluate the outputs."""


@dataclass(frozen=True, eq=False)
class MonteCarloResult(DeclaredFields):
    """Outputs by Monte Carlo.

    Attributes
    ----------
    mean, u : ndarray, shape (m,)
        Estimates and standard uncertainties.
    low, high : ndarray, shape (m,)
        Ends of the coverage intervals.
    inside : ndarray
        What `inside` was to tell of each block, averaged over all of them; NaN, shape (m,), where nothing was.
    trials : int
    seed : int
    converged : bool
        True where the numerical tolerance was reached, False where the most trials allowed came first.
    tolerance : ndarray, shape (m,)
        The numerical tolerance of each output.
    level : float
    """

    mean: Array
    u: Array
    low: Array
    high: Array
    inside: Array
    trials: int
    seed: int
    converged: bool
    tolerance: Array
    level: float = 0.95

    def agrees(self, expected: ArrayLike, expanded: ArrayLike) -> NDArray[np.bool_]:
        """True where the intervals `expected` -+ `expanded` of a linear propagation are validated (JCGM 101:2008, clause 8), (m,).

        Both ends must lie within the numerical tolerance of those found here. The tolerance is that of the standard
        uncertainty stated to one significant digit: the page rounds to no less.
        """
        centre, width = np.asarray(expected, dtype=np.float64), np.asarray(expanded, dtype=np.float64)
        ends = np.maximum(np.abs(centre - width - self.low), np.abs(centre + width - self.high))
        return np.asarray(ends <= self.tolerance)


@takes_declared()
def numerical_tolerance(u: ArrayLike, digits: int = 1) -> Array:
    """The numerical tolerance of a standard uncertainty stated to so many significant digits (JCGM 101:2008, 7.9.2).

    Examples
    --------
    >>> numerical_tolerance([0.0083, 0.35], 1).tolist(), numerical_tolerance(32.0, 2).tolist()
    ([0.0005, 0.05], 0.5)
    >>> numerical_tolerance(0.35, 0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: digits: expected a whole number, 1 or more, found 0
    """
    as_count(digits, "digits")
    size = np.asarray(u, dtype=np.float64)
    if (size < 0.0).any():
        raise KinematicsError(f"u: expected 0 or more, found {float(size.min()):g}")
    size = np.maximum(size, 1e-300)
    # What rounds up to the next power of ten has one digit fewer behind the point.
    power = np.floor(np.log10(size))
    power = np.where(np.round(size / 10.0 ** (power - digits + 1)) >= 10.0**digits, power + 1.0, power)
    return np.asarray(0.5 * 10.0 ** (power - digits + 1.0))


@takes_declared()
def monte_carlo(
    model: Trials,
    *,
    seed: int = 1,
    level: float = 0.95,
    digits: int = 1,
    trials: int | None = None,
    most: int = _MOST_TRIALS,
    shortest: bool = False,
    inside: Callable[[Array], Array] | None = None,
) -> MonteCarloResult:
    """Propagate distributions through a model, with as many trials as the numerical tolerance asks for.

    Parameters
    ----------
    model : callable
        ``model(trials, generator)`` draws its inputs and returns the outputs, shape (m, trials).
    seed : int
        The same seed gives the same trials.
    level : float
        Coverage probability of the intervals.
    digits : int
        Significant digits of the standard uncertainty that must be sure.
    trials : int, optional
        A fixed number of trials instead, whatever the tolerance; rounded up to whole blocks.
    most : int
        Trials to stop at if the tolerance is not reached before.
    shortest : bool
        The shortest coverage intervals in place of those with equal tails (JCGM 101:2008, 7.7.4).
    inside : callable, optional
        Takes a block's outputs (m, trials) and returns what is to be averaged over the blocks, as the shares within limits.

    Returns
    -------
    MonteCarloResult

    Raises
    ------
    KinematicsError
        When the level is not between 0 and 1 or a count is below 1.

    Examples
    --------
    Two rectangular sources of equal width give a triangle; its standard deviation is known:

    >>> half = 0.010
    >>> def two(trials, generator):
    ...     return generator.uniform(-half, half, (2, trials)).sum(axis=0, keepdims=True)
    >>> found = monte_carlo(two, digits=2)
    >>> found.u.round(4).tolist(), found.converged
    ([0.0082], True)
    >>> monte_carlo(0.04)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: model: expected something to call, found 0.04
    """
    if not 0.0 < level < 1.0:
        raise KinematicsError(f"level: expected between 0 and 1, found {level:g}")
    as_count(digits, "digits")
    wanted = None if trials is None else -(-as_count(trials, "trials") // BLOCK_TRIALS)
    generator = np.random.Generator(np.random.SFC64(as_count(seed, "seed", 0)))
    blocks, count = _Averages(level, shortest=shortest), 0
    share: list[Array] = []
    while True:
        values = np.asarray(model(BLOCK_TRIALS, generator))
        count += 1
        if inside is not None:
            share.append(inside(values))
        blocks.add(values)
        expected = blocks.needed(digits) if wanted is None and count > 1 else wanted or most // BLOCK_TRIALS
        converged = count >= _LEAST_BLOCKS and count >= blocks.needed(digits)
        report_progress("Monte Carlo trials", count / max(expected, _LEAST_BLOCKS))
        done = count >= wanted if wanted is not None else converged or count * BLOCK_TRIALS >= most
        if done:
            break
    mean, u, low_end, high_end = blocks.averages()
    within = np.mean(share, axis=0) if share else np.full(len(mean), np.nan)
    return MonteCarloResult(
        mean,
        u,
        low_end,
        high_end,
        within,
        count * BLOCK_TRIALS,
        seed,
        converged,
        numerical_tolerance(u, digits),
        level,
    )


class _Averages:
    """Averages over blocks of the estimates, standard uncertainties and interval ends."""

    def __init__(self, level: float, *, shortest: bool) -> None:
        self.level, self.shortest = level, shortest
        self.count = 0
        self.total: Array = np.zeros(0)
        self.squares: Array = np.zeros(0)

    def add(self, values: Array) -> None:
        mean = values.mean(axis=-1)
        away = values - mean[:, None]
        u = np.sqrt(np.einsum("ij,ij->i", away, away) / (away.shape[-1] - 1))
        # Sorting is most of the work here, and half as long in single precision: 1e-7 of the spread, no more.
        low, high = self._ends(np.sort(away.astype(np.float32), axis=-1))
        found = np.stack([mean, u, mean + low, mean + high])
        if not self.count:
            self.origin = found
            self.total, self.squares = np.zeros_like(found), np.zeros_like(found)
        self.count += 1
        # Counted from the first block: squares of large estimates would drown their scatter.
        moved = found - self.origin
        self.total += moved
        self.squares += moved**2

    def _ends(self, ordered: Array) -> tuple[Array, Array]:
        trials = ordered.shape[-1]
        within = round(self.level * trials)
        if not self.shortest:
            first = round(0.5 * (trials - within)) - 1
            return ordered[:, first], ordered[:, first + within]
        widths = ordered[:, within:] - ordered[:, : trials - within]
        first = widths.argmin(axis=-1)
        rows = np.arange(len(ordered))
        return ordered[rows, first], ordered[rows, first + within]

    def averages(self) -> Array:
        return np.asarray(self.origin + self.total / self.count)

    def needed(self, digits: int) -> float:
        """Blocks after which the numerical tolerance is reached, going by those so far; at least two."""
        h = self.count
        variance = (self.squares - self.total**2 / h) / (h * (h - 1))
        twice = 2.0 * np.sqrt(np.clip(variance, 0.0, None))
        return h * float(np.square(twice / numerical_tolerance(self.averages()[1], digits)).max(initial=0.0))


@takes_declared()
def offset_trials(model: SetupModel, sources: Sequence[UncertaintySource]) -> Trials:
    """The errors of all offsets, shape (3 O, trials), as a model for `monte_carlo`; nothing in it is linearized.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> trials = offset_trials(part.model, [height])
    >>> drawn = trials(10_000, np.random.default_rng(1))   # X, Y, Z of "top", then of "side"
    >>> drawn.std(axis=1).round(3).tolist()
    [0.0, 0.0, 0.04, 0.0, 0.04, 0.0]
    >>> offset_trials(part.model, ["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    columns = [model.columns(source).tolist() for source in sources]

    def run(trials: int, generator: np.random.Generator) -> Array:
        setup = SetupTrials(model, _drawn(sources, columns, trials, generator))
        found = np.empty((3 * len(model.operations), trials))
        for k in range(len(model.operations)):
            for axis, values in enumerate(setup.offset_error(k)):
                found[3 * k + axis] = values
        return found

    return run


@takes_declared()
def part_trials(part: PartModel, sources: Sequence[UncertaintySource]) -> Trials:
    """The values of all rows of features and seams, shape (K, trials), as a model for `monte_carlo`.

    Examples
    --------
    >>> from kinematics.uncertainty.example_part import example_part
    >>> part, height = example_part()
    >>> trials = part_trials(part, [height])
    >>> trials(10_000, np.random.default_rng(1)).std(axis=1).round(3).tolist()   # "face" and "step"
    [0.04, 0.04]
    >>> part_trials(part, ["post"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    model = part.model
    columns = [model.columns(source).tolist() for source in sources]
    side = model.side_shares(part.point, part.direction, part.normal) * model.cold_scale
    datum = np.where(part.datum_point >= 0, part.datum_point, 0)
    datum_side = model.side_shares(datum, part.direction, part.datum_normal) * model.cold_scale

    def run(trials: int, generator: np.random.Generator) -> Array:
        setup = SetupTrials(model, _drawn(sources, columns, trials, generator))
        found = np.empty((len(part.point), trials))
        at: dict[int, Sequence[Array | float]] = {}

        def along(row: int, point: int, share: float) -> Array | float:
            if point not in at:
                at[point] = setup.deviation(point)
            total: Array | float = 0.0
            for value, weight in zip(at[point], part.direction[row].tolist(), strict=True):
                if weight:
                    total = total + weight * value
            radius = setup.radius_error(model.points[point].operation) if share else 0.0
            return total - share * radius

        for row, (point, held) in enumerate(zip(part.point.tolist(), part.datum_point.tolist(), strict=True)):
            value = along(row, point, float(side[row]))
            found[row] = value if held < 0 else value - along(row, held, float(datum_side[row]))
        return found

    return run


def _drawn(
    sources: Sequence[UncertaintySource],
    columns: Sequence[list[int]],
    trials: int,
    generator: np.random.Generator,
) -> dict[int, Array]:
    values: dict[int, Array] = {}
    for source, place in zip(draw_sources(sources, trials, generator), columns, strict=True):
        values.update(zip(place, source, strict=True))
    return values
