"""What machine and job files are made of: strict numbers, angles, directions, names, letters.

Each carries its JSON Schema, and refuses in words of its own where a validator's would not help a machinist.
"""

import math
import os
import unicodedata
from collections.abc import Callable
from typing import Annotated, Any, Literal

# Looking through every installed package for plugins of pydantic costs 30 ms of each start; none is wanted.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    WrapValidator,
)
from pydantic_core import PydanticCustomError

from tiltwright.files.angle import ANGLE_PATTERN, parse_angle
from tiltwright.files.faults import clean, nearest, one_of
from tiltwright.files.units import Unit

__all__ = [
    "REFUSED",
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
    "Table",
    "ThreePoints",
    "TravelEnds",
    "UnitName",
    "choice",
    "listed",
    "refuse",
]

REFUSED = "refused"
"""The error type of every refusal of our own; its context holds `allowed`, and may hold `found` and `tip`."""

LARGEST_LENGTH = 1e6
LARGEST_ANGLE = 1e6
_SHORTEST = 1e-9
_LONGEST_NAME = 80
_REFUSED_IN_NAMES = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


class Table(BaseModel):
    """A table of a file: numbers are numbers, every key is known, nothing is infinite."""

    # A table is built into its file's validator when that is first used: on its own it never needs one.
    model_config = ConfigDict(defer_build=True, strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


def refuse(allowed: str, found: str = "", tip: str = "") -> PydanticCustomError:
    """The error that a validator raises: what is allowed, and what was found if the value does not say it."""
    return PydanticCustomError(REFUSED, "{allowed}", {"allowed": allowed, "found": found, "tip": tip})


def choice(*words: str, suggest: bool = True, tip: str = "") -> BeforeValidator:
    """One of a few words, with the nearest one suggested.

    `suggest` is off where a wrong suggestion would be worse than none (a sense of turning, a sign).
    """

    def check(value: object) -> object:
        if value in words and isinstance(value, str):
            return value
        near = nearest(value, words) if suggest and isinstance(value, str) else None
        raise refuse(one_of(words), tip=f'did you mean "{near}"?' if near else tip)

    return BeforeValidator(check)


def listed(count: int, words: str) -> BeforeValidator:
    """A list of just so many values."""

    def check(value: object) -> object:
        if isinstance(value, (list, tuple)) and len(value) == count:
            return value
        # [0,5, 1,2] is four whole numbers to the reader, and two numbers to whoever writes decimal commas.
        commas = (
            isinstance(value, (list, tuple))
            and len(value) == 2 * count
            and all(type(one) is int for one in value)
        )
        raise refuse(words, tip="a decimal point, no comma: 0.5, not 0,5" if commas else "")

    return BeforeValidator(check)


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
            raise refuse(one_of(["mm", "inch"]), tip=f'did you mean "{near}"?')
    raise refuse(one_of(["mm", "inch"]))


UnitName = Annotated[Unit, BeforeValidator(_unit), WithJsonSchema({"type": "string", "enum": ["mm", "inch"]})]

# --- numbers ------------------------------------------------------------------------------------------------------

Coordinate = Annotated[float, Field(ge=-LARGEST_LENGTH, le=LARGEST_LENGTH)]
PositiveLength = Annotated[float, Field(gt=0.0, le=LARGEST_LENGTH)]


def _angle(value: object) -> object:
    if not isinstance(value, str):
        return value
    try:
        return parse_angle(value)
    except ValueError as fault:
        raise refuse(str(fault)) from None


Angle = Annotated[
    float,
    Field(ge=-LARGEST_ANGLE, le=LARGEST_ANGLE),
    BeforeValidator(_angle),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "minimum": -LARGEST_ANGLE, "maximum": LARGEST_ANGLE},
                {"type": "string", "pattern": ANGLE_PATTERN},
            ]
        }
    ),
]
Angles = Annotated[dict[str, Angle], Field(min_length=1)]

