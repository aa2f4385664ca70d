"""A job's uncertainty evaluated: the model, the sources that its files state, its features and seams.

Every command that shows an uncertainty starts here, so no two can disagree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kinematics import Machine, is_horizontal
from kinematics.uncertainty import (
    Feature,
    ModelOperation,
    OffsetCorrection,
    PartModel,
    QuantityKind,
    Seam,
    SetupModel,
    Spread,
    StackNode,
    TouchReading,
    UncertaintySource,
    offset_budget,
    part_model,
)
from tiltwright.files.diagnostics import InputFaults, shown
from tiltwright.files.job_file import JobFile, StackTable, TouchedTable
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.schema_types import FileTable
from tiltwright.files.solid_tables import EXPANSIONS
from tiltwright.files.uncertainty_checks import states_uncertainty
from tiltwright.files.uncertainty_tables import FeatureTable, SeamTable
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob
from tiltwright.uncertainty.known_lines import CalibrationSource, calibration_source

__all__ = [
    "DrawnFeatures",
    "TakenAsExact",
    "UncertainJob",
    "drawn_features",
    "expanded_uncertainties",
    "uncertain_job",
]


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


Array = NDArray[np.float64]


@dataclass(frozen=True)
class TakenAsExact:
    """A value that nothing says how far it may be off, and that the budget therefore takes as exact.

    Attributes
    ----------
    kind : str
        That of its quantities, or "held" for what the calibration did not determine, "expansion" for what does not
        grow, "coefficient" for a material's coefficient of expansion, "lines edited" for lines that are not the log's.
    owner : str
    words : str
        Of a held one, what it is.
    """

    kind: str
    owner: str = ""
    words: str = ""


@dataclass(frozen=True, eq=False)
class UncertainJob:
    """A job with everything uncertain in it.

    Attributes
    ----------
    views : tuple of EvaluatedJob
        One for each nest; without nests the job itself.
    model : SetupModel
        Its operations are those of the views, one view after the other.
    part : PartModel
    sources : tuple of UncertaintySource
    exact : tuple of TakenAsExact
    calibration : CalibrationSource
    feature_names : tuple of (feature, operation, nest, datum)
        As the file has the names, for each of the part's features; "" without a datum.
    seam_names : tuple of (operation, operation, nest)
    unreached : tuple of str
        Features and seams left out because their operation is not reached.
    """

    views: tuple[EvaluatedJob, ...]
    model: SetupModel
    part: PartModel
    sources: tuple[UncertaintySource, ...]
    exact: tuple[TakenAsExact, ...]
    calibration: CalibrationSource
    feature_names: tuple[tuple[str, str, str | None, str], ...] = ()
    seam_names: tuple[tuple[str, str, str | None], ...] = ()
    unreached: tuple[str, ...] = ()

    @property
    def loaded_mm(self) -> Array:
        """X, Y, Z of each operation's offset as it is loaded, with the correction in force; shape (O, 3)."""
        placed = [one.placed.offset_mm for view in self.views for one in view.operations]
        return np.array(placed).reshape(-1, 3)

    @property
    def uncorrected_mm(self) -> Array:
        """The same without a correction."""
        placed = [one.placed.offset_mm for view in self.views for one in view.uncorrected.operations]
        return np.array(placed).reshape(-1, 3)

    @property
    def in_force(self) -> OffsetCorrection | None:
        """The correction that is in the loaded offsets; None without one."""
        table = self.views[0].job.file.correction
        if table is None:
            return None
        shift, nothing = self.loaded_mm - self.uncorrected_mm, np.zeros(self.loaded_mm.shape)
        turns = [
            0.0 if view.correction is None else view.correction.turns_deg[one.placed.name]
            for view in self.views
            for one in view.operations
        ]
        return OffsetCorrection(shift, nothing, np.array(turns), nothing[:, 0])

    @property
    def numbers(self) -> tuple[int, ...]:
        """The number of each operation's work offset."""
        return tuple(one.number for view in self.views for one in view.operations)


def expanded_uncertainties(
    views: EvaluatedJob | Sequence[EvaluatedJob],
) -> Mapping[tuple[str, str | None], tuple[float, float, float]]:
    """Expanded uncertainty (95 %) of X, Y, Z of each operation's offset, mm, by the operation's name and its nest.

    Empty where the job states nothing uncertain. Everything that is not stated is taken as exact.

    Raises
    ------
    InputFaults
        When the log of calibrations cannot be read.
    """
    several = (views,) if isinstance(views, EvaluatedJob) else tuple(views)
    if not several or not states_uncertainty(several[0].job.file):
        return {}
    found = uncertain_job(several)
    expanded = offset_budget(found.model, found.sources).expanded_mm.tolist()
    return {
        (one.name, one.nest): (x, y, z)
        for one, (x, y, z) in zip(found.model.operations, expanded, strict=True)
    }


