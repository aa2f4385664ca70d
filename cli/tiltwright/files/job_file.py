"""What a job file may say. Lengths are in the file's own unit; angles in degrees."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.angle import ANGLE_PATTERN
from tiltwright.files.diagnostics import InvalidValue
from tiltwright.files.quantity import Mass
from tiltwright.files.schema_types import (
    Angle,
    Angles,
    AxisTurns,
    Choice,
    Coordinate,
    Direction,
    FieldType,
    FileTable,
    Name,
    Pair,
    Point,
    PositiveLength,
    TextLine,
    ThreePoints,
    UnitName,
)
from tiltwright.files.solid_tables import (
    CuttingForce,
    MaterialTable,
    RetractTable,
    SolidTable,
    SweepTable,
    ToolTable,
)
from tiltwright.files.z_reading import ANY_Z

__all__ = [
    "DEFAULT_WITHIN",
    "FORMS",
    "LAST_WORK_OFFSET",
    "JobFile",
    "OperationTable",
    "RepeatTable",
    "StackTable",
    "TouchedTable",
]

FORMS = ("at", "normal", "tip", "through")
"""The ways to say how the part must stand; an operation has just one."""

LAST_WORK_OFFSET = 9
"""RS274/NGC has nine coordinate systems (NISTIR 6556, section 3.2.2)."""

DEFAULT_WITHIN = {"mm": 0.5, "inch": 0.02}
"""How far a touched-off part zero may be from the stack's where the job does not say, by the job's unit.

More than a stack of ground plates and a clean standoff is ever off, less than any tool is long."""

_ONE_FORM: dict[str, Any] = {"oneOf": [{"required": [form]} for form in FORMS]}


class StackTable(FileTable, frozen=True, kw_only=True):
    """A step of the stack, from the platter up: it moves, then rotates, then turns what follows."""

    name: Annotated[Name, Meta(description="What it is.", examples=["sub-plate"])]
    up: Annotated[
        Coordinate,
        Meta(description="How far it lifts what stands on it, along z so far.", examples=[20.012]),
    ] = 0.0
    shift: Annotated[
        Pair, Meta(description="How far it moves it along x and y so far.", examples=[[0.015, -0.008]])
    ] = (0.0, 0.0)
    rotate: Annotated[
        AxisTurns | None,
        Meta(
            description="Then turns, in order, each about an axis as turned so far, right-handed, degrees.",
            examples=[[["x", 15.0]]],
        ),
    ] = None
    turn: Annotated[
        Angle, Meta(description="Then a turn about z, right-handed, degrees.", examples=[0.35])
    ] = Angle(0.0)
    round: Annotated[
        PositiveLength | None,
        Meta(description="Its diameter, where it is a round as tall as `up`.", examples=[60.0]),
    ] = None
    bore: Annotated[
        PositiveLength | None, Meta(description="The bore of a round that is a tube.", examples=[30.0])
    ] = None
    bar: Annotated[
        Pair | None,
        Meta(
            description="Its edges along x and y, where it is a bar as tall as `up`.", examples=[[50.0, 40.0]]
        ),
    ] = None
    blank: Annotated[
        bool | None, Meta(description="Whether it is the blank, which a tool may cut.", examples=[True])
    ] = None
    mass: Annotated[Mass | None, Meta(description="Its mass, with the unit.", examples=["3.2 kg"])] = None
    material: Annotated[
        Name | None,
        Meta(
            description='What it is made of: "steel", "aluminium", "gray iron", or a [[material]] of the job.',
            examples=["steel"],
        ),
    ] = None


class RepeatTable(FileTable, frozen=True, kw_only=True):
    """The operation again, turned about the part's z: "port 1", "port 2" and so on."""

    count: Annotated[
        int, Meta(ge=1, le=999, description="How many there are, with the first one.", examples=[6])
    ]
    step: Annotated[
        Angle,
        Meta(description="Degrees from one to the next about the part's z, right-handed.", examples=[60.0]),
    ]


