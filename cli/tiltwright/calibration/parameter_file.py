"""Saved parameters of an RS274/NGC control (NISTIR 6556, section 3.2.1), and the readings stored in them.

RS274/NGC (NISTIR 6556, section 3.2.1) has 5400 numbered parameters, of which 1 to 5060 are free for programs. Ours
stand in one run from `FIRST`: a head of ten, then ten for each reading.

A plain list: on each line a number, a value and, if wanted, a comment; the numbers ascend. Lines before the first such
line, or before the first blank line, are a heading and are skipped.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

from tiltwright.calibration.raw_readings import RawReading, RawReadings, refuse
from tiltwright.files.diagnostics import Diagnostic, InvalidValue, shown
from tiltwright.files.parsing import parse_number

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
    "is_parameter_list",
    "read_kept",
    "read_parameters",
]

FIRST = 1000
PLANNED, DONE, UNIT = FIRST, FIRST + 1, FIRST + 2
"""Numbers of planned and of finished readings, and 20 or 21 for inches or mm, as in G20 and G21."""

BLOCK = 10
"""Of each reading: kind, target's number, X, Y, Z, A, B, C, and two that are not used."""

MOST_READINGS = (5061 - FIRST) // BLOCK - 1

KIND_CODE = {"ball": 1, "bore": 2, "pin": 3, "face": 4}
PLATTER, PLATTER_CODE = "platter", 5
"""The platter's own face has a code of its own, since its direction is known from the machine."""

CODES = {**{code: kind for kind, code in KIND_CODE.items()}, PLATTER_CODE: "face"}
UNIT_CODES = {20: "inch", 21: "mm"}


def first_of(reading: int) -> int:
    """Number of the first parameter of a reading, counted from 0.

    Examples
    --------
    >>> first_of(0), first_of(MOST_READINGS - 1) + BLOCK - 1
    (1010, 5059)
    """
    return FIRST + BLOCK * (reading + 1)


_LAST = 5399
_ENTRY = re.compile(r"\s*[0-9]{1,4}\s+[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?(\s|$)", re.ASCII)
_UNPLANNED = "the parameter file that a control has saved after a probing program of `pivot plan --gcode`"


def read_parameters(file: str, text: str) -> dict[int, tuple[float, int]]:
    r"""Read every parameter of a text: its value and its line.

    Raises
    ------
    InputFaults
        When there is no number and value in it, a line is none, a number is out of order or beyond 5399, or the last
        line does not end.

    Examples
    --------
    >>> read_parameters("p", "Parameters\n\n1000 2.0\n5220\t1.0 selected system\n")
    {1000: (2.0, 3), 5220: (1.0, 4)}
    >>> read_parameters("p", "1000 2.0\n5220 1.0\n")
    {1000: (2.0, 1), 5220: (1.0, 2)}
    >>> read_parameters("p", "Parameters\n\n5220 1.0\n1000 2.0\n")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: p:4: found parameter 1000 after 5220; allowed: ascending numbers
    """
    lines = re.split(r"\r\n|\n|\r", text)
    start = next((i for i, line in enumerate(lines[:-1]) if not line.strip() or _ENTRY.match(line)), None)
    if start is None:
        found = "no number and value on any line"
        refuse(
            file,
            [Diagnostic(file, None, "", found, "a list of parameters: on each line a number and its value")],
        )
        raise AssertionError
    faults: list[Diagnostic] = []
    values: dict[int, tuple[float, int]] = {}
    before = 0
    for place, line in enumerate(lines[start:], start=start + 1):
        words = line.split(maxsplit=2)
        if not words:
            continue
        number = int(words[0]) if re.fullmatch(r"[0-9]{1,4}", words[0], re.ASCII) else 0
        if not 1 <= number <= _LAST or len(words) < 2:
            found, allowed = shown(line.strip()), f"a parameter's number, 1 to {_LAST}, and its value"
            faults.append(Diagnostic(file, place, "", found, allowed))
            continue
        if number <= before:
            faults.append(
                Diagnostic(file, place, "", f"parameter {number} after {before}", "ascending numbers")
            )
            continue
        before = number
        try:
            values[number] = (parse_number(words[1], 1e12), place)
        except InvalidValue as refusal:
            faults.append(refusal.at(file, place, f"parameter {number}"))
    if lines[-1].strip():
        found = f"{shown(lines[-1].strip())} as the last line, without a line end"
        tip = "the file was cut off: fetch it again"
        faults.append(Diagnostic(file, len(lines), "", found, "a file whose last line ends", tip))
    refuse(file, faults)
    return values


