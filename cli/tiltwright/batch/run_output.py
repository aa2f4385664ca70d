"""The run of a batch as text and JSON."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from kinematics.batch import BatchDay, ShopHours, cycle_minutes
from tiltwright.batch.run import BatchRun, NotCounted
from tiltwright.files.batch_tables import DAYS
from tiltwright.files.diagnostics import sanitized
from tiltwright.output.messages import name_list
from tiltwright.output.numbers import fixed
from tiltwright.output.tables import table, wrapped

__all__ = ["run_failures", "run_report", "run_text"]

_FIRST_DAYS, _LAST_DAYS = 8, 3


def run_text(run: BatchRun) -> str:
    """The run as text: what was not counted first, then the figures."""
    name = sanitized(run.evaluated.nests[0].job.file.name)
    parts = "" if run.parts is None else f", {run.parts} {_plural(run.parts, 'part')}"
    missing = [wrapped(f"NOT COUNTED: {_not_counted_words(one)}") for one in run.not_counted]
    blocks = [
        "\n".join([*missing, "", f"{name}: the run{parts}"] if missing else [f"{name}: the run{parts}"]),
        _cycle(run),
        "\n".join(wrapped(words) for words in _figures(run)),
        _calendar(run),
        _tools(run),
        "Taken as given\n\n" + "\n".join(wrapped(words, "- ") for words in _given(run)),
    ]
    return "\n\n".join(block for block in blocks if block)


def run_failures(run: BatchRun) -> tuple[str, ...]:
    """Everything that makes the run impossible, each in a sentence."""
    found = []
    if run.refusal == "platter":
        assert run.hours is not None
        found.append(
            f"a platter takes up to {_clock(run.times.longest_platter_min)}. No stretch of the shop's hours with "
            f"{_clock(run.hours.unattended_min)} alone after it is that long: cut fewer parts at a time, or let it run alone "
            "for longer"
        )
    if run.refusal == "too long":
        found.append("the batch takes more than ten years: check parts and minutes")
    for tool in run.short_lived:
        life = tool.life
        found.append(
            f"{life.name} lasts {_minutes(life.life_min)} min and cuts {_minutes(life.per_part_min)} min on one part: its "
            "edge does not last for one"
        )
    return tuple(found)


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"


def _minutes(value: float) -> str:
    return fixed(value, 1)


def _clock(minutes: float) -> str:
    """A time as hours and minutes.

    Examples
    --------
    >>> _clock(8.25), _clock(125.0), _clock(119.9)
    ('8.2 min', '2 h 05 min', '2 h 00 min')
    """
    if minutes < 60.0:
        return f"{_minutes(minutes)} min"
    hours, rest = divmod(round(minutes), 60)
    return f"{hours} h {rest:02d} min"


def _moment(moment: datetime) -> str:
    return f"{DAYS[moment.weekday()]} {moment:%Y-%m-%d} {moment.hour}:{moment:%M}"


def _not_counted_words(one: NotCounted) -> str:
    names = name_list(one.names, "and")
    return {
        "index moves": f"index moves; no index_speed is stated for {names} (machine file)",
        "loading": "the time to load a platter; [batch] states no `loading`",
        "re-probing": "re-probing; [batch] states no `probe_every`",
        "parts": "the batch as a whole; neither `parts` in [batch] nor --parts says how many",
        "hours": "the shop's hours, and so the day when it is done; [batch] states no `hours`",
        "start": "the day when it is done; neither `start` in [batch] nor --start says when it begins",
        "tool life": f"the life of {names}; none is stated",
    }[one.kind]


def _cycle(run: BatchRun) -> str:
    times = run.times
    rows = [("cutting", times.cutting_min, times.cutting_min * times.parts)]
    if run.evaluated.order.time_s is not None:
        rows.append(("index moves, there and back", times.index_min / times.parts, times.index_min))
    if times.loading_min:
        rows.append(("loading", times.loading_min / times.parts, times.loading_min))
    if times.probing_every:
        each = times.probing_min / times.probing_every
        rows.append((f"re-probing after every {times.probing_every}", each, each * times.parts))
    cycle = cycle_minutes(times)
    rows.append(("together", cycle, cycle * times.parts))
    platter = f"platter of {times.parts}, min"
    if times.parts == 1:
        return table(["", "part, min"], [[what, fixed(part, 2)] for what, part, _ in rows], left=1)
    cells = [[what, fixed(part, 2), fixed(whole, 2)] for what, part, whole in rows]
    return table(["", "part, min", platter], cells, left=1)


def _figures(run: BatchRun) -> Iterator[str]:
    yield f"{fixed(run.parts_per_hour, 2)} parts an hour: one every {_clock(cycle_minutes(run.times))}."
    running = run.running_min
    if running is None or run.platters is None:
        return
    platters = f"{run.platters} {_plural(run.platters, 'platter')} and " if run.times.parts > 1 else ""
    found = run.schedule
    alone = ""
    if found is not None:
        alone = f", {fixed(found.alone_min / 60.0, 1)} h of them with nobody there" if found.alone_min else ""
    yield f"{run.parts} {_plural(run.parts or 0, 'part')} {'takes' if run.parts == 1 else 'take'} {platters}{fixed(running / 60.0, 1)} machine hours{alone}."
    if run.start is not None and run.waits_until is not None:
        yield f"The shop is closed {_moment(run.start)}: it waits until it opens, {_moment(run.waits_until)}."
    if found is not None and found.finish is not None and run.start is not None:
        yield f"Begun {_moment(run.waits_until or run.start)}, the last part is done {_moment(found.finish)}."


def _calendar(run: BatchRun) -> str:
    if run.schedule is None:
        return ""
    days, rows, total = run.schedule.days, list[list[str]](), 0
    left_out = range(_FIRST_DAYS, len(days) - _LAST_DAYS)
    for place, day in enumerate(days):
        total += day.parts
        if place not in left_out:
            rows.append(_day(day, total))
        elif place == left_out[0]:
            rows.append([f"... {len(left_out)} more", *[""] * 5])
    head = ["shop opens", "platters", "parts", "in all", "the last is done", "runs alone"]
    return table(head, rows, align="lrrrlr")


def _day(day: BatchDay, total: int) -> list[str]:
    done = _moment(day.done) if day.done.date() != day.opening.date() else f"{day.done.hour}:{day.done:%M}"
    alone = _clock(day.alone_min) if day.alone_min else ""
    return [_moment(day.opening), str(day.platters), str(day.parts), str(total), done, alone]


def _tools(run: BatchRun) -> str:
    if not run.tools:
        return ""
    head = ["tool", "life, min", "on a part, min", "parts an edge"]
    head += [] if run.parts is None else [f"edges for {run.parts}"]
    rows = []
    for tool in run.tools:
        life = tool.life
        edges = [] if run.parts is None else ["none lasts" if tool.edges is None else str(tool.edges)]
        per_part = f"{_minutes(life.per_part_min)}{'' if tool.stated else ' *'}"
        rows.append([sanitized(life.name), _minutes(life.life_min), per_part, str(life.parts), *edges])
    lines = [table(head, rows, left=1)]
    if not all(tool.stated for tool in run.tools):
        lines.append(
            wrapped(
                "* all the minutes of the operations that name it; less, where other tools cut there too: state `minutes` in "
                "[[tool]]."
            )
        )
    lines += [
        wrapped(
            f"caution: an edge of {tool.life.name} lasts {tool.life.parts} of the {run.times.parts} parts on a platter, so it "
            "wears out while the platter is being cut. Have a second one in the machine."
        )
        for tool in run.tools
        if 0 < tool.life.parts < run.times.parts
    ]
    return "\n".join(lines)


def _given(run: BatchRun) -> Iterator[str]:
    yield "`minutes` hold tool changes, and all else that the program does on one part."
    if run.evaluated.order.time_s is not None:
        yield (
            f"Index moves are those of the order of work ({run.evaluated.order.by}), from program zero through all poses and "
            "back, each at index_speed, without speeding up and braking."
        )
    if run.schedule is not None:
        yield (
            "A platter is loaded within the shop's hours, as soon as the one before is done. A platter that would run alone "
            "for longer than allowed waits for the next opening."
        )
    yield "Holidays, breaks, scrap and stoppages are not in it: add them before you promise a day."
    if run.tools:
        yield "An edge is changed between parts, before one begins that it would not finish."


def run_report(run: BatchRun) -> dict[str, Any]:
    """The run for JSON; times in minutes unless the key says otherwise, moments on the shop's clock."""
    times, found = run.times, run.schedule
    job = run.evaluated.nests[0].job
    order = run.evaluated.order
    return {
        "schema": "tiltwright.batch-run/1",
        "job": job.file.name,
        "units": job.unit.value,
        "possible": run.possible,
        "not_counted": [
            {"kind": one.kind, "names": list(one.names), "words": _not_counted_words(one)}
            for one in run.not_counted
        ],
        "failures": list(run_failures(run)),
        "parts": run.parts,
        "parts_per_platter": times.parts,
        "platters": run.platters,
        "cutting_min": times.cutting_min,
        "loading_min": times.loading_min,
        "index_min": None if order.time_s is None else times.index_min,
        "probing_min": times.probing_min,
        "probe_every": times.probing_every,
        "cycle_min": cycle_minutes(times),
        "parts_per_hour": run.parts_per_hour,
        "running_min": run.running_min,
        "unattended_min": None if run.hours is None else run.hours.unattended_min,
        "hours_min": None if run.hours is None else _week(run.hours),
        "start": None if run.start is None else run.start.isoformat("T", "minutes"),
        "waits_until": None if run.waits_until is None else run.waits_until.isoformat("T", "minutes"),
        "finish": None if found is None or found.finish is None else found.finish.isoformat("T", "seconds"),
        "alone_min": None if found is None else found.alone_min,
        "days": []
        if found is None
        else [
            {
                "opening": day.opening.isoformat("T", "minutes"),
                "platters": day.platters,
                "parts": day.parts,
                "done": day.done.isoformat("T", "seconds"),
                "alone_min": day.alone_min,
            }
            for day in found.days
        ],
        "tools": [
            {
                "name": tool.life.name,
                "life_min": tool.life.life_min,
                "part_min": tool.life.per_part_min,
                "part_min_stated": tool.stated,
                "parts_an_edge": tool.life.parts,
                "edges": tool.edges,
            }
            for tool in run.tools
        ],
    }


def _week(hours: ShopHours) -> dict[str, list[float] | None]:
    """Opening and closing of each day, in minutes from its midnight."""
    return {name: None if day is None else list(day) for name, day in zip(DAYS, hours.days_min, strict=True)}
