"""Corrections from measured parts: against other libraries, plain Monte Carlo, and parts with hidden causes."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hidden_causes import (
    U_MM,
    all_rows,
    cut_corrected,
    cut_part,
    drawn_part,
    exchanged,
    inspected,
    lost_sign,
    one_cause,
    simulated,
    two_causes,
)
from scipy import special, stats

from kinematics import KinematicsError, Machine, Platter, RotaryAxis, RotationSense, StackStep
from kinematics.uncertainty import (
    Feature,
    MeasuredDeviation,
    ModelOperation,
    OffsetCorrection,
    SetupEstimate,
    SetupModel,
    Spread,
    StackNode,
    UncertaintySource,
    correct_jointly,
    deviations_after,
    measured_parts,
    measurement_blunders,
    moved_by,
    next_feature,
    offset_correction,
    part_model,
    seating_spread,
    setup_prior,
    single_causes,
)
from kinematics.uncertainty.explanations import Explanations

TURNED = 12.884
"""Degrees from the part's y in which the slanted bore was measured."""


@pytest.fixture(scope="module")
def drawn():
    return drawn_part()


def off_by(part, kind, owner, value, component=""):
    values = np.zeros(len(part.model.quantities))
    values[part.model.index(kind, owner, component)] = value
    return values


def test_joint_estimate_is_the_least_squares_solution_with_the_prior_as_pseudo_readings(drawn):
    # Oracle: numpy's lstsq on whitened rows, prior and seating as further unknowns with pseudo readings of their own.
    part, sources = drawn
    rng = np.random.default_rng(2)
    cut = cut_part(part, off_by(part, "step up", "standoff", 0.03))
    measured = measured_parts(part, inspected(part, cut, [0, 4, 8, 13], rng))
    joint = correct_jointly(measured, sources)
    seating = [one for one in sources if one.kind.startswith("part")]
    columns = np.concatenate([joint.prior.columns, *(part.model.columns(one) for one in seating)])
    u = np.concatenate([joint.prior.u, *(one.u for one in seating)])
    rows = np.vstack([measured.jacobian[:, columns] / U_MM, np.diag(1.0 / u)])
    right = np.concatenate([measured.excess_mm / U_MM, np.zeros(len(u))])
    wanted, residual, *_ = np.linalg.lstsq(rows, right, rcond=None)
    count = len(joint.prior.columns)
    np.testing.assert_allclose(joint.estimate.values, wanted[:count], atol=1e-9)
    np.testing.assert_allclose(joint.budget_chi_square, residual[0], rtol=1e-9)
    covariance = np.linalg.inv(rows.T @ rows)[:count, :count]
    np.testing.assert_allclose(joint.estimate.covariance, covariance, atol=1e-12)


def test_posterior_agrees_with_plain_monte_carlo(drawn):
    # Oracle: setups drawn from the prior, kept by how well they fit (importance weights); no linear algebra.
    part, _ = drawn
    source = [
        UncertaintySource.of(part.model.of_kind("step up", "standoff"), Spread(0.01)),
        UncertaintySource.of(part.model.of_kind("line shift", "A"), Spread(0.008)),
    ]
    measured = measured_parts(
        part, [MeasuredDeviation(0, [0, 0, 1], -0.011, 0.006), MeasuredDeviation(9, [0, 1, 0], 0.004, 0.006)]
    )
    joint = correct_jointly(measured, source)
    rng = np.random.default_rng(5)
    drawn_values = rng.normal(size=(400_000, 3)) * joint.prior.u
    left = measured.excess_mm - drawn_values @ measured.jacobian[:, joint.prior.columns].T
    weight = np.exp(-0.5 * np.square(left / 0.006).sum(axis=1))
    mean = weight @ drawn_values / weight.sum()
    spread = np.sqrt(weight @ np.square(drawn_values - mean) / weight.sum())
    # 400,000 trials of which about half count: five standard deviations of the mean and of the spread.
    np.testing.assert_allclose(joint.estimate.values, mean, atol=5 * 0.01 / 400.0)
    np.testing.assert_allclose(joint.estimate.u, spread, atol=5 * 0.01 / 400.0)


