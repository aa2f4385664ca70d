"""Numbers as people write them: one meaning is read, two are refused, and the refusal says what to write."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.diagnostics import InputFaults, InvalidValue
from tiltwright.files.parsing import parse_degrees, three_lengths
from tiltwright.files.units import Unit
from tiltwright.files.written_numbers import LARGEST, decimal_mark, parse_written


@given(st.floats(-LARGEST, LARGEST), st.sampled_from(".,"))
def test_every_number_reads_back(value, mark):
    assert parse_written(repr(value).replace(".", mark), mark).value == value


@given(st.integers(1000, 999_999), st.text("0123456789", max_size=6), st.sampled_from([".", ","]))
def test_thousands_are_parted_where_the_number_shows_it(whole, part, mark):
    other = "," if mark == "." else "."
    for between in (
        " ",
        "'",
        "\N{NARROW NO-BREAK SPACE}",
        "\N{RIGHT SINGLE QUOTATION MARK}",
        *(other if part else ""),
    ):
        text = f"{whole:_}".replace("_", between) + (mark + part if part else "")
        assert parse_written(text, mark).value == float(f"{whole}.{part or 0}")
        assert decimal_mark([text], ",") == (mark if part else ".")


@pytest.mark.parametrize(
    ("text", "value", "decimals", "unit"),
    [
        ("-301.0213 mm", -301.0213, 4, "mm"),
        ('-11.8520"', -11.852, 4, "inch"),
        ("11.8 in.", 11.8, 1, "inch"),
        ("11.8IN", 11.8, 1, "inch"),
        ("11.8 inches", 11.8, 1, "inch"),
        ("11.8 inch", 11.8, 1, "inch"),
        ("299 mm.", 299.0, 0, "mm"),
        ("299.7 millimetres", 299.7, 1, "mm"),
        ("299.7 millimeter", 299.7, 1, "mm"),
        ("1.5 deg.", 1.5, 1, "deg"),
        ("1.5 degrees", 1.5, 1, "deg"),
        ("11.8''", 11.8, 1, "inch"),
        ("12.5 thou", 0.0125, 4, "inch"),
        ("30 deg", 30.0, 0, "deg"),
        ("30.5°", 30.5, 1, "deg"),
        ("'-3.0", -3.0, 1, ""),
        ("\N{EN DASH}3", -3.0, 0, ""),
        ("+3.", 3.0, 0, ""),
        (".5", 0.5, 1, ""),
        ("1e-3", 0.001, 0, ""),
    ],
)
def test_units_and_signs(text, value, decimals, unit):
    read = parse_written(text)
    assert (read.value, read.decimals, read.unit) == (pytest.approx(value, rel=1e-15), decimals, unit)


@pytest.mark.parametrize(
    ("text", "mark", "tip"),
    [
        ("1,234", ".", "1.2340 or 1234"),
        ("1.234", ",", "1,2340 or 1234"),
        ("-1.234", "", "-1.2340 or -1234"),
        ("123,456", ".", "123.4560 or 123456"),
        ("12,5", ".", "after a point"),
        ("12.5", ",", "after a comma"),
        ("1/2", ".", "0.5"),
        ('-1-1/2"', ".", "-1.5"),
        ("1 1/4 in", ".", "1.25"),
        ("3/8", ",", "0,375"),
    ],
)
def test_a_refusal_says_what_to_write(text, mark, tip):
    with pytest.raises(InvalidValue) as refusal:
        parse_written(text, mark)
    assert tip in refusal.value.tip


@pytest.mark.parametrize(
    "text",
    [*("abc", "nan", "inf", "1_000", ".", ",", "-", "1 2", "1 23", "12,34,56", "1.2.3", "1,23.4"),
     *("1.234,567.8", "1e999", "2e6", "1/0", "--1", "1 mm mm", "mm", "5 furlong", "٣")],
)  # fmt: skip
def test_what_is_no_number(text):
    for mark in (".", ",", ""):
        with pytest.raises(InvalidValue):
            parse_written(text, mark)


# --- three lengths on the command line ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "-15.5,2.25,-0.5",
        "-15.5in,2.25in,-0.5in",
        '-15.5,2.25,-0.5"',
        "-15.5 inches, 2.25 in., -500 thou",
        "-15,5;2,25;-0,5",
        "\N{MINUS SIGN}393.7mm,57.15mm,-12.7mm",
    ],
)
def test_three_lengths_in_any_spelling(text):
    assert three_lengths(text, "--zero", "X,Y,Z", Unit.INCH) == pytest.approx([-393.7, 57.15, -12.7])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1in,2mm,3in", "one unit of length for all three"),
        ("1in,2,3", "one unit of length for all three"),
        ("1,2,3deg", "one unit of length for all three"),
        ("1,5,2,5,3,5", "decimal commas go with semicolons"),
        ("1/2,0,0", "write it with decimals: 0.5"),
        ("1.234;2;3", "1.2340 or 1234"),
        ("1,2", "three numbers"),
        ("1,2,", "three numbers"),
    ],
)
def test_three_lengths_that_are_refused(text, words):
    with pytest.raises(InputFaults) as faults:
        three_lengths(text, "--zero", "X,Y,Z", Unit.INCH)
    assert words in str(faults.value)


@pytest.mark.parametrize(
    "text", ["30 deg", "30degrees", "30°", "30d", "30 d 0 m", "30.0 deg.", "'30°", "30d 0m"]
)
def test_degrees_in_any_spelling(text):
    assert parse_degrees(text) == 30.0


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("0 123", "."),
        ("0'500", "."),
        ("0,123.5", "."),
        ("0.123.456", ","),
        ("00,123,456", "."),
        ("5'250\"", "."),
    ],
)
def test_thousands_never_begin_with_a_zero_and_feet_are_none(text, mark):
    """A blank or a mark after a leading zero is a decimal mark that was lost, or feet and inches: it is refused."""
    with pytest.raises(InvalidValue):
        parse_written(text, mark)
