"""The questions of `machine new`: each value with what it means and how to find it at the machine.

The sense of turning has no default and no short cut: the table has to be looked at, twice.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tiltwright.files.z_reading import GAUGE_LINE_Z, REFERENCE_TOOL_Z
from tiltwright.machine import prompts
from tiltwright.machine.findings import ParallelRotaries, machine_finding_words, machine_findings
from tiltwright.machine.prompts import Interview, pivot_more, pivot_words
from tiltwright.machine.sense import CLOCK, SENSE_LOOKS, sense_from_clock, sense_from_side

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

__all__ = ["ask_machine"]


def ask_machine() -> str:
    """Ask for a machine, and return its file's text."""
    return Interview().run(_questions)


def _questions(asking: Interview) -> str:
    import tomlkit

    asking.say(
        "Each question explains itself; type ? for more, or back to change your last answer. Nothing is written until\n"
        "you have seen all your answers together. Ctrl-C stops.\n"
    )
    document = tomlkit.document()
    document["name"] = asking.ask(
        "What does the shop call the machine?",
        prompts.name,
        more="The name goes on every sheet and into every program that loads offsets, so that nobody picks up the ones\n"
        "for another machine.",
    )
    units = asking.choose(
        "Unit of all lengths you are going to enter?",
        ["mm", "inch"],
        more="Every length in the machine file, travels and pivots included. A job may use the other unit.",
    )
    document["units"] = units
    reading = _z_reference(asking, document, units)
    _travel(asking, document, units)
    count = int(
        asking.choose(
            "How many rotaries turn the table, one on top of the other?",
            ["1", "2", "3"],
            more="An indexer is one; a platter on a tilting cradle or trunnion is two. Count only those that turn the work.",
        )
    )
    rotaries = _rotaries(asking, count, units, reading)
    listed = tomlkit.aot()
    for rotary in rotaries:
        listed.append(rotary)
    document["rotary"] = listed
    _platter(asking, document, units, reading, upright=str(rotaries[-1]["along"])[1] == "Z")
    text = tomlkit.dumps(document)
    _read_back(asking, text, units)
    return text


@dataclass(frozen=True)
class _ZReading:
    """Reading a Z: the conditions and examples for every question that asks for one.

    Attributes
    ----------
    words : str
        What must be in the spindle and in the control.
    pivot, face : dict
        Examples in each unit.
    """

    words: str
    pivot: Mapping[str, str]
    face: Mapping[str, str]


_WIDTH = 112
_LOW_PIVOT = {"mm": "-381.0,-203.412,-406.118", "inch": "-15.0,-8.0083,-15.9889"}
_LOW_FACE = {"mm": "-356.112", "inch": "-14.0202"}
_Z_READING = {
    "gauge line": _ZReading(
        textwrap.fill(GAUGE_LINE_Z, _WIDTH),
        _LOW_PIVOT,
        _LOW_FACE,
    ),
    "reference tool": _ZReading(
        textwrap.fill(REFERENCE_TOOL_Z, _WIDTH),
        _LOW_PIVOT,
        _LOW_FACE,
    ),
    "touch-down": _ZReading(
        "Z is the height above the surface that your tools touch down on: no length offset and no work offset active,\n"
        "take the display's machine Z minus the H value of the tool or probe in the spindle. Minus a negative H: the\n"
        "number comes out larger.",
        {"mm": "-381.0,-203.412,113.882", "inch": "-15.0,-8.0083,4.4836"},
        {"mm": "163.888", "inch": "6.4523"},
    ),
}


def _z_reference(asking: Interview, document: TOMLDocument, units: str) -> _ZReading:
    """Ask how tool lengths are measured; return how a Z is read, for the questions that ask for one."""
    import tomlkit

    asking.say(
        "\nZ reference. What are your tool length offsets (H values)?\n"
        f"  gauge line      lengths from the spindle's gauge line to the tip; a {_such(units, '100 mm', '4 in')} tool has "
        f"{_such(units, '100', '4')}\n"
        "  reference tool  how much longer each tool is than one reference tool, which has 0\n"
        "  touch-down      the machine Z where each tip touches one and the same surface; large negative numbers"
    )
    choice = asking.choose(
        "Z reference?",
        ["gauge line", "reference tool", "touch-down"],
        more="Look at the tool table. About the lengths of the tools: gauge line. One tool at 0, the others a little\n"
        "above or below: reference tool. All of them large and negative: touch-down.",
    )
    document["z_reference"] = "gauge line" if choice == "gauge line" else "reference tool"
    if choice == "reference tool":
        document["reference_tool_length"] = asking.ask(
            f"Length of the reference tool from the gauge line ({units}), such as {_such(units, '120', '4.75')}?",
            prompts.with_unit(prompts.positive_number, units),
            more="From the spindle's gauge line to the tip, as a presetter or a height gauge shows it.",
        )
    if choice == "touch-down":
        document.add(
            tomlkit.comment("Tools are touched down on one surface. The reference tool is the one that would")
        )
        document.add(tomlkit.comment("touch it at machine Z 0: its length offset would be 0."))
        document["reference_tool_length"] = _touch_down_length(asking, units)
    asking.say(f"\n{_Z_READING[choice].words}")
    return _Z_READING[choice]


