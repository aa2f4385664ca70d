"""Schema of the plan file: the targets to probe, the probe, the poses."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.machine_file import Along
from tiltwright.files.probing_tables import ProbeTable
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

__all__ = ["KindName", "PlanFile", "TargetTable"]

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
