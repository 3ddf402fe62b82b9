"""The bench log: jobs with their repairs and readings on disk, what a repair changed, limits, many clips at once."""

from __future__ import annotations

from strobe.bench.records import Conditions, Entry, Job, JobSummary, Reading, State
from strobe.bench.store import BenchLog, Filed, clip_digest, default_log_path, open_log

__all__ = [
    "BenchLog",
    "Conditions",
    "Entry",
    "Filed",
    "Job",
    "JobSummary",
    "Reading",
    "State",
    "clip_digest",
    "default_log_path",
    "open_log",
]
