"""Declared types: the annotations of a function or a frozen value, held against what it is given.

The annotations are the only list of them there is. `takes_declared` refuses an argument that is something else than its
annotation says, `DeclaredFields` a field; both raise `KinematicsError` with the name, what was expected and what was
found. Neither converts anything; what a type does not say (a size above zero, a level below 1) is checked where it is used.

Our own, since every command loads it: the libraries that do the same (beartype, typeguard) each take as long to load as numpy.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
import math
import types
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from numbers import Integral, Real
from typing import Any, Literal, NamedTuple, ParamSpec, TypeVar

import numpy as np

from kinematics.errors import KinematicsError
from kinematics.validation import as_real, is_list, shown

__all__ = ["DeclaredFields", "takes_declared"]

Arguments = ParamSpec("Arguments")
Returned = TypeVar("Returned")

Check = Callable[[Any], bool]
"""True for a value of the declared type."""

_UNITS = {"mm", "deg", "kg", "n", "nm", "gpa", "mpa", "arcsec", "c", "m3", "mm3"}
"""Last words of a name that a message leaves out."""


class _Declared(NamedTuple):
    """A declared argument or field: classes whose values need no further look, the check, and both in words."""

    plain: frozenset[type]
    check: Check
    expected: str
    name: str
    finite: bool


def takes_declared(
    infinite: tuple[str, ...] = (), unread: tuple[str, ...] = ()
) -> Callable[[Callable[Arguments, Returned]], Callable[Arguments, Returned]]:
    """Decorate a function so that it refuses arguments that are not what their annotations say.

    Numbers must be finite. Of an `Iterable`, which can perhaps be read once only, the items are left to the function.

    Parameters
    ----------
    infinite : tuple of str
        Arguments that may be infinite.
    unread : tuple of str
        Arguments that the function checks itself.

    Examples
    --------
    >>> @takes_declared(infinite=("dof",))
    ... def factor(level: float, dof: float, letters: Sequence[str] = ()) -> float:
    ...     return level
    >>> factor(0.95, np.inf)
    0.95
    >>> factor("0.95", 10.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: level: expected a number, found '0.95'
    >>> factor(0.95, 10.0, letters=["A", 2])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: letters: expected a list of text, found ['A', 2]
    """

    def decorated(function: Callable[Arguments, Returned]) -> Callable[Arguments, Returned]:
        @functools.wraps(function)
        def checked(*given: Arguments.args, **named: Arguments.kwargs) -> Returned:
            declared = _of_function(function, infinite, unread)
            for one, value in zip(declared.values(), given, strict=False):
                _refuse_another(one, value)
            for name, value in named.items():
                if name in declared:
                    _refuse_another(declared[name], value)
            return function(*given, **named)

        return checked

    return decorated


class DeclaredFields:
    """Base of a frozen dataclass whose fields must hold what they are declared to hold.

    Numbers may be infinite, but not NaN; arrays may hold both. Where the class has a ``__post_init__`` of its own, it
    calls this one last.

    Examples
    --------
    >>> @dataclasses.dataclass(frozen=True)
    ... class Gap(DeclaredFields):
    ...     body: str
    ...     gap_mm: float | None
    >>> Gap("post", None).gap_mm is None
    True
    >>> Gap("post", "2.5")
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: Gap, gap: expected a number or None, found '2.5'
    """

    __slots__ = ()

    def __post_init__(self) -> None:
        of_class: type = type(self)
        for name, one in _of_class(of_class).items():
            _refuse_another(one, getattr(self, name))


def _refuse_another(declared: _Declared, value: object) -> None:
    if type(value) in declared.plain or declared.check(value):
        return
    if declared.expected.startswith(("a number", "numbers")) and _is_real(value):
        words = "finite numbers, found NaN or infinity" if declared.finite else "numbers, found NaN"
        raise KinematicsError(f"{declared.name}: expected {words}")
    raise KinematicsError(f"{declared.name}: expected {declared.expected}, found {shown(value)}")


@functools.cache
def _of_function(
    function: Callable[..., Any], infinite: tuple[str, ...], unread: tuple[str, ...]
) -> dict[str, _Declared]:
    """Declared arguments by name, in order."""
    hints = typing.get_type_hints(function)
    return {
        name: _declared(
            object if name in unread else hints[name], _in_words(name), _argument(name in infinite)
        )
        for name in inspect.signature(function).parameters
    }


@functools.cache
def _of_class(kind: type) -> dict[str, _Declared]:
    """Declared fields by name, in order."""
    hints = typing.get_type_hints(kind)
    names = [one.name for one in dataclasses.fields(kind)]
    return {name: _declared(hints[name], f"{kind.__name__}, {_in_words(name)}", _FIELD) for name in names}


def _in_words(name: str) -> str:
    """A name as a message shows it: without its unit.

    Examples
    --------
    >>> _in_words("up_to_mm"), _in_words("density_kg_m3"), _in_words("n")
    ('up to', 'density', 'n')
    """
    words = name.split("_")
    while len(words) > 1 and words[-1] in _UNITS:
        words.pop()
    return " ".join(words)


class _Reading(NamedTuple):
    """Ways to check numbers and arrays of them: of an argument, or of a field, which holds what was converted."""

    number: Check
    array: Callable[[str], Check]
    finite: bool


def _argument(infinite: bool) -> _Reading:  # noqa: FBT001 - the caller's own answer
    if infinite:
        return _Reading(_is_number, lambda _: _is_numbers, finite=False)
    return _Reading(_is_finite, lambda kind: _is_finite_numbers if kind == "f" else _holds(kind), finite=True)


def _is_number(value: object) -> bool:
    """True for a real number that is not NaN."""
    if isinstance(value, float):
        return not math.isnan(value)
    return _is_single(value) and _is_numbers(value)


def _is_finite(value: object) -> bool:
    """True for a finite real number."""
    if isinstance(value, float):
        return math.isfinite(value)
    return _is_single(value) and _is_finite_numbers(value)


def _is_single(value: object) -> bool:
    return isinstance(value, Real) or (isinstance(value, np.ndarray) and value.ndim == 0)


def _is_real(value: Any) -> bool:  # noqa: ANN401 - that is the question
    """True for what numpy reads as real numbers."""
    try:
        as_real(value, "")
    except KinematicsError:
        return False
    return True


def _is_numbers(value: Any) -> bool:  # noqa: ANN401 - that is the question
    """True for what numpy reads as real numbers, none of them NaN."""
    return _is_real(value) and not np.isnan(as_real(value, "")).any()


def _is_finite_numbers(value: Any) -> bool:  # noqa: ANN401 - that is the question
    """True for what numpy reads as finite real numbers."""
    return _is_real(value) and bool(np.isfinite(as_real(value, "")).all())


def _is_whole(value: object) -> bool:
    return isinstance(value, Integral) and not isinstance(value, bool)


def _is_flag(value: object) -> bool:
    return isinstance(value, (bool, np.bool_))


def _holds(kinds: str) -> Check:
    """A check for an array of one of numpy's kinds of numbers."""
    return lambda value: isinstance(value, np.ndarray) and value.dtype.kind in kinds


_FIELD = _Reading(_is_number, _holds, finite=False)


def _declared(hint: Any, name: str, reading: _Reading) -> _Declared:  # noqa: ANN401 - any annotation
    """A declared type, ready to be held against values."""
    inner = typing.get_args(hint) if _is_union(hint) else (hint,)
    plain = {one for one in inner if one is types.NoneType or (one is str and not _is_array(hint))}
    return _Declared(frozenset(plain), _check_of(hint, reading), _words_of(hint), name, reading.finite)


def _is_union(hint: Any) -> bool:  # noqa: ANN401 - any annotation
    return typing.get_origin(hint) in (typing.Union, types.UnionType)


def _may_be_none(hint: Any) -> bool:  # noqa: ANN401 - any annotation
    return _is_union(hint) and types.NoneType in typing.get_args(hint)


def _but_none(hint: Any) -> Any:  # noqa: ANN401 - any annotation
    """The other types of a union with None."""
    return typing.Union[tuple(one for one in typing.get_args(hint) if one is not types.NoneType)]  # noqa: UP007 - made at run time


def _is_array(hint: Any) -> bool:  # noqa: ANN401 - any annotation
    """True for an array's type, and for numpy's `ArrayLike`: a union of protocols."""
    if _is_union(hint):
        return any("_SupportsArray" in str(one) for one in typing.get_args(hint))
    return typing.get_origin(hint) is np.ndarray


def _kind(hint: Any) -> str:  # noqa: ANN401 - any annotation
    """Numpy's kinds of the numbers of an array type."""
    inner = typing.get_args(hint)
    number = typing.get_args(inner[1])[:1] if typing.get_origin(hint) is np.ndarray else ()
    kind = np.dtype(number[0]).kind if number and inspect.isclass(number[0]) else "f"
    return "iu" if kind == "i" else kind


def _items(hint: Any) -> tuple[type | None, Any]:  # noqa: ANN401 - any annotation
    """The class of a declared collection and the type of its items; None for a tuple of stated length."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if not inspect.isclass(origin) or not inner or not issubclass(origin, Iterable):
        return None, None
    if origin is tuple and inner[-1] is not Ellipsis:
        return None, None
    return origin, inner[0]


def _check_of(hint: Any, reading: _Reading) -> Check:  # noqa: ANN401, C901, PLR0911 - a line for each kind of annotation
    if _may_be_none(hint):
        check = _check_of(_but_none(hint), reading)
        return lambda value: value is None or check(value)
    if _is_array(hint):
        return reading.array(_kind(hint))
    if hint is float:
        return reading.number
    if hint in (int, bool):
        return _is_whole if hint is int else _is_flag
    inner, (collection, item) = typing.get_args(hint), _items(hint)
    if typing.get_origin(hint) is Literal:
        return lambda value: isinstance(value, str) and value in inner
    if _is_union(hint):
        either = [_check_of(one, reading) for one in inner]
        return lambda value: any(check(value) for check in either)
    if typing.get_origin(hint) is tuple and collection is None:
        return _each([_check_of(one, reading) for one in inner])
    if collection is not None and issubclass(collection, Mapping):
        key, of_key = _check_of(inner[0], reading), _check_of(inner[1], reading)
        return lambda value: (
            isinstance(value, Mapping) and all(key(k) and of_key(v) for k, v in value.items())
        )
    if collection is not None and issubclass(collection, (Sequence, AbstractSet)):
        one = _check_of(item, reading)
        return lambda value: is_list(value) and not isinstance(value, Mapping) and all(map(one, value))
    if collection is not None:
        return is_list
    if inspect.isclass(hint) and not getattr(hint, "_is_protocol", False):
        return lambda value: isinstance(value, hint)
    return lambda value: hint is Any or callable(value)


def _each(checks: Sequence[Check]) -> Check:
    """A check for as many values, each by a check of its own."""
    return lambda value: (
        is_list(value)
        and len(items := list(value)) == len(checks)
        and all(check(item) for check, item in zip(checks, items, strict=True))
    )


def _words_of(hint: Any) -> str:  # noqa: ANN401, PLR0911 - a line for each kind of annotation
    """A declared type as a message names it."""
    plain = {float: "a number", int: "a whole number", str: "text", bool: "True or False"}
    if hint in plain:
        return plain[hint]
    if _may_be_none(hint):
        return f"{_words_of(_but_none(hint))} or None"
    if _is_array(hint):
        kinds = {"iu": "an array of whole numbers", "b": "an array of True and False"}
        return kinds.get(_kind(hint), "numbers")
    inner, (collection, item) = typing.get_args(hint), _items(hint)
    if typing.get_origin(hint) is Literal:
        several = len(inner) > 2
        return ("one of " if several else "") + (", " if several else " or ").join(
            f'"{one}"' for one in inner
        )
    if _is_union(hint):
        return _either(_words_of(one) for one in inner)
    if typing.get_origin(hint) is tuple and collection is None:
        return f"{len(inner)} values ({'; '.join(dict.fromkeys(_words_of(one) for one in inner))})"
    if collection is not None and issubclass(collection, Mapping):
        return f"a mapping of {_words_of(inner[0])} to {_words_of(inner[1])}"
    if collection is not None:
        return f"a list of {_several(item)}"
    if inspect.isclass(hint) and not getattr(hint, "_is_protocol", False):
        return f"{'an' if hint.__name__[0] in 'AEIOU' else 'a'} {hint.__name__}"
    return "something to call"


def _several(hint: Any) -> str:  # noqa: ANN401 - any annotation
    """A declared type of a list's items as a message names it."""
    item = _items(hint)[1]
    if item is not None:
        return f"lists of {_several(item)}"
    if typing.get_origin(hint) is tuple and len(typing.get_args(hint)) == 2:
        return _words_of(hint).replace("2 values", "pairs")
    if _is_union(hint) and not _is_array(hint):
        return _either(_several(one) for one in typing.get_args(hint))
    plain = {float: "numbers", int: "whole numbers", str: "text"}
    return plain.get(hint) or (hint.__name__ if inspect.isclass(hint) else _words_of(hint))


def _either(words: Iterable[str]) -> str:
    """Each word once, the last with an "or".

    Examples
    --------
    >>> _either(["a Frustum", "a Box", "a Box", "a Mesh"])
    'a Frustum, a Box or a Mesh'
    """
    *before, last = dict.fromkeys(words)
    return f"{', '.join(before)} or {last}" if before else last
