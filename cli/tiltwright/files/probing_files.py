"""Schemas of the files about probing: the plan (targets, probe, poses), and the rule by which a control's log is read."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.machine_file import Along
from tiltwright.files.probing_tables import ProbeTable
from tiltwright.files.schema_types import (
    NAME_SCHEMA,
    Angle,
    Angles,
    Choice,
    Direction,
    FileTable,
    Name,
    Point,
    PositiveLength,
    TextLine,
    UnitName,
    WordMap,
    words_of,
)

__all__ = ["KindName", "PlanFile", "RuleFile", "TargetTable"]

KindName = Annotated[Literal["ball", "bore", "pin", "face"], Choice()]

_NOT_BOTH: dict[str, Any] = {"not": {"required": ["along", "direction"]}}


class TargetTable(FileTable, frozen=True, kw_only=True):
    """A target on the table, at the all-zero pose."""

    schema_rule: ClassVar[dict[str, Any]] = _NOT_BOTH

    name: Annotated[Name, Meta(description="Name in the readings.", examples=["ball 1"])]
    kind: Annotated[
        KindName,
        Meta(description="Kind of target.", examples=["ball"]),
    ]
    at: Annotated[
        tuple[Point, ...],
        Meta(
            min_length=1,
            description="Machine X, Y, Z at the all-zero pose: a ball's centre; of a bore or pin the points of its "
            "axis at the heights to probe; of a face the points to touch. A list of points.",
            examples=[[[-331.0, -203.4, -310.5]]],
        ),
    ]
    along: Annotated[
        Along | None,
        Choice(suggest=False),
        Meta(
            description="Direction at the all-zero pose: of a bore or pin its axis, away from the table; of a face its "
            "outward normal; of a ball from its stem to its centre. Give this or `direction`; left out: +Z.",
            examples=["+Z"],
        ),
    ] = None
    direction: Annotated[
        Direction | None,
        Meta(description="The same as three numbers, for other directions.", examples=[[0.0, 0.6, 0.8]]),
    ] = None
    diameter: Annotated[
        PositiveLength | None,
        Meta(description="Diameter of a ball, bore or pin; needed for a probing program.", examples=[20.0]),
    ] = None
    stem_diameter: Annotated[
        PositiveLength | None,
        Meta(
            description="Largest diameter of a ball's stem, from the ball to the table; needed for a probing program.",
            examples=[8.0],
        ),
    ] = None


class PlanFile(FileTable, frozen=True, kw_only=True):
    """A probing plan: targets, probe and poses."""

    former_keys: ClassVar[dict[tuple[str, ...], str]] = {("probe", "tip"): "ball_diameter"}

    name: Annotated[Name, Meta(description="Name of the plan.", examples=["Spring check"])]
    units: Annotated[UnitName, Meta(description="Unit of every length in this file.", examples=["mm"])]
    repeatability: Annotated[
        PositiveLength,
        Meta(description="Standard uncertainty of the probe in each coordinate.", examples=[0.002]),
    ]
    target: Annotated[
        tuple[TargetTable, ...],
        Meta(min_length=1, max_length=99, description="Targets to probe."),
    ]
    poses: Annotated[
        Annotated[tuple[Angles, ...], Meta(min_length=1)] | None,
        Meta(
            description="Machine angles to probe at, every rotary in each. Give this or `choose`.",
            examples=[[{"A": 0.0, "C": 0.0}]],
        ),
    ] = None
    choose: Annotated[
        Annotated[int, Meta(ge=1, le=400)] | None,
        Meta(description="Number of poses to choose for the least uncertainty; left out: 12.", examples=[12]),
    ] = None
    step: Annotated[
        float,
        Meta(ge=1.0, le=180.0, description="Degrees between the poses to choose from.", examples=[30.0]),
    ] = 30.0
    probe: Annotated[ProbeTable | None, Meta(description="Probe, for a probing program.")] = None


class KindWords(WordMap):
    """A log's own words for kinds of target, and our kinds."""

    __slots__ = ()
    plain = dict[str, KindName]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "object",
        "propertyNames": NAME_SCHEMA,
        "additionalProperties": {"type": "string", "enum": list(words_of(KindName))},
    }


class TargetWords(WordMap):
    """A log's own names of targets, and our names."""

    __slots__ = ()
    plain = dict[str, Name]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "object",
        "propertyNames": NAME_SCHEMA,
        "additionalProperties": NAME_SCHEMA,
    }


class RuleFile(FileTable, frozen=True, kw_only=True):
    """Rule for reading a log with one probe result a line."""

    units: Annotated[UnitName, Meta(description="Unit of every length in the log.", examples=["mm"])]
    line: Annotated[
        TextLine,
        Meta(
            description="Pattern of a result: the line's own words, with {kind}, {target}, {A}, {B}, {C}, {X}, "
            "{Y}, {Z} and {sigma} where the values stand and {} where anything may stand. Spaces match any white space.",
            examples=["TOUCH {target} AT A{A} C{C} WAS X{X} Y{Y} Z{Z}"],
        ),
    ]
    begins: Annotated[
        TextLine | None,
        Meta(
            description="Beginning of every line that is a result, and each of those must match; left out: every line "
            "that is not empty.",
            examples=["TOUCH"],
        ),
    ] = None
    ends: Annotated[
        TextLine | None,
        Meta(
            description="Beginning of the last line of a complete log; without it the log was cut off.",
            examples=["End of the page"],
        ),
    ] = None
    kind: Annotated[
        KindName | None,
        Meta(description="Kind of all targets, where the lines do not state it.", examples=["ball"]),
    ] = None
    kinds: Annotated[
        KindWords | None,
        Meta(description="The log's own words for kinds, and what they mean.", examples=[{"S": "ball"}]),
    ] = None
    target: Annotated[
        Name | None,
        Meta(description="Name of the only target, where the lines do not state it.", examples=["ball 1"]),
    ] = None
    targets: Annotated[
        TargetWords | None,
        Meta(description="The log's own names of targets, and what they mean.", examples=[{"T1": "ball 1"}]),
    ] = None
    at: Annotated[
        dict[Literal["A", "B", "C"], Angle] | None,
        Meta(description="Machine angles of rotaries that the lines do not state.", examples=[{"C": 0.0}]),
    ] = None
