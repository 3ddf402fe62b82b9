"""Did it help? Two states of one job compared, figure by figure, at every speed that both were read at.

All questions of one comparison share one probability of error (`strobe.bench.weighing`): the mean deviation, the four
fluctuation figures and the strongest lines, at every speed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal

from strobe.bench.questions import DEVIATION, MORE_READINGS, Draft, Line, grouped, lent_by, lists, top_hz_of, value_of
from strobe.bench.records import Conditions, Job, Reading, State
from strobe.bench.same_band import FIGURES
from strobe.bench.weighing import LEVEL, Difference, Spread, holm, mean_half_width
from strobe.errors import UsageError

__all__ = [
    "MORE_READINGS",
    "Change",
    "Comparison",
    "Line",
    "SpeedComparison",
    "StateFigures",
    "compare",
    "least_shown",
    "state_figures",
]

Outcome = Literal["better", "worse", "likely-better", "likely-worse", "not-shown", "unproven"]


@dataclass(frozen=True)
class Change:
    """One figure before and after.

    Attributes
    ----------
    quantity : str
        ``deviation``, one of the four fluctuation figures, or ``line``.
    line : Line or None
        Which, for ``line``.
    before_percent, after_percent : float
        Means of the readings; the deviation with its sign.
    before_uncertainty_percent, after_uncertainty_percent : float
        95 % half-width of each by itself, as in `state_figures`.
    change_percent : float
        After less before; of the deviation, how much further it is from nominal. Negative is better.
    uncertainty_percent : float
        95 % half-width of that.
    p_value, p_adjusted : float
        For this figure alone, and by Holm's rule among all of the comparison.
    outcome : str
        ``better`` or ``worse``: real. ``likely-better`` or ``likely-worse``: real if a state that was read once repeats
        itself as well as those that were read more often. ``not-shown``: none that this could show. ``unproven``: more
        than the error of reading, but nothing tells how the machine repeats itself.
    listed_before, listed_after : bool
        Whether the line stood clear of the noise in any reading.
    showable_percent : float or None
        Least change that `MORE_READINGS` further readings of the state after would show.
    """

    quantity: str
    line: Line | None
    before_percent: float
    after_percent: float
    before_uncertainty_percent: float
    after_uncertainty_percent: float
    change_percent: float
    uncertainty_percent: float
    p_value: float
    p_adjusted: float
    outcome: Outcome
    listed_before: bool
    listed_after: bool
    showable_percent: float | None

    @property
    def went_away(self) -> bool:
        """A line that really fell and is listed no more."""
        return self.line is not None and self.outcome == "better" and self.listed_before and not self.listed_after

    @property
    def appeared(self) -> bool:
        """A line that really rose and was not listed before."""
        return self.line is not None and self.outcome == "worse" and self.listed_after and not self.listed_before


@dataclass(frozen=True)
class SpeedComparison:
    """All changes at one nominal speed, in the band that all its readings have."""

    nominal_rpm: float
    band_hz: tuple[float, float]
    readings_before: int
    readings_after: int
    spread_known: bool
    spread_borrowed: bool
    bands_differ: bool
    references_differ: bool
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class Comparison:
    """Two states of a job compared.

    Attributes
    ----------
    repairs : tuple of str
        Everything that was done between them; with more than one, which of them did it cannot be said.
    speeds : tuple of SpeedComparison
    condition_differences : tuple of (str, str, str)
        Conditions that differ: name, before, after.
    """

    job: str
    before: str
    before_number: int
    after: str
    after_number: int
    repairs: tuple[str, ...]
    speeds: tuple[SpeedComparison, ...]
    condition_differences: tuple[tuple[str, str, str], ...]
    level: float = LEVEL

    def to_dict(self) -> dict[str, Any]:
        """A JSON object with the schema ``strobe.comparison/1``."""
        found = asdict(self)
        for speed, kept in zip(found["speeds"], self.speeds, strict=True):
            for change, one in zip(speed["changes"], kept.changes, strict=True):
                change |= {"went_away": one.went_away, "appeared": one.appeared}
        return {"schema": "strobe.comparison/1", **found}


@dataclass(frozen=True)
class StateFigures:
    """What one state reads at one speed: means with 95 % half-widths from reading and repeatability.

    `figures` holds a value and a half-width by ``speed``, ``weighted-peak`` and so on; `spread` tells what their
    repeatability rests on, by the figure of which least is known. Where that is nothing they hold for the reading made.
    """

    nominal_rpm: float
    readings: int
    band_hz: tuple[float, float]
    figures: dict[str, tuple[float, float]]
    spread: Spread


def compare(job: Job, *, before: int | None = None, after: int | None = None) -> Comparison:
    """Compare two states of a job.

    Parameters
    ----------
    job : Job
    before, after : int, optional
        Numbers of the states. Without them, the last two that share a speed.

    Raises
    ------
    UsageError
        If a state does not exist, has no reading, or the two share no speed.
    """
    first, second = _pick(job, before, after)
    speeds = [rpm for rpm in first.speeds_rpm if second.at(rpm)]
    if not speeds:
        raise UsageError(
            f"states {first.number} and {second.number} share no speed at which both were read; measure one of the "
            "speeds in both"
        )
    drafts = [Draft(job, first, second, rpm) for rpm in speeds]
    questions = sum(len(draft.questions) for draft in drafts)
    differences = [draft.weighed(questions) for draft in drafts]
    adjusted = iter(holm([one.p_value for each in differences for one in each]))
    between = [
        state
        for state in job.states
        if min(first.number, second.number) < state.number <= max(first.number, second.number)
    ]
    return Comparison(
        *(job.name, first.label, first.number, second.label, second.number),
        repairs=tuple(state.label for state in between),
        speeds=tuple(_at_one_speed(draft, each, adjusted) for draft, each in zip(drafts, differences, strict=True)),
        condition_differences=_condition_differences(
            *([reading for rpm in speeds for reading in state.at(rpm)] for state in (first, second))
        ),
    )


_OUTCOMES: dict[Spread, tuple[Outcome, Outcome]] = {
    "own": ("better", "worse"),
    "borrowed": ("likely-better", "likely-worse"),
    "unknown": ("unproven", "unproven"),
}
"""What a change that stands out is called, for better and for worse, by what tells of the repeatability."""


def _at_one_speed(draft: Draft, differences: Sequence[Difference], adjusted: Iterator[float]) -> SpeedComparison:
    """The changes at one speed, once Holm's rule has been applied to all of the comparison."""
    changes = []
    for asked, one in zip(draft.questions, differences, strict=True):
        line = asked.line
        p_adjusted = next(adjusted)
        elsewhere = lent_by(draft.job, draft.nominal_rpm, asked.value, grows=asked.grows)
        widths = [
            mean_half_width(group, elsewhere=elsewhere, grows=asked.grows)[0] for group in (asked.before, asked.after)
        ]
        outcome: Outcome = "not-shown"
        if p_adjusted <= LEVEL:
            outcome = _OUTCOMES[one.spread][one.change > 0]
        changes.append(
            Change(
                quantity=asked.quantity,
                line=line,
                before_percent=asked.before.mean,
                after_percent=asked.after.mean,
                before_uncertainty_percent=widths[0],
                after_uncertainty_percent=widths[1],
                change_percent=one.change,
                uncertainty_percent=one.uncertainty,
                p_value=one.p_value,
                p_adjusted=p_adjusted,
                outcome=outcome,
                listed_before=line is not None and any(lists(reading, line) for reading in draft.before),
                listed_after=line is not None and any(lists(reading, line) for reading in draft.after),
                showable_percent=one.showable,
            )
        )
    whole = [one for asked, one in zip(draft.questions, differences, strict=True) if asked.line is None]
    references = [{reading.measurement.timing.reference for reading in group} for group in (draft.before, draft.after)]
    return SpeedComparison(
        nominal_rpm=draft.nominal_rpm,
        band_hz=(draft.before[0].measurement.fluctuation.band_hz[0], draft.top_hz),
        readings_before=len(draft.before),
        readings_after=len(draft.after),
        spread_known=all(one.spread != "unknown" for one in whole),
        spread_borrowed=any(one.spread == "borrowed" for one in whole),
        bands_differ=draft.bands_differ,
        references_differ=references[0] != references[1],
        changes=tuple(changes),
    )


