"""The touches of a probing program: for each reading, where the probe goes and what is kept of it.

All positions here are the lowest point of the tip, which is what the display shows with the probe's length offset in
force, in the program's unit and machine coordinates. The scratch parameters are 1 to 6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.pivot import Kind
from tiltwright.show.numbers import fixed

__all__ = ["Probe", "Touched", "ball", "bore_or_pin", "face"]

Vector = NDArray[np.float64]
_BELOW = 0.5
"""A ball is touched from the sides at half its height above the centre: clear of a stem that lies level."""


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
class Touched:
    """The lines that take one reading.

    Attributes
    ----------
    start_xy : (float, float)
        Where to stand at the safe height before going down.
    lines : tuple of str
        From the safe height down, the touches, and back up to where the probe can be lifted straight out.
    kept : (str, str, str)
        X, Y and Z of the reading as values of the language.
    lowest, highest : float
        Of the tip.
    """

    start_xy: tuple[float, float]
    lines: tuple[str, ...]
    kept: tuple[str, str, str]
    lowest: float
    highest: float


def _to(probe: Probe, **words: float | str) -> str:
    """A straight move at the feed between touches."""
    return _words("G1", probe, probe.move, words)


def _touch(probe: Probe, **words: float | str) -> str:
    return _words("G38.2", probe, probe.feed, words)


def _words(code: str, probe: Probe, feed: float, words: dict[str, float | str]) -> str:
    said = " ".join(
        f"{axis}{value if isinstance(value, str) else probe.say(value)}" for axis, value in words.items()
    )
    return f"{code} {said} F{probe.say(feed)}"


def ball(probe: Probe, centre: Vector, radius: float) -> Touched:
    """A ball's centre from five touches: both sides in X, both in Y through the middle of those, then the top."""
    x, y, z = (float(v) for v in centre)
    both = radius + probe.radius
    aside = math.sqrt(1.0 - _BELOW**2) * both
    level = z + _BELOW * both - probe.radius
    over = z + radius + probe.clearance
    start, far = aside + probe.clearance, aside - probe.over
    lines = [
        _to(probe, Z=level),
        _touch(probe, X=x + far),
        "#1=#5061",
        _to(probe, X=x + start),
        _to(probe, Z=over),
        _to(probe, X=x - start),
        _to(probe, Z=level),
        _touch(probe, X=x - far),
        "#2=#5061",
        _to(probe, X=x - start),
        _to(probe, Z=over),
        "#3=[[#1+#2]/2]",
        _to(probe, X="#3", Y=y - start),
        _to(probe, Z=level),
        _touch(probe, Y=y - far),
        "#1=#5062",
        _to(probe, Y=y - start),
        _to(probe, Z=over),
        _to(probe, Y=y + start),
        _to(probe, Z=level),
        _touch(probe, Y=y + far),
        "#2=#5062",
        _to(probe, Y=y + start),
        _to(probe, Z=over),
        "#4=[[#1+#2]/2]",
        _to(probe, Y="#4"),
        _touch(probe, Z=z + radius - probe.over),
        f"#5=[#5063-{probe.say(radius)}]",
        _to(probe, Z=over),
    ]
    return Touched((x + start, y), tuple(lines), ("#3", "#4", "#5"), level, over)


def bore_or_pin(probe: Probe, point: Vector, radius: float, kind: Kind, lift: Sequence[str]) -> Touched:
    """A point of an axis from two rounds of four touches; the second round stands where the first found the middle.

    Parameters
    ----------
    lift : sequence of str
        Lines that bring the probe to the safe height and its length offset back: how it gets round a pin.
    """
    x, y, z = (float(v) for v in point)
    level = z - probe.radius
    inside = kind is Kind.BORE
    aside = radius - probe.radius if inside else radius + probe.radius
    start = aside - probe.clearance if inside else aside + probe.clearance
    start = max(start, 0.0)
    far = aside + probe.over if inside else aside - probe.over
    lines = ["#3=" + probe.say(x), "#4=" + probe.say(y)]
    for _ in range(2):
        for axis, middle, other, result, expected in (
            ("X", x, "Y", "#3", "5061"),
            ("Y", y, "X", "#4", "5062"),
        ):
            held = "#4" if other == "Y" else "#3"
            for scratch, sign in (("#1", 1.0), ("#2", -1.0)):
                begin: dict[str, float | str] = {axis: middle + sign * start, other: held}
                if not inside:
                    lines += lift
                lines += [_to(probe, **begin), _to(probe, Z=level)]
                lines += [
                    _touch(probe, **{axis: middle + sign * far}),
                    f"{scratch}=#{expected}",
                    _to(probe, **{axis: middle + sign * start}),
                ]
            lines.append(f"{result}=[[#1+#2]/2]")
    if inside:
        lines += [_to(probe, X=x, Y=y)]
    lines.append(f"#5=[#5063+{probe.say(probe.radius)}]")
    return Touched((x, y) if inside else (x + start, y), tuple(lines), ("#3", "#4", "#5"), level, level)


def face(probe: Probe, point: Vector, normal: Vector) -> Touched:
    """One touch square to a face; the tip's radius is taken off along the way that the face should look."""
    tip = np.array([0.0, 0.0, probe.radius])
    contact = point + probe.radius * normal - tip
    start, far = contact + probe.clearance * normal, contact - probe.over * normal
    off = probe.radius * normal - tip
    kept = tuple(f"[#506{i + 1}{_minus(probe, float(off[i]))}]" for i in range(3))
    x, y, z = (float(v) for v in start)
    lines = (
        _to(probe, Z=z),
        _touch(probe, **dict(zip("XYZ", map(float, far), strict=True))),
        f"#3={kept[0]}",
        f"#4={kept[1]}",
        f"#5={kept[2]}",
        _to(probe, **dict(zip("XYZ", (x, y, z), strict=True))),
    )
    return Touched((x, y), lines, ("#3", "#4", "#5"), float(min(start[2], far[2])), z)


def _minus(probe: Probe, value: float) -> str:
    said = fixed(value, probe.decimals + 2)
    return f"+{said[1:]}" if said.startswith("-") else f"-{said}"
