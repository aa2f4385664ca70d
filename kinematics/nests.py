"""Nests: several places on one platter that hold a part each. They make the stack a tree."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from kinematics.declared_types import DeclaredFields
from kinematics.errors import KinematicsError
from kinematics.stack import StackStep
from kinematics.validation import as_instance, is_list, shown

__all__ = ["Nest", "NestStep", "nest_stacks"]


@dataclass(frozen=True)
class Nest:
    """A place that holds a part.

    Attributes
    ----------
    name : str
    on : str or None
        Name of the step that it stands on, of the stack or of another nest; None for the platter.
    steps : tuple of StackStep
        Its own, from there up; the last ends at its part zero.

    Raises
    ------
    KinematicsError
        When a value is not of its kind.

    Examples
    --------
    >>> Nest("left", "plate", [StackStep("vice", up_mm=60.0, shift_mm=(-52.0, 0.0))]).steps[0].name
    'vice'
    >>> Nest("left", "plate", [60.0])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: nest left, steps: expected a StackStep, found 60.0
    """

    name: str
    on: str | None
    steps: tuple[StackStep, ...] = ()

    def __post_init__(self) -> None:
        name = as_instance(self.name, str, "nest, name")
        if self.on is not None:
            as_instance(self.on, str, f"nest {name}, on")
        if not is_list(self.steps):
            raise KinematicsError(
                f"nest {name}, steps: expected a list of StackStep, found {shown(self.steps)}"
            )
        steps = tuple(as_instance(step, StackStep, f"nest {name}, steps") for step in self.steps)
        object.__setattr__(self, "steps", steps)


@dataclass(frozen=True)
class NestStep(DeclaredFields):
    """A step below a nest's part zero, and where it was stated.

    Attributes
    ----------
    step : StackStep
    nest : int or None
        Place of the nest that it belongs to; None for the stack that all share.
    index : int
        Its place among the steps of that nest or of the stack.
    """

    step: StackStep
    nest: int | None
    index: int


def nest_stacks(steps: Iterable[StackStep], nests: Iterable[Nest]) -> tuple[tuple[NestStep, ...], ...]:
    """Stacks under each nest's part: every step from the platter up to its part zero.

    Parameters
    ----------
    steps : iterable of StackStep
        The stack that the nests stand on, from the platter up. What follows the step that a nest stands on is not
        below that nest.
    nests : iterable of Nest

    Returns
    -------
    tuple of tuple of NestStep
        For each nest, from the platter up.

    Raises
    ------
    KinematicsError
        When two nests have one name, or a nest stands on a step that is not there, that several steps are called, or
        that stands on the nest itself.

    Examples
    --------
    >>> plate, post = StackStep("plate", up_mm=20.0), StackStep("post", up_mm=95.0)
    >>> vice = StackStep("vice", up_mm=60.0, shift_mm=(-52.0, 0.0))
    >>> (left,) = nest_stacks([plate, post], [Nest("left", "plate", [vice])])
    >>> [one.step.name for one in left]
    ['plate', 'vice']
    >>> nest_stacks([plate], [Nest("left", "vice", [vice])])
    Traceback (most recent call last):
        ...
    kinematics.errors.KinematicsError: nest left, on: expected a step below it, found 'vice', which stands on the nest itself
    """
    if not is_list(steps):
        raise KinematicsError(f"stack: expected a list of StackStep, found {shown(steps)}")
    if not is_list(nests):
        raise KinematicsError(f"nests: expected a list of Nest, found {shown(nests)}")
    trunk = tuple(as_instance(step, StackStep, "stack") for step in steps)
    all_nests = tuple(as_instance(nest, Nest, "nests") for nest in nests)
    for name, times in Counter(nest.name for nest in all_nests).items():
        if times > 1:
            raise KinematicsError(f"nests: expected a name for each, found {times} called {name!r}")
    owners: dict[str, list[tuple[int | None, int]]] = {}
    for index, step in enumerate(trunk):
        owners.setdefault(step.name, []).append((None, index))
    for place, nest in enumerate(all_nests):
        for index, step in enumerate(nest.steps):
            owners.setdefault(step.name, []).append((place, index))
    return tuple(_stack_below(trunk, all_nests, owners, place) for place in range(len(all_nests)))


def _stack_below(
    trunk: tuple[StackStep, ...],
    nests: tuple[Nest, ...],
    owners: dict[str, list[tuple[int | None, int]]],
    place: int,
) -> tuple[NestStep, ...]:
    """The steps of one nest, and below them those that it stands on, nest by nest down to the stack."""
    nest = nests[place]
    found = [NestStep(step, place, index) for index, step in enumerate(nest.steps)]
    passed = {place}
    on = nest.on
    while on is not None:
        holders = owners.get(on, [])
        what = f"nest {nests[place].name}, on"
        if not holders:
            raise KinematicsError(f"{what}: expected a step of the stack or of another nest, found {on!r}")
        if len(holders) > 1:
            raise KinematicsError(
                f"{what}: expected a step of a name of its own, found {len(holders)} called {on!r}"
            )
        ((owner, index),) = holders
        below = trunk if owner is None else nests[owner].steps
        if owner in passed:
            raise KinematicsError(
                f"{what}: expected a step below it, found {on!r}, which stands on the nest itself"
            )
        found = [*(NestStep(step, owner, k) for k, step in enumerate(below[: index + 1])), *found]
        if owner is None:
            break
        passed.add(owner)
        place, on = owner, nests[owner].on
    return tuple(found)
