"""Results of a calibration are values: equal where every number is, hashed alike, and frozen arrays and all."""

import numpy as np
import pytest

from kinematics.calibration import PlannedTarget, TargetKind, find_blunders, fit_pivots, predict_uncertainty


def test_equal_results_compare_equal_and_hash_alike(shop):
    one, same, other = (
        shop.random_case(seed, targets=2, poses=12, extra=(shop.platter_touches,)) for seed in (1, 1, 2)
    )
    assert one.readings == same.readings != other.readings
    fits = [fit_pivots(case.readings, case.nominal) for case in (one, same, other)]
    assert fits[0] == fits[1] != fits[2]
    assert len(set(fits)) == 2
    assert fits[0].residuals == fits[1].residuals
    plans = [predict_uncertainty(case.readings, case.nominal, 0.003) for case in (one, same, other)]
    assert plans[0] == plans[1] != plans[2]
    targets = [PlannedTarget("b", TargetKind.BALL, [[0.0, 0.0, z]]) for z in (1.0, 1.0, 2.0)]
    assert targets[0] == targets[1] != targets[2]
    wrong = [replace_sign(case) for case in (one, same)]
    assert find_blunders(wrong[0], one.nominal) == find_blunders(wrong[1], same.nominal) != ()


def replace_sign(case):
    from dataclasses import replace

    return replace(case.readings, angles_deg=-case.readings.angles_deg)


def test_arrays_of_a_fit_are_frozen(shop):
    case = shop.random_case(1, targets=1, poses=10)
    fit = fit_pivots(case.readings, case.nominal)
    for array in (fit.residuals.size_mm, fit.residuals.weight, fit.targets[0].point_mm, fit.parameters):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = np.nan
