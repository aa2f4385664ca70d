"""Schema of the job file. Lengths are in the file's own unit, angles in degrees."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.batch_tables import BatchTable, Minutes, StubTable
from tiltwright.files.diagnostics import InvalidValue
from tiltwright.files.probing_tables import NestProbingTable, ZeroProbingTable
from tiltwright.files.quantity import Mass, Thickness
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
    JobSolidTable,
    MaterialTable,
    RetractTable,
    SweepTable,
    ToolTable,
)
from tiltwright.files.uncertainty_tables import (
    CorrectionTable,
    FeatureTable,
    ReclampingTable,
    SeamTable,
    SeatSpread,
    SpreadLength,
    TemperatureTable,
    Touches,
)
from tiltwright.files.units import ANGLE_PATTERN
from tiltwright.files.z_reading import ANY_Z

__all__ = [
    "DEFAULT_WITHIN",
    "FORMS",
    "LAST_WORK_OFFSET",
    "TOUCH",
    "JobFile",
    "NestTable",
    "OperationTable",
    "RepeatTable",
    "StackTable",
    "TouchedTable",
]

FORMS = ("at", "normal", "tip", "through")
"""The keys that orient the part; an operation has exactly one."""

LAST_WORK_OFFSET = 9
"""RS274/NGC has nine coordinate systems (NISTIR 6556, section 3.2.2)."""

DEFAULT_WITHIN = {"mm": 0.5, "inch": 0.02}
"""Limit of a touched-off part zero's distance from the stack's where the job states none, by the job's unit.

More than a stack of ground plates and a clean standoff is ever off, less than any tool is long."""

TOUCH = {
    "X": "X = -381.01",
    "Y": "Y = -203.413",
    "Z": "Z = -179.096",
    "pose": "pose = { A = 0, C = 0 }",
    "use": 'use = "stack" or "touched"',
}
"""The keys of a touch-off, all of them or none, with an example of each."""

_ONE_FORM: dict[str, Any] = {"oneOf": [{"required": [form]} for form in FORMS]}


class StackTable(SeatSpread, frozen=True, kw_only=True):
    """A step of the stack, from the platter up: it moves the frame, then rotates it, then turns it."""

    name: Annotated[Name, Meta(description="Name of the step.", examples=["sub-plate"])]
    up: Annotated[
        Coordinate,
        Meta(description="Height, along z of the frame that it stands on.", examples=[20.012]),
    ] = 0.0
    shift: Annotated[
        Pair,
        Meta(description="Shift along x and y of the frame that it stands on.", examples=[[0.015, -0.008]]),
    ] = (0.0, 0.0)
    rotate: Annotated[
        AxisTurns | None,
        Meta(
            description="Then rotations in order, each about an axis as turned so far, right-handed, degrees.",
            examples=[[["x", 15.0]]],
        ),
    ] = None
    turn: Annotated[
        Angle, Meta(description="Then a turn about z, right-handed, degrees.", examples=[0.35])
    ] = Angle(0.0)
    round: Annotated[
        PositiveLength | None,
        Meta(description="Diameter of a round as tall as `up`.", examples=[60.0]),
    ] = None
    bore: Annotated[
        PositiveLength | None, Meta(description="Bore of a round that is a tube.", examples=[30.0])
    ] = None
    bar: Annotated[
        Pair | None,
        Meta(description="Edges along x and y of a bar as tall as `up`.", examples=[[50.0, 40.0]]),
    ] = None
    blank: Annotated[
        bool | None,
        Meta(description="True for the blank: the raw material, which a tool may cut.", examples=[True]),
    ] = None
    mass: Annotated[
        Mass | None,
        Meta(
            description="Mass, with the unit; left out, from the section and the material.",
            examples=["3.2 kg"],
        ),
    ] = None
    material: Annotated[
        Name | None,
        Meta(
            description='"steel", "aluminium", "gray iron", or a [[material]] of the job.',
            examples=["steel"],
        ),
    ] = None


class RepeatTable(FileTable, frozen=True, kw_only=True):
    """Repeats of the operation about the part's z: "port 1", "port 2" and so on."""

    count: Annotated[
        int, Meta(ge=1, le=999, description="Number of repeats, the first one included.", examples=[6])
    ]
    step: Annotated[
        Angle,
        Meta(description="Degrees from one to the next about the part's z, right-handed.", examples=[60.0]),
    ]


