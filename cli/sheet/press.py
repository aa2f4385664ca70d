"""From a template and its data to pages: typst with the sheet's own fonts and nothing from outside."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import typst

from tiltwright.sheet import typeface

__all__ = ["Form", "Paper", "name_text", "press", "prose_text"]

Paper = Literal["a4", "us-letter"]
Form = Literal["pdf", "png", "svg"]

_LONG_NAME = re.compile(r"\S{13,}")
_LONG_WORD = re.compile(r"\S{19,}")  # longer than any of the sheet's own words
_MINUS = re.compile(r"(?<![\w.-])-(?=[\d.XYZABC])")


def press(template: Path, data: Mapping[str, Any], form: Form, ppi: float | None = None) -> list[bytes]:
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
    fonts = typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(typeface.FOLDER)]
    )
    # without them typst would draw the page without a single letter, and say nothing
    for family, file in ((typeface.FAMILY, typeface.FILES[0]), (typeface.MONO_FAMILY, typeface.MONO_FILE)):
        if family not in fonts.families():
            raise FileNotFoundError(f"the sheet's font is missing from the installation: expected {file}")
    made: bytes | list[bytes] | None = typst.compile(
        str(template),
        root=str(template.parent),
        font_paths=fonts,
        ignore_system_fonts=True,
        format=form,
        ppi=ppi,
        sys_inputs={"sheet": json.dumps(data, ensure_ascii=False)},
        timestamp=0,  # the sheet carries its own date; a clock here would make every file differ
    )
    assert made is not None  # without a file to write to, typst returns the pages
    return made if isinstance(made, list) else [made]


def name_text(text: str) -> str:
    """A name from a file: printable, and able to break where a word is too long for a line."""
    return _LONG_NAME.sub(_breakable, typeface.printable(text))


def prose_text(text: str) -> str:
    """Words of the sheet's own, with typographic minus signs before numbers and axis letters."""
    return _MINUS.sub("\N{MINUS SIGN}", _LONG_WORD.sub(_breakable, typeface.printable(text)))


def _breakable(word: re.Match[str]) -> str:
    return "\N{ZERO WIDTH SPACE}".join(re.findall(r".{1,6}", word[0]))
