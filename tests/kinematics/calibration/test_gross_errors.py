"""A gross error in one row is named with its row; readings that are off for another reason are left alone."""

import contextlib
from dataclasses import replace

import numpy as np
import pytest
from slices import cases

from kinematics import KinematicsError
from kinematics.calibration import find_blunders, find_gross_errors, fit_pivots
from kinematics.calibration.blunders.regularized_fit import added_parameter, fit_with_prior
from kinematics.calibration.blunders.regularized_fit import test_basis as significance_basis
from tests.kinematics.calibration import test_blunders as classic

SLIPS = {
    "sign wrong": lambda point: point * [1.0, 1.0, -1.0],
    "inches in one row": lambda point: point / 25.4,
    "millimetres in one row": lambda point: point * 25.4,
    "coordinates swapped": lambda point: point[[1, 0, 2]],
}


@pytest.mark.parametrize("kind", SLIPS)
def test_one_gross_row_is_named_and_corrected(shop, kind):
    for seed in range(cases(30)):
        case = shop.random_case(80_000 + seed, poses=10)
        bad = seed % len(case.readings)
        points = np.array(case.readings.points_mm)
        points[bad] = SLIPS[kind](points[bad])
        if np.linalg.norm(points[bad] - case.readings.points_mm[bad]) < 60.0:
            continue  # X and Y almost alike: exchanged they are no gross error
        (found,) = find_gross_errors(replace(case.readings, points_mm=points), case.nominal)
        assert (found.kind, found.rows, found.certain) == (kind, (bad + 1,), True)
        assert found.target == case.readings.names[case.readings.target[bad]]
        assert found.corrected.points_mm == pytest.approx(case.readings.points_mm, abs=1e-9)
        assert fit_pivots(found.corrected, found.corrected_machine).sigma_mm < 0.03


def test_the_coordinate_read_and_the_one_expected_are_reported(shop):
    case = shop.random_case(7, poses=10)
    points = np.array(case.readings.points_mm)
    z = points[3, 2]
    points[3, 2] = -z
    (found,) = find_gross_errors(replace(case.readings, points_mm=points), case.nominal)
    (error,) = found.coordinates
    assert (error.axis, error.read_mm) == ("Z", -z)
    assert error.expected_mm == pytest.approx(z, abs=1.0)


def test_x_and_y_swapped_everywhere(shop):
    case = shop.random_case(12, poses=10)
    points = case.readings.points_mm[:, [1, 0, 2]]
    (found,) = find_gross_errors(replace(case.readings, points_mm=points), case.nominal)
    assert (found.kind, found.rows, found.axes) == ("coordinates swapped", (), ("X", "Y"))
    assert found.corrected.points_mm.tolist() == case.readings.points_mm.tolist()


def test_a_row_that_nothing_plain_explains_is_named_and_left_out(shop):
    case = shop.random_case(3, poses=10)
    points = np.array(case.readings.points_mm)
    points[5] += [31.0, -47.0, 23.0]
    (found,) = find_gross_errors(replace(case.readings, points_mm=points), case.nominal)
    assert (found.kind, found.rows) == ("reading far off", (6,))
    assert found.size_mm == pytest.approx(np.linalg.norm([31.0, -47.0, 23.0]), abs=1.0)
    assert len(found.corrected) == len(points) - 1


@pytest.mark.parametrize(
    "spoil",
    [
        classic.sense_backwards,
        classic.columns_swapped,
        classic.inches_called_mm,
        classic.mm_called_inches,
        classic.ball_confused,
        classic.ball_slipped,
        classic.radius_left_on,
        classic.ball_read_at_its_top,
    ],
)
def test_the_classic_blunders_are_left_to_their_own_search(shop, spoil):
    taken = []
    for seed in range(cases(50)):
        readings, machine, _, _ = spoil(shop, seed)
        taken += [
            (seed, b.kind, b.rows)
            for b in find_gross_errors(readings, machine)
            if b.kind != "reading far off"
        ]
    assert len(taken) <= cases(50) // 100, taken


def test_clean_readings_are_left_alone(shop):
    for seed in range(cases(100)):
        case = shop.random_case(seed, extra=(shop.platter_touches,) if seed % 4 == 0 else ())
        assert find_gross_errors(case.readings, case.nominal) == ()


@pytest.mark.parametrize("factor", [10.0, 100.0, 1000.0, 0.1, 0.01, 0.001])
def test_a_decimal_point_in_the_wrong_place_names_its_row(shop, factor):
    """One coordinate, or all of one reading: the row is named with what was expected, and nothing raises."""
    for seed in range(cases(12)):
        case = shop.random_case(seed, poses=12)
        rng = np.random.default_rng(seed)
        points = np.array(case.readings.points_mm)
        i, axis = int(rng.integers(len(points))), int(rng.integers(3))
        which = slice(None) if seed % 3 == 0 else axis
        points[i, which] *= factor
        readings = replace(case.readings, points_mm=points)
        (found,) = find_gross_errors(readings, case.nominal)
        assert found.rows == (i + 1,)
        # A tenth that leaves all else alike is a decimal point; a coordinate near zero may be explained otherwise.
        if np.abs(case.readings.points_mm[i, which]).min() > 60.0:
            assert found.kind == "decimal point slipped"
            assert found.coordinates[0].read_mm == pytest.approx(
                points[i].reshape(-1)[0 if seed % 3 == 0 else axis]
            )
            near = fit_pivots(found.corrected, case.nominal).line(case.nominal.letters[0])
            assert near.point_mm == pytest.approx(case.truth.rotaries[0].point_mm, abs=1.0)
        with contextlib.suppress(KinematicsError):
            find_blunders(readings, case.nominal)
            fit_pivots(readings, case.nominal)


def test_a_gain_beyond_every_number_is_infinite_and_no_error(shop):
    """A score of 1e200 squared: a float's own power would raise OverflowError where a product gives infinity."""
    case = shop.random_case(5)
    basis = significance_basis(fit_with_prior(case.readings, case.nominal))
    raw = basis.fit.raw
    column = np.zeros(raw.residual.shape)
    column[0] = 1.0
    gain, size, own = added_parameter(basis, column)
    assert np.isfinite([gain, size, own]).all()
    large = np.where(column > 0.0, 1e200, 0.0)
    huge = replace(basis, fit=replace(basis.fit, raw=replace(raw, residual=large)))
    with np.errstate(over="ignore"):
        gain, size, _ = added_parameter(huge, column)
    assert gain == np.inf
    assert np.isfinite(size)
