"""A job as one file, to hand to another bench: our own format, UTF-8 JSON with the schema ``strobe.job/1``.

Keys of the object: ``schema``, ``program``, ``name``, ``opened_at``, ``entries`` (each ``made_at``, ``kind``, ``text``)
and ``readings`` (each ``number``, ``after_entry`` as a place in ``entries`` or null, ``filed_at``, ``clip_sha256``,
``program``, ``settings``, ``conditions``, ``measurement`` as ``strobe.measurement/1``, ``dot_pitch_px``,
``sample_count``, ``series`` in base64, ``replaced_by``). What comes in is checked key by key; anything else is refused.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from strobe.bench.packing import load_json, pack_series, revive, revive_measurement, unpack_series
from strobe.bench.records import ENTRY_KINDS, LONGEST_TEXT, Conditions, Entry, Job, Reading
from strobe.errors import LogUnavailable, UsageError
from strobe.files import toml_table

__all__ = ["JOB_SCHEMA", "job_from_bytes", "job_to_bytes", "read_job_file"]

JOB_SCHEMA = "strobe.job/1"
LARGEST_FILE_BYTES = 256 << 20
"""A larger file is no job: the series of a minute at 30 pictures a second takes less than 60 kB, so that thousands of
readings fit. Our own choice."""
MOST_ENTRIES = 100_000
"""Entries, or readings, of one job at the most: far more than anybody writes, a guard against files that are none. Our
own choice."""
MOST_SAMPLES = 15_000_000
"""Samples of all series of one job together, 360 MB in memory: about what a file of the largest size holds, as one
takes some 18 bytes there; only a file made to swell has more."""

_JOB_KEYS = {"schema", "program", "name", "opened_at", "entries", "readings"}
_ENTRY_KEYS = {"made_at", "kind", "text"}
_READING_KEYS = {
    *("number", "after_entry", "filed_at", "clip_sha256", "program", "settings", "conditions", "measurement"),
    *("dot_pitch_px", "sample_count", "series", "replaced_by"),
}
_SHA256 = re.compile(r"[0-9a-f]{64}")
_LONGEST_TIME = 40
"""Characters of a time: ISO 8601 with microseconds and its zone takes 32; the rest is room."""


def job_to_bytes(job: Job) -> bytes:
    """The file's content; `job_from_bytes` gives the same job back."""
    places = {entry.id: place for place, entry in enumerate(job.entries)}
    content = {
        "schema": JOB_SCHEMA,
        "program": f"strobe {version('strobe')}",
        "name": job.name,
        "opened_at": job.opened_at,
        "entries": [{"made_at": e.made_at, "kind": e.kind, "text": e.text} for e in job.entries],
        "readings": [
            {
                "number": reading.number,
                "after_entry": None if reading.repair_id is None else places[reading.repair_id],
                "filed_at": reading.filed_at,
                "clip_sha256": reading.clip_sha256,
                "program": reading.program_version,
                "settings": dict(reading.settings),
                "conditions": asdict(reading.conditions),
                "measurement": reading.measurement.to_dict(),
                "dot_pitch_px": reading.measurement.dot_pitch_px,
                "sample_count": reading.measurement.series.time_s.size,
                "series": base64.b64encode(pack_series(reading.measurement.series)).decode("ascii"),
                "replaced_by": reading.replaced_by,
            }
            for reading in job.readings
        ],
    }
    return json.dumps(content, allow_nan=False, indent=1).encode("ascii")


