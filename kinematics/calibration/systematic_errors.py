"""Tests of the residuals for errors that grow with something: with a rotary's own angle, with time, with temperature.

Each is a score test (`score_test`) of further parameters on the finished fit: for every rotary that turns its errors
once a turn, twice a turn and by a factor (`angle_terms`), and a drift of all readings along X, Y and Z. The most
significant one is taken in, then the others are tested beyond it, so that one error is not named twice. The worst
reading counts in none of this: alone it could feign what others do not show. Of clean readings one set in 1,000 at
most is suspected: half of that goes to the angles and half to the drifts, shared
among the tests tried (Bonferroni).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.calibration.adjustment import Linearization, Problem, ReducedNormals, State
from kinematics.calibration.line_parameters import derotate, turn_jacobian
from kinematics.calibration.linear_algebra import eigen_symmetric
from kinematics.calibration.observation_equations import linearize_targets
from kinematics.calibration.readings import Readings
from kinematics.calibration.score_test import Gain, ScoreTest, score_test
from kinematics.calibration.solve import Adjusted
from kinematics.calibration.statistics import detectable_noncentrality, p_value
from kinematics.calibration.systematic_terms import (
    COMPONENTS,
    TERMS,
    AngleError,
    AngleTerms,
    Drift,
    angle_terms,
    drift_courses,
)
from kinematics.machine import Machine

__all__ = ["SystematicErrors", "angle_columns", "drift_columns", "find_systematic_errors", "gradual_gain"]

_LEVEL = 5e-4
"""p-value, over all tests of a family (Bonferroni), below which an error is named; two families: 1 in 1,000."""
_POWER = 0.99
"""Chance with which an error of the stated detectable size is named. Chosen here: then the intervals of what was not
named hold what they say."""
_LEAST_SCATTER_MM = 1e-4
"""Least scatter in mm: made-up readings have none."""
_LARGEST_ARCSEC = 3600.0
"""Arc seconds of an error that any reading should show: what shows from there on only is not determined."""
_LARGEST_MM = 1.0
"""Millimetres of a drift that any reading should show."""
_MOST = 4
"""Errors named in one set of readings. Chosen here."""
_ARCSEC = float(np.degrees(3600.0))


@dataclass(frozen=True, eq=False)
class _Test:
    """One error that is tested for: its parameters' places among the columns, and what it is."""

    places: tuple[int, ...]
    letter: str = ""
    component: str = ""
    by: str = ""


@dataclass(frozen=True, eq=False)
class SystematicErrors:
    """Results of the tests of the angles (every rotary, every component) and of drifts."""

    angle_errors: tuple[AngleError, ...]
    drifts: tuple[Drift, ...]


def find_systematic_errors(
    solved: Adjusted,
    machine: Machine,
    readings: Readings,
    sigma: float | None,
    floor_mm: float = 0.0,
    adjusted: Sequence[str] = (),
    drifts: Sequence[str] = (),
) -> SystematicErrors:
    """Test the residuals of a fit against the rotaries' angles, and against order and temperature.

    Parameters
    ----------
    solved : Adjusted
    machine, readings
        Of that fit.
    sigma : float or None
        Stated standard deviation of unit weight, or None.
    floor_mm : float
        Least scatter: that of rounding.
    adjusted : sequence of str
        Rotaries whose angles' errors are among the parameters already: not tested.
    drifts : sequence of str
        Drifts that are.
    """
    problem = solved.problem
    letters = [letter for letter in machine.letters if letter not in adjusted]
    terms = angle_terms(machine, readings.angles_deg[problem.order], letters)
    columns = np.concatenate(
        [angle_columns(problem, solved.state, terms), drift_columns(problem, solved.state, readings, drifts)]
    )
    weighted = columns * problem.weight[:, None]
    worst = _reading_columns(problem, int(solved.leave_one_out.gain.argmax()))
    test = score_test(
        problem, solved.reduced, solved.reduced.cofactor, solved.residual, np.concatenate([weighted, worst])
    )
    tests = _tests(letters, terms, [by for by in drift_courses(readings) if by not in drifts])
    scatter = _Scatter(solved, sigma, floor_mm)
    chosen, chances = _select(test, tests, scatter, range(len(columns), len(columns) + len(worst)))
    return SystematicErrors(
        tuple(
            _angle_error(one, test, tests, chosen, chances, scatter, machine, readings)
            for one in tests
            if one.letter
        ),
        tuple(_drift(one, test, tests, chosen, chances, scatter) for one in tests if one.by),
    )


def angle_columns(problem: Problem, state: State, terms: AngleTerms) -> NDArray[np.float64]:
    """Change of the residuals (k, N, 3), unweighted, for one radian of each term of the angles' errors."""
    parameters, turns = problem.line_parameters(state.parameters), problem.turns_at(state.parameters)
    where, by_turn = turn_jacobian(problem.lines, parameters, turns, problem.points_at(state.parameters))
    columns = terms.columns(by_turn)
    rows = linearize_targets(problem.nominal_targets, state.targets, problem.target, where, problem.lever_mm)
    if rows.by_point is not None:
        columns = rows.by_point @ columns
    return np.asarray(np.moveaxis(columns, -1, 0))


