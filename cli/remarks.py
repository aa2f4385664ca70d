"""What must be said beside a result, on stderr: differences, choices, what cannot be reached."""

from __future__ import annotations

from tiltwright.console import note, say_no
from tiltwright.show.numbers import angle, length
from tiltwright.worked import Worked

__all__ = ["say_remarks", "touch_words"]


def touch_words(worked: Worked, units: str) -> str | None:
    """How far the touched-off part zero lies from the stack's, and which of both is used."""
    touch, touched = worked.touch, worked.job.touched
    if touch is None or touched is None:
        return None
    x, y, z = (length(value, units) for value in touch.difference_mm)
    used = "the touched-off one is used" if touched.use == "touched" else "the stack's is used"
    return (
        f"part zero as touched off lies x {x}, y {y}, z {z} {units} from where the stack puts it (table frame, "
        f"{length(touch.distance_mm, units)} in all); {used}, as the job says"
    )


def say_remarks(worked: Worked, units: str) -> None:
    """Say what the reader of a table must not miss."""
    words = touch_words(worked, units)
    if words:
        note(words)
    if worked.touch_too_far and worked.job.touched is not None:
        say_no(
            f"the job accepts {length(worked.job.touched.within_mm or 0.0, units)} {units} between the two"
        )
    if worked.before_each:
        note(
            "more operations than work offsets: the ones without a number share one, set it before each of them"
        )
    for one in worked.operations:
        placed = one.placed
        for letter in placed.free:
            at = angle(float(placed.program_deg[worked.setup.machine.index(letter)]))
            note(
                f"{placed.name}: {letter} is free, its angle does not matter there; program {letter} {at} is taken"
            )
        if placed.short_deg > 0.0:
            note(
                f"{placed.name}: its direction stays {angle(placed.short_deg)} degrees from the spindle, as the job allows"
            )
    for unreached in worked.unreached:
        say_no(f"{unreached.name}: {unreached.why}")