class OperationTable(FileTable, frozen=True, kw_only=True):
    """One orientation of the part, and the origin that its program uses."""

    schema_rule: ClassVar[dict[str, Any]] = _ONE_FORM

    name: Annotated[Name, Meta(description="What it is; no two alike.", examples=["face and bore"])]
    at: Annotated[
        Angles | None,
        Meta(
            description="Program angles in degrees, every rotary of the machine named.",
            examples=[{"A": -35.0, "C": 60.0}],
        ),
    ] = None
    normal: Annotated[
        Direction | None,
        Meta(
            description="The direction that must face the spindle: outward, part coordinates, any length.",
            examples=[[0.0, -0.5, 0.8660254037844386]],
        ),
    ] = None
    tip: Annotated[
        AxisTurns | None,
        Meta(
            description="Turns about the moving axes, right-handed, degrees; z ends as the plane's normal.",
            examples=[[["z", 60.0], ["x", 35.0]]],
        ),
    ] = None
    through: Annotated[
        ThreePoints | None,
        Meta(
            description="Three points of the plane, part coordinates: origin side, toward +x, on the +y side.",
            examples=[[[0, 0, 0], [10, 0, 2], [0, 10, 3]]],
        ),
    ] = None
    origin: Annotated[
        Point, Meta(description="The program's zero, part coordinates.", examples=[[0.0, -18.0, -12.0]])
    ] = (0.0, 0.0, 0.0)
    repeat: Annotated[
        RepeatTable | None,
        Meta(description="The same again about the part's z.", examples=[{"count": 6, "step": 60.0}]),
    ] = None
    work_offset: Annotated[
        Annotated[int, Meta(ge=1, le=LAST_WORK_OFFSET)] | None,
        Meta(
            description="Number of the work offset, 1 to 9 (1 is G54); repeats take the following ones.",
            examples=[1],
        ),
    ] = None
    tilt: Annotated[
        Literal["positive", "negative"] | None,
        Choice(suggest=False),
        Meta(
            description="Which sign the tilting rotary's program angle must have, where both would do.",
            examples=["negative"],
        ),
    ] = None
    hold: Annotated[
        Angles | None,
        Meta(
            description="Rotaries to keep at these program angles, in degrees, while aiming.",
            examples=[{"C": 30.0}],
        ),
    ] = None
    when_free: Annotated[
        Literal["keep", "line up x"] | None,
        Choice(),
        Meta(
            description="Where the last rotary is free: keep the angle of the operation before, or line the plane's "
            "x up with the machine's X.",
            examples=["keep"],
        ),
    ] = None
    program: Annotated[
        Name | None, Meta(description="Name of the program that is run here.", examples=["head-ports"])
    ] = None
    tool: Annotated[
        Name | None,
        Meta(
            description="The tool that is used first; where the job has [[tool]] tables, one of them.",
            examples=["6 mm drill"],
        ),
    ] = None
    sweep: Annotated[
        SweepTable | None,
        Meta(
            description="The box that the tip sweeps, from the origin, in the program's X, Y and Z; left out, the "
            "origin alone.",
            examples=[{"x": [-10.0, 10.0], "y": [-10.0, 10.0], "z": [-12.0, 5.0]}],
        ),
    ] = None
    force: CuttingForce = None


class TouchedTable(FileTable, frozen=True, kw_only=True):
    """A part zero touched off at the machine, to hold against the one that the stack gives."""

    X: Annotated[Coordinate, Meta(description="Machine X read there.", examples=[-381.01])]
    Y: Annotated[Coordinate, Meta(description="Machine Y read there.", examples=[-203.413])]
    Z: Annotated[Coordinate, Meta(description=ANY_Z, examples=[-179.096])]
    pose: Annotated[
        Angles,
        Meta(
            description="Machine angles at which it was touched off, every rotary of the machine named.",
            examples=[{"A": 0.0, "C": 0.0}],
        ),
    ]
    use: Annotated[
        Literal["stack", "touched"],
        Choice(),
        Meta(description="Which of the two the work offsets go by.", examples=["touched"]),
    ]
    within: Annotated[
        PositiveLength | None,
        Meta(
            description="The largest distance between the two that is accepted; beyond it no offsets are written. Left "
            f"out: {DEFAULT_WITHIN['mm']:g} mm, or {DEFAULT_WITHIN['inch']:g} in where the job is in inches.",
            examples=[0.02],
        ),
    ] = None


