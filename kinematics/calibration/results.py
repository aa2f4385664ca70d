"""Results of a calibration fit: estimates with their uncertainty, fixed parameters, residuals and outliers.

Values only: no sentence is written here. Whoever shows them words the kinds and names in the unit that is shown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.line_parameters import relative_line_parameters
from kinematics.calibration.linear_algebra import eigen_symmetric
from kinematics.calibration.readings import Readings, TargetKind
from kinematics.calibration.statistics import region_factor
from kinematics.calibration.systematic_terms import AngleCurve, AngleError, Drift, DriftFit
from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.validation import ValueEquality

__all__ = [
    "Estimate",
    "Fit",
    "FixedParameter",
    "LineFit",
    "Outlier",
    "PairFit",
    "PlatterFit",
    "ReadingFit",
    "TargetFit",
]

_ESTIMABLE = 1e-11
"""Eigenvalue of the correlation matrix below which a combination has no variance of its own: rounding's size."""


@dataclass(frozen=True)
class Estimate(DeclaredFields):
    """An estimated quantity with its uncertainty (JCGM 100:2008, the GUM).

    Attributes
    ----------
    kind : str
        "location error", "axis shift", "distance", "angle", "tilt", "face height" or "height above".
    name : str
        Short name: "E_Y0A" of a location error, "X" or "A" of an axis shift, otherwise the kind's own.
    value : float
        In `unit`.
    standard_uncertainty : float or None
        None where the value is fixed, or where there is no estimate of the readings' scatter.
    expanded_uncertainty : float or None
        Half-width of the coverage interval at the fit's level (0.95 unless asked otherwise).
    unit : str
        "mm" or "deg".
    letters : tuple of str
        The rotaries concerned: one, or two of a distance or an angle.
    target : str
        The target concerned, or "".
    fixed : bool
        True where (part of) the value could not be estimated and is the machine's own.
    interval : tuple of (float, float), or None
        Of a tilt, which is a length: the coverage interval, from 0 where it is not shown to differ from 0.
        `expanded_uncertainty` is the larger distance to its ends.
    verdict : str
        Of a tilt "out of square" or "not shown to be out of square"; of a change "moved", "not shown to have moved", "left as it was", "partly determined" (it moved, but only a combination
        with others is estimable); "" where there is nothing to compare with.
    tilt_sensitivity_mm : float
        Of a position: the largest error that 0.01 degrees of error in the directions that were fixed would cause. The
        standard uncertainty does not include it. 0 where no fixed direction matters.
    """

    kind: str
    name: str
    value: float
    standard_uncertainty: float | None
    expanded_uncertainty: float | None
    unit: str
    letters: tuple[str, ...] = ()
    target: str = ""
    fixed: bool = False
    verdict: str = ""
    tilt_sensitivity_mm: float = 0.0
    interval: tuple[float, float] | None = None


@dataclass(frozen=True)
class FixedParameter(DeclaredFields):
    """A parameter, or a combination of some, that the readings do not determine and that kept its nominal value.

    Attributes
    ----------
    kind : str
        - "rotary not turned": the whole line, because the rotary stands at `angle_deg` in every reading
        - "not determined": the whole `quantity`
        - "component not determined": the component of the `quantity` along (about) the one of `axes`
        - "combination only": the components along (about) `axes` are determined in combination only
        - "one direction only": the position is determined along the one of `axes` only, where it moved by `shift_mm`
        - "conditional": the position is determined, but moves by up to `sensitivity_mm` for each 0.01 degrees by
          which the fixed directions are wrong
        - "target direction": the direction of a target's axis or normal, the one of `axes`
    quantity : str
        "line", "position" or "direction".
    letter : str
        The rotary, or "" for a target.
    target : str
        The target, or "" for a rotary.
    target_kind : TargetKind or None
        Of the target.
    axes : tuple of (float, float, float)
        Unit vectors in machine coordinates at the all-zero pose: displacements of a position, axes of rotation of a
        direction, the direction of a target.
    angle_deg : float or None
        Machine angle of a rotary that is not turned; None where it stands unturned at zero.
    shift_mm : float or None
    sensitivity_mm : float or None
    stated : bool
        Of a target's direction: whether it was stated with the readings, not taken from the machine and the poses.
    """

    kind: str
    quantity: str
    letter: str = ""
    target: str = ""
    target_kind: TargetKind | None = None
    axes: tuple[tuple[float, float, float], ...] = ()
    angle_deg: float | None = None
    shift_mm: float | None = None
    sensitivity_mm: float | None = None
    stated: bool = False


