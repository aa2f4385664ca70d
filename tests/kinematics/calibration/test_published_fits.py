"""Published least-squares planes and lines, through the code that the pivots are found with."""

import numpy as np
import pytest

from kinematics import Machine, Platter, RotaryAxis, RotationSense
from kinematics.calibration import readings_from_rows
from kinematics.calibration.solve import solve


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
    own, nominal, lever = solved.state.targets[0], solved.problem.nominal_targets, solved.problem.lever_mm
    tipped = nominal.direction[0] + own[2:] / lever @ nominal.basis[0]
    direction = tipped / np.linalg.norm(tipped)
    shift = own[0] * direction if kind == "face" else own[:2] @ nominal.basis[0]
    return nominal.base[0] + shift, direction, float(solved.squares.sum())


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
