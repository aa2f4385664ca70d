"""What ends a range, and a range between two ends."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Part", "Stop"]


@dataclass(frozen=True)
class Stop:
    """What ends a range.

    Attributes
    ----------
    by : "travel", "clearance", "swing", "load" or "asked"
        An end of travel, a pair at an operation, a pair on an index move, what a rotary holds or carries, or the end
        of what was asked about.
    what : str
        The axis and its end ("Z high"), the pair ("holder 1 to standoff"), or the limit ("holding torque of A").
    operation : str
        Where; for an index move "first to second".
    """

    by: str
    what: str = ""
    operation: str = ""


Part = tuple[float, Stop, float, Stop]
"""From a value, and what stops it there, to a value, and what stops it there."""
