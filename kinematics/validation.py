"""Validation at the library's edge, and values that are frozen all through.

Every public function checks what it is given here: shapes, finite numbers, directions. Whatever cannot be used is
refused with `KinematicsError`, naming what was expected and what was found; no error of numpy's leaves the library.
"""

from __future__ import annotations

import dataclasses
import math
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from numbers import Real
from typing import Any, Generic, TypeGuard, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.errors import KinematicsError

__all__ = [
    "ValueEquality",
    "as_array",
    "as_count",
    "as_flags",
    "as_index",
    "as_instance",
    "as_instances",
    "as_number",
    "as_positive",
    "as_real",
    "as_vector",
    "as_vectors",
    "is_list",
    "normalized",
    "read_only",
    "read_only_map",
]

_FLOAT64 = np.dtype(np.float64)
_LARGEST_FLOAT = sys.float_info.max

_SHORTEST = 1e-9
_LONGEST_SHOWN = 60


def shown(value: object) -> str:
    """A value as a message shows it, cut off where it is long."""
    text = " ".join(repr(value).split())
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def as_array(values: ArrayLike, what: str) -> NDArray[np.float64]:
    """Finite float64 numbers of any shape, or a refusal that names `what`.

    As `as_real`; NaN and infinity are refused too.

    Examples
    --------
    >>> as_array([[1, 2], [3, 4]], "points").shape
    (2, 2)
    >>> as_array([0.0, float("nan")], "points")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: points: expected finite numbers, found NaN or infinity
    """
    array = as_real(values, what)
    if not np.isfinite(array).all():
        raise KinematicsError(f"{what}: expected finite numbers, found NaN or infinity")
    return array


def as_real(values: ArrayLike, what: str) -> NDArray[np.float64]:
    """Float64 numbers of any shape, or a refusal that names `what`.

    Text, None, complex numbers and ragged lists are refused, not converted.

    Examples
    --------
    >>> as_real([[1, 2], [3]], "points")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: points: expected numbers, found [[1, 2], [3]]
    """
    if type(values) is np.ndarray and values.dtype is _FLOAT64:
        return values  # by far the most frequent case
    try:
        found = np.asarray(values)
        array = found.astype(np.float64, copy=False) if _are_real(found) else None
    except (TypeError, ValueError, OverflowError):
        array = None
    if array is None:
        raise KinematicsError(f"{what}: expected numbers, found {shown(values)}")
    return array


def _are_real(array: NDArray[Any]) -> bool:
    """True for real numbers: numpy itself reads "1" as one and drops an imaginary part with a mere warning."""
    kind = array.dtype.kind
    return kind in "fiu" or (kind == "O" and all(isinstance(one, Real) for one in array.flat))


def as_flags(values: ArrayLike, what: str) -> NDArray[np.bool_]:
    """An array of True and False, of any shape; 1 and 0 serve as well.

    Examples
    --------
    >>> as_flags([[True, False], [1, 0]], "which").tolist()
    [[True, False], [True, False]]
    >>> as_flags(["yes", "no"], "which")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: which: expected True or False, found ['yes', 'no']
    """
    try:
        array = np.asarray(values)
    except ValueError:  # a ragged list
        array = np.array(None)
    if array.dtype.kind not in "bui" or not np.isin(array, (0, 1)).all():
        raise KinematicsError(f"{what}: expected True or False, found {shown(values)}")
    return array.astype(np.bool_)


def as_vectors(values: ArrayLike, length: int, what: str) -> NDArray[np.float64]:
    """An array of finite float64 whose last axis has the stated length, or a refusal that names `what`.

    Examples
    --------
    >>> as_vectors([1, 2, 3], 3, "point").tolist()
    [1.0, 2.0, 3.0]
    >>> as_vectors([1, 2], 3, "point")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected a last axis of 3 numbers, found shape (2,)
    """
    array = as_array(values, what)
    if array.ndim == 0 or array.shape[-1] != length:
        raise KinematicsError(f"{what}: expected a last axis of {length} numbers, found shape {array.shape}")
    return array


