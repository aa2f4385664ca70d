"""CSV tables as spreadsheets write them: encoding, separator, decimal mark and heads are read off the file, never guessed.

Whatever can mean only one thing is read. What can mean two is refused, with both meanings.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from tiltwright.files.diagnostics import (
    Diagnostic,
    InputFaults,
    InvalidValue,
    nearest,
    one_of,
    sanitized,
    shown,
)
from tiltwright.files.toml_source import read_bytes
from tiltwright.files.units import TEMPERATURE_HEADS
from tiltwright.files.written_numbers import decimal_mark, unit_of

__all__ = [
    "LENGTH_ENDINGS",
    "ColumnKinds",
    "ColumnName",
    "CsvRow",
    "CsvTable",
    "column_name",
    "csv_from_file",
    "csv_from_text",
    "decoded",
    "head_faults",
    "head_names",
    "missing_columns",
    "mixed_units",
    "table_of_rows",
    "uneven",
]

Value = TypeVar("Value")

_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs"}
_STATED = re.compile(r"sep=([,;\t])(?:\r\n|\r|\n|$)", re.IGNORECASE)
_NAME_AND_UNIT = tuple(
    map(
        re.compile,
        (
            r"(.+?) ?[(\[] ?(.+?) ?[)\]]",  # X (mm)
            r"(.+?)(?: ?[/,] ?| in )(\S+)",  # X / mm, X in mm
            r"(.+?) (\S+)",  # X mm, X_mm
            r"(.+?)(\W+)",  # A°
        ),
    )
)
_WESTERN = "cp1252"
_MULTIBYTE = re.compile(rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}")
_LEAD = re.compile(rb"[\xc2-\xf4][\x80-\xbf]{0,2}\Z")
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, ""),
    (codecs.BOM_UTF32_BE, ""),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class ColumnName:
    """The head of a column, without regard to how it is written.

    Attributes
    ----------
    name : str
        In small letters, words joined by underscores.
    unit : {"", "mm", "inch", "deg"}
    """

    name: str
    unit: str = ""


@dataclass(frozen=True)
class CsvRow:
    """A row of cells, without blanks at their ends, and its number, counted from 1 as a spreadsheet shows it."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class CsvTable:
    """A table.

    Attributes
    ----------
    file : str
        For messages.
    head : CsvRow
        As it is written.
    rows : tuple of CsvRow
        Those that are not blank. They may be shorter or longer than the head.
    separator : str
    ended : bool
        True if the text ends with the end of a line.
    stores_numbers : bool
        True if the file keeps numbers as numbers: then a decimal comma in one cell says nothing about another.
    """

    file: str
    head: CsvRow
    rows: tuple[CsvRow, ...]
    separator: str
    ended: bool
    stores_numbers: bool = False

    @property
    def columns(self) -> tuple[ColumnName, ...]:
        """The columns' names, read."""
        return tuple(column_name(cell) for cell in self.head.cells)

    def mark(self, places: Iterable[int]) -> str:
        """The decimal mark of the columns at these places, see `decimal_mark`."""
        wanted = tuple(places)
        whole = (row.cells for row in self.rows if len(row.cells) == len(self.head.cells))
        return decimal_mark((cells[place] for cells in whole for place in wanted), self.separator)

    def parsed(
        self, row: CsvRow, place: int, parse: Callable[[str], Value], faults: list[Diagnostic]
    ) -> Value | None:
        """The value of a row's cell, or None with its fault added under the head's own name for the column."""
        try:
            return parse(row.cells[place])
        except InvalidValue as refusal:
            faults.append(refusal.at(self.file, row.number, self.head.cells[place]))
            return None


def column_name(text: str) -> ColumnName:
    """A column's name and unit, however they are spelled.

    Examples
    --------
    >>> column_name("X (mm)"), column_name("Sigma_in"), column_name(" A [°] ")
    (ColumnName(name='x', unit='mm'), ColumnName(name='sigma', unit='inch'), ColumnName(name='a', unit='deg'))
    >>> column_name("X in mm") == column_name("x / mm") == column_name("X_MM")
    True
    >>> column_name("Work Offset"), column_name("in")
    (ColumnName(name='work_offset', unit=''), ColumnName(name='in', unit=''))
    """
    plain = re.sub(r"[\s_]+", " ", text).strip().lower()
    for pattern in _NAME_AND_UNIT:
        match = pattern.fullmatch(plain)
        unit = unit_of(match[2]) if match else ""
        if match and unit:
            return ColumnName(match[1].replace(" ", "_"), unit)
    return ColumnName(plain.replace(" ", "_"))