class OperationTable(FileTable, frozen=True, kw_only=True):
    """One orientation of the part, and the origin of its program."""

    schema_rule: ClassVar[dict[str, Any]] = _ONE_FORM

    name: Annotated[
        Name, Meta(description="Name of the operation; no two alike.", examples=["face and bore"])
    ]
    at: Annotated[
        Angles | None,
        Meta(
            description="Program angles in degrees, one for every rotary of the machine. An operation has exactly one of `at`, "
            "`normal`, `tip` and `through`.",
            examples=[{"A": -35.0, "C": 60.0}],
        ),
    ] = None
    normal: Annotated[
        Direction | None,
        Meta(
            description="Direction that must face the spindle: outward, part coordinates, any length.",
            examples=[[0.0, -0.5, 0.8660254037844386]],
        ),
    ] = None
    tip: Annotated[
        AxisTurns | None,
        Meta(
            description="Turns about the moving axes, in order, right-handed, degrees; z ends as the plane's normal.",
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
        Point,
        Meta(
            description="The program's zero, part coordinates; left out: part zero.",
            examples=[[0.0, -18.0, -12.0]],
        ),
    ] = (0.0, 0.0, 0.0)
    repeat: Annotated[
        RepeatTable | None,
        Meta(
            description="A pattern: the operation again about the part's z.",
            examples=[{"count": 6, "step": 60.0}],
        ),
    ] = None
    nests: Annotated[
        Annotated[tuple[Name, ...], Meta(min_length=1)] | None,
        Meta(
            description="Nests that it is done in, where the job has [[nest]] tables; left out: every one.",
            examples=[["left"]],
        ),
    ] = None
    after: Annotated[
        Annotated[tuple[Name, ...], Meta(min_length=1)] | None,
        Meta(
            description='Operations that must be done before it in the same nest, where `order` is "by tilt"; a pattern\'s '
            "name means each of it.",
            examples=[["face and bore"]],
        ),
    ] = None
    work_offset: Annotated[
        Annotated[int, Meta(ge=1, le=LAST_WORK_OFFSET)] | None,
        Meta(
            description="Number of the work offset, 1 (G54) to 9 (G59.3); repeats take the following ones; left out: the "
            "next free one in the order of work, so state it where a program calls it by number.",
            examples=[1],
        ),
    ] = None
    tilt: Annotated[
        Literal["positive", "negative"] | None,
        Choice(suggest=False),
        Meta(
            description="Sign of the tilting rotary's program angle, where both would do.",
            examples=["negative"],
        ),
    ] = None
    hold: Annotated[
        Angles | None,
        Meta(
            description="Rotaries held at these program angles, in degrees, while the others aim.",
            examples=[{"C": 30.0}],
        ),
    ] = None
    when_free: Annotated[
        Literal["keep", "line up x"] | None,
        Choice(),
        Meta(
            description='Where the last rotary\'s angle does not matter: "keep" that of the operation before (left out, it '
            'does), or "line up x" of the plane (of `tip` or `through`) with machine X.',
            examples=["keep"],
        ),
    ] = None
    program: Annotated[
        Name | None, Meta(description="Program that is run, for the sheet.", examples=["head-ports"])
    ] = None
    tool: Annotated[
        Name | None,
        Meta(
            description="Tool that is used first; where the job has [[tool]] tables, one of them.",
            examples=["6 mm drill"],
        ),
    ] = None
    sweep: Annotated[
        SweepTable | None,
        Meta(
            description="Box that the tool's tip sweeps, from the origin, in the program's X, Y and Z; left out: the "
            "origin alone.",
            examples=[{"x": [-10.0, 10.0], "y": [-10.0, 10.0], "z": [-12.0, 5.0]}],
        ),
    ] = None
    force: CuttingForce = None
    minutes: Annotated[
        Minutes | None,
        Meta(
            description="Minutes that it takes on one part, tool changes included; of a pattern, each of it. For `batch run`.",
            examples=[12.5],
        ),
    ] = None


class TouchedTable(FileTable, frozen=True, kw_only=True):
    """Part zero as touched off, X, Y, Z, pose and use together; or without them what a part zero typed beside the job goes by."""

    schema_rule: ClassVar[dict[str, Any]] = {
        "dependentRequired": {key: [one for one in TOUCH if one != key] for key in TOUCH}
    }

    X: Annotated[Coordinate | None, Meta(description="Machine X on the display.", examples=[-381.01])] = None
    Y: Annotated[Coordinate | None, Meta(description="Machine Y on the display.", examples=[-203.413])] = None
    Z: Annotated[Coordinate | None, Meta(description=ANY_Z, examples=[-179.096])] = None
    pose: Annotated[
        Angles | None,
        Meta(
            description="Machine angles at which it was touched off, one for every rotary of the machine.",
            examples=[{"A": 0.0, "C": 0.0}],
        ),
    ] = None
    use: Annotated[
        Literal["stack", "touched"] | None,
        Choice(),
        Meta(description="The one of the two that the work offsets go by.", examples=["touched"]),
    ] = None
    within: Annotated[
        PositiveLength | None,
        Meta(
            description="Largest accepted distance between the two; beyond it no offsets are written. Left "
            f"out: {DEFAULT_WITHIN['mm']:g} mm, or {DEFAULT_WITHIN['inch']:g} in where the job is in inches.",
            examples=[0.02],
        ),
    ] = None
    repeatability: Annotated[
        SpreadLength | None,
        Meta(
            description="Standard deviation of touching off, along each axis; left out: the machine file's [probe].",
            examples=[0.003],
        ),
    ] = None
    touches: Touches = None


class SquareUp(FieldType, dict[str, float | None]):
    """Rotaries and their display readings when the edge was straight; None where the stack gives the angle."""

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
        """Make a letter alone a table without a reading."""
        if isinstance(value, str):
            return {value: None}
        if isinstance(value, dict) and value and None not in value.values():
            return value
        raise InvalidValue(
            allowed='a rotary\'s letter, "C", or its reading when the edge was straight, { C = 0.35 }'
        )


class NestTable(FileTable, frozen=True, kw_only=True):
    """A place on the platter that holds a part; it stands on a step of the stack and has steps of its own."""

    name: Annotated[Name, Meta(description="Name of the nest; no two alike.", examples=["left"])]
    on: Annotated[
        Name,
        Meta(
            description='Step that it stands on, by its name: one of the stack, or one of another nest; or "platter". What '
            "follows that step is not below the nest.",
            examples=["sub-plate"],
        ),
    ]
    step: Annotated[
        tuple[StackTable, ...],
        Meta(description="Its own steps, from there up to its part zero, with the keys of [[stack]]."),
    ] = ()
    square_up: Annotated[
        SquareUp | None,
        Meta(
            description="As the job's, for this nest alone; left out: as the job has it.",
            examples=["C", {"C": 0.35}],
        ),
    ] = None
    touched: Annotated[
        TouchedTable | None, Meta(description="Its part zero as touched off, with the keys of [touched].")
    ] = None
    stub: Annotated[
        StubTable | None,
        Meta(description="Its own stub, with the keys of [stub]; left out: as the job has it."),
    ] = None
    zero_probing: Annotated[
        NestProbingTable | None,
        Meta(description="How its part is probed, where that differs from [zero_probing]."),
    ] = None


class JobFile(FileTable, frozen=True, kw_only=True):
    """A part on its stack on the machine's platter, and the operations to run on it."""

    name: Annotated[
        Name, Meta(description="Name of the part or job.", examples=["Tide-gauge head, side ports"])
    ]
    units: Annotated[UnitName, Meta(description="Unit of every length in this file.", examples=["mm"])]
    machine: Annotated[
        TextLine,
        Meta(
            description="Machine file, by its path from this file's folder.", examples=["teaching_mill.toml"]
        ),
    ]
    revision: Annotated[Name | None, Meta(description="Revision of the drawing or job.", examples=["B"])] = (
        None
    )
    notes: Annotated[
        tuple[TextLine, ...],
        Meta(
            description="Remarks for the sheet, a list with a line each.",
            examples=[["deburr the rim first"]],
        ),
    ] = ()
    square_up: Annotated[
        SquareUp | None,
        Meta(
            description="Rotary whose work offset takes out the clocking error, so that programs keep round angles: its "
            "letter (the error is the stack's), or its reading when the edge was straight.",
            examples=["C", {"C": 0.35}],
        ),
    ] = None
    aim_within: Annotated[
        float,
        Meta(
            gt=0.0,
            le=90.0,
            description="Degrees by which an aimed direction may miss. Within them, a rotary stops at a limit that is "
            "a hair too near, and the last rotary does not move where its turn hardly matters.",
            examples=[0.01],
        ),
    ] = 0.01
    stack: Annotated[
        tuple[StackTable, ...],
        Meta(description="Steps between platter and part zero, from the platter up."),
    ] = ()
    touched: Annotated[TouchedTable | None, Meta(description="Part zero as touched off at the machine.")] = (
        None
    )
    nest: Annotated[
        tuple[NestTable, ...], Meta(description="Places on the platter that hold a part each.")
    ] = ()
    zero_probing: Annotated[
        ZeroProbingTable | None,
        Meta(description="How a probing program finds each part's zero, for `batch program`."),
    ] = None
    order: Annotated[
        Literal["by nest", "by tilt"] | None,
        Choice(),
        Meta(
            description='Order of work where there are nests: "by nest" (left out, it is), one nest after the other, or "by '
            'tilt" with the least index motion; operations then change places, except where `after` forbids it.',
            examples=["by tilt"],
        ),
    ] = None
    operation: Annotated[tuple[OperationTable, ...], Meta(min_length=1, description="Operations, in order.")]
    tool: Annotated[tuple[ToolTable, ...], Meta(description="Tools, for `reach`.")] = ()
    solid: Annotated[
        tuple[JobSolidTable, ...],
        Meta(description="Solids in the way besides the stack: part, clamps, screws; for `reach`."),
    ] = ()
    material: Annotated[
        tuple[MaterialTable, ...], Meta(description="Materials besides the known ones, for `reach`.")
    ] = ()
    retract: Annotated[
        RetractTable | None,
        Meta(
            description="Spindle position during index moves, machine readouts in this file's unit; overrides the "
            "machine file's.",
            examples=[{"z": 0.0}],
        ),
    ] = None
    clear: Annotated[
        PositiveLength | None,
        Meta(description="Clearance to keep between what cuts and what turns.", examples=[2.0]),
    ] = None
    batch: Annotated[
        BatchTable | None, Meta(description="How many parts, and the shop's hours, for `batch run`.")
    ] = None
    stub: Annotated[
        StubTable | None,
        Meta(description="Stub that the part is left on, for `batch stub` and `reach`."),
    ] = None
    coating: Annotated[
        Thickness | None,
        Meta(
            description="Thickness of a coating put on after cutting, with its unit; `coating_outward` beside it.",
            examples=["0.012 mm"],
        ),
    ] = None
    coating_outward: Annotated[
        Annotated[float, Meta(ge=0.0, le=1.0)] | None,
        Meta(
            description="Share of that thickness that grows outward from the face as cut: 1 where it lies on it, 0.5 where "
            "half of it grows into the metal.",
            examples=[0.5],
        ),
    ] = None
    reclamping: Annotated[
        ReclampingTable | None,
        Meta(description="How differently one part seats from the next, for `budget`."),
    ] = None
    temperature: Annotated[
        TemperatureTable | None, Meta(description="Temperatures of set-up and run, for `budget`.")
    ] = None
    feature: Annotated[
        tuple[FeatureTable, ...], Meta(description="Places that the drawing tolerances, for `budget`.")
    ] = ()
    seam: Annotated[
        tuple[SeamTable, ...],
        Meta(description="Places where two operations meet on one surface, for `budget`."),
    ] = ()
    correction: Annotated[
        CorrectionTable | None,
        Meta(description="What a measured part said about the setup, written by `correct`."),
    ] = None