@dataclass(frozen=True, eq=False)
class LineFit(ValueEquality, DeclaredFields):
    """Estimated line of one rotary at the all-zero pose.

    Attributes
    ----------
    letter : str
    point_mm, direction : ndarray, shape (3,)
        The point of the new line nearest the old point; the direction on the old one's side.
    old_point_mm, old_direction : ndarray, shape (3,)
    covariance : ndarray, shape (6, 6), or None
        Of point (mm) and direction (unit vector components); singular along the line, along the direction and in
        what is fixed. None where there is no estimate of the readings' scatter.
    point_estimable : ndarray of bool, shape (3,)
        Whether the point's X, Y, Z are determined by the readings: never the one along the line.
    direction_estimable : ndarray of bool, shape (3,)
        The same of the direction's components.
    location_errors : tuple of Estimate
        ISO 230-1 notation; see `kinematics.calibration.derived_quantities`.
    changes : tuple of Estimate
        New minus old across the line, for every quantity: "X", "Y", "Z" in mm, "A", "B", "C" (rotation about X, Y,
        Z) in degrees; each with its verdict.
    """

    letter: str
    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    old_point_mm: NDArray[np.float64]
    old_direction: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    point_estimable: NDArray[np.bool_]
    direction_estimable: NDArray[np.bool_]
    location_errors: tuple[Estimate, ...]
    changes: tuple[Estimate, ...]

    @property
    def u_point_mm(self) -> NDArray[np.float64] | None:
        """Standard uncertainty of the point's X, Y, Z; NaN where not estimable, so that no 0 looks like knowledge."""
        if self.covariance is None:
            return None
        u = np.sqrt(np.clip(np.diag(self.covariance)[:3], 0.0, None))
        return np.where(self.point_estimable, u, np.nan)

    @property
    def u_direction_deg(self) -> NDArray[np.float64] | None:
        """Standard uncertainty of the direction's X, Y, Z components, as degrees of tilt; NaN where not estimable."""
        if self.covariance is None:
            return None
        u = np.degrees(np.sqrt(np.clip(np.diag(self.covariance)[3:], 0.0, None)))
        return np.where(self.direction_estimable, u, np.nan)


@dataclass(frozen=True, eq=False)
class TargetFit(ValueEquality, DeclaredFields):
    """Estimated position of a target at the all-zero pose, machine coordinates.

    Attributes
    ----------
    name : str
    kind : TargetKind
    point_mm : ndarray, shape (3,)
        A ball's centre; the point of an axis or plane nearest the middle of its readings.
    direction : ndarray, shape (3,), or None
        Of an axis or a face's normal; None for a ball.
    readings : int
    tilt : Estimate or None
        For a face square to the last rotary within 5 degrees: the angle between its normal and that rotary's line.
    tilt_toward_deg : float or None
        The machine C direction (from +X toward +Y, all-zero pose) toward which the normal tilts from the line.
    face_height : Estimate or None
        For such a face: machine Z where the last rotary's line pierces it, as a machine file has its platter's face.
    heights_above : tuple of (str, Estimate)
        For such a face: the height of that point above every other rotary's line, square to it, by its letter.
    """

    name: str
    kind: TargetKind
    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64] | None
    readings: int
    tilt: Estimate | None = None
    tilt_toward_deg: float | None = None
    face_height: Estimate | None = None
    heights_above: tuple[tuple[str, Estimate], ...] = ()


@dataclass(frozen=True)
class PairFit(DeclaredFields):
    """Relation of two neighbouring rotaries' lines: `distance` (mm) and `angle` (deg)."""

    first: str
    second: str
    distance: Estimate
    angle: Estimate


