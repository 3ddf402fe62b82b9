"""The log on disk: one SQLite file that holds every job. What a call has returned from is on the disk.

Write-ahead log, ``synchronous=FULL`` (a commit returns after the disk has it), foreign keys, and a schema version.
Nothing is ever deleted: entries and readings are only added, and a reading that another takes the place of stays.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from strobe.bench.database import connect, explained
from strobe.bench.packing import load_json, pack_series, revive, revive_measurement, unpack_series
from strobe.bench.records import AS_FOUND, Conditions, Entry, Job, JobSummary, Reading, clean_text
from strobe.errors import LogUnavailable, UsageError
from strobe.files import toml_table, whole_file
from strobe.measurement import Measurement

__all__ = ["BenchLog", "Filed", "clip_digest", "default_log_path", "open_log"]

READ_BYTES = 1 << 20


@dataclass(frozen=True)
class Filed:
    """What became of a reading that was to be filed.

    Attributes
    ----------
    number : int
        Of the reading that now holds the clip; where `already`, of the one filed before.
    state : int
        Number of the state that it stands under.
    label : str
        That state in words.
    already : bool
        The same clip was filed in this job before, and nothing was added.
    elsewhere : tuple of str
        Other jobs that hold the same clip.
    """

    number: int
    state: int
    label: str
    already: bool
    elsewhere: tuple[str, ...]


def default_log_path() -> Path:
    """Where the log stands when no file is named: the platform's folder for a user's data."""
    from platformdirs import user_data_path

    return user_data_path("strobe", appauthor=False) / "bench-log.sqlite3"


def clip_digest(path: str | Path) -> str:
    """SHA-256 of a clip's bytes, in hexadecimal.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        while block := file.read(READ_BYTES):
            digest.update(block)
    return digest.hexdigest()


@contextmanager
def open_log(path: Path | None = None, *, must_exist: bool = False) -> Iterator[BenchLog]:
    """Open the log for as long as the block runs; a new file is made where there is none.

    Parameters
    ----------
    path : Path, optional
        Else `default_log_path`.
    must_exist : bool
        Refuse to make a new one.

    Raises
    ------
    LogUnavailable
        If it cannot be opened, is not a bench log, or was made by a newer version.
    """
    log = BenchLog(path if path is not None else default_log_path(), must_exist=must_exist)
    try:
        yield log
    finally:
        log.disconnect()


