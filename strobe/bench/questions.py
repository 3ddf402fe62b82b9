"""What is asked of two states at one speed: which figures and lines, their values in each reading, and their groups."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from strobe.bench.records import Job, Reading, State
from strobe.bench.same_band import FIGURES, SAME_TOP_SHARE, fluctuation_up_to, line_amplitude, listed_at
from strobe.bench.weighing import Difference, Group, Repeatability, group_of, weigh
from strobe.figures.results import Component

__all__ = [
    "DEVIATION",
    "MORE_READINGS",
    "Draft",
    "Line",
    "Question",
    "grouped",
    "lent_by",
    "lists",
    "top_hz_of",
    "value_of",
]

MORE_READINGS = 2
"""Further readings whose use is told beforehand: as many as one may ask a person for. Our own choice."""
MOST_LINES = 5
"""Lines compared at one speed: each is one more question, for which every change must stand out farther (Holm). Our
own choice."""
DEVIATION = "deviation"
LINE = "line"


@dataclass(frozen=True)
class Line:
    """Where a periodic part stands: its frequency, and how often it comes in a turn."""

    frequency_hz: float
    per_revolution: float
    suspect: str | None


Value = Callable[[Reading], tuple[float, float] | None]
"""A figure of one reading with its 95 % half-width; ``None`` where the reading does not tell it."""


def value_of(quantity: str, top_hz: float) -> Value:
    """How a reading tells the deviation, or a fluctuation figure in the band that ends at `top_hz`."""
    if quantity == DEVIATION:
        return lambda reading: (
            reading.measurement.speed.deviation_percent,
            reading.measurement.speed.uncertainty_percent,
        )

    def fluctuation(reading: Reading) -> tuple[float, float] | None:
        if top_hz_of(reading) < top_hz * (1 - SAME_TOP_SHARE):
            return None
        found = fluctuation_up_to(reading.measurement, top_hz)
        return getattr(found, f"{quantity}_percent"), getattr(found, f"{quantity}_uncertainty_percent")

    return fluctuation


def _line_value(line: Line) -> Value:
    return lambda reading: line_amplitude(
        reading.measurement, per_revolution=line.per_revolution, frequency_hz=line.frequency_hz
    )


def grouped(readings: Sequence[Reading], value: Value) -> Group:
    """The group of those readings that tell a figure."""
    pairs = [pair for pair in map(value, readings) if pair is not None]
    return group_of([pair[0] for pair in pairs], [pair[1] for pair in pairs])


def lent_by(job: Job, nominal_rpm: float, value: Value, *, grows: bool, but: Sequence[int] = ()) -> list[Repeatability]:
    """How the machine repeated itself in every state of the job that was read more than once, but for some.

    A figure that grows with the fault lends its spread only where it stands clear of its error of reading.
    """
    spreads = []
    for state in job.states:
        readings = [reading for reading in state.at(nominal_rpm) if value(reading) is not None]
        if len(readings) > 1 and state.number not in but:
            group = grouped(readings, value)
            if group.repeatability is not None and (not grows or group.mean > 2 * group.reading_sigma):
                spreads.append(group.repeatability)
    return spreads


@dataclass(frozen=True, eq=False)
class Question:
    """One figure of two states: `quantity`, the `line` where it is one, how a reading answers, and both groups."""

    quantity: str
    line: Line | None
    value: Value
    before: Group
    after: Group

    @property
    def grows(self) -> bool:
        """Whether the repeatability is taken to grow with the figure."""
        return self.quantity != DEVIATION


class Draft:
    """The questions at one speed, before all of the comparison are known."""

    def __init__(self, job: Job, first: State, second: State, nominal_rpm: float) -> None:
        self.job, self.numbers, self.nominal_rpm = job, (first.number, second.number), nominal_rpm
        before, after = first.at(nominal_rpm), second.at(nominal_rpm)
        self.before, self.after = before, after
        tops = [top_hz_of(reading) for reading in (*before, *after)]
        self.top_hz = min(tops)
        self.bands_differ = max(tops) > self.top_hz * (1 + SAME_TOP_SHARE)
        asked: list[tuple[str, Line | None, Value]] = [
            (quantity, None, value_of(quantity, self.top_hz)) for quantity in (DEVIATION, *FIGURES)
        ]
        asked += [(LINE, line, _line_value(line)) for line in _strongest(before, after, self.top_hz)]
        self.questions = [
            Question(quantity, line, value, grouped(before, value), grouped(after, value))
            for quantity, line, value in asked
        ]

    def weighed(self, questions: int, *, more: int = MORE_READINGS) -> list[Difference]:
        """Each question by itself, as one of so many in the whole comparison; what `more` readings would show."""
        found = []
        for one in self.questions:
            # No nearer to nominal, or further from it: that is what a person wants to know of the speed.
            change = abs(one.after.mean) - abs(one.before.mean) if one.quantity == DEVIATION else None
            found.append(
                weigh(
                    *(one.before, one.after),
                    change=change,
                    elsewhere=lent_by(self.job, self.nominal_rpm, one.value, grows=one.grows, but=self.numbers),
                    grows=one.grows,
                    questions=questions,
                    more=more,
                )
            )
        return found


def top_hz_of(reading: Reading) -> float:
    """Upper end of a reading's band."""
    return reading.measurement.fluctuation.band_hz[1]


def _strongest(before: Sequence[Reading], after: Sequence[Reading], top_hz: float) -> list[Line]:
    """The strongest lines of both states together, each once, strongest first.

    Only lines that at least half of the readings of one state list; the choice looks at both states alike, so that it
    favours no change.
    """
    parts = [
        part
        for group in (before, after)
        for reading in group
        for part in reading.measurement.components
        if part.frequency_hz <= top_hz
    ]
    chosen: list[Line] = []
    for part in sorted(parts, key=lambda each: each.peak_percent, reverse=True):
        line = Line(part.frequency_hz, part.per_revolution, part.suspect)
        if any(_is_among((part,), other) for other in chosen):
            continue
        shares = [sum(lists(reading, line) for reading in group) / len(group) for group in (before, after)]
        if max(shares) >= 0.5:
            chosen.append(line)
        if len(chosen) == MOST_LINES:
            break
    return chosen


def lists(reading: Reading, line: Line) -> bool:
    """Whether a line stands clear of the noise in a reading."""
    return _is_among(reading.measurement.components, line)


def _is_among(parts: Iterable[Component], line: Line) -> bool:
    return listed_at(parts, per_revolution=line.per_revolution, frequency_hz=line.frequency_hz) is not None
