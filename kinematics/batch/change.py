"""Changes in a series of readings (a jump, a drift along the parts or with the temperature), and nests that sit apart.

Each is one further parameter beside the mean, found by least squares and judged by an F test; a jump may lie before any
part, so its probability is multiplied by the number of places tried (Bonferroni).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import as_array, as_number

__all__ = ["Change", "ChangeFit", "ChangeKind", "GroupShift", "find_change", "group_shifts"]

FEWEST = 8
"""Readings below which jump and drift are not told apart: each model has three unknowns with its scatter."""

SIGNIFICANT = 0.0027
"""Probability by chance at which a change is called one: that of a point beyond three standard deviations."""

_TELLING = 6.0
"""Difference in Bayes information criterion that counts as strong evidence (R. E. Kass, A. E. Raftery, "Bayes factors",
Journal of the American Statistical Association 90, 1995, section 3.2; from memory)."""


class ChangeKind(Enum):
    """Forms of a change."""

    JUMP = "jump"
    DRIFT = "drift"
    TEMPERATURE = "temperature"


@dataclass(frozen=True)
class ChangeFit(DeclaredFields):
    """One form of change, fitted to the readings.

    Attributes
    ----------
    kind : ChangeKind
    amount, u : float
        Jump: the step. Drift: from one part to the next. Temperature: for each kelvin. With its standard uncertainty.
    index : int or None
        First reading after a jump.
    probability : float
        Probability of a change as large by chance, 0 to 1.
    bic : float
        Bayes information criterion: the lower, the better it explains.
    """

    kind: ChangeKind
    amount: float
    u: float
    index: int | None
    probability: float
    bic: float


@dataclass(frozen=True)
class Change(DeclaredFields):
    """Result of the search for a change.

    Attributes
    ----------
    fits : tuple of ChangeFit
        Every form tried, the best explanation first.
    significant : bool
        True where the best one is.
    """

    fits: tuple[ChangeFit, ...]
    significant: bool

    @property
    def best(self) -> ChangeFit | None:
        """The best explanation, where it is significant."""
        return self.fits[0] if self.significant else None

    @property
    def rivals(self) -> tuple[ChangeFit, ...]:
        """Other forms that explain the readings nearly as well: they cannot be told apart by these."""
        if not self.significant:
            return ()
        return tuple(one for one in self.fits[1:] if one.bic - self.fits[0].bic < _TELLING)


@takes_declared()
def find_change(
    values: ArrayLike, temperature_c: ArrayLike | None = None, *, significant: float = SIGNIFICANT
) -> Change:
    """Look for one change in readings that are in the order of the parts.

    Parameters
    ----------
    values : array_like, shape (n,)
    temperature_c : array_like, shape (n,), optional
        Degrees Celsius at each reading; NaN where it was not logged.
    significant : float
        Probability by chance below which a change is called one.

    Returns
    -------
    Change
        Without any form where there are fewer than 8 readings, or all are equal.

    Raises
    ------
    KinematicsError
        When the shapes differ, a reading is not finite, or `significant` is not between 0 and 1.

    Examples
    --------
    >>> found = find_change([0.0, 1.0, -1.0, 0.0, 1.0, 20.0, 21.0, 19.0, 20.0, 21.0])
    >>> found.best.kind.value, found.best.index, round(found.best.amount, 3)
    ('jump', 5, 20.0)
    >>> find_change([0.0, 1.0], [20.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: change, temperature: expected shape (2,), found (1,)
    """
    readings = as_array(values, "change, readings")
    if readings.ndim != 1:
        raise KinematicsError(f"change, readings: expected shape (n,), found {readings.shape}")
    level = as_number(significant, "change, significant")
    if not 0.0 < level < 1.0:
        raise KinematicsError(f"change, significant: expected more than 0 and less than 1, found {level:g}")
    warm = None if temperature_c is None else _temperatures(temperature_c, readings.size)
    y = readings - readings.mean() if readings.size else readings
    if readings.size < FEWEST or not np.ptp(readings):
        return Change((), significant=False)
    fits = [_jump(y), _slope(y, np.arange(y.size, dtype=float), ChangeKind.DRIFT)]
    if warm is not None and np.isfinite(warm).all() and np.ptp(warm) > 0.0:
        fits.append(_slope(y, warm, ChangeKind.TEMPERATURE))
    fits.sort(key=lambda one: one.bic)
    # The forms are tried together, so each has its share of the probability.
    return Change(tuple(fits), significant=fits[0].probability * len(fits) < level)


def _temperatures(values: ArrayLike, count: int) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (count,):
        raise KinematicsError(f"change, temperature: expected shape ({count},), found {array.shape}")
    if np.isinf(array).any():
        raise KinematicsError("change, temperature: expected finite numbers or NaN, found infinity")
    return array


def _jump(y: NDArray[np.float64]) -> ChangeFit:
    n = y.size
    before = np.arange(1, n)
    summed = np.cumsum(y)[:-1]
    # y sums to zero: the two means are summed/before and -summed/(n - before).
    gain = summed**2 * n / (before * (n - before))
    at = int(np.argmax(gain))
    count = int(before[at])
    amount = -float(summed[at]) * n / (count * (n - count))
    # Two unknowns, and the place, which counts as one more.
    return _judged(ChangeKind.JUMP, y, amount, n / (count * (n - count)), float(gain[at]), count, n - 1, 3)


def _slope(y: NDArray[np.float64], x: NDArray[np.float64], kind: ChangeKind) -> ChangeFit:
    away = x - x.mean()
    square = float(away @ away)
    amount = float(away @ y) / square
    return _judged(kind, y, amount, 1.0 / square, amount**2 * square, None, 1, 2)


def _judged(
    kind: ChangeKind,
    y: NDArray[np.float64],
    amount: float,
    variance_factor: float,
    gain: float,
    index: int | None,
    tried: int,
    unknowns: int,
) -> ChangeFit:
    from scipy.stats import f as f_distribution  # slow to import: only where readings are judged

    n = y.size
    total = float(y @ y)
    # What no arithmetic can tell from a perfect fit.
    left = max(total - gain, np.finfo(float).eps * total)
    dof = n - 2
    by_chance = float(f_distribution.sf(gain / (left / dof), 1, dof))
    return ChangeFit(
        kind,
        amount,
        float(np.sqrt(variance_factor * left / dof)),
        index,
        min(1.0, by_chance * tried),
        float(n * np.log(left / n) + unknowns * np.log(n)),
    )


@dataclass(frozen=True)
class GroupShift(DeclaredFields):
    """One group's mean against that of all the others.

    Attributes
    ----------
    group : str
    shift, u : float
        Mean of the group less the mean of the other groups' means, with its standard uncertainty.
    probability : float
        Probability of a shift as large by chance, the number of groups allowed for.
    count : int
    """

    group: str
    shift: float
    u: float
    probability: float
    count: int


@takes_declared()
def group_shifts(values: ArrayLike, groups: Sequence[str]) -> tuple[GroupShift, ...]:
    """Shift of each group against the others, from readings of which each belongs to one group.

    The scatter is the one inside the groups, pooled.

    Parameters
    ----------
    values : array_like, shape (n,)
    groups : sequence of str, length n

    Returns
    -------
    tuple of GroupShift
        The least probable by chance first; empty with fewer than two groups or without two readings in any.

    Raises
    ------
    KinematicsError
        When the numbers of readings and groups differ.

    Examples
    --------
    >>> found = group_shifts([0.0, -0.03, 0.002, -0.028, -0.002, -0.032], ["left", "right"] * 3)
    >>> found[0].group, round(found[0].shift, 3), found[0].probability < 0.001
    ('left', 0.03, True)
    >>> group_shifts([0.0], ["left", "right"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: groups: expected one for each of 1 readings, found 2
    """
    from scipy.stats import t as t_distribution  # slow to import: only where readings are judged

    readings = as_array(values, "groups, readings")
    if readings.ndim != 1:
        raise KinematicsError(f"groups, readings: expected shape (n,), found {readings.shape}")
    if len(groups) != readings.size:
        raise KinematicsError(
            f"groups: expected one for each of {readings.size} readings, found {len(groups)}"
        )
    names, member, count = np.unique(
        np.asarray(groups, dtype=object), return_inverse=True, return_counts=True
    )
    dof = readings.size - names.size
    if names.size < 2 or dof < 1:
        return ()
    mean = np.bincount(member, readings) / count
    pooled = float(((readings - mean[member]) ** 2).sum()) / dof
    found = []
    for i, name in enumerate(names):
        others = np.arange(names.size) != i
        shift = float(mean[i] - mean[others].mean())
        spread = 1.0 / count[i] + (1.0 / count[others]).sum() / (names.size - 1) ** 2
        u = float(np.sqrt(pooled * spread))
        by_chance = float(2.0 * t_distribution.sf(abs(shift) / u, dof)) if u > 0.0 else float(shift == 0.0)
        # Two groups have one difference between them, however it is written.
        tried = 1 if names.size == 2 else names.size
        found.append(GroupShift(str(name), shift, u, min(1.0, by_chance * tried), int(count[i])))
    return tuple(sorted(found, key=lambda one: one.probability))
