"""Schema of the machine file. Lengths are in the file's own unit, angles in degrees."""

from typing import Annotated, Any, ClassVar, Literal

from msgspec import Meta

from tiltwright.files.quantity import Mass, Torque
from tiltwright.files.schema_types import (
    Angle,
    Choice,
    Coordinate,
    Direction,
    FieldType,
    FileTable,
    Letter,
    Limits,
    Name,
    Point,
    PositiveLength,
    TravelEnds,
    UnitName,
)
from tiltwright.files.solid_tables import HolderTable, SolidTable, SpindleTable
from tiltwright.files.uncertainty_tables import (
    GrowthTable,
    PositioningTable,
    SmallAngle,
    SpreadLength,
    TouchRepeatabilityTable,
)
from tiltwright.files.z_reading import ANY_Z

__all__ = ["AXIS_DIRECTIONS", "Along", "MachineFile", "PlatterTable", "RotaryTable", "TravelTable"]

Along = Literal["+X", "-X", "+Y", "-Y", "+Z", "-Z"]
AXIS_DIRECTIONS: dict[str, tuple[float, float, float]] = {
    "+X": (1.0, 0.0, 0.0),
    "-X": (-1.0, 0.0, 0.0),
    "+Y": (0.0, 1.0, 0.0),
    "-Y": (0.0, -1.0, 0.0),
    "+Z": (0.0, 0.0, 1.0),
    "-Z": (0.0, 0.0, -1.0),
}

_ONE_DIRECTION: dict[str, Any] = {"oneOf": [{"required": ["along"]}, {"required": ["direction"]}]}
_Z_REFERENCE_RULE: dict[str, Any] = {
    "if": {"properties": {"z_reference": {"const": "reference tool"}}, "required": ["z_reference"]},
    "then": {"required": ["reference_tool_length"]},
    "else": {"properties": {"reference_tool_length": False}},
}


class TravelTable(FileTable, frozen=True, kw_only=True):
    """Travel of the linear axes: machine coordinates of both ends, the lower end first."""

    x: Annotated[TravelEnds, Meta(description="Ends of X travel, lower end first.", examples=[[-760.0, 0.0]])]
    y: Annotated[TravelEnds, Meta(description="Ends of Y travel, lower end first.", examples=[[-410.0, 0.0]])]
    z: Annotated[TravelEnds, Meta(description="Ends of Z travel, lower end first.", examples=[[-510.0, 0.0]])]


