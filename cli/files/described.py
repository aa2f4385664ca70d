"""What the description of a file is made of: tables, kinds with rules of their own, words for the thorough reader.

Every table is described once, in the modules beside this one, and read in two ways: a file that is sound is read by
msgspec, which is quick and stops at the first fault (`tiltwright.files.validate`); for one that is not, pydantic is
loaded, and finds every fault (`tiltwright.files.thorough`). Both go by the same annotations and refuse the same values;
`tests/cli/files/test_two_readers.py` holds them together.
"""

from collections.abc import Callable, Sequence
from typing import Any, ClassVar, Literal, Self, get_args, get_origin

import msgspec

from tiltwright.files.faults import Refused, nearest, one_of

__all__ = ["Before", "Choice", "Kind", "Table", "keys_given", "listed", "read_kind", "words_of"]


class Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a file: numbers are numbers, every key is known, nothing is infinite.

    `schema_rule` is what the JSON Schema says beside the keys.
    """

    schema_rule: ClassVar[dict[str, Any]] = {}


def keys_given(table: Table) -> frozenset[str]:
    """The keys that a file gives of a table, out of those that are None where they are left out.

    In a draft of a file with faults a key that was given may be None as well, since it could not be read.
    """
    told: set[str] | None = getattr(table, "model_fields_set", None)
    if told is not None:
        return frozenset(told)
    return frozenset(key for key in table.__struct_fields__ if getattr(table, key) is not None)


class Kind:
    """A value with rules of its own, beside a plain type: it is only ever made by `read`.

    Attributes
    ----------
    plain : type
        What it is made of, as the readers know it.
    schema : dict or None
        Its JSON Schema, where that of the plain type would not do.
    """

    __slots__ = ()
    plain: ClassVar[Any]
    schema: ClassVar[dict[str, Any] | None] = None

    @classmethod
    def before(cls, value: object) -> object:
        """What stands in the file, made ready to be read as the plain type; or Refused."""
        return value

    @staticmethod
    def after(value: Any) -> Any:  # noqa: ANN401 - the plain type, which each kind narrows
        """The plain type, held against the kind's own rule; or Refused."""
        return value

    @classmethod
    def read(cls, value: object) -> Self:
        """What stands in a file, as this kind; ValueError where it is none."""
        plain = msgspec.convert(cls.before(value), cls.plain, dec_hook=read_kind)
        return cls(cls.after(plain))  # type: ignore[call-arg]  # a kind is made as its plain type is


def read_kind(kind: type, value: object) -> object:
    """What msgspec asks for where a type is not its own."""
    if issubclass(kind, Kind):
        return kind.read(value)
    raise NotImplementedError(f"no way to read a {kind.__name__}")


class Before:
    """Words for the thorough reader: a check that refuses what the type would refuse, but says it better.

    The quick reader knows nothing of it, so that it must never refuse more than the type does.
    """

    def __init__(self, check: Callable[[object], object], schema: dict[str, Any] | None = None) -> None:
        self.check, self.schema = check, schema


class Choice:
    """Words for the thorough reader, beside a Literal: one of those, with the nearest one suggested.

    `suggest` is off where a wrong suggestion would be worse than none (a sense of turning, a sign).
    """

    def __init__(self, *, suggest: bool = True, tip: str = "") -> None:
        self.suggest, self.tip = suggest, tip

    def check(self, value: object, words: Sequence[str]) -> object:
        """The value if it is one of the words; or Refused."""
        if value in words and isinstance(value, str):
            return value
        near = nearest(value, words) if self.suggest and isinstance(value, str) else None
        raise Refused(allowed=one_of(words), tip=f'did you mean "{near}"?' if near else self.tip)


def words_of(annotation: Any) -> tuple[str, ...]:  # noqa: ANN401 - whatever an annotation may be
    """The words of a Literal, also of one that may be left out.

    Examples
    --------
    >>> words_of(Literal["stack", "touched"] | None), words_of(str)
    (('stack', 'touched'), ())
    """
    arguments = get_args(annotation)
    if get_origin(annotation) is Literal:
        return arguments
    return tuple(word for argument in arguments for word in words_of(argument))


def listed(count: int, words: str) -> Before:
    """A list of just so many values, beside a tuple of as many."""

    def check(value: object) -> object:
        if isinstance(value, (list, tuple)) and len(value) == count:
            return value
        # [0,5, 1,2] is four whole numbers to the reader, and two numbers to whoever writes decimal commas.
        commas = (
            isinstance(value, (list, tuple))
            and len(value) == 2 * count
            and all(type(one) is int for one in value)
        )
        raise Refused(allowed=words, tip="a decimal point, no comma: 0.5, not 0,5" if commas else "")

    return Before(check)