def drift_columns(
    problem: Problem, state: State, readings: Readings, left_out: Sequence[str] = ()
) -> NDArray[np.float64]:
    """Change of the residuals (k, N, 3), unweighted, for a drift of one millimetre along X, Y and Z.

    From the first reading to the last; where the temperature was logged also over its range.
    """
    parameters, turns = problem.line_parameters(state.parameters), problem.turns_at(state.parameters)
    points = problem.points_at(state.parameters)
    where = derotate(problem.lines, parameters, turns, points)
    # Derotation is linear in the points, and residuals in where these come to lie.
    axes = np.stack([derotate(problem.lines, parameters, turns, points + axis) - where for axis in np.eye(3)])
    rows = linearize_targets(problem.nominal_targets, state.targets, problem.target, where, problem.lever_mm)
    if rows.by_point is not None:
        axes = (rows.by_point @ axes[..., None])[..., 0]
    courses = [course for by, course in drift_courses(readings).items() if by not in left_out]
    found = [axes * course[problem.order, None] for course in courses]
    return np.concatenate([np.zeros((0, *where.shape)), *found])


def _tests(letters: Sequence[str], terms: AngleTerms, courses: Sequence[str]) -> list[_Test]:
    found = []
    for k, letter in enumerate(letters):
        first = k * terms.count // max(len(letters), 1)
        found += [
            _Test(tuple(first + place for place in places), letter, component)
            for component, places in COMPONENTS.items()
        ]
    for k, by in enumerate(courses):
        first = terms.count + 3 * k
        found.append(_Test((first, first + 1, first + 2), by=by))
    return found


def gradual_gain(
    problem: Problem,
    linear: Linearization,
    state: State,
    reduced: ReducedNormals,
    inner: NDArray[np.float64],
    machine: Machine,
    readings: Readings,
) -> Gain:
    """The largest gain of one rotary's five terms, or of one drift: what a sudden change must beat to be named."""
    terms = angle_terms(machine, readings.angles_deg[problem.order], machine.letters)
    columns = np.concatenate([angle_columns(problem, state, terms), drift_columns(problem, state, readings)])
    test = score_test(problem, reduced, inner, linear.residual, columns * problem.weight[:, None])
    groups = [range(first, first + TERMS) for first in range(0, terms.count, TERMS)]
    groups += [range(first, first + 3) for first in range(terms.count, len(columns), 3)]
    return max((test.gain(group) for group in groups), key=lambda found: found.gain)


class _Scatter:
    """Scatter that a gain is compared with: the stated one, or that of the residuals, whichever is larger."""

    def __init__(self, solved: Adjusted, sigma: float | None, floor_mm: float) -> None:
        self.total, self.dof, self.sigma = float(solved.squares.sum()), solved.dof, sigma
        least = max(_LEAST_SCATTER_MM, floor_mm) * solved.problem.usual_weight
        self.least = least**2

    def square(self, explained: float, numbers: int) -> float:
        """Variance of unit weight with so much explained by so many numbers."""
        left = self.dof - numbers
        own = (self.total - explained) / left if left > 0 else np.inf
        return float(max(own, self.least))

    def chance(self, gain: Gain, before: float, numbers_before: int) -> float:
        """p-value of a gain beyond what was explained before."""
        numbers = gain.numbers
        left = self.dof - numbers_before - numbers
        if numbers < 1 or left < 1:
            return 1.0
        ratio = np.array([gain.gain / numbers / self.square(before + gain.gain, numbers_before + numbers)])
        one = np.array([float(numbers)])
        by_residuals = float(p_value(ratio, one, float(left))[0])
        if self.sigma is None:
            return by_residuals
        stated = np.array([gain.gain / numbers / max(self.sigma**2, self.least)])
        # Where the readings scatter more than stated, the stated scatter would suspect all and everything.
        return max(float(p_value(stated, one, None)[0]), by_residuals if self._exceeds() else 0.0)

    def _exceeds(self) -> bool:
        return self.dof > 0 and self.sigma is not None and self.total / self.dof > self.sigma**2

    def detectable(self, numbers: int, tried: int) -> float:
        """Noncentrality that a test of so many numbers shows, in squares of unit weight."""
        left = self.dof - numbers
        if left < 1:
            return float("inf")
        square = self.square(0.0, 0) if self.sigma is None else max(self.sigma**2, self.least)
        dof = None if self.sigma is not None else left
        return square * detectable_noncentrality(numbers, _LEVEL / tried, _POWER, dof)


def _reading_columns(problem: Problem, k: int) -> NDArray[np.float64]:
    """Columns (1 to 3, N, 3) of the equations of reading k: with them among the parameters it counts no more."""
    count = int(problem.nominal_targets.equations[problem.target[k]])
    columns = np.zeros((count, len(problem.target), 3))
    columns[np.arange(count), k, np.arange(count)] = 1.0
    return columns


