"""Machine files for tests: a tilting rotary with a platter on it, as the examples' first mill has it unless told otherwise."""

from __future__ import annotations


def mill_text(
    *,
    name: str = "mill",
    units: str = "mm",
    tilt: str = "A",
    along: str = "+X",
    points: tuple[str, str] = ("[-381.0, -203.412, -406.118]", "[-381.025, -203.405, -356.112]"),
    limits: str = "[-120.0, 30.0]",
    travel: tuple[str, str, str] | None = None,
    platter: str = "face = -356.112",
) -> str:
    """The text of a machine file; everything turns clockwise, and C is endless."""
    ends = (
        ""
        if travel is None
        else "[travel]\n" + "".join(f"{axis} = {end}\n" for axis, end in zip("xyz", travel, strict=True))
    )
    rotaries = [(tilt, along, points[0], limits), ("C", "+Z", points[1], '"endless"')]
    turning = "".join(
        f'[[rotary]]\nletter = "{letter}"\nalong = "{way}"\npositive_turn = "clockwise"\npoint = {point}\nlimits = {ends_at}\n'
        for letter, way, point, ends_at in rotaries
    )
    return f'name = "{name}"\nunits = "{units}"\nz_reference = "gauge line"\n{ends}{turning}[platter]\n{platter}\n'
