"""The working: it ends at the library's offset, and what is written on each line is true as written."""

import functools

import numpy as np
import pytest
from cases import any_machine, any_operation, any_stack, square_machine
from rework import work_again
from slices import cases

from kinematics import (
    KinematicsError,
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    compare_touch_off,
    place_operations,
    plane_from_normal,
    with_touched_zero,
)
from kinematics.teaching import (
    Digits,
    TouchDisplay,
    solve_by_matrices,
    solve_by_trigonometry,
    why_not_by_trigonometry,
    written,
)

CASES, BY_HAND_CASES = cases(2000), cases(1000)
WITHIN_MM = 1e-9  # a metre in float64, a dozen operations long


def _place_one(setup: Setup, operation: Operation):
    return place_operations(setup, [operation]).placed[0]


def test_the_last_line_is_the_library_s_offset_on_thousands_of_machines():
    random = np.random.default_rng(20260101)
    for _ in range(CASES):
        machine = any_machine(random)
        steps = any_stack(random)
        setup = Setup(
            machine,
            Setup.from_stack(machine, steps).part_in_table,
            random.uniform(-3.0, 3.0, len(machine.rotaries)),
        )
        placed = _place_one(setup, any_operation(random, machine))
        assert np.abs(solve_by_matrices(setup, placed, steps).offset_mm - placed.offset_mm).max() <= WITHIN_MM


def test_by_hand_reaches_the_same_digits_on_a_thousand_square_machines():
    random = np.random.default_rng(20260102)
    for _ in range(BY_HAND_CASES):
        machine = square_machine(random)
        steps = any_stack(random)
        setup = Setup.from_stack(machine, steps)
        placed = _place_one(setup, any_operation(random, machine))
        assert why_not_by_trigonometry(setup, steps) == ""
        assert (
            np.abs(solve_by_trigonometry(setup, placed, steps).offset_mm - placed.offset_mm).max()
            <= WITHIN_MM
        )


def test_by_hand_refuses_what_is_not_square():
    skew = RotaryAxis("A", [0, 0, 0], [1, 0.001, 0], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("skew", (skew,), Platter()), [])
    placed = _place_one(setup, Operation("op", program_deg=(10.0,)))
    with pytest.raises(
        KinematicsError, match="expected a square machine, found that rotary A does not run along"
    ):
        solve_by_trigonometry(setup, placed, [])
    measured = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    tilted = Setup.from_stack(
        Machine("tilted", (measured,), Platter(0.0, normal=np.array([0.001, 0.0, 1.0]))), []
    )
    assert "platter" in why_not_by_trigonometry(tilted, [])


@functools.cache
def _calculations(worker):
    """Every calculation of many workings."""
    random = np.random.default_rng(20260103)
    found = []
    for _ in range(cases(150)):
        machine = square_machine(random)
        steps = any_stack(random)
        setup = Setup.from_stack(machine, steps)
        placed = _place_one(setup, any_operation(random, machine))
        found += [one for line in worker(setup, placed, steps).lines for one in line.calculations]
    return found


@pytest.mark.parametrize("digits", [Digits(), Digits(unit_mm=25.4, length=5)], ids=["mm", "inch"])
@pytest.mark.parametrize("worker", [solve_by_matrices, solve_by_trigonometry])
def test_every_line_is_true_as_written(worker, digits):
    """Worked again from the printed digits, each line gives its printed result.

    The slack is what rounding the printed numbers allows: half a digit for each length added, and ratios and
    angles of 1e-8 and 1e-5 degrees acting on arms of up to 2 m.
    """
    seen = 0
    for calculation in _calculations(worker):
        text = written(calculation, digits)
        if text.count(" = ") < 2:
            continue
        again, printed = work_again(text)
        small = any(number.kind == "length" and abs(number.value) < 1.0 for number in calculation.numbers)
        if "tan⁻¹" in text and small:
            continue  # short legs carry too few digits for an angle to be read back
        slack = 2.5 * 10.0**-digits.length + 2000.0 / digits.unit_mm * 2e-7
        assert abs(again - printed) <= max(slack, 0.02 if "tan⁻¹" in text else 0.0), text
        seen += 1
    assert seen > cases(3000)


def test_signs_are_argued():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    setup = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=0.0)), [StackStep("post", 100.0)])
    working = solve_by_matrices(
        setup, _place_one(setup, Operation("op", program_deg=(-30.0, 60.0))), [StackStep("post", 100.0)]
    )
    rules = {line.key: line.rule for line in working.lines}
    # ISO 841 signs: a clockwise table at -30 stands +30 right-handed, which lifts its +Y.
    assert "the table is turned counterclockwise: a right-handed turn about +X of +30" in rules["A angle"]
    assert "The +Y of the table swings toward +Z." in rules["A angle"]
    assert "The +Y of the table swings toward -X." in rules["C angle"]


