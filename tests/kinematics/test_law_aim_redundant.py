"""Three rotaries against a dense search: none that can be reached is refused, and no less motion is to be had.

The search knows none of the library's triangles: it turns one rotary through a fine grid, and of the other two the one
equation ``A + B cos t + C sin t = 0`` gives the angles. Each rotary has its turn as the one on the grid, so that no part
of the family is seen edge-on only.
"""

import itertools

import numpy as np
import pytest
from samples import SENSES, random_direction
from scipy.optimize import minimize
from scipy.spatial.transform import Rotation
from slices import cases

from kinematics import (
    Machine,
    Operation,
    Platter,
    RotaryAxis,
    Setup,
    aim,
    place_operations,
    plane_from_normal,
)

GRID = 720
SEARCH_WITHIN_DEG = 1e-5
"""At the turning point of the family, the arc cosine of the search is off by so much in motion."""

LIMITS = (None, (-120.0, 30.0), (-30.0, 30.0), (-200.0, 200.0), (-20.0, 20.0), (-400.0, 400.0), (0.0, 90.0))
Z = np.array([0.0, 0.0, 1.0])


def turned(axis, turns, vectors):
    """Vectors turned about an axis, by scipy alone; radians."""
    rotations = Rotation.from_rotvec(np.nan_to_num(np.atleast_1d(turns))[:, None] * axis)
    return rotations.apply(np.broadcast_to(vectors, (np.size(turns), 3)).copy())


def solved(constant, cosine, sine):
    """Both angles with ``constant + cosine cos t + sine sin t = 0``, NaN where there is none."""
    size = np.hypot(cosine, sine)
    ratio = np.where(np.abs(constant) <= size, -constant / np.where(size > 0.0, size, 1.0), np.nan)
    return [np.arctan2(sine, cosine) + side * np.arccos(ratio) for side in (1.0, -1.0)]


def angle_about(axis, start, end):
    return np.arctan2(np.cross(start, end) @ axis, (start * end).sum(axis=-1) - (start @ axis) * (end @ axis))


def parts(axis, vectors):
    along = np.outer(vectors @ axis, axis)
    return along, vectors - along, np.cross(axis, vectors)


def family(axes, wanted, on_grid):
    """Turns (2, GRID + 1, 3) that bring a direction to the spindle, the one on the grid given; radians."""
    a1, a2, a3 = axes
    grid = np.linspace(-np.pi, np.pi, GRID + 1)
    curves = []
    if on_grid == 0:
        target = turned(a1, -grid, Z)
        for third in solved(
            parts(a3, wanted[None])[0] @ a2 - target @ a2,
            *(np.broadcast_to(p @ a2, grid.shape) for p in parts(a3, wanted[None])[1:]),
        ):
            second = angle_about(a2, turned(a3, third, wanted), target)
            curves.append([grid, second + 0.0 * third, third])
    elif on_grid == 1:
        line = turned(a2, -grid, a1)
        constant, cosine, sine = (p[0] for p in parts(a3, wanted[None]))
        for third in solved(line @ constant - a1[2], line @ cosine, line @ sine):
            carried = Rotation.from_rotvec(grid[:, None] * a2).apply(turned(a3, third, wanted))
            curves.append(
                [angle_about(a1, carried, np.broadcast_to(Z, carried.shape)) + 0.0 * third, grid, third]
            )
    else:
        inner = turned(a3, grid, wanted)
        constant, cosine, sine = parts(a2, inner)
        for second in solved(constant @ a1 - a1[2], cosine @ a1, sine @ a1):
            carried = Rotation.from_rotvec(np.nan_to_num(second)[:, None] * a2).apply(inner)
            curves.append(
                [angle_about(a1, carried, np.broadcast_to(Z, carried.shape)) + 0.0 * second, second, grid]
            )
    return np.moveaxis(np.array(curves), 1, -1)


