"""Search for the blunder that explains readings which do not fit.

In this order, the best explanation first, until nothing more is found:

1. units (inches called millimetres and the other way): every residual scales along, so only the lines' places tell.
2. columns swapped, a sense reversed, targets confused: nothing is added to the model, something in it is exchanged.
   Each must reduce the misfit sixteenfold.
3. a target that slipped part-way, a zero that moved, a stylus radius left on, balls read at their tops: a parameter
   is added; the p-value of its gain must be below one in a million, all places tried taken into account.

Where several explain the readings equally well the one that adds least, then the one that moves the lines least, comes
first, the others as its rivals, and none is called certain.

Not distinguishable: a sense at turns of 0 and 180 degrees alone (it does not matter there); units on a machine
whose pivots lie at the machine's zero; a slip before a target's last reading from one bad reading (it is named as a
suspect); a radius left on a face turned by one rotary alone, from that rotary standing elsewhere (then it is only
called possible, `certain` false).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from kinematics.calibration.blunders.blunder import Blunder
from kinematics.calibration.blunders.hypotheses import (
    ball_pole_measured,
    datum_shift,
    mislabelled_targets,
    shifted_target,
    uncompensated_radius,
)
from kinematics.calibration.blunders.regularized_fit import RegularizedFit, fit_with_prior
from kinematics.calibration.readings import Readings
from kinematics.constants import MM_PER_INCH
from kinematics.errors import KinematicsError
from kinematics.machine import Machine
from kinematics.rotary import RotationSense
from kinematics.validation import as_instance, as_positive

__all__ = ["find_blunders"]

_MOST = 3
"""Blunders named in one set of readings. Chosen here: whoever made more takes the readings anew."""
_FINE_MM = 0.1
"""Scatter in mm that leaves nothing for an exchange to explain. Chosen here: twenty usual scatters (`regularized_fit`)."""
_FINE_PENALTY = 25.0
"""`RegularizedFit.prior_penalty`, no unit: lines off by five standard deviations of the prior, 10 mm or 2.5 degrees. Chosen here."""
_TIMES = 16.0
"""Ratio of costs, or of strains (squares): what is exchanged must fit four times as closely. Chosen here."""
_SCATTERS = 50.0
"""Squares of the scatter that it must gain as well: a ratio alone means little with few readings. Chosen here."""
_SMALL_MM = 5.0
"""Scatter or size in mm: slips and most stylus radii stay below it, exchanges move points farther. Chosen here."""
_ALIKE = 3.0
"""Ratio of scatters within which explanations count as alike, and the simplest is taken. Chosen here."""
_AS_WELL = 1.3
"""Ratio of scatters that proves nothing: two standard errors, 2 / sqrt(2 dof), with 22 degrees of freedom."""
_STEPS = ("zero moved", "zero moved repeatedly")
_ADDED = ("radius left on", "ball read at its top", "target slipped", *_STEPS)


@dataclass(frozen=True, eq=False)
class _Explained:
    """A blunder, the fit with it put right, and the number of unknowns that it adds."""

    blunder: Blunder
    fit: RegularizedFit
    unknowns: int


@np.errstate(over="ignore", invalid="ignore", divide="ignore")  # what is not finite is refused
def find_blunders(
    readings: Readings, machine: Machine, *, sigma_mm: float | None = None
) -> tuple[Blunder, ...]:
    """Find the classic blunders that the readings show, the most significant first; empty where there is none.

    Parameters
    ----------
    readings : Readings
    machine : Machine
        About right: lines to within millimetres and a few degrees.
    sigma_mm : float, optional
        The probe's standard uncertainty per coordinate.

    Returns
    -------
    tuple of Blunder
        Each with the readings and the machine corrected for it and those before it, so that the next one shows.

    Raises
    ------
    KinematicsError
        When the readings do not match the machine's rotaries.

    Examples
    --------
    >>> from kinematics import Machine, Platter, RotaryAxis, RotationSense, transform_points
    >>> from kinematics.calibration import readings_from_rows
    >>> c = RotaryAxis("C", [0.0, 0.0, 0.0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> mill = Machine("mill", (c,), Platter(face_mm=0.0))
    >>> poses = [[0.0], [60.0], [120.0], [180.0], [240.0], [300.0]]
    >>> read = transform_points(mill, [40.0, 0.0, 25.0], poses)
    >>> names = ["ball"] * 6, ["ball 1"] * 6
    >>> find_blunders(readings_from_rows(*names, poses, read), mill)
    ()
    >>> [(b.kind, b.letters) for b in find_blunders(readings_from_rows(*names, -np.array(poses), read), mill)]
    [('sense reversed', ('C',))]
    >>> find_blunders("readings", mill)
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: readings: expected a Readings, found 'readings'
    """
    as_instance(readings, Readings, "readings")
    as_instance(machine, Machine, "machine")
    readings.fits(machine)
    sigma_mm = None if sigma_mm is None else as_positive(sigma_mm, "sigma")
    found: list[Blunder] = []
    base = fit_with_prior(readings, machine, sigma_mm)
    for _ in range(_MOST):
        try:
            best = _best(readings, machine, base, sigma_mm)
        except KinematicsError:
            # Too damaged to search on: what was found before stands.
            break
        # A second shift would come out bent by the first; one is reason enough to read again.
        if best is None or (best.blunder.kind in _STEPS and any(one.kind in _STEPS for one in found)):
            break
        found.append(best.blunder)
        readings, machine, base = best.blunder.corrected, best.blunder.corrected_machine, best.fit
    return tuple(found)


def _best(
    readings: Readings, machine: Machine, base: RegularizedFit | None, sigma_mm: float | None
) -> _Explained | None:
    suspicious = base is None or not _fine(base, sigma_mm)
    if suspicious:
        units = _units(readings, machine, base, sigma_mm)
        if units is not None:
            return units
    gross = base is None or base.s0 > _SMALL_MM * base.per_mm
    candidates = _exchanged(readings, machine, base, sigma_mm) if gross else []
    if base is not None and not any(_fine(one.fit, sigma_mm) for one in candidates):
        added = _added(base, sigma_mm)
        candidates += added
        # A small slip or radius that explains everything needs no rival: an exchange moves things much farther.
        if any(_fine(one.fit, sigma_mm) and (one.blunder.size_mm or 0.0) < _SMALL_MM for one in added):
            return _simplest(added)
        if suspicious and not gross:
            candidates += _exchanged(readings, machine, base, sigma_mm)
    return _simplest(candidates) if candidates else None


def _added(base: RegularizedFit, sigma_mm: float | None) -> list[_Explained]:
    """Hypotheses with one more parameter, and the fits that go with them."""
    found = []
    for hypothesis in (shifted_target, datum_shift, uncompensated_radius, ball_pole_measured):
        try:
            added = hypothesis(base)
        except KinematicsError:
            # Not to be tested on these readings: the others are.
            continue
        if added is None:
            continue
        fit = fit_with_prior(added.corrected, added.corrected_machine, sigma_mm)
        if fit is not None and (fit.cost < base.cost or not added.certain):
            found.append(_Explained(added, fit, _unknowns(added)))
    return found


def _unknowns(added: Blunder) -> int:
    if added.kind == "zero moved repeatedly":
        return 3 * len(added.rows)
    return 3 if added.kind in {"target slipped", "zero moved"} else 1


def _exchanged(
    readings: Readings, machine: Machine, base: RegularizedFit | None, sigma_mm: float | None
) -> list[_Explained]:
    """Hypotheses that exchange something in the model and fit far better, and the fits that go with them."""
    found = []
    cost_limit = np.inf if base is None else base.cost / _TIMES
    for blunder in itertools.chain(
        _senses(readings, machine), _columns(readings, machine), mislabelled_targets(readings, machine, base)
    ):
        fit = fit_with_prior(blunder.corrected, blunder.corrected_machine, sigma_mm, cost_limit)
        if fit is None or not _far_better(fit, base):
            continue
        found.append(_Explained(replace(blunder, scatter_mm=_scatters(base, fit)), fit, len(blunder.rows)))
        if _fine(fit, sigma_mm):
            break
        cost_limit = min(cost_limit, 4.0 * fit.cost)
    return found


def _fine(base: RegularizedFit, sigma_mm: float | None) -> bool:
    """True for a fit so close, with lines so near the old ones, that no exchange could be far better."""
    limit = max(_FINE_MM, 5.0 * (sigma_mm or 0.0)) * base.per_mm
    return base.dof > 0 and base.s0 < limit and base.prior_penalty < _FINE_PENALTY


def _far_better(fit: RegularizedFit, base: RegularizedFit | None) -> bool:
    if base is None:
        return fit.s0 < _FINE_MM * fit.per_mm
    return fit.cost * _TIMES < base.cost and base.cost - fit.cost > _SCATTERS * fit.s0**2


def _simplest(candidates: list[_Explained]) -> _Explained:
    """The hypothesis that adds least to the model among those that leave about the least scatter."""
    least = min(one.fit.s0 for one in candidates)
    alike = [one for one in candidates if one.fit.s0 <= _ALIKE * least]
    alike.sort(key=lambda one: (one.unknowns, one.fit.cost))
    best = alike[0]
    # Between one added parameter and another the scatter does not decide, only the shift of the lines.
    near = [
        one
        for one in alike
        if one.blunder.kind in _ADDED
        and one.unknowns == best.unknowns
        and one.fit.s0 <= _AS_WELL * best.fit.s0
    ]
    if best.blunder.kind in _ADDED:
        best = min(near, key=lambda one: one.fit.prior_penalty)
    # A possible mistake is no rival of a certain one, nor is one of the same kind.
    rivals = [
        one
        for one in alike
        if one.blunder.certain
        and one.blunder.kind != best.blunder.kind
        and one.fit.s0 <= _AS_WELL * best.fit.s0
    ]
    if not rivals or not best.blunder.certain:
        return best
    rivals.sort(key=lambda one: one.fit.prior_penalty)
    others = tuple(replace(one.blunder, certain=False) for one in rivals)
    return replace(best, blunder=replace(best.blunder, certain=False, rivals=others))


def _scatters(base: RegularizedFit | None, fit: RegularizedFit) -> tuple[float, float] | None:
    """Scatter in mm before and after."""
    return None if base is None else (base.s0 / base.per_mm, fit.s0 / fit.per_mm)


def _senses(readings: Readings, machine: Machine) -> list[Blunder]:
    other = {
        RotationSense.CLOCKWISE: RotationSense.COUNTERCLOCKWISE,
        RotationSense.COUNTERCLOCKWISE: RotationSense.CLOCKWISE,
    }
    turned = [i for i in range(len(machine.rotaries)) if np.ptp(readings.angles_deg[:, i]) > 0.0]
    found = []
    for count in range(1, len(turned) + 1):
        for which in itertools.combinations(turned, count):
            rotaries = tuple(
                replace(r, positive_turn=other[r.positive_turn]) if i in which else r
                for i, r in enumerate(machine.rotaries)
            )
            letters = tuple(machine.letters[i] for i in which)
            found.append(
                Blunder("sense reversed", readings, replace(machine, rotaries=rotaries), letters=letters)
            )
    return found


def _columns(readings: Readings, machine: Machine) -> list[Blunder]:
    found = []
    for i, j in itertools.combinations(range(len(machine.rotaries)), 2):
        swapped = readings.angles_deg.copy()
        swapped[:, [i, j]] = swapped[:, [j, i]]
        if np.array_equal(swapped, readings.angles_deg):
            continue
        letters = (machine.letters[i], machine.letters[j])
        found.append(
            Blunder("columns swapped", replace(readings, angles_deg=swapped), machine, letters=letters)
        )
    return found


def _units(
    readings: Readings, machine: Machine, base: RegularizedFit | None, sigma_mm: float | None
) -> _Explained | None:
    """Readings that are all 25.4 times too small or too large, so that the lines come out where no line can be."""
    if base is not None and (
        base.prior_penalty < _FINE_PENALTY
        or base.s0 > MM_PER_INCH * max(_FINE_MM, 5.0 * (sigma_mm or 0.0)) * base.per_mm
    ):
        return None
    for kind, factor in (
        ("inches for millimetres", MM_PER_INCH),
        ("millimetres for inches", 1.0 / MM_PER_INCH),
    ):
        corrected = replace(
            readings,
            points_mm=readings.points_mm * factor,
            sigma_mm=None if readings.sigma_mm is None else readings.sigma_mm * factor,
        )
        fit = fit_with_prior(corrected, machine, sigma_mm)
        if fit is None or fit.dof < 1 or fit.s0 > max(_FINE_MM, 5.0 * (sigma_mm or 0.0)) * fit.per_mm:
            continue
        if fit.prior_penalty > _FINE_PENALTY or (
            base is not None and fit.prior_penalty * _TIMES > base.prior_penalty
        ):
            continue
        return _Explained(Blunder(kind, corrected, machine), fit, 0)
    return None
