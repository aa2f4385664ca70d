"""Where a probing program keeps its readings among the numbered parameters, and how they are read back.

RS274/NGC (NISTIR 6556, section 3.2.1) has 5400 numbered parameters, of which 1 to 5060 are free for programs. Ours
stand in one run from `FIRST`: a head of ten, then ten for each reading.
"""

from __future__ import annotations

__all__ = [
    "BLOCK",
    "CODES",
    "DONE",
    "FIRST",
    "KIND_CODE",
    "MOST_READINGS",
    "PLANNED",
    "PLATTER",
    "PLATTER_CODE",
    "UNIT",
    "UNIT_CODES",
    "first_of",
]

FIRST = 1000
PLANNED, DONE, UNIT = FIRST, FIRST + 1, FIRST + 2
"""How many readings the program takes, how many it has kept, and 20 or 21 for inches or mm, as in G20 and G21."""

BLOCK = 10
"""Of each reading: kind, target's number, X, Y, Z, A, B, C, and two that are not used."""

MOST_READINGS = (5061 - FIRST) // BLOCK - 1

KIND_CODE = {"ball": 1, "bore": 2, "pin": 3, "face": 4}
PLATTER, PLATTER_CODE = "platter", 5
"""The platter's own face has a code of its own, since its direction is known from the machine."""

CODES = {**{code: kind for kind, code in KIND_CODE.items()}, PLATTER_CODE: "face"}
UNIT_CODES = {20: "inch", 21: "mm"}


def first_of(reading: int) -> int:
    """The first parameter of a reading, counted from 0.

    Examples
    --------
    >>> first_of(0), first_of(MOST_READINGS - 1) + BLOCK - 1
    (1010, 5059)
    """
    return FIRST + BLOCK * (reading + 1)
