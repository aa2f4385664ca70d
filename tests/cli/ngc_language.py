"""Lines of RS274/NGC as NISTIR 6556 (version 3, 17 August 2000) reads them: words, parameters, expressions, errors.

Section 3.3 (a line's form, 256 characters), 3.3.2.1 (numbers), 3.3.2.2 (parameters), 3.3.2.3 (expressions: powers first,
then multiplication, division and modulus, then the rest, left to right), 3.3.2.4 (unary operations in degrees), 3.3.3
(a setting acts after every value on its line is read), 3.3.4 (comments and messages), 3.3.5 (no word twice, no two codes of
a modal group). What the report does not allow is an error, and an error ends the program.
"""

import math
import re
from dataclasses import dataclass
from functools import lru_cache

LONGEST = 256
LAST_PARAMETER = 5399
LETTERS = frozenset("ABCDFGHIJKLMNPQRSTXYZ")

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
UNARY = ("ABS", "ACOS", "ASIN", "ATAN", "COS", "EXP", "FIX", "FUP", "LN", "ROUND", "SIN", "SQRT", "TAN")
POWERS, PRODUCTS, SUMS = ("**",), ("*", "/", "MOD"), ("+", "-", "OR", "XOR", "AND")


class NgcError(Exception):
    """An error of the language: the program ends there."""


class Unset(AssertionError):
    """A parameter that no line has set. The report has it at 0; a program that relies on that is one to be looked at."""


@dataclass(frozen=True)
class Line:
    """Words and settings with the trees of their values, and the message shown."""

    words: tuple
    settings: tuple
    message: str | None


@lru_cache(maxsize=100_000)
def parsed(text):
    """A line's words, settings and message, without values."""
    if len(text) > LONGEST:
        raise NgcError(f"a line of {len(text)} characters: {text[:40]}")
    bare, message = _without_comments(text)
    reader = _Reader(re.sub(r"[ \t]", "", bare).upper())
    if reader.rest.startswith("/"):
        reader.take("/")
    if reader.rest.startswith("N"):
        number = re.match(r"N\d{1,5}(?!\d)", reader.rest)
        if not number:
            raise NgcError(f"a line number: {text}")
        reader.take(number[0])
    words, settings = [], []
    while reader.rest:
        if reader.rest[0] == "#":
            reader.take("#")
            number = reader.value()
            reader.take("=")
            settings.append((number, reader.value()))
            continue
        letter = reader.rest[0]
        if letter not in LETTERS or letter == "N":
            raise NgcError(f"a letter that is no word: {text}")
        reader.take(letter)
        words.append((letter, reader.value()))
    for letter in {letter for letter, _ in words} - {"G", "M"}:
        if sum(one == letter for one, _ in words) > 1:
            raise NgcError(f"{letter} twice: {text}")
    return Line(tuple(words), tuple(settings), message)


def _without_comments(text):
    """The line without comments, and the message of the last one (section 3.3.5: only the last counts)."""
    if re.search(r"\([^)]*\(", text) or text.count("(") != text.count(")") or re.search(r"^[^(]*\)", text):
        raise NgcError(f"a comment that is open, or in another: {text}")
    comments = re.findall(r"\(([^()]*)\)", text)
    message = None
    if comments and re.sub(r"\s", "", comments[-1]).upper().startswith("MSG,"):
        message = comments[-1].split(",", 1)[1].strip()
    return re.sub(r"\([^()]*\)", "", text), message


