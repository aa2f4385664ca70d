"""Schema of the rule file: the pattern of a result in a control's log."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.plan_file import KindName
from tiltwright.files.schema_types import (
    NAME_SCHEMA,
    Angle,
    FileTable,
    Name,
    TextLine,
    UnitName,
    WordMap,
    words_of,
)

__all__ = ["RuleFile"]


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
