"""Schema of the tables for `reach` in machine and job files: solids, tools, holders, spindle, materials."""

from typing import Annotated, Any, ClassVar

from msgspec import Meta

from tiltwright.files.batch_tables import Minutes
from tiltwright.files.diagnostics import InvalidValue
from tiltwright.files.quantity import Density, Duration, Expansion, Force, Mass, Modulus, Stress
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
from tiltwright.files.uncertainty_tables import SpreadLengthU, SpreadLengthWithin

__all__ = [
    "EXPANSIONS",
    "MATERIALS",
    "SHAPES",
    "BoxTable",
    "CylinderTable",
    "HolderTable",
    "JobSolidTable",
    "MaterialTable",
    "MeshTable",
    "RetractTable",
    "SolidTable",
    "SpindleTable",
    "SweepTable",
    "ToolTable",
    "TubeTable",
]

_ALUMINIUM = (2710.0, 68.9)
_GRAY_IRON = (7190.0, 67.0)

MATERIALS: dict[str, tuple[float, float]] = {
    "steel": (7850.0, 200.0),
    "aluminium": _ALUMINIUM,
    "aluminum": _ALUMINIUM,
    "gray iron": _GRAY_IRON,
    "grey iron": _GRAY_IRON,
}
"""Density in kg/m3 and modulus of elasticity in GPa of structural steel A36, aluminium 6061-T6 and gray cast iron of
class 20, as an engineering-mechanics textbook's appendix of typical material properties lists them. Books differ by a
few per cent."""

EXPANSIONS: dict[str, float] = {
    "steel": 11.7e-6,
    "aluminium": 23.6e-6,
    "aluminum": 23.6e-6,
    "gray iron": 11.4e-6,
    "grey iron": 11.4e-6,
}
"""Coefficients of thermal expansion per kelvin of steel A36, aluminium 6061 and gray iron: W. D. Callister, Fundamentals of
Materials Science and Engineering, appendix B, table B.6."""

SHAPES = ("box", "cylinder", "tube", "mesh")
"""The shapes of a solid; it has just one."""

_ONE_SHAPE: dict[str, Any] = {"oneOf": [{"required": [shape]} for shape in SHAPES]}


class BoxTable(FileTable, frozen=True, kw_only=True):
    """A box with its edges along the axes of its frame."""

    low: Annotated[Point, Meta(description="Corner with the lowest x, y and z.", examples=[[-20, -15, 0]])]
    high: Annotated[Point, Meta(description="Opposite corner.", examples=[[20, 15, 40]])]


class CylinderTable(FileTable, frozen=True, kw_only=True):
    """A cylinder, or a cone's frustum, from the middle of one end to the middle of the other."""

    start: Annotated[Point, Meta(description="Middle of one end.", examples=[[0, 0, 0]])]
    end: Annotated[Point, Meta(description="Middle of the other end.", examples=[[0, 0, 60]])]
    diameter: Annotated[PositiveLength, Meta(description="Diameter.", examples=[80.0])]
    end_diameter: Annotated[
        PositiveLength | None, Meta(description="Diameter at `end`, where it tapers.", examples=[60.0])
    ] = None


class TubeTable(FileTable, frozen=True, kw_only=True):
    """A tube from the middle of one end to the middle of the other."""

    start: Annotated[Point, Meta(description="Middle of one end.", examples=[[0, 0, 0]])]
    end: Annotated[Point, Meta(description="Middle of the other end.", examples=[[0, 0, 60]])]
    diameter: Annotated[PositiveLength, Meta(description="Outside diameter.", examples=[80.0])]
    bore: Annotated[PositiveLength, Meta(description="Inside diameter.", examples=[60.0])]


