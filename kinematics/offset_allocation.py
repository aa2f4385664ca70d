"""Allocation of the nine work offsets to operations.

RS274/NGC (NISTIR 6556, section 3.5.13) has nine: 1 to 6 are G54 to G59, 7 to 9 are G59.1 to G59.3.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass

import numpy as np

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.operations import PlacedOperation, UnreachableOperation
from kinematics.validation import shown

__all__ = [
    "LoaderAllocation",
    "NestConflict",
    "OffsetAllocation",
    "OffsetConflict",
    "allocate_loaders",
    "assign_work_offsets",
    "work_offset_code",
]

Place = tuple[int, int]
"""An operation in a nest: which nest, and which of its operations, both from 0."""

COUNT = 9
SAME_WITHIN_MM = 1e-6
"""Offsets that differ by no more are one: a nanometre is less than any control stores."""

SAME_WITHIN_DEG = 1e-6
"""The same for the rotaries' values."""


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
class OffsetConflict(DeclaredFields):
    """Two operations that ask for one work offset with different values (indices into the placed ones)."""

    number: int
    first: int
    second: int


@dataclass(frozen=True)
class OffsetAllocation(DeclaredFields):
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

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (a, c), Platter(face_mm=0.0))
    >>> from kinematics import Operation, Setup, place_operations, plane_from_normal
    >>> setup = Setup.from_stack(mill, [])
    >>> asked = [Operation("top", plane=plane_from_normal([0, 0, 1])), Operation("port", plane=plane_from_normal([0, 1, 0]), work_offset=1)]
    >>> assign_work_offsets(place_operations(setup, asked).results).numbers
    (2, 1)
    >>> assign_work_offsets(["top"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: work offsets: expected the results of place_operations, found ['top']
    """
    _check_results(placed)
    for one in placed:
        if one.work_offset is not None:
            work_offset_code(one.work_offset)
    asked = {one.work_offset for one in placed if one.work_offset is not None}
    open_numbers = _open_numbers(asked)
    wanting = sum(one.work_offset is None for one in placed)
    shared = wanting > len(open_numbers)
    if shared and not open_numbers:
        raise KinematicsError(
            f"work offsets: expected at most {COUNT}, found all {COUNT} taken and {wanting} operations without one"
        )
    choices = iter([open_numbers[0]] * wanting if shared else open_numbers)
    numbers = tuple(next(choices) if one.work_offset is None else one.work_offset for one in placed)
    return OffsetAllocation(numbers, shared, _conflicts(placed))


def _open_numbers(asked: Container[int]) -> list[int]:
    """The numbers that nothing asks for."""
    return [number for number in range(1, COUNT + 1) if number not in asked]


def _check_results(placed: object) -> None:
    if not isinstance(placed, Sequence) or not all(
        isinstance(one, (PlacedOperation, UnreachableOperation)) for one in placed
    ):
        raise KinematicsError(
            f"work offsets: expected the results of place_operations, found {shown(placed)}"
        )


def _conflicts(placed: Sequence[PlacedOperation | UnreachableOperation]) -> tuple[OffsetConflict, ...]:
    first_with: dict[int, int] = {}
    conflicts = []
    for i, one in enumerate(placed):
        if one.work_offset is None or isinstance(one, UnreachableOperation):
            continue
        first = first_with.setdefault(one.work_offset, i)
        before = placed[first]
        if isinstance(before, PlacedOperation) and not _alike(one, before):
            conflicts.append(OffsetConflict(one.work_offset, first, i))
    return tuple(conflicts)


def _alike(one: PlacedOperation, other: PlacedOperation) -> bool:
    """True where two operations load the same values, the rotaries' included."""
    apart_mm = np.abs(one.offset_mm - other.offset_mm).max()
    apart_deg = np.abs(one.rotary_offset_deg - other.rotary_offset_deg).max()
    return bool(apart_mm <= SAME_WITHIN_MM and apart_deg <= SAME_WITHIN_DEG)


@dataclass(frozen=True)
class NestConflict(DeclaredFields):
    """Two operations, of one nest or of two, that ask for one work offset with different values."""

    number: int
    first: Place
    second: Place


@dataclass(frozen=True)
class LoaderAllocation(DeclaredFields):
    """Work offset numbers of the operations of several nests, and the loaders that set them.

    Attributes
    ----------
    numbers : tuple of tuple of int
        For each nest, for each of its operations.
    loaders : tuple of tuple of int
        Which loader sets it, from 1, in the same shape. A later loader leaves alone what it does not set.
    count : int
        Number of loaders: 1 where all fit.
    conflicts : tuple of NestConflict
    """

    numbers: tuple[tuple[int, ...], ...]
    loaders: tuple[tuple[int, ...], ...]
    count: int
    conflicts: tuple[NestConflict, ...] = ()


@takes_declared()
def allocate_loaders(
    nests: Sequence[Sequence[PlacedOperation | UnreachableOperation]],
    groups: Sequence[Sequence[Place]],
    *,
    nest_by_nest: bool,
) -> LoaderAllocation:
    """Give every operation of every nest a work offset, and where nine are too few a loader that sets it.

    Where all fit, each keeps its own: the number it asks for, or the lowest that nobody asks for. Otherwise there are
    as few loaders as possible, each for whole groups where it can be; and then as many leading groups as possible keep
    offsets that no later loader sets. A number asked for in several nests with different values is set anew for each
    nest, which the order of work must allow.

    Parameters
    ----------
    nests : sequence of sequence of placed or unreachable operations
    groups : sequence of sequence of (int, int)
        The operations in the order of work, in groups that are loaded together: those of a nest, or of a pose.
    nest_by_nest : bool
        True where the order of work finishes one nest before the next.

    Returns
    -------
    LoaderAllocation

    Raises
    ------
    KinematicsError
        When a number asked for is not 1 to 9, or all nine are asked for and more operations want one.

    Examples
    --------
    >>> allocate_loaders([], [], nest_by_nest=True)
    LoaderAllocation(numbers=(), loaders=(), count=1, conflicts=())
    >>> allocate_loaders([["top"]], [[(0, 0)]], nest_by_nest=True)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: nests: expected a list of lists of PlacedOperation or UnreachableOperation, found [['top']]
    """
    asked: dict[int, list[Place]] = {}
    for n, nest in enumerate(nests):
        _check_results(nest)
        for k, one in enumerate(nest):
            if one.work_offset is not None:
                work_offset_code(one.work_offset)
                asked.setdefault(one.work_offset, []).append((n, k))
    conflicts = _nest_conflicts(nests, asked)
    reused = [one for one in conflicts if one.first[0] != one.second[0]]
    within = tuple(one for one in conflicts if one.first[0] == one.second[0])
    if reused and not nest_by_nest:
        return _numbered(nests, {}, {}, 1, conflicts)
    numbers = {place: number for number, places in asked.items() for place in places}
    wanting = [[place for place in group if place not in numbers] for group in groups]
    if reused:
        return _each_nest_anew(nests, numbers, wanting, within)
    free = _open_numbers(asked)
    loaders = dict.fromkeys(numbers, 1)
    if sum(map(len, wanting)) <= len(free):
        in_file_order = sorted(place for group in wanting for place in group)
        numbers |= dict(zip(in_file_order, free, strict=False))
        return _numbered(nests, numbers, loaders, 1, within)
    _check_free(free, sum(map(len, wanting)))
    pieces = [group[k : k + len(free)] for group in wanting for k in range(0, len(group), len(free))]
    kept, chunks = _fewest_loaders([len(piece) for piece in pieces], len(free))
    lasting = [place for piece in pieces[:kept] for place in piece]
    numbers |= dict(zip(lasting, free, strict=False))
    at = kept
    for loader, size in enumerate(chunks, start=1):
        chunk = [place for piece in pieces[at : at + size] for place in piece]
        numbers |= dict(zip(chunk, free[len(lasting) :], strict=False))
        loaders |= dict.fromkeys(chunk, loader)
        at += size
    return _numbered(nests, numbers, loaders, len(chunks), within)


def _numbered(
    nests: Sequence[Sequence[PlacedOperation | UnreachableOperation]],
    numbers: dict[Place, int],
    loaders: dict[Place, int],
    count: int,
    conflicts: tuple[NestConflict, ...],
) -> LoaderAllocation:
    def rows(values: dict[Place, int]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(values.get((n, k), 1) for k in range(len(nest))) for n, nest in enumerate(nests))

    return LoaderAllocation(rows(numbers), rows(loaders), count, conflicts)


def _check_free(free: Sequence[int], wanting: int) -> None:
    if not free and wanting:
        raise KinematicsError(
            f"work offsets: expected at most {COUNT}, found all {COUNT} taken and {wanting} operations without one"
        )


def _each_nest_anew(
    nests: Sequence[Sequence[PlacedOperation | UnreachableOperation]],
    numbers: dict[Place, int],
    wanting: Sequence[Sequence[Place]],
    conflicts: tuple[NestConflict, ...],
) -> LoaderAllocation:
    """Loaders of each nest's own, since nests ask for the same numbers."""
    loaders: dict[Place, int] = {}
    given: dict[Place, int] = {}
    count = 0
    for n in range(len(nests)):
        asked = {number for (nest, _), number in numbers.items() if nest == n}
        free = _open_numbers(asked)
        mine = [place for group in wanting for place in group if place[0] == n]
        _check_free(free, len(mine))
        loaders |= {place: count + 1 for place in numbers if place[0] == n}
        pieces = [mine[k : k + len(free)] for k in range(0, len(mine), len(free))] if free else []
        for piece in pieces or [[]]:
            count += 1
            given |= dict(zip(piece, free, strict=False))
            loaders |= dict.fromkeys(piece, count)
    return _numbered(nests, numbers | given, loaders, count, conflicts)


def _fewest_loaders(sizes: Sequence[int], free: int) -> tuple[int, list[int]]:
    """Number of leading pieces that keep offsets of their own, and of the others that each loader sets."""
    best: tuple[int, list[int]] | None = None
    for kept in range(len(sizes)):
        room = free - sum(sizes[:kept])
        if room < max(sizes[kept:]):
            continue
        chunks, filled = [0], 0
        for size in sizes[kept:]:
            if filled + size > room:
                chunks.append(0)
                filled = 0
            chunks[-1] += 1
            filled += size
        if best is None or len(chunks) <= len(best[1]):
            best = kept, chunks
    assert best is not None  # no piece is larger than what is free
    return best


def _nest_conflicts(
    nests: Sequence[Sequence[PlacedOperation | UnreachableOperation]], asked: dict[int, list[Place]]
) -> tuple[NestConflict, ...]:
    """Operations that ask for one number with different values: within a nest, and of each nest the first."""
    conflicts = []
    for number, places in asked.items():
        placed = [(place, nests[place[0]][place[1]]) for place in places]
        seen: list[tuple[Place, PlacedOperation]] = []
        for place, one in placed:
            if isinstance(one, UnreachableOperation):
                continue
            mine = [pair for pair in seen if pair[0][0] == place[0]]
            for first, before in (*mine[:1], *(pair for pair in seen[:1] if pair not in mine)):
                if not _alike(one, before):
                    conflicts.append(NestConflict(number, first, place))
                    break
            seen.append((place, one))
    return tuple(conflicts)
