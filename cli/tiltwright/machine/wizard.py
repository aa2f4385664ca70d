"""The questions of `machine new`: each value with what it means and how to find it at the machine.

Questions go to stderr, answers come from stdin. An answer that will not do is explained and asked again. The
sense of turning has no default and no short cut: the table has to be looked at.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, TypeVar

import typer

from tiltwright.machine import prompts
from tiltwright.machine.findings import ParallelRotaries, machine_finding_words
from tiltwright.machine.prompts import pivot_more, pivot_words
from tiltwright.terminal.streams import fail

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

__all__ = ["ask_machine"]

Value = TypeVar("Value")

_EYE = {"X": ("right", "left"), "Y": ("back", "front"), "Z": ("top", "underside")}
_SPOTS = {
    "X": "Stand at the right end of its line and look along it to the left",
    "Y": "Stand behind its line and look along it to the front",
    "Z": "Look down on it from above",
}


def ask_machine() -> str:
    """Ask for a machine, and return its file's text.

    Raises
    ------
    InputFaults
        When what was answered does not fit together.
    """
    import tomlkit

    document = tomlkit.document()
    _say(
        "Every value is asked for with what it means; ? tells more. Nothing is written before the last answer; "
        "Ctrl-C ends.\n"
    )
    document["name"] = _ask(
        "What does the shop call the machine?",
        prompts.name,
        more="It stands on every sheet and in every program that loads offsets, so that nobody takes another's.",
    )
    units = _choose(
        "Which unit will you give lengths in?",
        ["mm", "inch"],
        more="Every length of the machine file, travels and pivots too. A job may be in the other unit.",
    )
    document["units"] = units
    _z_reference(document, units)
    _travel(document, units)
    count = int(
        _choose(
            "How many rotaries turn the table, one behind the other?",
            ["1", "2", "3"],
            more="An indexer is one; a platter on a tilting cradle or a trunnion is two. Count only what turns the work.",
        )
    )
    rotaries = _rotaries(count, units)
    listed = tomlkit.aot()
    for rotary in rotaries:
        listed.append(rotary)
    document["rotary"] = listed
    _platter(document, units, upright=str(rotaries[-1]["along"])[1] == "Z")
    text = tomlkit.dumps(document)
    _check(text)
    return text


def _z_reference(document: TOMLDocument, units: str) -> None:
    _say(
        "\nZ reference. What does the display's Z stand for while you measure?\n"
        "  gauge line      the spindle's gauge line stands there: tool length offsets are lengths from it\n"
        "  reference tool  the tip of one known tool stands there, and every Z is read with it"
    )
    choice = _choose(
        "Z reference?",
        ["gauge line", "reference tool"],
        more="If a tool of 100 mm has 100 as its length offset, it is the gauge line. If its offset is how much longer\n"
        "it is than one tool that counts as zero, it is the reference tool.",
    )
    document["z_reference"] = choice
    if choice == "reference tool":
        document["reference_tool_length"] = _ask(
            f"Length of the reference tool from the gauge line, {units}, such as {_such(units, '120', '4.75')}?",
            prompts.positive,
            more="From the spindle's gauge line to the tip, as a presetter or a height gauge shows it.",
        )


def _travel(document: TOMLDocument, units: str) -> None:
    import tomlkit

    wanted = _choose(
        "\nDo you want to state the travels, so that offsets are held against them?",
        ["yes", "no"],
        more="With travels, a work offset that no axis can reach is told. Without them nothing is checked.",
    )
    if wanted == "no":
        return
    table = tomlkit.table()
    for axis in "XYZ":
        table[axis.lower()] = _ask(
            f"{axis}: both ends of travel on the display in machine coordinates, lower first ({units}), such as "
            f"{_such(units, '-760,0', '-30,0')}?",
            prompts.ends,
            more=f"Jog {axis} to either end and read the display in machine coordinates, no work offset active.",
        )
    document["travel"] = table


def _rotaries(count: int, units: str) -> list[Table]:
    """Ask for every rotary; two neighbours that turn about one direction are asked about at once."""
    rotaries: list[Table] = []
    while len(rotaries) < count:
        rotaries.append(_rotary(len(rotaries), count, [str(one["letter"]) for one in rotaries], units))
        if len(rotaries) < 2 or rotaries[-1]["along"][1] != rotaries[-2]["along"][1]:
            continue
        outer, inner = (str(one["letter"]) for one in rotaries[-2:])
        _say(
            f"\n{machine_finding_words(ParallelRotaries(outer, inner), units)} A second rotary about the same direction adds nothing to aim with."
        )
        if _choose("Keep both as they are (no: both are asked for again)?", ["yes", "no"]) == "no":
            del rotaries[-2:]
    return rotaries


def _rotary(place: int, count: int, letters: list[str], units: str) -> Table:
    import tomlkit

    where = (
        "the rotary"
        if count == 1
        else ["the one nearest the machine's base", "the next one", "the last"][place]
    )
    if place == count - 1 and count > 1:
        where = "the last one, which carries the work"
    _say(f"\nRotary {place + 1} of {count}: {where}.")
    rotary = tomlkit.table()
    letter = _choose(
        "Its letter in programs?",
        [c for c in "ABC" if c not in letters],
        more="The word that moves it in a program: A for A-30. Usual is A about X, B about Y, C about Z (ISO 841).",
    )
    rotary["letter"] = letter
    _say(
        "With every rotary at zero, which machine axis does its line follow? The sign says which end you count as\n"
        "positive; + unless the machine's manual says otherwise."
    )
    along = _choose(
        f"{letter} along?",
        ["+X", "-X", "+Y", "-Y", "+Z", "-Z"],
        more="The line that it turns about, not the way its rim moves: a platter that lies flat turns about Z.\n"
        "A line that was measured and is not quite square goes into the file afterwards, as direction.",
    )
    rotary["along"] = along
    _say(
        f"\nThe sense of turning. A wrong one breaks spindles, so look; do not remember.\n"
        f"  1. Clear the table. Jog {letter} by +10 degrees, slowly.\n"
        f"  2. {_spot(along)}.\n"
        f"  3. Watch the TABLE, not the numbers: which way did it go, like a clock's hand or against it?"
    )
    sense = _choose(
        f"{letter} +10 turned the table?",
        ["clockwise", "counterclockwise"],
        more="What is asked is what the table itself does, not which way the tool seems to go round the work. Lay a\n"
        "pencil on the table if the move is hard to see.",
    )
    rotary["positive_turn"] = sense
    _say(f"\n{pivot_words(letter, along, sense)}")
    rotary["point"] = _ask(
        f"{letter}: X,Y,Z of a point on its line ({units}), such as "
        f"{_such(units, '-381.0,-203.412,-406.118', '-15.0,-8.0083,-15.9889')}?",
        prompts.three,
        more=pivot_more(letter, along, sense),
    )
    rotary["limits"] = _ask(
        f'{letter}: lowest and highest angle it may be sent to, such as -120,30, or "endless"?',
        prompts.limits,
        more="Machine angles, as the display shows them. Give them narrower than the stops where a hose or the cradle\n"
        "is in the way. endless: it turns any number of times.",
    )
    return rotary


def _spot(along: str) -> str:
    if along[0] == "+":
        return _SPOTS[along[1]]
    return f"Look along its line from the {_EYE[along[1]][1]}, where you said its positive end is"


def _platter(document: TOMLDocument, units: str, *, upright: bool) -> None:
    import tomlkit

    table = tomlkit.table()
    if upright:
        _say(
            "\nThe platter's face: machine Z of the face at the middle, rotaries at zero, read as the Z reference says\n"
            "(touch it with an indicator, a probe or a gauge block under the reference)."
        )
        table["face"] = _ask(
            f"Machine Z of the face ({units}), such as {_such(units, '-356.112', '-14.0202')}?",
            prompts.number,
            more="The stack of every job stands on this face. Touched through a gauge block, take the block off.",
        )
    diameter = _ask(
        f"Diameter of the platter ({units}), such as {_such(units, '160', '6.3')}, or nothing if there is none to "
        "state?",
        prompts.maybe_positive,
        empty=True,
        more="It is drawn on the sheet.",
    )
    if diameter is not None:
        table["diameter"] = diameter
    if table:
        document["platter"] = table


def _such(units: str, mm: str, inch: str) -> str:
    """An example in the unit that was chosen."""
    return mm if units == "mm" else inch


def _check(text: str) -> None:
    """Hold the answers against the same rules as any machine file."""
    import tempfile
    from pathlib import Path

    from tiltwright.files.loader import read_machine

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "machine.toml"
        path.write_text(text, encoding="utf-8")
        read_machine(path)


def _say(text: str) -> None:
    typer.echo(text, err=True)


_SHORT = {"y": "yes", "n": "no", "in": "inch", "inches": "inch"}


def _choose(question: str, choices: Sequence[str], *, more: str = "") -> str:
    def check(answer: str) -> str:
        answer = _SHORT.get(answer.lower(), answer)
        if answer.lower() not in {choice.lower() for choice in choices}:
            raise ValueError(f"one of: {', '.join(choices)}")
        return next(choice for choice in choices if choice.lower() == answer.lower())

    return _ask(f"{question} [{' / '.join(choices)}]", check, more=more)


def _ask(question: str, check: Callable[[str], Value], *, more: str = "", empty: bool = False) -> Value:
    while True:
        # typer's own prompt would put a blank on stdout, which is for results.
        typer.echo(f"{question} ", nl=False, err=True)
        try:
            # A closed stdin is None.
            line = sys.stdin.readline() if sys.stdin is not None else ""
        except KeyboardInterrupt:
            _say("")
            fail("stopped; nothing was written")
        if not line:
            _say("")
            fail("the answers ended before the last question; nothing was written")
        answer = line.strip()
        if not answer and not empty:
            continue
        if answer == "?":
            _say("\n".join(f"  {line}" for line in (more or "There is no more to say.").split("\n")))
            continue
        try:
            return check(answer)
        except ValueError as refusal:
            _say(f"  That will not do: found {answer!r}, wanted {refusal}.")
