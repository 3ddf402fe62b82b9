"""The log on disk: one SQLite file that holds every job. What a call has returned from is on the disk.

Write-ahead log, ``synchronous=FULL`` (a commit returns after the disk has it), foreign keys, and a schema version.
Nothing is ever deleted: entries and readings are only added, and a reading that another takes the place of stays.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from strobe.bench.database import connect, copy_whole, explained
from strobe.bench.packing import pack_checked, pack_series
from strobe.bench.records import AS_FOUND, Conditions, Job, JobSummary, clean_text
from strobe.bench.rows import (
    add_entry,
    add_job,
    add_reading,
    earlier_conditions,
    find_job,
    find_open_job,
    is_closed,
    job_rows,
    job_summaries,
    last_machine,
    now,
    refuse_taken,
    repair_for,
    state_of,
)
from strobe.errors import LogUnavailable, UsageError
from strobe.files import toml_table
from strobe.measurement import Measurement

__all__ = ["BenchLog", "Filed", "clip_digest", "default_log_path", "open_log"]

READ_BYTES = 1 << 20
_ANOTHER_NAME = "give this one another name"


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
    machine : str or None
        What became of the description that was given: ``kept`` as that of the job, which had none, or not kept because
        the job has its ``own``; None where none was given, it says the same, or nothing was filed.
    """

    number: int
    state: int
    label: str
    already: bool
    elsewhere: tuple[str, ...]
    machine: Literal["kept", "own"] | None = None


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
        if not os.path.exists(path):
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
            return job_summaries(self._db)

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
            job_id, known_as, opened_at = find_job(self._db, name)
            try:
                entries, readings = job_rows(self._db, job_id)
            except ValueError as error:
                raise LogUnavailable(f"the bench log {self.path}: it is damaged: {error}") from error
        return Job(known_as, opened_at, entries, readings)

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
            made = [(now(), kind, text) for kind, text in entries]
            add_job(self._db, name, now(), made, advice=_ANOTHER_NAME)

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
            add_entry(self._db, find_open_job(self._db, name), "repair" if repair else "remark", cleaned)

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
            job_id = find_open_job(self._db, name)
            for kind, text in entries:
                add_entry(self._db, job_id, kind, text)

    def close_job(self, name: str) -> None:
        """Close a job: nothing can be filed or noted in it until it is opened again."""
        with self._writing():
            add_entry(self._db, find_open_job(self._db, name), "closed", "closed")

    def reopen_job(self, name: str) -> None:
        """Open a closed job again."""
        with self._writing():
            job_id, known_as, _ = find_job(self._db, name)
            if not is_closed(self._db, job_id):
                raise UsageError(f"the job {known_as!r} is open")
            add_entry(self._db, job_id, "reopened", "reopened")

    def check_new(self, name: str) -> None:
        """Raise `UsageError` where a job of that name could not be opened, before anything is done for it."""
        name = clean_text(name, what="name of the job")
        with self._reading():
            refuse_taken(self._db, name, advice=_ANOTHER_NAME)

    def check_open(self, name: str, *, machine: str = "") -> None:
        """Raise `UsageError` where a reading could not be filed, before a clip is measured for it."""
        _checked_machine(machine)
        with self._reading():
            find_open_job(self._db, name)

    def file_reading(
        self,
        name: str,
        measurement: Measurement,
        *,
        clip_sha256: str,
        after: str | None = None,
        conditions: Conditions | None = None,
        settings: Mapping[str, Any] | None = None,
        machine: str = "",
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
            What is unsaid in them is taken from the reading before, but for the minutes running; with `again` all of
            it from the same clip's earlier reading.
        settings : mapping, optional
            What the measurement was told, by option; plain JSON values.
        machine : str
            Description of the machine, TOML, with which the clip was measured: a job that has none keeps it.
        again : bool
            Where the clip has been filed in this job, put this reading in the place of that one, which is kept but no
            longer counted. Without it nothing is added then.

        Raises
        ------
        UsageError
            If there is no such job, it is closed, or the description is not TOML.
        LogUnavailable
            If it could not be written, or not be read back; nothing was filed then.
        """
        try:
            packed = pack_checked(measurement)
        except ValueError as error:
            raise LogUnavailable(f"the bench log {self.path}: it cannot hold this reading: {error}") from error
        after = None if after is None else clean_text(after, what="repair")
        text = _checked_machine(machine)
        with self._writing():
            job_id = find_open_job(self._db, name)
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
                return Filed(before[0], *state_of(self._db, job_id, before[1]), True, elsewhere)
            of_machine = self._keep_machine(job_id, text)
            keep_place = after is None and before is not None
            repair_id = before[1] if keep_place else repair_for(self._db, job_id, after)
            (last,) = self._db.execute(
                "SELECT coalesce(max(number), 0) FROM reading WHERE job_id = ?", (job_id,)
            ).fetchone()
            earlier = earlier_conditions(self._db, job_id, same_clip=None if before is None else before[0])
            kept = (conditions or Conditions()).filled_from(earlier)
            number = last + 1
            if before is not None:
                self._db.execute(
                    "UPDATE reading SET replaced_by = ? WHERE job_id = ? AND number = ?", (number, job_id, before[0])
                )
            add_reading(
                self._db,
                job_id,
                measurement,
                packed_series=packed,
                number=number,
                repair_id=repair_id,
                filed_at=now(),
                clip_sha256=clip_sha256,
                program_version=f"strobe {version('strobe')}",
                settings=settings or {},
                conditions=kept,
            )
            filed = Filed(number, *state_of(self._db, job_id, repair_id), False, elsewhere, of_machine)
        return filed

    def _keep_machine(self, job_id: int, text: str) -> Literal["kept", "own"] | None:
        """Keep a description, as it was checked, in a job that has none; what became of it, as of `Filed`."""
        own = last_machine(self._db, job_id)
        if not text:
            return None
        if not own:
            add_entry(self._db, job_id, "machine", text)
            return "kept"
        return None if toml_table(text) == toml_table(own) else "own"

    def add_whole_job(self, job: Job, *, name: str) -> None:
        """Add a job that came from elsewhere, all of it or nothing.

        Raises
        ------
        UsageError
            If there is a job of that name.
        """
        name = clean_text(name, what="name of the job")
        with self._writing():
            entries = [(entry.made_at, entry.kind, entry.text) for entry in job.entries]
            places = {entry.id: place for place, entry in enumerate(job.entries)}
            advice = "import under another name with --name"
            job_id, made = add_job(self._db, name, job.opened_at, entries, advice=advice)
            for reading in job.readings:
                add_reading(
                    self._db,
                    job_id,
                    reading.measurement,
                    packed_series=pack_series(reading.measurement.series),
                    number=reading.number,
                    repair_id=None if reading.repair_id is None else made[places[reading.repair_id]],
                    filed_at=reading.filed_at,
                    clip_sha256=reading.clip_sha256,
                    program_version=reading.program_version,
                    settings=reading.settings,
                    conditions=reading.conditions,
                    replaced_by=reading.replaced_by,
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
        copy_whole(self._db, self.path, target)

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


def _checked_machine(machine: str) -> str:
    """The description as it is kept, empty where there is none; `UsageError` where it is too long or not TOML."""
    if not machine.strip():
        return ""
    text = clean_text(machine, what="machine description")
    try:
        toml_table(text)
    except ValueError as error:
        raise UsageError(f"the machine description is not TOML: {error}") from None
    return text


def _descriptions(machine: str, reported: str) -> list[tuple[str, str]]:
    entries = []
    if described := _checked_machine(machine):
        entries.append(("machine", described))
    if reported.strip():
        entries.append(("reported", clean_text(reported, what="owner's report")))
    return entries
