"""Three moving rotaries: the one-parameter family of poses that reach a direction, and those of locally least motion.

Motion is a sum of sizes, so that along the family it has a minimum where a rotary keeps its angle, where a limit ends
the family, or where it is stationary between them. Holding one rotary at each such angle leaves two, whose closed form
is exact; a minimum is then what no neighbour along the family undercuts.

Three turns about ``a1``, ``a2``, ``a3`` that bring a direction ``n`` to the spindle ``z`` form a curve: the self-motion
manifold of a redundant chain. Taking the first turn out leaves ``a1 . R2 R3 n = a1 . z``, one equation in the second
and the third turn. Along the curve the turns change in proportion to ``z . (a2 x a3)``, ``z . (a3 x a1)`` and
``z . (a1 x a2)``, the lines as they stand then. The sum of the turns' sizes, each growing or shrinking, is stationary
where those three, with the signs of the changes, add up to 0: a second equation. Both have degree one in the sine and
cosine of either turn, so that the resultant is a trigonometric polynomial of degree 4, and no more than 8 places exist
for each choice of signs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG, wrap_deg
from kinematics.inverse_candidates import (
    AimProblem,
    Candidates,
    by_motion,
    exact_candidates,
    in_range_deg,
    motion_to,
    range_ends_deg,
    rotated_directions,
    rows_of,
    within_range,
)
from kinematics.machine import SPINDLE
from kinematics.orientation import HeldAngles, solve_rows, tilting_rotary, unrotated_by_held
from kinematics.spherical_triangle import (
    SINGULAR_WITHIN_RAD,
    angle_between_rad,
    azimuth_rad,
    cross_components,
    dot_components,
)

__all__ = ["redundant_candidates", "stationary_turns_deg"]


Array = NDArray[np.float64]


_SIGNS = ((1.0, 1.0, 1.0), (1.0, 1.0, -1.0), (1.0, -1.0, 1.0), (1.0, -1.0, -1.0))
"""Signs of the turns, growing or shrinking; all three the other way round is the same place."""

_DETUNED = np.array([1.0, 1.0 + 3e-9, 1.0 - 2e-9])
"""Weights of the turns while the polynomial is set up: where a whole branch of the curve is stationary, as with two
parallel lines, it would be 0 throughout and tell nothing of the other branches. The iteration uses equal weights."""

_DEGREE = 4
_SAMPLES = 16
_NEAR_REAL_RAD = 1e-2
"""A double root comes out as a pair this far off the real ones at most; what it lets in besides does no harm."""

_NO_POLYNOMIAL = 1e-13
_STEPS = 4
_LONGEST_STEP_RAD = 0.05


def _half_tangent_matrices() -> Array:
    """Matrices from a polynomial's samples to its coefficients in ``tan((t - centre) / 2)``, one for each centre.

    Of shape (16, 9, 16): centres opposite each of the samples, powers ascending, samples.
    """
    angles = 2.0 * np.pi * np.arange(_SAMPLES) / _SAMPLES
    orders = np.arange(-_DEGREE, _DEGREE + 1)
    fourier = np.exp(-1j * orders[:, None] * angles) / _SAMPLES
    powers = np.zeros((2 * _DEGREE + 1, orders.size), dtype=complex)
    for column, order in enumerate(orders):
        factors = [[1.0, 1.0j]] * (_DEGREE + int(order)) + [[1.0, -1.0j]] * (_DEGREE - int(order))
        product = np.ones(1, dtype=complex)
        for factor in factors:
            product = np.convolve(product, factor)
        powers[:, column] = product
    centres = angles + np.pi
    shifted = np.exp(1j * orders * centres[:, None])[:, :, None] * fourier
    return np.ascontiguousarray(np.real(powers @ shifted))


_TO_POWERS = _half_tangent_matrices()


def stationary_turns_deg(lines: list[Array], wanted: Array) -> tuple[NDArray[np.intp], Array]:
    """The turns of the second of three lines at which the sum of the turns' sizes is stationary along the self-motion.

    Parameters
    ----------
    lines : list of three ndarray, shape (3,) or (3, k)
        From the base outward.
    wanted : ndarray, shape (3, k)
        Directions to bring to the spindle.

    Returns
    -------
    rows : ndarray of int, shape (m,)
        Which of the directions.
    turns_deg : ndarray, shape (m,)
        Every such turn, for every choice of which turns grow; some turn up twice, and a few are not stationary.
    """
    curve, tangent = _equations(lines, wanted)
    size = wanted.shape[1]
    # All choices of signs side by side, one after the other: most of the time goes into the number of calls.
    curves = np.concatenate([curve] * len(_SIGNS), axis=-1)
    exact, rough = (
        np.concatenate([_weighted(tangent, weights * np.array(signs)) for signs in _SIGNS], axis=-1)
        for weights in (np.ones(3), _DETUNED)
    )
    found, second, third = _common_zeros(curves, rough)
    second = _refined(curves[:, :, found], exact[:, :, found], second, third)
    return found % size, np.degrees(second)


def _weighted(tangent: list[Array], weights: Array) -> Array:
    first, second, third = tangent
    return np.asarray(weights[0] * first + weights[1] * second + weights[2] * third)


def _equations(lines: list[Array], wanted: Array) -> tuple[Array, list[Array]]:
    """The curve's equation and the three components of its tangent, as coefficients (3, 3, k).

    Each is ``sum C[p, r] * b[p] * d[r]`` with ``b = (1, cos, sin)`` of the second turn and ``d`` of the third.
    """
    first, second, third = (
        np.broadcast_to(line if line.ndim > 1 else line[:, None], wanted.shape) for line in lines
    )
    turned = _turned_parts(third, wanted, 1.0)
    outer = _turned_parts(second, first, -1.0)
    across = np.stack(cross_components(first, second))
    across_turned = _turned_parts(second, across, -1.0)
    second_third = np.stack(cross_components(second, third))
    curve = _products(outer, turned)
    curve[0, 0] -= first[2]
    along_first = np.zeros_like(curve)
    for r, part in enumerate(turned):
        along_first[0, r] = dot_components(part, second_third)
    third_outer = [np.stack(cross_components(third, part)) for part in outer]
    return curve, [along_first, _products(third_outer, turned), _products(across_turned, turned)]


def _turned_parts(line: Array, vector: Array, sense: float) -> list[Array]:
    """The parts of a turned vector: constant, times the cosine and times the sine of the turn."""
    along = line * dot_components(line, vector)
    return [along, vector - along, sense * np.stack(cross_components(line, vector))]


def _products(seconds: list[Array], thirds: list[Array]) -> Array:
    return np.stack([np.stack([dot_components(one, other) for other in thirds]) for one in seconds])


def _common_zeros(curve: Array, stationary: Array) -> tuple[NDArray[np.intp], Array, Array]:
    """Rows, second turns and third turns, radians, at which both equations hold."""
    angles = 2.0 * np.pi * np.arange(_SAMPLES) / _SAMPLES
    one, two, three = _proportional(curve, stationary, np.cos(angles)[:, None], np.sin(angles)[:, None])
    resultant, size = two * two + three * three - one * one, one * one + two * two + three * three
    largest = np.argmax(np.abs(resultant), axis=0)
    columns = np.arange(resultant.shape[1])
    rows = np.flatnonzero(
        np.abs(resultant[largest, columns]) > np.maximum(_NO_POLYNOMIAL * size.max(axis=0), 1e-250)
    )
    if not rows.size:
        return rows, np.zeros(0), np.zeros(0)
    centre, samples = largest[rows], resultant[:, rows]
    # Summed one after the other, so that one direction gives the same bits as many.
    powers = np.zeros((rows.size, 2 * _DEGREE + 1))
    for s in range(_SAMPLES):
        powers += _TO_POWERS[centre, :, s] * samples[s][:, None]
    # The centre lies opposite the largest sample: the leading coefficient, its value there, is never small.
    companion = np.zeros((rows.size, 2 * _DEGREE, 2 * _DEGREE))
    companion[:, 0, :] = -powers[:, -2::-1] / powers[:, -1:]
    companion[:, np.arange(1, 2 * _DEGREE), np.arange(2 * _DEGREE - 1)] = 1.0
    roots = np.linalg.eigvals(companion)
    off_real = 2.0 * np.abs(roots.imag) / (1.0 + np.abs(roots) ** 2)
    row, slot = np.nonzero(off_real < _NEAR_REAL_RAD)
    second = angles[centre[row]] + np.pi + 2.0 * np.arctan(roots.real[row, slot])
    found = rows[row]
    one, two, three = _proportional(
        curve[:, :, found], stationary[:, :, found], np.cos(second), np.sin(second)
    )
    sign = np.where(one < 0.0, -1.0, 1.0)
    return found, second, np.arctan2(sign * three, sign * two)


def _proportional(curve: Array, stationary: Array, cosine: Array, sine: Array) -> tuple[Array, Array, Array]:
    """Three numbers in proportion to 1, cosine and sine of the third turn, which both equations ask for."""
    left, right = (
        c[0] + cosine[..., None, :] * c[1] + sine[..., None, :] * c[2] for c in (curve, stationary)
    )
    return cross_components(np.moveaxis(left, -2, 0), np.moveaxis(right, -2, 0))


def _refined(curve: Array, stationary: Array, second: Array, third: Array) -> Array:
    """The second turns after Newton's iteration in both turns; one that wanders off stays where it began."""
    start, start_third = second, third
    for _ in range(_STEPS):
        by_second, by_third = _basis(second), _basis(third)
        f, f_second, f_third = _values(curve, by_second, by_third)
        g, g_second, g_third = _values(stationary, by_second, by_third)
        determinant = f_second * g_third - f_third * g_second
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (f * g_third - g * f_third) / determinant
            step_third = (g * f_second - f * g_second) / determinant
        good = np.maximum(np.abs(step), np.abs(step_third)) < _LONGEST_STEP_RAD
        second = second - np.where(good, step, 0.0)
        third = third - np.where(good, step_third, 0.0)
    near = np.maximum(np.abs(second - start), np.abs(third - start_third)) < _LONGEST_STEP_RAD
    return np.where(near, second, start)


