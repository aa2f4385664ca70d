"""What a rule file may say: how a line of a control's log is read."""

from typing import Annotated, Literal

from pydantic import Field

from tiltwright.files.fields import Line, Name, Table, UnitName, choice

__all__ = ["RuleFile"]

KindName = Annotated[Literal["ball", "bore", "pin", "face"], choice("ball", "bore", "pin", "face")]


class RuleFile(Table):
    """How one probe result a line is read from a log."""

    units: Annotated[
        UnitName, Field(description="Unit of every length in the log; nothing guesses it.", examples=["mm"])
    ]
    line: Annotated[
        Line,
        Field(
            description="What a result looks like: the line's own words, with {kind}, {target}, {A}, {B}, {C}, {X}, "
            "{Y}, {Z} and {sigma} where the values stand and {} where anything may stand. Blanks match any blanks.",
            examples=["TOUCH {target} AT A{A} C{C} WAS X{X} Y{Y} Z{Z}"],
        ),
    ]
    begins: Annotated[
        Line | None,
        Field(
            description="Only lines that begin so are results, and every one of them must match; left out: every "
            "line that is not blank.",
            examples=["TOUCH"],
        ),
    ] = None
    ends: Annotated[
        Line | None,
        Field(
            description="How the last line of a whole log begins; a log without it was cut off.",
            examples=["LOG CLOSED"],
        ),
    ] = None
    kind: Annotated[
        KindName | None,
        Field(description="What all targets are, where the lines do not tell.", examples=["ball"]),
    ] = None
    kinds: Annotated[
        dict[Name, KindName] | None,
        Field(description="What the log's own words for kinds mean.", examples=[{"S": "ball"}]),
    ] = None
    target: Annotated[
        Name | None,
        Field(description="The one target of the log, where the lines do not tell.", examples=["ball 1"]),
    ] = None
    targets: Annotated[
        dict[Name, Name] | None,
        Field(description="What the log's own names of targets mean.", examples=[{"T1": "ball 1"}]),
    ] = None
    at: Annotated[
        dict[Literal["A", "B", "C"], float] | None,
        Field(description="Machine angles of rotaries that the lines do not tell.", examples=[{"C": 0.0}]),
    ] = None
