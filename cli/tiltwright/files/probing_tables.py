"""Schema of what is said of a probe and of the probing of a part's zero, in job and plan files."""

from typing import Annotated

from msgspec import Meta

from tiltwright.files.machine_file import Along
from tiltwright.files.schema_types import Choice, FileTable, Point, PositiveLength

__all__ = [
    "EdgeTable",
    "FaceTable",
    "NestProbingTable",
    "ProbeTable",
    "RoundTable",
    "ZeroProbingTable",
]

Side = Annotated[Along, Choice(suggest=False)]


class ProbeTable(FileTable, frozen=True, kw_only=True):
    """The probe, for a probing program."""

    length: Annotated[
        PositiveLength,
        Meta(
            description="Length from the gauge line to the lowest point of the stylus ball.", examples=[148.5]
        ),
    ]
    ball_diameter: Annotated[PositiveLength, Meta(description="Diameter of the stylus ball.", examples=[6.0])]
    stylus_length: Annotated[
        PositiveLength | None,
        Meta(
            description="Length from the lowest point of the stylus ball up to where the probe is thicker than the ball; "
            "needed for a probing program.",
            examples=[50.0],
        ),
    ] = None
    body_diameter: Annotated[
        PositiveLength | None,
        Meta(
            description="Largest diameter of the probe above its stylus; needed for a probing program.",
            examples=[40.0],
        ),
    ] = None
    spare: Annotated[
        PositiveLength | None,
        Meta(
            description="Clearance of stylus and body from platter, stems and balls; left out: 2 mm.",
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
            description="Distance from the expected surface at which a touch begins; left out: 5 mm.",
            examples=[5.0],
        ),
    ] = None
    over: Annotated[
        PositiveLength | None,
        Meta(
            description="Distance beyond the expected surface at which a touch gives up; left out: 3 mm.",
            examples=[3.0],
        ),
    ] = None


class FaceTable(FileTable, frozen=True, kw_only=True):
    """A face that is touched once."""

    at: Annotated[
        Point, Meta(description="Point of the face to touch, part coordinates.", examples=[[0.0, 0.0, 0.0]])
    ]
    side: Annotated[
        Side,
        Meta(description="Side of the part that it is: where it looks, part coordinates.", examples=["+Z"]),
    ] = "+Z"


class EdgeTable(FileTable, frozen=True, kw_only=True):
    """An edge of the part, touched at one point or at two; two give the clocking."""

    side: Annotated[
        Side,
        Meta(
            description="Side of the part that it is: where it looks, part coordinates. The probe comes from there.",
            examples=["-X"],
        ),
    ]
    at: Annotated[
        tuple[Point, ...],
        Meta(
            min_length=1,
            max_length=2,
            description="Points to touch, one or two, part coordinates. Two, as far apart as the edge allows, give the "
            "clocking; no more than one edge has two.",
            examples=[[[-15.0, -14.0, -6.0], [-15.0, 14.0, -6.0]]],
        ),
    ]


class RoundTable(FileTable, frozen=True, kw_only=True):
    """A bore or a boss along the part's z."""

    at: Annotated[
        Point,
        Meta(description="Its centre at the height to touch, part coordinates.", examples=[[0.0, 0.0, -6.0]]),
    ]
    diameter: Annotated[PositiveLength, Meta(description="Its diameter.", examples=[16.0])]


class NestProbingTable(FileTable, frozen=True, kw_only=True):
    """Probing of one nest's part, where it differs from [zero_probing]: its targets instead of those, its limits."""

    within: Annotated[
        PositiveLength | None,
        Meta(
            description="How far a part's zero may lie from the stack's; beyond it the program stops. Left out: `within` of "
            "[touched], for a nest of [nest.touched].",
            examples=[0.3],
        ),
    ] = None
    clock_within: Annotated[
        Annotated[float, Meta(ge=0.001, le=5.0)] | None,
        Meta(
            description="Degrees by which a part may be clocked; beyond them the program stops, and `batch offsets` loads nothing. "
            "Needed where an edge has two points.",
            examples=[0.4],
        ),
    ] = None
    face: Annotated[
        FaceTable | None,
        Meta(description="The face. It goes with two edges, a bore or a boss."),
    ] = None
    edge: Annotated[
        tuple[EdgeTable, ...],
        Meta(
            max_length=2,
            description="Two edges, on sides that cross; or, beside a bore or boss, the one edge of two points that gives "
            "the clocking.",
        ),
    ] = ()
    bore: Annotated[RoundTable | None, Meta(description="A bore, touched inside.")] = None
    boss: Annotated[RoundTable | None, Meta(description="A boss, touched outside.")] = None


class ZeroProbingTable(NestProbingTable, frozen=True, kw_only=True):
    """Probing of each part's zero by a program, for `batch program`: a face, and two edges, a bore or a boss."""

    probe: Annotated[ProbeTable | None, Meta(description="Probe; the program needs it.")] = None
