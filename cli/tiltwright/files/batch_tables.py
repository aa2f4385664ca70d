"""Schema of the job file's tables for a batch: its hours and parts, the stub that a part is left on, the coating."""

import datetime as dt
import re
from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.diagnostics import InvalidValue, shown
from tiltwright.files.quantity import Duration, Force, Stress
from tiltwright.files.schema_types import (
    Angles,
    Choice,
    FieldType,
    FileTable,
    Name,
    Pair,
    Point,
    PositiveLength,
)

__all__ = ["DAYS", "GRIPPER", "BatchTable", "CoatedFaces", "Minutes", "Moment", "ShopWeek", "StubTable"]

GRIPPER = "gripper"
"""Word for what a solid is fixed to that is there at the unloading pose only."""

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
"""Words for the days of a week, as the file and the command have them."""
_FULL = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_DAY_LENGTH = 24 * 60
_SPAN = r"\s*(\d{1,2}):([0-5]\d)\s*[-\u2013]\s*(\d{1,2}):([0-5]\d)\s*"

Minutes = Annotated[float, Meta(gt=0.0, le=100_000.0)]
CoatedFaces = Annotated[Literal["inside", "outside", "one face", "no"] | None, Choice(suggest=False)]


class ShopWeek(FieldType, tuple[tuple[int, int] | None, ...]):
    """Hours of seven days from Monday, in minutes from midnight; a shift over midnight ends after 24 hours."""

    __slots__ = ()
    plain = tuple[tuple[int, int] | None, ...]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "object",
        "minProperties": 1,
        "additionalProperties": {"type": "string"},
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read days and spans of days with their hours."""
        allowed = 'days with their hours, such as { Mon-Fri = "7:00-16:00", Sat = "8:00-12:00" }'
        if not isinstance(value, dict) or not value:
            raise InvalidValue(allowed=allowed)
        week: list[tuple[int, int] | None] = [None] * 7
        for key, hours in value.items():
            days = _days_of(key) if isinstance(key, str) else ()
            if not days:
                raise InvalidValue(allowed=allowed, found=f"the day {shown(key)}")
            span = _span_of(hours)
            if span is None:
                raise InvalidValue(
                    allowed="from when to when, on the clock of 24 hours", found=f"{key} = {shown(hours)}"
                )
            for day in days:
                if week[day] is not None:
                    raise InvalidValue(allowed="each day once", found=f"{DAYS[day]} twice")
                week[day] = span
        return tuple(week)


def _days_of(word: str) -> tuple[int, ...]:
    """The days of a word such as Sat or Mon-Fri, from 0; none where it is no such word."""
    ends = [
        next(
            (k for k in range(7) if part.strip().casefold() in (DAYS[k].casefold(), _FULL[k])),
            None,
        )
        for part in re.split(r"[-\u2013]", word)
    ]
    if not 1 <= len(ends) <= 2 or None in ends:
        return ()
    first, last = ends[0] or 0, ends[-1] or 0
    return tuple((first + k) % 7 for k in range((last - first) % 7 + 1))


def _span_of(text: object) -> tuple[int, int] | None:
    """From when to when, minutes from midnight; None where a text is no such span."""
    match = re.fullmatch(_SPAN, text, re.ASCII) if isinstance(text, str) else None
    if match is None:
        return None
    opening, closing = (60 * int(match[k]) + int(match[k + 1]) for k in (1, 3))
    if opening >= _DAY_LENGTH or closing > _DAY_LENGTH:
        return None
    # A shift that ends when, or before, it began ends on the next day.
    return opening, closing if closing > opening else closing + _DAY_LENGTH


_MOMENT = r"\s*(\d{4})-(\d{1,2})-(\d{1,2})[ T](\d{1,2}):([0-5]\d)(?::00)?\s*"


class Moment(FieldType, str):
    """A moment on the shop's clock, as ``2026-12-07T07:00``."""

    __slots__ = ()
    plain = str
    schema: ClassVar[dict[str, Any] | None] = {"type": "string", "pattern": f"^{_MOMENT}$"}

    @classmethod
    def before(cls, value: object) -> object:
        """Read a date and a time, as text or as TOML has them."""
        allowed = 'a day and a time, year first: "2026-12-07 7:00"'
        if isinstance(value, dt.datetime) and value.tzinfo is None:
            value = value.isoformat(" ", "minutes")
        match = re.fullmatch(_MOMENT, value, re.ASCII) if isinstance(value, str) else None
        if match is None:
            raise InvalidValue(allowed=allowed)
        try:
            moment = dt.datetime(*map(int, match.groups()))  # type: ignore[arg-type]  # noqa: DTZ001 - the shop's clock
        except ValueError:
            raise InvalidValue(allowed=f"{allowed}, a day that there is") from None
        return moment.isoformat("T", "minutes")


