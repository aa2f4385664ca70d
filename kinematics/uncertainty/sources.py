"""Uncertain quantities, and the sources of uncertainty that state how far each may be off.

A quantity is one number of the setup that may differ from its stated value: the height of a step, the shift of a line, the
angle of a rotary at one of its positions. A source is what is known about one or several of them: a covariance with its
degrees of freedom (JCGM 100:2008, the GUM), a distribution, and the value to expect where that is not zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_count,
    as_instance,
    as_instances,
    as_number,
    read_only,
)

__all__ = [
    "QUANTITY_UNITS",
    "Distribution",
    "QuantityKind",
    "Spread",
    "UncertainQuantity",
    "UncertaintySource",
    "draw_sources",
]

Distribution = Literal["normal", "rectangular"]
QuantityUnit = Literal["mm", "deg", "K"]

QuantityKind = Literal[
    "line shift",
    "line tilt",
    "platter face",
    "platter tilt",
    "rotary angle",
    "axis position",
    "step up",
    "step shift",
    "step turn",
    "step lean",
    "part up",
    "part shift",
    "part turn",
    "part lean",
    "touch-off",
    "tool length",
    "tool diameter",
    "temperature",
]

QUANTITY_UNITS: dict[QuantityKind, QuantityUnit] = {
    "line shift": "mm",
    "line tilt": "deg",
    "platter face": "mm",
    "platter tilt": "deg",
    "rotary angle": "deg",
    "axis position": "mm",
    "step up": "mm",
    "step shift": "mm",
    "step turn": "deg",
    "step lean": "deg",
    "part up": "mm",
    "part shift": "mm",
    "part turn": "deg",
    "part lean": "deg",
    "touch-off": "mm",
    "tool length": "mm",
    "tool diameter": "mm",
    "temperature": "K",
}
"""The unit of each kind of quantity."""


@dataclass(frozen=True)
class Spread(DeclaredFields):
    """Spread of a value: a standard uncertainty, and what it rests on.

    Attributes
    ----------
    u : float
        Standard uncertainty, in the unit of what it is of.
    distribution : "normal" or "rectangular"
    dof : float or None
        Degrees of freedom; None where the standard uncertainty itself is taken as known.

    Raises
    ------
    KinematicsError
        When the uncertainty is below zero or not finite, or there is less than one degree of freedom.

    Examples
    --------
    >>> round(Spread.within(0.01).u, 6)   # limits of 0.01 either way, rectangular: GUM 4.3.7
    0.005774
    >>> Spread.within(-0.01)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: limits: expected 0 or more, found -0.01
    """

    u: float
    distribution: Distribution = "normal"
    dof: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        u = as_number(self.u, "standard uncertainty")
        if u < 0.0:
            raise KinematicsError(f"standard uncertainty: expected 0 or more, found {u:g}")
        object.__setattr__(self, "u", u)
        object.__setattr__(self, "dof", _checked_dof(self.dof))

    @classmethod
    def within(cls, half_width: float) -> Spread:
        """Limits that the value lies within, every value between them as likely as any other."""
        width = as_number(half_width, "limits")
        if width < 0.0:
            raise KinematicsError(f"limits: expected 0 or more, found {width:g}")
        return cls(width / np.sqrt(3.0), "rectangular")


@dataclass(frozen=True)
class UncertainQuantity(DeclaredFields):
    """One number of the setup that may differ from its stated value.

    Attributes
    ----------
    kind : str
        One of `QUANTITY_UNITS`.
    owner : str
        A rotary's letter, a linear axis, a step's key, a tool's name, a nest; "" where there is one only.
    component : str
        "x", "y", "z"; of a line, "1" or "2": along the rows of `SetupModel.line_basis`.
    place : float or None
        Of a positioning error: the machine angle or the machine coordinate at which it is made.
    """

    kind: QuantityKind
    owner: str = ""
    component: str = ""
    place: float | None = None

    @property
    def unit(self) -> QuantityUnit:
        """The unit of the quantity."""
        return QUANTITY_UNITS[self.kind]


@dataclass(frozen=True, eq=False)
class UncertaintySource(ValueEquality, DeclaredFields):
    """Source of uncertainty of one or several quantities; independent of every other source.

    Attributes
    ----------
    kind : str
        That of its quantities, or "calibration" where one adjustment gave several.
    owner : str
        As of its quantities.
    quantities : tuple of UncertainQuantity
    covariance : ndarray, shape (k, k)
        In the quantities' units.
    distribution : "normal" or "rectangular"
        Rectangular quantities are independent of each other.
    dof : float or None
        Degrees of freedom; None where the covariance is taken as known.
    mean : ndarray, shape (k,)
        The values to expect; zero where left out.

    Raises
    ------
    KinematicsError
        When the covariance does not fit the quantities, is not symmetric or not positive semidefinite.

    Examples
    --------
    >>> shift = [UncertainQuantity("step shift", "standoff", axis) for axis in "xy"]
    >>> UncertaintySource("step shift", "standoff", shift, [[1e-4, 0], [0, 1e-4]]).u.tolist()
    [0.01, 0.01]
    >>> UncertaintySource("step shift", "standoff", shift, [[1, 2], [2, 1]])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: step shift, covariance: expected a positive semidefinite one, found an eigenvalue of -1
    """

    kind: QuantityKind | Literal["calibration"]
    owner: str
    quantities: tuple[UncertainQuantity, ...]
    covariance: NDArray[np.float64]
    distribution: Distribution = "normal"
    dof: float | None = None
    mean: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        what = as_instance(self.kind, str, "source, kind")
        quantities = as_instances(self.quantities, UncertainQuantity, what)
        object.__setattr__(self, "quantities", quantities)
        object.__setattr__(
            self, "covariance", read_only(checked_covariance(self.covariance, len(quantities), what))
        )
        object.__setattr__(self, "dof", _checked_dof(self.dof))
        mean = (
            np.zeros(len(quantities)) if self.mean is None else as_array(self.mean, f"{what}, expected value")
        )
        if mean.shape != (len(quantities),):
            raise KinematicsError(
                f"{what}, expected value: expected {len(quantities)} numbers, found shape {mean.shape}"
            )
        object.__setattr__(self, "mean", read_only(mean))
        super().__post_init__()
        if self.distribution == "rectangular" and not is_diagonal(self.covariance):
            raise KinematicsError(
                f"{what}, covariance: expected independent quantities of a rectangular source, found correlated ones"
            )

    @property
    def u(self) -> NDArray[np.float64]:
        """The standard uncertainty of each quantity, shape (k,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def expected(self) -> NDArray[np.float64]:
        """The values to expect, shape (k,)."""
        assert self.mean is not None
        return self.mean

    @classmethod
    def of(
        cls, quantities: Sequence[UncertainQuantity], spread: Spread, mean: float = 0.0
    ) -> UncertaintySource:
        """A source of quantities of one kind and owner, independent of each other, each with the same spread."""
        first = quantities[0]
        return cls(
            first.kind,
            first.owner,
            tuple(quantities),
            spread.u**2 * np.eye(len(quantities)),
            spread.distribution,
            spread.dof,
            np.full(len(quantities), mean),
        )


def checked_covariance(covariance: ArrayLike, count: int, what: str) -> NDArray[np.float64]:
    """A covariance (count, count) that is symmetric and positive semidefinite; any other is refused."""
    matrix = as_array(covariance, f"{what}, covariance")
    if matrix.shape != (count, count):
        raise KinematicsError(f"{what}, covariance: expected shape ({count}, {count}), found {matrix.shape}")
    if not count:
        return matrix
    diagonal = np.diag(matrix)
    if is_diagonal(matrix):
        if float(diagonal.min()) < 0.0:
            raise KinematicsError(
                f"{what}, covariance: expected variances of 0 or more, found {float(diagonal.min()):.3g}"
            )
        return matrix
    largest = float(np.abs(matrix).max())
    if float(np.abs(matrix - matrix.T).max()) > 1e-9 * largest:
        raise KinematicsError(
            f"{what}, covariance: expected a symmetric one, found rows and columns that differ"
        )
    # Scaled to correlations first: squares of millimetres beside squares of tangents hide a negative eigenvalue.
    scale = np.sqrt(np.abs(np.diag(matrix)))
    scale[scale == 0.0] = 1.0
    least = float(np.linalg.eigvalsh(matrix / np.outer(scale, scale))[0])
    if least < -1e-9 * count or float(np.diag(matrix).min()) < 0.0:
        raise KinematicsError(
            f"{what}, covariance: expected a positive semidefinite one, found an eigenvalue of {least:.3g}"
        )
    return matrix


def is_diagonal(matrix: NDArray[np.float64]) -> bool:
    """True for a covariance of quantities that do not depend on each other."""
    return bool(np.count_nonzero(matrix) == np.count_nonzero(np.diagonal(matrix)))


@takes_declared()
def draw_sources(
    sources: Sequence[UncertaintySource], trials: int, generator: np.random.Generator
) -> list[NDArray[np.float64]]:
    """Draw values of every source's quantities (JCGM 101:2008, 6.4).

    A covariance with few degrees of freedom is drawn as multivariate t, wider than its own standard uncertainty
    (6.4.9): that is what few readings leave open.

    Parameters
    ----------
    sources : sequence of UncertaintySource
    trials : int
    generator : numpy.random.Generator

    Returns
    -------
    list of ndarray, each of shape (k, trials)
        In the quantities' units.

    Examples
    --------
    >>> quantity = UncertainQuantity("step up", "post")
    >>> (heights,) = draw_sources([UncertaintySource.of([quantity], Spread.within(0.01))], 1000, np.random.default_rng(1))
    >>> heights.shape, bool(abs(heights).max() <= 0.01), bool(abs(heights).max() > 0.0099)
    ((1, 1000), True, True)
    >>> draw_sources(["post"], 1000, np.random.default_rng(1))
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: sources: expected a list of UncertaintySource, found ['post']
    """
    as_count(trials, "trials")
    drawn = []
    for source in sources:
        count = len(source.quantities)
        if source.distribution == "rectangular":
            values = generator.random((count, trials))
            values -= 0.5
            values *= (np.sqrt(12.0) * source.u)[:, None]
        else:
            values = square_root(source.covariance) @ generator.standard_normal((count, trials))
            if source.dof is not None:
                values *= np.sqrt(source.dof / generator.chisquare(source.dof, trials))
        if source.expected.any():
            values += source.expected[:, None]
        drawn.append(values)
    return drawn


def square_root(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """A matrix whose product with its transpose is the covariance, also where that is singular."""
    if is_diagonal(covariance):
        return np.diag(np.sqrt(np.diag(covariance)))
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _checked_dof(dof: object) -> float | None:
    if dof is None:
        return None
    number = as_number(dof, "degrees of freedom")  # type: ignore[arg-type]  # checked there
    if number < 1.0:
        raise KinematicsError(f"degrees of freedom: expected 1 or more, found {number:g}")
    return number
