"""Text inside RS274/NGC programs (NISTIR 6556), and the words that say what a control must have to run one."""

from __future__ import annotations

import re
from collections.abc import Sequence

from kinematics import work_offset_code
from tiltwright.output.ascii import transliterate

__all__ = ["LANGUAGE", "LONGEST_LINE", "PLAIN_WORK_OFFSETS", "comment", "message", "needs_of"]

LANGUAGE = "RS274/NGC (NISTIR 6556)"

PLAIN_WORK_OFFSETS = 6
"""Work offsets up to this number are G54 to G59; 7 to 9 are G59.1 to G59.3, which not every control has."""

LONGEST_LINE = 256
"""Characters (section 3.3)."""

# A control may ignore blanks and act on whatever word stands before a comma, as RS274/NGC does on "MSG,".
_WORD_AND_COMMA = re.compile(r"[A-Za-z_][\w.\-]*,", re.ASCII)


def comment(text: str) -> str:
    r"""A comment that no text can end early: no brackets inside, plain ASCII, within a line's 256 characters.

    RS274/NGC, section 3.3.4: a comment holds no ``(``, closes on its line, and ``(MSG,`` would be shown to the
    operator. Other controls act on other words, so no text may begin with a word and a comma, blanks or not.

    Examples
    --------
    >>> comment("port (north)\nG0 X0")
    '(port [north] G0 X0)'
    >>> comment("MSG, hello"), comment("print, #100"), comment("Ø 12 at 30°, café")
    ('(: MSG, hello)', '(: print, #100)', '(: dia 12 at 30 deg, cafe)')
    """
    safe = (
        "".join(c if c.isprintable() else " " for c in transliterate(text))
        .replace("(", "[")
        .replace(")", "]")
    )
    if _WORD_AND_COMMA.match(safe.replace(" ", "")):
        safe = f": {safe}"
    return f"({safe[: LONGEST_LINE - 2]})"


def message(text: str) -> str:
    """A comment that the control shows to whoever stands there (section 3.3.4); safe as `comment` is.

    Examples
    --------
    >>> message("nest left (2): probing")
    '(MSG, nest left [2]: probing)'
    """
    inside = comment(text)[1:-1]
    return f"(MSG, {inside[: LONGEST_LINE - 7]})"


def needs_of(highest: int, parameters: Sequence[tuple[int, int]] = ()) -> tuple[str, ...]:
    """Sentences on a program's language and on what a control must have to run it.

    Parameters
    ----------
    highest : int
        The highest work offset number that the program sets or selects, 1 to 9.
    parameters : sequence of (int, int), optional
        First and last of each run of numbered parameters that it uses.

    Examples
    --------
    >>> for words in needs_of(2): print(words)
    Language: RS274/NGC (NISTIR 6556)
    Highest work offset used: 2, G55
    >>> for words in needs_of(9, [(1, 6), (5061, 5066)]): print(words)
    Language: RS274/NGC (NISTIR 6556)
    Highest work offset used: 9, G59.3. A control that refuses it has no G59.1 to G59.3 and cannot run this program
    Numbered parameters used: 1 to 6 and 5061 to 5066. A control that refuses the # sign has none and cannot run this program
    """
    found = [f"Language: {LANGUAGE}", f"Highest work offset used: {highest}, {work_offset_code(highest)}"]
    if highest > PLAIN_WORK_OFFSETS:
        found[-1] += ". A control that refuses it has no G59.1 to G59.3 and cannot run this program"
    if parameters:
        *others, end = [f"{first} to {last}" for first, last in parameters]
        runs = f"{', '.join(others)} and {end}" if others else end
        found.append(
            f"Numbered parameters used: {runs}. A control that refuses the # sign has none and cannot run this program"
        )
    return tuple(found)
