"""A check that cannot fail is none: the library is made wrong on purpose, and the laws must notice.

Each mistake is one that somebody has made at a machine or a desk: the sense of turning, the order of the
rotaries, a zero added instead of taken off, degrees with a rounded pi.
"""

from dataclasses import replace

import laws
import numpy as np
import pytest
import test_law_aim
import test_law_aim_complete
import test_law_place
import test_law_touch_and_numbering
from samples import assert_close, random_machine, square_machine

import kinematics.angles
import kinematics.euler_angles
import kinematics.forward
import kinematics.inverse
import kinematics.inverse_candidates
import kinematics.machine
import kinematics.offset_allocation

# ruff: noqa: SLF001 - a mistake is put in where it would be made, inside the library.
import kinematics.orientation
import kinematics.placement
import kinematics.plane
import kinematics.rotary
import kinematics.spherical_triangle
import kinematics.stack
import kinematics.work_offsets
from kinematics import Pose, RotationSense, Setup, StackStep

RNG = np.random.default_rng(11)
TILTED = np.array([0.3, -0.6, 0.5])


def check_senses():
    for letter in "ABC":
        laws.sense_of_turning(letter)


def check_pivots():
    for sense in RotationSense:
        laws.derived_pivot_table(sense)


def check_paths():
    for _ in range(5):
        machine = random_machine(RNG, 3)
        laws.paths_agree(machine, RNG.uniform(-500, 500, 3), RNG.uniform(-300, 300, (4, 3)))


def check_isometry():
    laws.isometry(laws.general_setup().machine, [], 300.0 * RNG.normal(size=(4, 3)), [-40.0, 70.0])


def check_full_turn():
    for setup in (laws.general_setup(), Setup.from_stack(square_machine(), [])):
        laws.full_turn(setup, [10.0, 20.0, 30.0], [-40.0, 70.0], [3, -5])


def check_aim():
    laws.aim_then_forward(laws.general_setup().machine, TILTED, [0.0, 0.0])
    laws.aim_then_forward(square_machine(RotationSense.CLOCKWISE), TILTED, [0.0, 0.0])


def check_aim_at_the_edge():
    rng = np.random.default_rng(5)
    for exponent in (-12, -14, -16):
        test_law_aim.test_at_the_edge_of_the_reach_both_angles_are_wrong_together(rng, exponent)


def check_wraps():
    for seed in range(3):
        test_law_aim_complete.test_no_wrap_of_a_single_rotary_is_missed(seed)


def check_no_solution_missed():
    test_law_aim_complete.test_no_fitting_solution_is_missed(1)


def check_shortfall():
    for seed in (1, 5):
        test_law_aim_complete.test_what_cannot_be_reached_is_as_short_as_the_minimum(seed)


def check_codes():
    law = test_law_touch_and_numbering.test_numbers_are_kept_given_once_and_shared_only_when_there_are_too_few
    law.hypothesis.inner_test([None, 1, None])


def check_square_up():
    machine = square_machine()
    laws.squared_up(Setup.from_stack(machine, [StackStep("blank", turn_deg=12.0)]), "C")
    laws.clocking_is_taken_out(RotationSense.CLOCKWISE, 12.0)


def check_program_angles():
    laws.program_and_machine_angles(laws.general_setup())


def check_repeats():
    laws.repeats_about_the_parts_z(TILTED, [10.0, -20.0, 5.0], 5, 72.0)


def check_touch():
    laws.chip_is_found(laws.general_setup(), np.array([0.01, -0.02, 0.15]), [-40.0, 70.0])


def check_stack():
    laws.stack_order(40.0, 25.0)


def check_moved_first():
    """A step that is shifted and turned: the shift is in the frame it stands on."""
    step = kinematics.stack.StackStep("both", up_mm=10.0, shift_mm=(4.0, 0.0), turn_deg=90.0)
    assert_close(kinematics.stack.stack_pose([step]).translation_mm, [4.0, 0.0, 10.0], within=1e-12)


def check_zero():
    """At the angle it displays at the zero pose, nothing has moved."""
    machine = laws.general_setup().machine
    point = [10.0, 20.0, 30.0]
    assert_close(kinematics.forward.transform_points(machine, point, machine.zero_deg), point, within=1e-10)


def check_platter():
    laws.stands_on_the_platter(-40.0, 25.0)


