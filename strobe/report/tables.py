"""Results for other programs: JSON lines and the CSV of the speed series. Files appear whole or not."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from strobe.figures.results import SpeedSeries
from strobe.files import write_whole
from strobe.measurement import Measurement, Refusal

__all__ = ["CSV_COLUMNS", "json_line", "write_csv"]

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
