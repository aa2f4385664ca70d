"""A stack step as a cantilever: section, stiffness and deflection under a force at its top.

Euler and Bernoulli's beam, fixed at the foot: deflection P L^3 / (3 E I). Short, stout steps also give by shear and
at their joints, so the true step is softer: the figures serve to compare heights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kinematics.declared_types import DeclaredFields, takes_declared
from kinematics.errors import KinematicsError
from kinematics.reach.shapes import Box, Frustum, Shape, box_on, frustum_on
from kinematics.validation import as_instance, as_positive

__all__ = ["Section", "deflection_mm", "stiffness_n_per_mm"]


@dataclass(frozen=True)
class Section(DeclaredFields):
    """Section of a step: round (with a bore: a tube), or a bar with edges along x and y.

    Give `diameter_mm` or `edges_mm`.

    Examples
    --------
    >>> round(Section(diameter_mm=50.0, bore_mm=30.0).second_moment_mm4, 6)
    267035.375555
    >>> Section(edges_mm=(60.0, 20.0)).second_moment_mm4
    40000.0
    >>> Section(diameter_mm=30.0, bore_mm=30.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: section, bore: expected 0 to less than the diameter of 30, found 30
    """

    diameter_mm: float | None = None
    bore_mm: float = 0.0
    edges_mm: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if (self.diameter_mm is None) == (self.edges_mm is None):
            raise KinematicsError("section: expected either a diameter or two edges")
        for size in (self.diameter_mm or 0.0,) if self.edges_mm is None else self.edges_mm:
            as_positive(size, "section")
        if self.edges_mm is not None and self.bore_mm:
            raise KinematicsError("section, bore: expected none in a bar, found one")
        if self.diameter_mm is not None and not 0.0 <= self.bore_mm < self.diameter_mm:
            raise KinematicsError(
                f"section, bore: expected 0 to less than the diameter of {self.diameter_mm:g}, "
                f"found {self.bore_mm:g}"
            )

    @property
    def second_moment_mm4(self) -> float:
        """Second moment of area about the axis of easiest bending: pi (D^4 - d^4) / 64, or b h^3 / 12 with h the shorter edge."""
        if self.edges_mm is not None:
            short, long = sorted(self.edges_mm)
            return long * short**3 / 12.0
        return float(np.pi / 64.0 * ((self.diameter_mm or 0.0) ** 4 - self.bore_mm**4))

    @property
    def across_mm(self) -> float:
        """Width in the direction of easiest bending; a step that is not taller than this is not a beam."""
        return min(self.edges_mm) if self.edges_mm is not None else float(self.diameter_mm or 0.0)

    def shape(self, height_mm: float, foot_mm: tuple[float, float] = (0.0, 0.0)) -> Shape:
        """The step's solid in the frame it stands on, its axis through `foot_mm`.

        Parameters
        ----------
        height_mm : float
            Along z of that frame; downward where negative.
        foot_mm : (float, float)
            Position of the axis, x and y of that frame.

        Returns
        -------
        Shape
            A cylinder or tube for a diameter, a box for two edges.

        Raises
        ------
        KinematicsError
            When the height is nought or not finite.
        """
        foot = np.array([*foot_mm, 0.0])
        if self.edges_mm is not None:
            block = box_on(height_mm, *self.edges_mm)
            return Box(block.low_mm + foot, block.high_mm + foot)
        standing = frustum_on(height_mm, self.diameter_mm or 0.0, self.bore_mm)
        return Frustum(
            standing.from_mm + foot, standing.to_mm + foot, standing.diameter_mm, None, self.bore_mm
        )


def stiffness_n_per_mm(section: Section, height_mm: float, modulus_gpa: float) -> float:
    """Force at the top for each millimetre of deflection: 3 E I / L^3.

    Parameters
    ----------
    section : Section
    height_mm : float
        From the fixed foot to where the force acts.
    modulus_gpa : float
        Young's modulus of the material, GPa (kN/mm2).

    Returns
    -------
    float
        N/mm, the way it bends most easily.

    Raises
    ------
    KinematicsError
        When height or modulus is not above zero.

    Notes
    -----
    End-loaded cantilever after Euler and Bernoulli: textbook formula, from memory.

    Examples
    --------
    >>> round(stiffness_n_per_mm(Section(diameter_mm=50.0, bore_mm=30.0), 150.0, 207.0), 3)
    49134.509
    >>> stiffness_n_per_mm(Section(diameter_mm=50.0), 150.0, 0.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: modulus: expected more than 0, found 0
    """
    as_instance(section, Section, "section")
    for name, value in (("height", height_mm), ("modulus", modulus_gpa)):
        as_positive(value, name)
    return 3.0 * modulus_gpa * 1e3 * section.second_moment_mm4 / height_mm**3


@takes_declared()
def deflection_mm(section: Section, height_mm: float, modulus_gpa: float, force_n: float) -> float:
    """Deflection of the top under a force across it: P L^3 / (3 E I).

    Parameters
    ----------
    section : Section
    height_mm : float
        From the fixed foot to where the force acts.
    modulus_gpa : float
        Young's modulus of the material, GPa (kN/mm2).
    force_n : float
        Across the axis, the way it bends most easily.

    Returns
    -------
    float
        Along the force and with its sign.

    Raises
    ------
    KinematicsError
        When height or modulus is not above zero.

    Notes
    -----
    See `stiffness_n_per_mm`; shear and joints are left out, so the true step gives more.

    Examples
    --------
    >>> round(deflection_mm(Section(diameter_mm=50.0, bore_mm=30.0), 150.0, 207.0, 500.0), 9)
    0.010176147
    >>> deflection_mm(Section(diameter_mm=50.0), 0.0, 207.0, 500.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: height: expected more than 0, found 0
    """
    return force_n / stiffness_n_per_mm(section, height_mm, modulus_gpa)