def read_job_file(path: Path) -> Job:
    """The job in a file.

    Raises
    ------
    LogUnavailable
        If the file cannot be read.
    UsageError
        If it is not a job, or anything in it is not as it should be.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise LogUnavailable(f"{path} cannot be read: {error.strerror or error}") from error
    try:
        return job_from_bytes(content)
    except ValueError as error:
        raise UsageError(f"{path} is not a job that can be imported: {error}. Nothing was imported") from error


def job_from_bytes(content: bytes) -> Job:
    """The job in a file's content, every key and value checked.

    Raises
    ------
    ValueError
        If anything is not as it should be; the message says where.
    """
    if len(content) > LARGEST_FILE_BYTES:
        raise ValueError(f"it is larger than {LARGEST_FILE_BYTES >> 20} MiB")
    data = load_json(content.decode("utf-8"))
    if not isinstance(data, Mapping) or data.get("schema") != JOB_SCHEMA:
        raise ValueError(f"its schema is not {JOB_SCHEMA}")
    _check_keys(data, _JOB_KEYS, "the job")
    entries = tuple(_entry(each, place) for place, each in enumerate(_list(data["entries"], "entries"), start=1))
    readings = tuple(_readings(_list(data["readings"], "readings"), entries))
    _check_numbers(readings)
    _text(data["program"], "program")
    return Job(_text(data["name"], "name"), _time(data["opened_at"], "opened_at"), entries, readings)


def _readings(listed: list[Any], entries: tuple[Entry, ...]) -> Iterator[Reading]:
    samples = 0
    for place, each in enumerate(listed):
        reading = _reading(each, entries, place)
        samples += reading.measurement.series.time_s.size
        if samples > MOST_SAMPLES:
            raise ValueError(f"its series hold more than {MOST_SAMPLES} samples together")
        yield reading


def _entry(data: Any, number: int) -> Entry:
    where = f"entry {number}"
    _check_keys(data, _ENTRY_KEYS, where)
    if data["kind"] not in ENTRY_KINDS:
        raise ValueError(f"{where}: its kind is none of {', '.join(ENTRY_KINDS)}")
    text = _text(data["text"], where)
    if data["kind"] == "machine":
        try:
            toml_table(text)
        except ValueError as error:
            raise ValueError(f"{where}: the machine description is not TOML: {error}") from None
    return Entry(number, _time(data["made_at"], where), data["kind"], text)


def _reading(data: Any, entries: tuple[Entry, ...], place: int) -> Reading:
    where = f"readings[{place}]"
    _check_keys(data, _READING_KEYS, where)
    after = revive(int | None, data["after_entry"], f"{where}.after_entry")
    if after is not None and not (0 <= after < len(entries) and entries[after].kind == "repair"):
        raise ValueError(f"{where}.after_entry points at no repair")
    sha256 = data["clip_sha256"]
    if not (isinstance(sha256, str) and _SHA256.fullmatch(sha256)):
        raise ValueError(f"{where}.clip_sha256 is no SHA-256 in small hexadecimal")
    if not isinstance(data["settings"], dict) or len(json.dumps(data["settings"])) > LONGEST_TEXT:
        raise ValueError(f"{where}.settings is not a small object")
    conditions = data["conditions"]
    _check_keys(conditions, set(Conditions.__dataclass_fields__), f"{where}.conditions")
    try:
        packed = base64.b64decode(data["series"], validate=True)
    except (TypeError, ValueError, binascii.Error):
        raise ValueError(f"{where}.series is not base64") from None
    series = unpack_series(packed, revive(int, data["sample_count"], f"{where}.sample_count"))
    pitch = revive(float, data["dot_pitch_px"], f"{where}.dot_pitch_px")
    return Reading(
        number=revive(int, data["number"], f"{where}.number"),
        repair_id=None if after is None else entries[after].id,
        filed_at=_time(data["filed_at"], f"{where}.filed_at"),
        clip_sha256=sha256,
        program_version=_text(data["program"], f"{where}.program"),
        settings=data["settings"],
        conditions=revive(Conditions, conditions, f"{where}.conditions"),
        measurement=revive_measurement(data["measurement"], series, dot_pitch_px=pitch),
        replaced_by=revive(int | None, data["replaced_by"], f"{where}.replaced_by"),
    )


def _check_numbers(readings: tuple[Reading, ...]) -> None:
    numbers = [reading.number for reading in readings]
    if numbers != list(range(1, len(numbers) + 1)):
        raise ValueError("the readings are not numbered 1, 2, 3 and so on")
    counted: dict[str, int] = {}
    for reading in readings:
        if reading.replaced_by is None:
            if reading.clip_sha256 in counted:
                raise ValueError(
                    f"readings {counted[reading.clip_sha256]} and {reading.number} count the same clip twice"
                )
            counted[reading.clip_sha256] = reading.number
        elif not reading.number < reading.replaced_by <= len(numbers):
            raise ValueError(f"reading {reading.number} is replaced by {reading.replaced_by}, which is not a later one")


def _list(value: Any, where: str) -> list[Any]:
    if not isinstance(value, list) or len(value) > MOST_ENTRIES:
        raise ValueError(f"{where} is not a list of at most {MOST_ENTRIES}")
    return value


def _check_keys(data: Any, keys: set[str], where: str) -> None:
    if not isinstance(data, Mapping):
        raise ValueError(f"{where} is not an object")
    for name in sorted(keys ^ set(data)):
        raise ValueError(f"{where}: the key {name[:40]!r} is {'missing' if name in keys else 'unknown'}")


def _text(value: Any, where: str) -> str:
    text: str = revive(str, value, where)
    if not text.strip():
        raise ValueError(f"{where} is empty")
    return text


def _time(value: Any, where: str) -> str:
    text = revive(str, value, where)
    try:
        if len(text) > _LONGEST_TIME or datetime.fromisoformat(text).tzinfo is None:
            raise ValueError
    except ValueError:
        raise ValueError(f"{where}: {text[:_LONGEST_TIME]!r} is no time with its zone in ISO 8601") from None
    return str(text)
