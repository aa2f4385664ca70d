"""A third list of mistakes, thought of as thirty students would: `python third_list.py CASES [SEED]`, by hand.

Each is a plain calculation by `Sheet`; counted is what `second_list.py` counts.
"""
# ruff: noqa: ARG001, RUF005 - all are called alike, and a list added to an array is a sum

import functools
import sys

import numpy as np
from second_list import added_to, run, swung, turned

THIRD = {}
third = functools.partial(added_to, THIRD)


def turned_by(w, turn):
    """The answers with another way of turning the platter: a point and degrees to a point."""
    w.turn_c = turn
    return w.answers()


def tilted_by(w, tilt):
    """The answers with another way of tilting: a turned point and degrees to a point."""
    return np.array([tilt(w.turn_c(w.start(o), c), a) for o, (a, c) in zip(w.origins, w.angles, strict=True)])


@third("sines left out")
def _each_leg_times_the_cosine(w, r):
    return w.answers(swung(lambda a, b, _s, c: (c * a, c * b)))


@third("left out")
def _side_leg_taken_as_nothing(w, r):
    return w.answers(swung(lambda _a, b, s, c: (-s * b, c * b)))


@third()
def _divided_by_the_cosine(w, r):
    return w.answers(swung(lambda a, b, s, c: (a / c - s * b, s * a + b / c)))


@third()
def _arc_for_the_way(w, r):
    return w.answers(lambda a, b, degrees: (a - np.hypot(a, b) * np.radians(degrees), b))


@third()
def _tangent_times_the_height(w, r):
    return w.answers(lambda a, b, degrees: (a - b * np.tan(np.radians(degrees)), b))


@third()
def _cosine_as_one_less_the_sine(w, r):
    return w.answers(swung(lambda a, b, s, _c: ((1 - abs(s)) * a - s * b, s * a + (1 - abs(s)) * b)))


@third()
def _every_cosine_one(w, r):
    return w.answers(swung(lambda a, b, s, _c: (a - s * b, s * a + b)))


@third()
def _sine_as_the_angle_in_radians(w, r):
    def legs(a, b, degrees):
        s, c = np.radians(degrees), np.cos(np.radians(degrees))
        return c * a - s * b, s * a + c * b

    return w.answers(legs)


@third("supplement")
def _cosine_of_the_turn_always_positive(w, r):
    def turn(point, degrees):
        s = np.sin(np.radians(degrees))
        c = np.sqrt(1.0 - s * s)
        a, b = (point - w.turn)[:2]
        return np.array([w.turn[0] + c * a - s * b, w.turn[1] + s * a + c * b, point[2]])

    return turned_by(w, turn)


@third("angle")
def _degrees_times_180_over_pi(w, r):
    return w.answers(lambda a, b, degrees: turned(a, b, np.degrees(np.degrees(degrees))))


@third("every turn")
def _pi_as_3(w, r):
    w.angles = w.angles * 3.0 / np.pi
    return w.answers()


@third("angle")
def _tilt_to_five_degrees(w, r):
    w.angles[:, 0] = 5.0 * np.round(w.angles[:, 0] / 5.0)
    return w.answers()


@third("angle", "operation")
def _turns_of_two_operations_exchanged(w, r):
    w.angles[[0, 1], 1] = w.angles[[1, 0], 1]
    return w.answers()


@third("angle")
def _tilt_typed_for_the_turn_too(w, r):
    w.angles[:, 1] = w.angles[:, 0]
    return w.answers()


@third("sign", "sense", "turn about")
def _minus_of_the_tilt_never_typed(w, r):
    w.angles[:, 0] = np.abs(w.angles[:, 0])
    return w.answers()


@third("pivot in the turn")
def _turned_about_the_blank_s_centre(w, r):
    centre = w.blank

    def turn(point, degrees):
        x, y = turned(*(point - centre)[:2], degrees)
        return np.array([centre[0] + x, centre[1] + y, point[2]])

    return turned_by(w, turn)


@third("measured from the pivot", "constant")
def _answers_from_the_turning_pivot(w, r):
    return w.answers() - w.turn


@third("constant")
def _x_and_y_from_the_table_s_centre(w, r):
    return w.answers() - [*w.turn[:2], 0.0]


