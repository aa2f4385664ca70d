"""The probing of every nest's part, evaluated: what is touched and how, and every fault for which no program is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics import KinematicsError
from kinematics.batch import (
    ClockingTerms,
    PartTouch,
    ZeroProbing,
    centre_touch,
    clocking_terms,
    surface_touch,
)
from kinematics.calibration import TargetKind
from tiltwright.calibration.plan_data import clearance_mm_of, over_mm_of, spare_mm_of
from tiltwright.calibration.probe_cycles import (
    Probe,
    ProbeCycle,
    bore_or_pin,
    lift_lines,
    probe_of,
    safe_height,
    surface,
)
from tiltwright.calibration.probe_program import probe_faults, travel_faults
from tiltwright.files.batch_checks import clocking_edge, targets_given
from tiltwright.files.conversion import part_within_of
from tiltwright.files.diagnostics import Diagnostic, InputFaults, KeyPath, shown
from tiltwright.files.job_file import LAST_WORK_OFFSET
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.machine_file import AXIS_DIRECTIONS
from tiltwright.files.probing_tables import ProbeTable, ZeroProbingTable
from tiltwright.files.units import Unit
from tiltwright.job.evaluate import EvaluatedJob, EvaluatedNests, evaluate_nests

__all__ = ["MOST_NESTS", "NestProbing", "PlannedTouch", "ProbedParts", "probed_parts"]

Array = NDArray[np.float64]

MOST_NESTS = 400
"""Each has ten of the control's numbered parameters, which are its own from 5061 on."""
_LOOKS_DOWN = -float(np.sin(np.radians(0.5)))
"""A side that is upright on paper leans by what was measured of the platter and the rotaries, never by so much."""
_UPRIGHT = float(np.cos(np.radians(10.0)))


