"""What a job file may say. Lengths are in the file's own unit; angles in degrees."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, WithJsonSchema

from tiltwright.files.angle import ANGLE_PATTERN
from tiltwright.files.fields import (
    Angle,
    Angles,
    AxisTurns,
    Coordinate,
    Direction,
    Line,
    Name,
    Pair,
    Point,
    PositiveLength,
    Table,
    ThreePoints,
    UnitName,
    choice,
    refuse,
)
from tiltwright.files.quantity import Mass
from tiltwright.files.solid_tables import (
    CuttingForce,
    MaterialTable,
    RetractTable,
    SolidTable,
    SweepTable,
    ToolTable,
)

__all__ = [
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

_ONE_FORM: dict[str, Any] = {"oneOf": [{"required": [form]} for form in FORMS]}


class StackTable(Table):
    """A step of the stack, from the platter up: it moves, then rotates, then turns what follows."""

    name: Annotated[Name, Field(description="What it is.", examples=["sub-plate"])]
    up: Annotated[
        Coordinate,
        Field(description="How far it lifts what stands on it, along z so far.", examples=[20.012]),
    ] = 0.0
    shift: Annotated[
        Pair, Field(description="How far it moves it along x and y so far.", examples=[[0.015, -0.008]])
    ] = (0.0, 0.0)
    rotate: Annotated[
        AxisTurns | None,
        Field(
            description="Then turns, in order, each about an axis as turned so far, right-handed, degrees.",
            examples=[[["x", 15.0]]],
        ),
    ] = None
    turn: Annotated[
        Angle, Field(description="Then a turn about z, right-handed, degrees.", examples=[0.35])
    ] = 0.0
    round: Annotated[
        PositiveLength | None,
        Field(description="Its diameter, where it is a round as tall as `up`.", examples=[60.0]),
    ] = None
    bore: Annotated[
        PositiveLength | None, Field(description="The bore of a round that is a tube.", examples=[30.0])
    ] = None
    bar: Annotated[
        Pair | None,
        Field(
            description="Its edges along x and y, where it is a bar as tall as `up`.", examples=[[50.0, 40.0]]
        ),
    ] = None
    blank: Annotated[
        bool, Field(description="Whether it is the blank, which a tool may cut.", examples=[True])
    ] = False
    mass: Annotated[Mass | None, Field(description="Its mass, with the unit.", examples=["3.2 kg"])] = None
    material: Annotated[
        Name | None,
        Field(
            description='What it is made of: "steel", "aluminium", "gray iron", or a [[material]] of the job.',
            examples=["steel"],
        ),
    ] = None


class RepeatTable(Table):
    """The operation again, turned about the part's z: "port 1", "port 2" and so on."""

    count: Annotated[
        int, Field(ge=1, le=999, description="How many there are, with the first one.", examples=[6])
    ]
    step: Annotated[
        Angle,
        Field(description="Degrees from one to the next about the part's z, right-handed.", examples=[60.0]),
    ]


class OperationTable(Table):
    """One orientation of the part, and the origin that its program uses."""

    model_config = ConfigDict(json_schema_extra=_ONE_FORM)

    name: Annotated[Name, Field(description="What it is; no two alike.", examples=["face and bore"])]
    at: Annotated[
        Angles | None,
        Field(
            description="Program angles in degrees, every rotary of the machine named.",
            examples=[{"A": -35.0, "C": 60.0}],
        ),
    ] = None
    normal: Annotated[
        Direction | None,
        Field(
            description="The direction that must face the spindle: outward, part coordinates, any length.",
            examples=[[0.0, -0.5, 0.8660254037844386]],
        ),
    ] = None
    tip: Annotated[
        AxisTurns | None,
        Field(
            description="Turns about the moving axes, right-handed, degrees; z ends as the plane's normal.",
            examples=[[["z", 60.0], ["x", 35.0]]],
        ),
    ] = None
    through: Annotated[
        ThreePoints | None,
        Field(
            description="Three points of the plane, part coordinates: origin side, toward +x, on the +y side.",
            examples=[[[0, 0, 0], [10, 0, 2], [0, 10, 3]]],
        ),
    ] = None
    origin: Annotated[
        Point, Field(description="The program's zero, part coordinates.", examples=[[0.0, -18.0, -12.0]])
    ] = (0.0, 0.0, 0.0)
    repeat: Annotated[
        RepeatTable | None,
        Field(description="The same again about the part's z.", examples=[{"count": 6, "step": 60.0}]),
    ] = None
    work_offset: Annotated[
        int | None,
        Field(
            ge=1,
            le=LAST_WORK_OFFSET,
            description="Number of the work offset, 1 to 9 (1 is G54); repeats take the following ones.",
            examples=[1],
        ),
    ] = None
    tilt: Annotated[
        Literal["positive", "negative"] | None,
        choice("positive", "negative", suggest=False),
        Field(
            description="Which sign the tilting rotary's program angle must have, where both would do.",
            examples=["negative"],
        ),
    ] = None
    hold: Annotated[
        Angles | None,
        Field(
            description="Rotaries to keep at these program angles, in degrees, while aiming.",
            examples=[{"C": 30.0}],
        ),
    ] = None
    when_free: Annotated[
        Literal["keep", "line up x"] | None,
        choice("keep", "line up x"),
        Field(
            description="Where the last rotary is free: keep the angle of the operation before, or line the plane's "
            "x up with the machine's X.",
            examples=["keep"],
        ),
    ] = None
    program: Annotated[
        Name | None, Field(description="Name of the program that is run here.", examples=["head-ports"])
    ] = None
    tool: Annotated[
        Name | None,
        Field(
            description="The tool that is used first; where the job has [[tool]] tables, one of them.",
            examples=["6 mm drill"],
        ),
    ] = None
    sweep: Annotated[
        SweepTable | None,
        Field(
            description="The box that the tip sweeps, from the origin, in the program's X, Y and Z; left out, the "
            "origin alone.",
            examples=[{"x": [-10.0, 10.0], "y": [-10.0, 10.0], "z": [-12.0, 5.0]}],
        ),
    ] = None
    force: CuttingForce = None