def test_a_touched_off_part_zero_is_taken_as_it_is():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    stack = Setup.from_stack(Machine("mill", (tilt,), Platter()), [StackStep("post", 100.0)])
    setup = with_touched_zero(stack, compare_touch_off(stack, [1.0, 2.0, 50.3], [0.0]))
    placed = _place_one(setup, Operation("op", program_deg=(-30.0,), origin_mm=[0.0, 4.0, -3.0]))
    for worker in (solve_by_matrices, solve_by_trigonometry):
        working = worker(setup, placed, None)
        np.testing.assert_allclose(working.offset_mm, placed.offset_mm, atol=WITHIN_MM)
        assert any("touched off" in line.rule for line in working.lines)
    with pytest.raises(KinematicsError, match="steps: expected the stack of the setup"):
        solve_by_matrices(setup, placed, [StackStep("post", 100.0)])


def test_a_touch_off_at_a_tilt_is_turned_back_line_by_line():
    tilt = RotaryAxis("A", [0, 3, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [0.1, -0.2, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    stack = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=0.0)), [StackStep("post", 100.0)])
    shown, pose = np.array([30.0, 44.0, 21.0]), np.array([-25.0, 40.0])
    setup = with_touched_zero(stack, compare_touch_off(stack, shown, pose))
    placed = _place_one(setup, Operation("op", program_deg=(-30.0, 10.0), origin_mm=[0.0, 4.0, -3.0]))
    for worker in (solve_by_matrices, solve_by_trigonometry):
        working = worker(setup, placed, None, (), TouchDisplay(shown, pose))
        lines = {line.key: line for line in working.lines}
        assert lines["touch"].result == pytest.approx(shown)
        assert lines["step 1"].result == pytest.approx(setup.part_in_table.translation_mm, abs=WITHIN_MM)
        assert {"touch A arm", "touch A back", "touch C arm", "touch C back"} <= set(lines)
        assert working.offset_mm == pytest.approx(placed.offset_mm, abs=WITHIN_MM)
        for line in working.lines:
            for one in line.calculations:
                if written(one, Digits()).count(" = ") == 2:
                    again, printed = work_again(written(one, Digits()))
                    assert again == pytest.approx(printed, abs=5e-4)


