"""Aims: every pair of angles that brings a direction to the spindle, as a table for people and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics import Machine, Solution
from tiltwright.job.message_wording import violation_text
from tiltwright.output.json_csv import by_letter
from tiltwright.output.numbers import angle
from tiltwright.output.tables import table

__all__ = ["AimedDirection", "aim_report", "aim_table", "aim_ways"]


@dataclass(frozen=True, eq=False)
class AimedDirection:
    """A direction that was aimed at.

    Attributes
    ----------
    name : str
        The operation's, or the direction as it was typed.
    ways : sequence of Solution
        The best first.
    free : sequence of str
        Letters of the rotaries that make no difference.
    reached : bool
    """

    name: str
    ways: Sequence[Solution]
    free: Sequence[str]
    reached: bool

    @property
    def heading(self) -> str:
        """The name, with what is to be said of the best solution."""
        words = [f"any {letter} angle works; {letter} stays where it is" for letter in self.free]
        if self.ways[0].misalignment_deg > 0.0:
            words.append(f"{angle(self.ways[0].misalignment_deg)} degrees off the spindle at best")
        return f"{self.name} ({'; '.join(words)})" if words else self.name


def aim_report(
    job: str | None,
    aimed: Sequence[AimedDirection],
    machine: Machine,
    rotary_offset_deg: ArrayLike | None = None,
) -> dict[str, Any]:
    """Aimed directions for JSON."""
    return {
        "schema": "tiltwright.aim/1",
        "job": job,
        "operations": [
            {
                "name": one.name,
                "reached": one.reached,
                "short_deg": one.ways[0].misalignment_deg,
                "free": list(one.free),
                "ways": aim_ways(one.ways, machine, rotary_offset_deg),
            }
            for one in aimed
        ],
    }


def aim_ways(
    solutions: Sequence[Solution], machine: Machine, rotary_offset_deg: ArrayLike | None = None
) -> list[dict[str, Any]]:
    """Every solution of an aim for JSON, the best first."""
    offset = np.zeros(len(machine.rotaries)) if rotary_offset_deg is None else np.asarray(rotary_offset_deg)
    return [
        {
            "program": by_letter(machine, np.array(way.machine_deg) - offset),
            "machine": by_letter(machine, way.machine_deg),
            "move": by_letter(machine, way.move_deg),
            "cost_deg": way.motion_deg,
            "fits": way.feasible,
            "why_out": [violation_text(one) for one in way.violations],
        }
        for way in solutions
    ]


def aim_table(solutions: Sequence[Solution], machine: Machine, rotary_offset_deg: NDArray[np.float64]) -> str:
    """Every solution of an aim as a table, the best first; those ruled out with the reason."""
    head = ["", *(f"program {letter}" for letter in machine.letters)]
    head += [f"machine {letter}" for letter in machine.letters] if rotary_offset_deg.any() else []
    head += ["motion", "verdict"]
    rows = []
    for number, way in enumerate(solutions, start=1):
        row = [str(number), *map(angle, way.machine_deg - rotary_offset_deg)]
        row += [angle(value) for value in way.machine_deg] if rotary_offset_deg.any() else []
        reasons = "; ".join(violation_text(one) for one in way.violations)
        verdict = ("taken" if number == 1 else "fits") if way.feasible else f"out: {reasons}"
        rows.append([*row, angle(way.motion_deg), verdict])
    return table(head, rows, align="l" + "r" * (len(head) - 2) + "l")