def _select(
    test: ScoreTest, tests: Sequence[_Test], scatter: _Scatter, worst_reading: Sequence[int]
) -> tuple[list[_Test], dict[_Test, float]]:
    """The significant errors, the clearest first, and every test's p-value (Bonferroni)."""
    chosen: list[_Test] = []
    chances: dict[_Test, float] = {}
    given = list(worst_reading)
    without = test.gain(given)
    explained, numbers = without.gain, without.numbers
    while True:
        best: tuple[float, float, _Test, Gain] | None = None
        for one in tests:
            if one in chosen:
                continue
            gain = test.gain(one.places, given)
            tried = sum(bool(other.letter) == bool(one.letter) for other in tests)
            chances[one] = min(1.0, tried * scatter.chance(gain, explained, numbers))
            if best is None or (chances[one], -gain.gain) < best[:2]:
                best = chances[one], -gain.gain, one, gain
        if best is None or best[0] > _LEVEL or len(chosen) == _MOST:
            return chosen, chances
        _, _, one, gain = best
        chosen.append(one)
        given += one.places
        explained, numbers = explained + gain.gain, numbers + gain.numbers


def _detectable(one: _Test, test: ScoreTest, tests: Sequence[_Test], scatter: _Scatter) -> float | None:
    """Size, in the parameters' unit, that the test shows whatever its direction among them; None where not at all."""
    own = test.information[np.ix_(one.places, one.places)]
    least = float(eigen_symmetric(own)[0][0])
    if not least > 1e-9 * float(test.length[list(one.places)].max()):
        return None
    tried = sum(bool(other.letter) == bool(one.letter) for other in tests)
    return float(np.sqrt(scatter.detectable(len(one.places), tried) / least))


def _angle_error(
    one: _Test,
    test: ScoreTest,
    tests: Sequence[_Test],
    chosen: Sequence[_Test],
    chances: dict[_Test, float],
    scatter: _Scatter,
    machine: Machine,
    readings: Readings,
) -> AngleError:
    """Estimate of one component of a rotary's error."""
    rotary = machine.rotaries[machine.index(one.letter)]
    angles = readings.angles_deg[:, machine.index(one.letter)]
    span = float(np.radians(np.ptp(angles)))
    per_unit = _ARCSEC * (span if one.component == "by a factor" else 1.0)
    detectable = _detectable(one, test, tests, scatter)
    detectable = (
        None if detectable is None or detectable * per_unit > _LARGEST_ARCSEC else detectable * per_unit
    )
    if one not in chosen:
        return AngleError(
            one.letter,
            one.component,
            significant=False,
            p_value=chances.get(one, 1.0),
            detectable_arcsec=detectable,
        )
    # Beyond what else was found, so that the sizes add up.
    others = [place for other in chosen if other is not one for place in other.places]
    gain = test.gain(one.places, others)
    # Readings off by an error leave residuals opposite to what the error put into the model would.
    values, u = -gain.values, _u_along_itself(gain, scatter)
    error = AngleError(
        one.letter,
        one.component,
        significant=True,
        p_value=chances[one],
        detectable_arcsec=detectable,
        size_arcsec=float(np.linalg.norm(values)) * per_unit,
        u_arcsec=u * per_unit,
    )
    if one.component == "by a factor":
        return replace(error, factor=1.0 + float(values[0]))
    turns = 1.0 if one.component == "once a turn" else 2.0
    peak = float(np.degrees(np.arctan2(values[1], values[0]))) / turns + rotary.zero_deg
    return replace(error, largest_at_deg=peak % (360.0 / turns))


def _u_along_itself(gain: Gain, scatter: _Scatter) -> float:
    """Standard uncertainty of the length of the values."""
    square = scatter.square(gain.gain, gain.numbers) if scatter.sigma is None else scatter.sigma**2
    size = float(np.linalg.norm(gain.values))
    way = gain.values / size if size > 0.0 else np.eye(len(gain.values))[0]
    return float(np.sqrt(max(square * way @ gain.cofactor @ way, 0.0)))


def _drift(
    one: _Test,
    test: ScoreTest,
    tests: Sequence[_Test],
    chosen: Sequence[_Test],
    chances: dict[_Test, float],
    scatter: _Scatter,
) -> Drift:
    """Estimate of a drift."""
    detectable = _detectable(one, test, tests, scatter)
    detectable = None if detectable is None or detectable > _LARGEST_MM else detectable
    if one not in chosen:
        return Drift(one.by, significant=False, p_value=chances.get(one, 1.0), detectable_mm=detectable)
    others = [place for other in chosen if other is not one for place in other.places]
    gain = test.gain(one.places, others)
    x, y, z = gain.values.tolist()
    return Drift(
        one.by,
        significant=True,
        p_value=chances[one],
        detectable_mm=detectable,
        shift_mm=(x, y, z),
        size_mm=float(np.linalg.norm(gain.values)),
        u_mm=_u_along_itself(gain, scatter),
    )
