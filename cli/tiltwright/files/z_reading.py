"""Reading a Z: what must be in the spindle and in the control's length offset.

One wording for every question and page that asks for a Z; a Z with a tool's length left in is wrong by that length.
"""

from __future__ import annotations

__all__ = ["ANY_Z", "GAUGE_LINE_Z", "REFERENCE_TOOL_Z", "z_reading"]

GAUGE_LINE_Z = (
    "Z is read at the gauge line: no length offset active, and the length of the probe or tool in the spindle (and of a "
    "gauge block under it) taken off the display's machine Z."
)
REFERENCE_TOOL_Z = (
    "Z is read with the tip of the reference tool: no length offset active. With another tool or probe, take off how "
    "much longer than the reference tool it is; take off a gauge block under it as well."
)
ANY_Z = (
    "Z is machine Z with no length offset active, less the length of the tool or probe in the spindle (with a reference "
    "tool: how much longer it is than that) and of a gauge block under it."
)


def z_reading(reference_tool_mm: float | None) -> str:
    """Instruction for reading a Z on a machine.

    Parameters
    ----------
    reference_tool_mm : float or None
        Length of the reference tool; None where Z is read at the gauge line.

    Examples
    --------
    >>> z_reading(None) == GAUGE_LINE_Z, z_reading(120.0) == REFERENCE_TOOL_Z
    (True, True)
    """
    return GAUGE_LINE_Z if reference_tool_mm is None else REFERENCE_TOOL_Z
