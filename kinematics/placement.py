"""Placement of operations: rotary angles and work offsets, one operation after the other, by least motion."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from kinematics.angles import SNAP_DEG
from kinematics.errors import KinematicsError
from kinematics.inverse import Aim, Violation, aim_rows, independent_candidates
from kinematics.inverse_candidates import AimProblem
from kinematics.operations import AIM_WITHIN_DEG, Operation, PlacedOperation, Placement, UnreachableOperation
from kinematics.orientation import angle_to_align
from kinematics.plane import Plane, circular_pattern
from kinematics.rotary import RotaryAxis
from kinematics.validation import as_instance, as_number, is_list, normalized, read_only, shown
from kinematics.work_offsets import Setup

__all__ = ["place_operations"]

_ALIKE_DEG = 1.0
"""Repeats of stated angles differ from the first by what the lines are out of square; the other tilt by half a turn."""


@dataclass(frozen=True, eq=False)
class _Item:
    """One operation to place: a single one, or one repeat."""

    name: str
    operation: int
    work_offset: int | None
    origin_mm: NDArray[np.float64]
    stated_deg: NDArray[np.float64] | None
    plane: Plane | None
    problem: AimProblem
    line_up: bool
    alike: bool


@dataclass(frozen=True, eq=False)
class _Choice:
    """The angles chosen for an item, None where it is unreachable; and where it came from."""

    previous_deg: NDArray[np.float64]
    machine_deg: NDArray[np.float64] | None
    misalignment_deg: float = 0.0
    aim: Aim | None = None
    singular_axes: tuple[str, ...] = ()
    alignment: Violation | None = None


def place_operations(
    setup: Setup, operations: Iterable[Operation], tolerance_deg: float = AIM_WITHIN_DEG
) -> Placement:
    """Place operations on the machine, one after the other.

    The first comes from program zero, each next one from where the last one stood; the least motion wins.

    Parameters
    ----------
    setup : Setup
    operations : iterable of Operation
    tolerance_deg : float
        The angle from the spindle at which a direction still counts as reached.

    Returns
    -------
    Placement

    Raises
    ------
    KinematicsError
        When stated angles lie outside a rotary's limits, a held rotary does not exist, or what is given is no operation.

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.plane import plane_from_normal
    >>> from kinematics.rotary import RotaryAxis, RotationSense
    >>> from kinematics.stack import StackStep
    >>> a = RotaryAxis("A", [0, 0, -50], [1, 0, 0], RotationSense.CLOCKWISE, (-120.0, 30.0))
    >>> c = RotaryAxis("C", [0, 0, 0], [0, 0, 1], RotationSense.CLOCKWISE, None)
    >>> setup = Setup.from_stack(Machine("mill", (a, c), Platter(face_mm=0.0)), [StackStep("post", up_mm=100.0)])
    >>> port = Operation("port", plane=plane_from_normal([0, 1, 0]), count=4, step_deg=90.0)
    >>> for at in place_operations(setup, [port]).placed:
    ...     print(at.name, at.program_deg.round(6).tolist(), at.offset_mm.round(6).tolist())
    port 1 [-90.0, 0.0] [0.0, -150.0, -50.0]
    port 2 [-90.0, 90.0] [0.0, -150.0, -50.0]
    port 3 [-90.0, 180.0] [0.0, -150.0, -50.0]
    port 4 [-90.0, 270.0] [0.0, -150.0, -50.0]
    >>> place_operations(setup, ["top"])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: place operations: expected an Operation, found 'top'
    """
    tolerance = as_number(tolerance_deg, "place operations, tolerance")
    if tolerance < 0.0:
        raise KinematicsError(f"place operations, tolerance: expected 0 or more, found {tolerance:g}")
    as_instance(setup, Setup, "place operations, setup")
    if not is_list(operations):
        raise KinematicsError(f"place operations: expected a list of operations, found {shown(operations)}")
    items: list[_Item] = []
    for number, operation in enumerate(operations):
        as_instance(operation, Operation, "place operations")
        items.extend(_expand(setup, operation, number, tolerance))
    return Placement(tuple(_placed(setup, items, _chain(setup, items))))


def _expand(setup: Setup, operation: Operation, number: int, tolerance_deg: float) -> list[_Item]:
    """The operation once for each repeat."""
    machine, offset = setup.machine, setup.rotary_offset_deg
    held: dict[int, float | NDArray[np.float64]] = {
        machine.index(letter): angle + float(offset[machine.index(letter)])
        for letter, angle in operation.held_deg.items()
    }
    problem = AimProblem(machine, tolerance_deg, held, operation.tilt, offset)
    stated = None if operation.program_deg is None else _stated_angles(setup, operation)
    plane = operation.plane
    origins: list[tuple[Plane | None, NDArray[np.float64]]] = [(plane, operation.origin_mm)]
    if operation.count > 1:
        first = plane
        if first is None:
            axes = setup.machine_axes(np.asarray(stated))
            first = Plane(axes[2], axes[0])
        origins = list(circular_pattern(first, operation.origin_mm, operation.count, operation.step_deg))
    line_up = operation.when_singular == "line up x"
    items = []
    for k, ((one, origin), name) in enumerate(zip(origins, operation.names, strict=True)):
        # The first of a pattern of stated angles keeps them; the others are found from how it stands.
        own = stated if k == 0 else None
        items.append(
            _Item(
                name,
                number,
                None if operation.work_offset is None else operation.work_offset + k,
                origin,
                own,
                None if own is not None else one,
                problem,
                line_up or (stated is not None and k > 0),
                stated is not None and k > 0,
            )
        )
    return items


def _stated_angles(setup: Setup, operation: Operation) -> NDArray[np.float64]:
    angles = setup.machine_deg(operation.program_deg or ())
    for rotary, angle in zip(setup.machine.rotaries, angles.tolist(), strict=True):
        if not rotary.within(angle):
            low, high = rotary.limits_deg or (0.0, 0.0)
            raise KinematicsError(
                f"{operation.name}: expected {rotary.letter} within {low:g} to {high:g}, found machine angle {angle:g}"
            )
    return angles


@dataclass(frozen=True)
class _Option:
    """A feasible solution that does not depend on the previous angles."""

    machine_deg: tuple[float, ...]
    misalignment_deg: float
    alike: bool


def _chain(setup: Setup, items: list[_Item]) -> list[_Choice]:
    """Rotary angles of every item, each of least motion from the one before."""
    rotaries, options = setup.machine.rotaries, _options(setup, items)
    previous = setup.start_deg
    choices: list[_Choice] = []
    for place, item in enumerate(items):
        if item.stated_deg is not None:
            choice = _Choice(previous, item.stated_deg + 0.0)
        elif place in options:
            best = _least_motion(rotaries, options[place], previous.tolist(), item)
            choice = (
                _Choice(previous, None)
                if best is None
                else _Choice(previous, np.array(best.machine_deg) + 0.0, best.misalignment_deg)
            )
        else:
            choice = _aimed(setup, item, previous)
        choices.append(choice)
        if choice.machine_deg is not None:
            previous = choice.machine_deg
    return choices


def _groups(items: list[_Item]) -> list[tuple[AimProblem, list[int]]]:
    """Places of the items that have a plane, grouped by what is held and which tilt is asked for."""
    groups: dict[tuple[object, ...], tuple[AimProblem, list[int]]] = {}
    for place, item in enumerate(items):
        if item.plane is not None:
            key = (tuple(item.problem.held.items()), item.problem.tilt)
            groups.setdefault(key, (item.problem, []))[1].append(place)
    return list(groups.values())


def _directions(setup: Setup, items: Sequence[_Item]) -> NDArray[np.float64]:
    """Outward directions in machine coordinates at the all-zero pose, of length one, shape (3, k)."""
    normals = np.array([item.plane.normal for item in items if item.plane is not None]).reshape(-1, 3)
    return np.ascontiguousarray(normalized(setup.part_in_machine.rotate(normals), "direction").T)


def _options(setup: Setup, items: list[_Item]) -> dict[int, list[_Option]]:
    """The feasible solutions of all items whose solutions do not depend on the previous angles, by their place."""
    options: dict[int, list[_Option]] = {}
    for problem, places in _groups(items):
        wanted = _directions(setup, [items[place] for place in places])
        rows, found = independent_candidates(problem, wanted)
        if not rows.size:
            continue
        alike = np.zeros(found.valid.shape, dtype=bool)
        for row, x in ((r, items[places[k]]) for r, k in enumerate(rows.tolist()) if items[places[k]].alike):
            alike[row] = _alike(setup, found.machine_deg[:, row], found.feasible[row], x.plane)
        angles = np.moveaxis(found.machine_deg, 0, -1)
        columns = zip(rows.tolist(), angles, found.feasible, found.misalignment_deg, alike, strict=True)
        for k, poses, feasible, misalignment, same in columns:
            options[places[k]] = [
                _Option(tuple(pose), miss, one)
                for pose, miss, one in zip(
                    poses[feasible].tolist(),
                    misalignment[feasible].tolist(),
                    same[feasible].tolist(),
                    strict=True,
                )
            ]
    return options


def _alike(
    setup: Setup, angles: NDArray[np.float64], feasible: NDArray[np.bool_], plane: Plane | None
) -> NDArray[np.bool_]:
    """Mask of the poses (n, k) that bring the plane's x to machine X, as the first of a stated pattern has it."""
    same = np.zeros(feasible.shape, dtype=bool)
    if plane is not None and plane.x is not None:
        seen = setup.machine_axes(angles[:, feasible].T) @ plane.x
        same[feasible] = np.abs(np.degrees(np.arctan2(seen[:, 1], seen[:, 0]))) < _ALIKE_DEG
    return same