def uncertain_job(views: EvaluatedJob | Sequence[EvaluatedJob]) -> UncertainJob:
    """Put together a job's model and the sources of uncertainty that its files and the machine's log state.

    Raises
    ------
    InputFaults
        When the log of calibrations cannot be read, or a datum does not say which of several places it means.
    """
    several = (views,) if isinstance(views, EvaluatedJob) else tuple(views)
    given, several = several, tuple(view.uncorrected for view in several)
    job, file = several[0].job, several[0].job.file
    expansions: dict[str, float] = dict(EXPANSIONS)
    expansions.update({one.name: one.expansion for one in file.material if one.expansion is not None})
    stacks = {view.job.nest: _nodes(view.job, expansions, multiple=len(several) > 1) for view in several}
    model = _setup_model(several, stacks, expansions)
    # The features' own places are positions of the axes too: what is stated of an axis must reach them.
    wanted = drawn_features(several, model)
    part = part_model(model, wanted.features, wanted.seams)
    model = part.model
    statement = _Statement(model, several, {nest: [t for _, t in nodes] for nest, nodes in stacks.items()})
    calibration = calibration_source(job.machine_file, model)
    statement.machine(calibration)
    statement.stack()
    statement.touch()
    statement.tools(file)
    statement.temperature(file, expansions)
    return UncertainJob(
        given,
        model,
        part,
        tuple(statement.sources),
        tuple(dict.fromkeys(statement.exact)),
        calibration,
        tuple(wanted.feature_names),
        tuple(wanted.seam_names),
        tuple(wanted.unreached),
    )


Stated = tuple[StackNode, StackTable]


def _setup_model(
    views: Sequence[EvaluatedJob],
    stacks: Mapping[str | None, Sequence[Stated]],
    expansions: Mapping[str, float],
) -> SetupModel:
    """The setup with every operation of every nest, and without a point that is cut."""
    job, file = views[0].job, views[0].job.file
    tools = {tool.name for tool in file.tool}
    operations = [
        ModelOperation(
            one.placed.name,
            one.placed.machine_deg,
            one.placed.origin_mm,
            view.job.nest,
            tool if (tool := file.operation[one.placed.operation].tool) in tools else None,
        )
        for view in views
        for one in view.operations
    ]
    touches = {
        view.job.nest: TouchReading(view.job.touched.at_mm, view.job.touched.machine_deg)
        for view in views
        if view.job.touched is not None and view.job.touched.use == "touched"
    }
    warmth, growth, machine_unit = file.temperature, job.machine_file.file.growth, job.machine_file.unit
    axes = (0.0, 0.0, 0.0) if growth is None else (growth.x, growth.y, growth.z)
    return SetupModel(
        job.machine,
        {nest: tuple(node for node, _ in nodes) for nest, nodes in stacks.items()},
        tuple(operations),
        (),
        touches,
        20.0 if warmth is None else float(warmth.set_up),
        0.0 if warmth is None or warmth.part is None else expansions.get(warmth.part, 0.0),
        np.array([machine_unit.to_mm(one) for one in axes]),
    )


def _nodes(job: ReadJob, expansions: Mapping[str, float], *, multiple: bool) -> list[Stated]:
    """The steps under a part with their tables, each under a key of its own; what nests share has one key."""
    if job.nest is None:
        owners: list[tuple[str, int]] = [("", k) for k in range(len(job.steps))]
    else:
        own = next(one for one in job.nests if one.nest.name == job.nest)
        owners = [
            ("" if step.nest is None else job.nests[step.nest].nest.name, step.index) for step in own.stack
        ]
    names = [(owner, step.name) for (owner, _), step in zip(owners, job.steps, strict=True)]
    found = []
    for (owner, index), step, table in zip(owners, job.steps, job.file.stack, strict=True):
        key = step.name if names.count((owner, step.name)) == 1 else f"{step.name} ({index + 1})"
        if owner and multiple:
            key = f"{owner}: {key}"
        expansion = expansions.get(table.material, 0.0) if table.material is not None else 0.0
        found.append((StackNode(key, step, expansion), table))
    return found


