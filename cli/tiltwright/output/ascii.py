"""Transliteration of text for ASCII terminals and for comments in programs."""

# ruff: noqa: RUF001, RUF002 - signs that look like others are what this is about

from __future__ import annotations

import re
import unicodedata

__all__ = ["encodable", "transliterate"]

# The shop's own signs, and letters that no decomposition takes apart. Nothing here may be a quote, a backslash or a
# comma: JSON and CSV must stay what they are.
_WORDS = {
    "⌀": "dia ",
    "°": " deg",
    "º": " deg",
    "˚": " deg",
    "×": "x",
    "·": ".",
    "µ": "u",
    "μ": "u",
    "Δ": "d",
    "±": "+/-",
    "≤": "<=",
    "≥": ">=",
    "→": "->",
    "′": "'",
    "″": "''",
    "“": "'",
    "”": "'",
    "„": "'",
    "«": "'",
    "»": "'",
    "…": "...",
    "•": "-",
    "€": "EUR",
    "⁄": "/",
    "\N{MINUS SIGN}": "-",
    "\N{HYPHEN}": "-",
    "\N{NON-BREAKING HYPHEN}": "-",
    "\N{FIGURE DASH}": "-",
    "\N{EN DASH}": "-",
    "\N{EM DASH}": "-",
    "\N{LEFT SINGLE QUOTATION MARK}": "'",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{SINGLE LOW-9 QUOTATION MARK}": "'",
    "ß": "ss",
    "Æ": "AE",
    "æ": "ae",
    "Œ": "OE",
    "œ": "oe",
    "Ø": "O",
    "ø": "o",
    "Ł": "L",
    "ł": "l",
    "Đ": "D",
    "đ": "d",
    "Þ": "Th",
    "þ": "th",
    "ı": "i",
}
_DIAMETER = re.compile(r"[Øø⌀][ \N{NO-BREAK SPACE}]*(?=[\d.,]|\s|$)")
_DEGREES = re.compile(r"[ \N{NO-BREAK SPACE}]*[°º˚]")
_HARMLESS = frozenset(" .+-/:'()")


def transliterate(text: str) -> str:
    """Text in ASCII, each character written as a machinist would write it there, or as ``?``.

    What is ASCII already stays as it is. Nothing else becomes a quote, a backslash, a comma or a line break.

    Examples
    --------
    >>> transliterate("Ø 12 × 30°, café, 5 µm, −0.5, 1½ in"), transliterate("Ørsted 測")
    ('dia 12 x 30 deg, cafe, 5 um, -0.5, 1 1/2 in', 'Orsted ?')
    """
    return encodable(text, "ascii")


def encodable(text: str, encoding: str) -> str:
    """Text with every character that an encoding lacks written as :func:`transliterate` writes it.

    Examples
    --------
    >>> encodable("é −1", "latin-1"), encodable("é −1", "utf-8")
    ('é -1', 'é −1')
    """
    if text.isascii() or _fits(text, encoding):
        return text
    if not _fits("Ø", encoding):
        text = _DIAMETER.sub("dia ", text)
    if not _fits("°", encoding):
        text = _DEGREES.sub(" deg", text)
    return "".join(c if c.isascii() or _fits(c, encoding) else _one(c) for c in text)


def _fits(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def _one(character: str) -> str:
    words = _WORDS.get(character)
    if words is not None:
        return words
    if unicodedata.combining(character):
        return ""
    parts = unicodedata.normalize("NFKD", character)
    kept = "".join(_WORDS.get(part, part) for part in parts if not unicodedata.combining(part))
    if kept and all(part.isascii() and (part.isalnum() or part in _HARMLESS) for part in kept):
        # One and a half must not become eleven halves.
        return f" {kept}" if "/" in kept else kept
    return "?"
