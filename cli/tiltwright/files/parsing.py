"""Parsers of typed values: numbers, angles, poses and names, in options and in cells of tables."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, RotaryAxis
from tiltwright.files.diagnostics import (
    InvalidValue,
    invisible_character,
    one_of,
    option_error,
    shown,
)
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.schema_types import LARGEST_ANGLE, LONGEST_NAME, SMALLEST_LENGTH, printable_words
from tiltwright.files.units import Unit, parse_angle, plausible_celsius
from tiltwright.files.written_numbers import (
    EMPTY_CELL,
    LARGEST,
    PLAIN_SIGNS,
    decimal_mark,
    parse_written,
)

__all__ = [
    "EMPTY_CELL",
    "column_length",
    "name_of",
    "parse_degrees",
    "parse_direction",
    "parse_grid",
    "parse_name",
    "parse_number",
    "parse_pose",
    "parse_written_angle",
    "positive_length",
    "three_lengths",
    "three_numbers",
    "typed_celsius",
    "typed_length",
]

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)


def parse_number(text: str, largest: float = LARGEST) -> float:
    """A plain decimal number.

    Raises
    ------
    InvalidValue
        On anything else: an empty cell, words, a decimal comma, "nan", a number beyond `largest`.

    Examples
    --------
    >>> parse_number(" -301.0213 "), parse_number("1e-3")
    (-301.0213, 0.001)
    >>> parse_number("12,5")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "12,5"; allowed: a number
    """
    stripped = text.strip().translate(PLAIN_SIGNS)
    if not stripped:
        raise InvalidValue(found=EMPTY_CELL, allowed="a number")
    if _NUMBER.fullmatch(stripped) is None:
        raise InvalidValue(found=shown(text.strip()), allowed="a number", tip=_number_tip(stripped))
    value = float(stripped)
    if abs(value) > largest:
        raise InvalidValue(found=shown(stripped), allowed=f"a number of at most {largest:g}")
    return value


def _number_tip(text: str) -> str:
    """The right way to write what is nearly a plain number."""
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", text, re.ASCII):
        return "write the decimals after a point"
    try:
        written = parse_written(text)
    except InvalidValue as refusal:
        return refusal.tip
    return f"write {written.value:.10g}" + (", without the unit" if written.unit else "")


def parse_degrees(text: str) -> float:
    """An angle in degrees: a number, or degrees, minutes and seconds.

    Examples
    --------
    >>> parse_degrees("-30"), parse_degrees("-0d 30m")
    (-30.0, -0.5)
    """
    return parse_written_angle(text)


def parse_written_angle(text: str, mark: str = ".") -> float:
    """An angle in degrees as people write it: a number, with or without a word for degrees, or minutes and seconds.

    Parameters
    ----------
    text : str
    mark : {".", ",", ""}
        The decimal mark of the table, see `parse_written`.

    Examples
    --------
    >>> parse_written_angle("-30,5 deg", ","), parse_written_angle("-0d 30m")
    (-30.5, -0.5)
    >>> parse_written_angle("30 mm")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "30 mm"; allowed: an angle in degrees
    """
    try:
        written = parse_written(text, mark)
    except InvalidValue as refusal:
        plain = text.strip().removeprefix("'").translate(PLAIN_SIGNS)
        try:
            return parse_angle(plain.replace(",", ".") if mark == "," else plain)
        except ValueError:
            raise InvalidValue(found=refusal.found, allowed="an angle in degrees", tip=refusal.tip) from None
    if written.unit not in {"", "deg"} or abs(written.value) > LARGEST_ANGLE:
        raise InvalidValue(found=shown(text.strip()), allowed="an angle in degrees")
    return written.value


def parse_name(text: str) -> str:
    """A name of one line, 1 to 80 printable characters."""
    name = text.strip()
    allowed = printable_words(LONGEST_NAME)
    if not name:
        raise InvalidValue(found=EMPTY_CELL, allowed=allowed)
    if len(name) > LONGEST_NAME:
        raise InvalidValue(found=f"{len(name)} characters", allowed=allowed)
    if invisible_character(name):
        raise InvalidValue(found=shown(name), allowed=f"{allowed}, without control characters")
    return name


def parse_direction(text: str) -> NDArray[np.float64] | None:
    """A direction: ``+Z``, or three numbers with spaces between them; None for an empty cell.

    Examples
    --------
    >>> parse_direction("-Y").tolist(), parse_direction("0 0.6 0.8").tolist(), parse_direction("")
    ([0.0, -1.0, 0.0], [0.0, 0.6, 0.8], None)
    """
    stripped = text.strip()
    if not stripped:
        return None
    if stripped.upper() in AXIS_DIRECTIONS:
        return np.array(AXIS_DIRECTIONS[stripped.upper()])
    allowed = "+X, -X, +Y, -Y, +Z or -Z, or three numbers with spaces between them"
    try:
        numbers = [parse_number(part) for part in stripped.split()]
    except InvalidValue:
        numbers = []
    if len(numbers) != 3 or float(np.linalg.norm(numbers)) < 1e-9:
        raise InvalidValue(found=shown(stripped), allowed=allowed)
    return np.array(numbers)


_RUN_ON = re.compile(r"(?:[\s;]+|(?<![\s;]))(?=[ABCabc]\s*=?\s*[-+.\d])")


def name_of(text: str, option: str) -> str:
    """The name typed after an option.

    Examples
    --------
    >>> name_of(" early shift ", "--who")
    'early shift'
    """
    try:
        return parse_name(text)
    except InvalidValue as refusal:
        raise option_error(option, refusal.found, refusal.allowed) from None


def three_numbers(text: str, option: str, meaning: str) -> NDArray[np.float64]:
    """The three numbers typed after an option, with commas between them.

    Examples
    --------
    >>> three_numbers("-381.0,2,3", "--zero", "X,Y,Z").tolist()
    [-381.0, 2.0, 3.0]
    >>> three_numbers("1,2", "--zero", "X,Y,Z")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --zero: found "1,2"; allowed: three numbers X,Y,Z with commas and no spaces
    """
    numbers, tip = [], ""
    try:
        numbers = [parse_number(part) for part in text.split(",")]
    except InvalidValue as refusal:
        tip = refusal.tip
    if len(numbers) != 3:
        raise option_error(option, shown(text), f"three numbers {meaning} with commas and no spaces", tip)
    return np.array(numbers)


def typed_length(text: str, option: str, unit: Unit) -> float:
    """The length typed after an option, in millimetres; a unit behind the number goes before `unit`.

    Examples
    --------
    >>> typed_length("0.002", "--within", Unit.INCH) == typed_length("2 thou", "--within", Unit.MM)
    True
    >>> typed_length("1/4 in", "--within", Unit.MM)
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --within: found "1/4 in", a fraction; allowed: a length, such as 12.5 or 0.5in
        tip: write it with decimals: 0.25
    """
    allowed = "a length, such as 12.5 or 0.5in"
    try:
        written = parse_written(text, decimal_mark([text], ","))
    except InvalidValue as refusal:
        raise option_error(option, refusal.found, allowed, refusal.tip) from None
    if written.unit == "deg":
        raise option_error(option, shown(text), allowed)
    return (Unit(written.unit) if written.unit else unit).to_mm(written.value)


def positive_length(text: str, option: str, unit: Unit) -> float:
    """`typed_length` of a length that must be above 0, and not vanishing.

    Examples
    --------
    >>> positive_length("0", "--sigma", Unit.MM)
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --sigma: found "0"; allowed: a length above 0.000001
    """
    value_mm = typed_length(text, option, unit)
    if value_mm <= unit.to_mm(SMALLEST_LENGTH):
        raise option_error(option, shown(text), f"a length above {SMALLEST_LENGTH:f}")
    return value_mm


def column_length(text: str, units: str, mark: str) -> float:
    """A length of a column in "mm" or "inch", as the cell has it; a unit in the cell must be the column's.

    Raises
    ------
    InvalidValue

    Examples
    --------
    >>> column_length("-381,02 mm", "mm", ",")
    -381.02
    >>> column_length("15.2 in", "mm", ".")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "15.2 in"; allowed: a number in the column's unit, millimetres
    """
    written = parse_written(text, mark)
    if written.unit not in {"", units}:
        own = "in the column's unit, millimetres" if units == "mm" else "in the column's unit, inches"
        raise InvalidValue(found=shown(text.strip()), allowed=f"a number {own}")
    return written.value


def three_lengths(text: str, option: str, meaning: str, unit: Unit) -> NDArray[np.float64]:
    """The three lengths typed after an option, in millimetres.

    Each number may have a unit behind it, or only the last for all three. Semicolons between the numbers leave the
    comma to the decimals. Fractions are refused: such lengths are read off a display, which shows decimals.

    Parameters
    ----------
    text, option, meaning : str
        What was typed, after what, and what it stands for, "X,Y,Z".
    unit : Unit
        Where none is typed.

    Examples
    --------
    >>> three_lengths("-15,2,0.5", "--zero", "X,Y,Z", Unit.INCH).tolist()
    [-381.0, 50.8, 12.7]
    >>> three_lengths("-15,2,0.5 in", "--zero", "X,Y,Z", Unit.MM).tolist()
    [-381.0, 50.8, 12.7]
    >>> three_lengths("-381,25; 2; 3", "--zero", "X,Y,Z", Unit.MM).tolist()
    [-381.25, 2.0, 3.0]
    >>> three_lengths("1/2,0,0", "--zero", "X,Y,Z", Unit.INCH)
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --zero: found "1/2", a fraction; allowed: three numbers X,Y,Z with commas and no spaces
        tip: write it with decimals: 0.5
    """
    allowed = f"three numbers {meaning} with commas and no spaces"
    separator = ";" if ";" in text else ","
    parts = text.split(separator)
    mark = decimal_mark(parts, separator)
    if len(parts) != 3:
        tip = "decimal commas go with semicolons between the numbers" if len(parts) == 6 else ""
        raise option_error(option, shown(text), allowed, tip)
    try:
        written = [parse_written(part, mark) for part in parts]
    except InvalidValue as refusal:
        raise option_error(option, refusal.found, allowed, refusal.tip) from None
    units = [one.unit for one in written]
    if "deg" in units or len({*units} - {""}) > 1 or (any(units[:2]) and not all(units)):
        raise option_error(option, shown(text), "one unit of length for all three, such as -15.0,2.25,0.5in")
    typed = Unit(units[2]) if units[2] else unit
    return np.array([typed.to_mm(one.value) for one in written])


def _angle(text: str, option: str, whole: str) -> float:
    try:
        return parse_written_angle(text)
    except InvalidValue as refusal:
        tip = refusal.tip
    try:
        return parse_angle(text)
    except ValueError as refusal:
        # Quotes are a file's matter.
        allowed = str(refusal).removesuffix(" without quotes")
        raise option_error(option, f"{shown(text)} in {shown(whole)}", allowed, tip) from None


def _letter(text: str, machine: Machine, option: str, whole: str, tip: str = "") -> RotaryAxis:
    letter = text.strip().upper()
    if letter not in machine.letters:
        raise option_error(
            option,
            f"{shown(text)} in {shown(whole)}",
            f"the rotaries of this machine, {one_of(machine.letters)}",
            tip,
        )
    return machine.rotaries[machine.index(letter)]


def parse_pose(text: str, machine: Machine, option: str, *, every: bool = False) -> NDArray[np.float64]:
    """A pose such as ``A-35,C60`` in degrees, shape (n,); rotaries left out are at 0, or a fault with `every`.

    Raises
    ------
    InputFaults
        When a rotary does not exist or is given twice, or an angle cannot be read.
    """
    angles = np.zeros(len(machine.rotaries))
    seen: set[str] = set()
    for part in text.split(","):
        stripped = part.strip()
        if not stripped:
            raise option_error(option, shown(text), "a letter and an angle for each rotary, such as A-35,C60")
        rotary = _letter(stripped[0], machine, option, text, _letter_tip(stripped, machine))
        if rotary.letter in seen:
            raise option_error(option, f"{rotary.letter} twice in {shown(text)}", "each rotary once")
        seen.add(rotary.letter)
        angle = stripped[1:].lstrip("= ")
        if _RUN_ON.search(angle):
            parted = stripped[0] + _RUN_ON.sub(",", stripped[1:])
            raise option_error(option, shown(text), "A-35,C60", f"put a comma between the rotaries: {parted}")
        angles[machine.index(rotary.letter)] = _angle(angle, option, text)
    missing = [letter for letter in machine.letters if letter not in seen]
    if every and missing:
        raise option_error(
            option, f"no angle for {one_of(missing, 'and')} in {shown(text)}", "an angle for every rotary"
        )
    return angles


def _letter_tip(part: str, machine: Machine) -> str:
    """A tip for an angle without its letter."""
    if not re.match(r"[-+.\d]", part):
        return ""
    return f"the letter goes before its angle: {' or '.join(letter + part for letter in machine.letters)}"


def check_typed_limits(machine: Machine, machine_deg: NDArray[np.float64], option: str) -> None:
    """Raise `InputFaults` for machine angles (..., n) outside the rotaries' limits."""
    for i, rotary in enumerate(machine.rotaries):
        outside = ~rotary.within(machine_deg[..., i])
        if outside.any():
            low, high = rotary.limits_deg or (0.0, 0.0)
            first = float(machine_deg[..., i][outside][0])
            raise option_error(
                option, f"{rotary.letter} at machine angle {first:g}", f"{low:g} to {high:g} degrees"
            )