class RotaryTable(FileTable, frozen=True, kw_only=True):
    """A rotary axis. List them from the machine base outward; the last one carries the work."""

    schema_rule: ClassVar[dict[str, Any]] = _ONE_DIRECTION

    letter: Annotated[Letter, Meta(description="Address in programs.", examples=["A"])]
    along: Annotated[
        Along | None,
        Choice(suggest=False, tip="the sign says which end of the line is its positive one"),
        Meta(
            description="Machine axis that its line follows at the all-zero pose, toward the positive end. Give this or "
            "a measured `direction`.",
            examples=["+X"],
        ),
    ] = None
    direction: Annotated[
        Direction | None,
        Meta(
            description="Measured direction of its line at the all-zero pose, machine X, Y, Z, toward the positive end; "
            "any length. Give this or `along`.",
            examples=[[0.99999, 0.00012, -0.00031]],
        ),
    ] = None
    positive_turn: Annotated[
        Literal["clockwise", "counterclockwise"],
        Choice(
            suggest=False,
            tip="jog it +10 degrees and watch the table from the axis' positive end (from above for one along +Z, "
            "from the right for one along +X, from the back for one along +Y)",
        ),
        Meta(
            description="Sense in which the table turns on a positive move, seen from the axis' positive end looking "
            "back to the origin (from above for a rotary along +Z, from the right for one along +X, from the back for one along "
            "+Y). Jog +10 degrees "
            "and watch the table; there is no default, since a wrong one breaks spindles.",
            examples=["clockwise"],
        ),
    ]
    point: Annotated[
        Point,
        Meta(
            description="Pivot: machine X, Y, Z of any point on its line at the all-zero pose. " + ANY_Z,
            examples=[[-381.0, -203.412, -406.118]],
        ),
    ]
    limits: Annotated[
        Limits,
        Meta(
            description='Lowest and highest machine angle in degrees, or "endless".',
            examples=[[-120.0, 30.0], "endless"],
        ),
    ]
    zero: Annotated[
        Angle,
        Meta(description="Angle on the display at the all-zero pose, in degrees.", examples=[0.0]),
    ] = Angle(0.0)
    index_move: Annotated[
        Literal["as the numbers run", "short way"] | None,
        Choice(),
        Meta(
            description="The way an endless rotary takes to its next angle. From 350 to 10 degrees it goes down "
            'through 180 if it goes "as the numbers run", up through 360 if it goes the "short way". Leave it out if '
            "you are not sure: both ways are then checked.",
            examples=["short way"],
        ),
    ] = None
    half_turn: Annotated[
        Literal["positive", "negative"] | None,
        Choice(suggest=False),
        Meta(
            description='The way it takes for a half turn, with index_move = "short way" only: "positive" if the '
            "displayed angle rises. Left out, both ways are checked.",
            examples=["positive"],
        ),
    ] = None
    index_speed: Annotated[
        Annotated[float, Meta(gt=0.0, le=100_000.0)] | None,
        Meta(
            description="Degrees a second at which it indexes, for the time that an order of work takes.",
            examples=[90.0],
        ),
    ] = None
    position_within: Annotated[
        SpreadLength | None,
        Meta(
            description="How far its line may be off across itself, along each of two directions: limits either way. A "
            "calibration in the machine's log says it better, and then counts instead.",
            examples=[0.02],
        ),
    ] = None
    position_u: Annotated[
        SpreadLength | None,
        Meta(description="The same as a standard uncertainty, instead of limits.", examples=[0.01]),
    ] = None
    direction_within: Annotated[
        SmallAngle | None,
        Meta(
            description="How far its line may lean, about each of two directions across it, degrees: limits either way.",
            examples=[0.01, "30 arcsec"],
        ),
    ] = None
    direction_u: Annotated[
        SmallAngle | None,
        Meta(description="The same as a standard uncertainty, instead of limits.", examples=["15 arcsec"]),
    ] = None
    positioning: Annotated[
        SmallAngle | None,
        Meta(
            description="How far it may stand from the angle displayed, at each angle anew (within half a degree alike): "
            "limits either way, with the unit or in degrees.",
            examples=["8 arcsec"],
        ),
    ] = None
    positioning_u: Annotated[
        SmallAngle | None,
        Meta(description="The same as a standard uncertainty, instead of limits.", examples=["4 arcsec"]),
    ] = None
    holding_torque: Annotated[
        Torque | None,
        Meta(
            description="Torque that its brake holds, with the unit; for `reach`.",
            examples=["180 N m", "130 ft-lb"],
        ),
    ] = None
    capacity: Annotated[
        Mass | None,
        Meta(description="Largest mass that it may carry, with the unit; for `reach`.", examples=["50 kg"]),
    ] = None


