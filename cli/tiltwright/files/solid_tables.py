"""What machine and job files may say about solids, tools, holders, spindle and materials."""

from typing import Annotated, Any, ClassVar

from msgspec import Meta

from tiltwright.files.diagnostics import InvalidValue
from tiltwright.files.quantity import Density, Force, Mass, Modulus
from tiltwright.files.schema_types import (
    AxisTurns,
    Coordinate,
    FieldType,
    FileTable,
    Name,
    Point,
    PositiveLength,
    TextLine,
    UnitName,
    listed,
)

__all__ = [
    "SHAPES",
    "BoxTable",
    "CylinderTable",
    "HolderTable",
    "MaterialTable",
    "MeshTable",
    "RetractTable",
    "SolidTable",
    "SpindleTable",
    "SweepTable",
    "ToolTable",
    "TubeTable",
]

SHAPES = ("box", "cylinder", "tube", "mesh")
"""The shapes of a solid; it has just one."""

_ONE_SHAPE: dict[str, Any] = {"oneOf": [{"required": [shape]} for shape in SHAPES]}


class BoxTable(FileTable, frozen=True, kw_only=True):
    """A box with its edges along the axes of its frame."""

    low: Annotated[
        Point, Meta(description="Its corner with the lowest x, y and z.", examples=[[-20, -15, 0]])
    ]
    high: Annotated[Point, Meta(description="The opposite corner.", examples=[[20, 15, 40]])]


class CylinderTable(FileTable, frozen=True, kw_only=True):
    """A cylinder, or a cone's frustum, from the middle of one end to the middle of the other."""

    start: Annotated[Point, Meta(description="The middle of one end.", examples=[[0, 0, 0]])]
    end: Annotated[Point, Meta(description="The middle of the other end.", examples=[[0, 0, 60]])]
    diameter: Annotated[PositiveLength, Meta(description="Its diameter.", examples=[80.0])]
    end_diameter: Annotated[
        PositiveLength | None, Meta(description="The diameter at its end, where it tapers.", examples=[60.0])
    ] = None


class TubeTable(FileTable, frozen=True, kw_only=True):
    """A tube from the middle of one end to the middle of the other."""

    start: Annotated[Point, Meta(description="The middle of one end.", examples=[[0, 0, 0]])]
    end: Annotated[Point, Meta(description="The middle of the other end.", examples=[[0, 0, 60]])]
    diameter: Annotated[PositiveLength, Meta(description="Outside diameter.", examples=[80.0])]
    bore: Annotated[PositiveLength, Meta(description="Inside diameter.", examples=[60.0])]


class MeshTable(FileTable, frozen=True, kw_only=True):
    """A closed surface from an STL file."""

    file: Annotated[
        TextLine, Meta(description="The STL file, seen from this file's folder.", examples=["arm.stl"])
    ]
    units: Annotated[
        UnitName, Meta(description="The unit of its coordinates: an STL file does not say.", examples=["mm"])
    ]
    at: Annotated[
        Point, Meta(description="Where its origin stands, in this file's unit.", examples=[[0, 0, 0]])
    ] = (0.0, 0.0, 0.0)
    rotate: Annotated[
        AxisTurns | None,
        Meta(description="Turns about its own axes, in order, degrees.", examples=[[["z", 90.0]]]),
    ] = None


class SolidTable(FileTable, frozen=True, kw_only=True):
    """Something in the way of tool, holder or spindle, or a part of the spindle."""

    schema_rule: ClassVar[dict[str, Any]] = _ONE_SHAPE

    name: Annotated[Name, Meta(description="What it is.", examples=["left trunnion arm"])]
    on: Annotated[
        Name,
        Meta(
            description='What it is fixed to, and so the frame of its shape: "base" or a rotary\'s letter (machine '
            'coordinates at the all-zero pose), "spindle" (from the gauge point), and in a job file "part" (part '
            "coordinates) or the name of a stack step (the frame that the step stands on).",
            examples=["base", "A", "part"],
        ),
    ]
    box: Annotated[BoxTable | None, Meta(description="A box.")] = None
    cylinder: Annotated[CylinderTable | None, Meta(description="A cylinder or a frustum.")] = None
    tube: Annotated[TubeTable | None, Meta(description="A tube.")] = None
    mesh: Annotated[MeshTable | None, Meta(description="An STL file.")] = None
    cut: Annotated[
        bool | None,
        Meta(
            description="Whether a tool may touch it; left out, it may if it is on the part.",
            examples=[False],
        ),
    ] = None
    mass: Annotated[Mass | None, Meta(description="Its mass, with the unit.", examples=["3.2 kg"])] = None
    material: Annotated[
        Name | None, Meta(description="What it is made of, for its mass.", examples=["steel"])
    ] = None


