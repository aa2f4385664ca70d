"""Probing cycles: the moves of the probe for each reading, and the values it stores.

All positions here are the lowest point of the tip, which is what the display shows with the probe's length offset in
force, in the program's unit and machine coordinates. The scratch parameters are 1 to 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration import TargetKind
from tiltwright.output.gcode import comment
from tiltwright.output.numbers import fixed

__all__ = ["Approach", "Probe", "ProbeCycle", "ball", "bore_or_pin", "face"]

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Probe:
    """The probe in the program's unit.

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

    def say(self, value: float) -> str:
        """A number as the program has it."""
        return fixed(value, self.decimals)


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
    """Program lines that take one reading.

    Attributes
    ----------
    start_xy : (float, float)
        Where to stand at the safe height before going down.
    lines : tuple of str
        From the safe height down, the touches, and back up to where the probe can be lifted straight out.
    kept : (str, str, str)
        X, Y and Z of the reading as values of the language.
    trips : tuple of (float, float, float)
        What the display shows at each touch, if everything is where it is said to be.
    stands : ndarray, shape (p, 3)
        Where the lowest point of the tip comes to below the safe height, straight up from which it leaves.
    lowest, highest : float
        Of the tip.
    """

    start_xy: tuple[float, float]
    lines: tuple[str, ...]
    kept: tuple[str, str, str]
    trips: tuple[tuple[float, float, float], ...]
    stands: Vector
    lowest: float
    highest: float


def _to(probe: Probe, **words: float | str) -> str:
    """A straight move at the feed between touches."""
    return _words("G1", probe, probe.move, words)


def _down(probe: Probe, z: float) -> list[str]:
    """From the safe height straight down to where a touch begins, the last of it as slowly as a touch."""
    return [
        comment("Blind descent: no probe signal stops it"),
        _to(probe, Z=z + probe.clearance),
        _words("G1", probe, probe.feed, {"Z": z}),
    ]


def _off(probe: Probe, at: float | str, by: float) -> float | str:
    """A place and a way off it, as a number, or as an expression where the place is a parameter."""
    if not isinstance(at, str):
        return at + by
    said = probe.say(by)
    if not said.strip("-0."):
        return at
    return f"[{at}{said}]" if said.startswith("-") else f"[{at}+{said}]"


def _touch(probe: Probe, **words: float | str) -> str:
    return _words("G38.2", probe, probe.feed, words)


def _words(code: str, probe: Probe, feed: float | None, words: dict[str, float | str]) -> str:
    said = " ".join(
        f"{axis}{value if isinstance(value, str) else probe.say(value)}" for axis, value in words.items()
    )
    return f"{code} {said}" if feed is None else f"{code} {said} F{probe.say(feed)}"


def ball(probe: Probe, centre: Vector, radius: float, way: Approach) -> ProbeCycle:
    """A ball's centre from five touches: two pairs from the sides, the second through the first's middle, then the top."""
    x, y, z = (float(v) for v in centre)
    both = radius + probe.radius
    aside = math.sqrt(1.0 - way.height**2) * both
    level = z + way.height * both - probe.radius
    over = z + radius + probe.clearance
    start, far = aside + probe.clearance, aside - probe.over
    turn = np.radians(way.turned_deg)
    first, second = (math.cos(turn), math.sin(turn)), (-math.sin(turn), math.cos(turn))
    lines: list[str] = []
    for k, (ux, uy) in enumerate((first, second)):
        # The second pair stands on the middle of the first, which the control alone knows.
        at = ("#3", "#4") if k else (x, y)
        for sign in (1.0, -1.0):
            out = [_off(probe, at[i], sign * start * u) for i, u in enumerate((ux, uy))]
            to = [_off(probe, at[i], sign * far * u) for i, u in enumerate((ux, uy))]
            if lines:
                lines.append(_to(probe, X=out[0], Y=out[1]))
                lines.append(_to(probe, Z=level))
            else:
                lines += _down(probe, level)
            lines += [_touch(probe, X=to[0], Y=to[1])]
            if sign > 0.0:
                lines += ["#1=#5061", "#2=#5062"]
            lines += [_to(probe, X=out[0], Y=out[1]), _to(probe, Z=over)]
        lines += ["#3=[[#1+#5061]/2]", "#4=[[#2+#5062]/2]"]
    lines += [
        _to(probe, X="#3", Y="#4"),
        _touch(probe, Z=z + radius - probe.over),
        f"#5=[#5063-{probe.say(radius)}]",
        _to(probe, Z=over),
    ]
    return ProbeCycle(
        start_xy=(x + start * first[0], y + start * first[1]),
        lines=tuple(lines),
        kept=("#3", "#4", "#5"),
        trips=(
            *(
                (x + s * aside * ux, y + s * aside * uy, level)
                for ux, uy in (first, second)
                for s in (1.0, -1.0)
            ),
            (x, y, z + radius),
        ),
        stands=_stands_round((x, y, z), way, aside, start, level, over, radius),
        lowest=level,
        highest=over,
    )