def allowed_motion(machine, poses, previous, tilt, offset):
    """Motion to poses (..., 3), NaN where limits or the tilt's sign rule them out."""
    motion = np.zeros(poses.shape[:-1])
    for i, rotary in enumerate(machine.rotaries):
        move = poses[..., i] - previous[i]
        if rotary.limits_deg is None:
            move = (move + 180.0) % 360.0 - 180.0
        else:
            low, high = rotary.limits_deg
            inside = (poses[..., i] >= low - 1e-9) & (poses[..., i] <= high + 1e-9)
            move = np.where(inside, move, np.nan)
        motion = motion + np.abs(move)
    if tilt is not None:
        # The outermost that does not stand along the spindle; where all do, the outermost.
        off_spindle = [
            np.hypot(*rotary.direction[:2]) > np.sin(np.radians(1.0)) for rotary in machine.rotaries
        ]
        i = int(np.argmax(off_spindle))
        tilts = poses[..., i] - (offset if i == 0 else 0.0)
        if machine.rotaries[i].limits_deg is None:
            tilts = (tilts + 180.0) % 360.0 - 180.0
        right = tilts >= -1e-9 if tilt == "positive" else tilts <= 1e-9
        motion = np.where(right, motion, np.nan)
    return motion


def searched(machine, wanted, previous, tilt, offset):
    """Every stretch of the family, whole turns included: its poses (..., 3) and motions, NaN where not allowed."""
    axes = [np.array(rotary.direction) for rotary in machine.rotaries]
    for on_grid in range(3):
        turns = np.degrees(family(axes, wanted, on_grid))
        base = np.stack([r.machine_deg(turns[..., i]) for i, r in enumerate(machine.rotaries)], axis=-1)
        base = (base + 180.0) % 360.0 - 180.0
        whole = [[0] if r.limits_deg is None else [-1, 0, 1] for r in machine.rotaries]
        for extra in itertools.product(*whole):
            poses = base + 360.0 * np.array(extra)
            motion = allowed_motion(machine, poses, previous, tilt, offset)
            if np.isfinite(motion).any():
                yield poses, motion


def drawn(rng, kind):
    """A machine with three rotaries: of any lines, square, nearly square, with lines that agree, or that nearly do."""
    if kind == 0:
        lines = [random_direction(rng) for _ in range(3)]
    elif kind == 1:
        lines = [np.eye(3)[j] for j in rng.permutation(3)]
    elif kind == 2:
        lines = [np.eye(3)[j] + 1e-4 * rng.normal(size=3) for j in rng.permutation(3)]
    else:
        lines = [np.eye(3)[j] + rng.integers(2) * np.eye(3)[rng.integers(3)] for j in rng.integers(3, size=3)]
        if kind == 4:
            lines = [line + 1e-5 * rng.normal(size=3) for line in lines]
    rotaries = tuple(
        RotaryAxis(
            letter, [0, 0, 0], line, SENSES[rng.integers(2)], LIMITS[rng.integers(len(LIMITS))],
            float(rng.choice([0.0, rng.uniform(-30, 30)])),
        )
        for letter, line in zip("ABC", lines, strict=True)
    )  # fmt: skip
    return Machine("three", rotaries, Platter(face_mm=0.0))


def within_limits(rng, machine):
    return np.array([rng.uniform(*(rotary.limits_deg or (-180.0, 180.0))) for rotary in machine.rotaries])


def back_from(machine, pose, direction=Z):
    """The direction of the work that a pose brings to a direction of the machine; by scipy."""
    for rotary, angle in zip(machine.rotaries, pose, strict=True):
        sign = {"counterclockwise": 1.0, "clockwise": -1.0}[rotary.positive_turn.value]
        turn = np.radians(-sign * (angle - rotary.zero_deg))
        direction = turned(np.array(rotary.direction), turn, direction)[0]
    return direction


def off_deg(machine, wanted, poses):
    """Angle from the spindle of a direction of the work at poses (..., 3)."""
    poses = np.asarray(poses)
    for i, rotary in reversed(list(enumerate(machine.rotaries))):
        sign = {"counterclockwise": 1.0, "clockwise": -1.0}[rotary.positive_turn.value]
        turns = np.radians(sign * (poses[..., i] - rotary.zero_deg)).ravel()
        wanted = turned(np.array(rotary.direction), turns, wanted)
    x, y, z = wanted.T
    return np.degrees(np.arctan2(np.hypot(x, y), z)).reshape(poses.shape[:-1])