class BatchTable(FileTable, frozen=True, kw_only=True):
    """The batch: how many parts, the shop's hours, and what stands between two parts."""

    parts: Annotated[
        Annotated[int, Meta(ge=1, le=1_000_000)] | None,
        Meta(description="Parts to make; --parts is asked for where it is left out.", examples=[150]),
    ] = None
    per_platter: Annotated[
        Annotated[int, Meta(ge=1, le=1000)] | None,
        Meta(
            description="Parts that are done when a platter is; left out: one for each nest, where every operation is done "
            "in every nest.",
            examples=[2],
        ),
    ] = None
    start: Annotated[
        Moment | None,
        Meta(
            description="When the first platter is loaded, on the shop's clock.", examples=["2026-12-07 7:00"]
        ),
    ] = None
    hours: Annotated[
        ShopWeek | None,
        Meta(
            description="Hours with somebody there, day by day; days left out are closed. A shift that ends before it begins "
            "ends on the next day.",
            examples=[{"Mon-Fri": "7:00-16:00"}],
        ),
    ] = None
    unattended: Annotated[
        Duration | None,
        Meta(
            description="How long the machine may run alone after closing; left out: not at all.",
            examples=["4 h"],
        ),
    ] = None
    loading: Annotated[
        Duration | None,
        Meta(
            description="Time to unload and load one platter, with somebody there; left out: none is counted.",
            examples=["8 min"],
        ),
    ] = None
    probe_every: Annotated[
        Annotated[int, Meta(ge=1, le=1_000_000)] | None,
        Meta(description="Parts between two re-probings.", examples=[40]),
    ] = None
    probing: Annotated[Duration | None, Meta(description="Time of one re-probing.", examples=["4 min"])] = (
        None
    )


class StubTable(FileTable, frozen=True, kw_only=True):
    """The stub that a part is left on until an unloading arm, or a hand, breaks it off."""

    round: Annotated[PositiveLength | None, Meta(description="Diameter of a round stub.", examples=[6.0])] = (
        None
    )
    bore: Annotated[
        PositiveLength | None, Meta(description="Bore of a round stub that is a tube.", examples=[3.0])
    ] = None
    bar: Annotated[
        Pair | None,
        Meta(description="Edges of a bar along x and y of the part.", examples=[[10.0, 4.0]]),
    ] = None
    length: Annotated[
        PositiveLength,
        Meta(description="From the gripped stock up to the part, along the part's z.", examples=[2.0]),
    ]
    head: Annotated[
        Point,
        Meta(
            description="Middle of its upper end, where the part begins, part coordinates.",
            examples=[[0.0, 0.0, -24.0]],
        ),
    ]
    material: Annotated[
        Name,
        Meta(
            description='"steel", "aluminium", "gray iron", or a [[material]] of the job.',
            examples=["aluminium"],
        ),
    ]
    strength: Annotated[
        Stress | None,
        Meta(
            description="Stress at which it breaks, with the unit; left out: that of its [[material]], which must then state "
            "one.",
            examples=["310 MPa"],
        ),
    ] = None
    grip: Annotated[
        PositiveLength | None,
        Meta(
            description="Height above the stub's upper end at which the arm pushes or grips.", examples=[15.0]
        ),
    ] = None
    arm: Annotated[
        Force | None,
        Meta(
            description="Force that the arm can put across the part there, with the unit.", examples=["400 N"]
        ),
    ] = None
    unload: Annotated[
        Angles | None,
        Meta(
            description="Program angles at which the arm takes the part, one for every rotary of the machine. Solids on "
            '"gripper" are there then, and only then.',
            examples=[{"A": 0.0, "C": 0.0}],
        ),
    ] = None