@dataclass
class _Statement:
    """The sources and what is taken as exact, gathered from the files."""

    model: SetupModel
    views: tuple[EvaluatedJob, ...]
    tables: Mapping[str | None, list[StackTable]]
    sources: list[UncertaintySource] = field(default_factory=list)
    exact: list[TakenAsExact] = field(default_factory=list)

    def _take(self, kind: QuantityKind, owner: str, spread: Spread | None) -> None:
        quantities = self.model.of_kind(kind, owner)
        if spread is None:
            self.exact.append(TakenAsExact(kind, owner))
        elif quantities and spread.u > 0.0:
            self.sources.append(UncertaintySource.of(quantities, spread))

    def machine(self, calibration: CalibrationSource) -> None:
        """Lines and platter, from the calibration where there is one; positioning of rotaries and linear axes."""
        read = self.views[0].job.machine_file
        file, unit = read.file, read.unit
        if calibration.source is not None:
            self.sources.append(calibration.source)
            self.exact += [TakenAsExact("held", "", words) for words in calibration.held]
        if calibration.edited:
            self.exact.append(TakenAsExact("lines edited"))
        for table in file.rotary:
            if calibration.source is None:
                self._take("line shift", table.letter, _spread(table, "position", unit))
                self._take("line tilt", table.letter, _spread(table, "direction"))
            self._take("rotary angle", table.letter, _spread(table, "positioning"))
        if _has_face(self.model.machine) and not calibration.platter:
            platter = file.platter
            self._take("platter face", "", None if platter is None else _spread(platter, "face", unit))
        known = calibration.source is not None and any(
            one.kind == "platter tilt" for one in calibration.source.quantities
        )
        if not known:
            platter = file.platter
            self._take("platter tilt", "", None if platter is None else _spread(platter, "normal"))
        positions = file.positioning
        for axis in "XYZ":
            spread = None if positions is None else _spread(positions, axis.lower(), unit)
            self._take("axis position", axis, spread)

    def stack(self) -> None:
        """The steps, and how the part seats from one to the next."""
        done = set()
        for nest, nodes in self.model.stacks.items():
            unit = self.views[0].job.unit
            for node, table in zip(nodes, self.tables[nest], strict=True):
                if node.key not in done:
                    done.add(node.key)
                    self._step("step", node.key, table, unit)
            again = self.views[0].job.file.reclamping
            if again is None:
                self.exact.append(TakenAsExact("part shift", nest or ""))
            else:
                self._step("part", nest or "", again, unit)

    def _step(self, kind: str, owner: str, table: FileTable, unit: Unit) -> None:
        for what in ("up", "shift"):
            self._take(f"{kind} {what}", owner, _spread(table, what, unit))  # type: ignore[arg-type]  # one of the kinds
        for what in ("turn", "lean"):
            self._take(f"{kind} {what}", owner, _spread(table, what))  # type: ignore[arg-type]  # likewise

    def touch(self) -> None:
        """The touch-off, where the job goes by it."""
        for view in self.views:
            if view.job.nest not in self.model.touches:
                continue
            job, owner = view.job, view.job.nest or ""
            table: TouchedTable | None = job.file.touched
            probe, unit = job.machine_file.file.probe, job.machine_file.unit
            spread = None
            if table is not None and table.repeatability is not None:
                spread = _repeated(job.unit.to_mm(table.repeatability), table.touches)
            elif probe is not None:
                spread = _repeated(unit.to_mm(probe.repeatability), probe.touches)
            self._take("touch-off", owner, spread)

    def tools(self, file: JobFile) -> None:
        """The tools that cut features or seams."""
        if not (file.feature or file.seam):
            return
        unit = self.views[0].job.unit
        used = [one.tool for one in self.model.operations]
        if None in used:
            self.exact.append(TakenAsExact("tool length", ""))
        for tool in file.tool:
            if tool.name in used:
                self._take("tool length", tool.name, _spread(tool, "length", unit))
                self._take("tool diameter", tool.name, _spread(tool, "diameter", unit))

    def temperature(self, file: JobFile, expansions: Mapping[str, float]) -> None:
        """The temperature it runs at, and what does not grow with it for want of a material."""
        warmth = file.temperature
        if warmth is None:
            self.exact.append(TakenAsExact("temperature"))
            return
        low, high = warmth.runs
        mean = 0.5 * (low + high) - float(warmth.set_up)
        quantities = self.model.of_kind("temperature")
        self.sources.append(UncertaintySource.of(quantities, Spread.within(0.5 * (high - low)), mean))
        for nest, nodes in self.model.stacks.items():
            for node, table in zip(nodes, self.tables[nest], strict=True):
                if table.material is None or table.material not in expansions:
                    self.exact.append(TakenAsExact("expansion", node.key))
        grow = [
            table.material
            for tables in self.tables.values()
            for table in tables
            if table.material in expansions
        ]
        for material in dict.fromkeys([*grow, warmth.part]):
            if material is not None and material in expansions:
                self.exact.append(TakenAsExact("coefficient", material))
        if warmth.part is None:
            self.exact.append(TakenAsExact("expansion", "part"))
        if not self.model.growth_mm_per_k.any():
            self.exact.append(TakenAsExact("expansion", "machine"))


def _has_face(machine: Machine) -> bool:
    return machine.platter.face_mm is not None and not is_horizontal(machine.rotaries[-1])


def _spread(table: FileTable, stem: str, unit: Unit | None = None) -> Spread | None:
    """Spread that a table states of one value: limits or a standard uncertainty, in mm or degrees; None for neither."""
    # Of positioning the key itself states the limits.
    key = f"{stem}_within" if f"{stem}_within" in table.__struct_fields__ else stem
    within, u = getattr(table, key), getattr(table, f"{stem}_u")
    scale = 1.0 if unit is None else unit.mm
    if within is not None:
        return Spread.within(scale * float(within))
    return None if u is None else Spread(scale * float(u))


def _repeated(u_mm: float, touches: int | None) -> Spread:
    return Spread(u_mm, "normal", None if touches is None else float(touches - 1))
