"""What a rule file may say: how a line of a control's log is read."""

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
    """A log's own words for kinds, and what they mean."""

    __slots__ = ()
    plain = dict[str, KindName]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "object",
        "propertyNames": NAME_SCHEMA,
        "additionalProperties": {"type": "string", "enum": list(words_of(KindName))},
    }


class TargetWords(WordMap):
    """A log's own names of targets, and ours."""

    __slots__ = ()
    plain = dict[str, Name]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "object",
        "propertyNames": NAME_SCHEMA,
        "additionalProperties": NAME_SCHEMA,
    }


class RuleFile(FileTable, frozen=True, kw_only=True):
    """How one probe result a line is read from a log."""

    units: Annotated[
        UnitName, Meta(description="Unit of every length in the log; nothing guesses it.", examples=["mm"])
    ]
    line: Annotated[
        TextLine,
        Meta(
            description="What a result looks like: the line's own words, with {kind}, {target}, {A}, {B}, {C}, {X}, "
            "{Y}, {Z} and {sigma} where the values stand and {} where anything may stand. Blanks match any blanks.",
            examples=["TOUCH {target} AT A{A} C{C} WAS X{X} Y{Y} Z{Z}"],
        ),
    ]
    begins: Annotated[
        TextLine | None,
        Meta(
            description="Only lines that begin so are results, and every one of them must match; left out: every "
            "line that is not blank.",
            examples=["TOUCH"],
        ),
    ] = None
    ends: Annotated[
        TextLine | None,
        Meta(
            description="How the last line of a whole log begins; a log without it was cut off.",
            examples=["End of the page"],
        ),
    ] = None
    kind: Annotated[
        KindName | None,
        Meta(description="What all targets are, where the lines do not tell.", examples=["ball"]),
    ] = None
    kinds: Annotated[
        KindWords | None,
        Meta(description="What the log's own words for kinds mean.", examples=[{"S": "ball"}]),
    ] = None
    target: Annotated[
        Name | None,
        Meta(description="The one target of the log, where the lines do not tell.", examples=["ball 1"]),
    ] = None
    targets: Annotated[
        TargetWords | None,
        Meta(description="What the log's own names of targets mean.", examples=[{"T1": "ball 1"}]),
    ] = None
    at: Annotated[
        dict[Literal["A", "B", "C"], Angle] | None,
        Meta(description="Machine angles of rotaries that the lines do not tell.", examples=[{"C": 0.0}]),
    ] = None
