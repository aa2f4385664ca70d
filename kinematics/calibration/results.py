"""What a fit of the pivots answers: values with their uncertainty, and what stayed unknown, in the user's words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.readings import Readings, TargetKind
from kinematics.machine import Machine

__all__ = ["Estimate", "Fit", "FixedParameter", "LineFit", "Outlier", "PairFit", "ReadingFit", "TargetFit"]


@dataclass(frozen=True)
class Estimate:
    """One number of the answer.

    Attributes
    ----------
    name : str
        "E_Y0A", "distance", ...
    value : float
        In `unit`.
    u : float or None
        Standard uncertainty; None where the value is held, or where nothing tells the readings' scatter.
    expanded : float or None
        Half of the interval that holds the truth at the fit's level (0.95 unless asked otherwise).
    unit : str
        "mm" or "deg".
    words : str
        What it means.
    held : bool
        True where (part of) the value was not told by the readings and is the machine's own.
    verdict : str
        "moved", "not shown to have moved", "left as it was", "told in part" (it moved, but only a combination with
        others is told); "" where there is nothing to compare with.
    lean_mm : float
        Of a position: how far it would move, at most, for 0.01 degrees by which directions that the readings do not
        tell, and that were left or taken as they were, are wrong. `u` knows nothing of it. 0 where none counts.
    """

    name: str
    value: float
    u: float | None
    expanded: float | None
    unit: str
    words: str
    held: bool = False
    verdict: str = ""
    lean_mm: float = 0.0


@dataclass(frozen=True)
class FixedParameter:
    """Something that the readings do not tell and that was left at the machine's value.

    Attributes
    ----------
    letter : str
        The rotary, or "" for a target.
    target : str
        The target, or "" for a rotary.
    quantity : str
        "line", "direction", "position", or "part of the direction" and the like.
    words : str
        A full sentence for the user.
    """

    letter: str
    target: str
    quantity: str
    words: str


@dataclass(frozen=True, eq=False)
class LineFit:
    """One rotary's line at the all-zero pose.

    Attributes
    ----------
    letter : str
    point_mm, direction : ndarray, shape (3,)
        The point of the new line nearest the old point; the direction on the old one's side.
    old_point_mm, old_direction : ndarray, shape (3,)
    covariance : ndarray, shape (6, 6), or None
        Of point (mm) and direction (unit vector components); singular along the line, along the direction and in
        what was held. None where nothing tells the readings' scatter.
    told : ndarray of bool, shape (3,)
        Which of the point's X, Y, Z the readings tell: never the one along the line, and none that was held.
    leans_told : ndarray of bool, shape (3,)
        Which of the direction's components the readings tell: never the one along the line, and none that was held.
    location_errors : tuple of Estimate
        ISO 230-1 notation; see `kinematics.calibration.derived_quantities`.
    moved : tuple of Estimate
        New minus old across the line, for every quantity: "X", "Y", "Z" in mm, "A", "B", "C" (turn about X, Y, Z)
        in degrees; each with its verdict.
    """

    letter: str
    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    old_point_mm: NDArray[np.float64]
    old_direction: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    told: NDArray[np.bool_]
    leans_told: NDArray[np.bool_]
    location_errors: tuple[Estimate, ...]
    moved: tuple[Estimate, ...]

    @property
    def u_point_mm(self) -> NDArray[np.float64] | None:
        """Standard uncertainty of the point's X, Y, Z; NaN where not `told`, so that no 0 looks like knowledge."""
        if self.covariance is None:
            return None
        return np.where(self.told, np.sqrt(np.clip(np.diag(self.covariance)[:3], 0.0, None)), np.nan)

    @property
    def u_direction_deg(self) -> NDArray[np.float64] | None:
        """Standard uncertainty of the direction's X, Y, Z components, as degrees of tilt; NaN where not told."""
        if self.covariance is None:
            return None
        u = np.degrees(np.sqrt(np.clip(np.diag(self.covariance)[3:], 0.0, None)))
        return np.where(self.leans_told, u, np.nan)


@dataclass(frozen=True, eq=False)
class TargetFit:
    """Where a target stands at the all-zero pose, machine coordinates.

    Attributes
    ----------
    name : str
    kind : Kind
    point_mm : ndarray, shape (3,)
        A ball's centre; the point of an axis or plane nearest the middle of its readings.
    direction : ndarray, shape (3,), or None
        Of an axis or a face's normal; None for a ball.
    readings : int
    tilt : Estimate or None
        For a face square to the last rotary within 5 degrees: the angle between its normal and that rotary's line.
    tilt_toward_deg : float or None
        The machine C direction (from +X toward +Y, all-zero pose) toward which the normal leans from the line.
    face : Estimate or None
        For such a face: machine Z where the last rotary's line pierces it, as a machine file has its platter's face.
    above : tuple of (str, Estimate)
        For such a face: how far that point stands above every other rotary's line, square to it, by its letter.
    """

    name: str
    kind: TargetKind
    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64] | None
    readings: int
    tilt: Estimate | None = None
    tilt_toward_deg: float | None = None
    face: Estimate | None = None
    above: tuple[tuple[str, Estimate], ...] = ()


