"""The exact Jacobians against difference quotients of the model that approximates nothing, and that against the core."""

import itertools

import numpy as np
import pytest
from uncertain_setups import every_source, model

from kinematics import (
    Machine,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    compare_touch_off,
    with_touched_zero,
)
from kinematics.errors import KinematicsError
from kinematics.uncertainty import (
    CutPoint,
    ModelOperation,
    SetupModel,
    StackNode,
    TouchReading,
    UncertaintySource,
    draw_sources,
    offset_budget,
    setup_errors,
)

CASES = [
    {},
    {"touched": True},
    {"normal": [0.01, -0.02, 1.0]},
    {"indexer": True},
    {"indexer": True, "touched": True},
    {"setup_c": 20.0},
    {"nests": True},
    {"nests": True, "touched": True},
]
STEP = 1e-5
ROUNDING = 1e-12 / STEP
"""Coordinates of half a metre are rounded to 1e-13 mm: what a central difference can be wrong by, and a third-order rest."""


@pytest.mark.parametrize("case", CASES, ids=str)
def test_derivatives_are_those_of_the_exact_model(case):
    one = model(**case)
    count = len(one.quantities)
    ahead, behind = setup_errors(one, STEP * np.eye(count)), setup_errors(one, -STEP * np.eye(count))
    offsets, points = (np.moveaxis(a - b, 0, -1) / (2.0 * STEP) for a, b in zip(ahead, behind, strict=True))
    assert offsets == pytest.approx(one.offset_jacobian, abs=ROUNDING)
    for axis, direction in enumerate(np.eye(3)):
        found = one.deviation_jacobian(range(5), np.tile(direction, (5, 1)))
        assert points[:, axis] == pytest.approx(found, abs=ROUNDING)
        assert setup_errors(one, np.zeros(count))[1][:, axis] == pytest.approx(
            one.nominal_deviation(range(5), np.tile(direction, (5, 1))), abs=1e-11
        )


def test_a_machine_and_a_stack_that_are_off_are_the_machine_and_the_stack_measured_anew():
    """The exact model against `Setup` with the errors put into machine and stack by hand."""
    one = model(setup_c=20.0)
    values = np.zeros(len(one.quantities))
    c = one.machine.rotaries[1]
    basis = one.line_basis[1]
    tilt_deg = (0.3, -0.2)
    for name, value in (
        (("line shift", "C", "1"), 0.4),
        (("line shift", "C", "2"), -0.7),
        (("line tilt", "C", "1"), tilt_deg[0]),
        (("line tilt", "C", "2"), tilt_deg[1]),
        (("platter face",), 0.25),
        (("step up", "wedge"), 0.5),
        (("step shift", "wedge", "x"), -0.3),
        (("step turn", "wedge"), 1.5),
    ):
        values[one.index(*name)] = value
    direction = c.direction + np.radians(tilt_deg) @ basis
    moved = RotaryAxis(
        "C", c.point_mm + [0.4, -0.7] @ basis, direction, c.positive_turn, c.limits_deg, c.zero_deg
    )
    mill = Machine("mill", (one.machine.rotaries[0], moved), Platter(face_mm=-356.1 + 0.25))
    steps = [node.step for node in one.stacks[None]]
    wedge = StackStep("wedge", up_mm=95.5, shift_mm=(0.2, -0.3), rotate=steps[1].rotate, turn_deg=34.5)
    setup = Setup.from_stack(mill, [steps[0], wedge, steps[2]])
    for operation, was, error in zip(
        one.operations, one.offsets_mm, setup_errors(one, values)[0], strict=True
    ):
        now = setup.work_offset(operation.origin_mm, operation.machine_deg)
        assert now - was == pytest.approx(error, abs=1e-10)


def test_a_touch_off_takes_the_stack_out_of_the_offset_where_it_was_made():
    """At its own pose nothing but the reading is left; elsewhere the machine counts, and what turns the part."""
    one = model(touched=True)
    rows = one.offset_jacobian[1]
    assert np.abs(rows[:, one.index("step up", "plate")]).max() < 1e-12
    assert rows[:, [one.index("touch-off", "", axis) for axis in "xyz"]] == pytest.approx(
        -np.eye(3), abs=1e-12
    )
    turned = rows[:, one.index("step turn", "wedge")]
    assert np.linalg.norm(turned) <= np.radians(1.0) * np.linalg.norm(one.operations[1].origin_mm) + 1e-12


def test_the_touched_zero_is_the_one_of_the_core():
    one = model(touched=True)
    setup = Setup.from_stack(one.machine, [node.step for node in one.stacks[None]])
    touch = one.touches[None]
    setup = with_touched_zero(setup, compare_touch_off(setup, touch.at_mm, touch.machine_deg))
    for operation, offset in zip(one.operations, one.offsets_mm, strict=True):
        expected = setup.work_offset(operation.origin_mm, operation.machine_deg)
        assert offset == pytest.approx(expected, abs=1e-10)


