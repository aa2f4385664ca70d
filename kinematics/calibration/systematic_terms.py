"""Errors that grow with something: of a rotary's own angle, and drifts of all readings with their order or temperature.

A rotary's own angle: once and twice a turn, as eccentric rings and worms give them, and by a factor.

Commanded to q, counted from the all-zero pose, the rotary stands at q plus::

    c1 (cos q - 1) + s1 sin q + c2 (cos 2q - 1) + s2 sin 2q + f q

An error that is the same at every angle changes no reading, since lines and targets turn along; so the error is
taken as none at the all-zero pose, where the lines are given.

A drift moves every reading along X, Y and Z, none at the first one (or the coldest) and all of it at the last (or the
warmest): lines that are adjusted along with it are those of the first (the coldest) reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.readings import Readings
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import ValueEquality, shown

__all__ = [
    "COMPONENTS",
    "TERMS",
    "AngleCurve",
    "AngleError",
    "AngleTerms",
    "Drift",
    "DriftFit",
    "angle_functions",
    "angle_terms",
    "chosen_courses",
    "drift_courses",
]

COMPONENTS = {"once a turn": (0, 1), "twice a turn": (2, 3), "by a factor": (4,)}
"""The kinds of error, and which of `angle_functions` belong to each."""
TERMS = 5
"""Number of `angle_functions`."""


def angle_functions(angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """The five functions of the module's head at angles (...) from the all-zero pose, shape (..., 5); radians per coefficient.

    Examples
    --------
    >>> angle_functions(np.array([0.0, 180.0])).round(6).tolist()
    [[0.0, 0.0, 0.0, 0.0, 0.0], [-2.0, 0.0, 0.0, -0.0, 3.141593]]
    """
    q = np.radians(angle_deg)
    return np.stack([np.cos(q) - 1.0, np.sin(q), np.cos(2.0 * q) - 1.0, np.sin(2.0 * q), q], axis=-1)


@dataclass(frozen=True, eq=False)
class AngleTerms:
    """Terms of the angles' errors at all readings, in the problem's order.

    Attributes
    ----------
    rotary : ndarray of int, shape (k,)
        Which rotary each term belongs to; five in a row for each.
    functions : ndarray, shape (N, k)
        Right-handed turn of the table in radians for each coefficient.
    """

    rotary: NDArray[np.int64]
    functions: NDArray[np.float64]

    @property
    def count(self) -> int:
        """Number of terms."""
        return len(self.rotary)

    def turn_errors(self, coefficients: NDArray[np.float64], rotaries: int) -> NDArray[np.float64]:
        """Further right-handed turns (N, n) in radians for coefficients (k,)."""
        turns = np.zeros((len(self.functions), rotaries))
        for term in range(self.count):
            turns[:, self.rotary[term]] += coefficients[term] * self.functions[:, term]
        return turns

    def columns(self, by_turn: NDArray[np.float64]) -> NDArray[np.float64]:
        """Derivatives (N, 3, k) by the coefficients, from those by the turns (N, n, 3)."""
        return np.swapaxes(by_turn[:, self.rotary] * self.functions[..., None], 1, 2)


def angle_terms(machine: Machine, angles_deg: NDArray[np.float64], letters: Sequence[str]) -> AngleTerms:
    """The terms of some rotaries' errors at machine angles (N, n).

    Raises
    ------
    KinematicsError
        When a letter is none of the machine's, or stands there twice.
    """
    if isinstance(letters, str):
        letters = tuple(letters)
    chosen = [machine.index(letter) for letter in letters]
    if len(set(chosen)) < len(chosen):
        raise KinematicsError(f"angle errors: expected each rotary once, found {shown(tuple(letters))}")
    functions = []
    for i in chosen:
        rotary = machine.rotaries[i]
        sign = rotary.positive_turn.sign
        functions.append(sign * angle_functions(sign * rotary.turn_deg(angles_deg[:, i])))
    return AngleTerms(
        np.repeat(np.array(chosen, dtype=np.int64), TERMS),
        np.concatenate([np.zeros((len(angles_deg), 0)), *functions], axis=1),
    )


def drift_courses(readings: Readings) -> dict[str, NDArray[np.float64]]:
    """Courses that a drift may follow, from 0 to 1, shape (N,) in the readings' order: "order", and "temperature" where it was logged."""
    n = len(readings)
    courses = {"order": np.arange(n) / max(n - 1, 1)}
    warmth = readings.temperature_c
    if warmth is not None and float(np.ptp(warmth)) > 0.0:
        courses["temperature"] = (warmth - warmth.min()) / float(np.ptp(warmth))
    return courses