@dataclass(frozen=True)
class PairFit:
    """How two neighbouring rotaries' lines lie to each other: `distance` (mm) and `angle` (deg)."""

    first: str
    second: str
    distance: Estimate
    angle: Estimate


@dataclass(frozen=True, eq=False)
class ReadingFit:
    """Every reading against the fit; arrays of length N, in the order of the readings.

    Attributes
    ----------
    residual_mm : ndarray, shape (N, 3)
        Read minus fitted, machine coordinates at the reading's pose: for an axis across it, for a face along its
        normal.
    size_mm : ndarray, shape (N,)
        Its length; for a face signed, + outside the material.
    studentised : ndarray, shape (N,)
        Root of the mean square over the reading's own equations, over what it should be by the other readings
        (externally studentised); signed for a face; NaN where nothing checks the reading.
    redundancy : ndarray, shape (N,)
        0 to 1: the share of an error of this reading that shows in its own residual; 0 = nothing checks it.
    weight : ndarray, shape (N,)
        1 unless a robust loss pulled the reading down.
    """

    residual_mm: NDArray[np.float64]
    size_mm: NDArray[np.float64]
    studentised: NDArray[np.float64]
    redundancy: NDArray[np.float64]
    weight: NDArray[np.float64]


@dataclass(frozen=True)
class Outlier:
    """A reading that does not belong: its index, its row, the chance of it by scatter alone, and why."""

    index: int
    row: int
    chance: float
    words: str


@dataclass(frozen=True, eq=False)
class Fit:
    """The answer of `fit_pivots`.

    Attributes
    ----------
    machine : Machine
        As it was before.
    readings : Readings
    lines : tuple of LineFit
        In the machine's order.
    parameters, covariance : ndarray, shape (4n,), (4n, 4n)
        For each rotary: shift along `across[0]` and `across[1]` (mm) of where the line pierces the plane through
        the old point square to the old line, and tilt toward them (the tangent: direction = old + tilt). Covariance
        None where nothing tells the scatter; zero rows where held.
    across : ndarray, shape (n, 2, 3)
        Unit vectors square to each old line and to each other, as near to the machine's axes as they can be.
    held : tuple of Held
    targets : tuple of TargetFit
    pairs : tuple of PairFit
    each : ReadingFit
    suspects : tuple of Suspect
        The worst first; empty where none goes beyond scatter.
    dof : int
        Equations minus unknowns that were told.
    sigma_mm : float or None
        The standard uncertainty per coordinate that the covariance rests on; with readings of unlike sigma, the
        factor on theirs (no unit).
    sigma_stated : bool
        Whether it was stated (then Student's t is the normal's); otherwise estimated from the residuals.
    scatter : float or None
        The estimate from the residuals, whether used or not; None without redundancy.
    scatter_chance : float or None
        With a stated sigma: the chance of residuals this large, if it is right. Below 0.001 the sigma is doubtful.
    level : float
    coverage_factor : float or None
        Student's t at `level` for `dof`.
    loss : str
        "linear", or the robust loss that was asked for.
    steps : int
        How many steps the adjustment took.
    at_floor : bool
        Whether the readings scatter by less than rounding alone allows, so that `sigma_mm` is that floor.
    """

    machine: Machine
    readings: Readings
    lines: tuple[LineFit, ...]
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    across: NDArray[np.float64]
    held: tuple[FixedParameter, ...]
    targets: tuple[TargetFit, ...]
    pairs: tuple[PairFit, ...]
    each: ReadingFit
    suspects: tuple[Outlier, ...]
    dof: int
    sigma_mm: float | None
    sigma_stated: bool
    scatter: float | None
    scatter_chance: float | None
    level: float
    coverage_factor: float | None
    loss: str
    steps: int
    at_floor: bool = False

    def line(self, letter: str) -> LineFit:
        """The line of the rotary with that letter."""
        return self.lines[self.machine.index(letter)]

    @property
    def fitted_machine(self) -> Machine:
        """The machine with its lines replaced, everything else as it was."""
        return replace(
            self.machine,
            rotaries=tuple(
                replace(rotary, point_mm=line.point_mm, direction=line.direction)
                for rotary, line in zip(self.machine.rotaries, self.lines, strict=True)
            ),
        )