def _least_motion(
    rotaries: tuple[RotaryAxis, ...], options: list[_Option], previous: list[float], item: _Item
) -> _Option | None:
    """The option of least motion, an exact one if there is any, of equal ones the first.

    None where it misses by more than the tolerance.
    """
    fitting = [one for one in options if one.alike] if item.alike else []
    best, least = None, (False, 0.0)
    for one in fitting or options:
        motion = 0.0
        for rotary, start, end in zip(rotaries, previous, one.machine_deg, strict=True):
            motion += abs(_move_deg(rotary, start, end))
        coarse = (one.misalignment_deg > SNAP_DEG, round(motion * 1e6))
        if best is None or coarse < least:
            best, least = one, coarse
    if best is None or best.misalignment_deg > item.problem.tolerance_deg:
        return None
    return best


def _move_deg(rotary: RotaryAxis, start_deg: float, end_deg: float) -> float:
    """As `RotaryAxis.move_deg`, to the same bits without making an array of one pair."""
    move = end_deg - start_deg
    if rotary.moves_as_numbered:
        return move
    turned = (move + 180.0) % 360.0
    if turned < SNAP_DEG or 360.0 - turned < SNAP_DEG:
        return 180.0 if rotary.index_direction.half_turn == "positive" else -180.0
    return turned - 180.0


