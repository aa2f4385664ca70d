"""Text in few characters: readable, and never a quote, a backslash, a comma or a line break that was not there."""

# ruff: noqa: RUF001 - signs that look like others are what this is about

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.output.ascii import encodable, transliterate


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("café", "cafe"),
        ("cafe\N{COMBINING ACUTE ACCENT}", "cafe"),
        ("Ø12", "dia 12"),
        ("Ø 12.5", "dia 12.5"),
        ("bore ⌀", "bore dia "),
        ("Ørsted, Søby", "Orsted, Soby"),
        ("30°", "30 deg"),
        ("30 °", "30 deg"),
        ("a\n°\nØ\n5", "a\n deg\ndia \n5"),
        ("3 × M6", "3 x M6"),
        ("5 µm", "5 um"),
        ("5 μm", "5 um"),
        ("−0.5 – 0.5", "-0.5 - 0.5"),
        ("±0.02", "+/-0.02"),
        ("1½ in", "1 1/2 in"),
        ("Gauß", "Gauss"),
        ("“top” ‘face’ 1′ 2″", "'top' 'face' 1' 2''"),
        ("測定", "??"),
        ("\udce9", "?"),
        ('as "it" is, \\ (all)', 'as "it" is, \\ (all)'),
    ],
)
def test_the_shops_own_signs(text, written):
    assert transliterate(text) == written


@given(st.text())
def test_ascii_and_nothing_that_ends_a_text(text):
    written = transliterate(text)
    assert written.isascii()
    for mark in '"\\,\n\r;=':
        assert written.count(mark) == text.count(mark)


@given(st.dictionaries(st.text(), st.text()), st.sampled_from(["ascii", "latin-1", "cp437", "utf-8"]))
def test_json_stays_json(values, encoding):
    written = encodable(json.dumps(values, ensure_ascii=False), encoding)
    written.encode(encoding)
    assert len(json.loads(written)) <= len(values)


@given(st.lists(st.text(st.characters(exclude_categories=["Cc", "Cs"])), min_size=2))
def test_csv_keeps_its_columns(row):
    stream = io.StringIO()
    csv.writer(stream).writerow(row)
    (read,) = csv.reader(io.StringIO(transliterate(stream.getvalue())))
    assert len(read) == len(row)


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_what_an_encoding_has_stays(text):
    assert encodable(text, "utf-8") == text
