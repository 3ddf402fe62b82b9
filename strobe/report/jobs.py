"""Jobs on a terminal: the list, one job with its history and progress, and what became of a filed reading."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from strobe.bench.comparison import StateFigures, state_figures
from strobe.bench.limits import LimitSet
from strobe.bench.records import Conditions, Job, JobSummary, Reading, State
from strobe.bench.stopping import standings_of_job
from strobe.bench.store import Filed
from strobe.measurement import Measurement
from strobe.report.advice import longer_clip, next_step
from strobe.report.comparing import CONDITION_WORDS, one_line
from strobe.report.judging import standing_sentence
from strobe.report.sheet import Sheet, columns
from strobe.report.words import bound_words, rounded, rpm_words

__all__ = ["condition_words", "filed_text", "job_list_text", "job_text", "name_argument"]

LONG = 400
MOST_MACHINE_LINES = 30
BAR_WIDTH = 26
LABEL_SHORT = 20
PROPOSED_READINGS = 3
"""Of a state: with three before and after, nearly every improvement that was simulated is shown, with two hardly one
(docs/accuracy.md)."""
KIND_WORDS = {"machine": "machine described"}


def job_list_text(jobs: Sequence[JobSummary]) -> Text:
    """One line a job, the oldest first."""
    sheet = Sheet()
    if not jobs:
        sheet.row("JOBS", "None yet. Open the first: strobe job open NAME")
        return sheet.text()
    rows = [("name", "state", "repairs", "readings", "last entry")]
    rows += [
        (
            one_line(job.name, most=24),
            "closed" if job.closed_at else "open",
            str(job.repairs),
            str(job.readings),
            _day(job.last_at),
        )
        for job in jobs
    ]
    sheet.row("JOBS", *columns(rows))
    return sheet.text()


def job_text(job: Job, *, limits: LimitSet | None = None) -> Text:
    """Everything of one job: machine, report, history with the figures after each step, progress, what is missing.

    With `limits` also where the last state of each speed stands, and whether to stop.
    """
    sheet = Sheet()
    state = f"closed {_day(job.closed_at)}" if job.closed_at else "open"
    sheet.row("JOB", one_line(job.name, most=LONG), f"opened {_day(job.opened_at)}, {state}", strong=True)
    if job.machine:
        lines = [line.strip() for line in job.machine.splitlines() if line.strip()]
        sheet.row("MACHINE", *(_cut(line) for line in lines[:MOST_MACHINE_LINES]))
    if job.reported:
        sheet.row("REPORTED", _cut(job.reported))
    sheet.row("HISTORY", *_history(job))
    sheet.row("BY STEP", *_steps(job))
    if limits is not None:
        sheet.row("LIMITS", *_standing_lines(job, limits))
    sheet.row("CONDITIONS", condition_words(job.last_conditions))
    sheet.row("NEXT", *_next(job))
    return sheet.text()


def filed_text(filed: Filed, job: Job, measurement: Measurement) -> Text:
    """What became of a reading that was to be filed, and the next step where it asks for none itself.

    `job` as it stands now.
    """
    sheet = Sheet()
    name = one_line(job.name)
    next_lines = [*_next(job), *longer_clip(measurement)] if next_step(measurement) is None else []
    if filed.already:
        sheet.row(
            "NOT FILED",
            f"The same clip is reading {filed.number} of {name} already; one clip counts once. To put this reading in "
            "its place (other options): --again",
            strong=True,
        )
        sheet.row("NEXT", *next_lines)
        return sheet.text()
    under = "as found" if filed.state == 0 else f"after: {one_line(filed.label)}"
    kept = "; machine's description kept too" if filed.machine == "kept" else ""
    sheet.row("FILED", f"reading {filed.number} of {name}, {under}{kept}", strong=True)
    if filed.machine == "own":
        sheet.row(
            "MACHINE",
            "The job describes it otherwise and keeps its own words; this reading used the file given. To change the "
            "job's:",
            f"strobe job describe {name_argument(job.name)} --machine FILE",
        )
    rpm = measurement.setup.nominal_rpm
    count = len(job.states[filed.state].at(rpm))
    told_next = next_lines and filed.state == len(job.states) - 1
    if count < PROPOSED_READINGS and not told_next:
        sheet.row(
            "READINGS",
            f"{count} of this state at {rpm_words(rpm)} rpm; {PROPOSED_READINGS}, restarting between, tell how well "
            "the machine repeats itself.",
        )
    sheet.row("CONDITIONS", condition_words(job.readings[filed.number - 1].conditions))
    if filed.elsewhere:
        others = ", ".join(one_line(other, most=24) for other in filed.elsewhere[:3])
        sheet.row("BEWARE", f"The same clip is filed under {others} too.")
    sheet.row("NEXT", *next_lines)
    return sheet.text()


def condition_words(conditions: Conditions) -> str:
    """The conditions of a reading; what was not said is named."""
    said = []
    for name, words in CONDITION_WORDS.items():
        value = getattr(conditions, name)
        if value is not None:
            said.append(f"{words} {value:g}" if isinstance(value, float) else f"{words}: {one_line(str(value))}")
    missing = [CONDITION_WORDS[name] for name in conditions.missing]
    if missing:
        said.append(f"not said: {', '.join(missing)}")
    return "; ".join(said)


def _steps(job: Job) -> list[str]:
    """A small chart a speed: the weighted peak after each step, bars as far as it surely goes and as far as it may."""
    speeds = sorted({rpm for state in job.states for rpm in state.speeds_rpm})
    if not speeds:
        return ["No reading yet: strobe measure CLIP --job NAME"]
    lines, below = [], False
    for rpm in speeds:
        found = [(state, figures) for state in job.states if (figures := state_figures(job, state, rpm)) is not None]
        lines.append(f"{rpm_words(rpm)} rpm: speed and weighted peak in %")
        peaks = [figures.figures["weighted-peak"] for _, figures in found]
        longest, below = max(map(sum, peaks)), below or any(peak <= width for peak, width in peaks)
        lines += columns([_bar_row(state, figures, longest) for state, figures in found])
    return [*lines, f"A bar is the weighted peak: = is certain, - is the uncertainty{', < is below' if below else ''}."]


def _bar_row(state: State, found: StateFigures, longest: float) -> tuple[str, ...]:
    speed, speed_width = found.figures["speed"]
    peak, width = found.figures["weighted-peak"]
    sure = round(BAR_WIDTH * max(peak - width, 0.0) / longest)
    may = round(BAR_WIDTH * (peak + width) / longest)
    decimals = rounded(width, most_decimals=3)
    return (
        f"{state.number} {one_line(state.label, most=LABEL_SHORT)}",
        f"{speed:+.{min(rounded(speed_width), 3)}f}",
        f"±{peak:.{decimals}f}" if peak > width else f"<{bound_words(peak, width)}",
        "=" * sure + "-" * (may - sure),
    )


def _history(job: Job) -> list[str]:
    """Entries in the order of their time; a reading is shown under the repair before it, as found before the first."""
    lines: list[str] = []
    readings: dict[int | None, list[Reading]] = {}
    for reading in job.readings:
        readings.setdefault(reading.repair_id, []).append(reading)
    repairs = [place for place, entry in enumerate(job.entries) if entry.kind == "repair"]
    as_found_until = repairs[0] if repairs else len(job.entries)
    number = 0
    for place, entry in enumerate(job.entries):
        if place == as_found_until:
            lines += [_reading_line(reading) for reading in readings.pop(None, [])]
        if entry.kind == "repair":
            number += 1
            lines.append(f"{_day(entry.made_at)}  repair {number}: {_cut(entry.text)}")
            lines += [_reading_line(reading) for reading in readings.get(entry.id, [])]
        elif entry.kind == "remark":
            lines.append(f"{_day(entry.made_at)}  remark: {_cut(entry.text)}")
        elif entry.kind == "reported":
            lines.append(f"{_day(entry.made_at)}  owner reported: {one_line(entry.text)}")
        else:
            lines.append(f"{_day(entry.made_at)}  {KIND_WORDS.get(entry.kind, entry.kind)}")
    lines += [_reading_line(reading) for reading in readings.get(None, [])]
    return lines or ["nothing yet"]


def _reading_line(reading: Reading) -> str:
    speed, fluctuation = reading.measurement.speed, reading.measurement.fluctuation
    peak, width = fluctuation.weighted_peak_percent, fluctuation.weighted_peak_uncertainty_percent
    decimals = rounded(width)
    swing = f"±{peak:.{decimals}f}" if peak > width else f"below ±{bound_words(peak, width)}"
    line = (
        f"{_day(reading.filed_at)}  reading {reading.number} at {rpm_words(reading.measurement.setup.nominal_rpm)}: "
        f"{speed.deviation_percent:+.{rounded(speed.uncertainty_percent)}f} %, "
        f"{swing} % weighted"
    )
    return line if reading.replaced_by is None else f"{line}; replaced by {reading.replaced_by}"


def _standing_lines(job: Job, limits: LimitSet) -> list[str]:
    lines = [f"Held against {limits.label}."]
    last = {rpm: state for state in job.states for rpm in state.speeds_rpm}
    for standing in standings_of_job(job, limits):
        state, when = last[standing.nominal_rpm], ""
        if state.number < len(job.states) - 1:
            when = f", last read {'as found' if state.number == 0 else f'after {one_line(state.label)}'}"
        lines.append(f"{rpm_words(standing.nominal_rpm)} rpm{when}: {standing_sentence(standing)}")
    return lines if len(lines) > 1 else [*lines, "No reading yet."]


def _next(job: Job) -> list[str]:
    name = name_argument(job.name)
    if job.closed_at:
        return [f"Closed. To go on: strobe job reopen {name}"]
    states = job.states
    last = states[-1]
    if not last.readings:
        where = "as found" if last.number == 0 else "after the last repair"
        return [
            f"Read it {where}, {PROPOSED_READINGS} times, restarting between:",
            f"strobe measure CLIP --job {name}",
        ]
    lines = []
    few = [(rpm, count) for rpm in last.speeds_rpm if (count := len(last.at(rpm))) < PROPOSED_READINGS]
    if few:
        told = " and ".join(f"{count} at {rpm_words(rpm)} rpm" for rpm, count in few)
        lines.append(
            f"Readings of this state: {told}. Take {PROPOSED_READINGS}, to tell how well the machine repeats itself: "
            "stop it, start it again, film again."
        )
    earlier = {rpm for state in states[:-1] for rpm in state.speeds_rpm}
    if earlier & set(last.speeds_rpm):
        lines += ["Whether the last repair helped:", f"strobe job compare {name}"]
    else:
        lines += [f"{'Then repair' if few else 'Repair'}, and file the next reading under what was done:"]
        lines += [f"strobe measure CLIP --job {name} --after TEXT"]
    return lines


def name_argument(name: str) -> str:
    """A job's name as it is typed in a command; ``NAME`` where it is long or holds what a shell might take up."""
    plain = len(name) <= LABEL_SHORT + 10 and all(char.isalnum() or char in " .,-_()/+" for char in name)
    return f'"{name}"' if plain and not name.startswith("-") else "NAME"


def _cut(text: str) -> str:
    """A long text on few lines, its line ends as blanks."""
    flat = " ".join(text.split())
    if len(flat) <= LONG:
        return flat
    return f"{flat[:LONG].rstrip()}… ({len(text)} characters; all of them with --json)"


def _day(moment: str | None) -> str:
    return one_line((moment or "")[:10])