class PlatterTable(FileTable, frozen=True, kw_only=True):
    """The platter: the face that the fixture is bolted to."""

    face: Annotated[
        Coordinate | None,
        Meta(
            description="Machine Z of the face where the innermost rotary's line pierces it, at the all-zero "
            "pose. Needed unless that rotary lies flat. " + ANY_Z,
            examples=[-356.112],
        ),
    ] = None
    diameter: Annotated[PositiveLength | None, Meta(description="Diameter.", examples=[160.0])] = None
    thickness: Annotated[
        PositiveLength | None,
        Meta(description="Thickness below its face, for `reach`.", examples=[25.0]),
    ] = None
    mass: Annotated[
        Mass | None, Meta(description="Mass, with the unit; for `reach`.", examples=["9.5 kg"])
    ] = None
    normal: Annotated[
        Direction | None,
        Meta(
            description="Measured direction square to the face and away from the platter, machine X, Y, Z at the "
            "all-zero pose; left out: true to its own rotary.",
            examples=[[0.0001, -0.0002, 1.0]],
        ),
    ] = None
    face_within: Annotated[
        SpreadLength | None,
        Meta(description="How far `face` may be off: limits either way.", examples=[0.01]),
    ] = None
    face_u: Annotated[
        SpreadLength | None,
        Meta(description="The same as a standard uncertainty, instead of limits.", examples=[0.005]),
    ] = None
    normal_within: Annotated[
        SmallAngle | None,
        Meta(
            description="How far the face may lean from what is stated, about each of two directions, degrees: limits "
            "either way.",
            examples=[0.005],
        ),
    ] = None
    normal_u: Annotated[
        SmallAngle | None,
        Meta(description="The same as a standard uncertainty, instead of limits.", examples=["10 arcsec"]),
    ] = None


class ZReferenceName(FieldType, str):
    """Reference of the Z readings; "gage line" is the gauge line."""

    __slots__ = ()
    plain = Annotated[Literal["gauge line", "reference tool"], Choice()]
    schema: ClassVar[dict[str, Any] | None] = {
        "type": "string",
        "enum": ["gauge line", "reference tool", "gage line"],
    }

    @classmethod
    def before(cls, value: object) -> object:
        """Read the other spelling."""
        return "gauge line" if value == "gage line" else value


class MachineFile(FileTable, frozen=True, kw_only=True):
    """A mill whose table turns: its rotary axes, platter, travels and how Z is referenced."""

    schema_rule: ClassVar[dict[str, Any]] = _Z_REFERENCE_RULE

    name: Annotated[
        Name,
        Meta(description="The shop's name for the machine.", examples=["Teaching mill with tilting rotary"]),
    ]
    units: Annotated[UnitName, Meta(description="Unit of every length in this file.", examples=["mm"])]
    z_reference: Annotated[
        ZReferenceName,
        Meta(
            description='Reference of the Z readings: "gauge line" (tool length offsets are lengths from the '
            "spindle's gauge line) or \"reference tool\" (every Z here is read with that tool's tip).",
            examples=["gauge line"],
        ),
    ]
    reference_tool_length: Annotated[
        PositiveLength | None,
        Meta(
            description='Length of the reference tool from the gauge line; with z_reference = "reference tool" only.',
            examples=[120.0],
        ),
    ] = None
    travel: Annotated[
        TravelTable | None, Meta(description="Travel of the linear axes; left out: not checked.")
    ] = None
    rotary: Annotated[
        tuple[RotaryTable, ...],
        Meta(
            min_length=1,
            max_length=3,
            description="Rotary axes, one to three, from the machine base outward.",
        ),
    ]
    platter: Annotated[PlatterTable | None, Meta(description="Platter.")] = None
    spindle: Annotated[SpindleTable | None, Meta(description="Spindle, for `reach`.")] = None
    solid: Annotated[
        tuple[SolidTable, ...],
        Meta(description="Solids in the way: trunnion arms, base, spindle head; for `reach`."),
    ] = ()
    holder: Annotated[
        tuple[HolderTable, ...], Meta(description="Tool holders of the shop, for `reach`.")
    ] = ()
    positioning: Annotated[
        PositioningTable | None,
        Meta(
            description="How far each linear axis may stand from its display, at each place anew (within a millimetre alike), "
            "for `budget`."
        ),
    ] = None
    probe: Annotated[TouchRepeatabilityTable | None, Meta(description="The probe, for `budget`.")] = None
    growth: Annotated[
        GrowthTable | None,
        Meta(description="How far the spindle moves against the table for each kelvin, for `budget`."),
    ] = None
