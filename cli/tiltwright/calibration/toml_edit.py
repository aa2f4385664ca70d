"""New lines in a machine file's text: the values change, comments, order and everything else stay."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.items import AoT, Array, InlineTable, Item, Key, SingleKey, Table

__all__ = ["Line", "lines_in", "platter_in", "with_lines"]

Line = dict[str, Any]
"""Entries of one rotary's line in a machine file: "point", and "along" or "direction"."""

_KEYS = ("point", "along", "direction")
_PLATTER_KEYS = ("face", "normal")


def lines_in(data: Mapping[str, Any]) -> dict[str, Line]:
    """Every rotary's line, by its letter, from a machine file's data."""
    return {
        str(rotary["letter"]): {key: rotary[key] for key in _KEYS if key in rotary}
        for rotary in data["rotary"]
    }


def platter_in(data: Mapping[str, Any]) -> dict[str, Any]:
    """The platter's face and normal, as far as a machine file's data has them."""
    platter = data.get("platter", {})
    return {key: platter[key] for key in _PLATTER_KEYS if key in platter}


def with_lines(text: str, lines: Mapping[str, Line], platter: Mapping[str, Any] | None = None) -> str:
    r"""A machine file's text with other lines in it, and with another face and normal of the platter where stated.

    A line that had ``along`` and gets a ``direction`` has it in the same place, its comment beside it.

    Raises
    ------
    ValueError
        When the text does not come out as it should: nothing but these values may change.

    Examples
    --------
    >>> text = '[[rotary]]\nletter = "C"\nalong = "+Z"  # nominal\npoint = [1, 2, 3]\n'
    >>> print(with_lines(text, {"C": {"direction": [0.0, 0.0001, 1.0], "point": [1.5, 2, 3]}}), end="")
    [[rotary]]
    letter = "C"
    direction = [0.0, 0.0001, 1.0]  # nominal
    point = [1.5, 2, 3]
    """
    document = tomlkit.parse(text)
    rotaries = document["rotary"]
    assert isinstance(rotaries, AoT | Array)
    for rotary in rotaries:
        assert isinstance(rotary, Table | InlineTable)
        line = lines.get(str(rotary["letter"]))
        if line is not None:
            _change(rotary.value, line)
    if platter is not None:
        found = document.get("platter")
        if not isinstance(found, Table | InlineTable):
            raise ValueError("a machine file without a [platter] table")
        _change_platter(found.value, platter)
    changed = tomlkit.dumps(document)
    _hold_against(text, changed, lines, platter)
    return changed


def _change(table: Container, line: Line) -> None:
    """Put a line's values in the places of the old ones."""
    old = table.unwrap()
    way = "along" if "along" in line else "direction"
    column = next(
        (len(key.as_string()) for key, _ in table.body if key is not None and key.key == "point"), 0
    )
    for place, (key, item) in enumerate(table.body):
        if key is None or key.key not in _KEYS:
            continue
        name = "point" if key.key == "point" else way
        if old[key.key] == line[name] and name == key.key:
            continue
        # The key is replaced with its value: an `along` becomes a `direction` where it stands.
        renamed = key if name == key.key else _renamed(key, name, column)
        table.body[place] = (renamed, _like(item, line[name]))


def _change_platter(table: Container, platter: Mapping[str, Any]) -> None:
    """Put face and normal in their places, or behind each other; a normal that is no longer stated goes."""
    for name in _PLATTER_KEYS:
        places = {key.key: place for place, (key, _) in enumerate(table.body) if key is not None}
        if name in places and name in platter:
            key, item = table.body[places[name]]
            if item.unwrap() != platter[name]:
                table.body[places[name]] = (key, _like(item, platter[name]))
        elif name in places:
            del table.body[places[name]]
        elif name in platter:
            item = _plain_item(platter[name])
            item.trivia.trail = "\n"
            table.body.insert(places.get("face", -1) + 1, (SingleKey(name), item))


def _renamed(key: Key, name: str, column: int) -> Key:
    """Another key in a key's place, its sign of equality below that of `point` where there is room."""
    old = key.as_string()
    blanks = len(old) - len(old.rstrip())
    original = name.ljust(column) if blanks and len(name) < column else name + " " * min(blanks, 1)
    return SingleKey(name, sep=key.sep, original=original)


def _plain_item(value: str | float | Sequence[float]) -> Item:
    """A value as TOML, its numbers without exponents."""
    if isinstance(value, str):
        return tomlkit.item(value)
    if isinstance(value, int | float):
        return tomlkit.value(_plain(value))
    return tomlkit.value(f"[{', '.join(map(_plain, value))}]")


def _like(old: Item, value: str | float | Sequence[float]) -> Item:
    """A value with the blanks and the comments of the one it replaces."""
    if (
        isinstance(old, Array)
        and isinstance(value, Sequence)
        and not isinstance(value, str)
        and len(old) == len(value)
    ):
        for place, number in enumerate(value):
            if old[place] != number:
                old[place] = tomlkit.value(_plain(number))
        return old
    new = _plain_item(value)
    new.trivia.indent, new.trivia.comment_ws = old.trivia.indent, old.trivia.comment_ws
    new.trivia.comment, new.trivia.trail = old.trivia.comment, old.trivia.trail
    return new


def _plain(number: float) -> str:
    """A number without an exponent, where that says the same: it is easier compared with its neighbours."""
    text = repr(number)
    if "e" not in text:
        return text
    plain = f"{number:.15f}".rstrip("0")
    plain += "0" if plain.endswith(".") else ""
    return plain if float(plain) == number else text


def _hold_against(
    text: str, changed: str, lines: Mapping[str, Line], platter: Mapping[str, Any] | None
) -> None:
    """Refuse a text that says anything but the old data with the new lines."""
    wanted = tomllib.loads(text)
    for rotary in wanted["rotary"]:
        line = lines.get(rotary["letter"])
        if line is not None:
            for key in _KEYS:
                rotary.pop(key, None)
            rotary.update(line)
    if platter is not None:
        for key in _PLATTER_KEYS:
            wanted["platter"].pop(key, None)
        wanted["platter"].update(platter)
    if tomllib.loads(changed) != wanted:
        raise ValueError("the machine file's text did not take the new lines; nothing was written")
