"""The batch record beside a job: every reading that was logged, in SQLite, append only.

``job.batch.sqlite`` holds two tables. ``entry`` has a row for each `batch log`: number, kind (``readings`` or
``withdrawn``), the entry that a withdrawal is about, when (UTC, ISO 8601), who, from which file. ``reading`` has a row
for each reading: entry, row of the file, serial, nest, target (NULL: part zero), x_mm, y_mm, z_mm, clock_deg,
temperature_c. Triggers refuse to change or delete a row; a withdrawal is an entry of its own, and so is taking it
back; the view ``counting`` holds the readings that count.
A transaction is written whole or not at all, and a second writer waits for the first.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from tiltwright.batch.readings_table import PartReading
from tiltwright.files.diagnostics import Diagnostic, InputFaults, option_error, shown
from tiltwright.files.toml_source import kept_beside

__all__ = ["LoggedReading", "RecordEntry", "log_readings", "read_record", "record_path", "withdraw"]

_VERSION = 1
_APPLICATION = 0x54574254
"""Marks a file as a batch record ("TWBT"), so that another database is never written to."""
_PATIENCE_S = 20.0
_ENDING = ".batch.sqlite"

_SCHEMA = """
CREATE TABLE entry (
    number INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('readings', 'withdrawn', 'restored')),
    about INTEGER REFERENCES entry (number),
    written_at TEXT NOT NULL,
    who TEXT,
    source TEXT
) STRICT;
CREATE TABLE reading (
    entry INTEGER NOT NULL REFERENCES entry (number),
    row INTEGER NOT NULL,
    serial TEXT NOT NULL,
    nest TEXT,
    target TEXT,
    x_mm REAL NOT NULL,
    y_mm REAL NOT NULL,
    z_mm REAL NOT NULL,
    clock_deg REAL,
    temperature_c REAL,
    PRIMARY KEY (entry, row)
) STRICT;
CREATE VIEW counting AS  -- the last word about an entry decides
    SELECT * FROM reading WHERE COALESCE(
        (SELECT kind FROM entry WHERE about = reading.entry ORDER BY number DESC LIMIT 1), 'restored') = 'restored';
