"""Results for other programs: JSON lines and the CSV of the speed series. Files appear whole or not."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from strobe.errors import UsageError
from strobe.figures.results import SpeedSeries
from strobe.files import write_whole
from strobe.measurement import Measurement, Refusal

__all__ = ["CSV_COLUMNS", "check_target", "json_line", "write_csv"]

CSV_COLUMNS = ("time_s", "angle_rev", "deviation_percent")


def json_line(result: Measurement | Refusal) -> str:
    """One JSON object on one line, without the newline; plain ASCII, so that any pipe can carry it."""
    return json.dumps(result.to_dict(), allow_nan=False)


def write_csv(series: SpeedSeries, path: Path) -> None:
    """Write the speed series as CSV with the header `CSV_COLUMNS`; every number reads back exactly.

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    columns = (getattr(series, name).tolist() for name in CSV_COLUMNS)
    writer.writerows(zip(*columns, strict=True))
    write_whole(path, buffer.getvalue().encode("ascii"))


def check_target(path: Path, *, option: str) -> None:
    """Refuse a file that could not be written, before a clip is measured for it.

    Raises
    ------
    UsageError
        If the folder does not exist, or something other than an ordinary file has that name.
    """
    if path.exists() and not path.is_file():
        raise UsageError(f"{option}: {path} is not an ordinary file; name a file to write")
    if not path.resolve().parent.is_dir():
        raise UsageError(f"{option}: the folder {path.parent} does not exist; make it first, or name another")
