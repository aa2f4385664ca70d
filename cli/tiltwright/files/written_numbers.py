"""Numbers as people and spreadsheets write them: decimal mark, thousands separators, signs, and a unit behind."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from tiltwright.files.diagnostics import InvalidValue, shown

__all__ = [
    "EMPTY_CELL",
    "LARGEST",
    "PLAIN_SIGNS",
    "UNIT_SPELLINGS",
    "WrittenNumber",
    "decimal_mark",
    "parse_written",
    "unit_of",
    "without_units",
]

EMPTY_CELL = "nothing in the cell"
"""Found in a cell without text, in words."""

LARGEST = 1e6

UNIT_SPELLINGS = {
    "mm": ("mm", "mm.", "millimetre", "millimetres", "millimeter", "millimeters"),
    "inch": ("in", "in.", "inch", "inches", '"', "″", "”", "''"),
    "deg": ("deg", "deg.", "degree", "degrees", "°", "º", "˚"),
}
"""Spellings of each unit, in small letters; the first is the one that hints use."""

_THOUSANDTHS = ("thou", "thous")
_UNIT_OF = {spelling: unit for unit, spellings in UNIT_SPELLINGS.items() for spelling in spellings}
_MINUS_SIGNS = "−–‒‑﹣－"  # noqa: RUF001 - the signs that word processors put for a minus
_BLANKS = "\u00a0\u2007\u2009\u202f"
PLAIN_SIGNS = str.maketrans(dict.fromkeys(_MINUS_SIGNS, "-"))
"""Translation of every sign that stands for a minus."""
_PLAIN = PLAIN_SIGNS | str.maketrans({**dict.fromkeys(_BLANKS, " "), "’": "'"})  # noqa: RUF001
_SPELLED = "|".join(map(re.escape, sorted((*_UNIT_OF, *_THOUSANDTHS), key=len, reverse=True)))
_UNIT = re.compile(rf"(.*?[0-9.,])\s*({_SPELLED})", re.IGNORECASE | re.DOTALL)
_UNIT_WITHIN = re.compile(rf"(?<=[0-9.])\s*({_SPELLED})(?![a-z0-9])", re.IGNORECASE)
_NUMBER = re.compile(r"([+-]?)([0-9.,' ]*[0-9][0-9.,' ]*)((?:e[+-]?[0-9]{1,3})?)", re.ASCII | re.IGNORECASE)
_SPACED = re.compile(r"[1-9][0-9]{0,2}(?:[' ][0-9]{3})+(?![0-9])", re.ASCII)
_FRACTION = re.compile(r"([+-]?)\s*(?:([0-9]{1,6})[-\s]+)?([0-9]{1,4})/([0-9]{1,4})", re.ASCII)


@dataclass(frozen=True)
class WrittenNumber:
    """A number that was read.

    Attributes
    ----------
    value : float
    decimals : int
        How many it was written with.
    unit : {"", "mm", "inch", "deg"}
        The unit written behind it; empty where there is none.
    """

    value: float
    decimals: int
    unit: str = ""


def unit_of(word: str) -> str:
    """The unit that a word or sign means: "mm", "inch", "deg", or nothing.

    Examples
    --------
    >>> unit_of("Inches"), unit_of('"'), unit_of("°"), unit_of("furlong")
    ('inch', 'inch', 'deg', '')
    """
    return _UNIT_OF.get(word.strip().lower(), "")


def without_units(text: str, unit: str) -> str:
    """Text without the units behind its numbers, all of which must be the same.

    Parameters
    ----------
    text : str
    unit : {"mm", "inch", "deg"}

    Raises
    ------
    InvalidValue
        When another unit stands there.

    Examples
    --------
    >>> without_units('-15.5", 2.25 in., 3', "inch")
    '-15.5, 2.25, 3'
    >>> without_units("2.25 mm", "inch")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "mm"; allowed: inch
    """

    def removed(match: re.Match[str]) -> str:
        if unit_of(match[1]) != unit:
            raise InvalidValue(found=shown(match[1]), allowed=unit)
        return ""

    return _UNIT_WITHIN.sub(removed, text)


def _split(text: str) -> tuple[str, str]:
    """The number's own characters, with plain signs and blanks, and the word for its unit."""
    plain = text.translate(_PLAIN).strip()
    if plain.startswith("'"):  # a spreadsheet's mark for "this cell is text"
        plain = plain[1:].lstrip()
    # No unit ends in a digit; most cells do.
    match = None if plain[-1:].isdigit() else _UNIT.fullmatch(plain)
    if match and match[2] == '"' and "'" in match[1]:  # feet and inches, which no apostrophe of thousands is
        return plain, ""
    return (match[1], match[2].lower()) if match else (plain, "")


@dataclass(frozen=True)
class _Digits:
    """A number's digits with a plain point, and the marks that its decimals may stand behind.

    A number such as "1,234" is `grouping_like`: by its shape the comma may part thousands, too.
    """

    text: str
    marks: str
    grouping_like: bool = False


