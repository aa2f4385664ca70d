"""Tables and keys that say how far a stated value may be off, and what the drawing tolerances.

`..._within` is a limit either way, every value between the limits as likely as any other (a rectangular distribution, GUM
4.3.7); `..._u` is a standard uncertainty. What has neither is taken as exact, and every report says so.
"""

import re
from collections.abc import Iterator, Sequence
from typing import Annotated, Any, ClassVar

from msgspec import Meta

from tiltwright.files.batch_tables import CoatedFaces
from tiltwright.files.diagnostics import InvalidValue, KeyPath, UnlocatedDiagnostic
from tiltwright.files.schema_types import (
    LARGEST_ANGLE,
    LARGEST_LENGTH,
    Angle,
    Coordinate,
    Direction,
    FieldType,
    FileTable,
    Name,
    Point,
    PositiveLength,
    TextLine,
    keys_given,
    listed,
)
from tiltwright.files.units import ANGLE_PATTERN, parse_angle, to_celsius

__all__ = [
    "CorrectedOffsetTable",
    "CorrectionTable",
    "DirectionOrAxis",
    "FeatureTable",
    "GrowthTable",
    "PositioningTable",
    "ReclampingTable",
    "SeamTable",
    "SeatSpread",
    "SmallAngle",
    "SpreadLength",
    "SpreadLengthU",
    "SpreadLengthWithin",
    "Temperature",
    "TemperatureTable",
    "TouchRepeatabilityTable",
    "check_spreads",
]

SpreadLength = Annotated[float, Meta(ge=0.0, le=LARGEST_LENGTH)]
"""A length of 0 or more."""

_NUMBER = r"[0-9]{1,9}(?:\.[0-9]{1,12})?"
_ARC = {"arcsec": 3600.0, "arc sec": 3600.0, "arcmin": 60.0, "arc min": 60.0, "deg": 1.0}
_ARC_TEXT = re.compile(rf"\s*({_NUMBER})\s*({'|'.join(_ARC)})\s*", re.ASCII)
_ARC_ALLOWED = 'degrees of 0 or more, or text such as "8 arcsec"'


