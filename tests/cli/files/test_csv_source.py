"""CSV of spreadsheets: a table reads back to the same values however it was written, or is refused with both meanings."""

import contextlib
import csv
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tiltwright.calibration.readings_csv import read_table
from tiltwright.files.csv_source import ColumnName, column_name, csv_from_text, decoded, uneven
from tiltwright.files.diagnostics import InputFaults

AC = ("A", "C")
SPELLINGS = {
    "mm": ["{}_mm", "{} mm", "{} (mm)", "{} [MM]", "{}_millimetres", "{} in mm", "{} / mm", "{}(mm)"],
    "inch": ["{}_in", "{}_inch", "{} in.", "{} (inches)", '{} ["]', '{}"', "{} IN"],
    "deg": ["{}_deg", "{} °", "{}°", "{} (deg)", "{} [°]", "{} degrees", "{} (Degrees)"],
}


@st.composite
def decimals(draw):
    """A number with its text in plain digits: up to four before the point, one to five after it."""
    digits = draw(st.text("0123456789", min_size=1, max_size=5))
    sign = draw(st.sampled_from(["", "-"]))
    return f"{sign}{draw(st.integers(0, 9999))}.{digits}"


@st.composite
def dialects(draw):
    """Settings of a spreadsheet that writes a table: separator, decimal mark, encoding, line ends and more."""
    separator, mark = draw(st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", "."), ("\t", ",")]))
    return {
        "separator": separator,
        "mark": mark,
        "encoding": draw(
            st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"])
        ),
        "end": draw(st.sampled_from(["\n", "\r\n", "\r"])),
        "empty": draw(st.integers(0, 3)),
        "blank": draw(st.booleans()),
        "stated": draw(st.booleans()),
        "quoting": draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        "minus": draw(st.sampled_from(["-", "\N{MINUS SIGN}", "\N{EN DASH}"])),
        "grouped": draw(st.sampled_from(["", "'", "\N{NO-BREAK SPACE}", "the other mark"])),
        "unit": draw(st.booleans()),
        "apostrophe": draw(st.booleans()),
    }


def written(number, dialect, unit):
    """A number as the dialect has it."""
    whole, _, part = number.lstrip("-").partition(".")
    if dialect["grouped"] and len(whole) > 3:
        between = dialect["grouped"] if len(dialect["grouped"]) == 1 else ",."[dialect["mark"] == ","]
        whole = f"{whole[:-3]}{between}{whole[-3:]}"
    sign = dialect["minus"] if number.startswith("-") else ""
    quote = "'" if dialect["apostrophe"] else ""
    return f"{quote}{sign}{whole}{dialect['mark']}{part}{f' {unit}' if dialect['unit'] else ''}"


def as_bytes(rows, dialect):
    out = io.StringIO()
    if dialect["stated"]:
        out.write(f"sep={dialect['separator']}{dialect['end']}")
    writer = csv.writer(
        out, delimiter=dialect["separator"], lineterminator=dialect["end"], quoting=dialect["quoting"]
    )
    for place, row in enumerate(rows):
        writer.writerow([*row, *[""] * dialect["empty"]])
        if dialect["blank"] and place == 0:
            out.write(dialect["end"])
    text, encoding = out.getvalue(), dialect["encoding"]
    if encoding in {"latin-1", "cp1252"}:  # these have no minus sign of typesetters; the second has the dash
        text = text.replace("\N{MINUS SIGN}", "-")
        text = text.replace("\N{EN DASH}", "-") if encoding == "latin-1" else text
    return text.encode(encoding)


@given(st.data(), dialects())
def test_a_table_reads_back_whatever_wrote_it(data, dialect):
    unit = data.draw(st.sampled_from(["mm", "inch"]))
    order = data.draw(st.permutations(range(7)))
    heads = ["kind", "Target", *("{}" for _ in range(5))]
    for place, (name, what) in enumerate(
        [("A", "deg"), ("c", "deg"), ("X", unit), ("y", unit), ("Z", unit)], start=2
    ):
        heads[place] = data.draw(st.sampled_from(SPELLINGS[what])).format(name)
    numbers = data.draw(st.lists(st.lists(decimals(), min_size=5, max_size=5), min_size=1, max_size=4))
    numbers[0][0] = "0.5"  # one number that settles the decimal mark, as nearly every table has
    rows = [heads]
    for values in numbers:
        cells = [written(v, dialect, "deg") for v in values[:2]]
        rows.append(["Ball", "größe, 1°; x", *cells, *(written(v, dialect, unit) for v in values[2:])])
    shuffled = [[row[place] for place in order] for row in rows]
    taken = read_table("r.csv", decoded("r.csv", as_bytes(shuffled, dialect)), AC)
    assert taken.units == unit
    assert [(row.kind, row.target) for row in taken.rows] == [("ball", "größe, 1°; x")] * len(numbers)
    assert [[*row.angles, *row.xyz] for row in taken.rows] == [
        [float(v) for v in values] for values in numbers
    ]
    assert [row.line for row in taken.rows] == [place + 2 + dialect["blank"] for place in range(len(numbers))]


@given(st.binary(max_size=200))
@example(b"\xff\xfe\x00")
@example(b"a\x81")
def test_no_bytes_are_a_surprise(raw):
    """Whatever a file holds, it is read or refused with faults; nothing else is raised."""
    with contextlib.suppress(InputFaults):
        csv_from_text("a.csv", decoded("a.csv", raw), "a table")


@given(st.text(max_size=60).filter(lambda text: not text.startswith("\ufeff")))
def test_marked_text_is_the_text(text):
    for encoding in ("utf-8-sig", "utf-16"):
        with contextlib.suppress(UnicodeEncodeError):
            assert decoded("a.csv", text.encode(encoding)) == text


@pytest.mark.parametrize(
    ("raw", "found"),
    [
        (b"X\n\xc2\xb0\n\xb0\n", "a.csv:3: found a byte that is not UTF-8 text"),
        (
            "größe".encode()[:-4] + b"\xc3",
            "a.csv:1: found a byte that is not UTF-8 text",
        ),  # cut within a letter
        (b"\xef\xbb\xbfX\n\xb0\n", "a.csv:2:"),  # a mark says UTF-8
        (b"X\n\x81\n", "a.csv:2:"),  # no letter of the Western encoding
        ("X,Y\n".encode("utf-16")[:-1], "UTF-16 text that is cut off"),
        ("X,Y\n".encode("utf-32"), "UTF-32"),
    ],
)
def test_damaged_text_is_refused(raw, found):
    with pytest.raises(InputFaults) as faults:
        decoded("a.csv", raw)
    assert found in str(faults.value)


@pytest.mark.parametrize(("what", "heads"), SPELLINGS.items())
def test_columns_have_names_and_units(what, heads):
    for head in heads:
        for name in ("X", "sigma", "work offset"):
            wanted = ColumnName(name.lower().replace(" ", "_"), what)
            assert column_name(head.format(name)) == column_name(f"  {head.format(name.upper())} ") == wanted


@pytest.mark.parametrize("text", ["kind", "in", "mm", "value_cm", "X (furlong)", "port in port", ""])
def test_a_head_without_a_unit_is_all_name(text):
    assert column_name(text).unit == ""


def test_a_head_may_hold_the_other_separators():
    table = csv_from_text("a.csv", "name, in full;X (mm);Y (mm)\none;5,5;6,5\n", "a table")
    assert (table.separator, table.rows[0].cells) == (";", ("one", "5,5", "6,5"))
    with pytest.raises(InputFaults, match="commas and semicolons in the head"):
        csv_from_text("a.csv", "a,b;c\n1\n", "a table")


def test_rows_are_counted_as_a_spreadsheet_shows_them():
    table = csv_from_text("a.csv", 'sep=,\n\nname,X\n"two\nlines",1\n\nport,\n', "a table")
    assert (table.head.number, [row.number for row in table.rows]) == (2, [3, 5])


def test_cells_beyond_the_head_count_only_if_something_is_in_them():
    table = csv_from_text("a.csv", "a,b,,\n1,2,,,,\n1,,,\n1,2,,5\n1\n", "a table")
    assert [row.cells for row in table.rows[:2]] == [("1", "2"), ("1", "")]
    assert [uneven(table, row) is None for row in table.rows] == [True, True, False, False]


@pytest.mark.parametrize("separator", ",;\t")
def test_one_number_settles_what_all_the_others_mean(separator):
    def rows(*cells):
        body = separator.join(["ball", "b", "0", "0", *(f'"{cell}"' for cell in cells)])
        head = separator.join(["kind", "target", "A_deg", "C_deg", "X_mm", "Y_mm", "Z_mm"])
        return read_table("r.csv", f"{head}\n{body}\n", AC).rows[0].xyz

    assert rows("1.234", "0.5", "2.000") == (1.234, 0.5, 2.0)
    assert rows("1,234", "0,5", "2,000") == (1.234, 0.5, 2.0)
    usual, other = (",", ".") if separator == ";" else (".", ",")
    assert rows(f"1{usual}234", "5", "2") == (1.234, 5.0, 2.0)
    for cells in (
        (f"1{other}234", "5", "2"),
        ("1,234", "0.5", "2.0"),
        ("1.234", "0,5", "2,0"),
        ("1.5", "2,5", "3"),
    ):
        with pytest.raises(InputFaults):
            rows(*cells)
