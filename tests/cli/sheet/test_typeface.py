"""The font prints what a sheet needs, and the widths table tells the truth about it."""

from __future__ import annotations

import pytest
from fontTools.ttLib import TTFont

from tiltwright.output import typesetting

NEEDED = "±°Ø⌀µμ″→Δ…□≤≥½éßñçøåłžΩЖ" + "\N{PRIME}\N{MINUS SIGN}\N{MULTIPLICATION SIGN}\N{EN DASH}"


@pytest.mark.parametrize("file", typesetting.FILES, ids=lambda file: file.stem)
def test_each_needed_sign_has_a_glyph_with_an_outline(file):
    font = TTFont(file)
    names = font.getBestCmap()
    for sign in NEEDED:
        assert ord(sign) in names, sign
        assert font["glyf"][names[ord(sign)]].numberOfContours != 0, sign


@pytest.mark.parametrize(("style", "bold"), [(0, False), (1, True)])
def test_the_widths_are_those_of_the_fonts(style, bold):
    font = TTFont(typesetting.FILES[style])
    assert font["head"].unitsPerEm == typesetting.UNITS_PER_EM
    metrics, names = font["hmtx"], font.getBestCmap()
    assert all(
        typesetting.width_em(chr(code), bold=bold) == metrics[name][0] / typesetting.UNITS_PER_EM
        for code, name in names.items()
    )
    assert {c for c in map(chr, range(0x2600)) if c.isprintable() and not typesetting.uncovered(c)} <= set(
        map(chr, names)
    )


def test_the_font_of_g_code_has_one_width_for_everything_in_it():
    font = TTFont(typesetting.MONO_FILE)
    names = font.getBestCmap()
    assert {*range(0x20, 0x7F), *range(0xA0, 0x100)} <= set(names)
    assert len({font["hmtx"][name][0] for name in names.values()}) == 1
    assert font["name"].getBestFamilyName() == typesetting.MONO_FAMILY


@pytest.mark.parametrize("bold", [False, True])
def test_digits_are_tabular(bold):
    assert len({typesetting.width_em(digit, bold=bold) for digit in "0123456789"}) == 1


def test_the_fonts_carry_their_licence():
    text = (typesetting.FOLDER / "LICENSE.txt").read_text("utf-8")
    assert "Permission is hereby granted" in text


@pytest.mark.parametrize("text", ["\u202e", "\u2066", "\u200b", "\x07", "\u2028", "日", "\U0001f600"])
def test_what_cannot_be_printed_is_reported_and_replaced(text):
    assert typesetting.uncovered("a" + text) == (text,)
    assert typesetting.printable("a" + text) == "a" + typesetting.STAND_IN


@pytest.mark.parametrize("room", [0.7, 3.0, 9.0])
def test_a_shortened_text_fits(room):
    assert typesetting.width_em(typesetting.shortened("W" * 40, room)) <= max(room, typesetting.width_em("…"))


@pytest.mark.parametrize("room", [1.2, 3.0, 9.0, 60.0])
@pytest.mark.parametrize("text", ["W" * 40, "i " * 40, "a round standoff with a name that is long", "W"])
def test_a_broken_text_fits_and_loses_nothing_before_its_ellipsis(text, room):
    lines = typesetting.broken(text, room)
    assert 1 <= len(lines) <= 2
    assert all(typesetting.width_em(line) <= room for line in lines)
    whole = "".join(lines).removesuffix("…").replace(" ", "")
    assert text.replace(" ", "").startswith(whole)
    assert whole == text.replace(" ", "") or lines[-1].endswith("…")
