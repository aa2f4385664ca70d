"""The lines from a direction to the program angles: true as they stand, and at the angles that `place_operations` finds."""

import numpy as np
import pytest
from cases import shop_case
from rework import work_again
from slices import cases

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    RotationSense,
    Setup,
    StackStep,
    place_operations,
    plane_from_normal,
)
from kinematics.teaching import Digits, solve_by_matrices, solve_by_trigonometry, written
from kinematics.teaching.angle_steps import aim_steps


def test_they_end_at_the_program_angles_and_are_true_as_written():
    random = np.random.default_rng(20260301)
    seen, tried = 0, cases(600)
    for _ in range(tried):
        setup, _, placed = shop_case(random)
        for one in placed:
            lines = aim_steps(setup, one)
            assert bool(lines) == (one.aim is not None)
            if not lines:
                continue
            assert [line.result[-1] for line in lines[1:3]] == pytest.approx(
                one.program_deg.tolist(), abs=1e-7
            )
            if len(lines) == 4:
                faced = setup.machine_axes(lines[3].result + setup.rotary_offset_deg)[2]
                assert faced == pytest.approx(one.plane.normal, abs=1e-7)
            for line in lines:
                for calculation in line.calculations:
                    text = written(calculation, Digits())
                    if text.count(" = ") == 2 and not (
                        "tan⁻¹" in text and "level" in line.rule and _short(calculation)
                    ):
                        again, printed = work_again(text)
                        assert again == pytest.approx(printed, abs=5e-5), text
                        seen += 1
    assert seen > 3 * tried


def _short(calculation) -> bool:
    return any(number.kind == "ratio" and abs(number.value) < 1e-3 for number in calculation.numbers)


@pytest.mark.parametrize(
    ("normal", "tilt_deg", "turn_deg"),
    [
        ((1, 1, 1), 54.735610317, 45.0),
        ((0.5, 0.5, np.sqrt(0.5)), 45.0, 45.0),
        ((1, 0, 1), 45.0, 90.0),
        ((0, 1, 1), 45.0, 0.0),
        ((2, -3, 6), 31.002719134, 146.309932474),
        ((-1, 2, 2), 48.189685104, 360.0 - 26.565051177),
        ((3, 4, 0), 90.0, 36.869897646),
    ],
)
def test_derived_angles_of_known_directions(normal, tilt_deg, turn_deg):
    """Derived here: tilt = atan2(sqrt(nx^2 + ny^2), nz), turn = atan2(nx, ny), both counterclockwise tables."""
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.COUNTERCLOCKWISE, (0.0, 120.0))
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.COUNTERCLOCKWISE, None)
    setup = Setup.from_stack(Machine("m", (tilt, turn), Platter(face_mm=0.0)), [])
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal(normal))]).placed
    _, leaned, turned, other = aim_steps(setup, placed)
    assert leaned.result[-1] == pytest.approx(tilt_deg, abs=1e-8)
    assert turned.result[-1] == pytest.approx(turn_deg, abs=1e-8)
    assert other.result == pytest.approx([-tilt_deg, (turn_deg + 180.0) % 360.0], abs=1e-8)
    assert "cannot be reached" in other.rule


def test_a_direction_that_faces_the_spindle_needs_no_triangle():
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("m", (tilt, turn), Platter(face_mm=0.0)), [])
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal([0, 0, 1]))]).placed
    assert [line.key for line in aim_steps(setup, placed)] == ["aim direction"]


def test_where_two_triangles_do_not_tell_the_angles_are_shown_to_be_right():
    """No angle comes from nowhere: a trunnion whose lines were measured had its angles without a word."""
    skew = RotaryAxis("A", [0, 0, -50], [1, 0.01, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [0, 0, 0], [0.002, 0, 1], RotationSense.CLOCKWISE, None)
    stack = [StackStep("post", 10.0, rotate=(("x", 20.0),))]
    setup = Setup.from_stack(Machine("m", (skew, turn), Platter(face_mm=0.0)), stack)
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal([0, 1, 1]))]).placed
    direction, shown = aim_steps(setup, placed)
    assert direction.formula == "n = R(T) · R · g"
    assert shown.key == "aim shown"
    assert shown.result == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    # What stands there is the direction above, turned by the two matrices that follow in the working.
    matrices = {line.key: line.matrix for line in solve_by_matrices(setup, placed, stack).lines}
    assert matrices["A turn"] @ matrices["C turn"] @ direction.result == pytest.approx(shown.result, abs=1e-9)


def test_a_square_machine_of_another_kind_is_not_called_askew():
    """Two level rotaries: by hand as well, where no matrix follows."""
    first = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    second = RotaryAxis("B", [0, 0, 0], [0, 1, 0], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("m", (first, second), Platter()), [])
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal([1, 2, 2]))]).placed
    shown = aim_steps(setup, placed)[-1]
    assert shown.result == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert "no tilt along X or Y that carries a rotary along Z" in shown.rule
    assert "by B, then by A" in shown.rule
    assert shown in solve_by_trigonometry(setup, placed, []).lines


@pytest.mark.parametrize("along", [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0)])
@pytest.mark.parametrize("sense", RotationSense)
def test_an_indexer_s_one_turn_is_worked(along, sense):
    """The front of a block stood at A 270 without a word on how."""
    random = np.random.default_rng(20261201)
    zero, offset = 3.0, -0.25
    turn = RotaryAxis("A", [5, -4, -50], along, sense, None, zero)
    for _ in range(25):
        lean = random.uniform(-180.0, 180.0) if _ else 90.0
        level, up = np.sin(np.radians(lean)), np.cos(np.radians(lean))
        normal = (0.0, level, up) if along[0] else (level, 0.0, up)
        setup = Setup(
            Machine("m", (turn,), Platter()),
            Setup.from_stack(Machine("m", (turn,), Platter()), []).part_in_table,
            [offset],
        )
        (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal(normal))]).placed
        _, worked = aim_steps(setup, placed)
        assert worked.result[-1] == pytest.approx(float(placed.program_deg[0]), abs=1e-7)
        for calculation in worked.calculations:
            text = written(calculation, Digits())
            if text.count(" = ") == 2 and not _short(calculation):
                again, printed = work_again(text)
                assert again == pytest.approx(printed, abs=5e-5), text


@pytest.mark.parametrize(("up", "words"), [(1.0, "need not tilt"), (-1.0, "half a turn")])
def test_a_direction_along_the_spindle_says_so(up, words):
    tilt = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, None)
    turn = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    setup = Setup.from_stack(Machine("m", (tilt, turn), Platter(face_mm=0.0)), [])
    (placed,) = place_operations(setup, [Operation("op", plane=plane_from_normal([0, 0, up]))]).placed
    (line,) = aim_steps(setup, placed)
    assert words in line.rule