def parse_grid(
    texts: Sequence[str], machine: Machine, option: str, most: int, tip: str = "take a larger step"
) -> NDArray[np.float64]:
    """Every combination of ranges such as ``A=-90:0:15`` (from:to:step, both ends in), shape (k, n).

    Parameters
    ----------
    texts : sequence of str
    machine : Machine
    option : str
        What they were typed after.
    most : int
        Most combinations; more are a fault.
    tip : str
        What to do about more.

    Raises
    ------
    InputFaults
        When a range cannot be read or never ends, or there are more than `most` combinations.
    """
    ranges: dict[str, NDArray[np.float64]] = {}
    for text in texts:
        match = re.fullmatch(r"\s*(\w)\s*=?\s*([^:]+)(?::([^:]+):([^:]+))?", text)
        allowed = "LETTER=FROM:TO:STEP in degrees, such as A=-90:0:15, or LETTER=ANGLE"
        if match is None:
            raise option_error(option, shown(text), allowed)
        rotary = _letter(match[1], machine, option, text)
        if rotary.letter in ranges:
            raise option_error(option, f"{rotary.letter} twice", "one range for each rotary")
        start = _angle(match[2], option, text)
        stop = start if match[3] is None else _angle(match[3], option, text)
        step = 1.0 if match[4] is None else _angle(match[4], option, text)
        steps = (stop - start) / step if step else -1.0
        if steps < 0.0:
            raise option_error(
                option,
                shown(text),
                allowed,
                "the step must lead from the first angle to the last; check its sign",
            )
        if steps >= most:
            many = f"{steps:.0f} angles" if steps < 1e15 else "angles without end"
            raise option_error(option, f"{many} in {shown(text)}", f"at most {most}", tip)
        count = math.floor(steps + 1e-9) + 1
        ranges[rotary.letter] = start + step * np.arange(count, dtype=np.float64)
    axes = [ranges.get(letter, np.zeros(1)) for letter in machine.letters]
    combinations = math.prod(axis.size for axis in axes)
    if combinations > most:
        raise option_error(option, f"{combinations} combinations", f"at most {most}", tip)
    return np.stack([mesh.ravel() for mesh in np.meshgrid(*axes, indexing="ij")], axis=-1)


_TYPED = re.compile(
    r"(?P<number>[^CF°]+?)\s*(?:°|deg(?:rees)?)?\s*(?P<unit>[CF])(?:elsius|ahrenheit)?", re.IGNORECASE
)


def typed_celsius(text: str, option: str) -> float:
    """The temperature typed after an option with its unit, in degrees Celsius.

    Raises
    ------
    InputFaults
        Without a unit, or where no machine has that temperature.

    Examples
    --------
    >>> typed_celsius("20.5 C", "--temperature"), typed_celsius("68F", "--temperature")
    (20.5, 20.0)
    >>> typed_celsius("68", "--temperature")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: --temperature: found "68"; allowed: a temperature with its unit, such as "20 C" or "68 F"
    """
    match = _TYPED.fullmatch(text.strip())
    if match is None:
        raise option_error(option, shown(text), 'a temperature with its unit, such as "20 C" or "68 F"')
    try:
        fahrenheit = match["unit"].upper() == "F"
        return plausible_celsius(parse_number(match["number"]), match["number"], fahrenheit=fahrenheit)
    except InvalidValue as refusal:
        raise option_error(option, refusal.found, refusal.allowed, refusal.tip) from None