def check_sharing():
    test_law_touch_and_numbering.test_one_work_offset_serves_two_operations_only_to_the_nanometre(
        0.001, conflict=True
    )


def check_ties():
    test_law_aim.test_of_equal_motions_the_smaller_tilt_is_taken()


def check_start():
    test_law_place.test_where_program_zero_is_out_of_limits_the_first_comes_from_the_nearest_limit()


CHECKS = [value for name, value in list(globals().items()) if name.startswith("check_")]


@pytest.mark.parametrize("check", CHECKS)
def test_the_checks_pass_on_the_library_as_it_is(check):
    check()


def reversed_rotaries(real):
    def wrong(machine, point):
        return real(replace(machine, rotaries=machine.rotaries[::-1]), point)

    return wrong


def turned_before_moved(step):
    real = kinematics.stack.StackStep(step.name, 0.0, (0.0, 0.0), step.rotate, step.turn_deg)
    turned = Pose(
        kinematics.euler_angles.rotation_from_intrinsic((*real.rotate, ("z", real.turn_deg))), np.zeros(3)
    )
    return turned @ kinematics.transform.translation(*step.shift_mm, step.up_mm)


def wrong_pose_order(machine, angles_deg):
    angles = machine.angles(angles_deg)
    reached = kinematics.transform.IDENTITY
    for i, rotary in enumerate(machine.rotaries):
        reached = rotary.pose_at(angles[..., i]) @ reached
    return reached


def rounded_pi(angle_deg):
    angle = np.asarray(angle_deg, dtype=float) * 3.1415926 / 180.0
    return np.sin(angle), np.cos(angle)


def without_quadrants(angle_deg):
    angle = np.radians(np.asarray(angle_deg, dtype=float))
    return np.sin(angle), np.cos(angle)


def one_by_one_corners(lines, off_inner, side):
    """Each corner by itself with the cosine rule: right to half the digits at the edge, and not together."""

    def corner(opposite, first, second):
        cosine = (np.cos(opposite) - np.cos(first) * np.cos(second)) / (np.sin(first) * np.sin(second))
        return np.arccos(np.clip(cosine, -1.0, 1.0))

    return corner(off_inner, lines, side), corner(side, lines, off_inner)


def first_solution_twice(*arguments):
    turns, short, loose = REAL["two"](*arguments)
    return np.repeat(turns[:1], 2, axis=0), short, loose


def half_as_short(real):
    def wrong(*arguments):
        turns, short, loose = real(*arguments)
        return turns, short / 2.0, loose

    return wrong


def one_number_for_all(numbering):
    return lambda placed: numbering.OffsetAllocation((1,) * len(placed), shared=False, conflicts=())


def without_tilt_key(machine_deg, feasible, motion):
    keys = REAL["rank"](machine_deg, feasible, motion)
    return [*keys[:-3], *keys[-2:]]


def start_not_clipped(setup):
    return setup.machine_deg(np.zeros(len(setup.machine.rotaries)))


def shrunken(function):
    return lambda *args: tuple(0.999999999 * part for part in function(*args))


REAL = {
    "coefficients": kinematics.forward.point_coefficients,
    "parts": kinematics.forward._parts,
    "frame": kinematics.machine.table_frame,
    "azimuth": kinematics.spherical_triangle.azimuth_rad,
    "one": kinematics.spherical_triangle.solve_one_axis,
    "two": kinematics.spherical_triangle.solve_two_axes,
    "rank": kinematics.inverse_candidates.rank_keys,
    "corners": kinematics.spherical_triangle._corners,
    "turn_about": kinematics.transform.rotation_about_axis,
    "line_up": kinematics.orientation.angle_to_align,
    "pose": kinematics.forward.table_pose,
}

