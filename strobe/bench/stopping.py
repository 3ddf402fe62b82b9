"""When to stop: what is left of the fluctuation against a record's own, and against what a repair could still show."""

from __future__ import annotations

from dataclasses import dataclass

from strobe.bench.comparison import StateFigures, least_shown, state_figures
from strobe.bench.limits import LimitSet, Verdict, figures_of, judge, record_percent
from strobe.bench.records import Job, State
from strobe.measurement import Measurement

__all__ = ["Standing", "standing_of_reading", "standing_of_state", "standings_of_job"]


@dataclass(frozen=True)
class Standing:
    """How one state stands at one speed.

    Attributes
    ----------
    verdict : Verdict
        Against the limits.
    left_percent, left_uncertainty_percent : float
        Weighted 2-sigma peak that is left, and its 95 % half-width.
    record_percent : float
        What an off-centre hole of an ordinary record adds, as a weighted peak.
    showable_percent : float or None
        The least change of the weighted peak that a further repair, read as often as this state, could show
        (`strobe.bench.comparison.least_shown`); ``None`` where it was read once, so that none can be shown.
    """

    nominal_rpm: float
    verdict: Verdict
    left_percent: float
    left_uncertainty_percent: float
    record_percent: float
    showable_percent: float | None

    @property
    def below_record(self) -> bool:
        """Whether what is left is less than a record adds, the uncertainty included."""
        return self.left_percent + self.left_uncertainty_percent < self.record_percent

    @property
    def beyond_showing(self) -> bool:
        """Whether even a repair that took away all that is left could not be shown to help by as many readings."""
        return self.showable_percent is not None and self.left_percent <= self.showable_percent


def standing_of_reading(measurement: Measurement) -> Standing | None:
    """Where a single reading stands by its own verdict; ``None`` where it was held against no limits."""
    if measurement.verdict is None:
        return None
    return _standing(measurement.setup.nominal_rpm, figures_of(measurement), Verdict.of(measurement.verdict), None)


def standing_of_state(job: Job, state: State, nominal_rpm: float, limits: LimitSet) -> Standing | None:
    """Where a state of a job stands at one speed, in its own whole band; ``None`` where it was not read."""
    found: StateFigures | None = state_figures(job, state, nominal_rpm, common_band=False)
    if found is None:
        return None
    verdict = judge(found.figures, limits, spread=found.spread)
    return _standing(nominal_rpm, found.figures, verdict, least_shown(job, state, nominal_rpm))


def standings_of_job(job: Job, limits: LimitSet) -> tuple[Standing, ...]:
    """Where the last state that was read at each speed stands, by rising speed."""
    last = {rpm: state for state in job.states for rpm in state.speeds_rpm}
    found = [standing_of_state(job, last[rpm], rpm, limits) for rpm in sorted(last)]
    return tuple(standing for standing in found if standing is not None)


def _standing(
    nominal_rpm: float, figures: dict[str, tuple[float, float]], verdict: Verdict, showable_percent: float | None
) -> Standing:
    left, width = figures["weighted-peak"]
    return Standing(
        nominal_rpm=nominal_rpm,
        verdict=verdict,
        left_percent=left,
        left_uncertainty_percent=width,
        record_percent=record_percent(nominal_rpm),
        showable_percent=showable_percent,
    )