@dataclass(frozen=True, eq=False)
class PlannedTouch:
    """One target of a nest's part.

    Attributes
    ----------
    words : str
        What it is, for people.
    kind : {"face", "edge", "bore", "boss"}
    key : KeyPath
        Of the target in the job file.
    point_mm : ndarray, shape (3,)
        Of the surface, or a round's centre: machine coordinates at the all-zero pose.
    normal : ndarray, shape (3,)
        Outward; of a round, its axis.
    radius_mm : float
        Of a round; 0 for a surface.
    need_mm : float
        How far the surface may be from where it is expected, with the part within its limits.
    cycle : ProbeCycle
        In the program's unit.
    """

    words: str
    kind: str
    key: KeyPath
    point_mm: Array
    normal: Array
    radius_mm: float
    need_mm: float
    cycle: ProbeCycle

    def where(self, nest: str | None) -> str:
        """Name of the target with its nest, for people; None without nests."""
        return self.words if nest is None else f"{self.words} in nest {nest}"

    def ways_mm(self, table: ProbeTable, unit: Unit) -> list[tuple[Array, Array]]:
        """Start and nominal contact of each touch, as places of the tip's lowest point, machine coordinates in millimetres."""
        ball = unit.to_mm(table.ball_diameter) / 2.0
        tip, clear = np.array([0.0, 0.0, ball]), clearance_mm_of(table, unit)
        if not self.radius_mm:
            contact = self.point_mm + ball * self.normal - tip
            return [(contact + clear * self.normal, contact)]
        headings = np.array([[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])
        inside = self.kind == "bore"
        aside = self.radius_mm - ball if inside else self.radius_mm + ball
        start = max(aside - clear, 0.0) if inside else aside + clear
        middle = self.point_mm - tip
        return [(middle + start * way, middle + aside * way) for way in headings]


@dataclass(frozen=True, eq=False)
class NestProbing:
    """The probing of one nest's part.

    Attributes
    ----------
    place : int
        Of the nest among those evaluated.
    job : ReadJob
        As the nest sees it.
    touches : tuple of PlannedTouch
    probing : ZeroProbing
        The same touches as the library has them.
    terms : ClockingTerms or None
        Of the nest's operations, in their order; None where the clocking is not measured.
    within_mm : float
    clock_within_deg : float or None
    """

    place: int
    job: ReadJob
    touches: tuple[PlannedTouch, ...]
    probing: ZeroProbing
    terms: ClockingTerms | None
    within_mm: float
    clock_within_deg: float | None

    @property
    def name(self) -> str:
        """Name of the nest at the machine."""
        return "the part" if self.job.nest is None else f"nest {self.job.nest}"


@dataclass(frozen=True, eq=False)
class ProbedParts:
    """The probing of all nests of a job.

    Attributes
    ----------
    evaluated : EvaluatedNests
        At part zero of the stack.
    nests : tuple of NestProbing
    table : ProbeTable
    probe : Probe
    unit : Unit
        Of the program: the job's.
    high : float
        Safe height, machine Z.
    lift : tuple of str
        Lines that take the probe there.
    display_offset : int
        Number of the work offset that is zero while the probe runs, so that the display shows machine coordinates.
    """

    evaluated: EvaluatedNests
    nests: tuple[NestProbing, ...]
    table: ProbeTable
    probe: Probe
    unit: Unit
    high: float
    lift: tuple[str, ...]
    display_offset: int

    @property
    def display_offset_is_free(self) -> bool:
        """True where no operation of the job uses that work offset."""
        return all(
            one.number != self.display_offset for nest in self.evaluated.nests for one in nest.operations
        )


def probed_parts(job: ReadJob) -> ProbedParts:
    """The probing of a job's parts at the all-zero pose.

    Raises
    ------
    InputFaults
        With every value that is missing, every target that the probe cannot take, and every move out of the travels.
    """
    # Each part is set by its own zero: a correction of the stack's would count twice.
    evaluated = evaluate_nests([job]).uncorrected
    faults = [*_missing(job)]
    if len(evaluated.nests) > MOST_NESTS:
        found = f"{len(evaluated.nests)} nests"
        faults.append(
            fault_at(job, ("nest",), found, f"at most {MOST_NESTS}: the control's parameters end there")
        )
    if faults:
        raise InputFaults(faults)
    whole = job.file.zero_probing
    assert whole is not None
    assert whole.probe is not None
    table, unit = whole.probe, job.unit
    probe = probe_of(table, unit)
    high = safe_height(job.machine, unit)
    lift = tuple(lift_lines(probe, table.offset, high))
    nests, short = [], dict[str, tuple[float, Diagnostic]]()
    for place, nest in enumerate(evaluated.nests):
        made = _Nest(job, place, nest, table, probe, lift)
        faults += made.faults
        for key, (need_mm, fault) in made.short.items():
            if need_mm > short.get(key, (0.0, fault))[0]:
                short[key] = need_mm, fault
        if made.probed is not None:
            nests.append(made.probed)
    faults += [fault for _, fault in short.values()]
    if faults:
        raise InputFaults(faults)
    return ProbedParts(evaluated, tuple(nests), table, probe, unit, high, lift, _display_offset(evaluated))


def _display_offset(evaluated: EvaluatedNests) -> int:
    """A work offset that no operation uses, of the plain six where there is one; else the lowest of the first loader."""
    operations = [one for nest in evaluated.nests for one in nest.operations]
    used = {one.number for one in operations}
    free = [number for number in (6, 5, 4, 3, 2, 1, 7, 8, LAST_WORK_OFFSET) if number not in used]
    return free[0] if free else min(one.number for one in operations if one.loader == 1)


def _missing(job: ReadJob) -> Iterator[Diagnostic]:
    """Faults of what the whole job has to say."""
    table, path = job.file.zero_probing, ("zero_probing",)
    if table is None:
        found = "nothing on how the parts' zeros are probed"
        allowed = "[zero_probing] with a probe, a face, and two edges, a bore or a boss"
        yield fault_at(job, path, found, allowed, "tiltwright schema job --text lists its keys", missing=True)
        return
    if table.probe is None:
        found = "no probe"
        allowed = "[zero_probing.probe] with its length and ball_diameter"
        yield fault_at(job, (*path, "probe"), found, allowed, missing=True)
    else:
        for key, found, allowed in probe_faults(table.probe, job.unit):
            yield fault_at(job, (*path, "probe", key), found, allowed)
    if job.machine.travel is None:
        found = "no travels in the machine file: there is no safe height to retract to"
        allowed = "[travel] with the ends of x, y and z in the machine file"
        yield fault_at(job, ("machine",), found, allowed)


class _Nest:
    """The probing of one nest, and its faults."""

    def __init__(
        self,
        whole: ReadJob,
        place: int,
        nest: EvaluatedJob,
        table: ProbeTable,
        probe: Probe,
        lift: tuple[str, ...],
    ) -> None:
        self.whole, self.job, self.nest = whole, nest.job, nest
        self.table, self.probe, self.lift, self.unit = table, probe, lift, whole.unit
        self.part = nest.job.setup.part_in_machine
        self.faults: list[Diagnostic] = []
        self.short: dict[str, tuple[float, Diagnostic]] = {}
        self.path: KeyPath = ("zero_probing",)
        own = nest.job.own_nest
        if own is not None:
            stated = whole.file.nest[own.place].zero_probing
            if stated is not None and targets_given(stated):
                self.path = ("nest", own.place, "zero_probing")
        self.probed = self._probed(place)

    def _fault(self, key: KeyPath, found: str, allowed: str, tip: str = "", *, missing: bool = False) -> None:
        self.faults.append(fault_at(self.whole, key, found, allowed, tip, missing=missing))

    def _probed(self, place: int) -> NestProbing | None:
        targets = self.job.file.zero_probing
        assert targets is not None
        if not targets_given(targets):
            found = "nothing to touch" + ("" if self.job.nest is None else f" in nest {shown(self.job.nest)}")
            self._fault(self.path, found, "a face, and with it two edges, a bore or a boss", missing=True)
            return None
        edge = clocking_edge(targets)
        within_mm, stated = part_within_of(self.job.file, self.unit)
        if not stated:
            found = "no limit for how far off a part may lie, and with nobody there the program must stop by itself"
            self._fault((*self.path, "within"), found, "one, such as within = 0.3", missing=True)
        clock_within = targets.clock_within
        if edge is not None and clock_within is None:
            found = "two points on an edge, and no limit for the clocking that they give"
            self._fault((*self.path, "clock_within"), found, "one, such as clock_within = 0.4", missing=True)
        if edge is None and clock_within is not None:
            found = f"{clock_within:g}, and no edge has two points: the clocking is not measured"
            self._fault((*self.path, "clock_within"), found, "two points on one edge, or no clock_within")
        if self.faults:
            return None
        turn_deg = clock_within or 0.0
        made = [*self._touches(targets, within_mm, turn_deg)]
        touches, places = tuple(one for one, _ in made), tuple(one for _, one in made)
        pair = tuple(k for k, one in enumerate(touches) if edge is not None and isinstance(one.key[-1], int))
        for one in touches:
            self._check(one)
        letter = self._taking_out(measured=edge is not None)
        if self.faults or self.short:
            return None
        try:
            probing = ZeroProbing(self.job.setup, places, (pair[0], pair[1]) if pair else None)
        except KinematicsError as refusal:
            self._fault(self.path, str(refusal), "targets in three directions")
            return None
        terms = None
        if edge is not None:
            origins = np.array([one.placed.origin_mm for one in self.nest.operations]).reshape(-1, 3)
            terms = clocking_terms(self.job.setup, origins, letter)
            self._check_limits(terms, turn_deg)
        return NestProbing(place, self.job, touches, probing, terms, within_mm, clock_within)

    def _touches(
        self, targets: ZeroProbingTable, within_mm: float, turn_deg: float
    ) -> Iterator[tuple[PlannedTouch, PartTouch]]:
        """The touches in the order of the program: the face first, which shows whether a part is there at all."""
        face = targets.face
        assert face is not None
        yield self._surface(f"face {face.side}", "face", ("face",), face.side, face.at, within_mm, turn_deg)
        for kind, one in (("bore", targets.bore), ("boss", targets.boss)):
            if one is None:
                continue
            centre = np.array([self.unit.to_mm(v) for v in one.at])
            point, axis = self.part.apply(centre), self.part.rotate(np.array([0.0, 0.0, 1.0]))
            half = self.unit.to_mm(one.diameter) / 2.0
            need = within_mm + float(np.hypot(*centre[:2])) * float(np.sin(np.radians(turn_deg)))
            kind_of = TargetKind.BORE if kind == "bore" else TargetKind.PIN
            mm = self.unit.mm
            cycle = bore_or_pin(self.probe, point / mm, half / mm, kind_of, self.lift)
            touch = PlannedTouch(kind, kind, (*self.path, kind), point, axis, half, need, cycle)
            yield touch, centre_touch(centre)
        alone = targets.bore is not None or targets.boss is not None
        for number, edge in enumerate(targets.edge):
            for k, at in enumerate(edge.at):
                two = len(edge.at) > 1
                words = f"edge {edge.side}" + (f", point {k + 1}" if two else "")
                key: KeyPath = ("edge", number, "at", k) if two else ("edge", number, "at")
                planned, place_of = self._surface(words, "edge", key, edge.side, at, within_mm, turn_deg)
                yield planned, replace(place_of, clock_only=alone)

    def _surface(
        self,
        words: str,
        kind: str,
        key: KeyPath,
        side: str,
        at: tuple[float, float, float],
        within_mm: float,
        turn_deg: float,
    ) -> tuple[PlannedTouch, PartTouch]:
        at_mm = np.array([self.unit.to_mm(v) for v in at])
        outward = np.array(AXIS_DIRECTIONS[side])
        touch = surface_touch(at_mm, outward, self.unit.to_mm(self.table.ball_diameter) / 2.0)
        point, normal = self.part.apply(at_mm), self.part.rotate(outward)
        # The farther a point lies from part zero, the more the clocking moves it.
        arm = 0.0 if side[1] == "Z" else float(np.hypot(*at_mm[:2]))
        need = within_mm + arm * float(np.sin(np.radians(turn_deg)))
        cycle = surface(self.probe, point / self.unit.mm, normal)
        return PlannedTouch(words, kind, (*self.path, *key), point, normal, 0.0, need, cycle), touch

    def _check(self, one: PlannedTouch) -> None:
        """Faults of one touch: directions, distances, travels."""
        where = one.where(self.job.nest)
        if not one.radius_mm and one.normal[2] < _LOOKS_DOWN:
            found = f"{where}, which looks down at the all-zero pose"
            self._fault(one.key, found, "a side that the probe gets at from above or from beside")
        if one.radius_mm and abs(one.normal[2]) < _UPRIGHT:
            found = f"{where}, which leans by more than 10 degrees at the all-zero pose"
            self._fault(one.key, found, "a bore or boss that stands upright: the probe goes straight down")
        self._check_distances(one, where)
        for found, allowed in travel_faults(self.whole.machine, self.table, self.unit, one.cycle):
            self._fault(one.key, f"{where}: {found}", allowed)

    def _check_distances(self, one: PlannedTouch, where: str) -> None:
        unit = self.unit
        spare_mm, over_mm = spare_mm_of(self.table, unit), over_mm_of(self.table, unit)
        start_mm = clearance_mm_of(self.table, unit)
        need = f"{unit.from_mm(one.need_mm):.3g} {unit.value}"
        if one.kind == "bore":
            room_mm = one.radius_mm - unit.to_mm(self.table.ball_diameter) / 2.0
            if room_mm < one.need_mm + spare_mm:
                found = f"{where}: {unit.from_mm(room_mm):.3g} {unit.value} between ball and wall"
                allowed = f"{unit.from_mm(one.need_mm + spare_mm):.3g} or more: the part may be {need} off, and `spare`"
                self._fault(one.key, found, allowed, "a smaller ball, or a smaller spare")
                return
            start_mm = min(start_mm, room_mm)
        if start_mm < one.need_mm + spare_mm:
            found = f"{unit.from_mm(start_mm):.3g} before {where}, and the part may be {need} off"
            allowed = f"{unit.from_mm(one.need_mm + spare_mm):.3g} or more: the way down there is blind"
            self._too_short("clearance", one.need_mm, found, allowed)
        if over_mm < one.need_mm:
            found = f"{unit.from_mm(over_mm):.3g} beyond {where}, and the part may be {need} off"
            allowed = f"{need} or more: else the touch gives up before a part that is good"
            self._too_short("over", one.need_mm, found, allowed)

    def _too_short(self, key: str, need_mm: float, found: str, allowed: str) -> None:
        """Keep the fault of the touch that needs most."""
        if need_mm > self.short.get(key, (0.0, None))[0]:
            path = ("zero_probing", "probe", key)
            self.short[key] = need_mm, fault_at(self.whole, path, found, allowed)

    def _taking_out(self, *, measured: bool) -> str | None:
        """Rotary whose offset takes the clocking out."""
        letters = tuple(self.job.file.square_up or ())
        last = self.whole.machine.letters[-1]
        if measured and letters not in {(), (last,)}:
            found = f"square_up by {' and '.join(letters)}, and an edge with two points"
            tip = "with one point on each edge the clocking is not measured"
            self._fault(
                ("square_up",), found, f"{shown(last)}, the last rotary, for a clocking that is measured", tip
            )
        return letters[0] if letters else None

    def _check_limits(self, terms: ClockingTerms, turn_deg: float) -> None:
        """Faults of a rotary that a part's clocking would take past its limits."""
        rotary = self.whole.machine.rotaries[-1]
        if rotary.limits_deg is None or not terms.sign:
            return
        turned = [float(terms.turn_deg(end)) for end in (-turn_deg, turn_deg)]
        low, high = rotary.limits_deg
        for one in self.nest.operations:
            angles = [float(one.placed.machine_deg[-1]) + turn for turn in turned]
            if min(angles) < low or max(angles) > high:
                found = f"{turn_deg:g} degrees, which could take {rotary.letter} to {min(angles, key=lambda a: low <= a <= high):.6g}"
                self._fault(
                    (*self.path, "clock_within"),
                    f"{found} at {one.placed.name}",
                    f"clocking that keeps it within {low:.10g} to {high:.10g}",
                )
                return