class BenchLog:
    """An open log. Every method that changes something has it on the disk when it returns."""

    def __init__(self, path: Path, *, must_exist: bool = False) -> None:
        self.path = path
        if not path.exists():
            if must_exist:
                raise LogUnavailable(f"the bench log {path}: there is none yet; open a job first: strobe job open NAME")
            with explained(path):
                path.parent.mkdir(parents=True, exist_ok=True)
        self._db = connect(path)

    def disconnect(self) -> None:
        """Close the file."""
        self._db.close()

    def jobs(self) -> tuple[JobSummary, ...]:
        """All jobs, in the order in which they were opened."""
        with self._reading():
            rows = self._db.execute(
                """SELECT job.name, job.opened_at,
                    (SELECT CASE kind WHEN 'closed' THEN made_at END FROM entry
                        WHERE job_id = job.id AND kind IN ('closed', 'reopened') ORDER BY id DESC LIMIT 1),
                    (SELECT count(*) FROM entry WHERE job_id = job.id AND kind = 'repair'),
                    (SELECT count(*) FROM reading WHERE job_id = job.id AND replaced_by IS NULL),
                    max(job.opened_at,
                        coalesce((SELECT max(made_at) FROM entry WHERE job_id = job.id), ''),
                        coalesce((SELECT max(filed_at) FROM reading WHERE job_id = job.id), ''))
                FROM job ORDER BY job.id"""
            ).fetchall()
        return tuple(JobSummary(*row) for row in rows)

    def job(self, name: str) -> Job:
        """Everything of one job.

        Raises
        ------
        UsageError
            If there is none of that name.
        LogUnavailable
            If what the file holds of it is damaged.
        """
        with self._reading():
            job_id, known_as, opened_at = self._find(name)
            entries = self._db.execute(
                "SELECT id, made_at, kind, text FROM entry WHERE job_id = ? ORDER BY id", (job_id,)
            ).fetchall()
            rows = self._db.execute(
                """SELECT number, repair_id, filed_at, clip_sha256, program_version, settings, conditions, measurement,
                    dot_pitch_px, sample_count, series, replaced_by FROM reading WHERE job_id = ? ORDER BY number""",
                (job_id,),
            ).fetchall()
        try:
            readings = tuple(_reading(row) for row in rows)
        except ValueError as error:
            raise LogUnavailable(f"the bench log {self.path}: it is damaged: {error}") from error
        return Job(known_as, opened_at, tuple(Entry(*entry) for entry in entries), readings)

    def open_job(self, name: str, *, machine: str = "", reported: str = "") -> None:
        """Open a new job.

        Parameters
        ----------
        name : str
            Not that of another job.
        machine : str
            Description of the machine, TOML.
        reported : str
            What the owner reported.

        Raises
        ------
        UsageError
            If there is a job of that name, or the description is not TOML.
        """
        name = clean_text(name, what="name of the job")
        entries = _descriptions(machine, reported)
        with self._writing():
            if self._db.execute("SELECT 1 FROM job WHERE name = ?", (name,)).fetchone():
                raise UsageError(f"there is a job {name!r} already; give this one another name")
            self._add_job(name, now(), [(now(), kind, text) for kind, text in entries])

    def note(self, name: str, text: str, *, repair: bool = False) -> None:
        """Add a remark, or a repair: readings that are filed from then on stand under it.

        Raises
        ------
        UsageError
            If there is no such job, it is closed, or the text is empty or too long.
        """
        cleaned = clean_text(text, what="note")
        if repair and cleaned.casefold() == AS_FOUND:
            raise UsageError(f"a repair cannot be called {AS_FOUND!r}; say what was done")
        with self._writing():
            self._add_entry(self._find_open(name), "repair" if repair else "remark", cleaned)

    def describe(self, name: str, *, machine: str = "", reported: str = "") -> None:
        """Give the machine description or what the owner reported anew; the earlier wording stays in the history.

        Raises
        ------
        UsageError
            If there is no such job, it is closed, nothing was given, or the description is not TOML.
        """
        entries = _descriptions(machine, reported)
        if not entries:
            raise UsageError("give the machine's description or what the owner reported")
        with self._writing():
            job_id = self._find_open(name)
            for kind, text in entries:
                self._add_entry(job_id, kind, text)

    def close_job(self, name: str) -> None:
        """Close a job: nothing can be filed or noted in it until it is opened again."""
        with self._writing():
            self._add_entry(self._find_open(name), "closed", "closed")

    def reopen_job(self, name: str) -> None:
        """Open a closed job again."""
        with self._writing():
            job_id, known_as, _ = self._find(name)
            if not self._is_closed(job_id):
                raise UsageError(f"the job {known_as!r} is open")
            self._add_entry(job_id, "reopened", "reopened")

    def check_open(self, name: str) -> None:
        """Raise `UsageError` where a reading could not be filed, before a clip is measured for it."""
        with self._reading():
            self._find_open(name)

    def file_reading(
        self,
        name: str,
        measurement: Measurement,
        *,
        clip_sha256: str,
        after: str | None = None,
        conditions: Conditions | None = None,
        settings: Mapping[str, Any] | None = None,
        again: bool = False,
    ) -> Filed:
        """File one measured clip.

        Parameters
        ----------
        name : str
            The job, which must be open.
        measurement : Measurement
        clip_sha256 : str
            From `clip_digest`: tells whether the clip is in the log already.
        after : str, optional
            The repair before it. One that the job holds (the last of that wording) is used, any other is noted
            first; ``as found`` means before all repairs. Without it, the last repair.
        conditions : Conditions, optional
            What is unsaid in them is taken from the reading before.
        settings : mapping, optional
            What the measurement was told, by option; plain JSON values.
        again : bool
            Where the clip has been filed in this job, put this reading in the place of that one, which is kept but no
            longer counted. Without it nothing is added then.

        Raises
        ------
        UsageError
            If there is no such job, or it is closed.
        LogUnavailable
            If it could not be written; nothing was filed then.
        """
        packed = pack_series(measurement.series)
        content = json.dumps(measurement.to_dict(), allow_nan=False)
        after = None if after is None else clean_text(after, what="repair")
        with self._writing():
            job_id = self._find_open(name)
            before = self._db.execute(
                "SELECT number, repair_id FROM reading WHERE job_id = ? AND clip_sha256 = ? AND replaced_by IS NULL",
                (job_id, clip_sha256),
            ).fetchone()
            elsewhere = tuple(
                row[0]
                for row in self._db.execute(
                    """SELECT DISTINCT job.name FROM reading JOIN job ON job.id = reading.job_id
                    WHERE clip_sha256 = ? AND job.id <> ? ORDER BY job.id""",
                    (clip_sha256, job_id),
                )
            )
            if before is not None and not again:
                return Filed(before[0], *self._state_of(job_id, before[1]), True, elsewhere)
            keep_place = after is None and before is not None
            repair_id = before[1] if keep_place else self._repair(job_id, after)
            (last,) = self._db.execute(
                "SELECT coalesce(max(number), 0) FROM reading WHERE job_id = ?", (job_id,)
            ).fetchone()
            kept = (conditions or Conditions()).filled_from(self._last_conditions(job_id))
            number = last + 1
            if before is not None:
                self._db.execute(
                    "UPDATE reading SET replaced_by = ? WHERE job_id = ? AND number = ?", (number, job_id, before[0])
                )
            self._db.execute(
                _ADD_READING,
                (
                    *(job_id, number, repair_id, now(), clip_sha256, f"strobe {version('strobe')}"),
                    *(json.dumps(dict(settings or {}), allow_nan=False), json.dumps(asdict(kept)), content),
                    *(measurement.dot_pitch_px, measurement.series.time_s.size, packed, None),
                ),
            )
            filed = Filed(number, *self._state_of(job_id, repair_id), False, elsewhere)
        return filed

    def add_whole_job(self, job: Job, *, name: str) -> None:
        """Add a job that came from elsewhere, all of it or nothing.

        Raises
        ------
        UsageError
            If there is a job of that name.
        """
        name = clean_text(name, what="name of the job")
        with self._writing():
            if self._db.execute("SELECT 1 FROM job WHERE name = ?", (name,)).fetchone():
                raise UsageError(f"there is a job {name!r} already; import under another name with --name")
            entries = [(entry.made_at, entry.kind, entry.text) for entry in job.entries]
            places = {entry.id: place for place, entry in enumerate(job.entries)}
            job_id, made = self._add_job(name, job.opened_at, entries)
            for reading in job.readings:
                series = reading.measurement.series
                repair = None if reading.repair_id is None else made[places[reading.repair_id]]
                self._db.execute(
                    _ADD_READING,
                    (
                        *(job_id, reading.number, repair, reading.filed_at, reading.clip_sha256),
                        *(reading.program_version, json.dumps(dict(reading.settings), allow_nan=False)),
                        json.dumps(asdict(reading.conditions)),
                        json.dumps(reading.measurement.to_dict(), allow_nan=False),
                        *(reading.measurement.dot_pitch_px, series.time_s.size, pack_series(series)),
                        reading.replaced_by,
                    ),
                )

    def backup(self, target: Path) -> None:
        """Copy the log as it stands into one file, safe while others write to it; the copy appears whole or not.

        Raises
        ------
        UsageError
            If `target` is the log itself or no ordinary file.
        LogUnavailable
            If the copy cannot be written.
        """
        resolved = target.resolve()
        if resolved == self.path.resolve():
            raise UsageError(f"{target} is the log itself; name another file for the backup")
        if resolved.exists() and not resolved.is_file():
            raise UsageError(f"{target} is not an ordinary file; name a file for the backup")
        if not resolved.parent.is_dir():
            raise UsageError(f"the folder {target.parent} does not exist; make it first, or name another")
        with explained(target), whole_file(resolved, lasting=True) as part:
            self._copy_into(part)

    def _copy_into(self, file: Path) -> None:
        with closing(sqlite3.connect(file, isolation_level=None)) as copy:
            self._db.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")

    def check(self) -> tuple[str, ...]:
        """What is wrong with the file, by the database's own check; empty where all is well."""
        with self._reading():
            found = [row[0] for row in self._db.execute("PRAGMA integrity_check")]
            loose = [f"{table} {row} points nowhere" for table, row, *_ in self._db.execute("PRAGMA foreign_key_check")]
        return tuple([line for line in found if line != "ok"] + loose)

    @contextmanager
    def _reading(self) -> Iterator[None]:
        with explained(self.path):
            self._db.execute("BEGIN")
            try:
                yield
            finally:
                self._db.execute("COMMIT")

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with explained(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def _find(self, name: str) -> tuple[int, str, str]:
        wanted = name.encode("utf-8", "replace").decode("utf-8").strip()
        row: tuple[int, str, str] | None = self._db.execute(
            "SELECT id, name, opened_at FROM job WHERE name = ?", (wanted,)
        ).fetchone()
        if row is None:
            known = [str(each[0]) for each in self._db.execute("SELECT name FROM job ORDER BY id DESC LIMIT 5")]
            there = f"; the latest are {', '.join(map(_short, known))}" if known else "; the log holds none yet"
            raise UsageError(f"there is no job {_short(wanted)}{there}. Open it: strobe job open NAME")
        return row

    def _find_open(self, name: str) -> int:
        job_id, known_as, _ = self._find(name)
        if self._is_closed(job_id):
            raise UsageError(f"the job {_short(known_as)} is closed; open it again: strobe job reopen NAME")
        return job_id

    def _is_closed(self, job_id: int) -> bool:
        row = self._db.execute(
            "SELECT kind FROM entry WHERE job_id = ? AND kind IN ('closed', 'reopened') ORDER BY id DESC LIMIT 1",
            (job_id,),
        ).fetchone()
        return row is not None and row[0] == "closed"

    def _add_job(self, name: str, opened_at: str, entries: Sequence[tuple[str, str, str]]) -> tuple[int, list[int]]:
        """The new job's id and those of its entries, given as time, kind and text."""
        job_id = self._db.execute("INSERT INTO job (name, opened_at) VALUES (?, ?)", (name, opened_at)).lastrowid
        assert job_id is not None
        return job_id, [self._add_entry(job_id, kind, text, made_at=made_at) for made_at, kind, text in entries]

    def _add_entry(self, job_id: int, kind: str, text: str, *, made_at: str | None = None) -> int:
        made = self._db.execute(
            "INSERT INTO entry (job_id, made_at, kind, text) VALUES (?, ?, ?, ?)",
            (job_id, made_at or now(), kind, text),
        ).lastrowid
        assert made is not None
        return made

    def _repair(self, job_id: int, after: str | None) -> int | None:
        """The entry of the repair that a reading stands under; a new one is noted."""
        repairs = self._db.execute(
            "SELECT id, text FROM entry WHERE job_id = ? AND kind = 'repair' ORDER BY id DESC", (job_id,)
        ).fetchall()
        if after is None:
            return repairs[0][0] if repairs else None
        if after.casefold() == AS_FOUND:
            return None
        for repair_id, text in repairs:
            if text.casefold() == after.casefold():
                return int(repair_id)
        return self._add_entry(job_id, "repair", after)

    def _state_of(self, job_id: int, repair_id: int | None) -> tuple[int, str]:
        if repair_id is None:
            return 0, AS_FOUND
        count, text = self._db.execute(
            """SELECT (SELECT count(*) FROM entry WHERE job_id = ? AND kind = 'repair' AND id <= repair.id), text
            FROM entry AS repair WHERE id = ?""",
            (job_id, repair_id),
        ).fetchone()
        return int(count), str(text)

    def _last_conditions(self, job_id: int) -> Conditions:
        row = self._db.execute(
            "SELECT conditions FROM reading WHERE job_id = ? ORDER BY number DESC LIMIT 1", (job_id,)
        ).fetchone()
        return Conditions() if row is None else Conditions(**load_json(row[0]))


_ADD_READING = """INSERT INTO reading (job_id, number, repair_id, filed_at, clip_sha256, program_version, settings,
    conditions, measurement, dot_pitch_px, sample_count, series, replaced_by)
    VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"""


def now() -> str:
    """The time of an entry: UTC to the second, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _short(name: str) -> str:
    return repr(name if len(name) <= 60 else name[:59] + "…")


def _descriptions(machine: str, reported: str) -> list[tuple[str, str]]:
    entries = []
    if machine.strip():
        text = clean_text(machine, what="machine description")
        try:
            toml_table(text)
        except ValueError as error:
            raise UsageError(f"the machine description is not TOML: {error}") from None
        entries.append(("machine", text))
    if reported.strip():
        entries.append(("reported", clean_text(reported, what="owner's report")))
    return entries


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