def _stands_round(
    centre: tuple[float, float, float],
    way: Approach,
    aside: float,
    start: float,
    level: float,
    over: float,
    radius: float,
) -> Vector:
    """Positions of the tip's lowest point round a ball: down beside it, up to it, over it and on its top."""
    x, y, z = centre
    turns = np.radians(way.turned_deg + np.array([0.0, 180.0, 90.0, 270.0]))
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    beside = [
        np.column_stack([np.array([x, y]) + r * ways, np.full(4, level)])
        for r in np.linspace(aside, start, 4)
    ]
    above = [np.column_stack([np.array([x, y]) + r * ways, np.full(4, over)]) for r in (start / 2.0, start)]
    across = 0.5 * start * (ways[1] + ways[2])
    middle = np.array([[x, y, over], [x, y, z + radius], [x + across[0], y + across[1], over]])
    return np.concatenate([*beside, *above, middle])


def bore_or_pin(
    probe: Probe, point: Vector, radius: float, kind: TargetKind, lift: Sequence[str]
) -> ProbeCycle:
    """A point of an axis from two rounds of four touches; the second round stands where the first found the middle.

    Parameters
    ----------
    lift : sequence of str
        Lines that bring the probe to the safe height and its length offset back: how it gets round a pin.
    """
    x, y, z = (float(v) for v in point)
    level = z - probe.radius
    inside = kind is TargetKind.BORE
    aside = radius - probe.radius if inside else radius + probe.radius
    start = aside - probe.clearance if inside else aside + probe.clearance
    start = max(start, 0.0)
    far = aside + probe.over if inside else aside - probe.over
    lines = ["#3=" + probe.say(x), "#4=" + probe.say(y)]
    trips: list[tuple[float, float, float]] = []
    for _ in range(2):
        for axis, middle, other, result, expected in (
            ("X", x, "Y", "#3", "5061"),
            ("Y", y, "X", "#4", "5062"),
        ):
            held = "#4" if other == "Y" else "#3"
            for scratch, sign in (("#1", 1.0), ("#2", -1.0)):
                begin: dict[str, float | str] = {axis: middle + sign * start, other: held}
                if not inside and trips:
                    lines += [*lift[:2], _words("G0", probe, None, begin), *lift[2:]]
                elif trips:
                    lines.append(_to(probe, **begin))
                if not inside or not trips:
                    lines += _down(probe, level)
                trips.append((x + sign * aside, y, level) if axis == "X" else (x, y + sign * aside, level))
                lines += [
                    _touch(probe, **{axis: middle + sign * far}),
                    f"{scratch}=#{expected}",
                    _to(probe, **{axis: middle + sign * start}),
                ]
            lines.append(f"{result}=[[#1+#2]/2]")
    if inside:
        lines += [_to(probe, X=x, Y=y)]
    lines.append(f"#5=[#5063+{probe.say(probe.radius)}]")
    ways = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    stands = [
        np.column_stack([np.array([x, y]) + r * ways, np.full(4, level)])
        for r in np.linspace(aside, start, 4)
    ]
    return ProbeCycle(
        start_xy=(x + start, y),
        lines=tuple(lines),
        kept=("#3", "#4", "#5"),
        trips=tuple(trips),
        stands=np.concatenate(stands),
        lowest=level,
        highest=level,
    )


def face(probe: Probe, point: Vector, normal: Vector) -> ProbeCycle:
    """One touch square to a face; the tip's radius is taken off along the way that the face should look."""
    tip = np.array([0.0, 0.0, probe.radius])
    contact = point + probe.radius * normal - tip
    start, far = contact + probe.clearance * normal, contact - probe.over * normal
    off = probe.radius * normal - tip
    kept = tuple(f"[#506{i + 1}{_minus(probe, float(off[i]))}]" for i in range(3))
    x, y, z = (float(v) for v in start)
    lines = (
        *_down(probe, z),
        _touch(probe, **dict(zip("XYZ", map(float, far), strict=True))),
        f"#3={kept[0]}",
        f"#4={kept[1]}",
        f"#5={kept[2]}",
        _to(probe, **dict(zip("XYZ", (x, y, z), strict=True))),
    )
    cx, cy, cz = (float(v) for v in contact)
    return ProbeCycle(
        start_xy=(x, y),
        lines=lines,
        kept=(kept[0], kept[1], kept[2]),
        trips=((cx, cy, cz),),
        stands=contact + np.linspace(0.0, probe.clearance, 4)[:, None] * normal,
        lowest=float(min(start[2], far[2])),
        highest=z,
    )


def _minus(probe: Probe, value: float) -> str:
    said = fixed(value, probe.decimals + 2)
    return f"+{said[1:]}" if said.startswith("-") else f"-{said}"
