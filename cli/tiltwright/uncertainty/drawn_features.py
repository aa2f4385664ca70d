"""The features and seams of a job file, in every operation and nest that each stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from kinematics.uncertainty import Feature, Seam, SetupModel
from tiltwright.files.diagnostics import InputFaults, shown
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.uncertainty_tables import FeatureTable, SeamTable
from tiltwright.job.evaluate import EvaluatedJob

__all__ = ["DrawnFeatures", "drawn_features"]


@dataclass(frozen=True)
class DrawnFeatures:
    """Features and seams with the names that the file has for them.

    Attributes
    ----------
    features, seams : list of Feature, list of Seam
    feature_names : list of (feature, operation, nest, datum)
        "" without a datum.
    seam_names : list of (operation, operation, nest)
    unreached : list of str
        What is left out because its operation, or its datum's, is not reached.
    """

    features: list[Feature] = field(default_factory=list)
    seams: list[Seam] = field(default_factory=list)
    feature_names: list[tuple[str, str, str | None, str]] = field(default_factory=list)
    seam_names: list[tuple[str, str, str | None]] = field(default_factory=list)
    unreached: list[str] = field(default_factory=list)


def drawn_features(views: Sequence[EvaluatedJob], model: SetupModel) -> DrawnFeatures:
    """Every feature in every operation and nest that it stands for, and every seam in every nest.

    Raises
    ------
    InputFaults
        When a datum does not say which of several places it means.
    """
    found = DrawnFeatures()
    for view in views:
        _OneNest(view, model, found).gather()
    return found


class _OneNest:
    """The features and seams of one nest, or of the job without nests."""

    def __init__(self, view: EvaluatedJob, model: SetupModel, found: DrawnFeatures) -> None:
        self.job: ReadJob = view.job
        self.nest = view.job.nest
        self.found = found
        self.index = {one.name: k for k, one in enumerate(model.operations) if one.nest == self.nest}
        by_pattern: dict[str, list[str]] = {}
        for one in view.operations:
            by_pattern.setdefault(view.job.operations[one.placed.operation].name, []).append(one.placed.name)
        self.cuts: dict[str, list[str]] = {
            str(table.name): [str(table.operation)]
            if table.operation in self.index
            else by_pattern.get(table.operation, [])
            for table in view.job.file.feature
        }
        self.missing = self._missing()

    def _missing(self) -> set[str]:
        """Features that are not cut, and those whose datum is not."""
        missing: set[str] = {name for name, cuts in self.cuts.items() if not cuts}
        tables = self.job.file.feature
        for _ in tables:
            for table in tables:
                datum = table.datum
                if datum is not None and (
                    datum in missing or (datum not in self.cuts and datum not in self.index)
                ):
                    missing.add(table.name)
        return missing

    def gather(self) -> None:
        """Put what is cut with the rest, and name what is not."""
        for place, table in enumerate(self.job.file.feature):
            if table.name in self.missing:
                self.found.unreached.append(table.name)
                continue
            for cut in self.cuts[table.name]:
                self._feature(place, table, cut)
        for seam in self.job.file.seam:
            if all(name in self.index for name in seam.between):
                self._seam(seam)
            else:
                self.found.unreached.append(" / ".join(seam.between))

    def _feature(self, place: int, table: FeatureTable, cut: str) -> None:
        unit, datum, held = self.job.unit, None, None
        if table.datum is not None and table.datum in self.cuts:
            datum = self._key(table.datum, self._datum_cut(place, table.datum, cut))
        elif table.datum is not None:
            held = self.index[table.datum]
        self.found.features.append(
            Feature(
                self._key(table.name, cut),
                self.index[cut],
                np.array([unit.to_mm(one) for one in table.at]),
                None if table.along is None else np.array(table.along),
                None if table.tolerance is None else unit.to_mm(table.tolerance),
                datum,
                held,
            )
        )
        self.found.feature_names.append((table.name, cut, self.nest, table.datum or ""))

    def _seam(self, seam: SeamTable) -> None:
        unit, (first, second) = self.job.unit, seam.between
        self.found.seams.append(
            Seam(
                (self.index[first], self.index[second]),
                np.array([unit.to_mm(one) for one in seam.at]),
                np.array(seam.along),
                None if seam.tolerance is None else unit.to_mm(seam.tolerance),
            )
        )
        self.found.seam_names.append((first, second, self.nest))

    def _key(self, feature: str, operation: str) -> str:
        return "\n".join((feature, operation, self.nest or ""))

    def _datum_cut(self, place: int, datum: str, here: str) -> str:
        """The operation of a datum's place that counts for a feature: the feature's own, or the only one."""
        cuts = self.cuts[datum]
        if here in cuts:
            return here
        if len(cuts) == 1:
            return cuts[0]
        raise InputFaults(
            [
                fault_at(
                    self.job,
                    ("feature", place, "datum"),
                    f"{shown(datum)}, which stands for {len(cuts)} places",
                    f"a datum with one place, or with one in {shown(here)}",
                    "give the datum's [[feature]] one operation of the pattern, not its name",
                )
            ]
        )
