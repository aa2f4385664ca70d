"""Budgets: laws, coverage over simulated setups, and a general uncertainty library as oracle."""

import numpy as np
import pytest
import uncertainties
from uncertain_setups import every_source, model

from kinematics.errors import KinematicsError
from kinematics.uncertainty import (
    Feature,
    Seam,
    Spread,
    UncertaintySource,
    draw_sources,
    monte_carlo,
    offset_budget,
    offset_trials,
    part_budget,
    part_model,
    part_trials,
    position_probability,
    position_radius,
    setup_errors,
)

FEATURES = [
    Feature("face", 0, [0, 0, 0], [0, 0, 1], 0.2),
    Feature("depth", 1, [2, 1, -8], [0, 0, 1], 0.1, datum="face"),
    Feature("side", 2, [5, 0, -3], [0.6, 0.8, 0.0], 0.1, datum_operation=0),
    Feature("bore", 2, [0, 0, -5], None, 0.3, datum="face"),
]
SEAMS = [Seam((0, 1), [3, -5, -2], [0, 0.6, 0.8], 0.05)]


def part(**case):
    return part_model(model(**case), FEATURES, SEAMS)


def drawn(one, sources, trials, seed):
    values = np.zeros((trials, len(one.quantities)))
    for source, value in zip(
        sources, draw_sources(sources, trials, np.random.default_rng(seed)), strict=True
    ):
        values[:, one.columns(source)] = value.T
    return values


def deviations(of, values):
    """Every row's value by the exact model, shape (N, K), tools left out."""
    points = setup_errors(of.model, values)[1]
    own = (points[:, of.point] * of.direction).sum(axis=-1)
    datum = (points[:, of.datum_point] * of.direction).sum(axis=-1)
    return own - np.where(of.datum_point >= 0, datum, 0.0)


def without_tools(one):
    return [source for source in every_source(one) if not source.kind.startswith("tool")]


@pytest.mark.parametrize("touched", [False, True])
def test_coverage_over_simulated_setups(touched):
    """2,000 setups at A0, A-30 and A-90: 93 to 97 of 100 lie within their interval, offsets, features and seams alike."""
    of = part(touched=touched)
    sources = without_tools(of.model)
    values = drawn(of.model, sources, 2000, 11)
    offsets, budget = offset_budget(of.model, sources), part_budget(of, sources)
    assert (offsets.model, budget.part) == (of.model, of)
    error = setup_errors(of.model, values)[0] - offsets.expected_mm
    inside = (np.abs(error) <= offsets.expanded_mm).mean(axis=0)
    assert inside.min() >= 0.93
    assert inside.max() <= 0.97
    rows = deviations(of, values)
    for k, one in enumerate((*budget.features, *budget.seams)):
        away = rows[:, of.rows(k)] - one.expected_mm
        share = (np.linalg.norm(away, axis=-1) <= one.expanded_mm).mean()
        assert 0.93 <= share <= 0.97, k


def test_conforming_share_is_the_one_of_the_trials():
    of = part()
    sources = without_tools(of.model)
    budget = part_budget(of, sources)
    rows = deviations(of, drawn(of.model, sources, 20_000, 5))
    for k, one in enumerate((*budget.features, *budget.seams)):
        share = (np.linalg.norm(rows[:, of.rows(k)], axis=-1) <= one.limit_mm).mean()
        # 20,000 trials: five times their own scatter, and what a sum of many limits is short of a normal.
        assert one.conforms == pytest.approx(share, abs=5.0 * 0.5 / np.sqrt(20_000))


def test_monte_carlo_of_the_part_knows_the_tools_too():
    of = part()
    budget = part_budget(of, every_source(of.model, scale=0.2))
    found = monte_carlo(part_trials(of, every_source(of.model, scale=0.2)), trials=50_000)
    linear = np.concatenate([np.sqrt(np.diag(one.covariance)) for one in (*budget.features, *budget.seams)])
    assert found.u == pytest.approx(linear, rel=0.02)