def decoded(file: str, raw: bytes) -> str:
    r"""The text of a file in UTF-8, UTF-16 or the Western 8-bit encoding, without a byte-order mark.

    A text without a mark is UTF-8 if it can be. Otherwise it is 8-bit text, unless parts of it are UTF-8: then it is
    damaged, and no reading of it is sure.

    Raises
    ------
    InputFaults

    Examples
    --------
    >>> decoded("a.csv", "X (°)".encode("utf-16")) == decoded("a.csv", "X (°)".encode("latin-1")) == "X (°)"
    True
    >>> decoded("a.csv", b"X\n\xc2\xb0\n\xb0\n")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: a.csv:3: found a byte that is not UTF-8 text, in a file that is otherwise; allowed: one encoding: UTF-8, UTF-16 or Western 8-bit text
        tip: save it again from the spreadsheet, as CSV in UTF-8
    """
    allowed = "one encoding: UTF-8, UTF-16 or Western 8-bit text"
    tip = "save it again from the spreadsheet, as CSV in UTF-8"

    def refused(found: str, at: int) -> InputFaults:
        line = raw.count(b"\n", 0, at) + 1
        return InputFaults([Diagnostic(file, line, "", found, allowed, tip)])

    mark, encoding = next(((m, e) for m, e in _MARKS if raw.startswith(m)), (b"", ""))
    if mark and not encoding:
        raise refused("UTF-32 text", 0)
    encoding = encoding or _unmarked_utf16(raw) or "utf-8"
    body = raw[len(mark) :]
    try:
        return body.decode(encoding)
    except UnicodeDecodeError as fault:
        place = len(mark) + fault.start
    if encoding != "utf-8":
        raise refused("UTF-16 text that is cut off or damaged", place)
    if mark or _MULTIBYTE.search(raw):
        raise refused("a byte that is not UTF-8 text, in a file that is otherwise", place)
    if codecs.BOM_UTF16_LE in raw or codecs.BOM_UTF16_BE in raw or _LEAD.search(raw):
        raise refused("a byte that is not UTF-8 text", place)
    try:
        return raw.decode(_WESTERN)
    except UnicodeDecodeError as fault:
        raise refused("a byte that is not UTF-8 text", fault.start) from None


def _unmarked_utf16(raw: bytes) -> str:
    """UTF-16 that has lost its byte-order mark: every second byte of its beginning is zero."""
    low, high = raw[:64:2], raw[1:64:2]
    if len(high) < 4 or len(raw) % 2:
        return ""
    if not any(high) and all(low):
        return "utf-16-le"
    return "utf-16-be" if not any(low) and all(high) else ""


_SPLIT = "split it into smaller tables"


def csv_from_file(path: Path, wanted: str, largest_mb: int = 1) -> CsvTable:
    """Read a CSV file; it is registered as an input.

    Parameters
    ----------
    path : Path
    wanted : str
        What the file should be, in words, for messages.
    largest_mb : int

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable, too large, empty, in no encoding that is read, or no CSV.
    """
    return csv_from_text(str(path), decoded(str(path), read_bytes(path, wanted, largest_mb, _SPLIT)), wanted)


