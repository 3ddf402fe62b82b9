"""The hand-over sheet as content, before it becomes a page: what a new owner is told of a machine, and on what grounds.

Every text that a person typed in is made harmless here; the pages only lay it out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import PurePath
from typing import Any

from strobe.bench.comparison import StateFigures, compare, state_figures
from strobe.bench.limits import LimitSet
from strobe.bench.records import AS_FOUND, Conditions, Job, Reading, State
from strobe.bench.stopping import Standing, standing_of_state
from strobe.errors import UsageError
from strobe.files import toml_table
from strobe.measurement import Measurement
from strobe.report.comparing import CONDITION_WORDS, answer_sentences, one_line
from strobe.report.handover_pictures import Picture, spectrum_picture, trace_picture, turns_picture
from strobe.report.judging import QUANTITY_WORDS, allowed_words, check_words, standing_sentence
from strobe.report.words import MOST_DECIMALS, at_most, bound_words, figure_words, rounded, rpm_words

__all__ = ["Handover", "Section", "Table", "handover_of", "handover_of_clip"]

MOST_TABLE_DECIMALS = 3
"""Of a percentage in the tables: finer than that no machine stays from one start to the next; our own choice."""
BUYERS_DECIMALS = 2
"""Of a percentage in the sentences for a buyer: 0.01 % is a six-hundredth of a semitone; our own choice."""
LONG = 1000
CELL_LONG = 240
AS_LEFT = "as left"
VIEW_WORDS = {
    "rim": "the row of strobe dots on the platter's rim",
    "disc": "the rings of dots of a printed disc that lay on the platter",
}
NOT_A_CERTIFICATE = (
    "This sheet is not a certificate. It says what was read on one bench with a camera, on the dates given; no "
    "accredited laboratory stands behind it, and a machine can change in transport."
)
CAUTIONS = (
    "Dots that look still do not mean a platter that stands still. Keep fingers, hair and cloth off turning parts.",
    "Flashing light can trigger seizures in people with photosensitive epilepsy.",
    "Unplug the machine before touching belt, pulley or motor. Mains parts only by a competent person.",
)


@dataclass(frozen=True)
class Table:
    """A table with a caption; the first cell of each row names it."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, eq=False)
class Section:
    """A heading and what stands under it, in this order."""

    title: str
    paragraphs: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()
    items: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class _Ends:
    """The first and the last state that was read at a speed; `newest` unless something was done after that."""

    first: State
    last: State
    newest: bool = True

    @property
    def named(self) -> list[tuple[str, State]]:
        """Both with their names for people; one only where they are the same."""
        if self.first.number == self.last.number:
            return [(self.last_name, self.last)]
        return [(_read_when(self.first), self.first), (self.last_name, self.last)]

    @property
    def last_name(self) -> str:
        if not self.newest:
            return _read_when(self.last)
        return AS_LEFT if self.last.number else "as read"


@dataclass(frozen=True, eq=False)
class Handover:
    """The whole sheet: its title, two sentences for a buyer, the sections, and who made it."""

    title: str
    sentences: tuple[str, str]
    sections: tuple[Section, ...]
    notice: str
    made: str


def handover_of(job: Job, *, limits: LimitSet | None = None) -> Handover:
    """The sheet of a job.

    Parameters
    ----------
    job : Job
    limits : LimitSet, optional
        To be judged by.

    Raises
    ------
    UsageError
        If the job has no reading.
    """
    read = [state for state in job.states if state.readings]
    if not read:
        raise UsageError("the job has no reading yet, so there is nothing to hand over: strobe measure CLIP --job NAME")
    speeds = sorted({rpm for state in read for rpm in state.speeds_rpm})
    ends = {rpm: _ends(job, rpm) for rpm in speeds}
    sections = [
        _machine(job),
        *([] if limits is None else [_verdict(job, ends, limits)]),
        _figures("As found and as left" if any(pair.newest for pair in ends.values()) else "Figures", job, ends),
        _pictures(ends),
        _done(job, read),
        _conditions(ends),
        _how(job, ends),
        Section("Cautions", paragraphs=(NOT_A_CERTIFICATE,), items=(*_notes(ends), *CAUTIONS)),
    ]
    return Handover(
        title=f"Speed of {one_line(job.name, most=120)}",
        sentences=_sentences(job, ends),
        sections=tuple(sections),
        notice=NOT_A_CERTIFICATE,
        made=f"Made by strobe {version('strobe')} on {datetime.now(UTC).date().isoformat()}",
    )


