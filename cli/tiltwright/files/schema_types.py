"""Types of the file schema: tables, field types with rules of their own, and validators with better messages.

Every table is described once, in the modules beside this one, and read in two ways: msgspec reads a sound file
quickly, and stops at the first fault (`tiltwright.files.decoding`); for a faulty file pydantic is loaded, and finds
every fault (`tiltwright.files.full_validation`). Both go by the same annotations and refuse the same values, which
`tests/cli/files/test_two_readers.py` checks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Annotated, Any, ClassVar, Literal, Self, TypeVar, get_args, get_origin

import msgspec
from msgspec import Meta

from tiltwright.files.diagnostics import InvalidValue, invisible_character, nearest, one_of, sanitized, shown
from tiltwright.files.units import ANGLE_PATTERN, Unit, parse_angle

__all__ = [
    "LONGEST_NAME",
    "NAME_SCHEMA",
    "SMALLEST_LENGTH",
    "Angle",
    "Angles",
    "AxisTurns",
    "Choice",
    "Coordinate",
    "Direction",
    "FieldType",
    "FileTable",
    "Letter",
    "Limits",
    "Name",
    "Pair",
    "Point",
    "PositiveLength",
    "PreValidator",
    "TextLine",
    "ThreePoints",
    "TravelEnds",
    "UnitName",
    "WordMap",
    "decode_field",
    "keys_given",
    "listed",
    "printable_words",
    "table_fields",
    "words_of",
]


class FileTable(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of a file: numbers are numbers, every key is known, nothing is infinite.

    Attributes
    ----------
    schema_rule : dict
        JSON Schema of the rules between its keys.
    former_keys : dict
        Of a whole file's table: the path of each key's former name, still read for one version, and the name today.
    keys_last : bool
        True for a table whose keys other tables have too: they come after the keys of such a table's own.
    """

    schema_rule: ClassVar[dict[str, Any]] = {}
    former_keys: ClassVar[dict[tuple[str, ...], str]] = {}
    keys_last: ClassVar[bool] = False


def table_fields(table: type[FileTable]) -> list[msgspec.structs.FieldInfo]:
    """The fields of a table in the order in which its keys are listed: what `keys_last` marks in a base comes last."""
    bases = [base for base in table.__mro__ if issubclass(base, FileTable) and vars(base).get("keys_last")]
    last = {key for base in bases for key in base.__struct_fields__}
    return sorted(msgspec.structs.fields(table), key=lambda field: field.name in last)


def keys_given(table: FileTable) -> frozenset[str]:
    """The optional keys that a file gives of a table.

    In a partial table, of a file with faults, a given key may be None as well: it could not be read.
    """
    given: set[str] | None = getattr(table, "model_fields_set", None)
    if given is not None:
        return frozenset(given)
    return frozenset(key for key in table.__struct_fields__ if getattr(table, key) is not None)


class FieldType:
    """A plain type with rules of its own; values are made by `read` only.

    Attributes
    ----------
    plain : type
        The type that both readers know.
    schema : dict or None
        Its JSON Schema, where that of the plain type does not fit.
    """

    __slots__ = ()
    plain: ClassVar[Any]
    schema: ClassVar[dict[str, Any] | None] = None

    @classmethod
    def before(cls, value: object) -> object:
        """Convert the file's value to one that can be read as the plain type, or raise `InvalidValue`."""
        return value

    @staticmethod
    def after(value: Any) -> Any:  # noqa: ANN401 - the plain type, which each field type narrows
        """Check the field type's own rule, or raise `InvalidValue`."""
        return value

    @classmethod
    def read(cls, value: object) -> Self:
        """Read a file's value, or raise ValueError."""
        plain = msgspec.convert(cls.before(value), cls.plain, dec_hook=decode_field)
        return cls(cls.after(plain))  # type: ignore[call-arg]  # made as its plain type is


def decode_field(kind: type, value: object) -> object:
    """Decode a field type: msgspec's `dec_hook`."""
    if issubclass(kind, FieldType):
        return kind.read(value)
    raise NotImplementedError(f"no way to read a {kind.__name__}")


class PreValidator:
    """A check for the thorough reader that refuses what the type would refuse, with a better message.

    The quick reader ignores it, so it must never refuse more than the type does.
    """

    def __init__(self, check: Callable[[object], object], schema: dict[str, Any] | None = None) -> None:
        self.check, self.schema = check, schema


