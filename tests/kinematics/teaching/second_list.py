"""Mistakes that were not in mind when the list was written, worked out plainly: `python second_list.py CASES`, by hand.

Each is a calculation of its own from the machine's and the stack's numbers. Counted is what is told of it: by a mistake of
the list, by the one figure that makes the numbers right, or nothing; and what was told falsely (a sure finding whose
numbers are not those of the mistake cannot be; so a name is printed, to be read).
"""
# ruff: noqa: ARG001, ARG005, RUF005 - all are called alike, and a list added to an array is a sum

import functools
import sys
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
from cases import answers_of, shop_case

from kinematics import Setup
from kinematics.teaching import diagnose


def offsets(setup, steps, placed, *, angles=None, origins=None, machine=None):
    """Offsets of another stack, angles, origins or machine."""
    changed = Setup(
        machine or setup.machine,
        Setup.from_stack(machine or setup.machine, steps).part_in_table,
        setup.rotary_offset_deg,
    )
    return np.array(
        [
            changed.work_offset(
                one.origin_mm if origins is None else origins[k],
                one.machine_deg if angles is None else angles[k],
            )
            for k, one in enumerate(placed)
        ]
    )


def _step(steps, k, **changes):
    return [replace(one, **changes) if j == k else one for j, one in enumerate(steps)]


def _moved(setup, i, by):
    """The machine with rotary i's pivot elsewhere; the platter stays."""
    rotaries = list(setup.machine.rotaries)
    rotaries[i] = replace(rotaries[i], point_mm=rotaries[i].point_mm + np.asarray(by))
    return replace(setup.machine, rotaries=tuple(rotaries))


SECOND = {}


def second(work):
    """Add a mistake to the list."""
    SECOND[work.__name__.strip("_").replace("_", " ")] = work
    return work


@second
def _half_the_standoff(s, st, p, r):
    return offsets(s, _step(st, 1, up_mm=st[1].up_mm / 2), p)


@second
def _standoff_of_another_height(s, st, p, r):
    return offsets(s, _step(st, 1, up_mm=st[1].up_mm + r.uniform(2, 30)), p)


@second
def _edge_finder_radius_in_x(s, st, p, r):
    return offsets(s, _step(st, 2, shift_mm=(st[2].shift_mm[0] + 5.0, st[2].shift_mm[1])), p)


@second
def _gauge_block_left_under_the_touch_off(s, st, p, r):
    return offsets(s, _step(st, 2, up_mm=st[2].up_mm + 50.0), p)


@second
def _tool_length_on_every_z(s, st, p, r):
    return offsets(s, st, p) + [0, 0, round(r.uniform(60, 160), 3)]


@second
def _origins_from_the_bottom_of_the_blank(s, st, p, r):
    return offsets(s, st, p, origins=[one.origin_mm + [0, 0, st[2].up_mm] for one in p])


@second
def _origins_as_diameters(s, st, p, r):
    return offsets(s, st, p, origins=[one.origin_mm * [2, 2, 1] for one in p])


@second
def _origins_halved_in_x(s, st, p, r):
    return offsets(s, st, p, origins=[one.origin_mm * [0.5, 1, 1] for one in p])


@second
def _every_origin_in_inches(s, st, p, r):
    return offsets(s, st, p, origins=[one.origin_mm / 25.4 for one in p])


@second
def _tilt_pivot_of_last_year(s, st, p, r):
    return offsets(s, st, p, machine=_moved(s, 0, [0, r.uniform(-1, 1), r.uniform(-1, 1)]))


@second
def _tilt_pivot_z_misread(s, st, p, r):
    return offsets(s, st, p, machine=_moved(s, 0, [0, 0, r.choice([-10.0, 10.0, 1.0, -1.0, 0.5])]))


@second
def _tilt_off_by_a_degree_everywhere(s, st, p, r):
    return offsets(s, st, p, angles=[one.machine_deg + [1, 0] for one in p])


@second
def _c_counted_from_y(s, st, p, r):
    return offsets(s, st, p, angles=[one.machine_deg + [0, 90] for one in p])


@second
def _pi_as_3_14(s, st, p, r):
    factor = 3.14 / np.pi
    zero = s.rotary_offset_deg
    return offsets(s, st, p, angles=[one.machine_deg * factor + 0 * zero for one in p])


