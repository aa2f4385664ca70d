"""Steps of a worked calculation: rule in words, formula, numbers, result and its frame.

A calculation keeps its numbers apart from its text, so that one working can be written in millimetres or inches
and to as many digits as the reader wants, and so that what is written can be worked again and compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.validation import ValueEquality, as_instance, read_only

__all__ = ["Calculation", "Digits", "Kind", "Number", "WorkedStep", "written", "written_number"]

Kind = Literal["length", "angle", "ratio"]

_SHOWN_FROM = 9
"""Decimals that a number is taken to before it is rounded for show."""


@dataclass(frozen=True)
class Number(DeclaredFields):
    """A number of a calculation: millimetres, degrees, or a pure ratio (a sine, an entry of a matrix)."""

    value: float
    kind: Kind = "length"


@dataclass(frozen=True)
class Calculation(DeclaredFields):
    """One written calculation, ``name = text with its numbers = result``.

    Attributes
    ----------
    name : str
        Name of the result: "X", "turn of C".
    text : str
        With ``{}`` where each of the numbers goes.
    numbers : tuple of Number
    result : Number

    Raises
    ------
    KinematicsError
        When the text does not have one place for each number.
    """

    name: str
    text: str
    numbers: tuple[Number, ...]
    result: Number

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.text.count("{}") != len(self.numbers):
            raise KinematicsError(
                f"calculation {self.name}: expected {self.text.count('{}')} numbers, found {len(self.numbers)}"
            )


@dataclass(frozen=True, eq=False)
class WorkedStep(ValueEquality, DeclaredFields):
    """One step of a working.

    Attributes
    ----------
    key : str
        Identifier of the step: "step 2", "origin", "C arm", "offset".
    rule : str
        The operation and its reason, in words.
    formula : str
        The same in symbols.
    calculations : tuple of Calculation
    frame : str
        Frame of the result: "table frame", "machine coordinates".
    matrix : ndarray, shape (3, 3), or None
        The rotation that this step writes down.
    """

    key: str
    rule: str
    formula: str
    calculations: tuple[Calculation, ...]
    frame: str
    matrix: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        if self.matrix is not None:
            object.__setattr__(self, "matrix", read_only(self.matrix))
        super().__post_init__()

    @property
    def result(self) -> NDArray[np.float64]:
        """Results of the calculations, one each; lengths in millimetres, angles in degrees."""
        return np.array([calculation.result.value for calculation in self.calculations])


@dataclass(frozen=True)
class Digits(DeclaredFields):
    """Unit and decimals that numbers are written with.

    Attributes
    ----------
    unit_mm : float
        Millimetres in the unit of length written.
    length, angle, ratio : int
        Decimals. Eight for a ratio keep a metre to a hundred-thousandth of a millimetre.
    """

    unit_mm: float = 1.0
    length: int = 4
    angle: int = 5
    ratio: int = 8


def written_number(number: Number, digits: Digits) -> str:
    """Text of a number: lengths to full width, angles and ratios without trailing zeros.

    Parameters
    ----------
    number : Number
        In mm, degrees or as a ratio, as its kind says.
    digits : Digits
        The unit to write lengths in and the decimals of each kind.

    Returns
    -------
    str
        Rounded, without a unit; never "-0".

    Examples
    --------
    >>> written_number(Number(-25.4), Digits(unit_mm=25.4, length=5))
    '-1.00000'
    >>> written_number(Number(-35.0, "angle"), Digits()), written_number(Number(0.5, "ratio"), Digits())
    ('-35', '0.5')
    >>> written_number(Number(-1e-12), Digits())
    '0.0000'

    A last digit 5 that would be rounded the wrong way for a sheet with one decimal less is written with more:

    >>> written_number(Number(12.345487), Digits()), written_number(Number(12.345512), Digits())
    ('12.34549', '12.3455')
    >>> written_number(5.0, Digits())
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: number: expected a Number, found 5.0
    """
    as_instance(number, Number, "number")
    as_instance(digits, Digits, "digits")
    # To the ninth decimal first: the last bits of a sum never decide a tie at the last digit written.
    value = round(number.value, _SHOWN_FROM)
    if number.kind == "length":
        text = _rounded(round(value / digits.unit_mm, _SHOWN_FROM), digits.length)
    else:
        angle = number.kind == "angle"
        text = _rounded(value, digits.angle) if angle else f"{value:.{digits.ratio}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.lstrip("-") if float(text) == 0.0 else text


def _rounded(value: float, decimals: int) -> str:
    """The value to so many decimals, or to more where its last one is a 5 that was rounded up to.

    Who rounds that once more for the sheet gets 12.346 from 12.3455 where 12.34549 gives 12.345.
    """
    text = tie = f"{value:.{decimals}f}"
    if tie.endswith("5") and abs(value) < abs(float(tie)):
        while float(text) == float(tie) and decimals < _SHOWN_FROM:
            decimals += 1
            text = f"{value:.{decimals}f}"
    return text


def written(calculation: Calculation, digits: Digits) -> str:
    """Text of a calculation with its numbers in place and its result, as a teacher writes it on the board.

    A negative number stands in brackets unless it opens the calculation. A calculation that is nothing but its
    result is written once.

    Parameters
    ----------
    calculation : Calculation
    digits : Digits
        Unit and decimals of its numbers.

    Returns
    -------
    str

    Examples
    --------
    >>> arm = Calculation("y", "{} - {}", (Number(-3.0), Number(-12.5)), Number(9.5))
    >>> written(arm, Digits())
    'y = -3.0000 - (-12.5000) = 9.5000'
    >>> written(5.0, Digits())
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: calculation: expected a Calculation, found 5.0
    """
    as_instance(calculation, Calculation, "calculation")
    as_instance(digits, Digits, "digits")
    result = written_number(calculation.result, digits)
    if calculation.text == "{}":
        return f"{calculation.name} = {result}"
    pieces = calculation.text.split("{}")
    text = pieces[0]
    for number, after in zip(calculation.numbers, pieces[1:], strict=True):
        value = written_number(number, digits)
        text += f"({value})" if value.startswith("-") and text else value
        text += after
    return f"{calculation.name} = {text} = {result}"


def added(
    names: Iterable[str],
    start_mm: NDArray[np.float64],
    more_mm: NDArray[np.float64],
    total_mm: NDArray[np.float64],
    sign: Literal["+", "-"] = "+",
) -> tuple[Calculation, ...]:
    """Componentwise sum: start and more make total."""
    return tuple(
        Calculation(name, "{} " + sign + " {}", (Number(a), Number(b)), Number(c))
        for name, a, b, c in zip(names, start_mm.tolist(), more_mm.tolist(), total_mm.tolist(), strict=True)
    )


def multiplied(
    names: Iterable[str],
    matrix: NDArray[np.float64],
    vector_mm: NDArray[np.float64],
    total_mm: NDArray[np.float64],
    start_mm: NDArray[np.float64] | None = None,
    kind: Kind = "length",
) -> tuple[Calculation, ...]:
    """A matrix times a vector, row by row; terms with factor 0 are left out, those with factor 1 written bare."""
    calculations = []
    for i, name in enumerate(names):
        text, numbers = [], []
        if start_mm is not None:
            text.append("{}")
            numbers.append(Number(float(start_mm[i])))
        for factor, value in zip(matrix[i].tolist(), vector_mm.tolist(), strict=True):
            if factor == 0.0:
                continue
            text.append("{}" if factor == 1.0 else "{} × {}")
            numbers += [] if factor == 1.0 else [Number(factor, "ratio")]
            numbers.append(Number(value, kind))
        result = Number(float(total_mm[i]), kind)
        calculations.append(Calculation(name, " + ".join(text), tuple(numbers), result))
    return tuple(calculations)
