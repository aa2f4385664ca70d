"""Comments in G-code: readable ASCII that cannot end early."""

# ruff: noqa: RUF001 - signs that look like others are what this is about

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.output.gcode import comment


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("Søby, café", "(Soby, cafe)"),
        ("Ø 12 × 30°", "(dia 12 x 30 deg)"),
        ("5 µm, −0.5", "(5 um, -0.5)"),
        ("（MSG, go）", "([MSG, go])"),
        ("ＭＳＧ, go", "(: MSG, go)"),
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
    assert not written[1:].replace(" ", "").lower().startswith("msg,")