def _digits(body: str) -> _Digits | None:
    """The digits of a number without its sign, unit and exponent; None where it is none.

    A separator of thousands must be evident in the number itself: a blank or an apostrophe, two of the same mark, or
    one of each. Thousands never begin with a zero: ``0 123`` has lost its decimal mark and is refused.
    """
    if " " in body or "'" in body:
        match = _SPACED.match(body)
        if match is None:
            return None
        body = re.sub("[' ]", "", match[0]) + body[match.end() :]
        if " " in body or "'" in body:
            return None
        spaced = True
    else:
        spaced = False
    points, commas = body.count("."), body.count(",")
    if not points and not commas:
        return _Digits(body, ".,")
    if points + commas == 1:
        mark = "." if points else ","
        whole, _, part = body.partition(mark)
        alike = not spaced and len(part) == 3 and 1 <= len(whole) <= 3 and whole[0] != "0"
        return _Digits(f"{whole}.{part}", mark, alike)
    last = max(body.rfind("."), body.rfind(","))
    group = "," if body[last] == "." else "."
    whole, part = body[:last], body[last + 1 :]
    if body.count(body[last]) > 1:  # one mark, several times: thousands
        group, whole, part = body[last], body, ""
    pattern = rf"[1-9][0-9]{{0,2}}(?:{re.escape(group)}[0-9]{{3}})+"
    if spaced or re.fullmatch(pattern, whole, re.ASCII) is None:
        return None
    plain = whole.replace(group, "")
    return _Digits(f"{plain}.{part}" if part else plain, "," if group == "." else ".")


def _read(text: str) -> tuple[str, _Digits, str] | None:
    """Sign, digits and exponent of a number without its unit."""
    match = _NUMBER.fullmatch(text)
    digits = None if match is None else _digits(match[2].strip() if match[1] else match[2])
    return None if match is None or digits is None else (match[1], digits, match[3])


def decimal_mark(cells: Iterable[str], separator: str) -> str:
    """The decimal mark of a table: "." or ",", or nothing where its numbers can be read in two ways.

    Parameters
    ----------
    cells : iterable of str
        Of the columns that hold numbers; what is no number is passed over.
    separator : str
        What stands between the table's cells.

    Notes
    -----
    One number that can be read in one way only settles the table: "0.5", "301.0213" or "1.234,5", but not "1.234".
    Failing that, semicolons come from where decimals follow a comma, commas and tabs go with points; a table that is
    written the other way is in doubt.

    Examples
    --------
    >>> decimal_mark(["1,234", "-5,25"], ";"), decimal_mark(["1,234"], ";"), decimal_mark(["1.234"], ",")
    (',', ',', '.')
    >>> decimal_mark(["1,234"], ","), decimal_mark(["1.234"], ";"), decimal_mark(["1.234", "0.5"], ";")
    ('', '', '.')
    """
    sure: set[str] = set()
    unsure: set[str] = set()
    for cell in cells:
        read = _read(_split(cell)[0])
        if read is not None and len(read[1].marks) == 1:
            (unsure if read[1].grouping_like else sure).add(read[1].marks)
    usual = "," if separator == ";" else "."
    if len(sure) == 1:
        return sure.pop()
    if sure or not unsure or unsure == {usual}:
        return usual
    return ""


def parse_written(text: str, mark: str = ".", largest: float = LARGEST) -> WrittenNumber:
    r"""A number with its unit, if one is written behind it.

    Parameters
    ----------
    text : str
    mark : {".", ",", ""}
        The decimal mark; nothing where the table leaves it open, see `decimal_mark`.
    largest : float

    Raises
    ------
    InvalidValue
        When it is no number, can be read in two ways, or is a fraction.

    Examples
    --------
    >>> parse_written("\N{MINUS SIGN}1 234,5 mm", ",")
    WrittenNumber(value=-1234.5, decimals=1, unit='mm')
    >>> parse_written("11.8520 in."), parse_written("12 thou").value
    (WrittenNumber(value=11.852, decimals=4, unit='inch'), 0.012)
    >>> parse_written("1,234")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "1,234"; allowed: a number
    >>> parse_written("1-1/2 in")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InvalidValue: found "1-1/2 in", a fraction; allowed: a number
    """
    stripped = text.strip()
    if not stripped:
        raise InvalidValue(found=EMPTY_CELL, allowed="a number")
    number, word = _split(stripped)
    fraction = _FRACTION.fullmatch(number)
    if fraction is not None and int(fraction[4]):
        value = int(fraction[2] or 0) + int(fraction[3]) / int(fraction[4])
        decimals_text = f"{fraction[1]}{value:.10g}".replace(".", mark or ".")
        tip = f"write it with decimals: {decimals_text}"
        raise InvalidValue(found=f"{shown(stripped)}, a fraction", allowed="a number", tip=tip)
    read = _read(number)
    if read is None:
        raise InvalidValue(found=shown(stripped), allowed="a number")
    sign, digits, exponent = read
    if mark not in digits.marks or (not mark and digits.grouping_like):
        raise _wrong_mark(stripped, sign, digits, mark)
    value = float(f"{sign}{digits.text}{exponent}")
    decimals = len(digits.text.partition(".")[2])
    if word in _THOUSANDTHS:
        value, decimals, word = value * 1e-3, decimals + 3, "in"
    if not abs(value) <= largest:
        raise InvalidValue(found=shown(stripped), allowed=f"a number of at most {largest:g}")
    return WrittenNumber(value, decimals, unit_of(word))


def _wrong_mark(text: str, sign: str, digits: _Digits, mark: str) -> InvalidValue:
    names = {".": "a point", ",": "a comma"}
    if digits.grouping_like:
        joined = digits.text.replace(".", "")
        decimal = digits.text.replace(".", mark or ".") + "0"
        tip = f"it can mean {sign}{digits.text} or {sign}{joined}; write {sign}{decimal} or {sign}{joined}"
    else:
        tip = f"write the decimals after {names[mark or '.']}"
        tip += ", as in the rest of the table" if mark == "," else ""
    return InvalidValue(found=shown(text), allowed="a number", tip=tip)