class MeshTable(FileTable, frozen=True, kw_only=True):
    """A closed surface from an STL file."""

    file: Annotated[
        TextLine, Meta(description="STL file, by its path from this file's folder.", examples=["arm.stl"])
    ]
    units: Annotated[
        UnitName,
        Meta(description="Unit of its coordinates, which an STL file does not state.", examples=["mm"]),
    ]
    at: Annotated[
        Point, Meta(description="Position of its origin, in this file's unit.", examples=[[0, 0, 0]])
    ] = (0.0, 0.0, 0.0)
    rotate: Annotated[
        AxisTurns | None,
        Meta(description="Rotations about its own axes, in order, degrees.", examples=[[["z", 90.0]]]),
    ] = None


class SolidTable(FileTable, frozen=True, kw_only=True):
    """A solid in the way of tool, holder or spindle, or a part of the spindle."""

    schema_rule: ClassVar[dict[str, Any]] = _ONE_SHAPE

    name: Annotated[Name, Meta(description="Name of the solid.", examples=["left trunnion arm"])]
    on: Annotated[
        Name,
        Meta(
            description='Body that it is fixed to, and so the frame of its shape: "base" or a rotary\'s letter (machine '
            'coordinates at the all-zero pose), "spindle" (from the gauge point), and in a job file "part" (part '
            'coordinates), "gripper" (part coordinates too, and there at the unloading pose of [stub] only) or the name of a '
            "stack step (the frame that the step stands on).",
            examples=["base", "A", "part"],
        ),
    ]
    box: Annotated[BoxTable | None, Meta(description="Shape: a box. A solid has exactly one shape.")] = None
    cylinder: Annotated[CylinderTable | None, Meta(description="Shape: a cylinder or a frustum.")] = None
    tube: Annotated[TubeTable | None, Meta(description="Shape: a tube.")] = None
    mesh: Annotated[MeshTable | None, Meta(description="Shape: a closed surface from an STL file.")] = None
    cut: Annotated[
        bool | None,
        Meta(
            description="True where a tool may touch it; left out: if it is on the part.",
            examples=[False],
        ),
    ] = None
    mass: Annotated[
        Mass | None,
        Meta(
            description="Mass, with the unit; without mass and material it is left out of the load.",
            examples=["3.2 kg"],
        ),
    ] = None
    material: Annotated[Name | None, Meta(description="Material, for its mass.", examples=["steel"])] = None


class JobSolidTable(SolidTable, frozen=True, kw_only=True):
    """A solid in the way of tool, holder or spindle, or a part of the spindle."""

    nest: Annotated[
        Name | None,
        Meta(
            description="Nest whose part or step it is on; left out, every nest that has a part or a step of that name has one.",
            examples=["left"],
        ),
    ] = None


HolderPart = Annotated[
    tuple[PositiveLength, ...],
    Meta(min_length=2, max_length=3),
]


class HolderTable(FileTable, frozen=True, kw_only=True):
    """A tool holder, as a stack of diameters."""

    name: Annotated[Name, Meta(description="The shop's name for it.", examples=["long collet chuck"])]
    parts: Annotated[
        tuple[HolderPart, ...],
        Meta(
            min_length=1,
            description="From the gauge line down: [length, diameter], or [length, upper diameter, lower diameter].",
            examples=[[[20.0, 63.0], [40.0, 42.0], [20.0, 42.0, 28.0]]],
        ),
    ]


class RetractTable(FileTable, frozen=True, kw_only=True):
    """Spindle position while the rotaries index: machine readouts."""

    x: Annotated[
        Coordinate | None,
        Meta(description="X; left out: as in the operation.", examples=[0.0]),
    ] = None
    y: Annotated[
        Coordinate | None,
        Meta(description="Y; left out: as in the operation.", examples=[0.0]),
    ] = None
    z: Annotated[Coordinate, Meta(description="Z.", examples=[0.0])]


class SpindleTable(FileTable, frozen=True, kw_only=True):
    """The spindle's nose, and its position between operations."""

    diameter: Annotated[
        PositiveLength | None,
        Meta(description="Diameter of the nose, above the gauge line.", examples=[90.0]),
    ] = None
    length: Annotated[
        PositiveLength | None,
        Meta(description="Length of the nose, from the gauge line up.", examples=[120.0]),
    ] = None
    retract: Annotated[
        RetractTable | None,
        Meta(
            description="Position during index moves; left out: the top of Z travel.",
            examples=[{"z": 0.0}],
        ),
    ] = None