Pair = Annotated[
    tuple[Coordinate, Coordinate], Field(strict=False), listed(2, "a list of two numbers, [x, y]")
]
Point = Annotated[
    tuple[Coordinate, Coordinate, Coordinate],
    Field(strict=False),
    listed(3, "a list of three numbers, [x, y, z]"),
]


def _has_length(direction: tuple[float, float, float]) -> tuple[float, float, float]:
    if math.hypot(*direction) < _SHORTEST:
        raise refuse("a direction [i, j, k] that is longer than zero")
    return direction


Direction = Annotated[Point, AfterValidator(_has_length)]
ThreePoints = Annotated[
    tuple[Point, Point, Point],
    Field(strict=False),
    listed(3, "a list of three points, [[x, y, z], [x, y, z], [x, y, z]]"),
]


def _rising(words: str) -> AfterValidator:
    def check(ends: tuple[float, float]) -> tuple[float, float]:
        if ends[0] >= ends[1]:
            swapped = "swap the two" if ends[0] > ends[1] else ""
            raise refuse(words, tip=swapped)
        return ends

    return AfterValidator(check)


TravelEnds = Annotated[
    tuple[Coordinate, Coordinate],
    Field(strict=False),
    listed(2, "a list of two numbers, [lower end, upper end]"),
    _rising("[lower end, upper end], the lower end first"),
]

_LimitEnds = Annotated[
    tuple[Angle, Angle],
    Field(strict=False),
    _rising("[lowest, highest] machine angle, the lowest first"),
]


def _limits(value: object, handler: ValidatorFunctionWrapHandler) -> object:
    if value == "endless":
        return None
    if isinstance(value, (list, tuple)) and len(value) == 2:
        return handler(value)
    near = nearest(value, ["endless"]) if isinstance(value, str) else None
    raise refuse(
        'a list of two angles, [lowest, highest], or "endless"', tip='did you mean "endless"?' if near else ""
    )


Limits = Annotated[
    _LimitEnds | None,
    WrapValidator(_limits),
    WithJsonSchema(
        {
            "anyOf": [
                {
                    "type": "array",
                    "minItems": 2,
                    "maxItems": 2,
                    "items": {"anyOf": [{"type": "number"}, {"type": "string", "pattern": ANGLE_PATTERN}]},
                },
                {"type": "string", "enum": ["endless"]},
            ]
        }
    ),
]
"""Two angles, or "endless" (None here)."""

AxisTurn = Annotated[
    tuple[Annotated[Literal["x", "y", "z"], choice("x", "y", "z")], Angle],
    Field(strict=False),
    listed(2, 'a list of an axis and an angle, ["x", 35.0]'),
]
AxisTurns = Annotated[tuple[AxisTurn, ...], Field(strict=False, min_length=1)]

# --- text ---------------------------------------------------------------------------------------------------------


def _printable(longest: int) -> Callable[[str], str]:
    def check(text: str) -> str:
        allowed = f"printable text of 1 to {longest} characters"
        if not text.strip():
            raise refuse(allowed)
        if len(text) > longest:
            raise refuse(allowed, found=f"{len(text)} characters")
        for character in text:
            if unicodedata.category(character) in _REFUSED_IN_NAMES:
                raise refuse(
                    f"{allowed}, without control characters, line breaks or characters that turn the "
                    "direction of writing",
                    tip=f"take out the {clean(character) if character.isascii() else f'U+{ord(character):04X}'}",
                )
        return text

    return check


def text_schema(longest: int) -> dict[str, Any]:
    """JSON Schema of printable text."""
    return {"type": "string", "minLength": 1, "maxLength": longest}


Name = Annotated[str, AfterValidator(_printable(_LONGEST_NAME)), WithJsonSchema(text_schema(_LONGEST_NAME))]
"""A name of one line, 1 to 80 characters, that cannot disturb a terminal, a page or a comment."""

Line = Annotated[str, AfterValidator(_printable(400)), WithJsonSchema(text_schema(400))]
"""A line of remarks or a path."""

Letter = Annotated[Literal["A", "B", "C"], choice("A", "B", "C")]