def _basis(turn: Array) -> tuple[Array, Array]:
    """1, cosine and sine of a turn, and their derivatives by it."""
    basis = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])
    return basis, np.stack([np.zeros_like(turn), -basis[2], basis[1]])


def _values(
    coefficients: Array, by_second: tuple[Array, Array], by_third: tuple[Array, Array]
) -> tuple[Array, Array, Array]:
    """An equation's value and its derivatives by the second and the third turn, of both of which `_basis` is given."""
    (basis, slope), (other, other_slope) = by_second, by_third
    rows = [dot_components(coefficients[p], other) for p in range(3)]
    slopes = [dot_components(coefficients[p], other_slope) for p in range(3)]

    def total(factors: Array, terms: list[Array]) -> Array:
        return sum(
            (one * term for one, term in zip(factors, terms, strict=True)), start=np.zeros_like(terms[0])
        )

    return total(basis, rows), total(slope, rows), total(basis, slopes)


Mask = NDArray[np.bool_]
Rows = NDArray[np.intp]

_STEP_DEG = 0.01
"""Step along the family at which a minimum is compared with its neighbours."""

_ALIKE_DEG = 5.0 * _STEP_DEG
"""Minima closer than this in every rotary are one."""

_NO_LESS_DEG = 3.0 * SNAP_DEG
"""A neighbour whose motion is less by no more than this is not less: the angles themselves are rounded."""


