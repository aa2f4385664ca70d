"""Cantilevers."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from kinematics.errors import KinematicsError
from kinematics.reach.beam import Section, deflection_mm, stiffness_n_per_mm
from kinematics.reach.collision_bodies import collision_body


def test_a_tube_as_recomputed():
    # Tip deflection P L^3 / (3 E I) and I = pi (D^4 - d^4) / 64: textbook formulas, from memory. The figures for
    # D 50, d 30, L 150 mm, P 500 N, E 207 GPa were worked once more, independently, for this project's references.
    tube = Section(diameter_mm=50.0, bore_mm=30.0)
    assert tube.second_moment_mm4 == pytest.approx(267035.375555, rel=1e-11)
    assert deflection_mm(tube, 150.0, 207.0, 500.0) == pytest.approx(0.010176147257, rel=1e-10)


@pytest.mark.parametrize(
    "section",
    [Section(diameter_mm=40.0), Section(diameter_mm=40.0, bore_mm=22.0), Section(edges_mm=(30.0, 18.0))],
)
def test_against_the_differential_equation(section):
    """Independent: y'' = P (L - x) / (E I) integrated from the fixed foot; I from the section's own area."""
    length, force, modulus = 120.0, 800.0, 68.9  # 6061-T6, engineering-mechanics appendix table
    if section.edges_mm:
        second = 30.0 * 18.0**3 / 12.0
    else:
        radius = np.linspace(section.bore_mm / 2, section.diameter_mm / 2, 200_001)
        second = np.trapezoid(np.pi * radius**3, radius)  # the integral of y^2 over rings
    assert section.second_moment_mm4 == pytest.approx(second, rel=1e-8)
    slope = solve_ivp(
        lambda x, y: [y[1], force * (length - x) / (modulus * 1e3 * second)],
        (0.0, length),
        [0.0, 0.0],
        rtol=1e-10,
        atol=1e-14,
    )
    assert deflection_mm(section, length, modulus, force) == pytest.approx(slope.y[0, -1], rel=1e-6)


def test_the_shorter_the_stiffer():
    section = Section(diameter_mm=60.0)
    assert stiffness_n_per_mm(section, 50.0, 200.0) == pytest.approx(
        8 * stiffness_n_per_mm(section, 100.0, 200.0)
    )
    with pytest.raises(KinematicsError, match="height: expected more than 0, found 0"):
        stiffness_n_per_mm(section, 0.0, 200.0)
    with pytest.raises(KinematicsError, match="either a diameter or two edges"):
        Section()
    with pytest.raises(KinematicsError, match="more than 0, found -3"):
        Section(edges_mm=(4.0, -3.0))


def test_the_solid_of_a_section():
    bar = Section(edges_mm=(30.0, 18.0)).shape(70.0, (5.0, -2.0))
    assert bar.low_mm.tolist() == [-10.0, -11.0, 0.0]
    assert bar.volume_mm3 == pytest.approx(30 * 18 * 70)
    tube = Section(diameter_mm=50.0, bore_mm=30.0).shape(70.0, (5.0, -2.0))
    assert tube.centre_mm == pytest.approx([5.0, -2.0, 35.0])
    assert collision_body("tube", tube).manifold.volume() == pytest.approx(tube.volume_mm3, rel=5e-3)
