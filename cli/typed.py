"""Values typed on the command line: points, directions, angles of several rotaries, ranges of angles."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, Rotary
from tiltwright.files.angle import parse_angle
from tiltwright.files.faults import Fault, InputFaults, Refused, one_of, shown

__all__ = ["grid_of", "name_of", "pose_of", "three_numbers", "wrong"]

_MOST_POSES = 1_000_000
_RUN_ON = re.compile(r"(?:[\s;]+|(?<![\s;]))(?=[ABCabc]\s*=?\s*[-+.\d])")


def wrong(option: str, found: str, allowed: str, tip: str = "") -> InputFaults:
    """The refusal of what was typed after an option."""
    return InputFaults([Fault(option, None, "", found, allowed, tip)])


def name_of(text: str, option: str) -> str:
    """A name of one line, 1 to 80 printable characters.

    Examples
    --------
    >>> name_of(" early shift ", "--who")
    'early shift'
    """
    from tiltwright.pivots.cells import name_cell

    try:
        return name_cell(text)
    except Refused as refusal:
        raise wrong(option, refusal.found, refusal.allowed) from None


def three_numbers(text: str, option: str, meaning: str) -> NDArray[np.float64]:
    """Three numbers with commas between them.

    Examples
    --------
    >>> three_numbers("-381.0,2,3", "--zero", "X,Y,Z").tolist()
    [-381.0, 2.0, 3.0]
    >>> three_numbers("1,2", "--zero", "X,Y,Z")
    Traceback (most recent call last):
        ...
    tiltwright.files.faults.InputFaults: --zero: found "1,2"; allowed: three numbers X,Y,Z with commas, no blanks
    """
    from tiltwright.pivots.cells import number_cell

    try:
        numbers = [number_cell(part) for part in text.split(",")]
    except Refused:
        numbers = []
    if len(numbers) != 3:
        raise wrong(option, shown(text), f"three numbers {meaning} with commas, no blanks")
    return np.array(numbers)


def _angle(text: str, option: str, whole: str) -> float:
    from tiltwright.pivots.cells import number_cell

    try:
        return number_cell(text)
    except Refused:
        try:
            return parse_angle(text)
        except ValueError as refusal:
            raise wrong(option, shown(whole), str(refusal)) from None


def _letter(text: str, machine: Machine, option: str, whole: str, tip: str = "") -> Rotary:
    letter = text.strip().upper()
    if letter not in machine.letters:
        raise wrong(
            option,
            f"{shown(text)} in {shown(whole)}",
            f"the rotaries of this machine, {one_of(machine.letters)}",
            tip,
        )
    return machine.rotaries[machine.index(letter)]


def pose_of(text: str, machine: Machine, option: str, *, every: bool = False) -> NDArray[np.float64]:
    """Angles such as ``A-35,C60``, shape (n,); rotaries left out stand at 0, or are asked for with `every`.

    Raises
    ------
    InputFaults
        When a rotary does not exist, is named twice, or an angle is none or outside its limits.
    """
    angles = np.zeros(len(machine.rotaries))
    seen: set[str] = set()
    for part in text.split(","):
        stripped = part.strip()
        if not stripped:
            raise wrong(option, shown(text), "a letter and an angle for each rotary, such as A-35,C60")
        rotary = _letter(stripped[0], machine, option, text, _letter_tip(stripped, machine))
        if rotary.letter in seen:
            raise wrong(option, f"{rotary.letter} twice in {shown(text)}", "every rotary once")
        seen.add(rotary.letter)
        angle = stripped[1:].lstrip("= ")
        if _RUN_ON.search(angle):
            parted = stripped[0] + _RUN_ON.sub(",", stripped[1:])
            raise wrong(option, shown(text), "A-35,C60", f"a comma between the rotaries: {parted}")
        angles[machine.index(rotary.letter)] = _angle(angle, option, text)
    missing = [letter for letter in machine.letters if letter not in seen]
    if every and missing:
        raise wrong(
            option, f"no angle for {one_of(missing, 'and')} in {shown(text)}", "an angle for every rotary"
        )
    return angles


def _letter_tip(part: str, machine: Machine) -> str:
    """What to do about an angle without its letter."""
    if not re.match(r"[-+.\d]", part):
        return ""
    return f"the letter stands before its angle: {' or '.join(letter + part for letter in machine.letters)}"


def check_limits(machine: Machine, machine_deg: NDArray[np.float64], option: str) -> None:
    """Refuse machine angles (..., n) outside the rotaries' limits."""
    for i, rotary in enumerate(machine.rotaries):
        outside = ~rotary.within(machine_deg[..., i])
        if outside.any():
            low, high = rotary.limits_deg or (0.0, 0.0)
            first = float(machine_deg[..., i][outside][0])
            raise wrong(option, f"{rotary.letter} at machine angle {first:g}", f"{low:g} to {high:g} degrees")


def grid_of(texts: Sequence[str], machine: Machine, option: str) -> NDArray[np.float64]:
    """Every combination of ranges such as ``A=-90:0:15`` (from:to:step, both ends in), shape (k, n).

    Raises
    ------
    InputFaults
        When a range is none, never ends, or the combinations are more than a million.
    """
    ranges: dict[str, NDArray[np.float64]] = {}
    for text in texts:
        match = re.fullmatch(r"\s*(\w)\s*=?\s*([^:]+)(?::([^:]+):([^:]+))?", text)
        allowed = "LETTER=FROM:TO:STEP in degrees, such as A=-90:0:15, or LETTER=ANGLE"
        if match is None:
            raise wrong(option, shown(text), allowed)
        rotary = _letter(match[1], machine, option, text)
        if rotary.letter in ranges:
            raise wrong(option, f"{rotary.letter} twice", "one range for every rotary")
        start = _angle(match[2], option, text)
        stop = start if match[3] is None else _angle(match[3], option, text)
        step = 1.0 if match[4] is None else _angle(match[4], option, text)
        if step == 0.0 or (stop - start) / step < 0.0:
            raise wrong(option, shown(text), allowed, "the step must lead from the first angle to the last")
        count = math.floor((stop - start) / step + 1e-9) + 1
        if count > _MOST_POSES:
            raise wrong(option, f"{count} angles in {shown(text)}", f"at most {_MOST_POSES}")
        ranges[rotary.letter] = start + step * np.arange(count, dtype=np.float64)
    axes = [ranges.get(letter, np.zeros(1)) for letter in machine.letters]
    combinations = math.prod(axis.size for axis in axes)
    if combinations > _MOST_POSES:
        raise wrong(option, f"{combinations} combinations", f"at most {_MOST_POSES}", "take a larger step")
    return np.stack([mesh.ravel() for mesh in np.meshgrid(*axes, indexing="ij")], axis=-1)
