"""What keys of machine and job files hold: strict numbers, angles, directions, names, letters."""

import math
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from msgspec import Meta

from tiltwright.files.angle import ANGLE_PATTERN, parse_angle
from tiltwright.files.described import Before, Choice, Kind, listed
from tiltwright.files.faults import Refused, clean, nearest, one_of, shown, unseen
from tiltwright.files.units import Unit

__all__ = [
    "LONGEST_NAME",
    "NAME_SCHEMA",
    "Angle",
    "Angles",
    "AxisTurns",
    "Coordinate",
    "Direction",
    "Letter",
    "Limits",
    "Line",
    "Name",
    "Pair",
    "Point",
    "PositiveLength",
    "ThreePoints",
    "TravelEnds",
    "UnitName",
    "Words",
    "printable_words",
]

LARGEST_LENGTH = 1e6
LARGEST_ANGLE = 1e6
_SHORTEST = 1e-9
LONGEST_NAME = 80
_LONGEST_LINE = 400


# --- units --------------------------------------------------------------------------------------------------------

_UNIT_SLIPS = {
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
        near = _UNIT_SLIPS.get(word) or nearest(word, ["mm", "inch"])
        if near:
            raise Refused(allowed=one_of(["mm", "inch"]), tip=f'did you mean "{near}"?')
    raise Refused(allowed=one_of(["mm", "inch"]))


UnitName = Annotated[Unit, Before(_unit, {"type": "string", "enum": ["mm", "inch"]})]

# --- numbers ------------------------------------------------------------------------------------------------------

# Both ends of every number are stated: that also keeps out NaN and infinity.
Coordinate = Annotated[float, Meta(ge=-LARGEST_LENGTH, le=LARGEST_LENGTH)]
PositiveLength = Annotated[float, Meta(gt=0.0, le=LARGEST_LENGTH)]

_ANGLE_NUMBER = {"type": "number", "minimum": -LARGEST_ANGLE, "maximum": LARGEST_ANGLE}
_ANGLE_TEXT = {"type": "string", "pattern": ANGLE_PATTERN}


class Angle(Kind, float):
    """Degrees: a number, or text with degrees, minutes and seconds."""

    __slots__ = ()
    plain = Annotated[float, Meta(ge=-LARGEST_ANGLE, le=LARGEST_ANGLE)]
    schema: ClassVar[dict[str, Any] | None] = {"anyOf": [_ANGLE_NUMBER, _ANGLE_TEXT]}

    @classmethod
    def before(cls, value: object) -> object:
        """Read the degrees of a text."""
        if not isinstance(value, str):
            return value
        try:
            return parse_angle(value)
        except ValueError as fault:
            raise Refused(allowed=str(fault)) from None


Angles = Annotated[dict[str, Angle], Meta(min_length=1)]

Pair = Annotated[tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [x, y]")]
Point = Annotated[tuple[Coordinate, Coordinate, Coordinate], listed(3, "a list of three numbers, [x, y, z]")]


class Direction(Kind, tuple[float, float, float]):
    """A direction of any length above zero."""

    __slots__ = ()
    plain = Point

    @staticmethod
    def after(value: tuple[float, float, float]) -> tuple[float, float, float]:
        """Refuse one without length."""
        if math.hypot(*value) < _SHORTEST:
            raise Refused(allowed="a direction [i, j, k] that is longer than zero")
        return value


ThreePoints = Annotated[
    tuple[Point, Point, Point],
    listed(3, "a list of three points, [[x, y, z], [x, y, z], [x, y, z]]"),
]


class TravelEnds(Kind, tuple[float, float]):
    """Two different machine coordinates, the lower first."""

    __slots__ = ()
    plain = Annotated[
        tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [lower end, upper end]")
    ]

    @staticmethod
    def after(value: tuple[float, float]) -> tuple[float, float]:
        """Refuse ends that do not rise."""
        return _rising(value, "[lower end, upper end], the lower end first")


class Limits(Kind, tuple[float, ...]):
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
        """Read the one word."""
        if value == "endless":
            return ()
        if isinstance(value, (list, tuple)) and len(value) == 2:
            return value
        near = nearest(value, ["endless"]) if isinstance(value, str) else None
        raise Refused(
            allowed='a list of two angles, [lowest, highest], or "endless"',
            tip='did you mean "endless"?' if near else "",
        )

    @staticmethod
    def after(value: tuple[float, ...]) -> tuple[float, ...]:
        """Refuse limits that do not rise."""
        return _rising(value, "[lowest, highest] machine angle, the lowest first") if value else value


_Ends = TypeVar("_Ends", bound=tuple[float, ...])


def _rising(ends: _Ends, words: str) -> _Ends:
    if ends[0] >= ends[1]:
        raise Refused(allowed=words, tip="swap the two" if ends[0] > ends[1] else "")
    return ends


AxisTurn = Annotated[
    tuple[Annotated[Literal["x", "y", "z"], Choice()], Angle],
    listed(2, 'a list of an axis and an angle, ["x", 35.0]'),
]
AxisTurns = Annotated[tuple[AxisTurn, ...], Meta(min_length=1)]

# --- text ---------------------------------------------------------------------------------------------------------


def printable_words(longest: int) -> str:
    """What a name or a line may be, in words."""
    return f"printable text of 1 to {longest} characters"


def _printable(text: str, longest: int) -> str:
    allowed = printable_words(longest)
    if not text.strip():
        raise Refused(allowed=allowed)
    if len(text) > longest:
        raise Refused(allowed=allowed, found=f"{len(text)} characters")
    if character := unseen(text):
        raise Refused(
            allowed=f"{allowed}, without control characters, line breaks or characters that turn the "
            "direction of writing",
            tip=f"take out the {clean(character) if character.isascii() else f'U+{ord(character):04X}'}",
        )
    return text


NAME_SCHEMA: dict[str, Any] = {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME}


class Name(Kind, str):
    """A name of one line, 1 to 80 characters, that cannot disturb a terminal, a page or a comment."""

    __slots__ = ()
    plain = str
    schema = NAME_SCHEMA

    @staticmethod
    def after(value: str) -> str:
        """Refuse what is no name."""
        return _printable(value, LONGEST_NAME)


class Words(Kind, dict[str, str]):
    """Somebody's own words, each a name of one line, and what they mean."""

    __slots__ = ()

    @staticmethod
    def after(value: dict[str, str]) -> dict[str, str]:
        """Refuse what is no name among the words."""
        # Not by the type of the keys: the quick reader takes any text for a key.
        for word in value:
            try:
                Name.after(word)
            except Refused as refusal:
                found = f"the word {shown(word)}"
                raise Refused(allowed=f"words of {refusal.allowed}", found=found, tip=refusal.tip) from None
        return value


class Line(Kind, str):
    """A line of remarks or a path."""

    __slots__ = ()
    plain = str
    schema: ClassVar[dict[str, Any] | None] = {"type": "string", "minLength": 1, "maxLength": _LONGEST_LINE}

    @staticmethod
    def after(value: str) -> str:
        """Refuse what is no line."""
        return _printable(value, _LONGEST_LINE)


Letter = Annotated[Literal["A", "B", "C"], Choice()]
