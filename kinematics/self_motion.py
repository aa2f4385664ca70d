"""Self-motion of three rotaries: the family of poses that hold one direction on the spindle, and where motion is stationary.

Three turns about ``a1``, ``a2``, ``a3`` that bring a direction ``n`` to the spindle ``z`` form a curve: the self-motion
manifold of a redundant chain. Taking the first turn out leaves ``a1 . R2 R3 n = a1 . z``, one equation in the second
and the third turn. Along the curve the turns change in proportion to ``z . (a2 x a3)``, ``z . (a3 x a1)`` and
``z . (a1 x a2)``, the lines as they stand then. The sum of the turns' sizes, each growing or shrinking, is stationary
where those three, with the signs of the changes, add up to 0: a second equation. Both have degree one in the sine and
cosine of either turn, so that the resultant is a trigonometric polynomial of degree 4, and no more than 8 places exist
for each choice of signs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.spherical_triangle import cross_components, dot_components

__all__ = ["stationary_turns_deg"]

Array = NDArray[np.float64]

_SIGNS = ((1.0, 1.0, 1.0), (1.0, 1.0, -1.0), (1.0, -1.0, 1.0), (1.0, -1.0, -1.0))
"""Which turns grow and which shrink; all three the other way round is the same place."""

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
        basis = np.stack([np.ones_like(second), np.cos(second), np.sin(second)])
        slope = np.stack([np.zeros_like(second), -basis[2], basis[1]])
        other = np.stack([np.ones_like(third), np.cos(third), np.sin(third)])
        other_slope = np.stack([np.zeros_like(third), -other[2], other[1]])
        f, f_second, f_third = _values(curve, basis, slope, other, other_slope)
        g, g_second, g_third = _values(stationary, basis, slope, other, other_slope)
        determinant = f_second * g_third - f_third * g_second
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (f * g_third - g * f_third) / determinant
            step_third = (g * f_second - f * g_second) / determinant
        good = np.maximum(np.abs(step), np.abs(step_third)) < _LONGEST_STEP_RAD
        second = second - np.where(good, step, 0.0)
        third = third - np.where(good, step_third, 0.0)
    near = np.maximum(np.abs(second - start), np.abs(third - start_third)) < _LONGEST_STEP_RAD
    return np.where(near, second, start)


def _values(
    coefficients: Array, basis: Array, slope: Array, other: Array, other_slope: Array
) -> tuple[Array, Array, Array]:
    """An equation's value and its derivatives by the second and the third turn."""
    rows = [dot_components(coefficients[p], other) for p in range(3)]
    slopes = [dot_components(coefficients[p], other_slope) for p in range(3)]
    return (
        sum((b * row for b, row in zip(basis, rows, strict=True)), start=np.zeros_like(rows[0])),
        sum((b * row for b, row in zip(slope, rows, strict=True)), start=np.zeros_like(rows[0])),
        sum((b * row for b, row in zip(basis, slopes, strict=True)), start=np.zeros_like(rows[0])),
    )
