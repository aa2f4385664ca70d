"""Allocation of the nine work offsets to operations.

RS274/NGC (NISTIR 6556, section 3.5.13) has nine: 1 to 6 are G54 to G59, 7 to 9 are G59.1 to G59.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.operations import PlacedOperation, UnreachableOperation
from kinematics.validation import shown

__all__ = ["OffsetAllocation", "OffsetConflict", "assign_work_offsets", "work_offset_code"]

COUNT = 9
SAME_WITHIN_MM = 1e-6
"""Offsets that differ by no more are one: a nanometre is less than any control stores."""


def work_offset_code(number: int) -> str:
    """The word that selects a work offset.

    Examples
    --------
    >>> work_offset_code(1), work_offset_code(9)
    ('G54', 'G59.3')
    >>> work_offset_code(10)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: work offset: expected 1 to 9, found 10
    """
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= COUNT:
        raise KinematicsError(f"work offset: expected 1 to {COUNT}, found {number!r}")
    return f"G{53 + number}" if number <= 6 else f"G59.{number - 6}"


@dataclass(frozen=True)
class OffsetConflict:
    """Two operations that ask for one work offset with different values (indices into the placed ones)."""

    number: int
    first: int
    second: int


@dataclass(frozen=True)
class OffsetAllocation:
    """Allocated work offset numbers, in the order of the operations.

    Attributes
    ----------
    numbers : tuple of int
    shared : bool
        True where there are more operations than work offsets: the ones that named no number share one, which
        must be set again before each of them.
    conflicts : tuple of OffsetConflict
    """

    numbers: tuple[int, ...]
    shared: bool
    conflicts: tuple[OffsetConflict, ...]


def assign_work_offsets(placed: Sequence[PlacedOperation | UnreachableOperation]) -> OffsetAllocation:
    """Give every operation a work offset: the number it asks for, or the lowest that nobody asks for.

    One that cannot be reached keeps its number too, so that the others' do not change when it can.

    Raises
    ------
    KinematicsError
        When a number asked for is not 1 to 9, or all nine are asked for and more operations want one.
    """
    if not isinstance(placed, Sequence) or not all(
        isinstance(one, (PlacedOperation, UnreachableOperation)) for one in placed
    ):
        raise KinematicsError(
            f"work offsets: expected the results of place_operations, found {shown(placed)}"
        )
    for one in placed:
        if one.work_offset is not None:
            work_offset_code(one.work_offset)
    asked = {one.work_offset for one in placed if one.work_offset is not None}
    open_numbers = [number for number in range(1, COUNT + 1) if number not in asked]
    wanting = sum(one.work_offset is None for one in placed)
    shared = wanting > len(open_numbers)
    if shared and not open_numbers:
        raise KinematicsError(
            f"work offsets: expected at most {COUNT}, found all {COUNT} taken and {wanting} operations without one"
        )
    choices = iter([open_numbers[0]] * wanting if shared else open_numbers)
    numbers = tuple(next(choices) if one.work_offset is None else one.work_offset for one in placed)
    return OffsetAllocation(numbers, shared, _conflicts(placed))


def _conflicts(placed: Sequence[PlacedOperation | UnreachableOperation]) -> tuple[OffsetConflict, ...]:
    first_with: dict[int, int] = {}
    conflicts = []
    for i, one in enumerate(placed):
        if one.work_offset is None or isinstance(one, UnreachableOperation):
            continue
        first = first_with.setdefault(one.work_offset, i)
        before = placed[first]
        if (
            isinstance(before, PlacedOperation)
            and np.abs(one.offset_mm - before.offset_mm).max() > SAME_WITHIN_MM
        ):
            conflicts.append(OffsetConflict(one.work_offset, first, i))
    return tuple(conflicts)
