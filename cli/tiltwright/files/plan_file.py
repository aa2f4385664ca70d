"""What a plan file may say: what is to be probed, with what, and at which poses."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.machine_file import Along
from tiltwright.files.schema_types import (
    Angles,
    Choice,
    Direction,
    FileTable,
    Name,
    Point,
    PositiveLength,
    UnitName,
)

__all__ = ["KindName", "PlanFile", "ProbeTable", "TargetTable"]

KindName = Annotated[Literal["ball", "bore", "pin", "face"], Choice()]

_NOT_BOTH: dict[str, Any] = {"not": {"required": ["along", "direction"]}}


class TargetTable(FileTable, frozen=True, kw_only=True):
    """A thing on the table, where it stands at the all-zero pose."""

    schema_rule: ClassVar[dict[str, Any]] = _NOT_BOTH

    name: Annotated[Name, Meta(description="What it is called in the readings.", examples=["ball 1"])]
    kind: Annotated[
        KindName,
        Meta(description="What it is.", examples=["ball"]),
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
            description="At the all-zero pose: of a bore or pin its axis, away from the table; of a face the way it "
            "looks; of a ball the way it stands off its stem. Give this or `direction`; +Z if neither.",
            examples=["+Z"],
        ),
    ] = None
    direction: Annotated[
        Direction | None, Meta(description="The same for other directions.", examples=[[0.0, 0.6, 0.8]])
    ] = None
    diameter: Annotated[
        PositiveLength | None,
        Meta(description="Of a ball, bore or pin; needed for a probing program.", examples=[20.0]),
    ] = None
    stem_diameter: Annotated[
        PositiveLength | None,
        Meta(
            description="Of a ball: the thickest that its stem is, from the ball to the table, along the way the ball "
            "stands off; needed for a probing program.",
            examples=[8.0],
        ),
    ] = None


class ProbeTable(FileTable, frozen=True, kw_only=True):
    """The probe, for a probing program."""

    length: Annotated[
        PositiveLength,
        Meta(description="From the gauge line to the lowest point of its tip.", examples=[148.5]),
    ]
    tip: Annotated[PositiveLength, Meta(description="Diameter of the tip.", examples=[6.0])]
    stylus_length: Annotated[
        PositiveLength | None,
        Meta(
            description="From the lowest point of the tip up to where the probe is thicker than its tip; needed for a "
            "probing program.",
            examples=[50.0],
        ),
    ] = None
    body_diameter: Annotated[
        PositiveLength | None,
        Meta(
            description="The thickest that the probe is above its stylus; needed for a probing program.",
            examples=[40.0],
        ),
    ] = None
    spare: Annotated[
        PositiveLength | None,
        Meta(
            description="How near stylus and body may come to platter, stems and balls; 2 mm where left out.",
            examples=[2.0],
        ),
    ] = None
    offset: Annotated[
        int,
        Meta(
            ge=1,
            le=9999,
            description="Number of its tool length offset (H of G43), which must hold its length when the program runs: "
            "from the gauge line, or with a reference tool how much longer it is than that.",
            examples=[20],
        ),
    ]
    feed: Annotated[PositiveLength, Meta(description="Feed of a touch, per minute.", examples=[80.0])]
    move: Annotated[
        PositiveLength, Meta(description="Feed between touches below the safe height.", examples=[600.0])
    ]
    clearance: Annotated[
        PositiveLength | None,
        Meta(
            description="How far off the expected surface a touch begins; 5 mm where left out.",
            examples=[5.0],
        ),
    ] = None
    over: Annotated[
        PositiveLength | None,
        Meta(
            description="How far beyond the expected surface a touch may go; 3 mm where left out.",
            examples=[3.0],
        ),
    ] = None


class PlanFile(FileTable, frozen=True, kw_only=True):
    """What is to be probed, and how."""

    name: Annotated[Name, Meta(description="What the plan is called.", examples=["Spring check"])]
    units: Annotated[UnitName, Meta(description="Unit of every length in this file.", examples=["mm"])]
    repeatability: Annotated[
        PositiveLength,
        Meta(description="The probe's standard uncertainty in each coordinate.", examples=[0.002]),
    ]
    target: Annotated[
        tuple[TargetTable, ...],
        Meta(min_length=1, max_length=99, description="What is to be probed."),
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
        Meta(description="How many poses to choose for the least uncertainty.", examples=[12]),
    ] = None
    step: Annotated[
        float,
        Meta(ge=1.0, le=180.0, description="Degrees between the poses to choose from.", examples=[30.0]),
    ] = 30.0
    probe: Annotated[ProbeTable | None, Meta(description="The probe, for a probing program.")] = None