class SquareUp(FieldType, dict[str, float | None]):
    """Rotaries and their display readings when the edge was straight; None where the stack gives the turn."""

    __slots__ = ()
    plain = dict[str, Angle | None]
    schema: ClassVar[dict[str, Any] | None] = {
        "anyOf": [
            {"type": "string", "enum": ["A", "B", "C"]},
            {
                "type": "object",
                "minProperties": 1,
                "additionalProperties": {
                    "anyOf": [{"type": "number"}, {"type": "string", "pattern": ANGLE_PATTERN}]
                },
            },
        ]
    }

    @classmethod
    def before(cls, value: object) -> object:
        """A letter alone becomes a table without a reading."""
        if isinstance(value, str):
            return {value: None}
        if isinstance(value, dict) and value and None not in value.values():
            return value
        raise InvalidValue(
            allowed='a rotary\'s letter, "C", or its reading when the edge was straight, { C = 0.35 }'
        )


class JobFile(FileTable, frozen=True, kw_only=True):
    """A part on its stack on the machine's platter, and the operations to run on it."""

    name: Annotated[Name, Meta(description="What is made.", examples=["Tide-gauge head, side ports"])]
    units: Annotated[
        UnitName, Meta(description="Unit of every length in this file; nothing guesses it.", examples=["mm"])
    ]
    machine: Annotated[
        TextLine,
        Meta(description="The machine file, seen from this file's folder.", examples=["teaching_mill.toml"]),
    ]
    revision: Annotated[Name | None, Meta(description="Revision of the drawing or job.", examples=["B"])] = (
        None
    )
    notes: Annotated[
        tuple[TextLine, ...],
        Meta(
            description="Remarks for the sheet, a line each.",
            examples=[["deburr the rim first"]],
        ),
    ] = ()
    square_up: Annotated[
        SquareUp | None,
        Meta(
            description="Put a clocking error into this rotary's work offset so that the program keeps its round "
            "angles: a letter (the error is taken from the stack), or its display reading when the edge was straight.",
            examples=["C", {"C": 0.35}],
        ),
    ] = None
    aim_within: Annotated[
        float,
        Meta(
            gt=0.0, le=90.0, description="By how many degrees an aimed direction may miss.", examples=[0.01]
        ),
    ] = 0.01
    stack: Annotated[
        tuple[StackTable, ...],
        Meta(description="What stands between platter and part zero, from the platter up."),
    ] = ()
    touched: Annotated[TouchedTable | None, Meta(description="Part zero as touched off at the machine.")] = (
        None
    )
    operation: Annotated[
        tuple[OperationTable, ...], Meta(min_length=1, description="The operations, in order.")
    ]
    tool: Annotated[tuple[ToolTable, ...], Meta(description="The tools, for reach.")] = ()
    solid: Annotated[
        tuple[SolidTable, ...],
        Meta(description="What is in the way beside the stack: part, clamps, screws."),
    ] = ()
    material: Annotated[tuple[MaterialTable, ...], Meta(description="Materials beside the known ones.")] = ()
    retract: Annotated[
        RetractTable | None,
        Meta(
            description="Where the spindle stands during index moves, machine readouts in this file's unit; goes "
            "before the machine's.",
            examples=[{"z": 0.0}],
        ),
    ] = None
    clear: Annotated[
        PositiveLength | None,
        Meta(description="The distance to keep between what cuts and what turns.", examples=[2.0]),
    ] = None