def state_figures(job: Job, state: State, nominal_rpm: float, *, common_band: bool = True) -> StateFigures | None:
    """The figures of one state at one speed; ``None`` where there is no reading.

    Parameters
    ----------
    job, state, nominal_rpm
    common_band : bool
        In the band that all readings of the job at that speed have, so that states can stand beside each other; else in
        the band of this state's own readings.
    """
    readings = state.at(nominal_rpm)
    if not readings:
        return None
    compared = [each for other in job.states for each in other.at(nominal_rpm)] if common_band else readings
    top_hz = min(top_hz_of(reading) for reading in compared)
    figures, spreads = {}, set[Spread]()
    for quantity in (DEVIATION, *FIGURES):
        value = value_of(quantity, top_hz)
        group = grouped(readings, value)
        grows = quantity != DEVIATION
        elsewhere = lent_by(job, nominal_rpm, value, grows=grows)
        width, spread = mean_half_width(group, elsewhere=elsewhere, grows=grows)
        spreads.add(spread)
        name = "speed" if quantity == DEVIATION else quantity.replace("_", "-")
        figures[name] = (group.mean, width)
    low_hz = readings[0].measurement.fluctuation.band_hz[0]
    weakest: Spread = "unknown" if "unknown" in spreads else "borrowed" if "borrowed" in spreads else "own"
    return StateFigures(nominal_rpm, len(readings), (low_hz, top_hz), figures, weakest)


