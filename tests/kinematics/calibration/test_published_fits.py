"""Published least-squares circles, spheres, planes and lines, through the code that the pivots are found with."""

import numpy as np
import pytest

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import fit_round, readings_from_rows
from kinematics.calibration.solve import solve

# W. Gander, G. H. Golub, R. Strebel, "Least-Squares Fitting of Circles and Ellipses", BIT 34 (1994) 558-578: the
# points and, to four decimals, the circle of least orthogonal distances. Further digits derived here from the same
# points, as the root of the gradient in 30 digits (mpmath).
GANDER = [(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)]
GANDER_PRINTED = (4.7398, 2.9835, 4.7142)
GANDER_DERIVED = (4.73978241090607, 2.98353269929247, 4.71422603779211)
GANDER_SSE = 1.227599078184
GANDER_STANDARD_ERRORS = (0.47759306, 1.54291283, 1.22431908)
# The linear x^2 + y^2 fit of the same points: a trap, not an answer.
GANDER_LINEAR_RADIUS = 4.1087615223


def test_the_circle_of_gander_golub_and_strebel():
    found = fit_round(GANDER)
    numbers = (*found.centre_mm, found.radius_mm)
    assert numbers == pytest.approx(GANDER_PRINTED, abs=5.1e-5)
    assert numbers == pytest.approx(GANDER_DERIVED, abs=1e-10)
    assert float(found.residual_mm @ found.residual_mm) == pytest.approx(GANDER_SSE, abs=1e-10)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(GANDER_STANDARD_ERRORS, abs=1e-6)
    assert abs(found.radius_mm - GANDER_LINEAR_RADIUS) > 0.6


def test_exact_circle_and_sphere():
    # scikit-spatial 7.2, docstrings of Circle.best_fit and Sphere.best_fit.
    circle = fit_round([[1, 1], [2, 2], [3, 1]])
    assert circle.centre_mm == pytest.approx([2, 1], abs=1e-12)
    assert circle.radius_mm == pytest.approx(1.0, abs=1e-12)
    sphere = fit_round([[1, 0, 1], [0, 1, 1], [1, 2, 1], [1, 1, 2]])
    assert sphere.centre_mm == pytest.approx([1, 1, 1], abs=1e-12)
    assert sphere.radius_mm == pytest.approx(1.0, abs=1e-12)


def test_a_known_radius_leaves_the_centre_alone_to_be_found():
    angle = np.radians([10.0, 40.0, 80.0, 100.0])
    points = np.array([3.0, -2.0]) + 7.0 * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    found = fit_round(points, radius_mm=7.0)
    assert found.centre_mm == pytest.approx([3.0, -2.0], abs=1e-10)
    assert found.covariance[2, 2] == 0.0
    with pytest.raises(KinematicsError, match="more than 0 mm"):
        fit_round(points, radius_mm=-1.0)
    with pytest.raises(KinematicsError, match="at least 3, found 2"):
        fit_round(points[:2])


def table():
    """Rotaries that stand still: what is read is then a plane or a line by itself."""
    a = RotaryAxis("A", [0.0, 0.0, 0.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    c = RotaryAxis("C", [0.0, 0.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    return Machine("still", (a, c), Platter(face_mm=0.0))


def target_alone(kind, points, direction):
    """The adjustment's own plane or line through points read at one pose."""
    count = len(points)
    readings = readings_from_rows(
        [kind] * count, ["one"] * count, np.zeros((count, 2)), points, directions={"one": direction}
    )
    solved = solve(readings, table())
    assert solved.state.free.shape[1] == 0
    told, charts, lever = solved.state.targets[0], solved.problem.charts, solved.problem.lever_mm
    tipped = charts.direction[0] + told[2:] / lever @ charts.square[0]
    direction = tipped / np.linalg.norm(tipped)
    shift = told[0] * direction if kind == "face" else told[:2] @ charts.square[0]
    return charts.base[0] + shift, direction, float(solved.squares.sum())


@pytest.mark.parametrize(
    ("points", "on_it", "normal"),
    [
        # scikit-spatial 7.2, docstring of Plane.best_fit.
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], (0.25, 0.25, 0.25), np.ones(3) / np.sqrt(3)),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]], (0.5, 0.5, 0.0), (0.0, 0.0, 1.0)),
    ],
)
def test_planes_of_least_orthogonal_distances(points, on_it, normal):
    # Far-off start on purpose; inch-sized numbers as published, a hundred times larger so that they are a platter's.
    found, direction, _ = target_alone("face", 100.0 * np.array(points, dtype=float), [0.3, 0.4, 1.0])
    assert direction == pytest.approx(normal, abs=1e-9)
    assert float((found - 100.0 * np.array(on_it)) @ direction) == pytest.approx(0.0, abs=1e-9)


def test_a_line_of_least_orthogonal_distances():
    # scikit-spatial 7.2, docstring of Line.best_fit.
    flat = np.array([[0, 0], [1, 2], [2, 1], [2, 3], [3, 2]], dtype=float)
    points = 100.0 * np.column_stack([flat, np.zeros(5)])
    on_it, direction, _ = target_alone("bore", points, [1.0, 0.3, 0.0])
    assert direction == pytest.approx([np.sqrt(0.5), np.sqrt(0.5), 0.0], abs=1e-9)
    off = np.array([160.0, 160.0, 0.0]) - on_it
    assert np.cross(off, direction) == pytest.approx(np.zeros(3), abs=1e-8)


def test_pearsons_line():
    # K. Pearson, "On lines and planes of closest fit to systems of points in space" (1901), data as in scipy's
    # test_odr.py::test_pearson; unweighted orthogonal line recomputed independently (Pearson prints -0.546 and 5.784:
    # from memory).
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    points = np.column_stack([x, y, np.zeros(10)])
    on_it, direction, sse = target_alone("bore", points, [1.0, -0.4, 0.0])
    slope = direction[1] / direction[0]
    assert slope == pytest.approx(-0.5455611975209648, abs=1e-9)
    assert on_it[1] - slope * on_it[0] == pytest.approx(5.784043774530086, abs=1e-8)
    assert sse == pytest.approx(0.618572759437, abs=1e-9)
