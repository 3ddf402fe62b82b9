"""Jobs for other programs: JSON objects and CSV, one row a reading or a clip."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from strobe.bench.limits import PRESETS, LimitSet
from strobe.bench.many import Outcome
from strobe.bench.records import Conditions, Job, JobSummary
from strobe.bench.stopping import standings_of_job
from strobe.files import write_whole
from strobe.measurement import Measurement

__all__ = ["clip_row", "job_json", "job_list_json", "limits_json", "plain_json", "write_job_csv", "write_rows"]

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
FIGURES = ("weighted_peak", "weighted_rms", "unweighted_peak", "unweighted_rms")


def plain_json(content: Mapping[str, Any]) -> str:
    """One JSON object on one line, plain ASCII."""
    return json.dumps(content, allow_nan=False)


def job_list_json(jobs: Sequence[JobSummary]) -> str:
    """The list of jobs, schema ``strobe.job-list/1``."""
    return plain_json({"schema": "strobe.job-list/1", "jobs": [asdict(job) for job in jobs]})


def job_json(job: Job, *, limits: LimitSet | None = None) -> str:
    """Everything of one job but the speed series, schema ``strobe.job-report/1``.

    With `limits` also where the last state of each speed stands; else ``standings`` is null.
    """
    standings = None if limits is None else [asdict(each) for each in standings_of_job(job, limits)]
    content = {
        "schema": "strobe.job-report/1",
        "name": job.name,
        "opened_at": job.opened_at,
        "closed_at": job.closed_at,
        "machine": job.machine,
        "reported": job.reported,
        "entries": [{"made_at": e.made_at, "kind": e.kind, "text": e.text} for e in job.entries],
        "states": [
            {"number": s.number, "label": s.label, "readings": [r.number for r in s.readings]} for s in job.states
        ],
        "readings": [
            {
                "number": reading.number,
                "filed_at": reading.filed_at,
                "clip_sha256": reading.clip_sha256,
                "program": reading.program_version,
                "settings": dict(reading.settings),
                "conditions": asdict(reading.conditions),
                "replaced_by": reading.replaced_by,
                "measurement": reading.measurement.to_dict(),
            }
            for reading in job.readings
        ],
        "standings": standings,
    }
    return plain_json(content)


def limits_json() -> str:
    """The presets of limits, schema ``strobe.limits/1``."""
    return plain_json({"schema": "strobe.limits/1", "limits": [asdict(each) for each in PRESETS.values()]})


def write_job_csv(job: Job, path: Path) -> None:
    """Write one row a reading, replaced ones too, in the order of filing.

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    labels = {None if state.repair is None else state.repair.id: state for state in job.states}
    rows = []
    for reading in job.readings:
        state = labels[reading.repair_id]
        rows.append(
            {
                "reading": reading.number,
                "filed_at": reading.filed_at,
                "state": state.number,
                "after": state.label,
                "replaced_by": reading.replaced_by,
                **_figures(reading.measurement),
                **asdict(reading.conditions),
                "clip_sha256": reading.clip_sha256,
                "program": reading.program_version,
            }
        )
    names = ["reading", "filed_at", "state", "after", "replaced_by", *_FIGURE_NAMES]
    names += [*(each.name for each in fields(Conditions)), "clip_sha256", "program"]
    write_rows(rows, names, path)


def clip_row(outcome: Outcome, status: int) -> dict[str, Any]:
    """One row of a table over clips; figures are empty where there are none."""
    row: dict[str, Any] = {"clip": outcome.clip, "exit_status": status, "reason": ""}
    if outcome.measurement is not None:
        return row | _figures(outcome.measurement)
    if outcome.refusal is not None:
        return row | {"reason": outcome.refusal.reason}
    return row | {"reason": "unreadable"}


def write_rows(rows: Iterable[Mapping[str, Any]], names: Sequence[str] | None, path: Path) -> None:
    """Write rows as CSV in UTF-8; text that a spreadsheet would take for a formula gets an apostrophe before it.

    Parameters
    ----------
    rows : iterable of mapping
    names : sequence of str or None
        Columns; None for those of `clip_row`.
    path : Path

    Raises
    ------
    UsageError
        If the file cannot be written.
    """
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, names or ["clip", "exit_status", "reason", *_FIGURE_NAMES[1:]], lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)
    content = buffer.getvalue().encode("utf-8")
    write_whole(path, content)


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        text = value.replace("\x00", "\ufffd")
        return f"'{text}" if text.startswith(FORMULA_STARTS) else text
    return value


_FIGURE_NAMES = (
    *("clip", "duration_s", "nominal_rpm", "mean_rpm", "deviation_percent", "deviation_uncertainty_percent"),
    *("band_low_hz", "band_high_hz"),
    *(f"{name}{kind}_percent" for name in FIGURES for kind in ("", "_uncertainty")),
    *("period_s", "verdict"),
)


def _figures(measurement: Measurement) -> dict[str, Any]:
    speed, fluctuation = measurement.speed, measurement.fluctuation
    row: dict[str, Any] = {
        "clip": measurement.clip.path,
        "duration_s": measurement.clip.duration_s,
        "nominal_rpm": measurement.setup.nominal_rpm,
        "mean_rpm": speed.mean_rpm,
        "deviation_percent": speed.deviation_percent,
        "deviation_uncertainty_percent": speed.uncertainty_percent,
        "band_low_hz": fluctuation.band_hz[0],
        "band_high_hz": fluctuation.band_hz[1],
        "period_s": fluctuation.period_s,
        "verdict": None if measurement.verdict is None else measurement.verdict["result"],
    }
    for name in FIGURES:
        for kind in ("", "_uncertainty"):
            row[f"{name}{kind}_percent"] = getattr(fluctuation, f"{name}{kind}_percent")
    return row