def csv_from_text(file: str, text: str, wanted: str) -> CsvTable:
    r"""A CSV text as a table.

    Parameters
    ----------
    file : str
        For messages.
    text : str
    wanted : str
        What should be in it, in words, for messages.

    Raises
    ------
    InputFaults
        When it is empty, no CSV, or it cannot be seen what separates the cells.

    Examples
    --------
    >>> table = csv_from_text("a.csv", "sep=;\r\nName; X (mm);\r\n\r\nport;-381,025;\r\n", "a table")
    >>> table.columns, table.rows
    ((ColumnName(name='name', unit=''), ColumnName(name='x', unit='mm')), (CsvRow(number=3, cells=('port', '-381,025')),))
    >>> table = csv_from_text("a.csv", "name,X_mm,Y_mm;;\r\nport,,;-381,025;4,5\r\n", "a table")
    >>> table.head.cells, table.rows[0].cells   # opened in one column, and filled in beside it
    (('name', 'X_mm', 'Y_mm'), ('port', '-381,025', '4,5'))
    >>> csv_from_text("a.csv", "", "answers")
    Traceback (most recent call last):
        ...
    tiltwright.files.diagnostics.InputFaults: a.csv: found an empty file; allowed: answers
    """
    text = text.removeprefix("\ufeff")
    stated = _STATED.match(text)
    body = text[stated.end() :] if stated else text
    separator = stated[1] if stated else _separator(file, body)
    records = _records(file, body, separator)
    if not records:
        raise InputFaults([Diagnostic(file, None, "", "an empty file", wanted)])
    return table_of_rows(file, records, separator, ended=text.endswith(("\n", "\r")))


def table_of_rows(file: str, records: Sequence[CsvRow], separator: str, *, ended: bool) -> CsvTable:
    """Rows as a table, the first of them its head.

    Parameters
    ----------
    file : str
        For messages.
    records : sequence of CsvRow
        One or more, none of them blank.
    separator : str
    ended : bool
    """
    if _in_one_column(records[0].cells):
        records = [_spread(record) for record in records]
    head, rows = records[0], records[1:]
    count = _filled(head.cells)
    head = CsvRow(head.number, head.cells[:count])
    whole = tuple(CsvRow(row.number, _without_empty_end(row.cells, count)) for row in rows)
    return CsvTable(file, head, whole, separator, ended)


def _in_one_column(head: Sequence[str]) -> bool:
    """True where a whole head with commas stands in the first cell, and nothing beside it.

    So a spreadsheet with a decimal comma shows a table with commas, and what is filled in comes to stand beside it.
    """
    return "," in head[0] and not any(head[1:])


def _spread(record: CsvRow) -> CsvRow:
    """A row whose first cell holds several, each in a cell of its own; those beside it go where it ends empty."""
    beside = record.cells[1 : _filled(record.cells)]
    inner = [cell.strip() for cell in next(csv.reader([record.cells[0]], skipinitialspace=True), [])]
    kept = max(_filled(inner), len(inner) - len(beside))
    return CsvRow(record.number, (*inner[:kept], *beside))


def _filled(cells: Sequence[str]) -> int:
    """The number of cells up to the last that is not empty."""
    return max((place for place, cell in enumerate(cells, start=1) if cell), default=0)


def _without_empty_end(cells: tuple[str, ...], count: int) -> tuple[str, ...]:
    """The cells without the empty ones beyond the head's; a short row stays short, since it may be cut off."""
    return cells if any(cells[count:]) else cells[:count]


def _separator(file: str, text: str) -> str:
    """The separator that stands in the head; of several, the one that gives every row as many cells as the head."""
    head = next((line for line in text.splitlines() if line.strip(' \t,;"')), "")
    outside = re.sub(r'"[^"]*"', "", head) if head.count('"') % 2 == 0 else head
    found = [separator for separator in _SEPARATORS if separator in outside]
    if len(found) <= 1:
        return found[0] if found else ","
    even = []
    for separator in found:
        try:
            records = _records(file, text, separator)
        except InputFaults:
            continue
        if len(records) > 1 and len({len(record.cells) for record in records}) == 1:
            even.append(separator)
    if len(even) == 1:
        return even[0]
    filled_beside = [sign for sign in found if sign != "," and _in_one_column(outside.split(sign))]
    if len(filled_beside) == 1:
        return filled_beside[0]
    names = " and ".join(_SEPARATORS[separator] for separator in found)
    raise InputFaults(
        [
            Diagnostic(
                file,
                1,
                "",
                f"{names} in the head",
                "one sign between the columns",
                "put other text in quotes",
            )
        ]
    )


def _records(file: str, text: str, separator: str) -> tuple[CsvRow, ...]:
    """The rows that are not blank. Blank ones count: a spreadsheet shows them."""
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True
    )
    rows: list[CsvRow] = []
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            if any(cell.strip() for cell in cells):
                rows.append(CsvRow(number, tuple(cell.strip() for cell in cells)))
    except csv.Error as fault:
        open_quote = "unexpected end" in str(fault)
        found = (
            "a quote that is never closed"
            if open_quote
            else f"text that is not CSV ({sanitized(str(fault))})"
        )
        tip = "the file may be cut off" if open_quote else ""
        allowed = f"CSV: {_SEPARATORS[separator]} between cells, text with {_SEPARATORS[separator]} in quotes"
        raise InputFaults([Diagnostic(file, number + 1, "", found, allowed, tip)]) from None
    return tuple(rows)