class SmallAngle(FieldType, float):
    """Degrees of 0 or more: a number, or text with arcsec, arcmin or degrees."""

    __slots__ = ()
    plain = Annotated[float, Meta(ge=0.0, le=LARGEST_ANGLE)]
    schema: ClassVar[dict[str, Any] | None] = {
        "anyOf": [
            {"type": "number", "minimum": 0, "maximum": LARGEST_ANGLE},
            {"type": "string", "pattern": rf"^\s*{_NUMBER}\s*({'|'.join(_ARC)})\s*$"},
            {"type": "string", "pattern": ANGLE_PATTERN},
        ]
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read a text as degrees."""
        if not isinstance(value, str):
            return value
        match = _ARC_TEXT.fullmatch(value)
        if match is not None:
            return float(match[1]) / _ARC[match[2]]
        try:
            return parse_angle(value)
        except ValueError:
            raise InvalidValue(allowed=_ARC_ALLOWED) from None


_TEMPERATURE = re.compile(r"\s*([+-]?[0-9]{1,4}(?:\.[0-9]{1,6})?)\s*(?:°|deg)?\s*([CF])\s*", re.ASCII)
_TEMPERATURE_ALLOWED = 'a temperature and its unit, such as "20 C" or "68 F"'
_TEMPERATURE_SCHEMA = {
    "type": "string",
    "pattern": r"^\s*[+-]?[0-9]{1,4}(\.[0-9]{1,6})?\s*(°|deg)?\s*[CF]\s*$",
}
_COLDEST = -273.15


def _celsius(value: object) -> float:
    """Degrees Celsius of a text with its unit."""
    match = _TEMPERATURE.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise InvalidValue(allowed=_TEMPERATURE_ALLOWED)
    number = float(match[1])
    celsius = to_celsius(number, fahrenheit=match[2] == "F")
    if celsius < _COLDEST:
        raise InvalidValue(allowed=_TEMPERATURE_ALLOWED + ", above absolute zero")
    return celsius


class Temperature(FieldType, float):
    """Degrees Celsius, read as text with its unit."""

    __slots__ = ()
    plain = float
    schema: ClassVar[dict[str, Any] | None] = _TEMPERATURE_SCHEMA

    @classmethod
    def before(cls, value: object) -> object:
        """Read the text."""
        return _celsius(value)


class TemperatureRange(FieldType, tuple[float, float]):
    """The lowest and the highest temperature, degrees Celsius; both the same where one is given."""

    __slots__ = ()
    plain = tuple[float, float]
    schema: ClassVar[dict[str, Any] | None] = {
        "anyOf": [
            _TEMPERATURE_SCHEMA,
            {"type": "array", "minItems": 2, "maxItems": 2, "items": _TEMPERATURE_SCHEMA},
        ]
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read one text, or two."""
        if isinstance(value, (list, tuple)):
            if len(value) != 2:
                raise InvalidValue(allowed='two temperatures, [lowest, highest], such as ["20 C", "26 C"]')
            return [_celsius(one) for one in value]
        return [_celsius(value)] * 2

    @staticmethod
    def after(value: tuple[float, float]) -> tuple[float, float]:
        """Raise `InvalidValue` where the first is the higher."""
        if value[0] > value[1]:
            raise InvalidValue(allowed="[lowest, highest] temperature, the lowest first", tip="swap the two")
        return value


_AXES = {
    f"{sign}{axis}": tuple(value * float(k == place) for k in range(3))
    for place, axis in enumerate("XYZ")
    for sign, value in (("+", 1.0), ("-", -1.0))
}


class DirectionOrAxis(FieldType, tuple[float, float, float]):
    """A direction of any length, or the name of an axis with its sign."""

    __slots__ = ()
    plain = Point
    schema: ClassVar[dict[str, Any] | None] = {
        "anyOf": [
            {"type": "string", "enum": sorted(_AXES)},
            {"type": "array", "minItems": 3, "maxItems": 3, "items": {"type": "number"}},
        ]
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read the name of an axis."""
        if not isinstance(value, str):
            return value
        if value.strip().upper() in _AXES:
            return list(_AXES[value.strip().upper()])
        raise InvalidValue(allowed='"+X", "-X", "+Y", "-Y", "+Z", "-Z" or a direction [i, j, k]')

    @staticmethod
    def after(value: tuple[float, float, float]) -> tuple[float, float, float]:
        """Raise `InvalidValue` for a zero direction."""
        return Direction.after(value)


def _within(what: str, example: float | str) -> Meta:
    return Meta(
        description=f"{what}: limits either way, any value between them as likely as any other.",
        examples=[example],
    )


def _u(what: str, example: float | str) -> Meta:
    return Meta(description=f"{what}: standard uncertainty, instead of limits.", examples=[example])


SpreadLengthWithin = Annotated[SpreadLength | None, _within("How far it may be off", 0.01)]
SpreadLengthU = Annotated[SpreadLength | None, _u("How far it may be off", 0.005)]
Touches = Annotated[
    Annotated[int, Meta(ge=2, le=10000)] | None,
    Meta(description="Number of touches that the repeatability was found from.", examples=[10]),
]


class SeatSpread(FileTable, frozen=True, kw_only=True):
    """Limits or standard uncertainties of how a step or a part seats."""

    keys_last = True

    up_within: Annotated[SpreadLength | None, _within("How far the height may be off", 0.01)] = None
    up_u: Annotated[SpreadLength | None, _u("How far the height may be off", 0.005)] = None
    shift_within: Annotated[
        SpreadLength | None, _within("How far each of the two shifts may be off", 0.02)
    ] = None
    shift_u: Annotated[SpreadLength | None, _u("How far each of the two shifts may be off", 0.01)] = None
    turn_within: Annotated[SmallAngle | None, _within("How far the clocking may be off, degrees", 0.02)] = (
        None
    )
    turn_u: Annotated[SmallAngle | None, _u("How far the clocking may be off, degrees", "30 arcsec")] = None
    lean_within: Annotated[
        SmallAngle | None,
        _within("How far it may lean about each of x and y of the frame that it stands on, degrees", 0.01),
    ] = None
    lean_u: Annotated[
        SmallAngle | None, _u("How far it may lean about each of x and y, degrees", "20 arcsec")
    ] = None


class ReclampingTable(SeatSpread, frozen=True, kw_only=True):
    """Differences in seating from one part to the next, at part zero and about the part's axes."""


class TemperatureTable(FileTable, frozen=True, kw_only=True):
    """Temperatures of set-up and run; materials of steps and part, and the machine's `growth`, say what grows."""

    set_up: Annotated[
        Temperature,
        Meta(
            description="Temperature at which pivots, stack and part zero were measured, with the unit.",
            examples=["20 C", "68 F"],
        ),
    ]
    runs: Annotated[
        TemperatureRange,
        Meta(
            description="Temperature at which it runs: one, or the lowest and the highest.",
            examples=[["20 C", "26 C"], "73 F"],
        ),
    ]
    part: Annotated[
        Name | None,
        Meta(
            description="The part's material: it is cut at the running temperature and measured at 20 C; left out: its "
            "growth is not counted.",
            examples=["aluminium"],
        ),
    ] = None


class TouchRepeatabilityTable(FileTable, frozen=True, kw_only=True):
    """The probe, or whatever part zero is touched off with."""

    repeatability: Annotated[
        SpreadLength,
        Meta(
            description="Standard deviation of repeated touches, along each axis; for a part zero as touched off.",
            examples=[0.002],
        ),
    ]
    touches: Touches = None


class PositioningTable(FileTable, frozen=True, kw_only=True):
    """Linear axes: how far each may stand from the coordinate displayed."""

    x: Annotated[SpreadLength | None, _within("How far X may stand from its display", 0.004)] = None
    y: Annotated[SpreadLength | None, _within("How far Y may stand from its display", 0.004)] = None
    z: Annotated[SpreadLength | None, _within("How far Z may stand from its display", 0.004)] = None
    x_u: Annotated[SpreadLength | None, _u("How far X may stand from its display", 0.002)] = None
    y_u: Annotated[SpreadLength | None, _u("How far Y may stand from its display", 0.002)] = None
    z_u: Annotated[SpreadLength | None, _u("How far Z may stand from its display", 0.002)] = None


class GrowthTable(FileTable, frozen=True, kw_only=True):
    """The machine's own growth: how far the spindle moves against the table as it warms, for each kelvin."""

    x: Annotated[Coordinate, Meta(description="Along machine X.", examples=[0.0])] = 0.0
    y: Annotated[Coordinate, Meta(description="Along machine Y.", examples=[0.001])] = 0.0
    z: Annotated[
        Coordinate,
        Meta(description="Along machine Z: below zero where the spindle comes down.", examples=[-0.002]),
    ] = 0.0


class FeatureTable(FileTable, frozen=True, kw_only=True):
    """A place that the drawing tolerances, and the operation that cuts it."""

    name: Annotated[Name, Meta(description="Name of the feature; no two alike.", examples=["port depth"])]
    operation: Annotated[
        Name,
        Meta(description="Operation that cuts it; a pattern's name means each of it.", examples=["port"]),
    ]
    at: Annotated[
        Point,
        Meta(
            description="Where it is, in the operation's own coordinates, as the program has it.",
            examples=[[0.0, 0.0, -8.0]],
        ),
    ] = (0.0, 0.0, 0.0)
    along: Annotated[
        DirectionOrAxis | None,
        Meta(
            description="Direction of the tolerance in those coordinates, out of the material where it is a surface; left "
            "out: its position in all three.",
            examples=["+Z", [0.0, 0.6, 0.8]],
        ),
    ] = None
    tolerance: Annotated[
        PositiveLength | None,
        Meta(
            description="Plus and minus; without `along`, the diameter of the zone. Left out: it serves as a datum only.",
            examples=[0.05],
        ),
    ] = None
    datum: Annotated[
        Name | None,
        Meta(
            description="Feature that it is held against; or an operation, where inspection sets up on all that was cut in "
            "it. Left out: the part as it is clamped.",
            examples=["top face"],
        ),
    ] = None
    size: Annotated[
        PositiveLength | None,
        Meta(
            description="Diameter, width or height on the drawing, after `coating`; the size to cut before it is worked out.",
            examples=[12.0],
        ),
    ] = None
    coated: Annotated[
        CoatedFaces,
        Meta(
            description='What the coating does to `size`: "inside" (bore, slot: both faces grow inward), "outside" (boss, width: '
            'both grow outward), "one face" (an outside size with one face left bare), "no" (masked).',
            examples=["inside"],
        ),
    ] = None


class SeamTable(FileTable, frozen=True, kw_only=True):
    """A place where two operations meet on one surface: a step there is seen or felt."""

    between: Annotated[
        tuple[Name, Name],
        listed(2, "a list of two operations"),
        Meta(description="The two operations.", examples=[["port 1", "port 2"]]),
    ]
    at: Annotated[Point, Meta(description="Where, part coordinates.", examples=[[0.0, 0.0, -4.0]])]
    along: Annotated[
        DirectionOrAxis,
        Meta(
            description="The surface's normal there, out of the material, part coordinates.", examples=["+Z"]
        ),
    ]
    tolerance: Annotated[
        PositiveLength | None,
        Meta(
            description="Largest step that may be left, up or down; left out: the step is only shown.",
            examples=[0.02],
        ),
    ] = None


class CorrectedOffsetTable(FileTable, frozen=True, kw_only=True):
    """A work offset before and after a correction."""

    operation: Annotated[
        Name, Meta(description="The operation; of a pattern, one of it.", examples=["port 2"])
    ]
    nest: Annotated[
        Name | None, Meta(description="Its nest, in a job that has nests.", examples=["left"])
    ] = None
    before: Annotated[
        Point,
        Meta(
            description="X, Y, Z as stack and machine have them. While they still do, the correction counts; when they no "
            "longer do, it is refused.",
            examples=[[-381.01, -203.413, -179.096]],
        ),
    ]
    after: Annotated[
        Point, Meta(description="X, Y, Z that are loaded instead.", examples=[[-381.01, -203.413, -179.044]])
    ]
    turn: Annotated[
        Angle | None,
        Meta(
            description="Degrees by which the last rotary's value in this offset changes, where not all change alike.",
            examples=[0.031],
        ),
    ] = None


class CorrectionTable(FileTable, frozen=True, kw_only=True):
    """Correction from a measured part, as `tiltwright correct --write` puts it here; `--undo` takes it out."""

    date: Annotated[
        TextLine, Meta(description="When it was written.", examples=["2026-03-02T14:10:00+01:00"])
    ]
    measured: Annotated[
        TextLine, Meta(description="The table of deviations that it comes from.", examples=["first_part.csv"])
    ]
    cause: Annotated[TextLine, Meta(description="What was taken to be off.", examples=["round standoff: up"])]
    who: Annotated[Name | None, Meta(description="Who wrote it.", examples=["bay 2, early shift"])] = None
    turn: Annotated[
        Angle,
        Meta(
            description="Degrees by which it changes the last rotary's work offset: a clocking that X, Y, Z cannot take out.",
            examples=[0.031],
        ),
    ] = Angle(0.0)
    offset: Annotated[
        tuple[CorrectedOffsetTable, ...],
        Meta(min_length=1, description="Every work offset of the job, before and after."),
    ]

    def of_nest(self, nest: str | None) -> tuple[tuple[int, CorrectedOffsetTable], ...]:
        """The offsets of a nest, each with its place among all."""
        return tuple((k, one) for k, one in enumerate(self.offset) if one.nest == nest)

    def turn_deg(self, offset: CorrectedOffsetTable) -> float:
        """The change of the last rotary's value in an offset: its own, or the one of all."""
        return float(self.turn if offset.turn is None else offset.turn)


_BARE = {"x", "y", "z", "positioning"}
"""Keys whose name alone states limits."""


def check_spreads(path: KeyPath, table: FileTable, stems: Sequence[str]) -> Iterator[UnlocatedDiagnostic]:
    """Check that a table states limits or a standard uncertainty of one thing, not both; it may be partial.

    Examples
    --------
    >>> both = ReclampingTable(up_within=0.01, up_u=0.005)
    >>> [fault.found for fault in check_spreads(("reclamping",), both, ("up", "shift"))]
    ['up_within and up_u both']
    """
    given = keys_given(table)
    for stem in stems:
        limits = stem if stem in _BARE else f"{stem}_within"
        if {limits, f"{stem}_u"} <= given:
            yield UnlocatedDiagnostic(
                (*path, f"{stem}_u"),
                f"{limits} and {stem}_u both",
                "one of them",
                "limits, or a standard uncertainty",
            )
