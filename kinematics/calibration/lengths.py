"""Lengths in sentences, written so that whoever shows another unit can find them."""

from __future__ import annotations

import re

__all__ = ["in_millimetres", "in_unit"]

_TIE = "\N{NO-BREAK SPACE}"
_LENGTH = re.compile(rf"(-?\d+(?:\.(\d+))?(?:e[-+]\d+)?){_TIE}mm")


def in_millimetres(length_mm: float, form: str = ".3g") -> str:
    r"""A length in a sentence: its number and "mm", tied by a no-break space.

    Nothing else in a sentence is tied so; names of targets come from files, whose blanks are plain.

    Examples
    --------
    >>> in_millimetres(0.31234)
    '0.312\xa0mm'
    """
    return f"{length_mm:{form}}{_TIE}mm"


def in_unit(words: str, unit: str, unit_mm: float) -> str:
    r"""A sentence with its lengths in another unit, to a decimal more, and with plain blanks.

    Parameters
    ----------
    words : str
        Sentences of this package.
    unit : str
        What the unit is called.
    unit_mm : float
        How many millimetres it is.

    Returns
    -------
    str

    Examples
    --------
    >>> in_unit(f"ball 2 lies {in_millimetres(0.31234)} off", "inch", 25.4)
    'ball 2 lies 0.0123 inch off'
    >>> in_unit(f"ball 2 lies {in_millimetres(0.31234)} off", "mm", 1.0)
    'ball 2 lies 0.312 mm off'
    """
    if unit_mm == 1.0:
        return words.replace(_TIE, " ")

    def turned(match: re.Match[str]) -> str:
        decimals = len(match[2] or "") + 1
        return f"{float(match[1]) / unit_mm:.{decimals}f} {unit}"

    return _LENGTH.sub(turned, words).replace(_TIE, " ")