@dataclass(frozen=True)
class _Poses:
    """Poses of directions, one after the other: rows (c,), angles (n, c), misalignments (c,)."""

    rows: Rows
    machine_deg: Array
    misalignment_deg: Array

    def chosen(self, which: Mask | Rows | slice) -> _Poses:
        return _Poses(self.rows[which], self.machine_deg[:, which], self.misalignment_deg[which])


def _joined(parts: list[_Poses]) -> _Poses:
    return _Poses(
        np.concatenate([part.rows for part in parts]),
        np.concatenate([part.machine_deg for part in parts], axis=1),
        np.concatenate([part.misalignment_deg for part in parts]),
    )


@dataclass(frozen=True)
class _Family:
    """The problem with three rotaries left to move: directions (3, k), previous angles (n, k) and what is held."""

    problem: AimProblem
    wanted: Array
    previous: Array
    held: HeldAngles
    moving: tuple[int, ...]
    tilting: NDArray[np.int8]

    def held_with(self, rows: Rows, more: HeldAngles) -> _Poses:
        """All equivalent poses of directions with further rotaries held, each angle one or shape of `rows`."""
        free = replace(self.problem, tilt=None)
        found = exact_candidates(
            free, self.wanted[:, rows], self.previous[:, rows], {**rows_of(self.held, rows), **more}
        )
        row, slot = np.nonzero(found.valid)
        return _Poses(rows[row], found.machine_deg[:, row, slot], found.misalignment_deg[row, slot])

    def feasible(self, machine_deg: Array, rows: Rows) -> Mask:
        """Mask of the poses (n, c) of directions that violate neither limits nor the tilt's sign."""
        return within_range(self.problem, machine_deg, self.tilting[rows])

    def motion(self, poses: _Poses) -> Array:
        """The sum of the moves' sizes, shape (c,)."""
        return motion_to(self.problem.machine, poses.machine_deg[:, :, None], self.previous[:, poses.rows])[
            :, 0
        ]

    def ends(self, i: int) -> list[float]:
        """The machine angles at which a rotary's limits, its turn of numbers or the tilt's sign end the family."""
        rotary, offset = self.problem.machine.rotaries[i], float(self.problem.offset_deg[i])
        ends = range_ends_deg(self.problem, i, self.tilting)
        if rotary.limits_deg is None and rotary.moves_as_numbered:
            # From 359.99 on to 0 is nearly a turn back.
            ends += [offset, offset + 360.0 - 2.0 * SNAP_DEG]
        return ends


