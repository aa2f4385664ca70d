"""Probing cycles: the moves of the probe for each reading, and the values it stores.

All positions here are the lowest point of the tip, which is what the display shows with the probe's length offset in
force, in the program's unit and machine coordinates. The scratch parameters are 1 to 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine
from kinematics.calibration import TargetKind
from tiltwright.calibration.plan_data import clearance_mm_of, over_mm_of
from tiltwright.files.probing_tables import ProbeTable
from tiltwright.files.units import Unit
from tiltwright.output.gcode import comment
from tiltwright.output.numbers import fixed

__all__ = [
    "PROGRAM_DECIMALS",
    "Approach",
    "Probe",
    "ProbeCycle",
    "ball",
    "bore_or_pin",
    "face",
    "lift_lines",
    "probe_of",
    "safe_height",
    "surface",
]

PROGRAM_DECIMALS = {Unit.MM: 4, Unit.INCH: 5}
"""Decimals of a length in a probing program."""

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Probe:
    """Probe, in the program's unit.

    Attributes
    ----------
    radius : float
        Of the tip.
    clearance, over : float
    feed, move : float
    decimals : int
        Of the program's numbers.
    """

    radius: float
    clearance: float
    over: float
    feed: float
    move: float
    decimals: int

    def number(self, value: float) -> str:
        """Number with the program's decimals."""
        return fixed(value, self.decimals)


def probe_of(table: ProbeTable, units: Unit) -> Probe:
    """The probe that a file describes, in that file's unit."""
    return Probe(
        radius=table.ball_diameter / 2.0,
        clearance=units.from_mm(clearance_mm_of(table, units)),
        over=units.from_mm(over_mm_of(table, units)),
        feed=table.feed,
        move=table.move,
        decimals=PROGRAM_DECIMALS[units],
    )


def safe_height(machine: Machine, units: Unit) -> float:
    """Top of the travel in a program's unit and decimals, rounded down: rounded up, it would be beyond the travel."""
    assert machine.travel is not None
    steps = 10.0 ** PROGRAM_DECIMALS[units]
    return math.floor(units.from_mm(float(machine.travel.high_mm[2])) * steps + 1e-6) / steps


def lift_lines(probe: Probe, offset: int, high: float) -> list[str]:
    """Lines that retract to the top of the travel, the probe's length offset cancelled meanwhile."""
    return ["G49", f"G53 G0 Z{probe.number(high)}", f"G43 H{offset}"]


@dataclass(frozen=True)
class Approach:
    """Directions from which a ball is touched at its sides.

    Attributes
    ----------
    height : float
        How far above the centre, as a share of the distance of the two centres.
    turned_deg : float
        The first pair's direction, from X towards Y.
    """

    height: float = 0.5
    turned_deg: float = 0.0

    @property
    def words(self) -> str:
        """Difference from the usual approach, in words."""
        turned = [f"{self.turned_deg:g} degrees from X"] if self.turned_deg else []
        higher = ["nearer to its top"] if self.height > 0.5 else []
        return " and ".join([*turned, *higher])


@dataclass(frozen=True, eq=False)
class ProbeCycle:
    """Lines of the program for one reading, and the positions of the tip in them.

    Attributes
    ----------
    start_xy : (float, float)
        Position at the safe height before the descent.
    lines : tuple of str
        From the safe height down, the touches, and back up to where the probe can be lifted straight out.
    stored : (str, str, str)
        X, Y and Z of the reading as expressions of the language.
    trips : tuple of (float, float, float)
        What the display shows at each touch, with everything at its nominal place.
    tip_positions : ndarray, shape (p, 3)
        Lowest points of the tip below the safe height; from each it can be retracted straight up.
    lowest, highest : float
        Of the tip.
    """

    start_xy: tuple[float, float]
    lines: tuple[str, ...]
    stored: tuple[str, str, str]
    trips: tuple[tuple[float, float, float], ...]
    tip_positions: Vector
    lowest: float
    highest: float


def _move(probe: Probe, **words: float | str) -> str:
    """Straight move at the feed between touches."""
    return _words("G1", probe, probe.move, words)


def _descend(probe: Probe, z: float) -> list[str]:
    """Straight descent from the safe height to the start of a touch, the last of it at the touch's feed."""
    return [
        comment("Blind descent: no probe signal stops it"),
        _move(probe, Z=z + probe.clearance),
        _words("G1", probe, probe.feed, {"Z": z}),
    ]