def chosen_courses(readings: Readings, drifts: Sequence[str]) -> NDArray[np.float64]:
    """The courses (N, m) of the drifts that are adjusted along.

    Raises
    ------
    KinematicsError
        When one is neither "order" nor "temperature", stands there twice, or no temperatures that differ were logged.
    """
    names = (drifts,) if isinstance(drifts, str) else tuple(drifts)
    courses = drift_courses(readings)
    for name in names:
        if name not in {"order", "temperature"} or names.count(name) > 1:
            raise KinematicsError(f"drifts: expected order, temperature or both, found {shown(names)}")
        if name not in courses:
            raise KinematicsError(
                "drifts: expected readings with temperatures that differ, found none; log the temperature with each reading"
            )
    return np.stack([courses[name] for name in names], axis=-1) if names else np.zeros((len(readings), 0))


@dataclass(frozen=True)
class AngleError(DeclaredFields):
    """Test of one component of the error of a rotary's own angle: turned minus commanded.

    Attributes
    ----------
    letter : str
    component : str
        "once a turn", "twice a turn" or "by a factor".
    significant : bool
    p_value : float
        Probability that scatter alone shows so much in any of the components of any rotary (Bonferroni).
    detectable_arcsec : float or None
        Size that these readings would show in 99 of 100 cases: the amplitude, or by a factor the error over the
        range that was read. None where they do not show it at all.
    size_arcsec, u_arcsec : float or None
        The same size as estimated, with its standard uncertainty; None where not significant.
    largest_at_deg : float or None
        Machine angle at which an error once or twice a turn is largest in the positive sense.
    factor : float or None
        Degrees turned for each degree that the machine says.
    """

    letter: str
    component: str
    significant: bool
    p_value: float
    detectable_arcsec: float | None = None
    size_arcsec: float | None = None
    u_arcsec: float | None = None
    largest_at_deg: float | None = None
    factor: float | None = None


@dataclass(frozen=True)
class Drift(DeclaredFields):
    """Test for a slow drift of all readings, in the order in which they were taken or with the temperature.

    Attributes
    ----------
    by : str
        "order" or "temperature".
    significant : bool
    p_value : float
        Probability that scatter alone shows so much (Bonferroni).
    detectable_mm : float or None
        Length that these readings would show in 99 of 100 cases whatever its direction; None where they do not show
        it at all.
    shift_mm : tuple of (float, float, float), or None
        Of the readings along X, Y and Z from the first to the last, or from the coldest to the warmest.
    size_mm, u_mm : float or None
        Its length and its standard uncertainty along itself; None where not significant.
    """

    by: str
    significant: bool
    p_value: float
    detectable_mm: float | None = None
    shift_mm: tuple[float, float, float] | None = None
    size_mm: float | None = None
    u_mm: float | None = None


@dataclass(frozen=True, eq=False)
class DriftFit(ValueEquality, DeclaredFields):
    """Drift of all readings as it was adjusted along with the lines.

    Attributes
    ----------
    by : str
        "order" or "temperature".
    shift_mm : ndarray, shape (3,)
        Of the readings along X, Y and Z, from the first to the last, or from the coldest to the warmest; 0 where not
        determined. The fitted lines are those of the first (the coldest) reading.
    covariance : ndarray, shape (3, 3), or None
        None where there is no estimate of the scatter.
    estimable : bool
        Whether these readings determine all three.
    """

    by: str
    shift_mm: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    estimable: bool

    @property
    def size_mm(self) -> float:
        """Length of the shift."""
        return float(np.linalg.norm(self.shift_mm))

    @property
    def u_mm(self) -> float | None:
        """Standard uncertainty of that length; None where there is no estimate of the scatter."""
        if self.covariance is None:
            return None
        way = self.shift_mm / self.size_mm if self.size_mm > 0.0 else np.eye(3)[0]
        return float(np.sqrt(max(way @ self.covariance @ way, 0.0)))


@dataclass(frozen=True, eq=False)
class AngleCurve(ValueEquality, DeclaredFields):
    """Error of a rotary's own angle as it was adjusted along with the lines.

    Attributes
    ----------
    letter : str
    coefficients : ndarray, shape (5,)
        c1, s1, c2, s2 and f of `kinematics.calibration.systematic_terms`, in radians (f without unit); 0 where not determined.
    covariance : ndarray, shape (5, 5), or None
        None where there is no estimate of the scatter.
    estimable : bool
        Whether these poses determine all five.
    largest_arcsec, u_arcsec : float or None
        The largest error among the angles that were read, and its standard uncertainty.
    largest_at_deg : float
        Machine angle of that one.
    """

    letter: str
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    estimable: bool
    largest_arcsec: float
    u_arcsec: float | None
    largest_at_deg: float
