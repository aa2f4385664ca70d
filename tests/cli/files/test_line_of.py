"""Lines of keys: against hand-counted ones, and in generated files whose lines are known."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tiltwright.files.decoding import line_of
from tiltwright.files.diagnostics import KeyPath

TEXT = """\
# line 1
name = "mill"
a.b."c d" = { x = 1, "y z" = [1,
  2] }
[travel] # line 5
x = [
  # a remark
  0,
  [1, 2],
]
[[rotary]]
letter = "A"
[rotary.extra]
q = 'lit'
[[rotary]]
"letter" = "C"
'limits' = [0, 1]
[[rotary.part]]
n = 1
[[rotary.part]]
n = \"\"\"
two lines
\"\"\"
m = 2
[x . "y z".'w']
"q\\u0041" = 1
1 = 2
"" = 3
"""


def test_the_text_is_sound_toml() -> None:
    assert set(tomllib.loads(TEXT)) == {"name", "a", "travel", "rotary", "x"}


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ((), 1),
        (("name",), 2),
        (("a",), 3),
        (("a", "b", "c d", "x"), 3),
        (("a", "b", "c d", "y z", 0), 3),
        (("a", "b", "c d", "y z", 1), 4),
        (("travel",), 5),
        (("travel", "x"), 6),
        (("travel", "x", 0), 8),
        (("travel", "x", 1), 9),
        (("travel", "x", 1, 1), 9),
        (("travel", "missing"), 5),
        (("rotary",), 11),
        (("rotary", 0), 11),
        (("rotary", 0, "letter"), 12),
        (("rotary", 0, "limits"), 11),
        (("rotary", 0, "extra"), 13),
        (("rotary", 0, "extra", "q"), 14),
        (("rotary", 1), 15),
        (("rotary", 1, "letter"), 16),
        (("rotary", 1, "limits", 1), 17),
        (("rotary", 1, "part", 0, "n"), 19),
        (("rotary", 1, "part", 1), 20),
        (("rotary", 1, "part", 1, "n"), 21),
        (("rotary", 1, "part", 1, "m"), 24),
        (("rotary", 2, "letter"), 11),
        (("x", "y z", "w"), 25),
        (("x", "y z", "w", "qA"), 26),
        (("x", "y z", "w", "1"), 27),
        (("x", "y z", "w", ""), 28),
        (("missing", "below"), 1),
    ],
)
def test_hand_counted(path: KeyPath, line: int) -> None:
    assert line_of(TEXT, path) == line


def test_no_line_end_at_the_end() -> None:
    assert line_of("a = 1\nb = 2", ("b",)) == 2


def test_remarks_and_text_in_other_scripts_shift_nothing() -> None:
    assert line_of('# µ “°” \U0001f527\nname = "Fräse µ"\n\nb = 2', ("b",)) == 4


KEYS = st.text(st.characters(exclude_categories=["Cs"]), max_size=6)
SCALARS = st.one_of(st.booleans(), st.integers(-99, 99), KEYS)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


class Writer:
    """Writes TOML with every list spread over lines, and notes the line of every path on the way."""

    def __init__(self) -> None:
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def note(self, path: KeyPath) -> None:
        self.lines[path] = self.text.count("\n") + 1

    def key(self, key: str) -> None:
        bare = key.isascii() and key.isalnum()
        self.text += f"{key if bare else quoted(key)} = "

    def value(self, value: object, path: KeyPath) -> None:
        if isinstance(value, dict):
            self.text += "{"
            for place, (key, inner) in enumerate(value.items()):
                self.text += ", " if place else " "
                self.note((*path, key))
                self.key(key)
                self.value(inner, (*path, key))
            self.text += "}"
        elif isinstance(value, list):
            self.text += "[  # a list\n"
            for place, inner in enumerate(value):
                self.note((*path, place))
                self.value(inner, (*path, place))
                self.text += ",\n"
            self.text += "]"
        elif isinstance(value, str):
            self.text += quoted(value)
        else:
            self.text += str(value).lower()


def quoted(text: str) -> str:
    return '"' + "".join(c if c.isascii() and c.isalnum() else f"\\U{ord(c):08x}" for c in text) + '"'


@given(
    st.dictionaries(KEYS, VALUES, max_size=4), st.lists(st.dictionaries(KEYS, VALUES, max_size=3), max_size=3)
)
def test_every_path_of_a_generated_file_is_found(
    top: dict[str, object], tables: list[dict[str, object]]
) -> None:
    writer = Writer()
    for key, value in top.items():
        if key != "rotary":
            writer.note((key,))
            writer.key(key)
            writer.value(value, (key,))
            writer.text += "  # a remark\n\n"
    for place, table in enumerate(tables):
        writer.note(("rotary", place))
        writer.text += "[[rotary]]\n"
        for key, value in table.items():
            writer.note(("rotary", place, key))
            writer.key(key)
            writer.value(value, ("rotary", place, key))
            writer.text += "\n"
    assert tomllib.loads(writer.text).get("rotary", []) == tables
    assert {path: line_of(writer.text, path) for path in writer.lines} == writer.lines
