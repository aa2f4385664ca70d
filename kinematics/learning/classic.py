"""The classic mistakes of a tilted-plane origin: all that can be made at a setup."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from kinematics.learning.classic_numbers import (
    at_origin,
    at_step,
    not_touched,
    of_rounding,
    of_units,
    of_writing,
    of_z,
)
from kinematics.learning.classic_rotaries import at_rotary, between_rotaries
from kinematics.learning.mistakes import Mistake
from kinematics.offset import Setup
from kinematics.stack import Step

__all__ = ["classic_mistakes"]


def classic_mistakes(
    setup: Setup,
    steps: Sequence[Step] | None,
    *,
    unit_mm: float = 1.0,
    tool_length_mm: float | None = None,
    stack_mm: NDArray[np.float64] | None = None,
) -> tuple[Mistake, ...]:
    """All mistakes that can be made at a setup.

    Parameters
    ----------
    setup : Setup
    steps : sequence of Step or None
        None where part zero was touched off.
    unit_mm : float
        Millimetres in the unit that the job is worked in.
    tool_length_mm : float, optional
        The length of the tool in the spindle, for what can go wrong with it; the reference tool's where the machine
        has one.
    stack_mm : ndarray, shape (3,), optional
        Where the stack puts part zero in the table frame, where it was touched off and counts as touched.

    Returns
    -------
    tuple of Mistake

    Examples
    --------
    >>> from kinematics.machine import Machine, Platter
    >>> from kinematics.offset import set_up
    >>> from kinematics.rotary import Rotary, Sense
    >>> a = Rotary("A", [0, 0, -50], [1, 0, 0], Sense.CLOCKWISE, (-120.0, 30.0))
    >>> setup = set_up(Machine("mill", (a,), Platter()), [])
    >>> [mistake.name for mistake in classic_mistakes(setup, [])][:2]
    ['sense reversed, A', "an angle's sign, A"]
    """
    mistakes: list[Mistake] = []
    for i, rotary in enumerate(setup.machine.rotaries):
        mistakes += at_rotary(setup, rotary, i)
    if len(setup.machine.rotaries) > 1:
        mistakes += between_rotaries(setup)
    for k, step in enumerate(steps or ()):
        mistakes += at_step(step, k)
    if steps is None and stack_mm is not None:
        mistakes.append(not_touched(stack_mm))
    mistakes += at_origin()
    mistakes += of_units(unit_mm)
    mistakes += of_writing()
    mistakes += of_z(setup, tool_length_mm)
    return (*mistakes, *of_rounding(setup, unit_mm))
