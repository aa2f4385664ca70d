"""Typesetting with typst: font metrics, printable text, and pages from a template and its data."""

from __future__ import annotations

import functools
import itertools
import json
import re
import threading
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

import typst

__all__ = ["Form", "Paper", "name_text", "prose_text", "render"]

FOLDER = Path(__file__).parent / "fonts"
FILES = (FOLDER / "DejaVuSans.ttf", FOLDER / "DejaVuSans-Bold.ttf")
FAMILY = "DejaVu Sans"
MONO_FILE = FOLDER / "DejaVuSansMono.ttf"
MONO_FAMILY = "DejaVu Sans Mono"
TEMPLATES = Path(__file__).parents[1]  # every template lies below it, and may import what they share
UNITS_PER_EM = 2048
ASCENT_EM, DESCENT_EM = 0.76, 0.24  # of capitals with their accents left off, and of descenders
STARTED = threading.Event()
"""Set once the typesetter has run in this process: it leaves threads behind, and a fork would wait for them for ever."""
STAND_IN = "\N{WHITE SQUARE}"


@functools.cache
def _widths() -> dict[str, dict[str, int]]:
    table: dict[str, dict[str, int]] = json.loads((FOLDER / "widths.json").read_text("ascii"))
    return table


def uncovered(text: str) -> tuple[str, ...]:
    """The characters of a text that the sheet's font cannot print, each once, in order of appearance.

    A control or direction-changing character counts as one that cannot be printed.

    Examples
    --------
    >>> uncovered("port 3, Ø12 ± 0.01°"), uncovered("ポート")
    ((), ('ポ', 'ー', 'ト'))
    """
    known = _widths()["regular"]
    return tuple(
        dict.fromkeys(
            c for c in text if c not in known or unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp")
        )
    )


def code_points(characters: Sequence[str]) -> str:
    """Characters by their numbers in Unicode, for words about those that cannot be printed; a dozen at most.

    Examples
    --------
    >>> code_points(("ポ", "ト"))
    'U+30DD U+30C8'
    """
    return " ".join(f"U+{ord(c):04X}" for c in characters[:12]) + (" …" if len(characters) > 12 else "")


@functools.lru_cache(maxsize=4096)  # drawings say the same words again and again
def printable(text: str) -> str:
    """The text with a white square for every character that the font cannot print.

    Examples
    --------
    >>> printable("ポート 3")
    '□□□ 3'
    """
    gone = set(uncovered(text))
    return "".join(STAND_IN if c in gone else c for c in text)


@functools.lru_cache(maxsize=4096)
def width_em(text: str, *, bold: bool = False) -> float:
    """Width of a printable text in units of the type size (kerning, which only narrows, is left out)."""
    known = _widths()["bold" if bold else "regular"]
    return sum(known[c] for c in text) / UNITS_PER_EM


def _fitting(text: str, room_em: float, *, bold: bool) -> int:
    """Number of characters of a text that fit into the room, from the left."""
    known = _widths()["bold" if bold else "regular"]
    ends = itertools.accumulate(known[c] for c in text)
    return sum(1 for _ in itertools.takewhile(lambda end: end <= room_em * UNITS_PER_EM, ends))


def shortened(text: str, room_em: float, *, bold: bool = False) -> str:
    """The text, cut with an ellipsis where it is wider than the room for it.

    Examples
    --------
    >>> shortened("round standoff", 100.0), shortened("round standoff", 4.0)
    ('round standoff', 'round…')
    """
    if width_em(text, bold=bold) <= room_em:
        return text
    return text[: _fitting(text, room_em - width_em("…", bold=bold), bold=bold)].rstrip() + "…"


def broken(text: str, room_em: float, *, bold: bool = False) -> tuple[str, ...]:
    """A printable text on one line where it fits, else on two; what the second cannot hold is cut with an ellipsis.

    It breaks at a space, or within a word where that would leave the first line almost empty.

    Examples
    --------
    >>> broken("round standoff", 100.0), broken("round standoff", 5.0)
    (('round standoff',), ('round', 'standoff'))
    >>> broken("roundstandoff", 5.0)
    ('roundsta', 'ndoff')
    """
    if width_em(text, bold=bold) <= room_em:
        return (text,)
    fits = max(1, _fitting(text, room_em, bold=bold))
    space = text.rfind(" ", 1, fits + 1)
    end = fits if space <= fits // 3 else space
    rest = text[end:].lstrip()
    if not rest:
        return (text[:end].rstrip(),)
    return text[:end].rstrip(), shortened(rest, room_em, bold=bold)


Paper = Literal["a4", "us-letter"]
Form = Literal["pdf", "png", "svg"]

_LONG_NAME = re.compile(r"\S{13,}")
_LONG_WORD = re.compile(r"\S{19,}")  # longer than any of the sheet's own words
_MINUS = re.compile(r"(?<![\w.-])-(?=[\d.XYZABC])")


def fonts() -> typst.Fonts:
    """The sheet's fonts, and no others.

    Raises
    ------
    FileNotFoundError
        When one of them is missing from the installation.
    """
    found = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FOLDER)])
    # without them typst would draw the page without a single letter, and say nothing
    for family, file in ((FAMILY, FILES[0]), (MONO_FAMILY, MONO_FILE)):
        if family not in found.families():
            raise FileNotFoundError(f"the sheet's font is missing from the installation: expected {file}")
    return found


def render(template: Path, data: Mapping[str, Any], form: Form, ppi: float | None = None) -> list[bytes]:
    """The pages of a template; the same data give the same bytes.

    Parameters
    ----------
    template : Path
        Reads the data as JSON from ``sys.inputs.sheet``; strings in it are set as text, never evaluated.
    data : mapping
    form : {"pdf", "png", "svg"}
        A PDF comes as one document, pictures page by page.
    ppi : float, optional
        Dots to the inch of a PNG.

    Raises
    ------
    FileNotFoundError
        When one of the sheet's fonts is missing from the installation.
    """
    made = compiled(template, TEMPLATES, {"sheet": json.dumps(data, ensure_ascii=False)}, form, ppi)
    return made if isinstance(made, list) else [made]


def compiled(
    template: Path, root: Path, inputs: dict[str, str], form: Form = "pdf", ppi: float | None = None
) -> bytes | list[bytes]:
    """A template typeset: a PDF, or pictures page by page; it may read what lies below the root."""
    STARTED.set()
    made: bytes | list[bytes] | None = typst.compile(
        str(template),
        root=str(root),
        font_paths=fonts(),
        ignore_system_fonts=True,
        format=form,
        ppi=ppi,
        sys_inputs=inputs,
        timestamp=0,  # the sheet carries its own date; a clock here would make every file differ
    )
    assert made is not None  # without a file to write to, typst returns the pages
    return made


def name_text(text: str) -> str:
    """A name from a file: printable, and able to break where a word is too long for a line."""
    return _LONG_NAME.sub(_breakable, printable(text))


def prose_text(text: str) -> str:
    r"""Words of the sheet's own, with typographic minus signs before numbers and axis letters.

    A hyphen within a word stays one, where a long word may break beside it too.

    Examples
    --------
    >>> prose_text("handed-in/answers-07.csv").replace("\N{ZERO WIDTH SPACE}", "")
    'handed-in/answers-07.csv'
    """
    # The signs first: a place to break would part a hyphen from the word before it.
    return _LONG_WORD.sub(_breakable, _MINUS.sub("\N{MINUS SIGN}", printable(text)))


def _breakable(word: re.Match[str]) -> str:
    return "\N{ZERO WIDTH SPACE}".join(re.findall(r".{1,6}", word[0]))
