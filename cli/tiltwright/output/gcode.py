"""Text inside RS274/NGC programs (NISTIR 6556)."""

from __future__ import annotations

from tiltwright.output.ascii import transliterate

__all__ = ["comment"]

_LONGEST_LINE = 256


def comment(text: str) -> str:
    r"""A comment that no text can end early: no brackets inside, plain ASCII, within a line's 256 characters.

    RS274/NGC, section 3.3.4: a comment holds no ``(``, closes on its line, and ``(MSG,`` would be shown to the
    operator, so no text may begin like that.

    Examples
    --------
    >>> comment("port (north)\nG0 X0")
    '(port [north] G0 X0)'
    >>> comment("MSG, hello"), comment("Ø 12 at 30°, café")
    ('(: MSG, hello)', '(dia 12 at 30 deg, cafe)')
    """
    safe = (
        "".join(c if c.isprintable() else " " for c in transliterate(text))
        .replace("(", "[")
        .replace(")", "]")
    )
    if safe.replace(" ", "").lower().startswith("msg,"):
        safe = f": {safe}"
    return f"({safe[: _LONGEST_LINE - 2]})"
