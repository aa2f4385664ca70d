"""How high above the part the first check is made: as high as the setup leaves room for."""

from __future__ import annotations

from tiltwright.worked import Worked

__all__ = ["check_above_mm"]

_HEIGHTS_MM = {"mm": (100.0, 50.0, 25.0, 10.0), "inch": (101.6, 50.8, 25.4, 12.7)}


def check_above_mm(worked: Worked, units: str) -> float:
    """The height above every operation's origin at which the tip is first held against the sheet, millimetres.

    The highest of a few round ones at which no operation takes the spindle, with the longest of the job's tools, above
    its travel; the lowest of them where none does.
    """
    travel = worked.setup.machine.travel
    heights = _HEIGHTS_MM[units]
    if travel is None or not worked.operations:
        return heights[0]
    longest = max((worked.job.unit.to_mm(tool.length) for tool in worked.job.file.tool), default=0.0)
    # Readouts are those of the reference tool where there is one; a shorter tool takes the spindle lower.
    longer = max(longest - (worked.setup.machine.z_reference.tool_length_mm or 0.0), 0.0)
    highest = max(float(one.placed.offset_mm[2]) for one in worked.operations) + longer
    room = float(travel.high_mm[2]) - highest
    return next((height for height in heights if height <= room), heights[-1])
