"""Aims: every pair of angles that brings a direction to the spindle, as a table for people and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics import Aim, Solution, UnreachableOperation
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
    aim : Aim
    ways : sequence of Solution
        The best first.
    free : sequence of str
        Letters of the rotaries that make no difference.
    reached : bool
    turn_deg : ndarray, shape (n,), or 0
        What a correction adds to the rotaries' values of its work offset: program angles stay, the machine's move with it.
    """

    name: str
    aim: Aim
    ways: Sequence[Solution]
    free: Sequence[str]
    reached: bool
    turn_deg: NDArray[np.float64] | float = 0.0

    @classmethod
    def unreached(cls, one: UnreachableOperation) -> AimedDirection:
        """The direction of an operation that the machine does not reach."""
        return cls(one.name, one.aim, one.solutions, one.aim.singular_axes, reached=False)

    @property
    def heading(self) -> str:
        """The name, with what is to be said of the best solution."""
        words = [f"any {letter} angle works; {letter} stays where it is" for letter in self.free]
        if self.ways[0].misalignment_deg > 0.0:
            words.append(f"{angle(self.ways[0].misalignment_deg)} degrees off the spindle at best")
        return f"{self.name} ({'; '.join(words)})" if words else self.name

    def program_deg(self, way: Solution) -> NDArray[np.float64]:
        """Program angles of a solution, shape (n,)."""
        return np.array(way.machine_deg) - self.aim.rotary_offset_deg

    def machine_deg(self, way: Solution) -> NDArray[np.float64]:
        """Machine angles of a solution, shape (n,)."""
        return np.array(way.machine_deg) + self.turn_deg


def aim_report(job: str | None, aimed: Sequence[AimedDirection]) -> dict[str, Any]:
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
                "ways": aim_ways(one),
            }
            for one in aimed
        ],
    }


def aim_ways(aimed: AimedDirection) -> list[dict[str, Any]]:
    """Every solution of an aim for JSON, the best first."""
    machine = aimed.aim.machine
    return [
        {
            "program": by_letter(machine, aimed.program_deg(way)),
            "machine": by_letter(machine, aimed.machine_deg(way)),
            "move": by_letter(machine, way.move_deg),
            "cost_deg": way.motion_deg,
            "fits": way.feasible,
            "why_out": [violation_text(one) for one in way.violations],
        }
        for way in aimed.ways
    ]


def aim_table(aimed: AimedDirection) -> str:
    """Every solution of an aim as a table, the best first; those ruled out with the reason."""
    letters = aimed.aim.machine.letters
    offset_rotaries = bool((aimed.aim.rotary_offset_deg + aimed.turn_deg).any())
    head = ["", *(f"program {letter}" for letter in letters)]
    head += [f"machine {letter}" for letter in letters] if offset_rotaries else []
    head += ["motion", "verdict"]
    rows = []
    for number, way in enumerate(aimed.ways, start=1):
        row = [str(number), *map(angle, aimed.program_deg(way))]
        row += [angle(value) for value in aimed.machine_deg(way)] if offset_rotaries else []
        reasons = "; ".join(violation_text(one) for one in way.violations)
        verdict = ("taken" if number == 1 else "fits") if way.feasible else f"out: {reasons}"
        rows.append([*row, angle(way.motion_deg), verdict])
    return table(head, rows, align="l" + "r" * (len(head) - 2) + "l")
