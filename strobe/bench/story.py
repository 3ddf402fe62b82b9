"""The story of the sample clips, replayed into a job: an idler-driven machine that never existed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from strobe.bench.many import Progress
from strobe.bench.records import AS_FOUND, Conditions
from strobe.bench.store import BenchLog, clip_digest
from strobe.errors import UsageError
from strobe.measurement import Measurement

__all__ = ["MACHINE", "STORY_CLIPS", "replay_story"]

MACHINE = """\
name = "Bench deck 7 (invented)"
drive = "idler"
speeds_rpm = [33, 45]
idler_mm = 45
driven_mm = 280
dots = [180, 133]
"""
REPORTED = "Plays a little fast, and long notes waver. (This machine and its owner are invented.)"
CONDITIONS = Conditions(10.0, "bare", "up", "centre", "the machine's own strobe lamp", "front")
OILED = "bearing oiled, pitch trimmed"
STORY_CLIPS = {
    "01-as-found-33.mp4": AS_FOUND,
    "02-idler-cleaned-33.mp4": "idler cleaned",
    "03-oiled-and-trimmed-33.mp4": OILED,
    "04-oiled-and-trimmed-45.mp4": OILED,
    "05-filament-lamp-33.mp4": OILED,
}
"""The clips of the story and the repair before each."""

LIGHTS = {"05-filament-lamp-33.mp4": Conditions(light="a filament lamp")}


def replay_story(
    log: BenchLog,
    folder: Path,
    *,
    name: str,
    measure: Callable[..., Measurement] | None = None,
    progress: Progress | None = None,
) -> None:
    """Open a job and file the sample clips in it.

    Parameters
    ----------
    log : BenchLog
    folder : Path
        Holds the sample clips.
    name : str
        Of the job.
    measure : callable, optional
        Takes the place of `strobe.measure`.
    progress : callable, optional
        Told the clips done and in all.

    Raises
    ------
    UsageError
        If a clip is missing, or there is a job of that name.
    """
    for clip in STORY_CLIPS:
        if not (folder / clip).is_file():
            raise UsageError(
                f"{folder} does not hold the sample clip {clip}; name their folder, or make them: "
                "strobe render --samples sample_clips"
            )
    if measure is None:
        from strobe.measuring import measure as measure_file

        measure = measure_file
    readings = []
    for place, clip in enumerate(STORY_CLIPS):
        if progress is not None:
            progress(place, len(STORY_CLIPS))
        readings.append(measure(folder / clip, progress=None))
    log.open_job(name, machine=MACHINE, reported=REPORTED)
    for (clip, after), reading in zip(STORY_CLIPS.items(), readings, strict=True):
        log.file_reading(
            name,
            reading,
            clip_sha256=clip_digest(folder / clip),
            after=after,
            conditions=LIGHTS.get(clip, CONDITIONS),
        )