def test_trials_of_the_offsets_are_the_exact_model_s_errors():
    """Number for number, operation by operation and axis by axis; their scatter is the budget's."""
    one = model(nests=True, touched=True)
    sources = every_source(one, scale=0.1)
    values = drawn(one, sources, 500, 7)
    found = offset_trials(one, sources)(500, np.random.default_rng(7))
    assert found == pytest.approx(setup_errors(one, values)[0].reshape(500, -1).T, abs=1e-9)
    budget = offset_budget(one, sources)
    ran = monte_carlo(offset_trials(one, sources), trials=20_000)
    # A standard deviation of 20,000 trials scatters by 0.5 %.
    assert ran.u == pytest.approx(budget.u_mm.reshape(-1), rel=0.025)
    assert ran.mean == pytest.approx(
        budget.expected_mm.reshape(-1), abs=5.0 * budget.u_mm.max() / 20_000**0.5
    )


def test_a_general_uncertainty_library_agrees():
    """The same product of a covariance and the Jacobian's rows by `uncertainties`, correlations included."""
    of = part(setup_c=20.0)
    rng = np.random.default_rng(3)
    lines = [*of.model.of_kind("line shift"), *of.model.of_kind("line tilt")]
    root = rng.normal(size=(8, 8)) * 0.003
    source = UncertaintySource("calibration", "", tuple(lines), root @ root.T)
    values = uncertainties.correlated_values(np.zeros(8), source.covariance)
    sensitivity = of.jacobian[:, of.model.columns(source)]
    budget = part_budget(of, [source])
    for k, one in enumerate((*budget.features, *budget.seams)):
        rows = sensitivity[of.rows(k)]
        outputs = [sum(c * v for c, v in zip(row, values, strict=True)) for row in rows]
        assert np.array(uncertainties.covariance_matrix(outputs)) == pytest.approx(one.covariance, rel=1e-9)


def test_what_is_common_to_feature_and_datum_cancels():
    """A part seated elsewhere on its nest takes every feature along: nothing is left between feature and datum."""
    one = model(setup_c=20.0)
    features = [Feature("a", 1, [1, 2, 3], [0, 0, 1]), Feature("b", 2, [3, 0, 1], [0, 0, 1], 0.1, datum="a")]
    of = part_model(one, features)
    sources = [UncertaintySource.of(one.of_kind("part shift"), Spread(0.05))]
    free, held = part_budget(of, sources).features
    assert free.u_mm > 0.01
    assert held.u_mm == pytest.approx(0.0, abs=1e-12)
    whole = part_model(one, [Feature("b", 2, [3, 0, 1], [0, 0, 1], 0.1, datum_operation=1)])
    leaning = [UncertaintySource.of(one.of_kind("part lean"), Spread(0.05))]
    assert part_budget(whole, leaning).features[0].u_mm == pytest.approx(0.0, abs=1e-12)
    assert part_budget(of, leaning).features[1].u_mm > 1e-3


def test_offsets_tell_what_each_source_adds_and_how_well_that_is_known():
    """By hand: a source's share is the square of its part in the whole, and degrees of freedom are Welch's."""
    one = model(setup_c=20.0)
    few = UncertaintySource.of(one.of_kind("line shift", "C"), Spread(0.004, dof=5))
    known = UncertaintySource.of(one.of_kind("step up", "wedge"), Spread(0.003))
    both, alone = offset_budget(one, [few, known]), [offset_budget(one, [source]) for source in (few, known)]
    squares = np.stack([np.square(budget.u_mm) for budget in alone], axis=-1)
    whole = squares.sum(axis=-1)
    assert both.u_mm == pytest.approx(np.sqrt(whole), rel=1e-12)
    assert both.shares == pytest.approx(squares / whole[..., None], rel=1e-9)
    for dof, share in zip(both.dof.reshape(-1), both.shares[..., 0].reshape(-1), strict=True):
        assert dof == pytest.approx(5.0 / share**2, rel=1e-6)
    # A tool's length is in no offset: of nothing, no source has a share.
    nothing = offset_budget(one, [UncertaintySource.of(one.of_kind("tool length"), Spread(0.1))])
    assert not nothing.shares.any()
    assert (nothing.u_mm == 0.0).all()


