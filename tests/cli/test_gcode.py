"""Comments in G-code: readable ASCII that cannot end early."""

# ruff: noqa: RUF001 - signs that look like others are what this is about

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.output.gcode import comment, needs_of


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("Søby, café", "(: Soby, cafe)"),
        ("Ø 12 × 30°", "(dia 12 x 30 deg)"),
        ("5 µm, −0.5", "(5 um, -0.5)"),
        ("（MSG, go）", "([MSG, go])"),
        ("ＭＳＧ, go", "(: MSG, go)"),
        ("print, #100", "(: print, #100)"),
        ("ｄｅｂｕｇ,go", "(: debug,go)"),
        (" L O G , x", "(:  L O G , x)"),
        ("probe_2, x", "(: probe_2, x)"),
        ("port 1: bored, reamed", "(port 1: bored, reamed)"),
        ("a\nG0 X0", "(a G0 X0)"),
        ("x" * 300, f"({'x' * 254})"),
        ("½" * 100, f"({' 1/2' * 63} 1)"),
    ],
)
def test_comments(text, written):
    assert comment(text) == written


@given(st.text(max_size=400))
def test_a_comment_is_one_comment(text):
    written = comment(text)
    assert written.isascii()
    assert written.isprintable()
    assert len(written) <= 256
    assert (written[0], written[-1]) == ("(", ")")
    assert written.count("(") == written.count(")") == 1
    before, comma, _ = written[1:].replace(" ", "").partition(",")
    # RS274/NGC acts on (MSG,...); other controls act on other words.
    assert not comma or not before.isalpha()


@given(st.text(alphabet="msgMSGａｂＣ_, -.1", max_size=12))
def test_no_word_before_a_comma_begins_a_comment(text):
    before, comma, _ = comment(text)[1:].replace(" ", "").partition(",")
    assert not comma or not before[:1].isalpha()


@pytest.mark.parametrize(("highest", "warned"), [(1, False), (6, False), (7, True), (9, True)])
def test_what_a_control_must_have(highest, warned):
    """RS274/NGC numbers G54 to G59.3 from 1 to 9 (NISTIR 6556, section 3.5.13)."""
    code = ("G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3")[highest - 1]
    language, offsets = needs_of(highest)
    assert "NISTIR 6556" in language
    assert f"{highest}, {code}" in offsets
    assert ("G59.1 to G59.3" in offsets) == warned
    *_, parameters = needs_of(highest, [(1, 6)])
    assert "1 to 6" in parameters