def handover_of_clip(
    measurement: Measurement, *, limits: LimitSet | None = None, conditions: Conditions | None = None
) -> Handover:
    """The sheet of a single reading, of whose machine and history nothing is known.

    Parameters
    ----------
    measurement : Measurement
    limits : LimitSet, optional
        To be judged by.
    conditions : Conditions, optional
        What was said of the reading.
    """
    moment = datetime.now(UTC).isoformat(timespec="seconds")
    said = conditions or Conditions()
    reading = Reading(1, None, moment, "0" * 64, f"strobe {version('strobe')}", {}, said, measurement)
    name = PurePath(measurement.clip.path).name
    job = Job(name, moment, (), (reading,))
    (state,) = job.states
    rpm = measurement.setup.nominal_rpm
    ends = {rpm: _Ends(state, state)}
    sections = [
        *([] if limits is None else [_verdict(job, ends, limits)]),
        _figures("Figures", job, ends),
        _pictures(ends),
        *([] if len(said.missing) == len(CONDITION_WORDS) else [_conditions(ends)]),
        _how(job, ends),
        Section("Cautions", paragraphs=(NOT_A_CERTIFICATE,), items=(*_notes(ends), *CAUTIONS)),
    ]
    return Handover(
        title=f"Speed read from {one_line(name, most=120)}",
        sentences=(
            f"At {rpm_words(rpm)} rpm it turns {_plain(job, state, rpm)} (a semitone is 6 %).",
            f"Read from one clip of {measurement.clip.duration_s:.0f} s; a single reading does not tell how well the "
            "machine repeats itself.",
        ),
        sections=tuple(sections),
        notice=NOT_A_CERTIFICATE,
        made=f"Made by strobe {version('strobe')} on {datetime.now(UTC).date().isoformat()}",
    )


def _ends(job: Job, nominal_rpm: float) -> _Ends:
    at_speed = [state for state in job.states if state.at(nominal_rpm)]
    return _Ends(at_speed[0], at_speed[-1], at_speed[-1].number == job.states[-1].number)


def _read_when(state: State) -> str:
    return AS_FOUND if state.number == 0 else f"after {one_line(state.label, most=40)}"


def _sentences(job: Job, ends: Mapping[float, _Ends]) -> tuple[str, str]:
    first_sentence = "; ".join(_last_read(job, rpm, pair) for rpm, pair in ends.items())
    repairs = [one_line(state.label, most=60) for state in job.states if state.repair is not None]
    second = _as_it_came(job, ends) + (f"; since then: {', '.join(repairs)}" if repairs else "")
    if not any(pair.newest for pair in ends.values()):
        second += f"; nothing was read after {'that' if len(repairs) == 1 else 'the last of these'}"
    return f"{first_sentence[0].upper()}{first_sentence[1:]} (a semitone is 6 %).", f"{second}."


def _last_read(job: Job, rpm: float, pair: _Ends) -> str:
    """What the last reading of a speed says; of the machine as it is only where nothing was done since."""
    at = f"at {rpm_words(rpm)} rpm"
    if pair.newest:
        return f"{at} it turns {_plain(job, pair.last, rpm)}"
    return f"{at}, last read {pair.last_name}, it turned {_plain(job, pair.last, rpm, wavers='wavered')}"


def _as_it_came(job: Job, ends: Mapping[float, _Ends]) -> str:
    if job.states[-1].repair is None:
        return "It was read as it came, and nothing was done to it"
    found = {rpm: pair.first for rpm, pair in ends.items() if pair.first.number == 0}
    if not found:
        return "Not read as found"
    changed = {rpm: state for rpm, state in found.items() if ends[rpm].last.number > 0}
    if not changed:
        return "Read as found"
    told = [
        _plain(job, state, rpm, wavers="wavered") + (f" at {rpm_words(rpm)} rpm" if len(ends) > 1 else "")
        for rpm, state in changed.items()
    ]
    return f"As it came it turned {'; '.join(told)}"


def _plain(job: Job, state: State, rpm: float, *, wavers: str = "wavers") -> str:
    found = _known(state_figures(job, state, rpm))
    (speed, speed_width), (peak, width) = found.figures["speed"], found.figures["weighted-peak"]
    if abs(speed) <= speed_width:
        within = abs(speed) + speed_width
        right = f"right to within {at_most(within, _fewest_decimals(within))} %"
    else:
        right = f"{_short(abs(speed), speed_width)} % {'fast' if speed > 0 else 'slow'}"
    if peak <= width:
        most = bound_words(peak, width, most_decimals=MOST_TABLE_DECIMALS)
        return f"{right} and {wavers} by less than ±{most} % weighted"
    return f"{right} and {wavers} by ±{_short(peak, width)} % weighted"