@second
def _half_the_tilt(s, st, p, r):
    return offsets(s, st, p, angles=[one.machine_deg * [0.5, 1] for one in p])


def _turns(s, one):
    """The matrices of both turns, outer first."""
    found = []
    for rotary, angle in zip(s.machine.rotaries, one.machine_deg.tolist(), strict=True):
        t = np.radians(float(rotary.turn_deg(angle)))
        u = rotary.direction
        cross = np.array([[0, -u[2], u[1]], [u[2], 0, -u[0]], [-u[1], u[0], 0]])
        found.append(np.eye(3) + np.sin(t) * cross + (1 - np.cos(t)) * cross @ cross)
    return found


def _by_steps(s, p, work):
    rows = []
    for one in p:
        zero = np.asarray(s.work_offset(one.origin_mm, s.machine.zero_deg))
        outer, inner = s.machine.rotaries
        rows.append(work(zero, outer.point_mm, inner.point_mm, *_turns(s, one)))
    return np.array(rows)


@second
def _pivot_taken_off_twice(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pa + ra @ (pc + rc @ (w - pc) - 2 * pa))


@second
def _pivot_added_back_twice(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: 2 * pa + ra @ (pc + rc @ (w - pc) - pa))


@second
def _pivot_added_instead_of_taken_off(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pa + ra @ (pc + rc @ (w - pc) + pa))


@second
def _turned_back_about_c_after_a(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pa + ra @ (pc + rc.T @ (w - pc) - pa))


@second
def _both_about_the_platter_centre(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pc + ra @ rc @ (w - pc))


@second
def _face_added_twice(s, st, p, r):
    return _by_steps(
        s,
        p,
        lambda w, pa, pc, ra, rc: pa + ra @ (pc + rc @ (w + [0, 0, s.machine.platter.face_mm] - pc) - pa),
    )


@second
def _tilt_turned_twice(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pa + ra @ ra @ (pc + rc @ (w - pc) - pa))


@second
def _arm_of_c_forgotten_after_the_turn(s, st, p, r):
    return _by_steps(s, p, lambda w, pa, pc, ra, rc: pa + ra @ (np.array([*pc[:2], w[2]]) - pa))


@second
def _answers_relative_to_the_first(s, st, p, r):
    truth = offsets(s, st, p)
    return truth - truth[0] + [0, 0, 0]


@second
def _two_signs_of_three(s, st, p, r):
    return offsets(s, st, p) * [-1, -1, 1]


@second
def _answer_doubled(s, st, p, r):
    return offsets(s, st, p) * 2


@second
def _previous_job_s_blank(s, st, p, r):
    return offsets(s, _step(st, 2, up_mm=st[2].up_mm + 12.7, shift_mm=(0.0, 0.0)), p)


@second
def _x_and_y_from_the_wrong_row(s, st, p, r):
    truth = offsets(s, st, p)
    return np.column_stack([np.roll(truth[:, 0], 1), truth[:, 1], truth[:, 2]])


@second
def _cosine_of_the_complement(s, st, p, r):
    return _by_steps(
        s, p, lambda w, pa, pc, ra, rc: pa + np.where(np.eye(3) == 1, ra, -ra) @ (pc + rc @ (w - pc) - pa)
    )


def plain(work):
    """A mistake worked by a `Sheet`, called as those of the second list are."""
    return lambda setup, steps, placed, random: work(sheet_of(setup, steps, placed), random)


def added_to(works, *true):
    """Add a mistake to a list, with the words of which one must stand in what is rightly told of it."""

    def add(work):
        works[work.__name__.strip("_").replace("_", " ")] = plain(work), true
        return work

    return add


KEPT_ASIDE = {}
kept_aside = functools.partial(added_to, KEPT_ASIDE)