def test_weighted_mean_of_two_features_agrees_with_the_uncertainties_package():
    # One unknown, two readings of different uncertainty, no other source: the weighted mean.
    from uncertainties import ufloat

    part, _ = drawn_part()
    measured = measured_parts(
        part, [MeasuredDeviation(0, [0, 0, 1], -0.050, 0.004), MeasuredDeviation(3, [0, 0, 1], -0.042, 0.002)]
    )
    causes = single_causes(correct_jointly(measured, ()), ())
    column = part.model.index("step up", "standoff")
    cause = next(one for one in causes.causes if one.column == column)
    slopes = measured.jacobian[:, column]
    values = [ufloat(-0.050, 0.004) / slopes[0], ufloat(-0.042, 0.002) / slopes[1]]
    weights = [one.s**-2 for one in values]
    mean = sum(w * one for w, one in zip(weights, values, strict=True)) / sum(weights)
    assert cause.value == pytest.approx(mean.n, abs=1e-12)
    assert cause.u == pytest.approx(mean.s, rel=1e-9)
    assert cause.stated_u is None
    assert cause.cost is None


def test_what_is_known_well_moves_little_and_what_is_not_stated_not_at_all(drawn):
    part, _ = drawn
    stated = [
        UncertaintySource.of(part.model.of_kind("step up", "standoff"), Spread(0.001)),
        UncertaintySource.of(part.model.of_kind("step up", "blank"), Spread(0.02)),
    ]
    cut = cut_part(part, off_by(part, "step up", "blank", 0.04))
    measured = measured_parts(part, inspected(part, cut, [0, 3], np.random.default_rng(1)))
    joint = correct_jointly(measured, stated)
    standoff, blank = joint.estimate.values
    assert blank == pytest.approx(400.0 * standoff)  # the ratio of the variances
    assert standoff + blank == pytest.approx(0.04, abs=0.005)
    assert {one.kind for one in joint.estimate.quantities} == {"step up"}


@pytest.mark.parametrize(
    ("kind", "owner", "component", "value"),
    [
        ("step up", "standoff", "", 0.05),
        ("line shift", "C", "1", 0.02),
        ("step turn", "blank", "", 0.03),
        ("tool length", "tool 1", "", -0.04),
        ("step shift", "blank", "x", 0.06),
    ],
)
def test_corrected_offsets_put_the_part_right_where_offsets_can(drawn, kind, owner, component, value):
    part, sources = drawn
    values = off_by(part, kind, owner, value, component)
    prior = setup_prior(part.model, sources)
    place = int(np.flatnonzero(prior.columns == part.model.index(kind, owner, component))[0])
    estimate = type(prior)(part.model, prior.columns[[place]], np.array([value]), np.array([[1e-12]]))
    correction = offset_correction(estimate)
    before = np.abs(cut_part(part, values)).max()
    after = np.abs(cut_corrected(part, values, correction)).max()
    assert correction.turns == (kind == "step turn")
    assert before > 0.01
    assert after < 1e-4  # of second order: 0.05 times 0.03 degrees
    expected, u = deviations_after(all_rows(part), estimate, correction, ())
    assert np.abs(expected).max() < 1e-4
    assert u.max() < 1e-4


def test_deviations_of_a_setup_that_is_right_are_not_significant(drawn):
    part, sources = drawn
    rng, found = np.random.default_rng(11), 0
    cut = cut_part(part, np.zeros(len(part.model.quantities)))
    for _ in range(100):
        joint = correct_jointly(measured_parts(part, inspected(part, cut, [0, 4, 8], rng)), sources)
        found += joint.significant
        assert joint.significant or single_causes(joint, sources).causes == ()
    assert found <= 8  # seating counts as noise but did not scatter: fewer than 5 of 100 are to be expected


def test_hidden_causes_are_named():
    # The whole run is `python tests/kinematics/uncertainty/hidden_causes.py 500`.
    said = simulated(one_cause, 15, seed=21, count=5)
    assert said["named"] >= 14
    assert said["then alone"] >= said["ambiguous"] - 1
    assert said["rows within 2 u of predicted"] >= 0.88 * said["rows"]  # the rows of one part go together


def test_two_hidden_causes_are_not_taken_for_one_with_certainty():
    assert simulated(two_causes, 20, seed=22, count=5)["false"] == 0