def test_joint_covariance_of_all_offsets_is_that_of_plain_monte_carlo():
    one = model(touched=True, setup_c=20.0)
    sources = every_source(one, scale=0.1)
    budget = offset_budget(one, sources)
    trials = 40_000
    drawn = np.zeros((trials, len(one.quantities)))
    values = draw_sources(sources, trials, np.random.default_rng(7))
    for source, value in zip(sources, values, strict=True):
        drawn[:, one.columns(source)] = value.T
    offsets = setup_errors(one, drawn)[0].reshape(trials, -1)
    u = budget.propagated.u
    correlation, found = budget.covariance / np.outer(u, u), np.corrcoef(offsets.T)
    # A correlation from N trials scatters by 1/sqrt(N) at most: five of that in 81 of them.
    assert found == pytest.approx(correlation, abs=5.0 / np.sqrt(trials))
    assert offsets.std(axis=0) / u == pytest.approx(np.ones(len(u)), abs=5.0 / np.sqrt(2.0 * trials))


def test_what_a_nest_stands_on_is_its_own():
    """The common plate reaches both nests, the vice the left one alone; a touch-off takes out only its own nest's stack."""
    one, touched = model(nests=True), model(nests=True, touched=True)
    plate, vice, wedge = (one.index("step up", key) for key in ("plate", "vice", "wedge"))
    moves = np.linalg.norm(one.offset_jacobian, axis=1)
    assert moves[:, plate] == pytest.approx([1.0, 1.0, 1.0])
    assert moves[:, vice] == pytest.approx([1.0, 0.0, 0.0])
    assert moves[:, wedge] == pytest.approx([0.0, 1.0, 1.0])
    moves = np.linalg.norm(touched.offset_jacobian, axis=1)
    for key, own in (("plate", 1.0), ("vice", 1.0), ("wedge", 0.0)):
        assert moves[:, touched.index("step up", key)] == pytest.approx([own, 0.0, 0.0], abs=1e-12)


def test_whole_numbers_in_lists_are_kept_as_locked_floating_point_numbers():
    """And what is no vector of three, or not finite, is refused where it is given."""
    operation = ModelOperation("port", [0, -30], [0, 18, -12])
    touch = TouchReading([-380, -200, -170], [0, 45])
    point = CutPoint(0, [5, 0, -3])
    for array in (operation.machine_deg, operation.origin_mm, touch.at_mm, touch.machine_deg, point.at_mm):
        assert array.dtype == np.float64
        assert not array.flags.writeable
    for wrong in ([1, 2], [1, 2, float("nan")]):
        with pytest.raises(KinematicsError):
            CutPoint(0, wrong)
        with pytest.raises(KinematicsError):
            ModelOperation("port", [0, -30], wrong)
        with pytest.raises(KinematicsError):
            TouchReading(wrong, [0, 45])


def test_refusals():
    one = model()
    with pytest.raises(KinematicsError, match="expected one of the model's"):
        one.index("step up", "no such step")
    with pytest.raises(KinematicsError, match="shape"):
        UncertaintySource("step up", "plate", one.of_kind("step up", "plate"), np.eye(2))


def on_a_post(operations):
    """Operations on a post, on a mill with A under an endless C."""
    a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    stack = (StackNode("post", StackStep("post", up_mm=100.0)),)
    return SetupModel(Machine("mill", (a, c), Platter(face_mm=0.0)), {None: stack}, operations)


def test_places_that_are_next_to_each_other_share_their_error():
    """Two nests squared up 0.21 degrees apart, across 0 of an endless rotary; 1 mm of an axis, counted from the lowest."""
    angles = ([0.0, 0.12], [0.0, 359.91], [0.0, 90.12], [-30.0, 89.91], [-30.0, 0.63])
    origins = [[x, 0.0, 0.0] for x in (0.0, 0.4, 0.0, 0.0, 0.0)]
    operations = tuple(
        ModelOperation(f"op {k}", q, origin)
        for k, (q, origin) in enumerate(zip(angles, origins, strict=True))
    )
    model = on_a_post(operations)
    assert [one.place for one in model.of_kind("rotary angle", "A")] == [-30.0, 0.0]
    assert [one.place for one in model.of_kind("rotary angle", "C")] == [0.12, 0.63, 90.12]
    columns = [model.angle_column(1, q[1]) for q in angles]
    assert columns[0] == columns[1] != columns[4]
    assert columns[2] == columns[3]
    along_x = (
        model.offset_axis_columns(0)[0],
        model.offset_axis_columns(1)[0],
        model.offset_axis_columns(2)[0],
    )
    assert along_x[0] == along_x[1]
    # The error of one angle moves both nests' offsets.
    moved = model.offset_jacobian[:, :, columns[0]]
    assert np.abs(moved[1]).max() > 1e-3
    assert np.abs(moved[2:4]).max() == 0.0


def test_which_places_share_an_error_does_not_depend_on_the_order_of_operations():
    """Angles in a chain of steps below half a degree, across 0 of an endless rotary: every order gives the same budget."""
    angles = np.array([[-0.4, 359.7], [0.0, 0.1], [0.4, 0.5], [30.0, 359.3]])

    def covariance(order):
        operations = tuple(ModelOperation(f"op {k}", angles[k], [20.0, 5.0, 0.0]) for k in order)
        one = on_a_post(operations)
        moved = one.offset_jacobian[:, :, [one.quantities.index(k) for k in one.of_kind("rotary angle")]]
        found = np.einsum("aik,bjk->abij", moved, moved)
        back = np.argsort(order)
        return found[np.ix_(back, back)]

    first = covariance(range(4))
    assert np.abs(first[0, 1]).max() > 1e-4
    for order in itertools.permutations(range(4)):
        np.testing.assert_allclose(covariance(order), first, rtol=0.0, atol=1e-12)