class TouchedTable(Table):
    """A part zero touched off at the machine, to hold against the one that the stack gives."""

    X: Annotated[Coordinate, Field(description="Machine X read there.", examples=[-381.01])]
    Y: Annotated[Coordinate, Field(description="Machine Y read there.", examples=[-203.413])]
    Z: Annotated[Coordinate, Field(description="Machine Z read there.", examples=[-179.096])]
    pose: Annotated[
        Angles,
        Field(
            description="Machine angles at which it was touched off, every rotary of the machine named.",
            examples=[{"A": 0.0, "C": 0.0}],
        ),
    ]
    use: Annotated[
        Literal["stack", "touched"],
        choice("stack", "touched"),
        Field(description="Which of the two the work offsets go by.", examples=["touched"]),
    ]
    within: Annotated[
        PositiveLength | None,
        Field(description="The largest distance between the two that is accepted.", examples=[0.02]),
    ] = None


def _square_up(value: object) -> object:
    """A letter alone becomes a table without a reading: the turn is then taken from the stack."""
    if isinstance(value, str):
        return {value: None}
    if isinstance(value, dict) and value and None not in value.values():
        return value
    raise refuse('a rotary\'s letter, "C", or its reading when the edge was straight, { C = 0.35 }')


SquareUp = Annotated[
    dict[str, Angle | None],
    BeforeValidator(_square_up),
    WithJsonSchema(
        {
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
    ),
]


class JobFile(Table):
    """A part on its stack on the machine's platter, and the operations to run on it."""

    name: Annotated[Name, Field(description="What is made.", examples=["Tide-gauge head, side ports"])]
    units: Annotated[
        UnitName, Field(description="Unit of every length in this file; nothing guesses it.", examples=["mm"])
    ]
    machine: Annotated[
        Line,
        Field(description="The machine file, seen from this file's folder.", examples=["teaching_mill.toml"]),
    ]
    revision: Annotated[Name | None, Field(description="Revision of the drawing or job.", examples=["B"])] = (
        None
    )
    notes: Annotated[
        tuple[Line, ...],
        Field(
            strict=False,
            description="Remarks for the sheet, a line each.",
            examples=[["deburr the rim first"]],
        ),
    ] = ()
    square_up: Annotated[
        SquareUp | None,
        Field(
            description="Put a clocking error into this rotary's work offset so that the program keeps its round "
            "angles: a letter (the error is taken from the stack), or its display reading when the edge was straight.",
            examples=["C", {"C": 0.35}],
        ),
    ] = None
    aim_within: Annotated[
        float,
        Field(
            gt=0.0, le=90.0, description="By how many degrees an aimed direction may miss.", examples=[0.01]
        ),
    ] = 0.01
    stack: Annotated[
        tuple[StackTable, ...],
        Field(strict=False, description="What stands between platter and part zero, from the platter up."),
    ] = ()
    touched: Annotated[TouchedTable | None, Field(description="Part zero as touched off at the machine.")] = (
        None
    )
    operation: Annotated[
        tuple[OperationTable, ...], Field(strict=False, min_length=1, description="The operations, in order.")
    ]
    tool: Annotated[tuple[ToolTable, ...], Field(strict=False, description="The tools, for reach.")] = ()
    solid: Annotated[
        tuple[SolidTable, ...],
        Field(strict=False, description="What is in the way beside the stack: part, clamps, screws."),
    ] = ()
    material: Annotated[
        tuple[MaterialTable, ...], Field(strict=False, description="Materials beside the known ones.")
    ] = ()
    retract: Annotated[
        RetractTable | None,
        Field(
            description="Where the spindle stands during index moves, machine readouts in this file's unit; goes "
            "before the machine's.",
            examples=[{"z": 0.0}],
        ),
    ] = None
    clear: Annotated[
        PositiveLength | None,
        Field(description="The distance to keep between what cuts and what turns.", examples=[2.0]),
    ] = None
