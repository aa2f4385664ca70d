"""Limits of a feasible interval and their causes, as values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Interval", "Limit", "LimitKind"]

LimitKind = Literal["range", "travel", "clearance", "table", "index move", "capacity", "holding torque"]
"""End of the range asked about; end of travel; a pair with the tool at an operation; a pair of what turns and what
stands at an operation; a pair on an index move; the mass a rotary may carry; the torque it holds."""


@dataclass(frozen=True)
class Limit:
    """Cause that ends an interval.

    Attributes
    ----------
    kind : LimitKind
    operation : str or None
        The operation concerned; for an index move the one it leads from, None for the start of the job.
    next_operation : str or None
        For an index move the operation it leads to, None for the start of the job.
    axis : str or None
        "X", "Y", "Z", or the letter of a rotary.
    end : "low", "high" or None
        Of the travel.
    pair : (str, str) or None
        The two bodies that come too close.
    """

    kind: LimitKind = "range"
    operation: str | None = None
    next_operation: str | None = None
    axis: str | None = None
    end: Literal["low", "high"] | None = None
    pair: tuple[str, str] | None = None


@dataclass(frozen=True)
class Interval:
    """Values from `low` to `high`, and the cause that ends them on either side.

    Attributes
    ----------
    low, high : float
    low_limit, high_limit : Limit
    """

    low: float
    low_limit: Limit
    high: float
    high_limit: Limit
