"""Sizes to cut before a coating: how much of it grows outward from the face as cut, on one face or on two."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import as_array, as_number

__all__ = ["CoatedKind", "size_before_coating"]

CoatedKind = Literal["inside", "outside", "one face", "no"]

_FACES = {"inside": 2.0, "outside": -2.0, "one face": -1.0, "no": 0.0}
"""Outward growths that are added to a size when it is cut: a bore is cut larger, a boss smaller."""


@takes_declared()
def size_before_coating(
    size_mm: ArrayLike, thickness_mm: float, outward: float, coated: CoatedKind
) -> NDArray[np.float64]:
    """Size to cut, so that it is the drawing's after the coating.

    Parameters
    ----------
    size_mm : array_like, shape (...)
        Size after the coating.
    thickness_mm : float
        Of the whole coating, 0 or more.
    outward : float
        Share of it that grows outward from the face as cut, 0 to 1; the rest grows into the metal.
    coated : {"inside", "outside", "one face", "no"}
        Bore or slot, whose two faces grow toward each other; boss or width, whose two faces grow apart; an outside size of
        which one face is bare; a masked one.

    Returns
    -------
    ndarray, shape (...)
        Millimetres.

    Raises
    ------
    KinematicsError
        When a value is out of its range, or nothing is left to cut.

    Examples
    --------
    >>> float(size_before_coating(12.0, 0.012, 0.5, "inside").round(6)), float(size_before_coating(12.0, 0.012, 0.5, "outside"))
    (12.012, 11.988)
    >>> size_before_coating(0.02, 0.012, 1.0, "outside")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: coating, size: expected more than the 0.024 that grow outward, found 0.02
    """
    size = as_array(size_mm, "coating, size")
    thickness, share = as_number(thickness_mm, "coating, thickness"), as_number(outward, "coating, outward")
    if thickness < 0.0 or not 0.0 <= share <= 1.0:
        raise KinematicsError(
            f"coating: expected a thickness of 0 or more and a share from 0 to 1, found {thickness:g} and {share:g}"
        )
    grown = thickness * share * _FACES[coated]
    cut = size + grown
    if (cut <= 0.0).any() or (size <= 0.0).any():
        least = max(-grown, 0.0)
        raise KinematicsError(
            f"coating, size: expected more than the {least:g} that grow outward, found {float(size.min()):g}"
        )
    return np.asarray(cut)