def _offset_value(probe: Probe, at: float | str, by: float) -> float | str:
    """Sum of a coordinate and a length: a number, or an expression where the coordinate is a parameter."""
    if not isinstance(at, str):
        return at + by
    text = probe.number(by)
    if not text.strip("-0."):
        return at
    return f"[{at}{text}]" if text.startswith("-") else f"[{at}+{text}]"


def _touch(probe: Probe, **words: float | str) -> str:
    return _words("G38.2", probe, probe.feed, words)


def _words(code: str, probe: Probe, feed: float | None, words: dict[str, float | str]) -> str:
    text = " ".join(
        f"{axis}{value if isinstance(value, str) else probe.number(value)}" for axis, value in words.items()
    )
    return f"{code} {text}" if feed is None else f"{code} {text} F{probe.number(feed)}"


def ball(probe: Probe, centre: Vector, radius: float, approach: Approach) -> ProbeCycle:
    """Probing cycle of a ball's centre: two pairs of touches from the sides, the second through the first's middle, then the top."""
    x, y, z = (float(v) for v in centre)
    both = radius + probe.radius
    aside = math.sqrt(1.0 - approach.height**2) * both
    level = z + approach.height * both - probe.radius
    over = z + radius + probe.clearance
    start, far = aside + probe.clearance, aside - probe.over
    turn = np.radians(approach.turned_deg)
    first, second = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    lines: list[str] = []
    for k, (ux, uy) in enumerate((first, second)):
        # The second pair goes through the middle of the first, which only the control knows.
        at = ("#3", "#4") if k else (x, y)
        for sign in (1.0, -1.0):
            out = [_offset_value(probe, at[i], sign * start * u) for i, u in enumerate((ux, uy))]
            to = [_offset_value(probe, at[i], sign * far * u) for i, u in enumerate((ux, uy))]
            if lines:
                lines.append(_move(probe, X=out[0], Y=out[1]))
                lines.append(_move(probe, Z=level))
            else:
                lines += _descend(probe, level)
            lines += [_touch(probe, X=to[0], Y=to[1])]
            if sign > 0.0:
                lines += ["#1=#5061", "#2=#5062"]
            lines += [_move(probe, X=out[0], Y=out[1]), _move(probe, Z=over)]
        lines += ["#3=[[#1+#5061]/2]", "#4=[[#2+#5062]/2]"]
    lines += [
        _move(probe, X="#3", Y="#4"),
        _touch(probe, Z=z + radius - probe.over),
        f"#5=[#5063-{probe.number(radius)}]",
        _move(probe, Z=over),
    ]
    return ProbeCycle(
        start_xy=(x + start * first[0], y + start * first[1]),
        lines=tuple(lines),
        stored=("#3", "#4", "#5"),
        trips=(
            *(
                (x + s * aside * ux, y + s * aside * uy, level)
                for ux, uy in (first, second)
                for s in (1.0, -1.0)
            ),
            (x, y, z + radius),
        ),
        tip_positions=_tip_positions_around((x, y, z), approach, aside, start, level, over, radius),
        lowest=level,
        highest=over,
    )


def _tip_positions_around(
    centre: tuple[float, float, float],
    approach: Approach,
    aside: float,
    start: float,
    level: float,
    over: float,
    radius: float,
) -> Vector:
    """Lowest points of the tip around a ball: beside it, at it, above it and on its top."""
    x, y, z = centre
    turns = np.radians(approach.turned_deg + np.array([0.0, 180.0, 90.0, 270.0]))
    headings = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    beside = _rings((x, y), headings, np.linspace(aside, start, 4), level)
    above = _rings((x, y), headings, np.array([start / 2.0, start]), over)
    across = 0.5 * start * (headings[1] + headings[2])
    middle = np.array([[x, y, over], [x, y, z + radius], [x + across[0], y + across[1], over]])
    return np.concatenate([beside, above, middle])


def _rings(centre: tuple[float, float], headings: Vector, radii: Vector, level: float) -> Vector:
    """Points (4r, 3) at one level: at each radius from a centre, one along each of four headings."""
    flat = np.asarray(centre) + radii[:, None, None] * headings
    return np.concatenate([flat, np.full((*flat.shape[:-1], 1), level)], axis=-1).reshape(-1, 3)