def redundant_candidates(problem: AimProblem, wanted: Array, previous: Array) -> Candidates:
    """The poses of locally least motion of directions (3, k), with three rotaries left to move; the best first.

    Feasible ones first; then the minima with limits and tilt ignored, which say what rules a lesser motion out. Where
    no pose reaches the direction, the nearest ones.
    """
    size = wanted.shape[1]
    _, lines, moving = unrotated_by_held(problem.machine, wanted, problem.held)
    family = _Family(problem, wanted, previous, problem.held, moving, tilting_rotary(lines, moving, size))
    poses = _pool(family)
    missing = np.setdiff1d(np.arange(size), poses.rows)
    minima = _minima(family, poses)
    parts = [minima]
    if missing.size:
        parts.append(_nearest(family, missing))
    if problem.tolerance_deg > 0.0:
        parts.append(_at_ends(family))
    return _as_candidates(family, _joined(parts))


def _pool(family: _Family) -> _Poses:
    """Every exact pose that may be of least motion."""
    everything = np.arange(family.wanted.shape[1])
    direction, lines, _ = unrotated_by_held(family.problem.machine, family.wanted, family.held)
    rows, turns = stationary_turns_deg(lines, direction)
    parts = []
    for place, i in enumerate(family.moving):
        at_rows = [everything]
        at = [family.previous[i]]
        for end in family.ends(i):
            at_rows.append(everything)
            at.append(np.full(everything.size, end))
        if place == 1:
            at_rows.append(rows)
            at.append(family.problem.machine.rotaries[i].machine_deg(turns))
        parts.append(family.held_with(np.concatenate(at_rows), {i: np.concatenate(at)}))
    flat = np.flatnonzero(_freedoms(lines, direction) > 1)
    if flat.size:
        # With two turns free at once one rotary held leaves another free: both stand where they come from, or at an end.
        ways = {
            i: [family.previous[i][flat], *(np.full(flat.size, end) for end in family.ends(i))]
            for i in family.moving
        }
        for i, j in combinations(family.moving, 2):
            parts += [family.held_with(flat, {i: one, j: other}) for one, other in product(ways[i], ways[j])]
    found = _joined(parts)
    return found.chosen(found.misalignment_deg == 0.0)


