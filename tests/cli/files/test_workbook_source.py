"""Workbooks: written part by part as ISO/IEC 29500 has them, and read as tables."""

import io
import zipfile

import pytest

from tiltwright.files.csv_source import ColumnName
from tiltwright.files.diagnostics import InputFaults
from tiltwright.files.workbook_source import table_from_workbook

TYPES = "application/vnd.openxmlformats-officedocument.spreadsheetml"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATED = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def _cell(place: str, value) -> str:
    """A number as a number, a text in the cell itself."""
    if isinstance(value, float | int):
        return f'<c r="{place}"><v>{value!r}</v></c>'
    if value.startswith("="):  # a formula, and the result that was saved with it
        formula, arrow, saved = value[1:].partition(" -> ")
        return f'<c r="{place}"><f>{formula}</f>{f"<v>{saved}</v>" if arrow else ""}</c>'
    return f'<c r="{place}" t="inlineStr"><is><t>{value}</t></is></c>'


def _workbook(*sheets, hidden=()) -> bytes:
    """A workbook of sheets, each a dict of rows by number and cells by letter; some of them, from 1, hidden."""
    numbers = range(1, len(sheets) + 1)
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{PACKAGE}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{TYPES}.sheet.main+xml"/>'
        + "".join(
            f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{TYPES}.worksheet+xml"/>'
            for n in numbers
        )
        + "</Types>",
        "_rels/.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        f'<Relationship Id="r1" Type="{RELATED}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="{RELATED}"><sheets>'
        + "".join(
            f'<sheet name="s{n}" sheetId="{n}" state="{"hidden" if n in hidden else "visible"}" r:id="r{n}"/>'
            for n in numbers
        )
        + "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{PACKAGE}/relationships">'
        + "".join(
            f'<Relationship Id="r{n}" Type="{RELATED}/worksheet" Target="worksheets/sheet{n}.xml"/>'
            for n in numbers
        )
        + "</Relationships>",
    }
    for n, sheet in zip(numbers, sheets, strict=True):
        rows = "".join(
            f'<row r="{row}">'
            + "".join(_cell(f"{letter}{row}", value) for letter, value in cells.items())
            + "</row>"
            for row, cells in sheet.items()
        )
        parts[f"xl/worksheets/sheet{n}.xml"] = (
            f'<worksheet xmlns="{MAIN}"><dimension ref="A1"/><sheetData>{rows}</sheetData></worksheet>'
        )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        for name, text in parts.items():
            file.writestr(name, '<?xml version="1.0" encoding="UTF-8"?>' + text)
    return packed.getvalue()


HEAD = {"A": "name", "B": "X_mm", "C": "Y_mm"}


def _read(tmp_path, *sheets, hidden=()):
    path = tmp_path / "a.xlsx"
    path.write_bytes(_workbook(*sheets, hidden=hidden))
    return table_from_workbook(path, "a table")


def test_cells_are_read_as_they_would_be_typed(tmp_path):
    """Numbers in full, whole ones without a point, the saved result of a formula; rows as the spreadsheet numbers them."""
    table = _read(
        tmp_path,
        {
            3: HEAD,
            4: {"A": "port", "B": -381.025, "C": 0.1 + 0.2},
            6: {"A": "Öse", "B": "=B4*2 -> -762.05", "C": -7.0},
            7: {"A": "rim", "B": "-7,94 mm", "C": 12},
            8: {"A": "rib", "B": 5},
        },
    )
    assert table.columns == (ColumnName("name"), ColumnName("x", "mm"), ColumnName("y", "mm"))
    assert [(row.number, row.cells) for row in table.rows] == [
        (4, ("port", "-381.025", "0.3")),
        (6, ("Öse", "-762.05", "-7")),
        (7, ("rim", "-7,94 mm", "12")),
        (8, ("rib", "5", "")),
    ]


def test_the_first_sheet_that_is_not_empty_counts_and_what_stands_beside_it_does_not(tmp_path):
    scratch = {1: {"A": "mine"}}
    table = _read(tmp_path, {}, {1: HEAD, 2: {"A": "port", "B": 1.5, "C": 2.5, "F": "r = 3"}}, scratch)
    assert [row.cells for row in table.rows] == [("port", "1.5", "2.5")]


def test_a_formula_whose_result_was_not_saved_is_no_empty_cell(tmp_path):
    """As a program writes it that cannot work it out; beside one that was worked out."""
    table = _read(tmp_path, {1: HEAD, 2: {"A": "port", "B": "=2*3", "C": "=2*3 -> 6"}, 3: {"A": "rim"}})
    (port, rim) = (row.cells for row in table.rows)
    assert (port[0], port[2]) == ("port", "6")
    assert port[1].startswith("=2*3, a formula")
    assert rim == ("rim", "", "")


def test_a_stray_cell_far_off_is_no_hindrance(tmp_path):
    """In the last cell that there is; and every sheet here states that it has one cell."""
    table = _read(tmp_path, {1: HEAD, 2: {"A": "port", "B": 1.5, "C": 2.5}, 1_048_576: {"XFD": "x"}})
    assert [row.cells for row in table.rows] == [("port", "1.5", "2.5"), ("", "", "")]


def test_a_hidden_sheet_is_read_where_no_other_has_a_cell(tmp_path):
    mine, theirs = ({1: HEAD, 2: {"A": "port", "B": x, "C": 2.5}} for x in (1.5, 9.5))
    assert _read(tmp_path, theirs, mine, hidden=(1,)).rows[0].cells == ("port", "1.5", "2.5")
    assert _read(tmp_path, theirs, {}, hidden=(1,)).rows[0].cells == ("port", "9.5", "2.5")


def test_a_table_in_one_column_is_spread(tmp_path):
    """As a table with commas opens where the decimal mark is a comma, filled in beside it."""
    table = _read(tmp_path, {1: {"A": "name,X_mm,Y_mm"}, 2: {"A": "port,,", "B": -381.025, "C": 7.5}})
    assert table.head.cells == ("name", "X_mm", "Y_mm")
    assert [row.cells for row in table.rows] == [("port", "-381.025", "7.5")]


@pytest.mark.parametrize(
    ("made", "found"),
    [
        (lambda: b"", "cannot be read"),
        (lambda: b"PK\3\4", "cannot be read"),
        (lambda: _workbook({1: HEAD})[:-30], "cannot be read"),
        (lambda: _workbook({}), "an empty workbook"),
        (lambda: _workbook({1: {"A": "<x>&y;</x>"}}), "cannot be read"),
        (lambda: _workbook({1: {"A": "a" * 20_000_000}}), "cannot be read"),
        (lambda: b"0" * 1_000_001, "more than 1 MB"),
    ],
    ids=["nothing", "its first bytes", "cut off", "no cells", "no XML", "too large unpacked", "too large"],
)
def test_what_is_no_workbook_is_refused(tmp_path, made, found):
    path = tmp_path / "a.xlsx"
    path.write_bytes(made())
    with pytest.raises(InputFaults) as refused:
        table_from_workbook(path, "a table")
    (fault,) = refused.value.faults
    assert found in fault.found
    assert fault.allowed == "a table"