def test_what_does_not_conform_by_its_uncertainty_is_failing():
    of = part()
    tight = part_model(of.model, [FEATURES[0], Feature("tight", 1, [2, 1, -8], [0, 0, 1], 0.01)], SEAMS)
    budget = part_budget(tight, every_source(tight.model))
    wanted = [
        one
        for one in (*budget.features, *budget.seams)
        if one.of.tolerance_mm < one.expanded_mm + np.linalg.norm(one.expected_mm)
    ]
    assert "tight" in [getattr(one.of, "name", "") for one in wanted]
    assert "face" not in [getattr(one.of, "name", "") for one in wanted]
    assert list(budget.failing) == wanted


def test_shares_add_up_and_better_sources_help():
    of = part()
    budget = part_budget(of, every_source(of.model))
    for one in budget.features:
        assert one.shares.sum() == pytest.approx(1.0)
        assert (one.expanded_with(np.full(len(one.shares), 0.5)) <= one.expanded_mm * (1 + 1e-12)).all()
        best = int(one.shares.argmax())
        assert one.expanded_with(np.zeros(len(one.shares))).argmin() == best


def test_few_degrees_of_freedom_widen_the_interval():
    of = part(setup_c=20.0)
    quantities = of.model.of_kind("line shift", "C")
    known = UncertaintySource.of(quantities, Spread(0.005))
    poor = UncertaintySource.of(quantities, Spread(0.005, dof=3))
    for place in (1, 3):  # a direction, and a position's sphere
        sure, unsure = (part_budget(of, [one]).features[place] for one in (known, poor))
        assert unsure.dof == pytest.approx(3.0)
        assert unsure.expanded_mm / sure.expanded_mm == pytest.approx(3.182 / 1.960, rel=1e-3)
    # One degree of freedom, of a mean of two, is the fewest that there can be.
    assert Spread(0.005, dof=1).dof == 1.0
    with pytest.raises(KinematicsError, match="degrees of freedom"):
        Spread(0.005, dof=0.99)


def test_positions():
    """The sphere's probability for round, flat and slender ellipsoids: chi squared with 3, 2 and 1 degrees of freedom."""
    for diagonal, quantile in (((1, 1, 1), 2.7955), ((0, 1, 1), 2.4477), ((0, 0, 1), 1.9600)):
        radius = position_radius(np.diag(np.array(diagonal, dtype=float)))
        assert float(radius) == pytest.approx(quantile, abs=1e-4)
        assert float(position_probability(np.zeros(3), np.diag(diagonal), radius)) == pytest.approx(
            0.95, abs=1e-5
        )
    rng = np.random.default_rng(2)
    root = rng.normal(size=(3, 3))
    mean = np.array([0.5, -0.3, 1.0])
    trials = rng.normal(size=(400_000, 3)) @ root.T + mean
    share = (np.linalg.norm(trials, axis=1) <= 2.0).mean()
    assert float(position_probability(mean, root @ root.T, 2.0)) == pytest.approx(
        share, abs=5 * 0.5 / 400_000**0.5
    )


@pytest.mark.parametrize(
    ("features", "message"),
    [
        ([Feature("a", 0, [0, 0, 0]), Feature("a", 1, [0, 0, 0])], "every name once"),
        ([Feature("a", 7, [0, 0, 0])], "expected 0 to 2"),
        ([Feature("a", 0, [0, 0, 0], datum="b")], "expected a feature"),
        ([Feature("a", 0, [0, 0, 0], datum="b"), Feature("b", 0, [0, 0, 0], datum="a")], "no circle"),
    ],
)
def test_refusals(features, message):
    with pytest.raises(KinematicsError, match=message):
        part_model(model(), features)