def _freedoms(lines: list[Array], direction: Array) -> NDArray[np.intp]:
    """Number of turns that leave the direction where it is, at every pose, shape (k,); more than one is no curve."""
    pairs = ((lines[0], SPINDLE), (lines[0], lines[1]), (lines[1], lines[2]), (lines[2], direction))
    parallel = [np.sin(angle_between_rad(one, other)) < SINGULAR_WITHIN_RAD for one, other in pairs]
    return np.asarray(sum((np.where(one, 1, 0) for one in parallel), np.zeros(direction.shape[1], np.intp)))


def _minima(family: _Family, poses: _Poses) -> _Poses:
    """Those poses whose motion no neighbour along the family undercuts; of each direction one at least."""
    feasible, motion = family.feasible(poses.machine_deg, poses.rows), family.motion(poses)
    least = np.ones(poses.rows.size, dtype=bool)
    count = poses.rows.size
    both = np.tile(np.arange(count), 2)
    steps = np.repeat([-_STEP_DEG, _STEP_DEG], count)
    here, wanted = poses.chosen(both), family.wanted[:, poses.rows[both]]
    held = rows_of(family.held, here.rows)
    for i in family.moving:
        # What is singular or parallel there stays as it is here.
        for part in solve_rows(
            family.problem.machine, wanted, here.machine_deg, {**held, i: here.machine_deg[i] + steps}
        ):
            index, start = both[part.index], here.chosen(part.index)
            exact = part.misalignment_deg <= SNAP_DEG
            for angles in part.machine_deg:
                away = wrap_deg(angles - start.machine_deg, low_deg=-180.0)
                there = replace(start, machine_deg=start.machine_deg + away)
                near = exact & (np.abs(away).max(axis=0) <= _ALIKE_DEG)
                allowed = near & (family.feasible(there.machine_deg, there.rows) | ~feasible[index])
                lesser = family.motion(there) < motion[index] - _NO_LESS_DEG
                least[index[allowed & lesser]] = False
    # The least of all is a minimum whatever rounding says; of a direction without a feasible pose, of the others.
    rank = np.lexsort((motion, ~feasible, poses.rows))
    first = np.ones(count, dtype=bool)
    first[1:] = poses.rows[rank][1:] != poses.rows[rank][:-1]
    least[rank[first]] = True
    return poses.chosen(least)


def _nearest(family: _Family, rows: Rows) -> _Poses:
    """For directions that no pose reaches: the poses that bring them nearest to the spindle."""
    machine, outer = family.problem.machine, family.moving[0]
    _, lines, _ = unrotated_by_held(machine, family.wanted[:, rows], rows_of(family.held, rows))
    # The second line nearest to the spindle, or farthest from it, lies in one plane with the first.
    turn = np.degrees(azimuth_rad(lines[0], lines[1], SPINDLE))
    parts = [
        family.held_with(
            rows, {outer: np.broadcast_to(machine.rotaries[outer].machine_deg(turn + half), rows.shape)}
        )
        for half in (0.0, 180.0)
    ]
    found = _joined(parts)
    least = np.full(family.wanted.shape[1], np.inf)
    np.minimum.at(least, found.rows, found.misalignment_deg)
    return found.chosen(found.misalignment_deg <= least[found.rows] + SNAP_DEG)