HolderPart = Annotated[
    tuple[PositiveLength, ...],
    Meta(min_length=2, max_length=3),
]


class HolderTable(FileTable, frozen=True, kw_only=True):
    """A tool holder, as a stack of diameters."""

    name: Annotated[Name, Meta(description="What the shop calls it.", examples=["long collet chuck"])]
    parts: Annotated[
        tuple[HolderPart, ...],
        Meta(
            min_length=1,
            description="From the gauge line down: [length, diameter], or [length, upper diameter, lower diameter].",
            examples=[[[20.0, 63.0], [40.0, 42.0], [20.0, 42.0, 28.0]]],
        ),
    ]


class RetractTable(FileTable, frozen=True, kw_only=True):
    """Where the spindle stands while the rotaries index: machine readouts."""

    x: Annotated[
        Coordinate | None,
        Meta(description="X; left out, it stays where the operation has it.", examples=[0.0]),
    ] = None
    y: Annotated[
        Coordinate | None,
        Meta(description="Y; left out, it stays where the operation has it.", examples=[0.0]),
    ] = None
    z: Annotated[Coordinate, Meta(description="Z.", examples=[0.0])]


class SpindleTable(FileTable, frozen=True, kw_only=True):
    """The spindle's nose, and where it retracts to between operations."""

    diameter: Annotated[
        PositiveLength | None, Meta(description="Of the nose, above the gauge line.", examples=[90.0])
    ] = None
    length: Annotated[
        PositiveLength | None, Meta(description="Of the nose, from the gauge line up.", examples=[120.0])
    ] = None
    retract: Annotated[
        RetractTable | None,
        Meta(
            description="Where it stands during index moves; left out, at the top of Z travel.",
            examples=[{"z": 0.0}],
        ),
    ] = None


class ToolTable(FileTable, frozen=True, kw_only=True):
    """A tool of the job."""

    name: Annotated[Name, Meta(description="What operations call it.", examples=["6 mm drill"])]
    length: Annotated[
        PositiveLength,
        Meta(description="From the gauge line to the tip, holder included.", examples=[118.5]),
    ]
    diameter: Annotated[PositiveLength, Meta(description="Where it cuts.", examples=[6.0])]
    flute: Annotated[
        PositiveLength | None,
        Meta(description="Length that has this diameter, from the tip.", examples=[28.0]),
    ] = None
    shank: Annotated[
        PositiveLength | None, Meta(description="Diameter of the shank above that.", examples=[8.0])
    ] = None
    holder: Annotated[
        Name | None,
        Meta(description="The holder it sits in, from the machine file.", examples=["long collet chuck"]),
    ] = None


class SweepEnds(FieldType, tuple[float, float]):
    """Two coordinates, the lower first; both the same where nothing is swept."""

    __slots__ = ()
    plain = Annotated[
        tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [lower end, upper end]")
    ]

    @staticmethod
    def after(value: tuple[float, float]) -> tuple[float, float]:
        """Refuse ends that fall."""
        if value[0] > value[1]:
            raise InvalidValue(allowed="[lower end, upper end], the lower end first", tip="swap the two")
        return value


_HERE = SweepEnds((0.0, 0.0))


class SweepTable(FileTable, frozen=True, kw_only=True):
    """The box that the tip sweeps, from the operation's origin, in the program's X, Y and Z."""

    x: Annotated[
        SweepEnds, Meta(description="Ends along X; left out, X stays.", examples=[[-10.0, 10.0]])
    ] = _HERE
    y: Annotated[
        SweepEnds, Meta(description="Ends along Y; left out, Y stays.", examples=[[-10.0, 10.0]])
    ] = _HERE
    z: Annotated[SweepEnds, Meta(description="Ends along Z; left out, Z stays.", examples=[[-12.0, 5.0]])] = (
        _HERE
    )


class MaterialTable(FileTable, frozen=True, kw_only=True):
    """A material that the program does not know."""

    name: Annotated[Name, Meta(description="What solids and steps call it.", examples=["brass"])]
    density: Annotated[Density | None, Meta(description="With the unit.", examples=["8500 kg/m3"])] = None
    modulus: Annotated[
        Modulus | None, Meta(description="Of elasticity, with the unit.", examples=["100 GPa"])
    ] = None


CuttingForce = Annotated[
    Force | None,
    Meta(
        description="The cutting force at the tip, in whatever direction is worst, with the unit.",
        examples=["500 N"],
    ),
]