@third("not turned", "coordinate")
def _z_left_as_at_the_all_zero_pose(w, r):
    found = w.answers()
    found[:, 2] = [w.start(o)[2] for o in w.origins]
    return found


@third()
def _pivot_put_back_on_the_wrong_legs(w, r):
    first, second = w.legs

    def tilt(point, degrees):
        new = np.array(point)
        a, b = turned(point[first] - w.tilt[first], point[second] - w.tilt[second], degrees)
        new[first], new[second] = a + w.tilt[second], b + w.tilt[first]
        return new

    return tilted_by(w, tilt)


@third("origin")
def _origin_added_before_and_after(w, r):
    return w.answers() + w.origins


@third("origin")
def _origin_taken_off_after_the_turns(w, r):
    origins, w.origins = w.origins, 0.0 * w.origins
    return w.answers() - origins


@third("shift")
def _only_y_of_the_shift_reversed(w, r):
    x, y = w.shift[1]
    w.shift[1] = (x, -y)
    return w.answers()


@third("height")
def _heights_rounded_to_whole_mm(w, r):
    w.up = [float(round(up)) for up in w.up]
    return w.answers()


@third("height")
def _heights_read_as_if_from_the_platter(w, r):
    w.up = list(np.cumsum(w.up))
    return w.answers()


@third("pivot")
def _tilt_pivot_rounded_to_whole_mm(w, r):
    w.tilt = np.round(w.tilt)
    return w.answers()


@third("arm")
def _radius_of_the_turn_used_for_the_tilt(w, r):
    first, second = w.legs
    found = []
    for o, (a, c) in zip(w.origins, w.angles, strict=True):
        q = float(np.hypot(*(w.start(o) - w.turn)[:2]))
        point = w.turn_c(w.start(o), c)
        t = np.arctan2(point[second] - w.tilt[second], point[first] - w.tilt[first]) + np.radians(a)
        point[first], point[second] = w.tilt[first] + q * np.cos(t), w.tilt[second] + q * np.sin(t)
        found.append(point)
    return np.array(found)


@third()
def _radius_from_the_difference_of_squares(w, r):
    def legs(a, b, degrees):
        t, q = np.arctan2(b, a) + np.radians(degrees), np.sqrt(abs(b * b - a * a))
        return q * np.cos(t), q * np.sin(t)

    return w.answers(legs)


@third("angle")
def _arc_tangent_in_radians_added_to_degrees(w, r):
    def legs(a, b, degrees):
        t, q = np.radians(np.arctan2(b, a) + degrees), np.hypot(a, b)
        return q * np.cos(t), q * np.sin(t)

    return w.answers(legs)


@third()
def _x_mirrored_as_seen_from_behind(w, r):
    return w.answers() * [-1.0, 1.0, 1.0] + [2.0 * w.turn[0], 0.0, 0.0]


@third()
def _clocking_taken_at_the_tilt(w, r):
    w.angles, w.clock = w.angles + [w.clock, 0.0], 0.0
    return w.answers()


@third("sines to 3 decimals")
def _sines_cut_off_after_three_decimals(w, r):
    def legs(a, b, degrees):
        s, c = (np.trunc(1000.0 * f(np.radians(degrees))) / 1000.0 for f in (np.sin, np.cos))
        return c * a - s * b, s * a + c * b

    def turn(point, degrees):
        x, y = legs(*(point - w.turn)[:2], degrees)
        return np.array([w.turn[0] + x, w.turn[1] + y, point[2]])

    w.turn_c = turn
    return w.answers(legs)


@third()
def _mean_of_two_operations(w, r):
    found = w.answers()
    found[0] = (found[0] + found[1]) / 2.0
    return found


@third("left out")
def _sub_plate_forgotten_after_the_first_operation(w, r):
    first = w.answers()[:1]
    w.up[0] = 0.0
    return np.vstack([first, w.answers()[1:]])


@third("pivot", "height")
def _face_to_pivot_taken_off_not_added(w, r):
    w.tilt = w.tilt + [0.0, 0.0, 2.0 * (w.face - w.tilt[2])]
    return w.answers()


@third("origin", "height")
def _z_of_the_origin_up_from_the_blank_s_bottom(w, r):
    w.origins = w.origins * [1.0, 1.0, -1.0] + [0.0, 0.0, w.up[2]]
    return w.answers()


if __name__ == "__main__":
    run(THIRD, int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 5)
