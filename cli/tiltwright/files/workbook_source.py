"""Tables from workbooks as spreadsheets save them (ISO/IEC 29500, .xlsx): the cells of a sheet, read as a CSV table is.

The package is loaded when a workbook is read, and for nothing else.
"""

from __future__ import annotations

import io
import warnings
import zipfile
from dataclasses import replace
from pathlib import Path

from tiltwright.files.csv_source import CsvRow, CsvTable, table_of_rows
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.toml_source import read_bytes

__all__ = ["WORKBOOKS", "table_from_workbook"]

WORKBOOKS = (".xlsx", ".xlsm")
"""Endings of the files that are read here."""
_LARGEST_MB = 1
_LARGEST_UNPACKED = 20_000_000
_DECIMALS = 9


def table_from_workbook(path: Path, wanted: str) -> CsvTable:
    """The first sheet of a workbook that is shown and not empty, as a table; the file is registered as an input.

    A number is the cell's own, whatever decimals it shows with and whatever the spreadsheet's decimal mark; of a formula
    it is the result that was saved. A formula without one is a text that says so, so that nobody takes it for an empty cell.

    Parameters
    ----------
    path : Path
    wanted : str
        What the file should be, in words, for messages.

    Raises
    ------
    InputFaults
        When it is missing, a folder, unreadable, too large, no workbook, or an empty one.
    """
    file, tip = str(path), "open it in the spreadsheet and save it as CSV"
    raw = read_bytes(path, wanted, _LARGEST_MB, "save the table by itself")
    try:
        sheets = _sheets(raw)
    except Exception:  # noqa: BLE001 - of a damaged file the package raises whatever it stumbles over
        raise InputFaults(
            [Diagnostic(file, None, "", "a workbook that cannot be read", wanted, tip)]
        ) from None
    rows = next((rows for rows in sheets if rows), None)
    if rows is None:
        raise InputFaults([Diagnostic(file, None, "", "an empty workbook", wanted, tip)])
    # Numbers stand there without a decimal mark; here they are written with a point, as among commas.
    table = replace(table_of_rows(file, rows, ",", ended=True), stores_numbers=True)
    width = len(table.head.cells)
    if any(rows[0].cells[1:]) or width == 1:
        # No comma can part a cell here: what stands beside the table is somebody's own calculation.
        whole = (replace(row, cells=(*row.cells, *[""] * width)[:width]) for row in table.rows)
        return replace(table, rows=tuple(whole))
    return table


def _sheets(raw: bytes) -> list[list[CsvRow]]:
    """The rows of every sheet that are not blank, numbered as the spreadsheet shows them; hidden sheets come last."""
    with zipfile.ZipFile(io.BytesIO(raw)) as packed:
        if sum(part.file_size for part in packed.infolist()) > _LARGEST_UNPACKED:
            raise ValueError("too large")
    sheets = _texts(raw, results=False)
    if any(_is_formula(cell) for rows in sheets for row in rows for cell in row.cells):
        saved = [{row.number: row.cells for row in rows} for rows in _texts(raw, results=True)]
        sheets = [
            [
                CsvRow(
                    row.number,
                    tuple(map(_result, row.cells, by_number.get(row.number, ("",) * len(row.cells)))),
                )
                for row in rows
            ]
            for rows, by_number in zip(sheets, saved, strict=True)
        ]
    return sheets


def _texts(raw: bytes, *, results: bool) -> list[list[CsvRow]]:
    """The cells of every sheet: of a formula the result that was saved, or the formula."""
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of features that a table of cells has no use for
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=results)
        sheets = []
        for sheet in sorted(book.worksheets, key=lambda sheet: sheet.sheet_state != "visible"):
            sheet.reset_dimensions()  # some programs write a wrong size, and a stray cell far off makes it a huge one
            cells = (tuple(map(_text, row)) for row in sheet.iter_rows(values_only=True))
            sheets.append([CsvRow(n, row) for n, row in enumerate(cells, start=1) if any(row)])
    return sheets


def _is_formula(cell: str) -> bool:
    return cell.startswith("=") and len(cell) > 1


def _result(cell: str, saved: str) -> str:
    """The text that a cell shows, as far as the file has it."""
    return f"{cell}, a formula whose result was not saved" if _is_formula(cell) and not saved else saved


def _text(value: object) -> str:
    """A cell as it would be typed."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".")
    return str(value).strip()