MISTAKES = [
    ("the sense of turning", [(RotationSense, "sign", property(lambda s: 1 if s is RotationSense.CLOCKWISE else -1))],
     [check_senses, check_pivots]),
    ("no sense of turning", [(RotationSense, "sign", property(lambda _s: 1))], [check_senses, check_pivots]),
    ("the order of the rotaries, quick way", [(kinematics.forward, "point_coefficients",
     reversed_rotaries(REAL["coefficients"]))], [check_pivots, check_paths]),
    ("the order of the rotaries, plain way", [(kinematics.forward, "table_pose", wrong_pose_order)],
     [check_pivots, check_paths]),
    ("a turn about the origin instead of the line", [(kinematics.forward, "_parts",
     lambda r: tuple(p * np.array([1, 1, 1, 1]) - np.pad(p[:3, 3:], ((0, 1), (3, 0))) for p in REAL["parts"](r)))],
     [check_pivots, check_paths]),
    ("a zero added, not taken off", [(kinematics.rotary.RotaryAxis, "off_zero_deg", lambda r, q: np.asarray(q) + r.zero_deg)],
     [check_aim, check_zero]),
    ("a rounded pi", [(kinematics.forward, "sincos_deg", rounded_pi)], [check_full_turn, check_paths]),
    ("radians of whole turns", [(kinematics.forward, "sincos_deg", without_quadrants),
     (kinematics.transform, "sincos_deg", without_quadrants)], [check_senses]),
    ("a table that shrinks", [(kinematics.forward, "_parts", shrunken(REAL["parts"]))], [check_isometry, check_paths]),
    ("a stack turned before it is moved", [(kinematics.stack.StackStep, "pose", turned_before_moved)], [check_moved_first]),
    ("a platter at the rotary's point", [(kinematics.work_offsets, "table_frame",
     lambda m: Pose(np.eye(3), m.rotaries[-1].point_mm))], [check_platter]),
    ("aim: the azimuth's hand", [(kinematics.spherical_triangle, "azimuth_rad", lambda *a: -REAL["azimuth"](*a))], [check_aim]),
    ("aim: corners swapped", [(kinematics.spherical_triangle, "_corners", lambda *a: REAL["corners"](*a)[::-1])], [check_aim]),
    ("aim: corners by the cosine rule", [(kinematics.spherical_triangle, "_corners", one_by_one_corners)], [check_aim_at_the_edge]),
    ("square up the other way", [(kinematics.work_offsets, "angle_to_align", lambda *a: -REAL["line_up"](*a))], [check_square_up]),
    ("no squaring up", [(kinematics.work_offsets, "angle_to_align", lambda *_: 0.0)], [check_square_up]),
    ("an offset added, not taken off", [(kinematics.work_offsets.Setup, "program_deg",
     lambda s, q: np.asarray(q) + s.rotary_offset_deg)], [check_program_angles]),
    ("repeats the other way round", [(kinematics.plane, "rotation_about_axis",
     lambda along, angle: REAL["turn_about"](along, -np.asarray(angle)))], [check_repeats]),
    ("a touch not turned back", [(kinematics.work_offsets, "table_pose", lambda m, q: REAL["pose"](m, q).inverse())],
     [check_touch]),
    ("a touch in machine coordinates", [(kinematics.work_offsets, "table_frame",
     lambda m: Pose(np.eye(3), REAL["frame"](m).translation_mm))], [check_touch]),
    ("a wrap left out", [(kinematics.inverse_candidates, "equivalents_at_most", lambda _rotary: 1)], [check_wraps]),
    ("one of two solutions left out", [(kinematics.orientation, "solve_two_axes", first_solution_twice)], [check_no_solution_missed]),
    ("half as short", [(kinematics.orientation, "solve_two_axes", half_as_short(REAL["two"])),
     (kinematics.orientation, "solve_one_axis", half_as_short(REAL["one"]))], [check_shortfall]),
    ("work offsets alike to 1 mm", [(kinematics.offset_allocation, "SAME_WITHIN_MM", 1.0)], [check_sharing]),
    ("no tie-break by tilt", [(kinematics.inverse_candidates, "rank_keys", without_tilt_key)], [check_ties]),
    ("a start outside the limits", [(kinematics.Setup, "start_deg", property(start_not_clipped))], [check_start]),
    ("one number for all", [(test_law_touch_and_numbering, "assign_work_offsets", one_number_for_all(kinematics.offset_allocation))],
     [check_codes]),
]  # fmt: skip


@pytest.mark.parametrize(("wrong", "checks"), [m[1:] for m in MISTAKES], ids=[m[0] for m in MISTAKES])
def test_every_mistake_is_noticed(monkeypatch, wrong, checks):
    for where, name, value in wrong:
        monkeypatch.setattr(where, name, value)
    for check in checks:
        with pytest.raises(AssertionError):
            check()