def is_parameter_list(text: str) -> bool:
    r"""True for a text most of whose lines are a number and its value.

    Examples
    --------
    >>> is_parameter_list("1000 0.000000\n"), is_parameter_list("Saved on Monday\n\n1000 0.0\n1001 2\n1002 21\n")
    (True, True)
    >>> is_parameter_list("kind,target,A_deg\nball,ball 1,0\n"), is_parameter_list("5220 of 5399\n\n")
    (False, False)
    """
    lines = [line for line in text.splitlines() if line.strip()]
    return 2 * sum(_ENTRY.match(line) is not None for line in lines) > len(lines)


def read_kept(
    file: str, text: str, letters: Sequence[str], names: Mapping[int, tuple[str, str]] | None = None
) -> RawReadings:
    """Read the readings that a probing program has stored in a list of parameters.

    Parameters
    ----------
    file : str
        For messages.
    text : str
    letters : sequence of str
        Of the machine's rotaries.
    names : mapping of a target's number to its name and kind, optional
        From the plan; without it a target is called by its kind and number, "ball 1".

    Raises
    ------
    InputFaults
        When the file is none, no program has kept anything in it, or the program was stopped before its end.
    """
    values = read_parameters(file, text)
    planned, done, unit = (_whole(values, number) for number in (PLANNED, DONE, UNIT))
    if planned == done == unit == 0:
        found = f"#{PLANNED}, #{DONE} and #{UNIT} at 0: no probing program has run since they were put in"
        tip = "put these lines into the control's file, run the program, then save the control's file"
        refuse(file, [Diagnostic(file, None, "", found, _UNPLANNED, tip)])
    if planned is None or done is None or unit not in UNIT_CODES:
        numbers = f"#{PLANNED}, #{DONE} and #{UNIT}"
        found = f"no readings: {numbers} do not hold what a probing program keeps there"
        tip = (
            "list the program's parameters in the file before the control reads it: a control saves the "
            "numbers that its file held"
        )
        refuse(file, [Diagnostic(file, None, "", found, _UNPLANNED, tip)])
        raise AssertionError
    if not 0 < planned <= MOST_READINGS:
        found = f"{planned} readings"
        refuse(file, [Diagnostic(file, None, f"#{PLANNED}", found, f"1 to {MOST_READINGS}", "")])
    if done != planned:
        found = f"{done} of {planned} readings: the program was stopped before its end"
        tip = "run it to its end, then save the file again"
        refuse(file, [Diagnostic(file, None, f"#{DONE}", found, "all of them", tip)])
    faults: list[Diagnostic] = []
    rows = [_row(file, values, reading, letters, names or {}, faults) for reading in range(planned)]
    refuse(file, faults)
    return RawReadings(file, UNIT_CODES[unit], tuple(row for row in rows if row is not None), "line")


def _whole(values: Mapping[int, tuple[float, int]], number: int) -> int | None:
    if number not in values:
        return None
    value = values[number][0]
    # Section 3.3.2.1: "close to an integer" is within 0.0001.
    return round(value) if abs(value - round(value)) < 1e-4 else None


def _row(
    file: str,
    values: Mapping[int, tuple[float, int]],
    reading: int,
    letters: Sequence[str],
    names: Mapping[int, tuple[str, str]],
    faults: list[Diagnostic],
) -> RawReading | None:
    first = first_of(reading)
    wanted = [first, first + 1, *range(first + 2, first + 5), *(first + 5 + "ABC".index(c) for c in letters)]
    missing = [number for number in wanted if number not in values]
    if missing:
        found = f"no parameter {', '.join(map(str, missing))}, of reading {reading + 1}"
        faults.append(Diagnostic(file, None, "", found, "all parameters of every reading"))
        return None
    line = values[first][1]
    code, target = _whole(values, first), _whole(values, first + 1)
    say: Callable[[int, str, str], None] = lambda number, found, allowed: faults.append(  # noqa: E731
        Diagnostic(file, values[number][1], f"#{number}", found, allowed)
    )
    if code not in CODES:
        say(first, f"{values[first][0]:g}", "1 to 5: a ball, bore, pin, face or the platter's face")
        return None
    if target is None or target < 1:
        say(first + 1, f"{values[first + 1][0]:g}", "a target's number, from 1")
        return None
    kind = CODES[code]
    name = PLATTER if code == PLATTER_CODE else f"{kind} {target}"
    if names:
        known = names.get(target)
        if known is None or known[1] != kind:
            said = "no such target" if known is None else f"a {known[1]} of that number"
            say(first + 1, f"{kind} {target}", f"the targets of the plan, which has {said}")
            return None
        name = known[0]
    x, y, z = (values[first + 2 + i][0] for i in range(3))
    angles = tuple(values[first + 5 + "ABC".index(c)][0] for c in letters)
    return RawReading(line, kind, name, angles, (x, y, z))