def slanted_bore_and_face(drill=None):
    """A bore at 30 degrees and a face that were measured, and a side face at 90 degrees that was not."""
    a = RotaryAxis("A", [0, 0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    stack = (StackNode("standoff", StackStep("standoff", up_mm=100.0)),)
    operations = (
        ModelOperation("face", [0.0, 0.0], [0, 0, 0]),
        ModelOperation("bore", [-30.0, 0.0], [0, -15.0, -10.0], tool=drill),
        ModelOperation("side", [-90.0, 0.0], [0, -25.0, -20.0]),
    )
    model = SetupModel(Machine("mill", (a, c), Platter(face_mm=0.0)), {None: stack}, operations)
    features = [
        Feature("bore", 1, [0, 0, -5.0], [0, 1, 0]),
        Feature("face", 0, [0, 0, 0], [0, 0, 1]),
        Feature("side", 2, [0, 0, 0], [0, 0, 1]),
    ]
    return part_model(model, features)


def test_two_explanations_of_two_numbers_that_differ_at_ninety_degrees():
    # The case that this was asked for after: a 30-degree bore 0.0021 in off and a face 0.0008 in low had two explanations
    # that fit both numbers, and whose corrections differ by 0.0127 in at 90 degrees. Worked by hand: the standoff is
    # 0.0008 in taller (the face); what the bore has left is the A axis off in Y, or in Z. The direction in which the bore
    # was measured is chosen so that the two come out as far apart as they did there.
    inch = 25.4
    part = slanted_bore_and_face()
    model = part.model
    along = [0.0, np.cos(np.radians(TURNED)), np.sin(np.radians(TURNED))]
    measured = measured_parts(
        part,
        [
            MeasuredDeviation(0, along, -0.0021 * inch, 0.0002 * inch),
            MeasuredDeviation(1, [0, 0, 1], -0.0008 * inch, 0.0002 * inch),
        ],
    )
    stated = [
        UncertaintySource.of(model.of_kind("step up"), Spread(0.0005 * inch)),
        UncertaintySource.of(model.of_kind("line shift", "A"), Spread(0.003 * inch)),
    ]
    causes = single_causes(correct_jointly(measured, stated), stated)
    assert causes.best == ()
    likely = [one for one in causes.pairs if one.first.stated_u and one.second.stated_u]
    assert [{one.first.quantity.kind, one.second.quantity.kind} for one in likely] == [
        {"step up", "line shift"},
        {"step up", "line shift"},
    ]
    side = [offset_correction(causes.pair_estimate(one)).shift_mm[2] for one in likely]
    assert np.linalg.norm(side[0] - side[1]) == pytest.approx(0.0127 * inch, abs=0.00005 * inch)
    more = next_feature(causes)
    assert more is not None
    assert part.features[more.feature].name == "side"
    assert not causes.certain


def test_no_pair_of_causes_is_larger_than_anybody_overlooks():
    """A bore measured across, its direction typed with three digits: no tool a metre shorter explains it."""
    part = slanted_bore_and_face("drill")
    across = [0.0, 0.866, -0.5]  # not quite square to the drill: a length of 1 mm shows as 0.00001 mm
    rows = [
        MeasuredDeviation(0, across, 0.03, 0.002),
        MeasuredDeviation(1, [0, 0, 1], -0.02, 0.002),
        MeasuredDeviation(0, [1, 0, 0], 0.0, 0.002),
    ]
    stated = [UncertaintySource.of(part.model.of_kind("step up"), Spread(0.01))]
    causes = single_causes(correct_jointly(measured_parts(part, rows), stated), stated)
    largest = {"mm": 5.0, "deg": 2.0, "K": 50.0}
    assert causes.pairs
    for one in causes.pairs:
        for cause, value in zip((one.first, one.second), one.values, strict=True):
            assert abs(value) <= largest[cause.quantity.unit]


def test_a_part_cut_with_a_correction_shows_what_the_correction_moves(drawn):
    """Against the exact model: nothing is off, the offsets are changed all the same, a datum's among them."""
    part, _ = drawn
    values = off_by(part, "step turn", "blank", 0.003)
    values[part.model.index("step shift", "blank", "x")] = 0.006
    columns = np.flatnonzero(values)
    estimate = SetupEstimate(part.model, columns, values[columns], 1e-12 * np.eye(2))
    correction = offset_correction(estimate)
    assert correction.turns
    nothing = np.zeros(len(part.model.quantities))
    cut = cut_corrected(part, nothing, correction) - cut_part(part, nothing)
    rows = [MeasuredDeviation(k, along, 0.0, 1.0) for k in (0, 4, 8, 13) for along in np.eye(3)]
    rows += [replace(one, datum=3) for one in rows]
    measured = measured_parts(part, rows)
    expected = (measured.along * cut[measured.point]).sum(axis=1)
    held = measured.datum_point >= 0
    assert held.sum() == 12
    expected[held] -= (measured.along * cut[measured.datum_point])[held].sum(axis=1)
    # Of second order: 6 micrometres, turned by 0.003 degrees.
    assert moved_by(measured, correction) == pytest.approx(expected, abs=5e-7)
    assert np.abs(expected).min() < 1e-3 < np.abs(expected).max()


def test_turns_are_alike_to_a_thousandth_of_a_degree():
    zero = np.zeros((3, 3))

    def turning(*turn):
        return OffsetCorrection(zero, zero, np.array(turn), np.zeros(3))

    assert turning(0.03, 0.0309, 0.0305).turns_alike()
    assert not turning(0.03, 0.0305, 0.0312).turns_alike()
    assert turning(0.03, 0.0305, 0.0312).turns_alike([0, 1])
    assert turning(0.03, 0.0305, 0.0312).turns_alike([])
    assert not turning(0.03, -0.03, 0.0).turns_alike([0, 1])
    assert turning(0.0, 0.0, 0.0).turns_alike()
    assert not turning(0.0, 0.0, 0.0).turns
    assert turning(0.0, 0.0, -0.002).turns


def test_what_the_deviations_say_nothing_about_is_told(drawn):
    """One face of the first operation, along z: it knows of what is under it, and of nothing sideways."""
    part, sources = drawn
    measured = measured_parts(part, [MeasuredDeviation(0, [0, 0, 1], -0.03, 0.002)])
    unsaid = {(one.kind, one.owner, one.component) for one in correct_jointly(measured, sources).unsaid}
    assert {("step shift", "blank", "x"), ("step turn", "blank", ""), ("tool length", "tool 1", "")} <= unsaid
    assert not {("step up", "standoff", ""), ("step up", "blank", ""), ("tool length", "tool 0", "")} & unsaid


def test_one_cause_under_several_names(drawn):
    """Standoff and blank stand on each other: no feature tells which of them is taller."""
    part, sources = drawn
    cut = cut_part(part, off_by(part, "step up", "standoff", 0.08))
    rows = inspected(part, cut, [0, 3, 6, 9, 12], np.random.default_rng(2))
    causes = single_causes(correct_jointly(measured_parts(part, rows), sources), sources)
    names = {(one.quantity.kind, one.quantity.owner): one for one in causes.causes if one.level == 1}
    standoff, blank = names["step up", "standoff"], names["step up", "blank"]
    assert blank in causes.same_as(standoff)
    assert standoff in causes.same_as(blank)
    assert standoff not in causes.same_as(standoff)
    assert all(one.group == standoff.group for one in causes.same_as(standoff))


def test_a_cause_beside_all_that_is_stated_is_least_squares_with_one_number_free(drawn):
    """Oracle: numpy's lstsq, what is stated as pseudo readings, and the cause free on top of what is stated of it."""
    part, stated = drawn
    sources = [one for one in stated if one.kind in {"step up", "step shift", "line shift"}]
    rng = np.random.default_rng(3)
    values = np.zeros(len(part.model.quantities))
    for source in sources:
        values[part.model.columns(source)] = source.u * rng.choice([-1.0, 1.0])
    for kind, owner, off in (("step turn", "blank", 0.2), ("step up", "blank", 0.12)):
        wrong = values.copy()
        wrong[part.model.index(kind, owner)] += off
        rows = inspected(part, cut_part(part, wrong), range(len(part.features)), rng)
        joint = correct_jointly(measured_parts(part, rows), sources)
        causes = single_causes(joint, sources)
        assert causes.others == "within limits"
        cause = next(one for one in causes.causes if one.column == part.model.index(kind, owner))
        found = causes.estimate(cause)
        measured, count = joint.measured, len(found.columns)
        u = dict(zip(joint.prior.columns.tolist(), joint.prior.u.tolist(), strict=True))
        held = [k for k, column in enumerate(found.columns.tolist()) if column in u]
        own = measured.jacobian[:, [cause.column]]
        pseudo = np.zeros((len(held), count + 1))
        pseudo[np.arange(len(held)), held] = [1.0 / u[int(found.columns[k])] for k in held]
        free = count if cause.column in u else int(np.flatnonzero(found.columns == cause.column)[0])
        whole = np.vstack([np.hstack([measured.jacobian[:, found.columns], own]) / U_MM, pseudo])
        if free != count:
            whole = whole[:, :-1]  # nothing is stated of it: it is the free number itself
        right = np.concatenate([measured.excess_mm / U_MM, np.zeros(len(held))])
        best = np.linalg.lstsq(whole, right, rcond=None)[0]
        covariance = np.linalg.inv(whole.T @ whole)
        add = np.eye(count, len(best))
        if free == count:
            add[int(np.flatnonzero(found.columns == cause.column)[0]), count] = 1.0
        assert found.values == pytest.approx(add @ best, abs=1e-7)
        assert found.covariance == pytest.approx(add @ covariance @ add.T, abs=1e-10)
        assert found.values[found.columns == cause.column][0] == pytest.approx(off, abs=0.03)


@pytest.mark.parametrize("u_mm", [None, 0.02])
def test_what_the_next_feature_would_tell_by_hand(u_mm):
    """A face 0.04 low: the post is taller, or A lower. At A-90 the one moves a bore along z, the other along y."""
    a = RotaryAxis("A", [0, 0, -50.0], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    stack = (StackNode("post", StackStep("post", up_mm=100.0)),)
    operations = (ModelOperation("top", [0.0], [0, 0, 0]), ModelOperation("side", [-90.0], [0, -25.0, -20.0]))
    model = SetupModel(Machine("mill", (a,), Platter(face_mm=0.0)), {None: stack}, operations)
    part = part_model(model, [Feature("face", 0, [0, 0, 0], [0, 0, 1]), Feature("bore", 1, [5, 0, -3])])
    stated = [
        UncertaintySource.of(model.of_kind("step up"), Spread(0.02)),
        UncertaintySource.of(model.of_kind("line shift", "A"), Spread(0.02)),
    ]
    off, u = 0.04, 0.002
    measured = measured_parts(part, [MeasuredDeviation(0, [0, 0, 1], -off, u)])
    causes = single_causes(correct_jointly(measured, stated), stated)
    assert {one.quantity.kind for one in causes.rivals} == {"line shift", "step up"}
    more = next_feature(causes, u_mm)
    assert more is not None
    assert more.feature == 1
    # A position's deviation is the length of what it moves by.
    assert more.expected_mm == pytest.approx((off, off), abs=1e-9)
    # If one is the truth, the other explains best with v: (off - v) is left of the face, off and v of the bore.
    face, bore = 1.0 / u**2, 1.0 / (u if u_mm is None else u_mm) ** 2
    chi_square = off**2 * (bore + face * bore / (face + bore))
    assert more.separation == pytest.approx(chi_square**0.5, rel=1e-6)
    # Each is taken for the other where scatter of standard deviation 2 sqrt(chi square) leaves a difference below 6.
    assert more.left == pytest.approx(stats.norm.cdf((6.0 - chi_square) / (2.0 * chi_square**0.5)), rel=1e-6)
    # Where all that is stated may be off besides, it hides as much of the difference as it can scatter.
    within = replace(causes, others="within limits")
    rows = measured_parts(
        part, [*measured.deviations, *(MeasuredDeviation(1, one, 0.0, 0.02) for one in np.eye(3))]
    )
    columns = [one.column for one in causes.rivals]
    stated_u = np.zeros(len(part.model.quantities))
    for source in stated:
        stated_u[part.model.columns(source)] = source.u
    spread = np.diag(np.square(rows.u_mm)) + (rows.jacobian * stated_u**2) @ rows.jacobian.T
    weights = np.linalg.inv(spread)
    one, other = rows.jacobian[:, columns].T
    left = []
    for true, tried in ((one, other), (other, one)):
        left.append(
            off**2 * (true @ weights @ true - (true @ weights @ tried) ** 2 / (tried @ weights @ tried))
        )
    if u_mm is not None:
        more = next_feature(within, u_mm)
        assert more is not None
        assert more.separation == pytest.approx(min(left) ** 0.5, rel=1e-6)
        assert min(left) ** 0.5 < 0.6 * chi_square**0.5


def slips(part, values, rng=None):
    """Deviations of eight features of a part, to make a slip in."""
    return inspected(part, cut_part(part, values), range(8), rng or np.random.default_rng(3))


def changed(deviations, row, factor=1.0, add=0.0):
    found = list(deviations)
    one = found[row]
    found[row] = MeasuredDeviation(
        one.feature, one.along, one.deviation_mm * factor + add, one.u_mm, one.serial
    )
    return found


def test_slips_of_the_measurement_are_found(drawn):
    part, sources = drawn
    good = slips(part, off_by(part, "step up", "standoff", 0.04))
    assert measurement_blunders(measured_parts(part, good), sources) == ()
    row = int(np.argmax([abs(one.deviation_mm) for one in good]))
    (sign, *_) = measurement_blunders(measured_parts(part, changed(good, row, -1.0)), sources)
    assert (sign.slip, sign.rows) == ("sign", (row,))
    (inch, *_) = measurement_blunders(measured_parts(part, changed(good, row, 25.4)), sources)
    assert (inch.slip, inch.rows) == ("too large by 25.4", (row,))
    doubts = measurement_blunders(measured_parts(part, changed(good, row, 1.0, 0.3)), sources)
    assert [one.rows for one in doubts] == [(row,)]


def test_a_lost_sign_is_named_where_the_budget_would_explain_the_numbers_as_they_are():
    # `hidden_causes.py 500` has the whole counts; before, fewer than half were named.
    said = simulated(lost_sign, 12, seed=31, count=6)
    assert said["named"] >= 8
    assert said["misnamed"] == said["false"] == 0


def test_two_features_with_each_other_s_figures_are_named():
    # `hidden_causes.py 500` has the whole counts; before, none was named, and a third had a sign doubted instead.
    said = simulated(exchanged, 8, seed=32, count=6)
    assert said["named"] >= 6
    assert said["misnamed"] == 0


def test_several_slips_in_a_long_table_are_named_and_none_where_three_things_are_off(drawn):
    part, sources = drawn
    rng, values = np.random.default_rng(12), off_by(part, "step up", "standoff", 0.05)
    found = [
        one
        for serial in range(4)
        for one in inspected(part, cut_part(part, values), range(15), rng, serial=str(serial))
    ]
    large = [k for k, one in enumerate(found) if abs(one.deviation_mm) > 0.03]
    slips = {large[3]: -1.0, large[11]: 25.4, large[-2]: -1.0}
    for row, factor in slips.items():
        found = changed(found, row, factor)
    doubts = measurement_blunders(measured_parts(part, found), sources)
    names = {1.0: "", -1.0: "sign", 25.4: "too large by 25.4"}
    assert {one.rows: one.slip for one in doubts} == {(row,): names[f] for row, f in slips.items()}
    assert all(one.together for one in doubts)
    misread = large[7]
    doubts = measurement_blunders(measured_parts(part, changed(found, misread, add=0.31)), sources)
    assert {row for one in doubts for row in one.rows} == {*slips, misread}
    assert next(one.slip for one in doubts if one.rows == (misread,)) == "value"
    many = sum(
        (
            off_by(part, *one)
            for one in (
                ("step up", "standoff", 0.15),
                ("line shift", "C", 0.12, "1"),
                ("step shift", "blank", -0.2, "y"),
            )
        ),
        np.zeros(len(part.model.quantities)),
    )
    wrong = inspected(part, cut_part(part, many), range(15), rng)
    assert measurement_blunders(measured_parts(part, wrong), sources) == ()


def test_lines_of_one_calibration_spread_the_deviations_together(drawn):
    """Oracle: the full product with a covariance whose quantities depend on each other."""
    part, sources = drawn
    rng = np.random.default_rng(17)
    measured = measured_parts(
        part, inspected(part, cut_part(part, np.zeros(len(part.model.quantities))), [0, 4, 8, 10], rng)
    )
    lines = part.model.of_kind("line shift", "A")
    root = rng.normal(size=(len(lines), len(lines))) * 0.004
    bound = UncertaintySource("calibration", "A", lines, root @ root.T)
    others = [one for one in sources if one.kind != "line shift" or one.owner != "A"]
    prior = setup_prior(part.model, [*others, bound])
    rows = measured.jacobian[:, prior.columns]
    assert np.count_nonzero(prior.covariance) > len(prior.columns)
    np.testing.assert_allclose(
        prior.spread(measured), rows @ prior.covariance @ rows.T, rtol=1e-12, atol=1e-18
    )


@pytest.mark.parametrize("most", [200, 12])
def test_evidence_is_the_mean_of_normal_densities(drawn, monkeypatch, most):
    """Oracle: scipy's multivariate normal with each explanation's own covariance; of many causes the likeliest in pairs."""
    part, sources = drawn
    values = off_by(part, "step up", "standoff", 0.05) + off_by(part, "line shift", "A", 0.06, "2")
    rows = inspected(part, cut_part(part, values), [0, 4, 8, 10, 12], np.random.default_rng(19))
    known = Explanations(measured_parts(part, rows), tuple(sources))
    monkeypatch.setattr("kinematics.uncertainty.explanations._MOST_PAIRED", most)
    excess, noise, spread = known.measured.excess_mm, known.noise, known.spread
    by_cause = known.measured.jacobian[:, known._columns] * known._causes_u  # noqa: SLF001 - of what they are is no matter here

    def density(covariance, figures=excess):
        constant = 0.5 * len(figures) * np.log(2.0 * np.pi)
        return stats.multivariate_normal.logpdf(figures, cov=covariance) + constant

    def mean(densities):
        return special.logsumexp(densities) - np.log(len(densities))

    alone = np.array([density(noise + np.outer(one, one)) for one in by_cause.T])
    kept = np.argsort(-alone, kind="stable")[:most]
    pairs = [
        density(noise + by_cause[:, pair] @ by_cause[:, pair].T) for pair in map(list, combinations(kept, 2))
    ]
    whole = [density(noise + spread + np.outer(one, one)) for one in by_cause.T]
    each = [density(noise + spread), density(noise + 9.0 * spread), mean(alone), mean(whole), mean(pairs)]
    assert known.left(excess) == pytest.approx(excess)
    assert known.evidence(excess[:, None])[0] == pytest.approx(special.logsumexp(each), abs=1e-6)


def test_chances_of_many_tables_at_once_are_those_of_each_by_itself(drawn):
    """Oracle: the joint estimate's chi-squares, and numpy's lstsq with one free cause, row by row left out."""
    part, sources = drawn
    rng = np.random.default_rng(13)
    rows = inspected(part, cut_part(part, off_by(part, "line shift", "A", 0.06, "2")), [0, 4, 8, 10], rng)
    measured = measured_parts(part, rows)
    known = Explanations(measured, tuple(sources))
    given = measured.excess_mm[:, None] * [1.0, 0.2, -3.0]
    noise = measured.noise(sources)
    prior = setup_prior(part.model, sources)
    for without in (None, 2):
        kept = [k for k in range(len(rows)) if k != without]
        wanted = []
        for figures in given.T:
            chances = []
            for covariance in (noise, noise + prior.spread(measured)):
                root = np.linalg.inv(np.linalg.cholesky(covariance[np.ix_(kept, kept)]))
                left, by_cause = root @ figures[kept], root @ measured.jacobian[kept]
                chances.append(float(stats.chi2.sf(left @ left, len(kept))))
                for kind, column in zip(part.model.quantities, by_cause.T, strict=True):
                    if kind.kind.split()[0] not in {"part", "axis"} and np.abs(column).max() > 1e-6:
                        rest = np.linalg.lstsq(column[:, None], left, rcond=None)[1][0]
                        chances.append(float(stats.chi2.sf(rest, len(kept) - 1)))
            wanted.append(max(chances) if max(chances[0], chances[len(chances) // 2]) < 0.05 else None)
        found = known.chances(given, without=without)
        for one, other in zip(found.tolist(), wanted, strict=True):
            assert other is None or one == pytest.approx(other, rel=1e-6, abs=1e-12)
        assert sum(one is not None for one in wanted) >= 2


def test_inch_for_millimetre_throughout_is_found(drawn):
    part, sources = drawn
    small = slips(part, off_by(part, "step up", "standoff", 0.02))
    large = [MeasuredDeviation(one.feature, one.along, one.deviation_mm * 25.4, one.u_mm) for one in small]
    doubts = measurement_blunders(measured_parts(part, large), sources)
    assert doubts == () or doubts[0].slip == "too large by 25.4"  # one cause of 0.5 mm fits as well
    rng = np.random.default_rng(4)
    many = np.zeros(len(part.model.quantities))
    for source in sources:
        many[part.model.columns(source)] = rng.normal() * source.u
    large = [
        MeasuredDeviation(one.feature, one.along, one.deviation_mm * 25.4, one.u_mm)
        for one in slips(part, many)
    ]
    (doubt, *_) = measurement_blunders(measured_parts(part, large), sources)
    assert doubt.slip == "too large by 25.4"
    assert len(doubt.rows) == len(large)


def test_spread_from_part_to_part_is_separated(drawn):
    part, _ = drawn
    rng = np.random.default_rng(6)
    found = []
    for serial in range(40):
        values = off_by(part, "step up", "standoff", 0.03)
        values[part.model.index("part up", "")] = rng.normal() * 0.012
        values[part.model.index("part shift", "", "y")] = rng.normal() * 0.008
        found += inspected(part, cut_part(part, values), [0, 4, 7, 10], rng, serial=str(serial))
    spread = {(one.kind, one.component): one for one in seating_spread(measured_parts(part, found))}
    # The standard deviation of 40 values has an uncertainty of 11 %: three of those.
    assert spread["part up", ""].u_mm == pytest.approx(0.012, rel=0.35)
    assert spread["part shift", "y"].u_mm == pytest.approx(0.008, rel=0.35)
    assert spread["part shift", "x"].u_mm < 0.002
    assert {one.dof for one in spread.values()} == {39}
    assert seating_spread(measured_parts(part, found[:4])) == ()


def test_seating_of_one_part_is_not_corrected(drawn):
    part, _ = drawn
    seating = [UncertaintySource.of(part.model.of_kind("part up"), Spread(0.02))]
    measured = measured_parts(part, [MeasuredDeviation(0, [0, 0, 1], -0.03, 0.002)])
    joint = correct_jointly(measured, seating)
    assert joint.estimate.values.size == 0
    assert not joint.significant
    assert np.abs(offset_correction(joint.estimate).shift_mm).max() == 0.0


def test_bad_input_is_refused(drawn):
    part, _ = drawn
    with pytest.raises(KinematicsError, match="expected one or more, found none"):
        measured_parts(part, [])
    with pytest.raises(KinematicsError, match="expected a feature from 0 to 14, found 15"):
        measured_parts(part, [MeasuredDeviation(15, [0, 0, 1], 0.0, 0.001)])
    with pytest.raises(KinematicsError, match="uncertainty: expected more than 0"):
        MeasuredDeviation(0, [0, 0, 1], 0.0, -0.001)


def test_posterior_and_chi_squares_are_calibrated(drawn):
    """Setups drawn from the prior itself: z-scores are standard normal, the chance of the deviations is uniform."""
    part, sources = drawn
    rng = np.random.default_rng(8)
    rows = inspected(part, cut_part(part, np.zeros(len(part.model.quantities))), [0, 4, 7, 9], rng)
    template = measured_parts(part, rows)
    prior = setup_prior(part.model, sources)
    seating = [one for one in sources if one.kind.startswith("part")]
    scores, chances = [], []
    for _ in range(200):
        values = rng.normal(size=len(prior.u)) * prior.u
        found = template.jacobian[:, prior.columns] @ values + rng.normal(size=len(rows)) * U_MM
        for one in seating:
            found = found + template.jacobian[:, part.model.columns(one)] @ (rng.normal(size=1) * one.u)
        given = [
            MeasuredDeviation(row.feature, row.along, float(value), row.u_mm)
            for row, value in zip(rows, found, strict=True)
        ]
        joint = correct_jointly(measured_parts(part, given), sources)
        scores.append((joint.estimate.values - values) / joint.estimate.u)
        chances.append(joint.budget_p)
    each = np.array(scores)
    # 200 draws: a mean within 4 of 1/sqrt(200), a spread within 4 of 1/sqrt(400), shares within 4 standard deviations.
    assert np.abs(each.mean(axis=0)).max() < 4.0 / 200**0.5
    assert np.abs(each.std(axis=0) - 1.0).max() < 4.0 / 400**0.5
    assert np.mean(np.array(chances) < 0.5) == pytest.approx(0.5, abs=4.0 * 0.5 / 200**0.5)
    assert np.mean(np.array(chances) < 0.1) == pytest.approx(0.1, abs=4.0 * 0.3 / 200**0.5)


def test_an_exact_cause_far_beyond_its_limits_is_found_and_is_not_certain(drawn):
    part, sources = drawn
    column = part.model.index("rotary angle", "A", place=-90.0)
    values = np.zeros(len(part.model.quantities))
    values[column] = 0.15  # fifty standard uncertainties
    rows = inspected(
        part, cut_part(part, values), range(len(part.features)), np.random.default_rng(7), u=0.002
    )
    causes = single_causes(correct_jointly(measured_parts(part, rows), sources), sources)
    assert [one.column for one in causes.rivals] == [column]
    assert causes.rivals[0].value == pytest.approx(0.15, abs=0.005)
    assert causes.far
    assert not causes.certain