@dataclass
class Sheet:
    """A setup to work by, plainly: a stack along z that ends turned, a tilt about X or Y, a turn about Z."""

    up: list
    shift: list
    clock: float
    origins: np.ndarray
    angles: np.ndarray  # turns of the table, right-handed, degrees: tilt, turn
    sense: np.ndarray  # of both, 1 for counterclockwise
    tilt: np.ndarray
    turn: np.ndarray
    face: float
    about_x: bool

    @property
    def legs(self):
        """The two coordinates that a tilt changes."""
        return (1, 2) if self.about_x else (2, 0)

    @property
    def blank(self):
        """The top of the stack over the turning rotary's line, at the all-zero pose."""
        return np.array([*(self.turn[:2] + np.sum(self.shift, axis=0)), self.face + sum(self.up)])

    def start(self, origin):
        """An origin at the all-zero pose."""
        x, y = turned(origin[0], origin[1], self.clock)
        return self.blank + np.array([x, y, origin[2]])

    def turn_c(self, point, degrees):
        """A point after the platter's turn."""
        x, y = turned(*(point - self.turn)[:2], degrees)
        return np.array([self.turn[0] + x, self.turn[1] + y, point[2]])

    def tilt_a(self, point, degrees, swing=None):
        """A point after the tilt; `swing` turns the arm's two legs instead of the right way."""
        first, second = self.legs
        arm, new = point - self.tilt, np.array(point, dtype=float)
        new[first], new[second] = (swing or turned)(arm[first], arm[second], degrees)
        new[[first, second]] += self.tilt[[first, second]]
        return new

    def answers(self, swing=None):
        """The offsets."""
        return np.array(
            [
                self.tilt_a(self.turn_c(self.start(o), c), a, swing)
                for o, (a, c) in zip(self.origins, self.angles, strict=True)
            ]
        )


def turned(a, b, degrees):
    """Two legs turned from the first to the second."""
    s, c = np.sin(np.radians(degrees)), np.cos(np.radians(degrees))
    return c * a - s * b, s * a + c * b


def sheet_of(setup, steps, placed):
    """A shop's case as plain numbers."""
    outer, inner = setup.machine.rotaries
    return Sheet(
        [one.up_mm for one in steps],
        [one.shift_mm for one in steps],
        steps[-1].turn_deg,
        np.array([one.origin_mm for one in placed]),
        np.array(
            [
                [
                    float(r.turn_deg(a))
                    for r, a in zip(setup.machine.rotaries, one.machine_deg.tolist(), strict=True)
                ]
                for one in placed
            ]
        ),
        np.array([float(r.positive_turn.sign) for r in setup.machine.rotaries]),
        np.array(outer.point_mm),
        np.array(inner.point_mm),
        setup.machine.platter.face_mm,
        bool(outer.direction[0]),
    )


def swung(swing):
    """A mistake in working out the tilt's two new legs from the old ones, their sine and cosine."""

    def legs(a, b, degrees):
        return swing(a, b, np.sin(np.radians(degrees)), np.cos(np.radians(degrees)))

    return legs


@kept_aside()
def _cosine_pressed_for_every_sine(w, r):
    return w.answers(swung(lambda a, b, _s, c: (c * a - c * b, c * a + c * b)))


@kept_aside()
def _sine_pressed_for_every_cosine(w, r):
    return w.answers(swung(lambda a, b, s, _c: (s * a - s * b, s * a + s * b)))


@kept_aside("sine's sign")
def _both_sines_plus(w, r):
    return w.answers(swung(lambda a, b, s, c: (c * a + abs(s) * b, abs(s) * a + c * b)))


@kept_aside()
def _sine_from_the_next_row_of_the_table(w, r):
    def legs(a, b, degrees):
        s, c = np.sin(np.radians(degrees + 1.0)), np.cos(np.radians(degrees))
        return c * a - s * b, s * a + c * b

    return w.answers(legs)


@kept_aside("angle", "turn about")
def _whole_row_of_the_table_too_low(w, r):
    w.angles = w.angles + [1.0, 0.0]
    return w.answers()


@kept_aside()
def _radius_as_the_sum_of_the_legs(w, r):
    def legs(a, b, degrees):
        t = np.arctan2(b, a) + np.radians(degrees)
        return (abs(a) + abs(b)) * np.cos(t), (abs(a) + abs(b)) * np.sin(t)

    return w.answers(legs)


@kept_aside("arm")
def _radius_without_the_square_root(w, r):
    def legs(a, b, degrees):
        t, q = np.arctan2(b, a) + np.radians(degrees), (a * a + b * b) / 100.0
        return q * np.cos(t), q * np.sin(t)

    return w.answers(legs)


@kept_aside()
def _arc_tangent_to_whole_degrees(w, r):
    def legs(a, b, degrees):
        t, q = np.radians(round(float(np.degrees(np.arctan2(b, a)))) + degrees), np.hypot(a, b)
        return q * np.cos(t), q * np.sin(t)

    return w.answers(legs)