class Choice:
    """A check for the thorough reader beside a Literal, which suggests the nearest of its words.

    `suggest` is off where a wrong suggestion would be worse than none (a sense of rotation, a sign).
    """

    def __init__(self, *, suggest: bool = True, tip: str = "") -> None:
        self.suggest, self.tip = suggest, tip

    def check(self, value: object, words: Sequence[str]) -> object:
        """Return the value if it is one of the words, or raise `InvalidValue`."""
        if value in words and isinstance(value, str):
            return value
        near = nearest(value, words) if self.suggest and isinstance(value, str) else None
        raise InvalidValue(allowed=one_of(words), tip=f'did you mean "{near}"?' if near else self.tip)


def words_of(annotation: Any) -> tuple[str, ...]:  # noqa: ANN401 - any annotation
    """The words of a Literal, also of an optional one.

    Examples
    --------
    >>> words_of(Literal["stack", "touched"] | None), words_of(str)
    (('stack', 'touched'), ())
    """
    arguments = get_args(annotation)
    if get_origin(annotation) is Literal:
        return arguments
    return tuple(word for argument in arguments for word in words_of(argument))


def listed(count: int, words: str) -> PreValidator:
    """A check for a list of exactly so many values, beside a tuple of as many."""

    def check(value: object) -> object:
        if isinstance(value, (list, tuple)) and len(value) == count:
            return value
        # [0,5, 1,2] is four whole numbers, and two to somebody who writes decimal commas.
        commas = (
            isinstance(value, (list, tuple))
            and len(value) == 2 * count
            and all(type(one) is int for one in value)
        )
        raise InvalidValue(allowed=words, tip="use a decimal point: 0.5, not 0,5" if commas else "")

    return PreValidator(check)


LARGEST_LENGTH = 1e6
LARGEST_ANGLE = 1e6
_SHORTEST = 1e-9
LONGEST_NAME = 80
_LONGEST_LINE = 400


# --- units --------------------------------------------------------------------------------------------------------

_UNIT_WORDS = {
    **dict.fromkeys(("in", "in.", "ins", "inches", "imperial", '"', "″", "zoll"), "inch"),
    **dict.fromkeys(("millimeter", "millimetre", "millimeters", "millimetres", "mm.", "metric"), "mm"),
}


def _unit(value: object) -> object:
    if isinstance(value, Unit):
        return value
    if isinstance(value, str):
        if value in ("mm", "inch"):
            return Unit(value)
        word = value.strip().casefold()
        near = _UNIT_WORDS.get(word) or nearest(word, ["mm", "inch"])
        if near:
            raise InvalidValue(allowed=one_of(["mm", "inch"]), tip=f'did you mean "{near}"?')
    raise InvalidValue(allowed=one_of(["mm", "inch"]))


UnitName = Annotated[Unit, PreValidator(_unit, {"type": "string", "enum": ["mm", "inch"]})]

# --- numbers ------------------------------------------------------------------------------------------------------

# Both bounds are stated for every number, which also excludes NaN and infinity.
Coordinate = Annotated[float, Meta(ge=-LARGEST_LENGTH, le=LARGEST_LENGTH)]
SMALLEST_LENGTH = 1e-6
"""Below any length that could be meant; what is smaller vanishes beside a coordinate."""
PositiveLength = Annotated[float, Meta(gt=SMALLEST_LENGTH, le=LARGEST_LENGTH)]

_ANGLE_NUMBER = {"type": "number", "minimum": -LARGEST_ANGLE, "maximum": LARGEST_ANGLE}
_ANGLE_TEXT = {"type": "string", "pattern": ANGLE_PATTERN}


class Angle(FieldType, float):
    """Degrees: a number, or text with degrees, minutes and seconds."""

    __slots__ = ()
    plain = Annotated[float, Meta(ge=-LARGEST_ANGLE, le=LARGEST_ANGLE)]
    schema: ClassVar[dict[str, Any] | None] = {"anyOf": [_ANGLE_NUMBER, _ANGLE_TEXT]}

    @classmethod
    def before(cls, value: object) -> object:
        """Read a text as degrees."""
        if not isinstance(value, str):
            return value
        try:
            return parse_angle(value)
        except ValueError as fault:
            raise InvalidValue(allowed=str(fault)) from None


Angles = Annotated[dict[str, Angle], Meta(min_length=1)]