def _aimed(setup: Setup, item: _Item, previous: NDArray[np.float64]) -> _Choice:
    """The angles of an item where they depend on the previous ones: a rotary is singular or one of three is held."""
    assert item.plane is not None  # an item has angles or a plane
    tolerance = item.problem.tolerance_deg
    wanted = _directions(setup, [item])

    def ways_with(problem: AimProblem) -> Aim:
        return aim_rows(problem, wanted, previous[:, None])[0]

    ways = ways_with(item.problem)
    if not ways.reaches(tolerance):
        return _Choice(previous, None, aim=ways)
    way = ways.solutions[0]
    if item.alike:
        fitting = np.array([one.machine_deg for one in ways.solutions if one.feasible])
        same = _alike(setup, fitting.T, np.ones(len(fitting), dtype=bool), item.plane)
        way = ways.solutions[int(np.argmax(same))]
    singular = ways.singular_axes
    if item.line_up and item.plane.x is not None and singular:
        x = setup.part_in_machine.rotate(item.plane.x)
        lined_up = _lined_up(setup, singular[-1], x, np.array(way.machine_deg))
        if isinstance(lined_up, Violation):
            return _Choice(previous, None, aim=ways, alignment=lined_up)
        at = {setup.machine.index(singular[-1]): lined_up}
        ways = ways_with(replace(item.problem, held={**item.problem.held, **at}))
        # Lined up, it can miss by more than it may: then it is aimed as if that rotary mattered, as it does a little.
        if not ways.reaches(tolerance):
            ways = ways_with(replace(item.problem, keep_last=False))
            singular = ways.singular_axes
        if not ways.reaches(tolerance):
            return _Choice(previous, None, aim=ways)
        way = ways.solutions[0]
    return _Choice(previous, np.array(way.machine_deg) + 0.0, way.misalignment_deg, ways, singular)


