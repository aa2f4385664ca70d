"""Mistakes that were not in mind when the list was written, worked out plainly: `python second_list.py CASES`, by hand.

Each is a calculation of its own from the machine's and the stack's numbers. Counted is what is told of it: by a mistake of
the list, by the one figure that makes the numbers right, or nothing; and what was told falsely (a sure finding whose
numbers are not those of the mistake cannot be; so a name is printed, to be read).
"""
# ruff: noqa: ARG001, ARG005, RUF005 - all are called alike, and a list added to an array is a sum

import sys
from collections import Counter
from dataclasses import replace

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


def run(count):
    """What is told of each, in so many cases."""
    for name, work in SECOND.items():
        random, told, names = np.random.default_rng(5), Counter(), Counter()
        for _ in range(count):
            found = diagnosed(work, random)
            first = "nothing"
            if found.findings:
                first = "list"
                names[" + ".join(one.name for one in found.findings[0].made)] += 1
            elif found.traces:
                first = "figure"
                trace = found.traces[0]
                names[" & ".join(trace.names) + f" [{trace.relation}]"] += 1
            told[first] += 1
        sys.stdout.write(f"{name}: {dict(told)}\n")
        for words, times in names.most_common(4):
            sys.stdout.write(f"      {times:3} {words}\n")


if __name__ == "__main__":
    run(int(sys.argv[1]))