Pair = Annotated[tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [x, y]")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], listed(3, "a list of three numbers, [x, y, z]")]


class Direction(FieldType, tuple[float, float, float]):
    """A direction of any length above zero."""

    __slots__ = ()
    plain = Point

    @staticmethod
    def after(value: tuple[float, float, float]) -> tuple[float, float, float]:
        """Raise `InvalidValue` for a zero direction."""
        if math.hypot(*value) < _SHORTEST:
            raise InvalidValue(allowed="a direction [i, j, k] that is longer than zero")
        return value


ThreePoints = Annotated[
    tuple[Point, Point, Point],
    listed(3, "a list of three points, [[x, y, z], [x, y, z], [x, y, z]]"),
]


class TravelEnds(FieldType, tuple[float, float]):
    """Two different machine coordinates, the lower first."""

    __slots__ = ()
    plain = Annotated[
        tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [lower end, upper end]")
    ]

    @staticmethod
    def after(value: tuple[float, float]) -> tuple[float, float]:
        """Raise `InvalidValue` unless the first end is the lower."""
        return _rising(value, "[lower end, upper end], the lower end first")


class Limits(FieldType, tuple[float, ...]):
    """The lowest and the highest angle; empty where the rotary is endless."""

    __slots__ = ()
    plain = tuple[Angle, ...]
    schema: ClassVar[dict[str, Any] | None] = {
        "anyOf": [
            {
                "type": "array",
                "minItems": 2,
                "maxItems": 2,
                "items": {"anyOf": [{"type": "number"}, _ANGLE_TEXT]},
            },
            {"type": "string", "enum": ["endless"]},
        ]
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read the word `endless`."""
        if value == "endless":
            return ()
        if isinstance(value, (list, tuple)) and len(value) == 2:
            return value
        near = nearest(value, ["endless"]) if isinstance(value, str) else None
        raise InvalidValue(
            allowed='a list of two angles, [lowest, highest], or "endless"',
            tip='did you mean "endless"?' if near else "",
        )

    @staticmethod
    def after(value: tuple[float, ...]) -> tuple[float, ...]:
        """Raise `InvalidValue` unless the first limit is the lower."""
        return _rising(value, "[lowest, highest] machine angle, the lowest first") if value else value


_Ends = TypeVar("_Ends", bound=tuple[float, ...])


def _rising(ends: _Ends, words: str) -> _Ends:
    if ends[0] >= ends[1]:
        raise InvalidValue(allowed=words, tip="swap the two" if ends[0] > ends[1] else "")
    return ends


AxisTurn = Annotated[
    tuple[Annotated[Literal["x", "y", "z"], Choice()], Angle],
    listed(2, 'a list of an axis and an angle, ["x", 35.0]'),
]
AxisTurns = Annotated[tuple[AxisTurn, ...], Meta(min_length=1)]

# --- text ---------------------------------------------------------------------------------------------------------


def printable_words(longest: int) -> str:
    """The rule for a name or a line, in words."""
    return f"printable text of 1 to {longest} characters"


def _printable(text: str, longest: int) -> str:
    allowed = printable_words(longest)
    if not text.strip():
        raise InvalidValue(allowed=allowed)
    if len(text) > longest:
        raise InvalidValue(allowed=allowed, found=f"{len(text)} characters")
    if character := invisible_character(text):
        raise InvalidValue(
            allowed=f"{allowed}, without control characters, line breaks or characters that change the "
            "direction of writing",
            tip=f"take out the {sanitized(character) if character.isascii() else f'U+{ord(character):04X}'}",
        )
    return text


NAME_SCHEMA: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME}


class Name(FieldType, str):
    """A name of one line, 1 to 80 characters, that cannot disturb a terminal, a page or a comment."""

    __slots__ = ()
    plain = str
    schema = NAME_SCHEMA

    @staticmethod
    def after(value: str) -> str:
        """Raise `InvalidValue` unless the value is a valid name."""
        return _printable(value, LONGEST_NAME)


class WordMap(FieldType, dict[str, str]):
    """A mapping from the user's own words, each a name of one line."""

    __slots__ = ()

    @staticmethod
    def after(value: dict[str, str]) -> dict[str, str]:
        """Raise `InvalidValue` unless every word is a valid name."""
        # The type of the keys does not do it: the quick reader takes any text for a key.
        for word in value:
            try:
                Name.after(word)
            except InvalidValue as refusal:
                found = f"the word {shown(word)}"
                raise InvalidValue(
                    allowed=f"words of {refusal.allowed}", found=found, tip=refusal.tip
                ) from None
        return value


class TextLine(FieldType, str):
    """A line of remarks, or a path."""

    __slots__ = ()
    plain = str
    schema: ClassVar[dict[str, Any] | None] = {"type": "string", "minLength": 1, "maxLength": _LONGEST_LINE}

    @staticmethod
    def after(value: str) -> str:
        """Raise `InvalidValue` unless the value is a valid line."""
        return _printable(value, _LONGEST_LINE)


Letter = Annotated[Literal["A", "B", "C"], Choice()]
