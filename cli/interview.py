"""The questions of `machine new`: each value with what it means and how to find it at the machine.

Questions go to stderr, answers come from stdin. An answer that will not do is explained and asked again. The
sense of turning has no default and no short cut: the table has to be looked at.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from typing import TypeVar

import typer

from tiltwright.console import fail
from tiltwright.files.angle import parse_angle

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
        "Every value is asked for with what it means. Nothing is written before the last answer; Ctrl-C ends.\n"
    )
    document["name"] = _ask("What does the shop call the machine?", _name)
    units = _choose("Which unit will you give lengths in?", ["mm", "inch"])
    document["units"] = units
    _z_reference(document, units)
    _travel(document, units)
    count = int(_choose("How many rotaries turn the table, one behind the other?", ["1", "2", "3"]))
    rotaries = tomlkit.aot()
    letters: list[str] = []
    upright = False
    for place in range(count):
        rotary, upright = _rotary(place, count, letters, units)
        rotaries.append(rotary)
    document["rotary"] = rotaries
    _platter(document, units, upright=upright)
    text = tomlkit.dumps(document)
    _check(text)
    return text


def _z_reference(document: object, units: str) -> None:
    _say(
        "\nZ reference. What does the display's Z stand for while you measure?\n"
        "  gauge line      the spindle's gauge line stands there: tool length offsets are lengths from it\n"
        "  reference tool  the tip of one known tool stands there, and every Z is read with it"
    )
    choice = _choose("Z reference?", ["gauge line", "reference tool"])
    document["z_reference"] = choice  # type: ignore[index]
    if choice == "reference tool":
        length = _ask(f"Length of the reference tool from the gauge line, {units}?", _positive)
        document["reference_tool_length"] = length  # type: ignore[index]


def _travel(document: object, units: str) -> None:
    import tomlkit

    if (
        _choose("\nDo you want to state the travels, so that offsets are held against them?", ["yes", "no"])
        == "no"
    ):
        return
    table = tomlkit.table()
    for axis in "XYZ":
        table[axis.lower()] = _ask(
            f"{axis}: both ends of travel on the display in machine coordinates, lower first ({units}), such as -760,0?",
            _ends,
        )
    document["travel"] = table  # type: ignore[index]


def _rotary(place: int, count: int, letters: list[str], units: str) -> tuple[object, bool]:
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
    rotary["letter"] = _choose("Its letter in programs?", [c for c in "ABC" if c not in letters])
    letters.append(str(rotary["letter"]))
    letter = letters[-1]
    _say(
        "With every rotary at zero, which machine axis does its line follow? The sign says which end you count as\n"
        "positive; + unless the machine's manual says otherwise."
    )
    along = _choose(f"{letter} along?", ["+X", "-X", "+Y", "-Y", "+Z", "-Z"])
    rotary["along"] = along
    _say(
        f"\nThe sense of turning. A wrong one breaks spindles, so look; do not remember.\n"
        f"  1. Clear the table. Jog {letter} by +10 degrees, slowly.\n"
        f"  2. {_spot(along)}.\n"
        f"  3. Watch the TABLE, not the numbers: which way did it go, like a clock's hand or against it?"
    )
    rotary["positive_turn"] = _choose(f"{letter} +10 turned the table?", ["clockwise", "counterclockwise"])
    _say(
        f"\nA point of {letter}'s line, the pivot: machine X, Y, Z of any point on it, rotaries at zero. Find it with an\n"
        f"indicator or probe on a bore or face at opposite angles; halfway between two opposite readings is the line.\n"
        f"Along the line itself any value will do."
    )
    rotary["point"] = _ask(f"{letter}: X,Y,Z of a point on its line ({units})?", _three)
    rotary["limits"] = _ask(
        f'{letter}: lowest and highest angle it may be sent to, such as -120,30, or "endless"?', _limits
    )
    return rotary, along[1] == "Z"


def _spot(along: str) -> str:
    if along[0] == "+":
        return _SPOTS[along[1]]
    return f"Look along its line from the {_EYE[along[1]][1]}, where you said its positive end is"


def _platter(document: object, units: str, *, upright: bool) -> None:
    import tomlkit

    table = tomlkit.table()
    if upright:
        _say(
            "\nThe platter's face: machine Z of the face at the middle, rotaries at zero, read as the Z reference says\n"
            "(touch it with an indicator, a probe or a gauge block under the reference)."
        )
        table["face"] = _ask(f"Machine Z of the face ({units})?", _number)
    diameter = _ask(
        f"Diameter of the platter ({units}), or nothing if there is none to state?",
        _maybe_positive,
        empty=True,
    )
    if diameter is not None:
        table["diameter"] = diameter
    if table:
        document["platter"] = table  # type: ignore[index]


def _check(text: str) -> None:
    """Hold the answers against the same rules as any machine file."""
    import tempfile
    from pathlib import Path

    from tiltwright.files.read import read_machine

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "machine.toml"
        path.write_text(text, encoding="utf-8")
        read_machine(path)


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _choose(question: str, choices: Sequence[str]) -> str:
    def check(answer: str) -> str:
        if answer.lower() not in {choice.lower() for choice in choices}:
            raise ValueError(f"one of: {', '.join(choices)}")
        return next(choice for choice in choices if choice.lower() == answer.lower())

    return _ask(f"{question} [{' / '.join(choices)}]", check)


def _ask(question: str, check: Callable[[str], Value], *, empty: bool = False) -> Value:
    while True:
        # typer's own prompt would put a blank on stdout, which is for results.
        typer.echo(f"{question} ", nl=False, err=True)
        try:
            # A closed stdin is None.
            line = sys.stdin.readline() if sys.stdin is not None else ""
        except KeyboardInterrupt:
            line = ""
        if not line:
            _say("")
            fail("the answers ended before the last question; nothing was written")
        answer = line.strip()
        if not answer and not empty:
            continue
        try:
            return check(answer)
        except ValueError as refusal:
            _say(f"  That will not do: found {answer!r}, wanted {refusal}.")


def _name(answer: str) -> str:
    if not answer.isprintable() or not 1 <= len(answer) <= 80:
        raise ValueError("a printable name of 1 to 80 characters")
    return answer


def _number(answer: str) -> float:
    try:
        value = float(answer)
    except ValueError:
        raise ValueError("a number") from None
    if not math.isfinite(value):
        raise ValueError("a finite number")
    return value


def _positive(answer: str) -> float:
    value = _number(answer)
    if value <= 0.0:
        raise ValueError("a number above 0")
    return value


def _maybe_positive(answer: str) -> float | None:
    return _positive(answer) if answer else None


def _several(answer: str, count: int, words: str) -> list[float]:
    parts = [part for part in answer.replace(",", " ").split() if part]
    if len(parts) != count:
        raise ValueError(words)
    return [_number(part) for part in parts]


def _three(answer: str) -> list[float]:
    return _several(answer, 3, "three numbers X,Y,Z")


def _ends(answer: str) -> list[float]:
    low, high = _several(answer, 2, "two numbers, the lower end first")
    if low >= high:
        raise ValueError("the lower end first")
    return [low, high]


def _limits(answer: str) -> list[float] | str:
    if answer.lower() == "endless":
        return "endless"
    parts = [part.strip() for part in answer.split(",")]
    if len(parts) != 2:
        raise ValueError('two angles, the lowest first, or "endless"')
    low, high = (_one_angle(part) for part in parts)
    if low >= high:
        raise ValueError("the lowest angle first")
    return [low, high]


def _one_angle(text: str) -> float:
    try:
        return _number(text)
    except ValueError:
        return parse_angle(text)