def as_vector(values: ArrayLike, length: int, what: str) -> NDArray[np.float64]:
    """One vector of the stated length; unlike `as_vectors`, it refuses any leading shape.

    Examples
    --------
    >>> as_vector([[1, 2, 3], [4, 5, 6]], 3, "point")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: point: expected shape (3,), found (2, 3)
    """
    array = as_vectors(values, length, what)
    if array.ndim > 1:
        raise KinematicsError(f"{what}: expected shape ({length},), found {array.shape}")
    return array


def as_number(value: ArrayLike, what: str) -> float:
    """One finite number.

    Examples
    --------
    >>> as_number(3, "up")
    3.0
    >>> as_number("3", "up")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: up: expected a number, found '3'
    """
    if isinstance(value, (float, int)) and not isinstance(value, bool):
        if not -_LARGEST_FLOAT <= value <= _LARGEST_FLOAT:
            raise KinematicsError(f"{what}: expected finite numbers, found NaN or infinity")
        return float(value)
    if isinstance(value, (str, bool, Sequence)) or value is None or np.ndim(value) != 0:
        raise KinematicsError(f"{what}: expected a number, found {shown(value)}")
    return float(as_array(value, what))


def as_positive(value: ArrayLike, what: str) -> float:
    """One finite number above 0.

    Examples
    --------
    >>> as_positive(0.5, "tolerance")
    0.5
    >>> as_positive(0, "tolerance")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: tolerance: expected more than 0, found 0
    """
    number = as_number(value, what)
    if not number > 0.0:
        raise KinematicsError(f"{what}: expected more than 0, found {number:g}")
    return number


def is_list(value: object) -> TypeGuard[Iterable[Any]]:
    """True for what gives its items one by one and is no text: a list, a tuple, an array of one axis or more.

    Examples
    --------
    >>> is_list([1, 2]), is_list("ab"), is_list(np.array(1.0))
    (True, False, False)
    """
    return isinstance(value, Iterable) and not isinstance(value, str) and getattr(value, "ndim", 1) != 0


def as_count(value: object, what: str, least: int = 1) -> int:
    """A whole number of `least` or more.

    Examples
    --------
    >>> as_count("3", "repeat, count")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: repeat, count: expected a whole number, 1 or more, found '3'
    """
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or value < least:
        raise KinematicsError(f"{what}: expected a whole number, {least} or more, found {shown(value)}")
    return int(value)


def as_index(value: int, count: int, what: str) -> int:
    """An index among so many, counted from 0.

    Examples
    --------
    >>> as_index(2, 2, "pivot")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: pivot: expected 0 to 1, found 2
    """
    if not 0 <= value < count:
        raise KinematicsError(f"{what}: expected 0 to {count - 1}, found {value}")
    return value


Kind = TypeVar("Kind")


def as_instance(value: object, kind: type[Kind], what: str) -> Kind:
    """The value, which must be of that class.

    Examples
    --------
    >>> as_instance([0, 0, 1], str, "name")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: name: expected a str, found [0, 0, 1]
    """
    if not isinstance(value, kind):
        article = "an" if kind.__name__[0] in "AEIOU" else "a"
        raise KinematicsError(f"{what}: expected {article} {kind.__name__}, found {shown(value)}")
    return value


def as_instances(values: object, kind: type[Kind], what: str) -> tuple[Kind, ...]:
    """A list of values, which must all be of that class.

    Examples
    --------
    >>> as_instances(["A", 5], str, "letters")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: letters: expected a str, found 5
    """
    if not is_list(values):
        raise KinematicsError(f"{what}: expected a list of {kind.__name__}, found {shown(values)}")
    return tuple(as_instance(one, kind, what) for one in values)


def normalized(direction: ArrayLike, what: str) -> NDArray[np.float64]:
    """Directions scaled to length one, shape (..., 3); one of no length is refused.

    Examples
    --------
    >>> normalized([0.0, 3.0, 4.0], "normal").tolist()
    [0.0, 0.6, 0.8]
    >>> normalized([0.0, 0.0, 0.0], "normal")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: normal: expected a direction, found one of length 0
    """
    vector = as_vectors(direction, 3, what)
    if vector.ndim == 1:
        # One at a time is by far the most frequent, and numpy takes longer to set out than to count.
        x, y, z = vector.tolist()
        length: float | NDArray[np.float64] = math.sqrt(x * x + y * y + z * z)
        least = most = length
    else:
        with np.errstate(over="ignore"):
            lengths = np.linalg.norm(vector, axis=-1, keepdims=True)
        length, least, most = (
            lengths,
            float(lengths.min(initial=np.inf)),
            float(lengths.max(initial=0.0)),
        )
    if not math.isfinite(most):
        raise KinematicsError(f"{what}: expected a direction, found one too long to have a length")
    if least < _SHORTEST:
        raise KinematicsError(f"{what}: expected a direction, found one of length {least:g}")
    return np.asarray(vector / length)