@pytest.mark.parametrize(
    "kind", range(5), ids=["any", "square", "nearly square", "agreeing", "nearly agreeing"]
)
@pytest.mark.parametrize("seed", range(3))
def test_no_less_motion_and_no_false_refusal(seed, kind):
    rng = np.random.default_rng([seed, kind])
    refused = 0
    tried = cases(32)
    for case in range(tried):
        machine = drawn(rng, kind)
        previous = within_limits(rng, machine)
        wanted = back_from(machine, within_limits(rng, machine)) if case % 2 else random_direction(rng)
        tilt = (None, None, "positive", "negative")[rng.integers(4)]
        offset = float(rng.choice([0.0, 1.5]))
        found = aim(machine, wanted, previous, tilt=tilt, rotary_offset_deg=[offset, 0.0, 0.0])
        least = min(
            (np.nanmin(motion) for _, motion in searched(machine, wanted, previous, tilt, offset)),
            default=np.inf,
        )
        if not found.reaches():
            refused += 1
            assert least == np.inf, (case, machine, wanted, previous, tilt)
            continue
        best = found.best
        assert off_deg(machine, wanted, best.machine_deg) < 1e-7
        own = allowed_motion(machine, np.array(best.machine_deg), previous, tilt, offset)
        assert own == pytest.approx(best.motion_deg, abs=1e-9)
        assert best.motion_deg <= least + SEARCH_WITHIN_DEG, (case, machine, wanted, previous, tilt)
    assert refused < tried


@pytest.mark.parametrize("seed", range(3))
def test_every_minimum_of_the_search_is_listed_and_every_one_listed_is_a_minimum(seed):
    rng = np.random.default_rng(seed)
    seen = 0
    for _ in range(cases(15)):
        machine = drawn(rng, 0)
        previous = within_limits(rng, machine)
        wanted = back_from(machine, within_limits(rng, machine))
        found = aim(machine, wanted, previous)
        listed = found.machine_deg[found.feasible]
        motions = found.motion_deg[found.feasible]
        endless = np.array([rotary.limits_deg is None for rotary in machine.rotaries])

        def apart(one, others, endless=endless):
            away = np.abs(np.asarray(others) - one)
            return np.where(endless, np.minimum(away % 360.0, -away % 360.0), away).max(axis=-1)

        for poses, motion in searched(machine, wanted, previous, None, 0.0):
            for curve, along in zip(poses, motion, strict=True):
                middle, before, after = along[1:-1], along[:-2], along[2:]
                lower = (middle < before - 1e-6) & (middle < after - 1e-6)
                for j in np.flatnonzero(lower) + 1:
                    reach = max(apart(curve[j], curve[j - 1]), apart(curve[j], curve[j + 1]))
                    if reach < 5.0:  # farther, and the grid has jumped from one part of the family to another
                        seen += 1
                        assert apart(curve[j], listed).min() <= reach + 0.05
            for pose, least in zip(listed, motions, strict=True):
                close = apart(pose, poses.reshape(-1, 3)) < 0.3
                near = motion.reshape(-1)[close]
                assert not (near < least - SEARCH_WITHIN_DEG).any()
    assert seen > cases(20)


