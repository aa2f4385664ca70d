"""The budget of a job: linear propagation, Monte Carlo beside it, verdicts, and what would help most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.uncertainty import (
    AddedPoses,
    FeatureBudget,
    MonteCarloResult,
    OffsetBudget,
    PartBudget,
    UncertaintySource,
    added_poses,
    monte_carlo,
    numerical_tolerance,
    offset_budget,
    offset_trials,
    part_budget,
    part_trials,
)
from tiltwright.calibration.plan_data import Plan
from tiltwright.uncertainty.evaluation import UncertainJob

__all__ = ["BudgetLine", "JobBudget", "SourceEffect", "job_budget"]

_NO_HELP = 0.02
"""Share of its own size by which an uncertainty must fall for a source to count as a help at all."""


@dataclass(frozen=True)
class SourceEffect:
    """Effect of one source on a feature or seam: its uncertainty with that source halved, and without it.

    Attributes
    ----------
    source : UncertaintySource
    halved_mm, without_mm : float
        The expanded uncertainty with this source half as large, and without it.
    """

    source: UncertaintySource
    halved_mm: float
    without_mm: float


@dataclass(frozen=True, eq=False)
class BudgetLine:
    """A feature or seam of the budget as it is shown.

    Attributes
    ----------
    name, operation, nest, datum : str, str, str or None, str
        Of a seam the name is empty and the operation both of them.
    budget : FeatureBudget
    low_mm, high_mm : float or None
        The Monte Carlo interval of the deviation, where linear propagation does not serve; of a position the low end is
        None and the high one the radius.
    conforms : float or None
        The probability to lie within the tolerance: by Monte Carlo where linear propagation does not serve.
    verdict : bool or None
        True where conformity is proven (ISO 14253-1), None where nothing is toleranced.
    linear_serves : bool
    """

    name: str
    operation: str
    nest: str | None
    datum: str
    budget: FeatureBudget
    low_mm: float | None
    high_mm: float | None
    conforms: float | None
    verdict: bool | None
    linear_serves: bool

    @property
    def expanded_mm(self) -> float:
        """Half-width of the interval that is shown."""
        if self.high_mm is None:
            return self.budget.expanded_mm
        return self.high_mm if self.low_mm is None else 0.5 * (self.high_mm - self.low_mm)

    @property
    def expected_mm(self) -> float:
        """The deviation to expect: of a position its length."""
        if self.low_mm is not None and self.high_mm is not None:
            return 0.5 * (self.low_mm + self.high_mm)
        expected = self.budget.expected_mm
        return float(expected[0]) if len(expected) == 1 else float(np.linalg.norm(expected))

    def source_effects(self, sources: tuple[UncertaintySource, ...]) -> tuple[SourceEffect, ...]:
        """Every source's worth, the best first."""
        halved = self.budget.expanded_with(np.full(len(sources), 0.5))
        without = self.budget.expanded_with(np.zeros(len(sources)))
        order = np.argsort(halved, kind="stable")
        return tuple(SourceEffect(sources[k], float(halved[k]), float(without[k])) for k in order.tolist())

    def useless(self, sources: tuple[UncertaintySource, ...]) -> tuple[UncertaintySource, ...]:
        """Sources that it would not show if they vanished."""
        least = (1.0 - _NO_HELP) * self.budget.expanded_mm
        return tuple(effect.source for effect in self.source_effects(sources) if effect.without_mm > least)


@dataclass(frozen=True, eq=False)
class JobBudget:
    """A job's budget.

    Attributes
    ----------
    job : UncertainJob
    offsets : OffsetBudget
    offset_trials, part_trials : MonteCarloResult or None
        None where nothing is uncertain, or there is no feature and no seam.
    features, seams : tuple of BudgetLine
    added : tuple of AddedPoses
        What more probing at each tilt would be worth, where a probing plan was given.
    """

    job: UncertainJob
    offsets: OffsetBudget
    offset_trials: MonteCarloResult | None
    part_trials: MonteCarloResult | None
    features: tuple[BudgetLine, ...]
    seams: tuple[BudgetLine, ...]
    added: tuple[AddedPoses, ...] = ()

    @property
    def offset_agrees(self) -> NDArray[np.bool_]:
        """Mask (O, 3) of the offsets for which linear propagation serves."""
        if self.offset_trials is None:
            return np.ones(self.offsets.u_mm.shape, dtype=bool)
        return self.offset_trials.agrees(
            self.offsets.expected_mm.ravel(), self.offsets.expanded_mm.ravel()
        ).reshape(-1, 3)

    @property
    def expanded_mm(self) -> NDArray[np.float64]:
        """Expanded uncertainty of each offset as shown, (O, 3): by Monte Carlo where linear does not serve."""
        if self.offset_trials is None:
            return self.offsets.expanded_mm
        half = 0.5 * (self.offset_trials.high - self.offset_trials.low).reshape(-1, 3)
        return np.where(self.offset_agrees, self.offsets.expanded_mm, half)

    @property
    def expected_mm(self) -> NDArray[np.float64]:
        """The error to expect of each offset as shown, (O, 3)."""
        if self.offset_trials is None:
            return self.offsets.expected_mm
        middle = 0.5 * (self.offset_trials.high + self.offset_trials.low).reshape(-1, 3)
        return np.where(self.offset_agrees, self.offsets.expected_mm, middle)

    @property
    def lines(self) -> tuple[BudgetLine, ...]:
        """Features, then seams."""
        return (*self.features, *self.seams)

    @property
    def agrees(self) -> bool:
        """True where linear propagation serves throughout."""
        return bool(self.offset_agrees.all()) and all(line.linear_serves for line in self.lines)

    @property
    def conforms(self) -> bool:
        """False where a feature's or seam's conformity is not proven, or something could not be looked at."""
        return all(line.verdict is not False for line in self.lines) and not self.job.unreached