@dataclass(frozen=True, eq=False)
class ReadingFit(ValueEquality, DeclaredFields):
    """Residuals of all readings; arrays of length N, in the order of the readings.

    Attributes
    ----------
    residual_mm : ndarray, shape (N, 3)
        Read minus fitted, machine coordinates at the reading's pose: for an axis across it, for a face along its
        normal.
    size_mm : ndarray, shape (N,)
        Its length; for a face signed, + outside the material.
    studentised : ndarray, shape (N,)
        Root of the mean square over the reading's own equations, over what it should be by the other readings
        (externally studentised); signed for a face; NaN where no other reading checks it.
    redundancy : ndarray, shape (N,)
        Redundancy number per equation, 0 to 1: the share of an error of this reading that shows in its own residual.
    weight : ndarray, shape (N,)
        1 unless a robust loss reduced it.
    """

    residual_mm: NDArray[np.float64]
    size_mm: NDArray[np.float64]
    studentised: NDArray[np.float64]
    redundancy: NDArray[np.float64]
    weight: NDArray[np.float64]


@dataclass(frozen=True)
class Outlier(DeclaredFields):
    """A reading that disagrees with the others by more than scatter explains.

    Attributes
    ----------
    index : int
        In the readings' order.
    row : int
        The reading's own number.
    target : str
    distance_mm : float
        From where the other readings put it, roughly.
    p_value : float
        Probability that scatter alone puts any of the readings so far off (Bonferroni).
    """

    index: int
    row: int
    target: str
    distance_mm: float
    p_value: float


@dataclass(frozen=True, eq=False)
class PlatterFit(ValueEquality, DeclaredFields):
    """The platter's face as a machine file has it, with the joint covariance of lines, face and normal.

    Attributes
    ----------
    target : str
        The face that was read.
    face : Estimate
        Machine Z where the last rotary's line pierces it, at the all-zero pose.
    normal : ndarray, shape (3,)
        Away from the platter, machine coordinates at the all-zero pose.
    normal_estimable : bool
        Whether the readings determine it; if not it is the nominal one.
    quantities : tuple of str, length 4n + 4
        Names in the covariance's order: for each rotary "A shift 1", "A shift 2" (mm), "A tilt 1", "A tilt 2"
        (tangents, no unit), as `Fit.parameters` has them; then "face" (mm), "normal X", "normal Y", "normal Z".
    covariance : ndarray, shape (4n + 4, 4n + 4), or None
        Its first 4n rows and columns are `Fit.covariance`; singular along the normal and in what is fixed. None where
        there is no estimate of the scatter.
    """

    target: str
    face: Estimate
    normal: NDArray[np.float64]
    normal_estimable: bool
    quantities: tuple[str, ...]
    covariance: NDArray[np.float64] | None


