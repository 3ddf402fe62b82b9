"""The rows of the log's tables: jobs, entries and readings found, added and turned into records, within a transaction.

Nothing here begins or ends one; `strobe.bench.store` does, and holds the rules.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from strobe.bench.packing import load_json, revive, revive_measurement, unpack_series
from strobe.bench.records import AS_FOUND, Conditions, Entry, JobSummary, Reading
from strobe.errors import UsageError, did_you_mean, nearest
from strobe.measurement import Measurement

__all__ = [
    "add_entry",
    "add_job",
    "add_reading",
    "earlier_conditions",
    "find_job",
    "find_open_job",
    "is_closed",
    "job_rows",
    "job_summaries",
    "last_machine",
    "now",
    "refuse_taken",
    "repair_for",
    "state_of",
]

_ADD_READING = """INSERT INTO reading (job_id, number, repair_id, filed_at, clip_sha256, program_version, settings,
    conditions, measurement, dot_pitch_px, sample_count, series, replaced_by)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""


def now() -> str:
    """The time of an entry: UTC to the second, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def job_summaries(db: sqlite3.Connection) -> tuple[JobSummary, ...]:
    """All jobs, in the order in which they were opened."""
    rows = db.execute(
        """SELECT job.name, job.opened_at,
            (SELECT CASE kind WHEN 'closed' THEN made_at END FROM entry
                WHERE job_id = job.id AND kind IN ('closed', 'reopened') ORDER BY id DESC LIMIT 1),
            (SELECT count(*) FROM entry WHERE job_id = job.id AND kind = 'repair'),
            (SELECT count(*) FROM reading WHERE job_id = job.id AND replaced_by IS NULL),
            max(job.opened_at,
                coalesce((SELECT max(made_at) FROM entry WHERE job_id = job.id), ''),
                coalesce((SELECT max(filed_at) FROM reading WHERE job_id = job.id), ''))
        FROM job ORDER BY job.id"""
    )
    return tuple(JobSummary(*row) for row in rows)


def job_rows(db: sqlite3.Connection, job_id: int) -> tuple[tuple[Entry, ...], tuple[Reading, ...]]:
    """The entries and readings of a job.

    Raises
    ------
    ValueError
        If a reading is damaged.
    """
    entries = db.execute("SELECT id, made_at, kind, text FROM entry WHERE job_id = ? ORDER BY id", (job_id,))
    readings = db.execute(
        """SELECT number, repair_id, filed_at, clip_sha256, program_version, settings, conditions, measurement,
            dot_pitch_px, sample_count, series, replaced_by FROM reading WHERE job_id = ? ORDER BY number""",
        (job_id,),
    )
    return tuple(Entry(*row) for row in entries), tuple(_reading(row) for row in readings)


def find_job(db: sqlite3.Connection, name: str) -> tuple[int, str, str]:
    """Id, name and time of opening of a job.

    Raises
    ------
    UsageError
        If there is none of that name.
    """
    wanted = name.encode("utf-8", "replace").decode("utf-8").strip()
    row: tuple[int, str, str] | None = db.execute(
        "SELECT id, name, opened_at FROM job WHERE name = ?", (wanted,)
    ).fetchone()
    if row is None:
        known = [str(each[0]) for each in db.execute("SELECT name FROM job ORDER BY id DESC")]
        if (near := nearest(wanted, known)) is not None:
            there = f".{did_you_mean(_cut(near))} Or open"
        elif known:
            there = f"; the latest are {', '.join(map(_short, known[:5]))}. Open"
        else:
            there = "; the log holds none yet. Open"
        raise UsageError(f"there is no job {_short(wanted)}{there} it: strobe job open NAME")
    return row


def find_open_job(db: sqlite3.Connection, name: str) -> int:
    """Id of a job that can take entries.

    Raises
    ------
    UsageError
        If there is none of that name, or it is closed.
    """
    job_id, known_as, _ = find_job(db, name)
    if is_closed(db, job_id):
        raise UsageError(f"the job {_short(known_as)} is closed; open it again: strobe job reopen NAME")
    return job_id


def is_closed(db: sqlite3.Connection, job_id: int) -> bool:
    """Whether the last that was done to a job was to close it."""
    row = db.execute(
        "SELECT kind FROM entry WHERE job_id = ? AND kind IN ('closed', 'reopened') ORDER BY id DESC LIMIT 1",
        (job_id,),
    ).fetchone()
    return row is not None and row[0] == "closed"


def refuse_taken(db: sqlite3.Connection, name: str, *, advice: str) -> None:
    """Raise `UsageError` where there is a job of that name, or of one that only its case tells from it.

    `advice` says what to do then.
    """
    known = [str(each[0]) for each in db.execute("SELECT name FROM job ORDER BY id DESC")]
    if name in known:
        raise UsageError(f"there is a job {_short(name)} already; {advice}")
    if alike := [one for one in known if one.casefold() == name.casefold()]:
        raise UsageError(
            f"{_short(name)} differs from a job that is there by case alone.{did_you_mean(_cut(alike[0]))} Else "
            f"{advice}"
        )


def add_job(
    db: sqlite3.Connection, name: str, opened_at: str, entries: Sequence[tuple[str, str, str]], *, advice: str
) -> tuple[int, list[int]]:
    """The new job's id and those of its entries, given as time, kind and text.

    Raises
    ------
    UsageError
        If there is a job of that name; `advice` says what to do then.
    """
    refuse_taken(db, name, advice=advice)
    job_id = db.execute("INSERT INTO job (name, opened_at) VALUES (?, ?)", (name, opened_at)).lastrowid
    assert job_id is not None
    return job_id, [add_entry(db, job_id, kind, text, made_at=made_at) for made_at, kind, text in entries]


def add_entry(db: sqlite3.Connection, job_id: int, kind: str, text: str, *, made_at: str | None = None) -> int:
    """The id of a new entry, made now where no time is given."""
    made = db.execute(
        "INSERT INTO entry (job_id, made_at, kind, text) VALUES (?, ?, ?, ?)", (job_id, made_at or now(), kind, text)
    ).lastrowid
    assert made is not None
    return made


def add_reading(
    db: sqlite3.Connection,
    job_id: int,
    measurement: Measurement,
    *,
    packed_series: bytes,
    number: int,
    repair_id: int | None,
    filed_at: str,
    clip_sha256: str,
    program_version: str,
    settings: Mapping[str, Any],
    conditions: Conditions,
    replaced_by: int | None = None,
) -> None:
    """Add one reading."""
    db.execute(
        _ADD_READING,
        (
            *(job_id, number, repair_id, filed_at, clip_sha256, program_version),
            *(json.dumps(dict(settings), allow_nan=False), json.dumps(asdict(conditions))),
            json.dumps(measurement.to_dict(), allow_nan=False),
            *(measurement.dot_pitch_px, measurement.series.time_s.size, packed_series, replaced_by),
        ),
    )


def repair_for(db: sqlite3.Connection, job_id: int, after: str | None) -> int | None:
    """The entry of the repair that a reading stands under; a new one is noted."""
    repairs = db.execute(
        "SELECT id, text FROM entry WHERE job_id = ? AND kind = 'repair' ORDER BY id DESC", (job_id,)
    ).fetchall()
    if after is None:
        return repairs[0][0] if repairs else None
    if after.casefold() == AS_FOUND:
        return None
    for repair_id, text in repairs:
        if text.casefold() == after.casefold():
            return int(repair_id)
    return add_entry(db, job_id, "repair", after)


def state_of(db: sqlite3.Connection, job_id: int, repair_id: int | None) -> tuple[int, str]:
    """Number and label of the state after a repair."""
    if repair_id is None:
        return 0, AS_FOUND
    count, text = db.execute(
        """SELECT (SELECT count(*) FROM entry WHERE job_id = ? AND kind = 'repair' AND id <= repair.id), text
        FROM entry AS repair WHERE id = ?""",
        (job_id, repair_id),
    ).fetchone()
    return int(count), str(text)


def earlier_conditions(db: sqlite3.Connection, job_id: int, *, same_clip: int | None) -> Conditions:
    """What stands for the conditions that a reading does not say; all unsaid where there is nothing before it.

    Those of the reading numbered `same_clip`, where the clip was filed before; else what lasts of the newest clip's.
    """
    row = db.execute(
        """SELECT conditions FROM reading WHERE job_id = ? AND replaced_by IS NULL AND coalesce(number = ?, 1)
        ORDER BY (SELECT min(number) FROM reading AS first
            WHERE first.job_id = reading.job_id AND first.clip_sha256 = reading.clip_sha256) DESC LIMIT 1""",
        (job_id, same_clip),
    ).fetchone()
    found = Conditions() if row is None else Conditions(**load_json(row[0]))
    return found.lasting if same_clip is None else found


def last_machine(db: sqlite3.Connection, job_id: int) -> str:
    """The latest description of the job's machine, TOML; empty where there is none."""
    row = db.execute(
        "SELECT text FROM entry WHERE job_id = ? AND kind = 'machine' ORDER BY id DESC LIMIT 1", (job_id,)
    ).fetchone()
    return "" if row is None else str(row[0])


def _short(name: str) -> str:
    return repr(_cut(name))


def _cut(name: str) -> str:
    return name if len(name) <= 60 else name[:59] + "\u2026"


def _reading(row: Sequence[Any]) -> Reading:
    number, repair_id, filed_at, sha256, program, settings, conditions, measurement, pitch, count, series, replaced = (
        row
    )
    where = f"reading {number}"
    try:
        return Reading(
            number=number,
            repair_id=repair_id,
            filed_at=filed_at,
            clip_sha256=sha256,
            program_version=program,
            settings=load_json(settings),
            conditions=revive(Conditions, load_json(conditions), "conditions"),
            measurement=revive_measurement(load_json(measurement), unpack_series(series, count), dot_pitch_px=pitch),
            replaced_by=replaced,
        )
    except ValueError as error:
        raise ValueError(f"{where}: {error}") from error
