"""Damage to input files, aware of their grammar: what slips of the hand, spreadsheets and disks do, and what attackers do."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable

_PLAIN = (
    "0 -0.0 1 -1 0.5 .5 5. 1e308 -1e308 1e-320 1e400 nan -inf inf 1_000 0x1F 1,5 1/2 25.4 1e9 -1e9 1e-12 999999 90 180 360 "
    "-90 0.1 1e5 12000 -12000 3.0000000000000001 00 007 +7 --7 7- 7mm 7in 1e 2026-01-01 true"
)
NUMBERS = [
    *_PLAIN.split(" "),
    "9" * 400,
    "1." + "0" * 300 + "1",
    '"7"',
    '"-30d 15m"',
    '"1°75\'"',
    "[]",
    "{}",
    "[[1]]",
    '"6 pounds"',
]
NAMES = [
    "",
    " ",
    "A",
    "port 1",
    "(port)",
    "port) G0 X0 (",
    "M30 ; (x",
    "a\\nb",
    "a\\u001b[2Jb",
    "a\\u202eb",
    "a\\u0000b",
    "\\ud800",
    "<b>x</b>",
    "| a | b |",
    "$x$ #eval",
    "=1+1",
    "@cmd",
    "../../etc/passwd",
    "/etc/passwd",
    "/dev/zero",
    "ポート",
    "é" * 90,
    "x" * 5000,
    "%",
    "`a`",
    "clockwise",
    "inch",
    "base",
]
_NUMBER = re.compile(r"(?<![\w.\"])[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w\"])")
_STRING = re.compile(r'"[^"\n]*"')
_KEY = re.compile(r"^(\s*)([A-Za-z_]\w*)(\s*=)", re.MULTILINE)
_PIECES = [
    "[",
    "]",
    "{",
    "}",
    '"',
    "'",
    "=",
    ",",
    ";",
    "#",
    "\n",
    "\r",
    "\t",
    "\0",
    "\x1b[31m",
    "\u2212",
    "[[",
    "]]",
    "\ufeff",
]


def _at(
    text: str, found: list[re.Match[str]], rng: random.Random, new: Callable[[re.Match[str]], str]
) -> str:
    if not found:
        return text
    match = rng.choice(found)
    return text[: match.start()] + new(match) + text[match.end() :]


def _scaled(match: re.Match[str], rng: random.Random) -> str:
    try:
        value = float(match[0])
    except ValueError:
        return match[0]
    factor = rng.choice([10.0, 100.0, 0.1, 0.01, -1.0, 25.4, 1 / 25.4, 1000.0])
    return (
        repr(value * factor) if rng.random() < 0.7 else repr(value + rng.choice([360.0, -360.0, 90.0, 1e-9]))
    )


def number(text: str, rng: random.Random) -> str:
    return _at(text, list(_NUMBER.finditer(text)), rng, lambda _: rng.choice(NUMBERS))


def scale(text: str, rng: random.Random) -> str:
    return _at(text, list(_NUMBER.finditer(text)), rng, lambda match: _scaled(match, rng))


def name(text: str, rng: random.Random) -> str:
    return _at(text, list(_STRING.finditer(text)), rng, lambda _: f'"{rng.choice(NAMES)}"')


def key(text: str, rng: random.Random) -> str:
    def changed(match: re.Match[str]) -> str:
        word = match[2]
        place = rng.randrange(len(word))
        other = rng.choice(
            [word[:place] + word[place + 1 :], word + "s", word.upper(), word[:place] + "x" + word[place:]]
        )
        return match[1] + other + match[3]

    return _at(text, list(_KEY.finditer(text)), rng, changed)


def line(text: str, rng: random.Random) -> str:
    lines = text.split("\n")
    place, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    match rng.randrange(5):
        case 0:
            del lines[place]
        case 1:
            lines.insert(place, lines[place])
        case 2:
            lines[place], lines[other] = lines[other], lines[place]
        case 3:
            lines.insert(place, lines[other])
        case _:
            lines[place] += rng.choice(["", " "]) + lines[other]
    return "\n".join(lines)


def piece(text: str, rng: random.Random) -> str:
    place = rng.randrange(len(text) + 1)
    return text[:place] + rng.choice(_PIECES) + text[place + rng.randrange(2) :]


def cut(text: str, rng: random.Random) -> str:
    return text[: rng.randrange(len(text) + 1)]


def block(text: str, rng: random.Random) -> str:
    """Whole tables of a file doubled, dropped or moved."""
    tables = re.split(r"(?m)^(?=\[)", text)
    place = rng.randrange(len(tables))
    match rng.randrange(3):
        case 0:
            tables.insert(place, tables[place])
        case 1:
            tables.pop(place)
        case _:
            rng.shuffle(tables)
    return "".join(tables)


def word(text: str, rng: random.Random) -> str:
    """A brace, bracket, comment or unit as a beginner writes it."""
    old, new = rng.choice(
        [
            ("[[", "["),
            ("]]", "]"),
            ("#", ";"),
            (" = ", ": "),
            ("{ ", "{"),
            ('"', "'"),
            (".", ","),
            ('"mm"', '"inch"'),
            ("-", "\u2212"),
            ("[", "("),
        ]
    )
    return text.replace(old, new, rng.choice([1, -1]))


TOML = (number, number, scale, scale, name, key, line, line, piece, cut, block, word)
_CSV_CELLS = [
    "",
    "nan",
    "inf",
    "1e400",
    "-0",
    "1,5",
    '"',
    "=1+1",
    "ball\n2",
    "\x1b[2J",
    "9" * 50,
    "1.000,5",
    "- 3",
    "A",
]


def cell(text: str, rng: random.Random) -> str:
    rows = [row.split(",") for row in text.split("\n")]
    row = rng.choice(rows)
    place = rng.randrange(len(row))
    match rng.randrange(4):
        case 0:
            row[place] = rng.choice(_CSV_CELLS)
        case 1:
            row.pop(place)
        case 2:
            row.insert(place, rng.choice(_CSV_CELLS))
        case _:
            other = rng.choice(rows)
            row[place] = other[min(place, len(other) - 1)]
    return "\n".join(",".join(row) for row in rows)


def separator(text: str, rng: random.Random) -> str:
    return text.replace(",", rng.choice([";", "\t", ", ", " ", "|"]), rng.choice([3, -1]))


CSV = (cell, cell, scale, scale, number, line, piece, cut, separator)
LOG = (number, scale, line, piece, cut, word)


def json_value(text: str, rng: random.Random) -> str:
    """One value of one record of a log in JSON Lines replaced."""
    lines = text.split("\n")
    place = rng.randrange(len(lines))
    try:
        record = json.loads(lines[place])
    except ValueError:
        return text
    if not isinstance(record, dict) or not record:
        return text
    holder, where = record, rng.choice(list(record))
    while isinstance(holder[where], dict | list) and holder[where] and rng.random() < 0.8:
        holder = holder[where]
        where = rng.choice(list(holder)) if isinstance(holder, dict) else rng.randrange(len(holder))
    if rng.random() < 0.2 and isinstance(holder, dict):
        del holder[where]
    else:
        holder[where] = rng.choice(
            [None, True, 0, -1, 1e300, "", "A", "\x1b[2J", [], {}, [1, 2, 3], 10**30, -203412.0]
        )
    lines[place] = json.dumps(record)
    return "\n".join(lines) + "\n"


JSONL = (json_value, json_value, json_value, number, scale, line, piece, cut)


def damaged(raw: bytes, kind: str, rng: random.Random) -> bytes:
    """A file's bytes with one to four damages, most of them in its own grammar, some in bytes."""
    ways = {"toml": TOML, "csv": CSV, "log": LOG, "jsonl": JSONL}.get(kind)
    data = raw
    for _ in range(rng.choice([1, 1, 1, 2, 2, 4])):
        if ways is None or rng.random() < 0.08:
            data = _bytes(data, rng)
        else:
            text = rng.choice(ways)(data.decode("utf-8", "surrogateescape"), rng)
            data = text.encode("utf-8", "surrogateescape")
    return data


def _bytes(data: bytes, rng: random.Random) -> bytes:
    if not data:
        return bytes([rng.randrange(256)])
    place = rng.randrange(len(data))
    match rng.randrange(5):
        case 0:
            return data[:place] + bytes([rng.randrange(256)]) + data[place + 1 :]
        case 1:
            return data[:place]
        case 2:
            return data[:place] + data[place + rng.randrange(1, 40) :]
        case 3:
            return data[:place] + bytes(rng.randrange(256) for _ in range(rng.randrange(1, 8))) + data[place:]
        case _:
            return data.decode("utf-8", "replace").encode(
                rng.choice(["utf-16", "utf-8-sig", "cp1252", "utf-32"]), "replace"
            )


def typed(words: str, rng: random.Random) -> str:
    """A command line with one or two of its values mistyped."""
    parts = words.split(" ")
    values = [
        place for place, part in enumerate(parts) if re.search(r"[\d:=]", part) and "." not in part[-6:-2]
    ]
    for _ in range(rng.choice([1, 1, 2])):
        place = rng.choice(values or [len(parts) - 1])
        way = rng.choice([number, number, scale, piece, cut])
        parts[place] = re.sub(r"[\s\0]+", "", way(parts[place], rng)) or '""'
    return " ".join(parts)