class _Reader:
    """Values from the left of a text."""

    def __init__(self, text):
        self.whole = self.rest = text

    def take(self, token):
        if not self.rest.startswith(token):
            raise NgcError(f"expected {token}: {self.whole}")
        self.rest = self.rest[len(token) :]

    def value(self):
        """A real value: a number, a parameter, an expression or a unary operation (appendix E)."""
        number = NUMBER.match(self.rest)
        if number:
            self.take(number[0])
            return ("number", float(number[0]))
        if self.rest.startswith("#"):
            self.take("#")
            return ("parameter", self.value())
        if self.rest.startswith("["):
            return self.expression()
        for name in UNARY:
            if self.rest.startswith(f"{name}["):
                self.take(name)
                inside = self.expression()
                if name != "ATAN":
                    return ("unary", name, inside)
                self.take("/")
                return ("atan", inside, self.expression())
        raise NgcError(f"no value: {self.whole}")

    def expression(self):
        self.take("[")
        values, operations = [self.value()], []
        while not self.rest.startswith("]"):
            found = next((one for one in (*POWERS, *PRODUCTS, *SUMS) if self.rest.startswith(one)), None)
            if found is None:
                raise NgcError(f"no operation: {self.whole}")
            self.take(found)
            operations.append(found)
            values.append(self.value())
        self.take("]")
        for level in (POWERS, PRODUCTS, SUMS):
            values, operations = _folded(values, operations, level)
        return values[0]


def _folded(values, operations, level):
    """The operations of one level worked into trees, left to right."""
    done, left = [values[0]], []
    for operation, value in zip(operations, values[1:], strict=True):
        if operation in level:
            done[-1] = ("binary", operation, done[-1], value)
        else:
            left.append(operation)
            done.append(value)
    return done, left


def evaluate(tree, parameters):
    """The value of a tree."""
    kind = tree[0]
    if kind == "number":
        return tree[1]
    if kind == "parameter":
        number = parameter_number(evaluate(tree[1], parameters))
        if number not in parameters:
            raise Unset(f"#{number} was never set")
        return parameters[number]
    if kind == "unary":
        return _unary(tree[1], evaluate(tree[2], parameters))
    if kind == "atan":
        return math.degrees(math.atan2(evaluate(tree[1], parameters), evaluate(tree[2], parameters)))
    return _binary(tree[1], evaluate(tree[2], parameters), evaluate(tree[3], parameters))


def parameter_number(value):
    number = round(value)
    if abs(number - value) > 1e-4 or not 1 <= number <= LAST_PARAMETER:
        raise NgcError(f"parameter {value}")
    return number


def _unary(name, value):
    if name == "SQRT" and value < 0.0:
        raise NgcError("negative argument to sqrt")
    if name == "LN" and value <= 0.0:
        raise NgcError("zero or negative argument to ln")
    if name in {"ACOS", "ASIN"} and not -1.0 <= value <= 1.0:
        raise NgcError(f"argument to {name.lower()} out of range")
    return float(
        {
            "ABS": abs,
            "ACOS": lambda v: math.degrees(math.acos(v)),
            "ASIN": lambda v: math.degrees(math.asin(v)),
            "COS": lambda v: math.cos(math.radians(v)),
            "EXP": math.exp,
            "FIX": math.floor,
            "FUP": math.ceil,
            "LN": math.log,
            "ROUND": lambda v: math.floor(v + 0.5) if v >= 0.0 else -math.floor(-v + 0.5),
            "SIN": lambda v: math.sin(math.radians(v)),
            "SQRT": math.sqrt,
            "TAN": lambda v: math.tan(math.radians(v)),
        }[name](value)
    )


def _binary(operation, a, b):
    if operation == "**":
        if a < 0.0 and b != round(b):
            raise NgcError("negative value raised to a power that is no whole number")
        return a**b
    if operation in {"/", "MOD"} and b == 0.0:
        raise NgcError("division by zero")
    if operation == "MOD":
        return a - b * math.floor(a / b) if b > 0.0 else math.fmod(a, b)
    return {
        "*": lambda: a * b,
        "/": lambda: a / b,
        "+": lambda: a + b,
        "-": lambda: a - b,
        "AND": lambda: float(bool(a) and bool(b)),
        "OR": lambda: float(bool(a) or bool(b)),
        "XOR": lambda: float(bool(a) != bool(b)),
    }[operation]()