def _lined_up(
    setup: Setup, letter: str, x: NDArray[np.float64], angles: NDArray[np.float64]
) -> float | Violation:
    """The machine angle of a rotary at which a direction lies along machine X; or the limit that forbids it."""
    turning = setup.machine.index(letter)
    rotary = setup.machine.rotaries[turning]
    aligned = angle_to_align(setup.machine, letter, x, [1.0, 0.0, 0.0], angles)
    fitting = rotary.equivalent_angles_deg(aligned, float(setup.rotary_offset_deg[turning]))
    if not fitting.size:
        low, high = rotary.limits_deg or (0.0, 0.0)
        excess = min((low - aligned) % 360.0, (aligned - high) % 360.0)
        return Violation("alignment", letter, aligned, rotary.limits_deg, excess)
    return float(fitting[np.argmin(np.abs(fitting - angles[turning]))])


def _placed(
    setup: Setup, items: list[_Item], choices: list[_Choice]
) -> list[PlacedOperation | UnreachableOperation]:
    """The results: offsets, axes and all solutions, computed for all items together."""
    aims = _aims(setup, items, choices)
    chosen = [place for place, choice in enumerate(choices) if choice.machine_deg is not None]
    count = len(setup.machine.rotaries)
    machine_deg = np.array([choices[place].machine_deg for place in chosen]).reshape(-1, count)
    origins = np.array([items[place].origin_mm for place in chosen]).reshape(-1, 3)
    arrays = zip(
        read_only(machine_deg),
        read_only(setup.program_deg(machine_deg)),
        read_only(setup.work_offset(origins, machine_deg)),
        read_only(setup.machine_axes(machine_deg)),
        strict=True,
    )
    rows = dict(zip(chosen, arrays, strict=True))
    results: list[PlacedOperation | UnreachableOperation] = []
    for place, (item, choice) in enumerate(zip(items, choices, strict=True)):
        ways = aims.get(place)
        if place not in rows:
            assert ways is not None  # only stated angles have none, and they are always placed
            results.append(
                UnreachableOperation(item.name, item.operation, item.work_offset, ways, choice.alignment)
            )
            continue
        angles, program, offset, axes = rows[place]
        results.append(
            PlacedOperation(
                item.name,
                item.operation,
                item.work_offset,
                angles,
                program,
                setup.rotary_offset_deg,
                offset,
                item.origin_mm,
                axes,
                Plane(axes[2]) if item.plane is None else item.plane,
                choice.singular_axes,
                choice.misalignment_deg,
                ways,
            )
        )
    return results


def _aims(setup: Setup, items: list[_Item], choices: list[_Choice]) -> dict[int, Aim]:
    """All solutions of every item with a plane, by its place; those not found in the chain are found together."""
    aims = {place: choice.aim for place, choice in enumerate(choices) if choice.aim is not None}
    for problem, places in _groups(items):
        rest = [place for place in places if place not in aims]
        if rest:
            wanted = _directions(setup, [items[place] for place in rest])
            previous = np.array([choices[place].previous_deg for place in rest]).T
            aims.update(zip(rest, aim_rows(problem, wanted, np.ascontiguousarray(previous)), strict=True))
    return aims
