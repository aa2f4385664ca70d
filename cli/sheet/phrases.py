"""Phrases that every form of the sheet shares: page, text and Markdown say the same in the same words."""

from __future__ import annotations

from tiltwright.sheet.data import OperationRow, Sheet


def operation_facts(sheet: Sheet, op: OperationRow) -> tuple[str, ...]:
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
    turned = ", ".join(sheet.letters)
    shared = (
        " There are more operations than work offsets: set an offset again before each operation that shares it."
        if sheet.before_each
        else ""
    )
    return (
        f"X, Y, Z are machine coordinates; {turned}: program angle = machine angle minus offset. "
        f"Z reference: {sheet.z_reference}.{shared}"
    )


def verify_words(angles: str, over: tuple[str, ...]) -> str:
    """The pose to command and the point of the part below the spindle."""
    return f"{angles}, over {'  '.join(over)}"