def _short(value: float, width: float) -> str:
    """A figure for a buyer: two decimals at most, or as many more as it takes not to read as nothing."""
    return f"{value:.{min(rounded(width), _fewest_decimals(value))}f}"


def _fewest_decimals(value: float) -> int:
    if value <= 0:
        return BUYERS_DECIMALS
    return min(max(BUYERS_DECIMALS, -math.floor(math.log10(value))), MOST_DECIMALS)


def _known(found: StateFigures | None) -> StateFigures:
    assert found is not None, "only states that were read at the speed are asked for"
    return found


def _machine(job: Job) -> Section:
    rows = tuple((key, value) for key, value in _described(job.machine))
    tables = (Table("The machine as described", ("what", "value"), rows),) if rows else ()
    paragraphs = [] if rows else ["The machine was not described."]
    if job.reported:
        paragraphs.append(f"The owner reported: {one_line(job.reported, most=LONG)}")
    return Section("Machine", tuple(paragraphs), tables)


def _described(machine: str) -> list[tuple[str, str]]:
    """Keys and values of a TOML description, tables within tables by dotted names."""
    if not machine:
        return []
    rows: list[tuple[str, str]] = []

    def walk(prefix: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(f"{prefix}.{key}" if prefix else key, inner)
            return
        shown = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
        rows.append((one_line(prefix.replace("_", " "), most=60), one_line(shown, most=CELL_LONG)))

    walk("", toml_table(machine))
    return rows


def _verdict(job: Job, ends: Mapping[float, _Ends], limits: LimitSet) -> Section:
    paragraphs, tables = [], []
    for rpm, pair in ends.items():
        standing: Standing | None = standing_of_state(job, pair.last, rpm, limits)
        assert standing is not None, "the last state was read at the speed"
        sentence = standing_sentence(standing)
        read = "" if pair.newest else f", last read {pair.last_name}"
        paragraphs.append(f"At {rpm_words(rpm)} rpm{read}: {sentence[0].lower()}{sentence[1:]}")
        rows = []
        for check in standing.verdict.checks:
            memory = " (value from memory)" if check.from_memory else ""
            rows.append(
                (
                    QUANTITY_WORDS[check.quantity],
                    _value(check.value_percent, check.uncertainty_percent, signed=check.quantity == "speed"),
                    allowed_words(check.low_percent, check.high_percent),
                    check_words(check, standing.verdict),
                    f"{check.source}{memory}",
                )
            )
        head = ("figure", pair.last_name, "allowed", "verdict", "by")
        tables.append(Table(f"Verdict at {rpm_words(rpm)} rpm", head, tuple(rows)))
    paragraphs.append(
        "Inside means that the whole 95 % interval is inside the limit, outside that all of it is outside; between it "
        "is undecided, and so is a state that was read once. Standards judge a played tone; these figures are of the "
        "platter alone, in the band given."
    )
    return Section("Verdict", tuple(paragraphs), tuple(tables))


def _figures(title: str, job: Job, ends: Mapping[float, _Ends]) -> Section:
    tables = []
    for rpm, pair in ends.items():
        found = [(name, _known(state_figures(job, state, rpm))) for name, state in pair.named]
        rows = [
            (
                QUANTITY_WORDS[quantity],
                *(_value(*figures.figures[quantity], signed=quantity == "speed") for _, figures in found),
            )
            for quantity in QUANTITY_WORDS
        ]
        rows.append(("band", *(f"{figures.band_hz[0]:.3g} to {figures.band_hz[1]:.3g} Hz" for _, figures in found)))
        rows.append(("readings", *(str(figures.readings) for _, figures in found)))
        head = ("figure", *(name for name, _ in found))
        tables.append(Table(f"Figures at {rpm_words(rpm)} rpm", head, tuple(rows)))
    return Section(
        title,
        (
            "Mean speed is against nominal, plus is fast. The others say how far the speed goes to either side: the "
            "2-sigma peak is exceeded 5 % of the time. ± is a 95 % interval; with one reading it holds for that "
            "reading, not for how the machine repeats itself. Weighted as IEC 60386 / AES6 describe.",
        ),
        tuple(tables),
    )


def _pictures(ends: Mapping[float, _Ends]) -> Section:
    pictures: list[Picture] = []
    for rpm, pair in ends.items():
        # The first reading as found, the last one as left.
        shown = [(name, state.at(rpm)[0 if state is not pair.last else -1].measurement) for name, state in pair.named]
        turns = turns_picture(shown)
        pictures += [trace_picture(shown), spectrum_picture(shown), *([] if turns is None else [turns])]
    return Section("Pictures", pictures=tuple(pictures))


def _done(job: Job, read: Sequence[State]) -> Section:
    rows = []
    numbers = [state.number for state in read]
    for state in job.states:
        when = state.repair.made_at if state.repair is not None else job.opened_at
        figures = "; ".join(f"{rpm_words(rpm)} rpm: {_plain(job, state, rpm)}" for rpm in state.speeds_rpm)
        helped = ""
        if state.number in numbers and state.number != numbers[0]:
            before = [number for number in numbers if number < state.number]
            helped = _helped(job, before, state.number)
        rows.append(
            (f"{state.number} {one_line(state.label, most=CELL_LONG)}", _date(when), figures or "not read", helped)
        )
    remarks = tuple(
        f"Remark of {_date(entry.made_at)}: {one_line(entry.text, most=LONG)}"
        for entry in job.entries
        if entry.kind == "remark"
    )
    table = Table(
        "Steps in order, with the figures after each", ("step", "date", "read after it", "did it help"), tuple(rows)
    )
    return Section("What was done", (), (table,), (), remarks)


def _helped(job: Job, before: Sequence[int], after: int) -> str:
    """The answer of the comparison with the last state before that shares a speed; empty where none does."""
    for number in reversed(before):
        if set(job.states[number].speeds_rpm) & set(job.states[after].speeds_rpm):
            return " ".join(answer_sentences(compare(job, before=number, after=after), real_only=True))
    return ""


def _conditions(ends: Mapping[float, _Ends]) -> Section:
    tables = []
    for rpm, pair in ends.items():
        rows = [
            (words, *(_said([getattr(each.conditions, name) for each in state.at(rpm)]) for _, state in pair.named))
            for name, words in CONDITION_WORDS.items()
        ]
        head = ("condition", *(name for name, _ in pair.named))
        tables.append(Table(f"Conditions at {rpm_words(rpm)} rpm", head, tuple(rows)))
    return Section("Conditions", (), tuple(tables))


def _said(values: Sequence[str | float | None]) -> str:
    """One condition over the readings of a state; numbers from the least to the most."""
    numbers = sorted({value for value in values if isinstance(value, float | int)})
    shown = [f"{numbers[0]:g}" if len(numbers) == 1 else f"{numbers[0]:g} to {numbers[-1]:g}"] if numbers else []
    shown += dict.fromkeys(one_line(value) for value in values if isinstance(value, str))
    return "; ".join([*shown, *(["not said"] if None in values else [])])


def _how(job: Job, ends: Mapping[float, _Ends]) -> Section:
    rows = []
    for rpm, pair in ends.items():
        measurement = pair.last.at(rpm)[-1].measurement
        clip, setup, timing = measurement.clip, measurement.setup, measurement.timing
        rows.append(
            (
                f"{rpm_words(rpm)} rpm",
                f"{clip.duration_s:.0f} s of video at {clip.capture_rate_hz:.4g} pictures a second, "
                f"{measurement.speed.revolutions:.0f} turns",
                f"{setup.dots} dots, {one_line(setup.lamp)} lamp",
                "the camera's clock" if timing.reference == "camera" else "the lamp",
            )
        )
    head = ("speed", "clip", "dots and light", "timed by")
    views = sorted({VIEW_WORDS[reading.measurement.setup.view] for reading in job.readings}, reverse=True)
    programs = ", ".join(dict.fromkeys(one_line(reading.program_version) for reading in job.readings))
    return Section(
        "How it was measured",
        (
            f"A camera filmed {' and '.join(views)}; the platter's angle over time was read from the dots, and the "
            f"figures computed from it. No test record was played. Programs: {programs}.",
        ),
        (Table("The last reading of each speed", head, tuple(rows)),),
    )


def _notes(ends: Mapping[float, _Ends]) -> tuple[str, ...]:
    """What the last readings themselves warn of."""
    notes = [note.message for rpm, pair in ends.items() for note in pair.last.at(rpm)[-1].measurement.notes]
    return tuple(one_line(note, most=LONG) for note in dict.fromkeys(notes))


def _value(value: float, width: float, *, signed: bool) -> str:
    return figure_words(value, width, sign="+" if signed else "", most_decimals=MOST_TABLE_DECIMALS)


def _date(moment: str) -> str:
    """The day, with hyphens at which no line breaks."""
    return one_line(moment[:10]).replace("-", "\u2011")