def bore_or_pin(
    probe: Probe, point: Vector, radius: float, kind: TargetKind, lift: Sequence[str]
) -> ProbeCycle:
    """Probing cycle of a bore's or pin's centre: four touches, and four more about the centre that those gave.

    Parameters
    ----------
    lift : sequence of str
        Lines that bring the probe to the safe height and its length offset back: the only way round a pin.
    """
    x, y, z = (float(v) for v in point)
    level = z - probe.radius
    inside = kind is TargetKind.BORE
    aside = radius - probe.radius if inside else radius + probe.radius
    start = aside - probe.clearance if inside else aside + probe.clearance
    start = max(start, 0.0)
    far = aside + probe.over if inside else aside - probe.over
    lines = ["#3=" + probe.number(x), "#4=" + probe.number(y)]
    trips: list[tuple[float, float, float]] = []
    for _ in range(2):
        for axis, middle, other, result, expected in (
            ("X", x, "Y", "#3", "5061"),
            ("Y", y, "X", "#4", "5062"),
        ):
            other_value = "#4" if other == "Y" else "#3"
            for scratch, sign in (("#1", 1.0), ("#2", -1.0)):
                begin: dict[str, float | str] = {axis: middle + sign * start, other: other_value}
                if not inside and trips:
                    lines += [*lift[:2], _words("G0", probe, None, begin), *lift[2:]]
                elif trips:
                    lines.append(_move(probe, **begin))
                if not inside or not trips:
                    lines += _descend(probe, level)
                trips.append((x + sign * aside, y, level) if axis == "X" else (x, y + sign * aside, level))
                lines += [
                    _touch(probe, **{axis: middle + sign * far}),
                    f"{scratch}=#{expected}",
                    _move(probe, **{axis: middle + sign * start}),
                ]
            lines.append(f"{result}=[[#1+#2]/2]")
    if inside:
        lines += [_move(probe, X=x, Y=y)]
    lines.append(f"#5=[#5063+{probe.number(probe.radius)}]")
    headings = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    return ProbeCycle(
        start_xy=(x + start, y),
        lines=tuple(lines),
        stored=("#3", "#4", "#5"),
        trips=tuple(trips),
        tip_positions=_rings((x, y), headings, np.linspace(aside, start, 4), level),
        lowest=level,
        highest=level,
    )


def surface(probe: Probe, point: Vector, normal: Vector) -> ProbeCycle:
    """Probing cycle of one touch normal to a surface; what is stored is where the tip's lowest point stood."""
    tip = np.array([0.0, 0.0, probe.radius])
    contact = point + probe.radius * normal - tip
    start, far = contact + probe.clearance * normal, contact - probe.over * normal
    x, y, z = (float(v) for v in start)
    lines = (
        *_descend(probe, z),
        _touch(probe, **dict(zip("XYZ", map(float, far), strict=True))),
        _move(probe, **dict(zip("XYZ", (x, y, z), strict=True))),
    )
    cx, cy, cz = (float(v) for v in contact)
    return ProbeCycle(
        start_xy=(x, y),
        lines=lines,
        stored=("#5061", "#5062", "#5063"),
        trips=((cx, cy, cz),),
        tip_positions=contact + np.linspace(0.0, probe.clearance, 4)[:, None] * normal,
        lowest=float(min(start[2], far[2])),
        highest=z,
    )


def face(probe: Probe, point: Vector, normal: Vector) -> ProbeCycle:
    """Probing cycle of one touch normal to a face; the tip's radius is subtracted along the nominal normal."""
    touch = surface(probe, point, normal)
    off = probe.radius * normal - np.array([0.0, 0.0, probe.radius])
    x, y, z = (
        f"[{read}{_minus(probe, float(value))}]" for read, value in zip(touch.stored, off, strict=True)
    )
    *down, back = touch.lines
    return replace(touch, lines=(*down, f"#3={x}", f"#4={y}", f"#5={z}", back), stored=(x, y, z))


def _minus(probe: Probe, value: float) -> str:
    text = fixed(value, probe.decimals + 2)
    return f"+{text[1:]}" if text.startswith("-") else f"-{text}"
