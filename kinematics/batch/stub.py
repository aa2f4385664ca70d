"""A part left on a stub of its stock: what a cutting force does to it, and what breaks it off.

The stub is a cantilever after Euler and Bernoulli, fixed at its foot; the part on it is taken as rigid. Stress is that of
the outer fibre, with torsion added after von Mises. Textbook formulas, from memory: bending stress M c / I, torsion T r / J
with J = pi (D^4 - d^4) / 32 for a round, and for a bar the series in h / b of W. C. Young, "Roark's Formulas for Stress and
Strain", table of torsion constants (h the shorter edge; within 1 %). Notches, stress raisers, shock and fatigue are left out: the true stub breaks at less.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.reach.beam import Section
from kinematics.validation import (
    ValueEquality,
    as_array,
    as_instance,
    as_number,
    as_positive,
    as_vectors,
    read_only,
)

__all__ = ["Stub", "StubLoad", "breaking_force_n", "stub_load", "worst_stub_load"]


@dataclass(frozen=True)
class Stub:
    """Stub of stock between the gripped stock below and the part above.

    Attributes
    ----------
    section : Section
    length_mm : float
        From the stock to the part, along z of the part.
    modulus_gpa : float
        Young's modulus.
    strength_mpa : float
        Stress of the outer fibre at which it is taken to break; stated, never guessed.

    Raises
    ------
    KinematicsError
        When a value is not above zero.
    """

    section: Section
    length_mm: float
    modulus_gpa: float
    strength_mpa: float

    def __post_init__(self) -> None:
        as_instance(self.section, Section, "stub, section")
        for name in ("length_mm", "modulus_gpa", "strength_mpa"):
            object.__setattr__(self, name, as_positive(getattr(self, name), f"stub, {name}"))


@dataclass(frozen=True, eq=False)
class StubLoad(ValueEquality, DeclaredFields):
    """Effect of a force on a part that stands on a stub.

    Attributes
    ----------
    stress_mpa : ndarray, shape (...)
        Largest von Mises stress at the stub's foot or head.
    deflection_mm : ndarray, shape (..., 3)
        Movement of the point where the force acts.
    """

    stress_mpa: NDArray[np.float64]
    deflection_mm: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "stress_mpa", read_only(self.stress_mpa))
        object.__setattr__(self, "deflection_mm", read_only(self.deflection_mm))
        super().__post_init__()


def stub_load(stub: Stub, force_n: ArrayLike, at_mm: ArrayLike) -> StubLoad:
    """Stress in a stub, and movement of the part, under a force on the part.

    Parameters
    ----------
    stub : Stub
    force_n : array_like, shape (..., 3)
        In the part's directions, z along the stub and away from the stock, newtons.
    at_mm : array_like, shape (..., 3)
        Where it acts, from the middle of the stub's head, millimetres; broadcasts with the force.

    Returns
    -------
    StubLoad

    Raises
    ------
    KinematicsError
        When a last axis is not 3, or a value is not finite.

    Examples
    --------
    A force across the head bends as P L^3 / (3 E I), and the foot carries P L:

    >>> stub = Stub(Section(diameter_mm=50.0, bore_mm=30.0), 150.0, 207.0, 400.0)
    >>> load = stub_load(stub, [500.0, 0.0, 0.0], [0.0, 0.0, 0.0])
    >>> load.deflection_mm.round(9).tolist(), float(load.stress_mpa.round(6))
    ([0.010176147, 0.0, 0.0], 7.021542)
    >>> stub_load(stub, [500.0, 0.0], [0.0, 0.0, 0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: stub, force: expected a last axis of 3 numbers, found shape (2,)
    """
    as_instance(stub, Stub, "stub")
    force, at = as_vectors(force_n, 3, "stub, force"), as_vectors(at_mm, 3, "stub, place of the force")
    try:
        force, at = np.broadcast_arrays(force, at)
    except ValueError as mismatch:
        raise KinematicsError(
            f"stub: expected shapes that broadcast, found force {force.shape} and place {at.shape}"
        ) from mismatch
    length, modulus = stub.length_mm, stub.modulus_gpa * 1e3
    area, bending, torsion = _section(stub.section)
    # Moment about the head; across the beam, x bends in the x-z plane by My and y in the y-z plane by Mx.
    head = np.cross(at, force)
    foot = head + np.cross([0.0, 0.0, length], force)
    direct = np.abs(force[..., 2]) / area
    shear = np.abs(head[..., 2]) * torsion.per_moment
    stress = np.zeros(force.shape[:-1])
    for moment in (head, foot):
        normal = direct + _fibre_stress(stub.section, moment)
        stress = np.maximum(stress, np.sqrt(normal**2 + 3.0 * shear**2))
    # A cantilever under force P and moment M at its head: P L^3 / 3EI + M L^2 / 2EI, turned by P L^2 / 2EI + M L / EI.
    about = np.stack([-head[..., 0], head[..., 1]], axis=-1)  # y-z plane: -Mx; x-z plane: +My
    across = force[..., [1, 0]]
    stiff = modulus * np.array([bending[1], bending[0]])
    moved = across * length**3 / (3.0 * stiff) + about * length**2 / (2.0 * stiff)
    turned = across * length**2 / (2.0 * stiff) + about * length / stiff
    twist = (
        head[..., 2] * length / (modulus / 2.6 * torsion.constant)
    )  # shear modulus at Poisson's ratio of 0.3
    rotation = np.stack([-turned[..., 0], turned[..., 1], twist], axis=-1)
    stretched = force[..., 2] * length / (modulus * area)
    head_moved = np.stack([moved[..., 1], moved[..., 0], stretched], axis=-1)
    return StubLoad(stress, head_moved + np.cross(rotation, at))


def worst_stub_load(
    stub: Stub, force_n: ArrayLike, at_mm: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Largest stress and largest movement that a force of any direction on the part can cause.

    Parameters
    ----------
    stub : Stub
    force_n : array_like, shape (...)
        Size of the force, newtons.
    at_mm : array_like, shape (..., 3)
        Where it acts, from the middle of the stub's head; leading shapes broadcast.

    Returns
    -------
    stress_mpa, moved_mm : ndarray, shape (...)
        Each for the direction that is worst for it. The stress of a round is that of the worst of 1440 directions of its
        fibre, at most 0.0003 % too small; a bar's is exact.

    Raises
    ------
    KinematicsError
        When a last axis is not 3, or a value is not finite.

    Examples
    --------
    >>> stub = Stub(Section(diameter_mm=50.0, bore_mm=30.0), 150.0, 207.0, 400.0)
    >>> stress, moved = worst_stub_load(stub, 500.0, [0.0, 0.0, 0.0])
    >>> float(stress.round(4)), float(moved.round(9))
    (7.0328, 0.010176147)
    >>> worst_stub_load(stub, 500.0, [0.0, 0.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: stub, place of the force: expected a last axis of 3 numbers, found shape (2,)
    """
    as_instance(stub, Stub, "stub")
    size, at = as_array(force_n, "stub, force"), as_vectors(at_mm, 3, "stub, place of the force")
    moved = stub_load(stub, np.eye(3), at[..., None, :]).deflection_mm
    most = np.linalg.norm(moved, ord=2, axis=(-2, -1))
    area, (along_x, along_y), torsion = _section(stub.section)
    if stub.section.edges_mm is None:
        angle = np.radians(np.arange(0.0, 360.0, 0.25))
        fibres = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        across = np.full(2, (stub.section.diameter_mm or 0.0) / 2.0 / along_x)
    else:
        fibres = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]])
        x, y = stub.section.edges_mm
        across = np.array([y / 2.0 / along_y, x / 2.0 / along_x])
    # Moment about the head as a matrix times the force: each row is one component.
    head = np.cross(at[..., None, :], np.eye(3)).swapaxes(-1, -2)
    arm = np.array([[0.0, -stub.length_mm, 0.0], [stub.length_mm, 0.0, 0.0], [0.0, 0.0, 0.0]])
    shear = np.sqrt(3.0) * torsion.per_moment * head[..., 2, :]
    stress = np.zeros(at.shape[:-1])
    for moment in (head, head + arm):
        # A fibre's normal stress is one row of numbers times the force, the shear another. The largest sum of their
        # squares over all directions is the larger eigenvalue of the two rows' products.
        normal = (fibres * across) @ moment[..., :2, :] + np.array([0.0, 0.0, 1.0 / area])
        both = np.stack([normal, np.broadcast_to(shear[..., None, :], normal.shape)], axis=-2)
        squares = both @ both.swapaxes(-1, -2)
        mean = (squares[..., 0, 0] + squares[..., 1, 1]) / 2.0
        apart = np.hypot((squares[..., 0, 0] - squares[..., 1, 1]) / 2.0, squares[..., 0, 1])
        stress = np.maximum(stress, np.sqrt((mean + apart).max(axis=-1)))
    return np.asarray(np.abs(size) * stress), np.asarray(np.abs(size) * most)


