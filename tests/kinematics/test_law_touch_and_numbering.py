"""A touched-off part zero gives the chip back; nine work offsets are given out without a double."""

import laws
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from samples import assert_close, machines, points, pose_angles, stacks

from kinematics import (
    KinematicsError,
    Operation,
    Setup,
    assign_work_offsets,
    place_operations,
    table_frame,
    with_touched_zero,
    work_offset_code,
)


@given(st.data())
def test_a_chip_is_found_at_any_pose_in_the_table_frame(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    laws.chip_is_found(setup, data.draw(points(2.0)), data.draw(pose_angles(machine)))


@given(st.data())
def test_with_the_touched_zero_the_offset_is_what_was_read(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    pose = data.draw(pose_angles(machine))
    touch, read = laws.chip_is_found(setup, data.draw(points(2.0)), pose)
    used = with_touched_zero(setup, touch)
    assert_close(used.work_offset([0, 0, 0], pose), read, within=laws.WITHIN_MM)
    np.testing.assert_array_equal(used.part_in_table.rotation, setup.part_in_table.rotation)
    np.testing.assert_array_equal(used.rotary_offset_deg, setup.rotary_offset_deg)


@given(st.data())
def test_nothing_moved_is_nothing_found(data):
    machine = data.draw(machines())
    setup = Setup.from_stack(machine, data.draw(stacks()))
    pose = data.draw(pose_angles(machine))
    touch, _ = laws.chip_is_found(setup, np.zeros(3), pose)
    assert touch.distance_mm < laws.WITHIN_MM


def test_up_is_away_from_the_platter_also_when_the_table_hangs_over():
    setup = laws.general_setup()
    for pose in ([0.5, -2.0], [-89.5, 100.0], [-120.0, 250.0]):
        touch, _ = laws.chip_is_found(setup, np.array([0.0, 0.0, 0.15]), pose)
        assert touch.difference_mm[2] == pytest.approx(0.15, abs=1e-10)
    up = table_frame(setup.machine).rotate([0, 0, 1])
    assert_close(up, setup.machine.rotaries[-1].direction, within=1e-15)


def placed_with(numbers, *, apart=True):
    setup = laws.general_setup()
    return place_operations(
        setup,
        [
            Operation(f"op {k}", program_deg=(-1.0 * k * apart, 0.0), work_offset=number)
            for k, number in enumerate(numbers)
        ],
    ).placed


@given(st.lists(st.one_of(st.none(), st.integers(1, 9)), max_size=14))
def test_numbers_are_kept_given_once_and_shared_only_when_there_are_too_few(numbers):
    placed = placed_with(numbers)
    asked = {n for n in numbers if n is not None}
    wanting = numbers.count(None)
    if wanting and len(asked) == 9:
        with pytest.raises(KinematicsError, match="found all 9 taken and"):
            assign_work_offsets(placed)
        return
    given_out = assign_work_offsets(placed)
    assert len(given_out.numbers) == len(numbers)
    assert all(found == n for found, n in zip(given_out.numbers, numbers, strict=True) if n is not None)
    chosen = [found for found, n in zip(given_out.numbers, numbers, strict=True) if n is None]
    assert not set(chosen) & asked
    assert given_out.shared == (wanting > 9 - len(asked))
    if given_out.shared:
        assert len(set(chosen)) == 1
    else:
        assert chosen == [n for n in range(1, 10) if n not in asked][:wanting]
    doubles = sum(numbers.count(n) - 1 for n in asked)
    assert len(given_out.conflicts) == doubles


def test_one_number_twice_with_one_value_is_no_conflict():
    assert assign_work_offsets(placed_with([3, 3], apart=False)).conflicts == ()
    (conflict,) = assign_work_offsets(placed_with([3, None, 3])).conflicts
    assert (conflict.number, conflict.first, conflict.second) == (3, 0, 2)


@pytest.mark.parametrize(("apart_mm", "conflict"), [(2e-7, False), (5e-6, True), (0.001, True), (0.9, True)])
def test_one_work_offset_serves_two_operations_only_to_the_nanometre(apart_mm, conflict):
    """Two that differ by a tenth of a micrometre need two work offsets: sharing one would move the program."""
    setup = laws.general_setup()
    asked = [
        Operation("one", program_deg=(-10.0, 0.0), work_offset=4),
        Operation("two", program_deg=(-10.0, 0.0), work_offset=4, origin_mm=[apart_mm, 0.0, 0.0]),
    ]
    found = assign_work_offsets(place_operations(setup, asked).placed).conflicts
    assert [(one.number, one.first, one.second) for one in found] == ([(4, 0, 1)] if conflict else [])


def test_a_repeated_operation_takes_the_numbers_that_follow():
    setup = laws.general_setup()
    placed = place_operations(
        setup, [Operation("slot", program_deg=(0.0, 0.0), count=4, step_deg=90.0, work_offset=6)]
    ).placed
    assert assign_work_offsets(placed).numbers == (6, 7, 8, 9)
    beyond = place_operations(
        setup, [Operation("slot", program_deg=(0.0, 0.0), count=4, step_deg=90.0, work_offset=7)]
    ).placed
    with pytest.raises(KinematicsError, match="work offset: expected 1 to 9, found 10"):
        assign_work_offsets(beyond)


def test_the_nine_codes():
    """RS274/NGC, NISTIR 6556 section 3.5.13 (read): 1 is G54 ... 6 is G59, 7 to 9 are G59.1 to G59.3."""
    codes = ["G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"]
    assert [work_offset_code(k) for k in range(1, 10)] == codes
    for number in (0, -1, 10):
        with pytest.raises(KinematicsError, match=f"work offset: expected 1 to 9, found {number}"):
            work_offset_code(number)


def test_rotary_offsets_change_the_program_not_the_machine():
    setup = laws.general_setup()
    laws.program_and_machine_angles(setup)
    plain = Setup(setup.machine, setup.part_in_table, np.zeros(2))
    shifted = place_operations(setup, [Operation("a", program_deg=(-10.0, 20.0))]).placed[0]
    direct = place_operations(plain, [Operation("a", program_deg=(-9.75, 23.5))]).placed[0]
    np.testing.assert_array_equal(shifted.offset_mm, direct.offset_mm)
