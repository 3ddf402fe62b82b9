"""The SQLite file under the log: opening it safely, its schema, and its errors in words."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from strobe.errors import LogUnavailable, UsageError
from strobe.files import check_target, whole_file

__all__ = ["SCHEMA_VERSION", "connect", "copy_whole", "explained"]

SCHEMA_VERSION = 1
_APPLICATION_ID = 0x5354_4C47  # "STLG"
_PATIENCE_S = 30.0
"""Seconds that another program may keep the log busy before we give up: far longer than one write takes. Our own
choice."""

# One script for each schema version, run in order from the version that a file has.
_MIGRATIONS = (
    """
    CREATE TABLE job (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE,
        opened_at TEXT NOT NULL
    );
    CREATE TABLE entry (
        id INTEGER PRIMARY KEY,
        job_id INTEGER NOT NULL REFERENCES job (id),
        made_at TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('repair', 'remark', 'machine', 'reported', 'closed', 'reopened')),
        text TEXT NOT NULL
    );
    CREATE INDEX entry_of_job ON entry (job_id);
    CREATE TABLE reading (
        id INTEGER PRIMARY KEY,
        job_id INTEGER NOT NULL REFERENCES job (id),
        number INTEGER NOT NULL,
        repair_id INTEGER REFERENCES entry (id),
        filed_at TEXT NOT NULL,
        clip_sha256 TEXT NOT NULL CHECK (length(clip_sha256) = 64),
        program_version TEXT NOT NULL,
        settings TEXT NOT NULL,
        conditions TEXT NOT NULL,
        measurement TEXT NOT NULL,
        dot_pitch_px REAL NOT NULL,
        sample_count INTEGER NOT NULL,
        series BLOB NOT NULL,
        replaced_by INTEGER,
        UNIQUE (job_id, number)
    );
    CREATE UNIQUE INDEX clip_of_job ON reading (job_id, clip_sha256) WHERE replaced_by IS NULL;
    """,
)

_DISK = "there is no room left on the disk, or the file may not grow; nothing that was confirmed is lost. Make room"
_READ_ONLY = "it may only be read here; name another with --log, or give yourself the right to write it"
_REASONS = {
    sqlite3.SQLITE_FULL: _DISK,
    sqlite3.SQLITE_IOERR: _DISK,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened or made; see that its folder is there and may be written",
    sqlite3.SQLITE_BUSY: f"another program has kept it busy for {_PATIENCE_S:.0f} s; try again when that is done",
    sqlite3.SQLITE_NOTADB: "it is not a bench log; name another with --log",
    sqlite3.SQLITE_CORRUPT: "it is damaged; copy it aside, and go on from the latest backup",
}


def connect(path: Path) -> sqlite3.Connection:
    """Open a log, or make a new one, in autocommit mode; its folder must be there.

    Raises
    ------
    LogUnavailable
        If it cannot be opened, is not a bench log, or was made by a newer version.
    """
    with explained(path):
        db = _opened(path)
        try:
            _prepare(db, path)
        except BaseException:
            db.close()
            raise
    return db


def _opened(path: Path) -> sqlite3.Connection:
    options: dict[str, Any] = {"timeout": _PATIENCE_S, "isolation_level": None}
    try:
        db = sqlite3.connect(path, **options)
        db.execute("PRAGMA schema_version").fetchone()
        return db
    except sqlite3.OperationalError as error:
        # A log that was closed cleanly, in a folder that may not be written: its write-ahead log cannot be made.
        left = path.with_name(path.name + "-wal")
        if not _is(error, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY) or not path.exists() or left.exists():
            raise
        return sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True, **options)


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    """Check that the file is a log, bring its schema up to date, and set what holds for one connection."""
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    if _version(db, path) < SCHEMA_VERSION:
        _to_write_ahead(db)
        db.execute("BEGIN IMMEDIATE")
        for script in _MIGRATIONS[_version(db, path) :]:
            for statement in script.split(";"):
                db.execute(statement)
        db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        db.execute("COMMIT")


def _version(db: sqlite3.Connection, path: Path) -> int:
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (found,) = db.execute("PRAGMA user_version").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != _APPLICATION_ID and (tables or application or found):
        raise LogUnavailable(f"the bench log {path}: {_REASONS[sqlite3.SQLITE_NOTADB]}")
    if found > SCHEMA_VERSION:
        raise LogUnavailable(
            f"the bench log {path}: a newer version of strobe made it (schema {found}, this one knows "
            f"{SCHEMA_VERSION}); update strobe: pip install --upgrade strobe"
        )
    return int(found)


def _to_write_ahead(db: sqlite3.Connection) -> None:
    """Turn on the write-ahead log; while another process does the same, the database answers "busy" at once."""
    deadline = time.monotonic() + _PATIENCE_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if not _is(error, sqlite3.SQLITE_BUSY) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _is(error: sqlite3.Error, *codes: int) -> bool:
    return (getattr(error, "sqlite_errorcode", 0) & 0xFF) in codes


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Errors of the database and the disk as `LogUnavailable`, with what to do."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        raise LogUnavailable(f"the bench log {path}: {_REASONS.get(code, str(error))}") from error
    except OSError as error:
        if isinstance(error, LogUnavailable):
            raise
        raise LogUnavailable(f"the bench log {path}: {error.strerror or error}") from error


def copy_whole(db: sqlite3.Connection, path: Path, target: Path) -> None:
    """Copy the log at `path` as it stands into one file, safe while others write to it; it appears whole or not.

    Raises
    ------
    UsageError
        If `target` is the log itself, no ordinary file, in no folder, or a log that is in use or was not closed: what
        the database keeps beside it would be played into the copy when that is opened.
    LogUnavailable
        If the copy cannot be written.
    """
    resolved = target.resolve()
    if resolved == path.resolve():
        raise UsageError(f"{target} is the log itself; name another file for the backup")
    check_target(target, option="backup", over_log=True)
    for ending in ("-wal", "-journal"):
        beside = resolved.name + ending
        if resolved.with_name(beside).exists():
            raise UsageError(
                f"{target} is a log that is in use, or was not closed: {beside} lies beside it and would "
                f"spoil the backup. Name another file, or open and close that log: strobe job list --log {target}"
            )
    with (
        explained(target),
        whole_file(resolved, lasting=True) as part,
        closing(sqlite3.connect(part, isolation_level=None)) as copy,
    ):
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
