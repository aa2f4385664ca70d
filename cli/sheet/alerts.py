"""What must be read before anything else on the sheet: the job's weighty remarks, repeats told once."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tiltwright.remarks import Weight, remarks
from tiltwright.sheet.data import Texts
from tiltwright.worked import Numbered, Worked

__all__ = ["LONGEST_LIST", "alerts", "merged"]

LONGEST_LIST = 80
"""Characters up to which several operations are told by their names, else by their numbers on the sheet."""


def alerts(worked: Worked, units: str) -> Texts:
    """Every remark that is more than a note, in the job's order.

    Parameters
    ----------
    worked : Worked
    units : str
        "mm" or "inch".

    Returns
    -------
    tuple of str
        Operations of which the same is said share one remark.
    """
    weighty = [one.words for one in remarks(worked, units) if one.weight is not Weight.NOTE]
    return merged(weighty, worked.operations)


def merged(words: Sequence[str], operations: Sequence[Numbered]) -> Texts:
    """Remarks that say the same of several operations as one, at the place of the first.

    Parameters
    ----------
    words : sequence of str
        A remark about an operation begins with its name and a colon.
    operations : sequence of Numbered
        In order, so that a run of repeats can be named by its ends.
    """
    names = [one.placed.name for one in operations]
    longest_first = sorted(range(len(names)), key=lambda index: -len(names[index]))
    found: dict[str, list[int]] = {}  # what is said, and of which operations; no one means of the job
    for said in words:
        index = next((i for i in longest_first if said.startswith(f"{names[i]}: ")), None)
        if index is None:
            found[said] = []
        else:
            found.setdefault(said[len(names[index]) + 2 :], []).append(index)
    return tuple(
        f"{_naming(indices, operations)}: {said}" if indices else said for said, indices in found.items()
    )


def _naming(indices: Sequence[int], operations: Sequence[Numbered]) -> str:
    """Operations by name, three or more neighbouring repeats of one as "port 2 to port 5"; a long list by numbers."""
    named = _joined(
        indices,
        lambda index: operations[index].placed.name,
        lambda index: operations[index].placed.operation == operations[index - 1].placed.operation,
    )
    if len(indices) == 1 or len(named) <= LONGEST_LIST:
        return named
    return "operations " + _joined(indices, lambda index: str(index + 1), lambda _: True)


def _joined(indices: Sequence[int], name: Callable[[int], str], continues: Callable[[int], bool]) -> str:
    """A list in which a run of three or more neighbours, each continuing the one before, is told by its ends."""
    runs: list[list[int]] = []
    for index in sorted(set(indices)):
        if runs and runs[-1][-1] == index - 1 and continues(index):
            runs[-1].append(index)
        else:
            runs.append([index])
    return ", ".join(
        f"{name(run[0])} to {name(run[-1])}" if len(run) > 2 else ", ".join(map(name, run)) for run in runs
    )