@kept_aside()
def _turn_taken_off_the_arm_s_angle_in_radians(w, r):
    def legs(a, b, degrees):
        t, q = np.degrees(np.arctan2(b, a)) + np.radians(degrees), np.hypot(a, b)
        return q * np.cos(np.radians(t)), q * np.sin(np.radians(t))

    return w.answers(legs)


@kept_aside("supplement", "angle")
def _supplement_of_the_tilt(w, r):
    w.angles = w.angles * [-1.0, 1.0] + [180.0, 0.0]
    return w.answers()


@kept_aside("angle")
def _minutes_typed_as_decimals(w, r):
    whole = np.trunc(w.angles[:, 0])
    w.angles[:, 0] = whole + (w.angles[:, 0] - whole) * 0.6
    return w.answers()


@kept_aside("angle", "turn about")
def _decimal_point_of_the_turn(w, r):
    w.angles = w.angles / [1.0, 10.0]
    return w.answers()


@kept_aside("angles exchanged")
def _tilt_and_turn_typed_in_each_other_s_places(w, r):
    w.angles = (w.angles * w.sense)[:, ::-1] * w.sense
    return w.answers()


@kept_aside("angle")
def _first_turn_kept_for_all(w, r):
    w.angles[:, 1] = w.angles[0, 1]
    return w.answers()


@kept_aside("angle")
def _turns_added_up_from_operation_to_operation(w, r):
    w.angles[:, 1] = np.cumsum(w.angles[:, 1])
    return w.answers()


@kept_aside()
def _started_from_the_operation_before(w, r):
    point, rows = None, []
    for o, (a, c) in zip(w.origins, w.angles, strict=True):
        point = w.tilt_a(w.turn_c(w.start(o) if point is None else point, c), a)
        rows.append(point)
    return np.array(rows)


@kept_aside("pivot")
def _pivot_not_taken_off_but_added(w, r):
    first, second = w.legs
    return w.answers(
        lambda a, b, degrees: turned(a + w.tilt[first], b + w.tilt[second], degrees),
    )


@kept_aside("pivot")
def _tilt_pivot_s_numbers_exchanged(w, r):
    first, second = w.legs
    w.tilt[[first, second]] = w.tilt[[second, first]]
    return w.answers()


@kept_aside("pivot")
def _tilt_pivot_s_height_without_its_minus(w, r):
    w.tilt[2] = abs(w.tilt[2])
    return w.answers()


@kept_aside("pivot")
def _mean_of_both_pivots_for_the_tilt(w, r):
    w.tilt = (w.tilt + w.turn) / 2.0
    return w.answers()


@kept_aside("pivot")
def _sum_of_two_pivot_readings_not_halved(w, r):
    w.tilt[2] = 2.0 * w.tilt[2]
    return w.answers()


@kept_aside("height")
def _digits_of_the_standoff_transposed(w, r):
    tens, ones = divmod(int(w.up[1]), 10)
    w.up[1] += 10 * (ones % 10) + tens % 10 - (10 * (tens % 10) + ones) if tens < 10 else 100.0
    return w.answers()


@kept_aside("height")
def _standoff_s_decimal_point(w, r):
    w.up[1] /= 10.0
    return w.answers()


@kept_aside("height")
def _sub_plate_s_height_from_the_line_below(w, r):
    w.up[0] = w.up[1]
    return w.answers()


@kept_aside("height")
def _nominal_height_of_the_standoff(w, r):
    w.up[1] = 5.0 * round(w.up[1] / 5.0)
    return w.answers()


@kept_aside("height", "shift")
def _blank_s_middle_for_its_top(w, r):
    w.up[2] /= 2.0
    return w.answers()


@kept_aside("face", "table", "height")
def _platter_face_without_its_minus(w, r):
    w.face = abs(w.face)
    return w.answers()


@kept_aside()
def _blank_put_on_after_the_turns(w, r):
    up = w.up[2]
    w.up[2] = 0.0
    return w.answers() + [0.0, 0.0, up]


@kept_aside("origin")
def _z_of_the_origin_alone_in_inches(w, r):
    w.origins = w.origins / [1.0, 1.0, 25.4]
    return w.answers()


