"""Machines, stacks and angles to check with: general ones, in which nothing is square, equal or zero."""

from functools import cache

import numpy as np
from hypothesis import strategies as st

from kinematics import Machine, Platter, RotaryAxis, RotationSense, StackStep, rotation_about_line

LETTERS = ("A", "B", "C")
SENSES = tuple(RotationSense)


def assert_close(found, expected, *, within):
    """Nothing of either is farther from the other than that: what numpy adds in proportion is left out.

    Its usual 1e-7 of the size would let a tenth of a micrometre pass on a machine of one metre.
    """
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=within)


def flank_after_tilting(taper_per_foot, half_angle_deg):
    """Rise that is left over a foot of a cone's flank once the cone is tilted by its half angle; inches."""
    tilted = rotation_about_line([0, 0, 0], [0, 1, 0], half_angle_deg)
    start, end = tilted.apply([[0.0, 0.0, 0.0], [12.0, 0.0, taper_per_foot / 2.0]])
    return end[2] - start[2]


def hand_of(sense):
    """+1 for a table that a positive move turns right-handed; said here again, not asked of the library."""
    return {"counterclockwise": +1.0, "clockwise": -1.0}[sense.value]


def random_direction(rng):
    vector = rng.normal(size=3)
    return vector / np.linalg.norm(vector)


def random_machine(rng, rotaries=None, limits=None, reach_mm=1000.0, *, upright=False):
    """A machine of one to three rotaries in any direction, of either sense, off zero by any angle."""
    count = int(rng.integers(1, 4)) if rotaries is None else rotaries
    letters = rng.permutation(LETTERS)[:count]
    axes = []
    for letter in letters:
        direction = random_direction(rng)
        if upright and letter == letters[-1]:
            direction = np.array([0.0, 0.0, 1.0]) + 0.3 * direction
        axes.append(
            RotaryAxis(
                str(letter),
                rng.uniform(-reach_mm, reach_mm, 3),
                direction,
                SENSES[rng.integers(2)],
                limits,
                float(rng.uniform(-180.0, 180.0)),
            )
        )
    return Machine("random", tuple(axes), Platter(face_mm=float(rng.uniform(-reach_mm, reach_mm))))


def random_stack(rng, steps=3):
    return [
        StackStep(
            f"step {k}",
            up_mm=float(rng.uniform(0.0, 150.0)),
            shift_mm=tuple(rng.uniform(-80.0, 80.0, 2).tolist()),
            rotate=tuple((str(a), float(rng.uniform(-180.0, 180.0))) for a in rng.choice(list("xyz"), 2)),
            turn_deg=float(rng.uniform(-180.0, 180.0)),
        )
        for k in range(steps)
    ]


def square_machine(sense=RotationSense.CLOCKWISE, outer="A", limits=(None, None), face_mm=-40.0):
    """An A/C or B/C machine, its lines square and 0.1 mm and more apart."""
    along = [1.0, 0.0, 0.0] if outer == "A" else [0.0, 1.0, 0.0]
    tilt = RotaryAxis(outer, [0.0, -12.5, -87.25], along, sense, limits[0])
    table = RotaryAxis("C", [0.02, -12.4, 0.0], [0.0, 0.0, 1.0], sense, limits[1])
    return Machine("square", (tilt, table), Platter(face_mm=face_mm))


@cache
def lengths(most=1000.0):
    return st.floats(-most, most, allow_subnormal=False)


@cache
def points(most=1000.0):
    return st.tuples(lengths(most), lengths(most), lengths(most)).map(np.array)


@cache
def angles(most=720.0):
    return st.floats(-most, most, allow_subnormal=False)


@cache
def directions():
    """Directions of any length but nearly none, the axes' own among them."""
    part = st.floats(-1.0, 1.0, allow_subnormal=False)
    return st.tuples(part, part, part).map(np.array).filter(lambda v: np.linalg.norm(v) > 0.1)


ENDLESS = st.none()


@cache
def machines(least=1, most=3, limits=ENDLESS):
    """Any machine of that many rotaries. Its strategy is built once: building costs more than drawing."""
    kinds = st.tuples(
        st.lists(st.tuples(points(), directions(), st.sampled_from(SENSES), limits, angles(180.0)),
                 min_size=least, max_size=most),
        st.permutations(LETTERS),
        lengths(),
    )  # fmt: skip

    def build(drawn):
        axes, letters, face_mm = drawn
        rotaries = tuple(RotaryAxis(letter, *axis) for letter, axis in zip(letters, axes, strict=False))
        return Machine("drawn", rotaries, Platter(face_mm=face_mm))

    return kinds.map(build)


@cache
def turns():
    return st.tuples(st.sampled_from("xyz"), angles(360.0))


@cache
def stacks(most=3):
    step = st.builds(
        StackStep,
        name=st.just("step"),
        up_mm=lengths(200.0),
        shift_mm=st.tuples(lengths(200.0), lengths(200.0)),
        rotate=st.lists(turns(), max_size=2).map(tuple),
        turn_deg=angles(360.0),
    )
    return st.lists(step, max_size=most)


def pose_angles(machine, most=720.0):
    return st.lists(angles(most), min_size=len(machine.rotaries), max_size=len(machine.rotaries)).map(
        np.array
    )