def uneven(table: CsvTable, row: CsvRow) -> Diagnostic | None:
    r"""The fault of a row that has more or fewer cells than the head; None where it has as many.

    Examples
    --------
    >>> table = csv_from_text("a.csv", "name,X_mm\nport, upper,5\n", "a table")
    >>> print(uneven(table, table.rows[0]))
    a.csv:2: found 3 values where 2 belong: "port,upper,5"; allowed: a value for each column: name, X_mm
        tip: a comma in the name? put the name in quotes; decimal commas go with semicolons between the columns
    """
    count, wanted = len(row.cells), len(table.head.cells)
    if count == wanted:
        return None
    found = f"{count} value{'s' if count != 1 else ''} where {wanted} belong: {shown(table.separator.join(row.cells))}"
    allowed = f"a value for each column: {', '.join(table.head.cells)}"
    if count > wanted and table.separator == ",":
        tip = "a comma in the name? put the name in quotes; decimal commas go with semicolons between the columns"
    elif count > wanted:
        tip = f"{_SEPARATORS[table.separator]} in the name? put the name in quotes"
    elif row is table.rows[-1] and not table.ended:
        tip = "the file was cut off: fetch it again"
    else:
        tip = "is a value missing?"
    return Diagnostic(table.file, row.number, "", found, allowed, tip)


LENGTH_ENDINGS = {"mm": "mm", "in": "inch"}
"""Ending of a length's column, and the unit that it stands for."""


@dataclass(frozen=True)
class ColumnKinds:
    """Columns that a table may have.

    Attributes
    ----------
    plain : tuple of str
        Without a unit.
    lengths : tuple of str
        Each as ``X_mm`` or ``X_in``.
    angles : tuple of str
        Each as ``A_deg``.
    bare : tuple of str
        Those of the angles that need no unit in the head.
    temperatures : (str, str) or ()
        How a message spells the temperature's column, in Celsius and in Fahrenheit; empty where there is none.
    foreign : tuple of (str, str)
        Angles that are understood and not had, each with what it is that they name.
    """

    plain: tuple[str, ...]
    lengths: tuple[str, ...]
    angles: tuple[str, ...]
    bare: tuple[str, ...] = ()
    temperatures: tuple[str, str] | tuple[()] = ("T_C", "T_F")
    foreign: tuple[tuple[str, str], ...] = ()

    @property
    def known(self) -> list[str]:
        """Every column's name, as a message spells it."""
        lengths = [f"{what}_{end}" for what in self.lengths for end in LENGTH_ENDINGS]
        return [*self.plain, *(f"{one}_deg" for one in self.angles), *lengths, *self.temperatures]


def head_names(cells: Sequence[str], kinds: ColumnKinds) -> tuple[str, ...]:
    """Names of the columns as this program writes them; as it stands where a cell means none of them.

    Examples
    --------
    >>> kinds = ColumnKinds(("serial",), ("X", "Y"), ("turn",), bare=("turn",))
    >>> head_names(["Serial", "X (mm)", "Y", "Turn", "Temperature_F", "who"], kinds)
    ('serial', 'X_mm', 'Y', 'turn_deg', 'T_F', 'who')
    """
    return tuple(_name(cell, kinds) for cell in cells)


def _name(cell: str, kinds: ColumnKinds) -> str:
    column = column_name(cell)
    for name in kinds.plain:
        if column == ColumnName(name):
            return name
    ending = next((end for end, unit in LENGTH_ENDINGS.items() if unit == column.unit), "")
    for name in kinds.lengths:
        if column.name == name.lower() and (ending or not column.unit):
            return f"{name}_{ending}" if ending else name
    for head in (cell.strip().lower(), column.name):
        if (
            kinds.temperatures
            and head in TEMPERATURE_HEADS
            and (head == cell.strip().lower() or not column.unit)
        ):
            return TEMPERATURE_HEADS[head]
    for name in (*kinds.angles, *(name for name, _ in kinds.foreign)):
        if column.name == name.lower() and column.unit in {"", "deg"}:
            return f"{name}_deg" if column.unit or name in kinds.bare else name
    return cell


