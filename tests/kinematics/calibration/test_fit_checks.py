"""Checks of a fit, with their numbers: each fault put in with a size, and found with that size."""

from dataclasses import replace

import numpy as np
import pytest

from kinematics import Travel
from kinematics.calibration import check_fit, find_blunders, fit_pivots, outside_travels, simulated_readings


def found(fit, kind):
    return [one for one in check_fit(fit) if one.kind == kind]


@pytest.fixture(scope="module")
def case(shop):
    return shop.random_case(4242, targets=2, poses=16)


def test_nothing_is_said_of_a_fit_that_is_as_it_should_be(case):
    assert check_fit(fit_pivots(case.readings, case.nominal)) == ()
    assert check_fit(fit_pivots(case.readings, case.nominal, sigma_mm=case.sigma_mm)) == ()


@pytest.mark.parametrize(("axis", "place"), [("X", 0), ("Y", 1), ("Z", 2)])
def test_readings_outside_the_travels_are_told_by_row_axis_and_value(case, axis, place):
    """The travels end 15 mm short of the farthest reading: 10 mm are a stylus' and a ball's radius, 5 are too much."""
    points = case.readings.points_mm
    low, high = points.min(axis=0) - 5.0, points.max(axis=0) + 5.0
    high[place] = points[:, place].max() - 15.0
    mill = replace(case.nominal, travel=Travel(low, high))
    (one,) = outside_travels(case.readings, mill)
    outside = np.flatnonzero(points[:, place] > high[place] + 10.0)
    assert one.rows == tuple((outside + 1).tolist())
    assert (one.kind, one.axis, one.readings) == ("outside the travels", axis, len(points))
    assert (one.low_mm, one.high_mm) == (low[place], high[place])
    assert one.value_mm == points[outside[0], place]
    assert one.sign_lost is False
    high[place] += 5.1
    assert outside_travels(case.readings, replace(case.nominal, travel=Travel(low, high))) == ()


def test_scatter_is_told_in_millimetres_or_in_times_what_was_stated(case):
    """A tenth of a millimetre: in millimetres where nothing was stated, else as so many times that."""
    rng = np.random.default_rng(3)
    points = case.readings.points_mm + 0.1 * rng.normal(size=case.readings.points_mm.shape)
    readings = replace(case.readings, points_mm=points)
    (unstated,) = found(fit_pivots(readings, case.nominal), "scatter")
    assert (unstated.scatter_mm, unstated.times_stated) == (pytest.approx(0.1, rel=0.2), None)
    stated = fit_pivots(readings, case.nominal, sigma_mm=0.004)
    each = fit_pivots(replace(readings, sigma_mm=np.full(len(points), 0.004)), case.nominal)
    for fit in (stated, each):
        (one,) = found(fit, "scatter")
        assert one.scatter_mm is None
        assert one.times_stated == pytest.approx(unstated.scatter_mm / 0.004, rel=1e-6)
    # Five times what was stated is a guess that was wrong, and no fault.
    assert found(fit_pivots(readings, case.nominal, sigma_mm=0.02), "scatter") == []


@pytest.mark.parametrize("place", [0, 1])
def test_a_line_far_from_the_file_s_is_told_by_its_shift_or_its_tilt(shop, case, place):
    """2.5 mm across the line, or turned by 1.5 degrees about its point; 1.5 mm across and any length along it are near enough."""
    rng = np.random.default_rng(7)
    line = case.nominal.rotaries[place]
    across = np.cross(line.direction, [0.3, 0.5, 0.8])
    across /= np.linalg.norm(across)

    def fitted(moved):
        rotaries = list(case.nominal.rotaries)
        rotaries[place] = moved
        truth = replace(case.nominal, rotaries=tuple(rotaries))
        poses = shop.random_poses(case.nominal, np.random.default_rng(5), 16)
        targets = shop.balls(case.nominal, rng, 2)
        return fit_pivots(simulated_readings(truth, targets, poses, 0.002, 3), case.nominal)

    (shifted,) = found(
        fitted(replace(line, point_mm=line.point_mm + 2.5 * across)), "far from the machine file"
    )
    assert (shifted.letter, shifted.tilt_deg) == (line.letter, None)
    assert shifted.shift_mm == pytest.approx(2.5, abs=0.02)
    turned = replace(line, direction=line.direction + np.tan(np.radians(1.5)) * across)
    (tilted,) = found(fitted(turned), "far from the machine file")
    assert (tilted.letter, tilted.shift_mm) == (line.letter, None)
    assert tilted.tilt_deg == pytest.approx(1.5, abs=0.01)
    near = replace(line, point_mm=line.point_mm + 1.5 * across + 9.0 * line.direction)
    assert found(fitted(near), "far from the machine file") == []


def test_a_gross_outlier_is_told_with_its_row_and_what_is_known_of_it(case):
    points = np.array(case.readings.points_mm)
    points[5] += [0.0, 0.5, 0.0]
    fit = fit_pivots(replace(case.readings, points_mm=points), case.nominal)
    (one,) = found(fit, "gross outlier")
    assert one.rows == (6,)
    assert one.readings == len(points)
    assert [outlier.index for outlier in one.outliers] == [5]
    assert one.outliers[0].distance_mm == pytest.approx(0.5, abs=0.1)


def test_a_blunder_tells_the_scatter_before_and_after(case):
    """Columns swapped: what a fit scatters with them as they are, and with them put right."""
    swapped = replace(case.readings, angles_deg=case.readings.angles_deg[:, ::-1])
    (blunder,) = find_blunders(swapped, case.nominal)
    before, after = blunder.scatter_mm
    assert after == pytest.approx(fit_pivots(case.readings, case.nominal).s0, rel=0.05)
    assert before > 1000.0 * after