@kept_aside("origin")
def _origin_turned_half_a_turn(w, r):
    w.origins = w.origins * [-1.0, -1.0, 1.0]
    return w.answers()


@kept_aside("origin")
def _origin_of_the_operation_after(w, r):
    w.origins = np.roll(w.origins, -1, axis=0)
    return w.answers()


@kept_aside("shift exchanged", "shift")
def _shifts_of_the_standoff_exchanged(w, r):
    w.shift[1] = w.shift[1][::-1]
    return w.answers()


@kept_aside("turn", "sign", "angle")
def _clocking_added_to_the_turn_once_more(w, r):
    w.angles = w.angles + [0.0, w.clock]
    return w.answers()


@kept_aside("Z", "inch")
def _z_alone_in_inches(w, r):
    return w.answers() / [1.0, 1.0, 25.4]


@kept_aside("X", "Y")
def _x_written_for_y_too(w, r):
    return w.answers()[:, [0, 0, 2]]


@kept_aside("numbers", "operation")
def _numbers_of_the_operation_after(w, r):
    return np.roll(w.answers(), -1, axis=0)


@kept_aside("cut off")
def _cut_off_after_two_decimals(w, r):
    return np.trunc(w.answers() * 100.0) / 100.0


@kept_aside("every number", "lost", "sign")
def _no_minus_on_the_calculator_s_screen(w, r):
    return np.abs(w.answers())


def diagnosed(work, random):
    """The diagnosis of a mistake in a random case of several operations in which it shows."""
    while True:
        setup, steps, placed = shop_case(random)
        if len(placed) < 2:
            continue
        truth = np.array([one.offset_mm for one in placed])
        wrong = work(setup, steps, placed, random)
        if np.abs(wrong - truth).max() > 0.006:
            return diagnose(setup, placed, steps, answers_of(wrong), tolerance_mm=0.005)


def told_of(found, true, digit_mm=0.001):
    """Counts of what is said of a mistake: by its own name or figure, by what gives the very same numbers, or falsely.

    Falsely: a sure finding whose numbers are not those answered, or which is one of two mistakes at once in some
    operations only, where it is none of the true ones.
    """
    findings, wrong = found.findings, {found.answers[k].operation for k in np.flatnonzero(found.wrong)}
    named = [_is_true(finding, true) for finding in findings]
    if findings and all(named):
        return "named"
    for finding, right in zip(findings, named, strict=True):
        part = len(finding.made) == 2 and set(finding.operations) != wrong
        if finding.sure and not right and (finding.left_mm > 0.55 * digit_mm or part):
            return "WRONGLY NAMED"
    if findings:
        return "same numbers" if any(finding.complete for finding in findings) else "a hint"
    if not found.traces:
        return "nothing"
    figures = [" ".join((*trace.names, *trace.same)) for trace in found.traces]
    return "figure" if not true or any(one in text for text in figures for one in true) else "another figure"


def _is_true(finding, true):
    words = " ".join(one.name for made in (finding.made, *finding.same) for one in made)
    return any(one in words for one in true)


def run(works, count, seed):
    """Counts of what is said of each, by name, work and what is true of it, in so many cases."""
    total = Counter()
    for name, (work, true) in works.items():
        random, told, names = np.random.default_rng(seed), Counter(), Counter()
        for _ in range(count):
            found = diagnosed(work, random)
            what = told_of(found, true)
            told[what] += 1
            for finding in found.findings:
                of = f"{len(finding.operations)} of {len({a.operation for a in found.answers})}"
                names[
                    what, " + ".join(one.name for one in finding.made) + f" (sure: {finding.sure}, {of})"
                ] += 1
            for trace in found.traces:
                names[what, " & ".join(trace.names) + f" [{trace.relation}]"] += 1
        total += told
        sys.stdout.write(f"{name}: {dict(told)}\n")
        for (what, words), times in names.most_common(5):
            sys.stdout.write(f"      {times:3} {what}: {words}\n")
        sys.stdout.flush()
    sys.stdout.write(f"in all: {dict(total)}\n")


if __name__ == "__main__":
    run(
        {**KEPT_ASIDE, **{name: (work, ()) for name, work in SECOND.items()}},
        int(sys.argv[1]),
        int(sys.argv[2]) if len(sys.argv) > 2 else 5,
    )