def _touch_down_length(asking: Interview, units: str) -> float:
    """Ask for one tool's length and H value; return the distance from the gauge line to the surface at machine Z 0.

    H is the machine Z at which the tip touches: the surface's Z at the gauge line, plus the tool's length.
    """
    asking.say(
        "\nOne number links your H values to lengths: how far the gauge line is above that surface at machine Z 0. One\n"
        "tool gives it: its length minus its H value."
    )
    length = asking.ask(
        f"Length of any one tool from the gauge line ({units}), such as {_such(units, '100.0', '4.0')}?",
        prompts.with_unit(prompts.positive_number, units),
        more="From the spindle's gauge line to the tip, as a presetter or a height gauge shows it.",
    )

    def distance(answer: str) -> float:
        offset = prompts.with_unit(prompts.any_number, units)(answer)
        if offset >= 0.0:
            raise ValueError(
                "isn't below 0; a touch-down is normally a large negative number, such as "
                f"{_such(units, '-412.35', '-16.2342')}"
            )
        return round(length - offset, 9)

    return asking.ask(
        f"H value of the same tool ({units}), such as {_such(units, '-412.35', '-16.2342')}?",
        distance,
        more="As it stands in the tool table, sign included. Use a tool that was touched down just now, on the surface\n"
        "that all tools use.",
    )


def _travel(asking: Interview, document: TOMLDocument, units: str) -> None:
    import tomlkit

    wanted = asking.choose(
        "\nDo you want to enter the travels?",
        ["yes", "no"],
        more="Enter the travels and you'll be warned when an offset is out of reach. Without them nothing is checked.",
    )
    if wanted == "no":
        return
    table = tomlkit.table()
    for axis in "XYZ":
        table[axis.lower()] = asking.ask(
            f"{axis}: both ends of travel in machine coordinates ({units}), the lower first, such as "
            f"{_such(units, '-760,0', '-30,0')}?",
            prompts.with_unit(prompts.ends, units),
            more=f"Jog {axis} to each end and read the display in machine coordinates, no work offset"
            f"{' or length offset' if axis == 'Z' else ''} active.",
        )
    document["travel"] = table


def _rotaries(asking: Interview, count: int, units: str, reading: _ZReading) -> list[Table]:
    """Ask for every rotary; two neighbours along one machine axis are queried at once."""
    rotaries: list[Table] = []
    while len(rotaries) < count:
        letters = [str(one["letter"]) for one in rotaries]
        rotaries.append(_rotary(asking, len(rotaries), count, letters, units, reading))
        if len(rotaries) < 2 or rotaries[-1]["along"][1] != rotaries[-2]["along"][1]:
            continue
        outer, inner = (str(one["letter"]) for one in rotaries[-2:])
        query = machine_finding_words(ParallelRotaries(outer, inner), units)
        asking.say(f"\n{query} A second rotary about the same axis adds nothing to aim with.")
        kept = asking.choose(
            "Keep both as they are?",
            ["yes", "no"],
            more="no: you are asked for both again.",
        )
        if kept == "no":
            del rotaries[-2:]
    return rotaries


def _rotary(
    asking: Interview, place: int, count: int, letters: list[str], units: str, reading: _ZReading
) -> Table:
    import tomlkit

    where = ["the one nearest the machine's base", "the next one", "the last"][place]
    if count == 1:
        where = "the only one"
    elif place == count - 1:
        where = "the last one, which carries the work"
    asking.say(f"\nRotary {place + 1} of {count}: {where}.")
    rotary = tomlkit.table()
    letter = asking.choose(
        "Its letter in programs?",
        [c for c in "ABC" if c not in letters],
        more="The word that moves it in a program: A for A-30. Usually A turns about X, B about Y, C about Z (ISO 841).",
    )
    rotary["letter"] = letter
    asking.say(
        "With every rotary at zero, which machine axis is its own axis parallel to? The sign says which end is the\n"
        "positive one: + unless the machine's manual says otherwise."
    )
    along = asking.choose(
        f"{letter} along?",
        ["+X", "-X", "+Y", "-Y", "+Z", "-Z"],
        more="The line it turns about, not the way its rim moves: a platter that lies flat turns about Z. If you\n"
        "have measured the line and it isn't quite square, put it into the file afterwards, as `direction`.",
    )
    rotary["along"] = along
    sense = _sense(asking, letter, along)
    rotary["positive_turn"] = sense
    asking.say(f"\n{pivot_words(letter, along, sense)}\n{reading.words}")
    rotary["point"] = asking.ask(
        f"{letter}: X,Y,Z of a point on its axis ({units}), such as {reading.pivot[units]}?",
        prompts.with_unit(prompts.three, units),
        more=pivot_more(letter, along, sense, units),
    )
    rotary["limits"] = asking.ask(
        f'{letter}: lowest and highest angle it may go to, such as -120,30, or "endless"?',
        prompts.limits,
        more="Machine angles, as on the display. Make them narrower than the stops where a hose or the cradle is in the\n"
        "way. endless: it can turn round and round.",
    )
    return rotary