def _at_ends(family: _Family) -> _Poses:
    """Feasible poses at a limit, or untilted, that leave a direction within the tolerance of the spindle."""
    machine, rows = family.problem.machine, np.arange(family.wanted.shape[1])
    parts = []
    for i in family.moving:
        parts += [family.held_with(rows, {i: np.full(rows.size, end)}) for end in family.ends(i)]
    for i, j in combinations(family.moving, 2):
        parts += [
            family.held_with(rows, {i: np.full(rows.size, one), j: np.full(rows.size, other)})
            for one in family.ends(i)
            for other in family.ends(j)
        ]
    if not parts:
        return _Poses(np.zeros(0, dtype=np.intp), np.zeros((len(machine.rotaries), 0)), np.zeros(0))
    found = _joined(parts)
    angles = in_range_deg(family.problem, found.machine_deg, family.tilting[found.rows])
    off = np.degrees(
        angle_between_rad(rotated_directions(machine, angles, family.wanted[:, found.rows]), SPINDLE)
    )
    good = (off > SNAP_DEG) & (off <= family.problem.tolerance_deg) & family.feasible(angles, found.rows)
    return _Poses(found.rows[good], angles[:, good], off[good])


def _as_candidates(family: _Family, poses: _Poses) -> Candidates:
    """The poses side by side for each direction, those alike only once, the best first."""
    machine, size = family.problem.machine, family.wanted.shape[1]
    feasible, motion = family.feasible(poses.machine_deg, poses.rows), family.motion(poses)
    exact = poses.misalignment_deg <= SNAP_DEG
    # Of equal ones the earlier: it holds a rotary at its very angle.
    order = np.lexsort((np.rint(motion * 1e6), ~exact, ~feasible, poses.rows))
    poses, feasible, exact = poses.chosen(order), feasible[order], exact[order]
    kept = np.ones(poses.rows.size, dtype=bool)
    for back in range(1, poses.rows.size):
        same_row = poses.rows[back:] == poses.rows[:-back]
        if not same_row.any():
            break
        away = np.zeros(same_row.shape)
        for i, rotary in enumerate(machine.rotaries):
            apart = poses.machine_deg[i, back:] - poses.machine_deg[i, :-back]
            if rotary.limits_deg is None:
                apart = wrap_deg(apart, low_deg=-180.0)
            away = np.maximum(away, np.abs(apart))
        kept[back:] &= ~(same_row & (away < _ALIKE_DEG) & kept[:-back])
    poses, feasible = poses.chosen(kept), feasible[kept]
    starts = np.searchsorted(poses.rows, np.arange(size))
    slot = np.arange(poses.rows.size) - starts[poses.rows]
    width = int(slot.max()) + 1 if slot.size else 0
    machine_deg = np.full((len(machine.rotaries), size, width), np.nan)
    misalignment = np.full((size, width), np.nan)
    valid, usable = np.zeros((size, width), dtype=bool), np.zeros((size, width), dtype=bool)
    machine_deg[:, poses.rows, slot] = poses.machine_deg
    misalignment[poses.rows, slot] = poses.misalignment_deg
    valid[poses.rows, slot] = True
    usable[poses.rows, slot] = feasible
    found = Candidates(
        machine_deg,
        valid,
        usable,
        misalignment,
        _singular(family),
        family.tilting,
    )
    return by_motion(family.problem, found, family.previous)


def _singular(family: _Family) -> Mask:
    """Mask (n, k) of the rotaries whose angle has no influence: the innermost, or the outermost, of the moving ones."""
    direction, lines, moving = unrotated_by_held(family.problem.machine, family.wanted, family.held)
    singular = np.zeros((len(family.problem.machine.rotaries), family.wanted.shape[1]), dtype=bool)
    singular[moving[-1]] = np.sin(angle_between_rad(lines[-1], direction)) < SINGULAR_WITHIN_RAD
    singular[moving[0]] = np.sin(angle_between_rad(lines[0], SPINDLE)) < SINGULAR_WITHIN_RAD
    return singular