class ToolTable(FileTable, frozen=True, kw_only=True):
    """A tool of the job."""

    name: Annotated[Name, Meta(description="Name by which operations refer to it.", examples=["6 mm drill"])]
    length: Annotated[
        PositiveLength,
        Meta(description="Gauge length: from the gauge line to the tip, holder included.", examples=[118.5]),
    ]
    diameter: Annotated[PositiveLength, Meta(description="Cutting diameter.", examples=[6.0])]
    flute: Annotated[
        PositiveLength | None,
        Meta(description="Length of the cutting diameter, from the tip.", examples=[28.0]),
    ] = None
    shank: Annotated[
        PositiveLength | None, Meta(description="Diameter of the shank above that.", examples=[8.0])
    ] = None
    holder: Annotated[
        Name | None,
        Meta(description="Holder, one of the machine file's.", examples=["long collet chuck"]),
    ] = None
    life: Annotated[
        Duration | None,
        Meta(description="Cutting time that one edge lasts, with the unit.", examples=["90 min"]),
    ] = None
    minutes: Annotated[
        Minutes | None,
        Meta(
            description="Minutes that it cuts on one part; left out: the `minutes` of every operation that names it.",
            examples=[4.0],
        ),
    ] = None
    length_within: SpreadLengthWithin = None
    length_u: SpreadLengthU = None
    diameter_within: SpreadLengthWithin = None
    diameter_u: SpreadLengthU = None


class SweepEnds(FieldType, tuple[float, float]):
    """Two coordinates, the lower first; both the same where nothing is swept."""

    __slots__ = ()
    plain = Annotated[
        tuple[Coordinate, Coordinate], listed(2, "a list of two numbers, [lower end, upper end]")
    ]

    @staticmethod
    def after(value: tuple[float, float]) -> tuple[float, float]:
        """Raise `InvalidValue` where the first end is the higher."""
        if value[0] > value[1]:
            raise InvalidValue(allowed="[lower end, upper end], the lower end first", tip="swap the two")
        return value


_HERE = SweepEnds((0.0, 0.0))


class SweepTable(FileTable, frozen=True, kw_only=True):
    """Box that the tool's tip sweeps, from the operation's origin, in the program's X, Y and Z."""

    x: Annotated[SweepEnds, Meta(description="Ends along X; left out: 0.", examples=[[-10.0, 10.0]])] = _HERE
    y: Annotated[SweepEnds, Meta(description="Ends along Y; left out: 0.", examples=[[-10.0, 10.0]])] = _HERE
    z: Annotated[SweepEnds, Meta(description="Ends along Z; left out: 0.", examples=[[-12.0, 5.0]])] = _HERE


class MaterialTable(FileTable, frozen=True, kw_only=True):
    """A material besides the known ones."""

    name: Annotated[Name, Meta(description="Name by which solids and steps refer to it.", examples=["brass"])]
    density: Annotated[
        Density | None, Meta(description="Density, with the unit.", examples=["8500 kg/m3"])
    ] = None
    modulus: Annotated[
        Modulus | None, Meta(description="Modulus of elasticity, with the unit.", examples=["100 GPa"])
    ] = None
    strength: Annotated[
        Stress | None,
        Meta(description="Stress at which it breaks, with the unit, for a stub.", examples=["310 MPa"]),
    ] = None
    expansion: Annotated[
        Expansion | None,
        Meta(description="Coefficient of thermal expansion, with the unit.", examples=["20.5 um/m/K"]),
    ] = None


CuttingForce = Annotated[
    Force | None,
    Meta(
        description="Cutting force at the tip, taken in the worst direction, with the unit.",
        examples=["500 N"],
    ),
]