def job_budget(
    job: UncertainJob, *, seed: int = 1, trials: int | None = None, plan: Plan | None = None
) -> JobBudget:
    """Work out a job's budget.

    Parameters
    ----------
    job : UncertainJob
    seed : int
        Of the Monte Carlo trials.
    trials : int, optional
        Their number; as many as the numerical tolerance asks for where left out.
    plan : Plan, optional
        A probing plan: what six more poses of it would be worth at each tilt.

    Raises
    ------
    KinematicsError
        When there is a plan, and no calibration to add to.
    """
    offsets, part = offset_budget(job.model, job.sources), part_budget(job.part, job.sources)
    by_offset = by_part = None
    if job.sources and job.model.operations:
        by_offset = monte_carlo(offset_trials(job.model, job.sources), seed=seed, trials=trials)
    if job.sources and len(job.part.point):
        by_part = monte_carlo(
            part_trials(job.part, job.sources), seed=seed, trials=trials, inside=_Inside(part)
        )
    lines = [
        _line(part, by_part, k, one, names)
        for k, (one, names) in enumerate(
            zip(
                (*part.features, *part.seams),
                (
                    *job.feature_names,
                    *((f"{a} / {b}", f"{a} / {b}", nest, "") for a, b, nest in job.seam_names),
                ),
                strict=True,
            )
        )
    ]
    count = len(part.features)
    added = () if plan is None else added_poses(job.part, job.sources, plan.targets, plan.sigma_mm)
    return JobBudget(job, offsets, by_offset, by_part, tuple(lines[:count]), tuple(lines[count:]), added)


class _Inside:
    """Shares of a block of trials within tolerance, and radii that hold it at the level; for each feature and seam.

    NaN for a share without a tolerance. A position's radius is about what is expected of it.
    """

    def __init__(self, part: PartBudget) -> None:
        self._level = part.level
        self._lines = [
            (part.part.rows(k), one.limit_mm, one.expected_mm[:, None])
            for k, one in enumerate((*part.features, *part.seams))
        ]

    def __call__(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        found = np.full((2, len(self._lines)), np.nan)
        for k, (rows, limit, expected) in enumerate(self._lines):
            if limit is not None:
                found[0, k] = (np.square(values[rows]).sum(axis=0) <= limit**2).mean()
            if len(expected) > 1:
                away = np.sqrt(np.square(values[rows] - expected).sum(axis=0))
                found[1, k] = np.quantile(away, self._level)
        return found


def _line(
    part: PartBudget,
    trials: MonteCarloResult | None,
    place: int,
    one: FeatureBudget,
    names: tuple[str, str, str | None, str],
) -> BudgetLine:
    linear = BudgetLine(*names, one, None, None, one.conforms, one.proven, linear_serves=True)
    if trials is None:
        return linear
    share, radius = (float(value) for value in trials.inside[:, place])
    rows, limit = part.part.rows(place), one.limit_mm
    conforms = None if limit is None else share
    if len(one.expected_mm) == 1:
        low, high = float(trials.low[rows][0]), float(trials.high[rows][0])
        centre, half = float(one.expected_mm[0]), one.expanded_mm
        if max(abs(centre - half - low), abs(centre + half - high)) <= float(trials.tolerance[rows][0]):
            return linear
        verdict = None if limit is None else -limit <= low and high <= limit
        return BudgetLine(*names, one, low, high, conforms, verdict, linear_serves=False)
    if abs(radius - one.expanded_mm) <= float(numerical_tolerance(one.u_mm)):
        return linear
    verdict = None if limit is None else float(np.linalg.norm(one.expected_mm)) + radius <= limit
    return BudgetLine(*names, one, None, radius, conforms, verdict, linear_serves=False)
