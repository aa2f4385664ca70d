"""The run of a batch: parts an hour, when it is done by the shop's hours, and how many parts an edge lasts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from kinematics import KinematicsError
from kinematics.batch import (
    BatchSchedule,
    BatchTimes,
    ShopHours,
    ToolLife,
    batch_schedule,
    cycle_minutes,
    tools_needed,
)
from tiltwright.files.batch_tables import BatchTable, Moment
from tiltwright.files.diagnostics import Diagnostic, InputFaults, InvalidValue, option_error, shown
from tiltwright.files.loader import ReadJob, fault_at
from tiltwright.files.uncertainty_checks import operation_names
from tiltwright.job.evaluate import EvaluatedNests

__all__ = ["BatchRun", "NotCounted", "RunOptions", "ToolUse", "batch_run"]


@dataclass(frozen=True)
class RunOptions:
    """Choices at the command line, which go before the job's own; None takes the job's."""

    parts: int | None = None
    start: str | None = None


@dataclass(frozen=True)
class NotCounted:
    """Something that the files do not state, so that no figure holds it.

    Attributes
    ----------
    kind : str
    names : tuple of str
        Rotaries or tools concerned.
    """

    kind: Literal["index moves", "loading", "re-probing", "parts", "hours", "start", "tool life"]
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToolUse:
    """Tool with a stated life.

    Attributes
    ----------
    life : ToolLife
    stated : bool
        True where the tool itself says how long it cuts on one part, False where its operations do.
    edges : int or None
        That the batch takes; None where the parts are not stated, or an edge does not last for one part.
    """

    life: ToolLife
    stated: bool
    edges: int | None


@dataclass(frozen=True, eq=False)
class BatchRun:
    """The run of a batch.

    Attributes
    ----------
    evaluated : EvaluatedNests
    times : BatchTimes
    parts : int or None
    start : datetime or None
        On the shop's clock.
    hours : ShopHours or None
    schedule : BatchSchedule or None
        None where parts, hours or start are not stated, or no platter ever fits.
    refusal : "platter", "too long" or None
        Why there is none though all three are stated: a platter never fits into the hours, or the batch takes ten years.
    tools : tuple of ToolUse
    not_counted : tuple of NotCounted
    """

    evaluated: EvaluatedNests
    times: BatchTimes
    parts: int | None
    start: datetime | None
    hours: ShopHours | None
    schedule: BatchSchedule | None
    refusal: Literal["platter", "too long"] | None
    tools: tuple[ToolUse, ...]
    not_counted: tuple[NotCounted, ...]

    @property
    def waits_until(self) -> datetime | None:
        """First opening after a start at which the shop is closed; None where it is open then, or nothing says."""
        if self.start is None or self.hours is None:
            return None
        opening, _ = next(self.hours.stretches(self.start))
        return opening if opening > self.start else None

    @property
    def platters(self) -> int | None:
        """Platters that the batch takes."""
        return None if self.parts is None else -(-self.parts // self.times.parts)

    @property
    def parts_per_hour(self) -> float:
        """Parts an hour while it runs."""
        return 60.0 / cycle_minutes(self.times)

    @property
    def running_min(self) -> float | None:
        """Minutes that the batch takes of the machine."""
        if self.parts is None or self.platters is None:
            return None
        times = self.times
        probings = self.parts // times.probing_every if times.probing_every else 0
        return (
            self.parts * times.cutting_min
            + self.platters * (times.loading_min + times.index_min)
            + probings * times.probing_min
        )

    @property
    def short_lived(self) -> tuple[ToolUse, ...]:
        """Tools of which an edge does not last for one part."""
        return tuple(tool for tool in self.tools if not tool.life.parts)

    @property
    def possible(self) -> bool:
        """True where a platter fits into the hours and every edge lasts for a part at least."""
        return self.refusal is None and not self.short_lived


def batch_run(job: ReadJob, evaluated: EvaluatedNests, options: RunOptions) -> BatchRun:
    """The run of a job's batch.

    Parameters
    ----------
    job : ReadJob
        The whole job, not the view of a nest.
    evaluated : EvaluatedNests
        The same, with its order of work.
    options : RunOptions

    Raises
    ------
    InputFaults
        With every operation without `minutes`, a tool's life that nothing wears, and parts on a platter that are not clear.
    """
    table = BatchTable() if job.file.batch is None else job.file.batch
    faults = _without_minutes(job)
    on_platter = _on_platter(job, table, faults)
    if faults:
        raise InputFaults(faults)
    times = BatchTimes(
        _platter_minutes(job, evaluated) / on_platter,
        table.loading or 0.0,
        (evaluated.order.time_s or 0.0) / 60.0,
        on_platter,
        table.probing or 0.0,
        table.probe_every,
    )
    parts = table.parts if options.parts is None else options.parts
    start = _start(table.start if options.start is None else _typed(options.start))
    hours = None if table.hours is None else ShopHours(tuple(table.hours), table.unattended or 0.0)
    schedule: BatchSchedule | None = None
    refusal: Literal["platter", "too long"] | None = None
    if parts is not None and start is not None and hours is not None:
        schedule, refusal = _schedule(times, hours, start, parts)
    tools = _tools(job, evaluated, on_platter, parts)
    return BatchRun(
        evaluated,
        times,
        parts,
        start,
        hours,
        schedule,
        refusal,
        tools,
        _not_counted(job, evaluated, table, parts, start),
    )


def _without_minutes(job: ReadJob) -> list[Diagnostic]:
    return [
        fault_at(
            job,
            ("operation", place, "minutes"),
            "the key is missing",
            f"minutes = 12.5, the minutes that {shown(operation.name)} takes on one part",
            missing=True,
        )
        for place, operation in enumerate(job.file.operation)
        if operation.minutes is None
    ]


def _on_platter(job: ReadJob, table: BatchTable, faults: list[Diagnostic]) -> int:
    """Parts on a platter, as stated or one for each nest; a fault where neither says."""
    if table.per_platter is not None:
        return table.per_platter
    if any(operation.nests is not None for operation in job.file.operation):
        where = ("batch", "per_platter") if job.file.batch is not None else ("batch",)
        faults.append(
            fault_at(
                job,
                where,
                "not every operation is done in every nest",
                "per_platter = the parts that are done when a platter is",
                "a part that goes from one nest to the next is done in the last of them",
                missing=True,
            )
        )
    return max(1, len(job.nests))


def _platter_minutes(job: ReadJob, evaluated: EvaluatedNests, tool: str | None = None) -> float:
    """Cutting time of one platter; of the operations that name a tool, where one is given."""
    tables = job.file.operation
    return sum(
        len(operation_names(tables[place])) * (tables[place].minutes or 0.0)
        for nest in evaluated.nests
        for place in nest.job.own_operations
        if tool is None or tables[place].tool == tool
    )


def _typed(text: str) -> str:
    try:
        return str(Moment.read(text))
    except InvalidValue as refusal:
        raise option_error("--start", shown(text), refusal.allowed) from refusal


def _start(moment: str | None) -> datetime | None:
    return None if moment is None else datetime.fromisoformat(moment)


def _schedule(
    times: BatchTimes, hours: ShopHours, start: datetime, parts: int
) -> tuple[BatchSchedule | None, Literal["platter", "too long"] | None]:
    try:
        return batch_schedule(times, hours, start, parts), None
    except KinematicsError:
        # Whether the longest platter fits tells the two refusals apart.
        longest = BatchTimes(
            times.cutting_min, times.loading_min, times.index_min + times.longest_probing_min, times.parts
        )
        try:
            batch_schedule(longest, hours, start, times.parts)
        except KinematicsError:
            return None, "platter"
        return None, "too long"


def _tools(
    job: ReadJob, evaluated: EvaluatedNests, on_platter: int, parts: int | None
) -> tuple[ToolUse, ...]:
    found = []
    faults = []
    for place, tool in enumerate(job.file.tool):
        if tool.life is None:
            continue
        worn = (
            _platter_minutes(job, evaluated, tool.name) / on_platter if tool.minutes is None else tool.minutes
        )
        if not worn:
            faults.append(
                fault_at(
                    job,
                    ("tool", place, "minutes"),
                    f"a life of {shown(tool.name)}, which no operation names",
                    "minutes = 4.0, the minutes that it cuts on one part",
                    missing=True,
                )
            )
            continue
        life = ToolLife(tool.name, tool.life, worn)
        edges = None if parts is None else tools_needed(life, parts)
        found.append(ToolUse(life, tool.minutes is not None, edges))
    if faults:
        raise InputFaults(faults)
    return tuple(found)


def _not_counted(
    job: ReadJob, evaluated: EvaluatedNests, table: BatchTable, parts: int | None, start: datetime | None
) -> tuple[NotCounted, ...]:
    rotaries = job.machine_file.file.rotary
    slow = tuple(rotary.letter for rotary in rotaries if rotary.index_speed is None)
    lasting = tuple(tool.name for tool in job.file.tool if tool.life is None)
    still = not evaluated.order.motion_deg
    found = (
        (bool(slow) and not still, NotCounted("index moves", slow)),
        (table.loading is None, NotCounted("loading")),
        (table.probe_every is None, NotCounted("re-probing")),
        (parts is None, NotCounted("parts")),
        (table.hours is None, NotCounted("hours")),
        (table.hours is not None and start is None, NotCounted("start")),
        (bool(lasting), NotCounted("tool life", lasting)),
    )
    return tuple(one for missing, one in found if missing)