def least_shown(job: Job, state: State, nominal_rpm: float) -> float | None:
    """The least change of the weighted peak that `compare` calls real whatever else changed, in percent.

    Between this state and one after a further repair that is read as often and repeats itself as well, by all that the
    two would be asked at every speed of this state. ``None`` for one that was read once: with it nothing is real.
    """
    if len(state.at(nominal_rpm)) < 2:
        return None
    questions = sum(len(Draft(job, state, state, rpm).questions) for rpm in state.speeds_rpm)
    asked = Draft(job, state, state, nominal_rpm)
    weighed = zip(asked.questions, asked.weighed(questions, more=0), strict=True)
    return next(one.showable for question, one in weighed if question.quantity == "weighted_peak")


def _pick(job: Job, before: int | None, after: int | None) -> tuple[State, State]:
    states = job.states
    read = [state for state in states if state.readings]
    for number in (before, after):
        if number is not None and not 0 <= number < len(states):
            raise UsageError(f"there is no state {number}; this job has 0 (as found) to {len(states) - 1}")
        if number is not None and not states[number].readings:
            raise UsageError(f"state {number} has no reading yet: strobe measure CLIP --job NAME --after TEXT")
    second = states[after] if after is not None else read[-1] if read else None
    if second is not None and after is None and before is not None and second.number == before:
        second = None
    first = states[before] if before is not None else None
    if second is not None and first is None:
        earlier = [state for state in read if state.number < second.number]
        sharing = [state for state in earlier if any(second.at(rpm) for rpm in state.speeds_rpm)]
        first = next(reversed(sharing or earlier), None)
    if first is None or second is None or first.number == second.number:
        raise UsageError("two states with readings are needed to compare: one before a repair and one after it")
    return first, second


def _condition_differences(before: Sequence[Reading], after: Sequence[Reading]) -> tuple[tuple[str, str, str], ...]:
    """Conditions that are not the same; numbers where the readings of one state all lie above those of the other."""
    found = []
    for each in fields(Conditions):
        first, second = (
            sorted({value for reading in group if (value := getattr(reading.conditions, each.name)) is not None})
            for group in (before, after)
        )
        if not first or not second or first == second:
            continue
        if isinstance(first[0], str) or first[-1] < second[0] or second[-1] < first[0]:
            found.append((each.name, _listed(first), _listed(second)))
    return tuple(found)


def _listed(values: Sequence[str | float]) -> str:
    if isinstance(values[0], str):
        return ", ".join(map(str, values))
    return f"{values[0]:g}" if len(values) == 1 else f"{values[0]:g} to {values[-1]:g}"