@dataclass(frozen=True, eq=False)
class Fit(ValueEquality, DeclaredFields):
    """Result of `fit_pivots`.

    Attributes
    ----------
    machine : Machine
        As it was before.
    readings : Readings
    lines : tuple of LineFit
        In the machine's order.
    parameters, covariance : ndarray, shape (4n,), (4n, 4n)
        For each rotary: shift along `basis[0]` and `basis[1]` (mm) of where the line pierces the plane through
        the old point square to the old line, and tilt toward them (the tangent: direction = old + tilt). Covariance
        None where there is no estimate of the scatter; zero rows where fixed.
    basis : ndarray, shape (n, 2, 3)
        Unit vectors square to each old line and to each other, as near to the machine's axes as they can be.
    fixed : tuple of FixedParameter
    targets : tuple of TargetFit
    pairs : tuple of PairFit
    residuals : ReadingFit
    outliers : tuple of Outlier
        The worst first; empty where none goes beyond scatter.
    dof : int
        Degrees of freedom: equations minus estimated unknowns.
    sigma_mm : float or None
        The standard uncertainty per coordinate that the covariance rests on; with readings of unlike sigma, the
        factor on theirs (no unit).
    sigma_stated : bool
        Whether it was stated (then the coverage factor is the normal's); otherwise estimated from the residuals.
    s0 : float or None
        Standard deviation of unit weight, from the residuals, whether used or not; None without redundancy.
    p_value : float or None
        With a stated sigma: probability of residuals this large, if it is right. Below 0.001 the sigma is doubtful.
    level : float
    coverage_factor : float or None
        Student's t at `level` for `dof`.
    loss : str
        "linear", or the robust loss that was asked for.
    iterations : int
        Of the adjustment.
    at_floor : bool
        Whether the readings scatter by less than rounding alone allows, so that `sigma_mm` is that floor.
    angle_errors : tuple of AngleError
        Tests of the own angle of every rotary, but for those of `angle_curves`.
    drifts : tuple of Drift
        Tests for a drift, but for those of `drift_fits`; empty with a robust loss, as `angle_errors`.
    angle_curves : tuple of AngleCurve
        Of the rotaries whose angles' errors were adjusted along.
    drift_fits : tuple of DriftFit
        Of the drifts that were adjusted along.
    platter : PlatterFit or None
        Where a face named "platter..." was read and its height is determined.
    """

    machine: Machine
    readings: Readings
    lines: tuple[LineFit, ...]
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64] | None
    basis: NDArray[np.float64]
    fixed: tuple[FixedParameter, ...]
    targets: tuple[TargetFit, ...]
    pairs: tuple[PairFit, ...]
    residuals: ReadingFit
    outliers: tuple[Outlier, ...]
    dof: int
    sigma_mm: float | None
    sigma_stated: bool
    s0: float | None
    p_value: float | None
    level: float
    coverage_factor: float | None
    loss: str
    iterations: int
    at_floor: bool = False
    angle_errors: tuple[AngleError, ...] = ()
    drifts: tuple[Drift, ...] = ()
    angle_curves: tuple[AngleCurve, ...] = ()
    drift_fits: tuple[DriftFit, ...] = ()
    platter: PlatterFit | None = None

    def line(self, letter: str) -> LineFit:
        """Estimated line of the rotary with that letter."""
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

    def region(
        self, letter: str, level: float | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Confidence ellipse of a rotary's pivot, in the plane through the old point square to the old line.

        Parameters
        ----------
        letter : str
            Of the rotary.
        level : float, optional
            Coverage probability; the fit's where left out.

        Returns
        -------
        centre : ndarray, shape (2,)
            Shift from the old point along `basis`, mm.
        axes : ndarray, shape (2, 2)
            Half axes as rows, the longer first, mm.

        Raises
        ------
        KinematicsError
            When there is no estimate of the scatter, no such rotary, or the level is not between 0 and 1.
        """
        i = self.machine.index(letter)
        size, vectors = eigen_symmetric(self._known_covariance()[4 * i : 4 * i + 2, 4 * i : 4 * i + 2])
        factor = region_factor(2, self._level(level), None if self.sigma_stated else self.dof)
        axes = (np.sqrt(np.clip(size, 0.0, None)) * vectors * factor).T[::-1]
        return self.parameters[4 * i : 4 * i + 2].copy(), np.ascontiguousarray(axes)

    def region_contains(self, other: Machine, level: float | None = None) -> bool:
        """Test if another machine's lines lie in the joint confidence region of all estimable parameters.

        Parameters
        ----------
        other : Machine
            With the same rotaries. Only its lines count.
        level : float, optional
            Coverage probability; the fit's where left out.

        Raises
        ------
        KinematicsError
            When there is no estimate of the scatter, the rotaries differ, or the level is not between 0 and 1.

        Notes
        -----
        Joint region of linear least squares, chi squared where sigma was stated and F otherwise (`region_factor`):
        textbook statistics, from memory. What is fixed, alone or in combination, does not count.
        """
        covariance = self._known_covariance()
        off = relative_line_parameters(self.machine, other) - self.parameters
        scale = np.sqrt(np.diag(covariance))
        scale = np.where(scale > 0.0, scale, 1.0)
        size, vectors = eigen_symmetric(covariance / np.outer(scale, scale))
        known = size > _ESTIMABLE
        components = (vectors.T @ (off / scale))[known]
        dof = None if self.sigma_stated else self.dof
        factor = region_factor(int(known.sum()), self._level(level), dof)
        return bool(np.sqrt((components**2 / size[known]).sum()) <= factor)

    def _known_covariance(self) -> NDArray[np.float64]:
        if self.covariance is None:
            raise KinematicsError("region: expected a stated sigma or redundant readings, found neither")
        return self.covariance

    def _level(self, level: float | None) -> float:
        return self.level if level is None else level
