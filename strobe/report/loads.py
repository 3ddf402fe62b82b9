"""How the speed stands a load, in words, and what came suddenly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.text import Text

from strobe.drive.parts import PART_BY_KEY
from strobe.drive.regulation import LoadResponse
from strobe.measurement import Event, Measurement
from strobe.report.sheet import Sheet
from strobe.report.words import printable, rpm_words

__all__ = ["event_lines", "load_dict", "load_text"]

MOST_EVENTS = 6
HINTS = {"jump": "contacts", "sag": "slip"}


def load_text(
    measurement: Measurement, response: LoadResponse | None, events: Sequence[Event], *, untold: str | None = None
) -> Text:
    """The answer on lines of at most 80 columns; `untold` is why a load that was seen has no response."""
    sheet = Sheet()
    rpm = rpm_words(measurement.setup.nominal_rpm)
    sheet.row("READING", f"{printable(measurement.clip.path)}, {rpm} rpm, {measurement.speed.revolutions:.1f} turns")
    if untold is not None:
        sheet.row("LOAD", f"Not told: {untold}. Film longer before and after it.", strong=True)
    elif response is None:
        sheet.row("LOAD", "No load is seen; say with --at S when it came.", strong=True)
    else:
        sheet.row("LOAD", *_load(response), strong=True)
    sheet.row("SUDDEN", *event_lines(events, most=MOST_EVENTS))
    return sheet.text()


def event_lines(events: Sequence[Event], *, most: int) -> list[str]:
    """What came suddenly, and the parts that do that."""
    said = [f"at {one.time_s:.1f} s: {one.kind}, {one.size_percent:+.2g} %" for one in events[:most]]
    if len(events) > most:
        said.append(f"{len(events) - most} more not shown")
    for kind, key in HINTS.items():
        if any(one.kind == kind for one in events):
            part = PART_BY_KEY[key]
            said.append(f"A {kind} that nobody caused may be: {part.name}. {part.check}")
    return said


def load_dict(measurement: Measurement, response: LoadResponse | None, events: Sequence[Event]) -> dict[str, Any]:
    """The JSON object ``strobe.load/1``."""
    return {
        "schema": "strobe.load/1",
        "clip": {"path": measurement.clip.path},
        "load": None if response is None else asdict(response),
        "events": [asdict(event) for event in events],
    }


def _load(response: LoadResponse) -> list[str]:
    if -response.sag_percent <= response.usual_percent:
        return [
            f"at {response.at_s:.1f} s nothing stands out of its usual swings (±{response.usual_percent:.2g} % over a "
            "third of a turn)"
        ]
    lines = [f"at {response.at_s:.1f} s the speed goes down by {abs(response.sag_percent):.2f} %"]
    if response.recovery_s is not None:
        lines.append(f"and is back where it ends after {response.recovery_s:.1f} s")
    lines.append(f"{response.lasting_percent:+.2f} % stays, {response.overshoot_percent:.2f} % overshoot")
    if response.ringing_hz is not None:
        lines.append(
            f"It swings on at {response.ringing_hz:.2g} Hz: {PART_BY_KEY['hunting'].name}, or "
            f"{PART_BY_KEY['swing'].name.split(':')[0]}."
        )
    return lines