def read_only(array: ArrayLike) -> NDArray[np.float64]:
    """A copy that cannot be written to, so that a frozen value never changes; `KinematicsError` where it holds no numbers."""
    copy = np.array(as_real(array, "frozen array"), dtype=np.float64)
    copy.flags.writeable = False
    return copy


Key = TypeVar("Key")
Item = TypeVar("Item")


class _FrozenMap(Mapping[Key, Item], Generic[Key, Item]):
    """A mapping that cannot be written to and, unlike the library's own proxy, can be copied and pickled."""

    __slots__ = ("_items",)

    def __init__(self, items: Mapping[Key, Item]) -> None:
        self._items = dict(items)

    def __getitem__(self, key: Key) -> Item:
        return self._items[key]

    def __iter__(self) -> Iterator[Key]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __repr__(self) -> str:
        return repr(self._items)


def read_only_map(mapping: Mapping[Key, Item]) -> Mapping[Key, Item]:
    """A copy of a mapping that cannot be written to."""
    return _FrozenMap(mapping)


class ValueEquality:
    """Equality and hash by value for frozen dataclasses, arrays included.

    A plain frozen dataclass can be neither compared nor hashed once a field is an array. Two values with this base are
    equal when they have the same class and every field is equal: arrays by shape and numbers (-0.0 equals 0.0),
    mappings by their items in whatever order. Copies, and what is read back from a pickle, are frozen too. Declare the class ``@dataclass(frozen=True, eq=False)`` and, in
    ``__post_init__``, make its arrays `read_only` and its mappings `read_only_map`. A field declared with
    ``field(compare=False)`` does not count.

    Examples
    --------
    >>> @dataclasses.dataclass(frozen=True, eq=False)
    ... class Point(ValueEquality):
    ...     place_mm: NDArray[np.float64]
    >>> Point(read_only([1.0, 0.0])) == Point(read_only([1.0, -0.0])), len({Point(read_only([1.0, 0.0]))})
    (True, 1)
    >>> Point(read_only([1.0, 0.0])) == Point(read_only([1.0, 2.0]))
    False
    """

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return self is other or _key(self) == _key(other)

    def __hash__(self) -> int:
        return hash((self.__class__.__qualname__, _key(self)))

    def __setstate__(self, state: dict[str, Any]) -> None:
        # A copied or unpickled array can be written to, whatever the original's flags.
        for value in state.values():
            if isinstance(value, np.ndarray):
                value.flags.writeable = False
        vars(self).update(state)


def _key(value: ValueEquality) -> tuple[object, ...]:
    return tuple(_comparable(getattr(value, one.name)) for one in dataclasses.fields(value) if one.compare)  # type: ignore[arg-type]


def _comparable(value: object) -> object:
    """A hashable stand-in that is equal where the values are: an array's shape and bytes."""
    if isinstance(value, np.ndarray):
        positive = value + 0.0 if value.dtype.kind == "f" else value  # -0.0 + 0.0 is 0.0
        return (value.dtype.kind, value.shape, np.ascontiguousarray(positive).tobytes())
    if isinstance(value, Mapping):
        return frozenset((key, _comparable(item)) for key, item in value.items())
    if isinstance(value, tuple):
        return tuple(_comparable(item) for item in value)
    return value


def cross(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """The vector product over any leading shape; `numpy.cross` takes ten times as long on a single pair.

    Examples
    --------
    >>> cross(np.array([1.0, 0.0, 0.0]), np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 2.0]])).tolist()
    [[0.0, 0.0, 1.0], [0.0, -2.0, 0.0]]
    """
    x1, y1, z1 = first[..., 0], first[..., 1], first[..., 2]
    x2, y2, z2 = second[..., 0], second[..., 1], second[..., 2]
    return np.stack([y1 * z2 - z1 * y2, z1 * x2 - x1 * z2, x1 * y2 - y1 * x2], axis=-1)