@pytest.mark.parametrize("seed", range(4))
def test_what_a_limit_stops_within_the_tolerance_is_reached_at_the_limit(seed):
    """A pose at limits leaves the direction 0.008 degrees off, some way that no exact pose need make good."""
    rng = np.random.default_rng(seed)
    at_limits = 0
    for _ in range(cases(40)):
        tight = tuple(
            RotaryAxis(letter, [0, 0, 0], random_direction(rng), SENSES[rng.integers(2)], (-20.0, 15.0))
            for letter in "ABC"
        )
        machine = Machine("tight", tight, Platter(face_mm=0.0))
        pose = np.where(
            rng.random(3) < 0.8, np.array([-20.0, 15.0])[rng.integers(2, size=3)], rng.uniform(-20, 15, 3)
        )
        across = np.append(rng.normal(size=2), 0.0)
        off = Z + np.tan(np.radians(0.008)) * across / np.linalg.norm(across)
        wanted = back_from(machine, pose, off / np.linalg.norm(off))
        found = aim(machine, wanted, [0.0, 0.0, 0.0], tolerance_deg=0.01)
        assert bool(found.reaches(0.01))
        best = found.best
        assert off_deg(machine, wanted, best.machine_deg) == pytest.approx(best.misalignment_deg, abs=1e-7)
        assert all(rotary.within(q) for rotary, q in zip(tight, best.machine_deg, strict=True))
        at_limits += best.misalignment_deg > 0.0
    assert at_limits > 0


@pytest.mark.parametrize("seed", range(6))
def test_what_no_pose_reaches_is_as_near_as_the_minimum(seed):
    rng = np.random.default_rng(seed)
    while True:
        lines = [Z + 0.3 * random_direction(rng) for _ in range(3)]
        rotaries = tuple(
            RotaryAxis(letter, [0, 0, 0], line, SENSES[rng.integers(2)], None)
            for letter, line in zip("ABC", lines, strict=True)
        )
        machine, wanted = Machine("steep", rotaries, Platter(face_mm=0.0)), random_direction(rng)
        found = aim(machine, wanted, [0.0, 0.0, 0.0])
        if found.solutions[0].misalignment_deg > 0.5:
            break
    starts = np.array(list(itertools.product(np.arange(-180.0, 180.0, 45.0), repeat=3)))
    start = starts[np.argmin(off_deg(machine, wanted, starts))]
    options = {"xatol": 1e-10, "fatol": 1e-14, "maxiter": 4000, "maxfev": 4000}
    axes = np.array([rotary.direction for rotary in rotaries])
    signs = np.array([{"counterclockwise": 1.0, "clockwise": -1.0}[r.positive_turn.value] for r in rotaries])

    def off(pose):
        """`off_deg` of one pose, all three turns made at once: it is asked for thousands of times."""
        first, second, third = Rotation.from_rotvec((np.radians(signs * pose))[:, None] * axes).as_matrix()
        x, y, z = first @ (second @ (third @ wanted))
        return np.degrees(np.arctan2(np.hypot(x, y), z))

    best = minimize(off, start, method="Nelder-Mead", options=options)
    assert found.solutions[0].misalignment_deg == pytest.approx(best.fun, abs=1e-7)
    named = off_deg(machine, wanted, found.solutions[0].machine_deg)
    assert named == pytest.approx(found.solutions[0].misalignment_deg, abs=1e-9)


def test_a_chain_of_operations_takes_the_least_motion_of_the_family():
    """Derived here: with A and A' along X and both level, a face tipped by 40 wants 40 in all, however it is shared."""
    outer = RotaryAxis("A", [0, 0, 0], [1, 0, 0], SENSES[1], (-25.0, 25.0))
    inner = RotaryAxis("B", [0, 0, 0], [1, 0, 0], SENSES[1], (-25.0, 25.0))
    table = RotaryAxis("C", [0, 0, 0], [0, 0, 1], SENSES[1], (-10.0, 10.0))
    setup = Setup.from_stack(Machine("two tilts", (outer, inner, table), Platter(face_mm=0.0)), [])
    normal = [0.0, np.sin(np.radians(40.0)), np.cos(np.radians(40.0))]
    (at,) = place_operations(setup, [Operation("face", plane=plane_from_normal(normal))]).placed
    assert at.machine_deg[0] + at.machine_deg[1] == pytest.approx(40.0, abs=1e-9)
    assert at.machine_deg[2] == pytest.approx(0.0, abs=1e-9)
    assert sorted(at.machine_deg[:2].round(9).tolist()) == [15.0, 25.0]