CREATE TRIGGER entry_stays BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'append only'); END;
CREATE TRIGGER entry_kept BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'append only'); END;
CREATE TRIGGER reading_stays BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 'append only'); END;
CREATE TRIGGER reading_kept BEFORE DELETE ON reading BEGIN SELECT RAISE(ABORT, 'append only'); END;
"""
_MARKS = (f"PRAGMA application_id = {_APPLICATION}", f"PRAGMA user_version = {_VERSION}")


@dataclass(frozen=True)
class RecordEntry:
    """One entry of the record.

    Attributes
    ----------
    number : int
        From 1.
    kind : {"readings", "withdrawn", "restored"}
    about : int or None
        The entry withdrawn or restored.
    written_at : str
        UTC, ISO 8601.
    who, source : str or None
    count : int
        Readings in it.
    withdrawn : bool
        True where its readings do not count any more.
    """

    number: int
    kind: str
    about: int | None
    written_at: str
    who: str | None
    source: str | None
    count: int
    withdrawn: bool


@dataclass(frozen=True)
class LoggedReading:
    """A reading that counts, and the entry that it came with."""

    entry: int
    reading: PartReading


def record_path(job: Path) -> Path:
    """Path of a job's record: beside the file itself, even if it was named through a link.

    Earlier versions kept it beside the link; such a record stays in use while there is no other.
    """
    real, former = kept_beside(job, _ENDING), job.with_name(f"{job.name.removesuffix('.toml')}{_ENDING}")
    return former if former.exists() and not real.exists() else real


def log_readings(
    path: Path, readings: Sequence[PartReading], *, who: str | None, source: str, again: bool
) -> int:
    """Append readings as one entry, whole or not at all; returns its number.

    Parameters
    ----------
    path : Path
        The record, made where there is none.
    readings : sequence of PartReading
    who : str or None
    source : str
        File that they came from.
    again : bool
        True where a part that is in the record already was measured again.

    Raises
    ------
    InputFaults
        When a part is in the record already and `again` is not given, or the file is no record or cannot be written.
    """
    with _open(path, write=True) as database:
        known = {
            (serial, nest, target): number
            for number, serial, nest, target in database.execute(
                "SELECT entry, serial, nest, target FROM counting"
            )
        }
        repeated = [one for one in readings if (one.serial, one.nest, one.target) in known]
        if repeated and not again:
            one = repeated[0]
            entry = known[one.serial, one.nest, one.target]
            found = f"{shown(one.serial)}, which is in the record already (entry {entry})"
            if len(repeated) > 1:
                found += f", as {len(repeated) - 1} more of these parts are"
            tip = "measured again? --again adds them once more"
            raise InputFaults(
                [Diagnostic(source, one.row or None, "serial", found, "parts that are not in it", tip)]
            )
        number = _entry(database, "readings", None, who, source)
        database.executemany(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    number, row, one.serial, one.nest, one.target, *one.at_mm, one.clock_deg, one.temperature_c,
                )
                for row, one in enumerate(readings, start=1)
            ],
        )  # fmt: skip
        return number


def withdraw(path: Path, number: int, *, who: str | None) -> bool:
    """Withdraw an entry's readings, or take its withdrawal back; True where they count afterwards.

    Raises
    ------
    InputFaults
        When there is no such entry of readings.
    """
    with _open(path, write=True) as database:
        known = -(2**63) <= number < 2**63  # what the database has numbers for
        row = database.execute("SELECT kind FROM entry WHERE number = ?", (number if known else 0,))
        found = row.fetchone()
        if found is None or found[0] != "readings":
            numbers = [
                str(one) for (one,) in database.execute("SELECT number FROM entry WHERE kind = 'readings'")
            ]
            raise option_error(
                "--withdraw",
                f"{number}",
                f"an entry of readings: {', '.join(numbers) or 'there is none yet'}",
            )
        counted = bool(database.execute("SELECT 1 FROM counting WHERE entry = ?", (number,)).fetchone())
        _entry(database, "withdrawn" if counted else "restored", number, who, None)
        return not counted


def read_record(path: Path) -> tuple[tuple[RecordEntry, ...], tuple[LoggedReading, ...]]:
    """Entries of a record, and the readings that count, in the order in which they were logged.

    Raises
    ------
    InputFaults
        When there is no record, or it is another file.
    """
    if not path.exists():
        raise _no_record(path)
    with _open(path, write=False) as database:
        counting = {number for (number,) in database.execute("SELECT DISTINCT entry FROM counting")}
        entries = tuple(
            RecordEntry(
                number,
                kind,
                about,
                at,
                who,
                source,
                count,
                withdrawn=kind == "readings" and number not in counting,
            )
            for number, kind, about, at, who, source, count in database.execute(
                "SELECT number, kind, about, written_at, who, source, "
                "(SELECT COUNT(*) FROM reading WHERE entry = number) FROM entry ORDER BY number"
            )
        )
        readings = tuple(
            LoggedReading(entry, PartReading(row, serial, (x, y, z), nest, target, clock, warm))
            for entry, row, serial, nest, target, x, y, z, clock, warm in database.execute(
                "SELECT * FROM counting ORDER BY entry, row"
            )
        )
    return entries, readings


def _no_record(path: Path) -> InputFaults:
    found, tip = "no record of this job yet", "tiltwright batch log JOB readings.csv writes the first ones"
    return InputFaults([Diagnostic(str(path), None, "", found, "readings in it", tip, missing=True)])


def _entry(
    database: sqlite3.Connection, kind: str, about: int | None, who: str | None, source: str | None
) -> int:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    row = database.execute(
        "INSERT INTO entry (kind, about, written_at, who, source) VALUES (?, ?, ?, ?, ?)",
        (kind, about, now, who, source),
    )
    return int(row.lastrowid or 0)


@contextmanager
def _open(path: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    """Open a record in one transaction, which an exception rolls back."""
    try:
        uri = f"{path.absolute().as_uri()}?mode={'rwc' if write else 'ro'}"
        with closing(sqlite3.connect(uri, uri=True, timeout=_PATIENCE_S, isolation_level=None)) as database:
            database.execute("PRAGMA synchronous = FULL")
            database.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            try:
                _check(path, database, write=write)
                yield database
            except BaseException:
                database.execute("ROLLBACK")
                raise
            database.execute("COMMIT")
    except (sqlite3.DatabaseError, UnicodeDecodeError) as refusal:  # a damaged text is no UTF-8
        raise InputFaults(
            [Diagnostic(str(path), None, "", f"a record that cannot be used ({refusal})", "a batch record")]
        ) from refusal


def _check(path: Path, database: sqlite3.Connection, *, write: bool) -> None:
    (mark,), (version,) = (
        database.execute(f"PRAGMA {name}").fetchone() for name in ("application_id", "user_version")
    )
    empty = not database.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
    if empty and write and not mark:
        for statement in (*_statements(), *_MARKS):
            database.execute(statement)
        return
    if empty and not mark:
        raise _no_record(path)  # the first writer was stopped before it had written anything
    if mark != _APPLICATION:
        raise InputFaults([Diagnostic(str(path), None, "", "another program's database", "a batch record")])
    if version != _VERSION:
        found = f"a record of version {version}"
        raise InputFaults([Diagnostic(str(path), None, "", found, f"version {_VERSION}, this program's")])
    if write:
        # A damaged page may lie where only a later command reads: nothing is added to such a record.
        (damage,) = database.execute("PRAGMA quick_check(1)").fetchone()
        if damage != "ok":
            raise sqlite3.DatabaseError(damage.splitlines()[-1])


def _statements() -> Iterator[str]:
    """The schema's statements; `executescript` would commit before it begins."""
    statement = ""
    for line in _SCHEMA.strip().splitlines():
        statement += f"{line}\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
