"""Phrases that every form of the sheet shares: page, text and Markdown call the same things by the same names."""

from __future__ import annotations

from tiltwright.sheet.data import OperationRow, Sheet

WORK_OFFSET = "work offset"
SET_BEFORE = "set before this operation"
PLUS_TOOL = "+ tool length offset"


def offset_head(letter: str) -> str:
    """The name of a rotary's own work offset, "C offset", which is no angle to go to."""
    return f"{letter} offset"


def program_head(letter: str) -> str:
    """The name of an angle that the program commands, "program C"."""
    return f"program {letter}"


def offsets_heading(sheet: Sheet) -> str:
    """The title of the offsets table, with its units."""
    units = f"({sheet.units}, degrees)"
    if sheet.before_each:
        return f"Work offsets, each to be set before its operation {units}"
    return f"Work offsets to load {units}"


def operation_facts(sheet: Sheet, op: OperationRow) -> tuple[str, str, str]:
    """Origin and angles of an operation, a line each."""
    return (
        "origin X Y Z: " + "  ".join(op.origin),
        "program " + sheet.angles(op.program),
        "machine " + sheet.angles(op.machine),
    )


def part_zero_rows(sheet: Sheet) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Where part zero is, in both frames."""
    return (
        ("in the table frame", sheet.part_zero_table),
        (f"machine coordinates at {sheet.all_zero}", sheet.part_zero_machine),
    )


def offsets_words(sheet: Sheet) -> str:
    """How the numbers of the offsets table are meant."""
    turned = "; ".join(f"program {a} = machine {a} minus {a} offset" for a in sheet.letters)
    shared = (
        " There are more operations than work offsets: this is no list to load at once. Set each row before its operation."
        if sheet.before_each
        else ""
    )
    return f"X, Y, Z are machine coordinates; {turned}. Z reference: {sheet.z_reference}.{shared}"


def drawings_words(sheet: Sheet) -> str:
    """What every side view shows, and what its dimensions are."""
    seen = sheet.drawings[0].view.seen_from
    return f"{seen}. Scales hold when printed at 100 %. {delta_words(sheet)}"


def delta_words(sheet: Sheet) -> str:
    """What the two components of a drawing are."""
    view = sheet.drawings[0].view
    return f"Δ{view.right}, ΔZ: from the {view.axis_name} to the operation's origin, in machine directions."


def verify_words(angles: str, over: tuple[str, ...]) -> tuple[str, str]:
    """The pose to command, and the point of the part below the spindle."""
    return f"program {angles}", f"over part {'  '.join(over)}"