def test_a_clocked_part_that_was_touched_off_is_worked_by_hand():
    tilt = RotaryAxis("A", [0, 3, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    turn = RotaryAxis("C", [0.1, -0.2, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    machine = Machine("mill", (tilt, turn), Platter(face_mm=0.0))
    stack = Setup.from_stack(machine, [StackStep("post", 100.0, turn_deg=0.35)])
    setup = with_touched_zero(stack, compare_touch_off(stack, [1.0, 2.0, 50.3], [0.0, 0.0]))
    normal = plane_from_normal([1, 2, 4])
    placed = _place_one(setup, Operation("op", plane=normal, origin_mm=[5.0, 4.0, -3.0]))
    assert why_not_by_trigonometry(setup, None) == ""
    working = solve_by_trigonometry(setup, placed, None)
    assert working.offset_mm == pytest.approx(placed.offset_mm, abs=WITHIN_MM)
    lines = {line.key: line for line in working.lines}
    assert lines["aim direction"].result == pytest.approx(setup.part_in_machine.rotate(normal.normal))
    lines = {line.key: line for line in solve_by_matrices(setup, placed, None).lines}
    assert lines["part turn"].calculations[0].numbers[0].value == pytest.approx(0.35)


def test_a_skew_rotary_s_matrix_is_worked_entry_by_entry():
    skew = RotaryAxis("A", [0, 0, -50], [1, 0.02, -0.01], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("mill", (skew,), Platter()), [StackStep("post", 100.0)])
    working = solve_by_matrices(
        setup, _place_one(setup, Operation("op", program_deg=(-30.0,))), [StackStep("post", 100.0)]
    )
    (turn,) = (line for line in working.lines if line.key == "A turn")
    assert len(turn.calculations) == 2 + 9
    assert turn.result[2:].reshape(3, 3) == pytest.approx(turn.matrix)
    for one in turn.calculations:
        again, printed = work_again(written(one, Digits()))
        assert again == pytest.approx(printed, abs=5e-8)


def test_one_name_stands_for_one_point():
    random = np.random.default_rng(20260107)
    for _ in range(40):
        machine, steps = square_machine(random), any_stack(random)
        setup = Setup.from_stack(machine, steps)
        placed = _place_one(setup, any_operation(random, machine))
        for worker in (solve_by_matrices, solve_by_trigonometry):
            working = worker(setup, placed, steps)
            names = [name for swing in working.swings for name in (swing.before, swing.after)]
            assert names[1:-1:2] == names[2::2]
            assert len(set(names[1::2])) == len(working.swings)


def test_a_rotary_at_zero_has_one_line_and_stands_for_its_others():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("mill", (tilt,), Platter()), [])
    working = solve_by_matrices(setup, _place_one(setup, Operation("op", program_deg=(0.0,))), [])
    assert [line.key for line in working.lines] == ["origin", "all-zero", "A angle", "offset"]
    assert working.number_of("A turn") == working.number_of("A angle") == 3
    with pytest.raises(KinematicsError, match="expected one of origin"):
        working.number_of("B turn")


def test_a_stack_turned_about_two_axes_is_multiplied_entry_by_entry():
    """Its matrix stood there whole; and "s1 = sin" took the letter of step 1's shift."""
    steps = [
        StackStep("wedge", 10.0, rotate=(("x", 20.0), ("y", -35.0)), turn_deg=12.0),
        StackStep("vice", 40.0, rotate=(("z", 5.0),)),
    ]
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("mill", (tilt,), Platter()), steps)
    working = solve_by_matrices(setup, _place_one(setup, Operation("op", program_deg=(-30.0,))), steps)
    turns = {line.key: line for line in working.lines if " turn" in line.key and line.key.startswith("step")}
    assert list(turns) == ["step 1 turn 1", "step 1 turn 2", "step 1 turn", "step 2 turn"]
    for key, line in turns.items():
        names = [one.name for one in line.calculations]
        assert names[:2] == ["s", "c"]
        if key != "step 1 turn 1":
            assert line.result[2:].reshape(3, 3) == pytest.approx(line.matrix, abs=1e-15)
        for one in line.calculations:
            text = written(one, Digits())
            if text.count(" = ") == 2:
                again, printed = work_again(text)
                assert again == pytest.approx(printed, abs=5e-8), text
    assert turns["step 1 turn"].formula.startswith("R1 = R1b · Rz(12), ")
    assert turns["step 2 turn"].matrix == pytest.approx(setup.part_in_table.rotation)


@pytest.mark.parametrize("sense", RotationSense)
@pytest.mark.parametrize("worker", [solve_by_matrices, solve_by_trigonometry])
def test_a_rotary_s_work_offset_says_where_it_comes_from(worker, sense):
    tilt = RotaryAxis("A", [0, 3, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    turn = RotaryAxis("C", [0.1, -0.2, 0], [0, 0, 1], sense, None)
    steps = [StackStep("post", 100.0, turn_deg=0.35)]
    setup = Setup.from_stack(Machine("mill", (tilt, turn), Platter(face_mm=0.0)), steps).aligned("C")
    normal = plane_from_normal([1, 2, 4])
    placed = _place_one(setup, Operation("op", plane=normal, origin_mm=[5.0, 4.0, -3.0]))
    lines = {line.key: line.rule for line in worker(setup, placed, steps).lines}
    for key in ("aim turn", "C angle"):
        assert "which takes out the part's turn of 0.35 degrees about z" in lines[key]
    other = Setup(setup.machine, setup.part_in_table, [0.0, 7.0])
    lines = {
        line.key: line.rule
        for line in worker(other, _place_one(other, Operation("op", plane=normal)), steps).lines
    }
    assert "7 degrees, which the job sets" in lines["C angle"]


def test_what_a_touched_off_part_is_turned_by_is_told_by_hand_too():
    tilt = RotaryAxis("A", [0, 3, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 120.0))
    stack = Setup.from_stack(Machine("mill", (tilt,), Platter()), [StackStep("post", 100.0, turn_deg=0.35)])
    setup = with_touched_zero(stack, compare_touch_off(stack, [1.0, 2.0, 50.3], [0.0]))
    placed = _place_one(setup, Operation("op", program_deg=(-30.0,), origin_mm=[5.0, 4.0, -3.0]))
    rules = {line.key: line.rule for line in solve_by_trigonometry(setup, placed, None).lines}
    assert "turned by 0.35 degrees about z" in rules["part turn"]
    # An arm leads from a pivot, and there is none on the part.
    assert "the arm" not in rules["part turn"]
    assert "the arm" in rules["A turned"]