def breaking_force_n(stub: Stub, height_mm: float) -> float:
    """Force across the part that bends the stub to its strength at the foot, the way it bends most easily.

    Parameters
    ----------
    stub : Stub
    height_mm : float
        Where the gripper holds, above the stub's head.

    Raises
    ------
    KinematicsError
        When the height is below the stub's foot.

    Examples
    --------
    >>> stub = Stub(Section(edges_mm=(10.0, 4.0)), 2.0, 200.0, 400.0)
    >>> round(breaking_force_n(stub, 28.0), 3)
    355.556
    >>> breaking_force_n(stub, -2.0)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: stub, height of the grip: expected more than -2, found -2
    """
    as_instance(stub, Stub, "stub")
    height = as_number(height_mm, "stub, height of the grip")
    if not height > -stub.length_mm:
        raise KinematicsError(
            f"stub, height of the grip: expected more than {-stub.length_mm:g}, found {height:g}"
        )
    modulus = stub.section.second_moment_mm4 / (stub.section.across_mm / 2.0)
    return stub.strength_mpa * modulus / (height + stub.length_mm)


@dataclass(frozen=True)
class _Torsion:
    constant: float
    """J: twist is T L / (G J)."""
    per_moment: float
    """Largest shear stress for each N mm."""


def _section(section: Section) -> tuple[float, tuple[float, float], _Torsion]:
    """Area, second moments for bending along x and along y, and torsion."""
    if section.edges_mm is None:
        outer, inner = section.diameter_mm or 0.0, section.bore_mm
        polar = float(np.pi / 32.0 * (outer**4 - inner**4))
        area = float(np.pi / 4.0 * (outer**2 - inner**2))
        return area, (polar / 2.0, polar / 2.0), _Torsion(polar, outer / 2.0 / polar)
    x, y = section.edges_mm
    short, long = sorted(section.edges_mm)
    ratio = short / long
    series = 1.0 + 0.6095 * ratio + 0.8865 * ratio**2 - 1.8023 * ratio**3 + 0.91 * ratio**4
    constant = long * short**3 * (1.0 / 3.0 - 0.21 * ratio * (1.0 - ratio**4 / 12.0))
    return (
        x * y,
        (y * x**3 / 12.0, x * y**3 / 12.0),
        _Torsion(constant, 3.0 * series / (long * short**2)),
    )


def _fibre_stress(section: Section, moment: NDArray[np.float64]) -> NDArray[np.float64]:
    """Bending stress of the outer fibre; on a bar both ways add up at a corner."""
    _, (along_x, along_y), _ = _section(section)
    if section.edges_mm is None:
        size = np.hypot(moment[..., 0], moment[..., 1])
        return np.asarray(size * (section.diameter_mm or 0.0) / 2.0 / along_x)
    x, y = section.edges_mm
    return np.asarray(np.abs(moment[..., 1]) * x / 2.0 / along_x + np.abs(moment[..., 0]) * y / 2.0 / along_y)
