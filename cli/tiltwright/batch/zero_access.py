"""Accessibility of the touches of parts: the probe held against everything that the job's and the machine's files describe.

The probe is upright: a stylus as thick as its ball, and a body above it up to the gauge line and the spindle's nose. It
keeps its distance on the way down to each touch and up again, while it touches, and on the way across at the safe height;
the stylus may touch what it probes. A part may lie as far off as its limits allow, so that much is added to the distance.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.reach import CollisionModel, OperationPose, Scene, TipEnvelope, Tool, clearances, scene_of
from tiltwright.batch.zero_probing import NestProbing, PlannedTouch, ProbedParts
from tiltwright.calibration.plan_data import spare_mm_of
from tiltwright.files.diagnostics import Diagnostic, InputFaults
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.reach.collision_model import build_collision_model

__all__ = ["CheckedAccess", "checked_access"]

Array = NDArray[np.float64]

_NEEDLE_MM = 0.01
_BESIDE_MM = 0.05
"""A needle this far before a surface is at most this far from it, and what facets add."""
_FACETS_MM = 0.05


@dataclass(frozen=True)
class CheckedAccess:
    """Solids that the probe was checked against, and those that it was not.

    Attributes
    ----------
    bodies : tuple of str
        Names of the bodies that it keeps its distance from.
    open_steps : tuple of str
        Steps of the stack without a section, which nothing is known of.
    unproven_targets : tuple of str
        Targets that no described body shows to be on the part.
    spare_mm : float
        The distance that it keeps.
    """

    bodies: tuple[str, ...]
    open_steps: tuple[str, ...]
    unproven_targets: tuple[str, ...]
    spare_mm: float


def checked_access(parts: ProbedParts) -> CheckedAccess:
    """Check that the probe gets to every touch, and that every target lies on the part.

    Raises
    ------
    InputFaults
        With every touch that it cannot take, and every target that is not on the part.
    """
    faults: list[Diagnostic] = []
    bodies: dict[str, None] = {}
    open_steps: dict[str, None] = {}
    unproven: list[str] = []
    for nest in parts.nests:
        one = _NestAccess(parts, nest)
        faults += one.faults()
        if not bodies:
            # What is another nest's stands beside the first one, and is in its scene.
            bodies = dict.fromkeys(body.name for body in one.scene.bodies)
        open_steps |= dict.fromkeys(one.open_steps)
        unproven += one.unproven
    if faults:
        raise InputFaults(faults)
    return CheckedAccess(
        tuple(bodies), tuple(open_steps), tuple(unproven), spare_mm_of(parts.table, parts.unit)
    )


class _NestAccess:
    """The checks of one nest."""

    def __init__(self, parts: ProbedParts, nest: NestProbing) -> None:
        self.parts, self.nest = parts, nest
        evaluated = replace(parts.evaluated.nests[nest.place], setup=nest.job.setup, operations=())
        model = build_collision_model(evaluated).model
        self.model = model
        # Nothing may be touched by a probe that is on its way.
        self.closed = _uncut(model)
        self.scene, self.open_scene = scene_of(self.closed), scene_of(model)
        self.open_steps = [
            step.name
            for step, body in zip(model.steps, model.step_bodies, strict=True)
            if body is None and step.up_mm
        ]
        # The step that ends in part zero, where nothing says that it is the part.
        last = model.step_bodies[-1] if model.step_bodies else None
        self.open_part = model.steps[-1].name if last is not None and not last.machinable else None
        table, to_mm = parts.table, parts.unit.to_mm
        assert table.stylus_length is not None
        assert table.body_diameter is not None
        self.probe = Tool(
            "probe",
            to_mm(table.length),
            to_mm(table.ball_diameter),
            shank_mm=to_mm(table.body_diameter),
            flute_mm=to_mm(table.stylus_length),
        )
        machine = model.machine
        assert machine.travel is not None
        highest = float(machine.z_reference.from_gauge_line_mm(float(machine.travel.high_mm[2])))
        self.top_mm = highest - self.probe.length_mm
        self.spare_mm = spare_mm_of(table, parts.unit)
        self.unproven: list[str] = []

    def faults(self) -> Iterable[Diagnostic]:
        """Every fault, touch by touch."""
        own = _own_part(self.model)
        for touch in self.nest.touches:
            off: list[Diagnostic] = []
            if own is None or touch.kind == "bore":
                self.unproven.append(self._where(touch))
            else:
                off = [*self._on_the_part(touch, own)]
            # Of a target that is not on the part, nothing else need be said.
            yield from off or self._on_its_way(touch)
        yield from self._across()

    def _where(self, touch: PlannedTouch) -> str:
        return touch.where(self.nest.job.nest)

    def _on_its_way(self, touch: PlannedTouch) -> Iterable[Diagnostic]:
        """Down to the start of each touch and up, and from there to the surface."""
        ways = touch.ways_mm(self.parts.table, self.parts.unit)
        starts = [start for start, _ in ways]
        if touch.kind == "bore":
            # Inside, the probe also crosses from side to side; the part around it is what it touches.
            across = self._at(np.min(starts, axis=0), np.max(starts, axis=0))
            yield from self._near(touch, self.model, [self._up(across)], self.open_scene)
        else:
            down = [self._up(self._at(start, start)) for start in starts]
            yield from self._near(touch, self.closed, down, self.scene)
        ends = [contact + _onward(start, contact, touch.need_mm) for start, contact in ways]
        touches = [
            self._at(np.minimum(start, end), np.maximum(start, end))
            for start, end in zip(starts, ends, strict=True)
        ]
        yield from self._near(touch, self.model, touches, self.open_scene)

    def _near(
        self,
        touch: PlannedTouch,
        model: CollisionModel,
        operations: Sequence[OperationPose],
        scene: Scene,
    ) -> Iterable[Diagnostic]:
        keep_mm = self.spare_mm + touch.need_mm
        close = [pair for one in clearances(model, keep_mm, scene, operations) for pair in one.too_close]
        if not close:
            return
        pair = min(close, key=lambda one: one.gap_mm)
        unit = self.parts.unit
        body = {"tool": "the stylus", "shank": "the probe's body"}.get(pair.body, f"the {pair.body}")
        how = (
            f"would hit {pair.obstacle}"
            if pair.gap_mm <= 0.0
            else f"would come within {unit.from_mm(pair.gap_mm):.3g} {unit.value} of {pair.obstacle}"
        )
        need, spare = unit.from_mm(touch.need_mm), unit.from_mm(self.spare_mm)
        allowed = f"{unit.from_mm(keep_mm):.3g} {unit.value} or more: {spare:.3g} to spare, and the part may be {need:.3g} off"
        tip = "a longer stylus, another place, or a smaller spare"
        if self.open_part is not None and pair.obstacle == self.open_part:
            tip = f"if {pair.obstacle} is the part to be probed, its step needs blank = true"
        yield fault_at(self._whole, touch.key, f"{self._where(touch)}: {body} {how}", allowed, tip)

    @property
    def _whole(self) -> ReadJob:
        """The job with all its nests."""
        return self.nest.job.whole or self.nest.job

    def _on_the_part(self, touch: PlannedTouch, own: CollisionModel) -> Iterable[Diagnostic]:
        """The target lies on the part's surface, and still does where the part lies off."""
        needle = Tool("needle", self.probe.length_mm, _NEEDLE_MM)
        ball = self.parts.unit.to_mm(self.parts.table.ball_diameter) / 2.0
        for start, contact in touch.ways_mm(self.parts.table, self.parts.unit):
            back = _onward(contact, start, 1.0)
            surface = contact - ball * back + np.array([0.0, 0.0, ball])
            before = surface + (_BESIDE_MM + _NEEDLE_MM / 2.0) * back
            out = before + touch.need_mm * back
            sideways = _sideways(back, touch.need_mm) if not touch.radius_mm else []
            places = [before, out, *(before + way for way in sideways)]
            found = clearances(own, 0.0, None, [self._at(place, place, needle) for place in places])
            gaps = [one.nearest.gap_mm if one.nearest is not None else np.inf for one in found]
            off = [*self._off(touch, gaps)]
            if off:
                yield from off
                return

    def _off(self, touch: PlannedTouch, gaps: Sequence[float]) -> Iterable[Diagnostic]:
        unit, where = self.parts.unit, self._where(touch)
        near, out, *beside = gaps
        if near > _BESIDE_MM + _FACETS_MM + touch.need_mm:
            found = f"{where}, {unit.from_mm(near):.3g} {unit.value} off the part as its steps and solids describe it"
            yield fault_at(self._whole, touch.key, found, "a place on its surface")
        elif out <= 0.0:
            found = f"{where}, more than {unit.from_mm(touch.need_mm):.3g} {unit.value} inside the part as its steps and solids describe it"
            yield fault_at(self._whole, touch.key, found, "a place on its surface")
        elif max(beside, default=0.0) > near + _BESIDE_MM + _FACETS_MM:
            found = f"{where}, so near the end of the surface that a part {unit.from_mm(touch.need_mm):.3g} {unit.value} off is missed"
            yield fault_at(self._whole, touch.key, found, "a place farther in")

    def _across(self) -> Iterable[Diagnostic]:
        """At the safe height from target to target, of all nests."""
        starts = np.array(
            [
                start
                for nest in self.parts.nests
                for touch in nest.touches
                for start, _ in touch.ways_mm(self.parts.table, self.parts.unit)
            ]
        )
        low, high = (np.array([*ends[:2], self.top_mm]) for ends in (starts.min(axis=0), starts.max(axis=0)))
        keep_mm = self.spare_mm + max(touch.need_mm for touch in self.nest.touches)
        (found,) = clearances(self.closed, keep_mm, self.scene, [self._at(low, high)])
        for pair in found.too_close[:1]:
            words = (
                f"a safe height at which the probe would come too near to {pair.obstacle} between two targets"
            )
            allowed = "a shorter probe, or a travel in Z that lifts it higher"
            yield fault_at(self._whole, ("zero_probing", "probe", "length"), words, allowed)

    def _at(self, low: Array, high: Array, tool: Tool | None = None) -> OperationPose:
        """The probe with the lowest point of its tip anywhere in a box, machine coordinates, everything at its zero."""
        origin = self.model.setup.part_in_machine.translation_mm
        zero = self.model.machine.zero_deg
        return OperationPose(
            "touch", zero, np.zeros(3), tool or self.probe, TipEnvelope(low - origin, high - origin)
        )

    def _up(self, operation: OperationPose) -> OperationPose:
        """The same, and straight up from there to the safe height."""
        _, high = self.closed.tips_mm(operation)
        rise = np.array([0.0, 0.0, max(self.top_mm - float(high[2]), 0.0)])
        sweep = operation.sweep
        return replace(operation, sweep=TipEnvelope(sweep.low_mm, sweep.high_mm + rise))


def _uncut(model: CollisionModel) -> CollisionModel:
    """The model without a body that a tool may touch."""
    return replace(
        model,
        solids=tuple(replace(one, machinable=False) for one in model.solids),
        step_bodies=tuple(
            None if one is None else replace(one, machinable=False) for one in model.step_bodies
        ),
    )


def _own_part(model: CollisionModel) -> CollisionModel | None:
    """The model with the part and its blank alone; None where neither is described."""
    solids = tuple(one for one in model.solids if one.machinable)
    bodies = tuple(one if one is not None and one.machinable else None for one in model.step_bodies)
    if not solids and not any(bodies):
        return None
    alone = replace(model, solids=solids, step_bodies=bodies, spindle=())
    return _uncut(alone)


def _onward(start: Array, end: Array, by_mm: float) -> Array:
    """A length from one point towards another."""
    way = end - start
    size = float(np.linalg.norm(way))
    return np.asarray(by_mm * way / size if size else np.zeros(3))


def _sideways(normal: Array, by_mm: float) -> list[Array]:
    """Four displacements along a surface."""
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    first = np.cross(normal, helper)
    first /= np.linalg.norm(first)
    second = np.cross(normal, first)
    return [by_mm * way for way in (first, -first, second, -second)]
