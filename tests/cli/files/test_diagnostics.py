"""Messages: nothing from a file gets out of its line, and the words are the user's."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.diagnostics import Diagnostic, InputFaults, nearest, one_of, sanitized, shown, words_for

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.datetimes() | st.times(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=20,
)


@given(st.text())
def test_clean_text_is_harmless(text: str) -> None:
    cleaned = sanitized(text)
    assert not any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in cleaned)
    assert len(cleaned.splitlines()) <= 1
    assert sanitized(cleaned) == cleaned


@given(st.text(st.characters(categories=["L", "N", "P", "S"], max_codepoint=0x24F), min_size=1))
def test_readable_text_stays_as_it_is(text: str) -> None:
    assert sanitized(text) == text


@given(VALUES, st.integers(8, 80))
def test_shown_values_are_short_and_harmless(value: object, longest: int) -> None:
    text = shown(value, longest)
    assert 0 < len(text) <= longest
    assert sanitized(text) == text


@given(st.text(), st.none() | st.integers(1, 10**6), st.text(), st.text(), st.text(), st.text())
def test_a_fault_is_one_line_and_a_tip(
    file: str, line: int | None, key: str, found: str, allowed: str, tip: str
) -> None:
    lines = str(Diagnostic(file, line, key, found, allowed, tip)).splitlines()
    assert len(lines) == (2 if tip else 1)
    assert sanitized("".join(lines)) == "".join(lines)


def test_faults_carry_all() -> None:
    faults = [
        Diagnostic("job.toml", 3, "name", "3", "text in quotes"),
        Diagnostic("mill.toml", None, "", "a folder", "a file"),
    ]
    raised = InputFaults(iter(faults))
    assert raised.faults == tuple(faults)
    assert str(raised) == (
        "job.toml:3: name: found 3; allowed: text in quotes\nmill.toml: found a folder; allowed: a file"
    )


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ('a"b\\', '"a\\"b\\\\"'),
        (True, "true"),
        (-0.0, "-0.0"),
        (float("-inf"), "-inf"),
        (10**20, "a whole number of more than 18 digits"),
        ({}, "{}"),
        ([], "[]"),
        ({"a b": [1, {"c": "d"}]}, '{ "a b" = [1, { c = "d" }] }'),
        ("x" * 100, '"' + "x" * 58 + "…"),
    ],
)
def test_shown(value: object, text: str) -> None:
    assert shown(value) == text


def test_words() -> None:
    assert words_for(()) == ""
    assert words_for(("operation", 2)) == "operation 3"
    assert words_for(("operation", 2, "tip", 0, 1)) == "operation 3, tip, value 1, value 2"
    assert one_of([]) == "none"
    assert one_of(["a"]) == '"a"'
    assert one_of(["a", "b", "c"], "and") == '"a", "b" and "c"'
    assert nearest("ORIGN", ["origin", "orient"]) == "origin"
    assert nearest("", ["origin"]) is None
