"""Nests that sit apart from the others: a chip under one, or a locator worn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kinematics.errors import KinematicsError
from kinematics.validation import as_array, shown

__all__ = ["GroupShift", "group_shifts"]


@dataclass(frozen=True)
class GroupShift:
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
    if isinstance(groups, str) or not all(isinstance(one, str) for one in groups):
        raise KinematicsError(f"groups: expected a list of names, found {shown(groups)}")
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