def _sense(asking: Interview, letter: str, along: str) -> str:
    """Ask for the sense of turning by two looks, until both say the same."""
    looks = SENSE_LOOKS[along[1]]
    asking.say(
        "\nThe sense of turning. The wrong one breaks spindles, so look; don't go by memory. Two looks must agree.\n"
        f"  1. Clear the table and send {letter} to zero. Stand in front of the machine.\n"
        f"  2. Jog {letter} by +10 degrees, slowly. Watch {looks.side}: the TABLE, not the numbers."
    )
    while True:
        way = asking.choose(
            f"{letter} +10: did {looks.side} go {looks.ways[1]} or {looks.ways[0]}?",
            [looks.ways[1], looks.ways[0]],
            more="What the table itself does counts, not how the tool seems to go round the work. If the move is hard to\n"
            f"see, lay a pencil on that side and jog again. If {letter} can't go above zero, jog it from -10 to zero.",
            may_be_kept=False,
        )
        asking.say(f"  3. {looks.stand}. Jog {letter} back, then by +10 degrees once more.")
        clock = asking.choose(
            f"{letter} +10, seen from {looks.seen}: which way did the table turn?",
            CLOCK,
            more="clockwise: the way the hands of a clock go round.",
            may_be_kept=False,
        )
        sense = sense_from_side(along, way)
        if sense == sense_from_clock(along, clock):
            return sense
        asking.say(
            f"  Those two answers don't agree: with {looks.side} going {way}, the table turns "
            f"{CLOCK[1 - CLOCK.index(clock)]} seen\n  from {looks.seen}. Jog it again and look at both."
        )


def _platter(
    asking: Interview, document: TOMLDocument, units: str, reading: _ZReading, *, upright: bool
) -> None:
    import tomlkit

    table = tomlkit.table()
    if upright:
        asking.say(
            "\nThe platter's face. With every rotary at zero, touch the face at its middle with a probe, an indicator or a\n"
            f"gauge block. {reading.words}"
        )
        table["face"] = asking.ask(
            f"Z of the face ({units}), such as {reading.face[units]}?",
            prompts.with_unit(prompts.any_number, units),
            more="The stack of every job stands on this face. If you touch a gauge block, take its height off.",
        )
    diameter = asking.ask(
        f'Diameter of the platter ({units}), such as {_such(units, "160", "6.3")}, or "none"?',
        prompts.with_unit(prompts.positive_or_none, units),
        may_be_empty=True,
        more="It is drawn on the sheet. An empty line is as good as none.",
    )
    if diameter is not None:
        table["diameter"] = diameter
    if table:
        document["platter"] = table


def _read_back(asking: Interview, text: str, units: str) -> None:
    """Show the whole machine, and go on only when it is confirmed."""
    words, sound = _described(text, units)
    asking.say(f"\n{words}\n")
    if sound:
        asking.choose(
            "Is all of this right? Type yes to write it, or back to change your last answer.",
            ["yes"],
            more="back leads to the last question; type it again for the one before. Enter keeps an answer as it was.",
        )
    else:
        asking.choose(
            "The answers don't fit together. Type back to change your last answer; Ctrl-C stops.",
            ["back"],
            more="back leads to the last question; type it again for the one before. Enter keeps an answer as it was.",
        )


def _described(text: str, units: str) -> tuple[str, bool]:
    """A machine file's text as `machine show` prints it, or its faults; and whether it has none."""
    import re
    from pathlib import Path

    from tiltwright.files.diagnostics import InputFaults
    from tiltwright.files.loader import machine_from_text
    from tiltwright.files.plausibility import implausible_values, implausible_words
    from tiltwright.machine.description import machine_text

    try:
        read = machine_from_text("machine.toml", Path("machine.toml"), text)
    except InputFaults as faults:
        # Nothing is written yet: a file and a line would only puzzle.
        return re.sub(r"(?m)^machine\.toml:(\d+:)? ?", "", str(faults)), False
    notes = [f"caution: {implausible_words(one)}" for one in implausible_values(read.file)]
    notes += [f"note: {machine_finding_words(one, units)}" for one in machine_findings(read.machine)]
    return "\n\n".join([machine_text(read.machine, units), *notes]), True


def _such(units: str, mm: str, inch: str) -> str:
    """The example in the unit that was chosen."""
    return mm if units == "mm" else inch
