"""The head of a table of readings: which column holds what, and in which unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tiltwright.files.faults import Fault, nearest, one_of, shown

__all__ = ["Columns", "read_head"]

_ENDINGS = {"mm": "mm", "in": "inch"}


@dataclass(frozen=True)
class Columns:
    """Where the values of a row stand, counted from 0.

    Attributes
    ----------
    kind, target : int
    angles : tuple of int
        In the machine's order of rotaries.
    xyz : tuple of int
    units : "mm" or "inch"
    sigma, direction : int or None
        The columns that may be left out.
    count : int
        How many columns there are.
    names : tuple of str
    """

    kind: int
    target: int
    angles: tuple[int, ...]
    xyz: tuple[int, ...]
    units: str
    sigma: int | None
    direction: int | None
    count: int
    names: tuple[str, ...]


def read_head(file: str, line: int, cells: Sequence[str], letters: Sequence[str]) -> Columns | list[Fault]:
    """The columns of a table's head, or everything that is wrong with it.

    Parameters
    ----------
    file, line
        For messages.
    cells : sequence of str
    letters : sequence of str
        Of the machine's rotaries.

    Examples
    --------
    >>> head = "kind,target,A_deg,C_deg,X_mm,Y_mm,Z_mm".split(",")
    >>> read_head("r.csv", 1, head, ("A", "C")).xyz
    (4, 5, 6)
    >>> for fault in read_head("r.csv", 1, head[:3] + ["X", "Y_mm", "Z_in"], ("A", "C")): print(fault)
    r.csv:1: column 4: found "X", a length without its unit; allowed: X_mm or X_in
    r.csv:1: found no column C_deg; allowed: an angle column for every rotary: A_deg and C_deg
    r.csv:1: found lengths in mm (Y_mm) and in inches (Z_in); allowed: one unit for all lengths
    """
    names = tuple(cell.strip() for cell in cells)
    if len(names) == 1 and ";" in names[0]:
        tip = "save it with commas between the columns and points before the decimals"
        return [Fault(file, line, "", "semicolons between the columns", "commas", tip)]
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        places.setdefault(name, []).append(place)
    known = _known(letters)
    faults = [*_strangers(file, line, names, known), *_doubled(file, line, places)]
    faults += _missing(file, line, places, letters, names)
    faults += _mixed(file, line, names)
    if faults:
        return faults
    ending = next(end for end in _ENDINGS if f"X_{end}" in places)
    first = {name: found[0] for name, found in places.items()}
    return Columns(
        kind=first["kind"],
        target=first["target"],
        angles=tuple(first[f"{letter}_deg"] for letter in letters),
        xyz=tuple(first[f"{axis}_{ending}"] for axis in "XYZ"),
        units=_ENDINGS[ending],
        sigma=first.get(f"sigma_{ending}"),
        direction=first.get("direction"),
        count=len(names),
        names=names,
    )


def _known(letters: Sequence[str]) -> list[str]:
    lengths = [f"{what}_{end}" for what in ("X", "Y", "Z", "sigma") for end in _ENDINGS]
    return ["kind", "target", *(f"{letter}_deg" for letter in letters), *lengths, "direction"]


def _strangers(file: str, line: int, names: Sequence[str], known: Sequence[str]) -> list[Fault]:
    faults = []
    for place, name in enumerate(names, start=1):
        if name in known:
            continue
        key = f"column {place}"
        if name in {"X", "Y", "Z", "sigma"}:
            faults.append(
                Fault(file, line, key, f"{shown(name)}, a length without its unit", f"{name}_mm or {name}_in")
            )
        elif name in {"A", "B", "C"}:
            faults.append(Fault(file, line, key, f"{shown(name)}, an angle without its unit", f"{name}_deg"))
        elif name in {"A_deg", "B_deg", "C_deg"}:
            found = f"{shown(name)}, but the machine has no rotary {name[0]}"
            faults.append(Fault(file, line, key, found, "the angles of the machine's own rotaries"))
        elif not name:
            faults.append(Fault(file, line, key, "a column without a name", one_of(known)))
        else:
            near = nearest(name, known)
            tip = f'did you mean "{near}"?' if near else ""
            allowed = f"the columns {one_of(known, 'and')}"
            faults.append(Fault(file, line, key, f"an unknown column, {shown(name)}", allowed, tip))
    return faults


def _doubled(file: str, line: int, places: dict[str, list[int]]) -> list[Fault]:
    return [
        Fault(
            file,
            line,
            "",
            f"column {shown(name)} {len(found)} times, as column {' and '.join(str(p + 1) for p in found)}",
            "every column once",
        )
        for name, found in places.items()
        if len(found) > 1 and name
    ]


def _missing(
    file: str, line: int, places: dict[str, list[int]], letters: Sequence[str], names: Sequence[str]
) -> list[Fault]:
    faults = []
    meaning = {
        "kind": "a column kind: ball, bore, pin or face",
        "target": "a column target: the name of what was read",
    }
    for name, allowed in meaning.items():
        if name not in places:
            faults.append(Fault(file, line, "", f"no column {name}", allowed))
    wanted = " and ".join(f"{letter}_deg" for letter in letters)
    faults += [
        Fault(file, line, "", f"no column {letter}_deg", f"an angle column for every rotary: {wanted}")
        for letter in letters
        if f"{letter}_deg" not in places and letter not in names
    ]
    faults += [
        Fault(file, line, "", f"no column {axis}_mm or {axis}_in", "X, Y and Z, each with its unit")
        for axis in "XYZ"
        if not {f"{axis}_mm", f"{axis}_in", axis} & set(names)
    ]
    return faults


def _mixed(file: str, line: int, names: Sequence[str]) -> list[Fault]:
    in_unit = {
        end: [name for name in names if name in {f"{what}_{end}" for what in ("X", "Y", "Z", "sigma")}]
        for end in _ENDINGS
    }
    if not (in_unit["mm"] and in_unit["in"]):
        return []
    found = f"lengths in mm ({', '.join(in_unit['mm'])}) and in inches ({', '.join(in_unit['in'])})"
    return [Fault(file, line, "", found, "one unit for all lengths")]