def head_faults(
    file: str, line: int, names: Sequence[str], written: Sequence[str], kinds: ColumnKinds
) -> list[Diagnostic]:
    """Columns that are not known, lack their unit, or come again.

    Examples
    --------
    >>> kinds = ColumnKinds(("serial",), ("X",), ())
    >>> written = ["serial", "serial", "X", "seral"]
    >>> for fault in head_faults("p.csv", 1, head_names(written, kinds), written, kinds): print(fault)
    p.csv:1: column 3: found "X", a length without its unit; allowed: X_mm or X_in
    p.csv:1: column 4: found an unknown column, "seral"; allowed: the columns "serial", "X_mm", "X_in", "T_C" and "T_F"
        tip: did you mean "serial"?
    p.csv:1: found column "serial" 2 times, as column 1 and 2; allowed: every column once
    """
    known = {*kinds.known, *(("T_C", "T_F") if kinds.temperatures else ())}
    faults = [
        _stranger(file, line, place, name, cell, kinds)
        for place, (name, cell) in enumerate(zip(names, written, strict=True), start=1)
        if name not in known
    ]
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names, start=1):
        places.setdefault(name, []).append(place)
    faults += [
        Diagnostic(
            file,
            line,
            "",
            f"column {shown(name)} {len(found)} times, as column {' and '.join(map(str, found))}",
            "every column once",
        )
        for name, found in places.items()
        if len(found) > 1 and name
    ]
    return faults


def missing_columns(
    file: str, line: int, wanted: Mapping[str, str], present: Container[str]
) -> list[Diagnostic]:
    """Faults of columns that a table must have and has not; each is wanted with its meaning.

    Examples
    --------
    >>> for fault in missing_columns("p.csv", 1, {"serial": "the part's number", "X": "X_mm or X_in"}, {"X"}): print(fault)
    p.csv:1: found no column serial; allowed: the part's number
    """
    return [
        Diagnostic(file, line, "", f"no column {name}", meaning)
        for name, meaning in wanted.items()
        if name not in present
    ]


def _stranger(file: str, line: int, place: int, name: str, cell: str, kinds: ColumnKinds) -> Diagnostic:
    key, tip, known = f"column {place}", "", kinds.known
    foreign = dict(kinds.foreign)
    if name in kinds.lengths:
        found, allowed = f"{shown(cell)}, a length without its unit", f"{name}_mm or {name}_in"
    elif name in kinds.angles or name in foreign:
        found, allowed = f"{shown(cell)}, an angle without its unit", f"{name}_deg"
    elif name.removesuffix("_deg") in foreign:
        found = f"{shown(cell)}, but {foreign[name.removesuffix('_deg')]}"
        allowed = "the angles of the machine's own rotaries"
    elif name == "T":
        found = f"{shown(cell)}, a temperature without its unit"
        allowed = f"{' or '.join(kinds.temperatures)}, degrees Celsius or Fahrenheit"
    elif not name:
        found, allowed = "a column without a name", one_of(known)
    else:
        near = nearest(name, known)
        tip = f'did you mean "{near}"?' if near else ""
        found, allowed = f"an unknown column, {shown(cell)}", f"the columns {one_of(known, 'and')}"
    return Diagnostic(file, line, key, found, allowed, tip)


def mixed_units(file: str, line: int, names: Sequence[str], kinds: ColumnKinds) -> list[Diagnostic]:
    """Lengths in two units, or temperatures."""
    if {"T_C", "T_F"} <= set(names):
        found = "temperatures in Celsius (T_C) and in Fahrenheit (T_F)"
        return [Diagnostic(file, line, "", found, "one of them")]
    in_unit = {
        end: [name for name in names if name in {f"{what}_{end}" for what in kinds.lengths}]
        for end in LENGTH_ENDINGS
    }
    if not (in_unit["mm"] and in_unit["in"]):
        return []
    found = f"lengths in mm ({', '.join(in_unit['mm'])}) and in inches ({', '.join(in_unit['in'])})"
    return [Diagnostic(file, line, "", found, "one unit for all lengths")]
