"""Did it help? The statistics against scipy.stats, figures in a common band, and whole comparisons of invented jobs."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from test_report import component, measurement

from strobe.bench import Conditions, Entry, Job, Reading, open_log
from strobe.bench.comparison import Change, compare, state_figures
from strobe.bench.limits import parse_limits
from strobe.bench.same_band import fluctuation_up_to, line_amplitude, listed_at
from strobe.bench.stopping import standings_of_job
from strobe.bench.story import replay_story
from strobe.bench.weighing import Repeatability, group_of, holm, pooled, weigh
from strobe.drive.diagnosis import diagnose
from strobe.drive.naming import reading_of
from strobe.errors import UsageError
from strobe.figures import SpeedSeries, evaluate
from strobe.measurement import Measurement
from strobe.report.comparing import answer_sentences, comparison_text
from strobe.report.handover import handover_of
from strobe.report.handover_pictures import spectrum_picture
from strobe.report.jobs import job_text
from strobe.report.judging import standing_sentence
from strobe.report.suspects import suspects_text

WHEN = "2026-01-01T00:00:00+00:00"
Array = np.ndarray[Any, np.dtype[np.float64]]


def job_of(states: Sequence[Sequence[Measurement]], conditions: Sequence[Conditions] | None = None) -> Job:
    """A job whose states hold these measurements; the n-th repair is called "repair n"."""
    entries = tuple(Entry(number, WHEN, "repair", f"repair {number}") for number in range(1, len(states)))
    readings: list[Reading] = []
    for number, group in enumerate(states):
        for each in group:
            place = len(readings) + 1
            kept = conditions[number] if conditions else Conditions()
            readings.append(Reading(place, number or None, WHEN, f"{place:064x}", "strobe 0", {}, kept, each))
    return Job("deck", WHEN, entries, tuple(readings))


def with_figures(deviation: float = 0.5, weighted_peak: float = 0.3, wobble: float = 0.6, **more: Any) -> Measurement:
    return measurement(
        speed={"deviation_percent": deviation, "uncertainty_percent": 0.005, **more.get("speed", {})},
        fluctuation={"weighted_peak_percent": weighted_peak, "weighted_peak_uncertainty_percent": 0.01},
        components=(component(peak_percent=wobble, uncertainty_percent=0.01),) if wobble else (),
    )


def test_bars_show_what_is_certain_and_the_uncertainty_and_say_so() -> None:
    """Of 26 columns for 0.40 %, the most there may be: 0.20 to 0.40 % before, nothing to 0.08 % after."""
    before, after = (
        measurement(fluctuation={"weighted_peak_percent": peak, "weighted_peak_uncertainty_percent": width})
        for peak, width in ((0.3, 0.1), (0.04, 0.04))
    )
    shown = job_text(job_of([[before], [after]])).plain.split("BY STEP")[1].split("CONDITIONS")[0]
    rows = [line.split()[-2:] for line in shown.splitlines() if "--" in line]
    assert rows == [["±0.30", "=" * 13 + "-" * 13], ["<0.080", "-" * 5]]
    told = "A bar is the weighted peak: = is certain, - is the uncertainty"
    assert " ".join(shown.split()).endswith(f"{told}, < is below.")
    shown = job_text(job_of([[before], [before]])).plain.split("BY STEP")[1].split("CONDITIONS")[0]
    assert " ".join(shown.split()).endswith(f"{told}.")


def test_a_peak_that_is_not_told_from_nothing_is_a_bound_in_every_report() -> None:
    """0.01 with a half-width of 0.03 is no ±0.01: it may be up to 0.04."""
    unclear = measurement(
        fluctuation={"weighted_peak_percent": 0.01, "weighted_peak_uncertainty_percent": 0.03},
        components=(component(peak_percent=0.01, uncertainty_percent=0.03),),
    )
    history = job_text(job_of([[unclear]])).plain
    assert "below ±0.040 % weighted" in " ".join(history.split())
    suspects = suspects_text(unclear, diagnose(reading_of(unclear), None), machine=None).plain
    assert "below ±0.040 % weighted peak" in " ".join(suspects.split())
    words = spectrum_picture([("as found", unclear)]).alt
    assert "Strongest parts: as found, below plus or minus 0.040 percent once a turn" in words
    clear = spectrum_picture([("as found", with_figures())]).alt
    assert "as found, plus or minus 0.6 percent once a turn" in clear


def found(job: Job, quantity: str, **options: Any) -> Change:
    (speed,) = compare(job, **options).speeds
    return next(change for change in speed.changes if change.quantity == quantity)


REPEATS = (-0.004, 0.001, 0.003)


def test_one_new_reading_against_several_is_students_test() -> None:
    """scipy.stats.ttest_ind with equal variances, which then rest on the first group alone."""
    before, after = [0.31, 0.30, 0.33, 0.29], [0.25]
    ours = weigh(group_of(before, np.zeros(4)), group_of(after, [0.0]))
    theirs = scipy.stats.ttest_ind(after, before, equal_var=True)
    assert ours.p_value == pytest.approx(theirs.pvalue, rel=1e-6)
    assert ours.spread == "borrowed"
    interval = theirs.confidence_interval(0.95)
    assert ours.uncertainty == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)


def test_without_repeats_it_is_the_error_of_reading_alone() -> None:
    ours = weigh(group_of([0.30], [0.03]), group_of([0.25], [0.04]))
    assert ours.uncertainty == pytest.approx(0.05)
    assert ours.p_value == pytest.approx(2 * scipy.stats.norm.sf(1.959963984540054), rel=1e-6)
    assert (ours.spread, ours.showable) == ("unknown", None)


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.integers(2, 6), st.floats(-1.5, 1.5), st.integers(0, 2**32 - 1))
def test_never_surer_than_welch(count_before: int, count_after: int, shift: float, seed: int) -> None:
    """Banerjee's interval covers at least what it says, so it is never narrower than Welch's approximate one; and with
    one degree of freedom on both sides at most as wide as Student's with that one."""
    rng = np.random.default_rng(seed)
    before, after = rng.normal(0, 1, count_before), rng.normal(shift, 2, count_after)
    ours = weigh(group_of(before, np.zeros(count_before)), group_of(after, np.zeros(count_after)))
    theirs = scipy.stats.ttest_ind(after, before, equal_var=False)
    assert ours.p_value >= theirs.pvalue * (1 - 1e-6)
    fewest = min(count_before, count_after) - 1
    assert ours.p_value <= 2 * scipy.stats.t.sf(abs(theirs.statistic), fewest) * (1 + 1e-6)


def test_more_readings_do_not_lessen_the_error_of_reading() -> None:
    few, many = (weigh(group_of([1.0] * n, [0.1] * n), group_of([0.0] * n, [0.1] * n)) for n in (2, 50))
    assert few.uncertainty == many.uncertainty == pytest.approx(math.hypot(0.1, 0.1))


def test_pooling_is_by_degrees_of_freedom() -> None:
    spread = pooled([Repeatability(1.0, 1, 0.2), None, Repeatability(2.0, 3, 0.4)])
    assert spread == Repeatability(math.sqrt((1 + 3 * 4) / 4), 4, (0.2 + 3 * 0.4) / 4)
    assert pooled([None]) is None


def test_a_spread_that_is_lent_to_a_larger_figure_grows_with_it() -> None:
    """One that stands at 0.05 with a spread of 0.01 lends 0.06 to a figure of 0.3; and none if it is not clear of 0."""
    quiet, loud = group_of([0.04, 0.05, 0.06], [0.001] * 3), group_of([0.3], [0.001])
    plain, grown = (weigh(quiet, loud, grows=grows) for grows in (False, True))
    student = scipy.stats.t.isf(0.025, 2)
    reading = 0.001 * math.sqrt(2)
    assert plain.uncertainty == pytest.approx(math.hypot(student * 0.01 * math.sqrt(1 / 3 + 1), reading))
    assert grown.uncertainty == pytest.approx(math.hypot(student * 0.01 * math.sqrt(1 / 3 + 36), reading))
    hidden = group_of([0.0, 0.001, 0.002], [0.01] * 3)
    assert weigh(hidden, loud, grows=True).spread == "unknown"
    assert weigh(hidden, loud).spread == "borrowed"
    assert weigh(group_of([0.29, 0.31], [0.001] * 2), loud).spread == "unknown", "two readings lend nothing"


def test_every_state_that_was_read_often_lends_its_spread() -> None:
    """Two states lend to one that was read once, each grown to its figure; the pool has the freedom of both."""
    quiet, loud, single = group_of([0.04, 0.05, 0.06], [0.0] * 3), group_of([0.58, 0.6, 0.62], [0.0] * 3), [0.3]
    assert loud.repeatability is not None
    ours = weigh(quiet, group_of(single, [0.0]), elsewhere=[loud.repeatability], grows=True)
    here, there = ((0.01**2 + 0.02**2) / 2, (0.06**2 + 0.02**2) / 2)
    student = scipy.stats.t.isf(0.025, 4)
    assert ours.uncertainty == pytest.approx(student * math.sqrt(here / 3 + there))
    alone = weigh(quiet, group_of(single, [0.0]), grows=True)
    assert alone.uncertainty > 2 * ours.uncertainty


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        ((10, 12), (11, 15), ()),
        ((10, 12), (12, 10), ()),
        ((10, 12), (30, 20), (("running_min", "10 to 12", "20 to 30"),)),
        ((20, 20), (5, 5), (("running_min", "20", "5"),)),
    ],
)
def test_minutes_differ_only_where_they_lie_apart(
    before: tuple[float, float], after: tuple[float, float], expected: tuple[tuple[str, str, str], ...]
) -> None:
    whole = job_of([[with_figures()] * 2, [with_figures()] * 2])
    readings = tuple(
        dataclasses.replace(reading, conditions=Conditions(minutes))
        for reading, minutes in zip(whole.readings, (*before, *after), strict=True)
    )
    assert compare(dataclasses.replace(whole, readings=readings)).condition_differences == expected


def test_holm_by_hand() -> None:
    """Three p-values 0.01, 0.02, 0.04 times 3, 2, 1, never falling."""
    assert holm([0.04, 0.01, 0.02]) == pytest.approx([0.04, 0.03, 0.04])
    assert holm([0.6, 0.5]) == pytest.approx([1.0, 1.0])
    assert holm([]) == []


@pytest.mark.parametrize(("values", "widths"), [([], []), ([1.0], [1.0, 2.0]), ([math.nan], [1.0]), ([[1.0]], [[1.0]])])
def test_groups_of_nothing_are_refused(values: Any, widths: Any) -> None:
    with pytest.raises(ValueError, match="values and half-widths must be"):
        group_of(values, widths)


@pytest.mark.parametrize(("counts", "earlier"), [((3, 3), 0), ((3, 1), 0), ((2, 4), 0), ((1, 3), 3), ((1, 1), 3)])
def test_real_is_said_wrongly_in_at_most_one_job_of_twenty(counts: tuple[int, int], earlier: int) -> None:
    """300 jobs without any change, ten figures each, reading error of the size of the repeatability.

    Of 300 true probabilities of 0.05 at most 24 come true, but for once in 50 (binomial: 15 plus 2.4 deviations).
    """
    rng = np.random.default_rng(sum(counts))
    alarms = [false_alarm(rng, counts, spreads=(1.0, 1.0), reading=0.5, earlier=earlier) for _ in range(300)]
    assert sum(alarms) <= 24


def false_alarm(
    rng: np.random.Generator,
    counts: tuple[int, int],
    *,
    spreads: tuple[float, float],
    reading: float,
    figures: int = 10,
    earlier: int = 0,
) -> bool:
    """Whether any of `figures` is called changed in one job in which nothing changed.

    An earlier state may have been read too, which lends its spread where one of the two does not show its own.
    """
    p_values = []
    for _ in range(figures):
        groups = []
        for count, spread in zip(counts, spreads, strict=True):
            values = rng.normal(0, spread, count) + rng.normal(0, reading)
            groups.append(group_of(values, np.full(count, 1.96 * reading)))
        lent = group_of(rng.normal(0, spreads[0], earlier), np.zeros(earlier)).repeatability if earlier else None
        p_values.append(weigh(*groups, elsewhere=[] if lent is None else [lent]).p_value)
    return min(holm(p_values)) <= 0.05


def test_a_repair_that_helped_is_real() -> None:
    job = job_of(
        [[with_figures(0.6 + d, 0.3 + d) for d in REPEATS], [with_figures(0.02 + d, 0.1 + d) for d in REPEATS]]
    )
    deviation, peak = found(job, "deviation"), found(job, "weighted_peak")
    assert (deviation.outcome, peak.outcome) == ("better", "better")
    assert deviation.change_percent == pytest.approx(-0.58)
    assert peak.change_percent == pytest.approx(-0.2)
    assert 0.01 < peak.uncertainty_percent < 0.04
    assert found(job, "weighted_rms").outcome == "not-shown"
    turned = found(
        job_of([[r.measurement for r in reversed(job.readings[3:])], [r.measurement for r in job.readings[:3]]]),
        "weighted_peak",
    )
    assert turned.outcome == "worse"


def other_figures(weighted_rms: float, unweighted_peak: float, weighted_peak: float = 0.3) -> Measurement:
    fluctuation = {
        "weighted_peak_percent": weighted_peak,
        "weighted_rms_percent": weighted_rms,
        "weighted_rms_uncertainty_percent": 0.001,
        "unweighted_peak_percent": unweighted_peak,
        "unweighted_peak_uncertainty_percent": 0.001,
    }
    return measurement(fluctuation=fluctuation, components=())


@pytest.mark.parametrize(
    ("before", "after", "answer", "named"),
    [
        ((0.3, 0.6), (0.1, 0.6), "Yes.", ["Weighted rms: better by 0.20"]),
        ((0.3, 0.6), (0.3, 0.3), "Yes.", ["Unweighted peak: better by 0.30"]),
        ((0.1, 0.6), (0.3, 0.6), "No: it is worse.", ["Weighted rms: worse by 0.20"]),
        ((0.1, 0.6, 0.9), (0.1, 0.3, 0.3), "Yes.", ["Weighted peak: better by 0.60"]),
        (
            (0.1, 0.6, 0.9),
            (0.3, 0.6, 0.3),
            "In part: some figures are better and some are worse.",
            ["Weighted peak: better by 0.60", "Weighted rms: worse by 0.20"],
        ),
    ],
)
def test_the_answer_names_the_figure_that_it_rests_on(
    before: tuple[float, ...], after: tuple[float, ...], answer: str, named: list[str]
) -> None:
    states = [
        [other_figures(kind[0] + d, kind[1] + d, *(value + d for value in kind[2:])) for d in REPEATS]
        for kind in (before, after)
    ]
    first, *rest = answer_sentences(compare(job_of(states)), real_only=True)
    assert first == answer
    assert [sentence.split(" ± ")[0].rstrip("0") for sentence in rest] == [name.rstrip("0") for name in named]
    whole = answer_sentences(compare(job_of(states)))
    assert [sentence.split(":")[0] for sentence in whole[1:3]] == ["Speed", "Weighted peak"]
    assert set(rest) <= set(whole)


@pytest.mark.parametrize("seed", range(6))
def test_a_person_who_checks_a_change_with_a_pencil_finds_the_same(seed: int) -> None:
    """The decimals as printed are subtracted; what is shown lies within a tenth of the half-width of what was found."""
    rng = np.random.default_rng(seed)
    means = rng.uniform((-1, 0.02, 0.05), (1, 0.4, 0.9), size=(2, 3))
    states = [[with_figures(*(mean + d * rng.uniform(0.1, 3))) for d in REPEATS] for mean in means]
    comparison = compare(job_of(states))
    text = comparison_text(comparison).plain
    checked = re.findall(r"  +\(?([+-]?[\d.]+)\)?  +\(?([+-]?[\d.]+)\)?  +([+-]?[\d.]+) ±([\d.]+)", text)
    (speed,) = comparison.speeds
    assert len(checked) == len(speed.changes)
    for change, cells in zip(speed.changes, checked, strict=True):
        before, after, shown, width = map(Decimal, cells)
        assert shown == (abs(after) - abs(before) if change.quantity == "deviation" else after - before)
        assert abs(float(shown) - change.change_percent) <= float(width) / 10
    assert f"by {abs(Decimal(checked[0][2]))} ± {checked[0][3]} percentage points" in " ".join(text.split())


def test_the_history_says_what_the_owner_said() -> None:
    job = job_of([[with_figures()], [with_figures()]])
    said = dataclasses.replace(job.entries[0], kind="reported", text="long notes waver")
    shown = job_text(dataclasses.replace(job, entries=(said, *job.entries))).plain
    assert "owner reported: long notes waver" in " ".join(shown.split("HISTORY")[1].split())


def test_what_alone_is_a_mere_limit_stands_in_brackets_in_a_comparison() -> None:
    """0.03 with a half-width of 0.044 is told from nothing by no reading; the change needs it none the less."""
    before, after = (
        measurement(fluctuation={"weighted_peak_percent": peak, "weighted_peak_uncertainty_percent": 0.044})
        for peak in (0.3, 0.03)
    )
    job = job_of([[before], [after]])
    peak = found(job, "weighted_peak")
    assert (peak.before_uncertainty_percent, peak.after_uncertainty_percent) == pytest.approx((0.044, 0.044))
    shown = comparison_text(compare(job)).plain
    assert re.search(r"weighted peak +0\.300 +\(0\.030\) +-0\.270 ±", shown)
    assert "In brackets: by itself not told from nothing" in " ".join(shown.split())
    assert "In brackets" not in comparison_text(compare(job_of([[before], [before]]))).plain


def test_the_other_side_of_nominal_is_no_better() -> None:
    job = job_of([[with_figures(0.3 + d) for d in REPEATS], [with_figures(-0.3 + d) for d in REPEATS]])
    deviation = found(job, "deviation")
    assert (deviation.before_percent, deviation.after_percent) == pytest.approx((0.3, -0.3))
    assert deviation.change_percent == pytest.approx(0, abs=1e-12)
    assert deviation.outcome == "not-shown"


def test_one_reading_of_each_proves_nothing_and_says_so() -> None:
    comparison = compare(job_of([[with_figures(weighted_peak=0.3)], [with_figures(weighted_peak=0.1)]]))
    (speed,) = comparison.speeds
    assert not speed.spread_known
    outcomes = {change.quantity: change.outcome for change in speed.changes}
    assert outcomes["weighted_peak"] == "unproven"
    assert outcomes["deviation"] == "not-shown"
    assert all(change.showable_percent is None for change in speed.changes)


def test_repeatability_is_borrowed_from_another_state() -> None:
    states = [
        [with_figures(weighted_peak=0.3 + d) for d in REPEATS],
        [with_figures()],
        [with_figures(weighted_peak=0.02)],
    ]
    (speed,) = compare(job_of(states), before=1, after=2).speeds
    assert (speed.spread_known, speed.spread_borrowed) == (True, True)
    peak = next(change for change in speed.changes if change.quantity == "weighted_peak")
    assert peak.outcome == "likely-better"
    assert peak.showable_percent is None, "the state before stays read once"
    before = found(job_of(states[:2]), "weighted_peak")
    assert before.showable_percent is not None


@pytest.mark.parametrize(
    ("fell", "answer", "outcome"),
    [(0.2, "Likely yes, ", "likely-better"), (-0.2, "Likely not: it is worse, ", "likely-worse")],
)
def test_by_a_borrowed_spread_a_change_is_likely_and_by_its_own_real(fell: float, answer: str, outcome: str) -> None:
    """A state that was read once may be far more restless than the one that lends it its spread."""
    often = [with_figures(weighted_peak=0.4 + d) for d in REPEATS]
    later = [with_figures(weighted_peak=0.4 - fell + d) for d in REPEATS]
    for states in ([often, later[:1]], [often[:1], later]):
        comparison = compare(job_of(states))
        text = comparison_text(comparison).plain
        assert found(job_of(states), "weighted_peak").outcome == outcome
        first, *rest = answer_sentences(comparison, real_only=True)
        assert first == f"{answer}if a state that was read once repeats itself as well as those read more often."
        assert [sentence.split(" by ")[0] for sentence in rest] == [f"Weighted peak: {outcome.replace('-', ' ')}"]
        assert outcome.replace("-", " ") in text.split("RPM")[1].split("weighted rms")[0]
        assert not re.search(r"\breal: |: real\b", text)
        assert "Take three readings of each state, restarting between" in " ".join(text.split())
    assert found(job_of([often, later]), "weighted_peak").outcome == outcome.removeprefix("likely-")


def test_lines_alone_that_changed_by_a_borrowed_spread_are_likely() -> None:
    often, once = [with_figures(wobble=0.6 + d) for d in REPEATS], [with_figures(wobble=0.2)]
    first, *_ = answer_sentences(compare(job_of([often, once])))
    assert first == "Not as a whole, as far as this could show; single wobbles likely changed."


def test_more_readings_would_show_less() -> None:
    job = job_of([[with_figures(0.5 + 10 * d) for d in REPEATS], [with_figures(0.5 - 10 * d) for d in REPEATS]])
    deviation = found(job, "deviation")
    assert deviation.outcome == "not-shown"
    assert deviation.showable_percent is not None
    assert deviation.showable_percent > 0.01
    (speed,) = compare(job).speeds
    least = weigh(
        group_of([0.5 + 10 * d for d in REPEATS], [0.005] * 3),
        group_of([0.5 - 10 * d for d in REPEATS], [0.005] * 3),
        questions=len(speed.changes),
    )
    assert deviation.showable_percent == pytest.approx(least.showable)


def test_a_line_that_went_away_and_one_that_came() -> None:
    quiet = with_figures(wobble=0.0)
    flat = dataclasses.replace(quiet, series=dataclasses.replace(quiet.series, deviation_percent=noise(3)))
    states = [[with_figures(wobble=0.6 + d) for d in REPEATS], [flat] * 3]
    line = found(job_of(states), "line")
    assert line.line is not None
    assert line.line.per_revolution == pytest.approx(1.0)
    assert line.went_away
    assert not line.appeared
    assert line.after_percent < 0.005
    back = found(job_of(states[::-1]), "line")
    assert back.appeared
    assert not back.went_away


def test_a_line_keeps_its_place_by_turns_or_by_seconds() -> None:
    """The platter now turns 1 % slower: once a turn moved in frequency, a mains-locked part moved in turns."""
    locked, mains = component(5 / 9, 0.6), component(4.0, 0.3)
    slower = component(0.99 * 5 / 9, 0.6, per_revolution=1.0), component(4.0, 0.3, per_revolution=4.0 * 1.8 / 0.99)
    states = [[measurement(components=(locked, mains))], [measurement(components=slower)]]
    (speed,) = compare(job_of(states)).speeds
    lines = [change for change in speed.changes if change.quantity == "line"]
    assert len(lines) == 2
    assert [line.before_percent for line in lines] == [line.after_percent for line in lines] == [0.6, 0.3]


def test_what_stands_between_and_under_which_conditions() -> None:
    conditions = [Conditions(5, "bare", "up"), Conditions(), Conditions(20, "mat", "up")]
    comparison = compare(job_of([[with_figures()], [], [with_figures()]], conditions))
    assert (comparison.before_number, comparison.after_number) == (0, 2)
    assert comparison.repairs == ("repair 1", "repair 2")
    assert comparison.condition_differences == (("running_min", "5", "20"), ("platter", "bare", "mat"))


def test_the_comparison_as_json() -> None:
    plain = json.loads(json.dumps(compare(job_of([[with_figures()], [with_figures()]])).to_dict(), allow_nan=False))
    assert plain["schema"] == "strobe.comparison/1"
    assert {"quantity", "outcome", "p_adjusted", "went_away"} <= set(plain["speeds"][0]["changes"][0])


@pytest.mark.parametrize(
    ("states", "options", "message"),
    [
        ([[]], {}, "two states with readings are needed"),
        ([[0.1]], {}, "two states with readings are needed"),
        ([[0.1], [0.1]], {"after": 5}, "no state 5; this job has 0 .* to 1"),
        ([[0.1], []], {"after": 1}, "state 1 has no reading yet"),
        ([[0.1], [0.1]], {"before": 1}, "two states with readings are needed"),
        ([[0.1], [0.1]], {"before": 0, "after": 0}, "two states with readings are needed"),
    ],
)
def test_states_that_cannot_be_compared(states: list[list[float]], options: dict[str, int], message: str) -> None:
    job = job_of([[with_figures(value) for value in state] for state in states])
    with pytest.raises(UsageError, match=message):
        compare(job, **options)


def test_a_speed_written_in_two_ways_is_one_speed() -> None:
    """33 1/3 as found; as left by its decimals, which differ from it by a millionth."""
    as_found, as_left = with_figures(weighted_peak=0.3), with_figures(weighted_peak=0.05)
    written = dataclasses.replace(as_left, setup=dataclasses.replace(as_left.setup, nominal_rpm=33.3333))
    job = job_of([[as_found, as_found], [written, written]])
    assert as_found.setup.nominal_rpm == 100 / 3
    assert [speed.nominal_rpm for speed in compare(job).speeds] == [100 / 3]
    (standing,) = standings_of_job(job, parse_limits(["weighted-peak=0.2"]))
    assert (standing.verdict.result, standing.left_percent) == ("pass", pytest.approx(0.05))


ONCE = "but one reading does not tell how the machine repeats itself. Take three, restarting between."
AS_OTHERS = "if this state, read once, repeats itself as others did. Take three, restarting between."


@pytest.mark.parametrize(
    ("peak", "as_read", "own"),
    [
        (0.05, "inside", "Inside the limits; what is left"),
        (0.6, "outside", "Outside the limits: weighted 2-sigma peak."),
        (0.205, "", "Undecided: the uncertainty reaches over a limit."),
    ],
)
def test_a_state_is_inside_or_outside_the_limits_by_its_own_readings_only(peak: float, as_read: str, own: str) -> None:
    """A machine that stands just on a limit would be called inside, or outside, by one reading far too often."""
    limits = parse_limits(["weighted-peak=0.2"])
    often = [with_figures(weighted_peak=0.3 + d) for d in REPEATS]
    later = [with_figures(weighted_peak=peak + d) for d in REPEATS]
    for states, spread, sentence in (
        ([later[:1]], "unknown", f"Undecided: {as_read} the limits as read, {ONCE}"),
        ([often[:2], later[:1]], "unknown", f"Undecided: {as_read} the limits as read, {ONCE}"),
        ([often, later[:1]], "borrowed", f"Undecided: likely {as_read} the limits, {AS_OTHERS}"),
        ([often[:1], later], "own", own),
    ):
        (standing,) = standings_of_job(job_of(states), limits)
        verdict = standing.verdict
        assert verdict.spread == spread
        wanted = {"inside": "pass", "outside": "fail"}.get(as_read, "undecided")
        assert (verdict.as_read, verdict.checks[0].result) == (wanted, wanted)
        assert verdict.result == (wanted if spread == "own" else "undecided")
        said = standing_sentence(standing)
        assert said.startswith(sentence if as_read else own)
        section = handover_of(job_of(states), limits=limits).sections[1]
        assert f"{said[0].lower()}{said[1:]}" in section.paragraphs[0]
        words = {"own": as_read, "borrowed": f"likely {as_read}", "unknown": f"{as_read} as read"}[spread]
        assert section.tables[0].rows[0][3] == (words if as_read else "undecided")


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("speeds_rpm", [(100 / 3,), (100 / 3, 45.0)])
def test_what_a_further_repair_could_show_is_what_the_comparison_shows(
    count: int, speeds_rpm: tuple[float, ...]
) -> None:
    """Less of the weighted peak by a hundredth more than that, and by a hundredth less, and nothing else changed."""

    def state(peak: float) -> list[Measurement]:
        return [
            dataclasses.replace(one, setup=dataclasses.replace(one.setup, nominal_rpm=rpm))
            for one in (with_figures(weighted_peak=peak + d) for d in REPEATS[:count])
            for rpm in speeds_rpm
        ]

    (standing, *_) = standings_of_job(job_of([state(5.0)]), parse_limits(["weighted-peak=6"]))
    least = standing.showable_percent
    assert least is not None
    for share, outcome in ((1.01, "better"), (0.99, "not-shown")):
        (speed, *_) = compare(job_of([state(5.0), state(5.0 - share * least)])).speeds
        assert [each.outcome for each in speed.changes if each.quantity == "weighted_peak"] == [outcome]


def test_by_a_state_that_was_read_once_nothing_could_be_shown() -> None:
    states = [[with_figures(weighted_peak=0.1 + d) for d in REPEATS], [with_figures(weighted_peak=0.01)]]
    (standing,) = standings_of_job(job_of(states), parse_limits(["weighted-peak=0.2"]))
    assert standing.showable_percent is None
    assert not standing.beyond_showing


def test_states_read_at_different_speeds_only() -> None:
    fast = measurement(setup={"nominal_rpm": 45.0})
    with pytest.raises(UsageError, match="share no speed"):
        compare(job_of([[measurement()], [fast]]))
    both = job_of([[measurement()], [fast], [measurement(), fast]])
    assert compare(both).before_number == 1
    assert [speed.nominal_rpm for speed in compare(both).speeds] == [45.0]


def noise(seed: int) -> Array:
    """A series as long as that of `measurement` with white noise of 0.01 %."""
    return 0.01 * np.random.default_rng(seed).standard_normal(1200)


def evaluated(
    frame_rate_hz: float, *, seed: int = 4, fast: float = 0.1, middle: tuple[float, float] = (3.9, 0.1)
) -> Measurement:
    """What the figures layer finds on a platter with a wobble at 0.5556, 3.9 and 20 Hz, at that frame rate.

    `middle` is the second of them, in hertz and percent.

    The angle is the exact integral of the speed; its noise has the same spectral density at every rate.
    """
    turn_hz, noise_rev = 5 / 9, 1e-6 * math.sqrt(frame_rate_hz / 30)
    time = np.arange(0, 20, 1 / frame_rate_hz)
    angle = turn_hz * time
    for rate_hz, percent in ((5 / 9, 0.3), middle, (20.0, fast)):
        angle = angle - turn_hz * percent / 100 / (2 * np.pi * rate_hz) * np.cos(2 * np.pi * rate_hz * time)
    angle = angle + noise_rev * np.random.default_rng(seed).standard_normal(time.size)
    figures = evaluate(time, angle, nominal_rpm=100 / 3, angle_noise_rev=noise_rev, frame_interval_s=1 / frame_rate_hz)
    plain = measurement()
    return dataclasses.replace(
        plain, fluctuation=figures.fluctuation, components=figures.components, series=figures.series
    )


def test_figures_in_a_band_that_both_have() -> None:
    """The 60 Hz reading, cut down to the band of a 30 Hz one, reads what that would without the fast wobble.

    The truth: sinusoids of 0.3 and 0.1 % have an rms of 0.2236 %, and the one at 20 Hz, outside the band, nothing.
    """
    wide = evaluated(60.0)
    assert wide.fluctuation.unweighted_rms_percent == pytest.approx(math.sqrt((0.09 + 0.01 + 0.01) / 2), rel=0.01)
    narrow = fluctuation_up_to(wide, 14.25)
    slow = evaluated(30.0, fast=0.0).fluctuation
    assert narrow.band_hz == (0.2, 14.25)
    assert narrow.unweighted_rms_percent == pytest.approx(math.sqrt((0.09 + 0.01) / 2), rel=0.01)
    for name in ("weighted_peak", "weighted_rms", "unweighted_peak", "unweighted_rms"):
        ours, theirs = getattr(narrow, f"{name}_percent"), getattr(slow, f"{name}_percent")
        width = getattr(narrow, f"{name}_uncertainty_percent")
        assert abs(ours - theirs) < max(width, 0.01 * theirs), name
        assert 0 < width < 0.2 * ours


def test_the_same_band_is_left_as_it_is() -> None:
    whole = measurement()
    assert fluctuation_up_to(whole, 14.98) is whole.fluctuation
    with pytest.raises(ValueError, match="not inside the reading's own"):
        fluctuation_up_to(whole, 20.0)


def test_a_reading_too_short_for_the_others_band_is_named() -> None:
    """1.5 s hold 9 samples of a camera that meets the dots 6.3 times a second; figures take 16."""
    whole = evaluated(30.0)
    kept = whole.series.time_s < 1.5
    short = dataclasses.replace(
        whole,
        series=SpeedSeries(*(getattr(whole.series, field.name)[kept] for field in dataclasses.fields(SpeedSeries))),
    )
    with pytest.raises(UsageError, match=r"lasts 1\.5 s, too little for its fluctuation up to 3\.0 Hz"):
        fluctuation_up_to(short, 3.0)


@pytest.mark.parametrize("peak", [0.0, 0.02, 0.1])
def test_the_amplitude_of_a_line_that_is_not_listed(peak: float) -> None:
    """Twenty series of noise with a sinusoid: the truth lies inside the half-width nearly always, and it is small."""
    inside = 0
    for seed in range(20):
        whole = measurement(components=())
        series = whole.series
        wave = peak * np.cos(2 * np.pi * 5.0 * series.time_s + seed) + noise(seed) + 0.3
        reading = dataclasses.replace(whole, series=dataclasses.replace(series, deviation_percent=wave))
        amplitude = line_amplitude(reading, per_revolution=9.0, frequency_hz=5.0)
        assert amplitude is not None
        value, width = amplitude
        inside += abs(value - peak) <= width
        assert width < 0.003
    assert inside >= 17


@pytest.mark.parametrize("share", [0.995, 1.005, 1.01, 1.015])
@pytest.mark.parametrize(("left", "outcome"), [(0.1, "not-shown"), (0.05, "better")])
def test_a_line_that_moved_a_little_is_told_by_its_size_alone(share: float, left: float, outcome: str) -> None:
    """A new belt brings the same wobble 0.5 to 1.5 % elsewhere: as large as it was, or half of that."""
    before = [evaluated(30.0, fast=0.0, seed=seed, middle=(4.2, 0.1 + d)) for seed, d in enumerate(REPEATS)]
    after = [evaluated(30.0, fast=0.0, seed=9 + seed, middle=(4.2 * share, left + d)) for seed, d in enumerate(REPEATS)]
    (speed,) = compare(job_of([before, after])).speeds
    (line,) = (each for each in speed.changes if each.line is not None and each.line.frequency_hz > 1)
    assert line.listed_before
    assert line.listed_after
    assert (line.before_percent, line.after_percent) == pytest.approx((0.1, left), abs=0.003)
    assert line.outcome == outcome


def test_the_nearest_of_two_listed_lines_is_the_one() -> None:
    """Both are within 2 % of where it stood; the larger one is farther off."""
    near, far = component(frequency_hz=4.19, peak_percent=0.03), component(frequency_hz=4.25, peak_percent=0.2)
    near, far = (dataclasses.replace(each, per_revolution=each.frequency_hz * 1.8) for each in (near, far))
    for listed in ((near, far), (far, near)):
        assert listed_at(listed, per_revolution=4.2 * 1.8, frequency_hz=4.2) is near
    assert listed_at((far,), per_revolution=4.2 * 1.8, frequency_hz=4.2) is far
    assert listed_at((far,), per_revolution=4.1 * 1.8, frequency_hz=4.1) is None


def test_a_line_above_the_band_has_no_amplitude() -> None:
    assert line_amplitude(measurement(), per_revolution=40.0, frequency_hz=22.0) is None


def test_states_stand_beside_each_other_in_one_band() -> None:
    job = job_of([[evaluated(60.0)], [evaluated(30.0, fast=0.0)]])
    beside = state_figures(job, job.states[0], 100 / 3)
    alone = state_figures(job, job.states[0], 100 / 3, common_band=False)
    assert beside is not None
    assert alone is not None
    assert (beside.band_hz[1], alone.band_hz[1]) == pytest.approx((14.25, 28.5))
    assert beside.figures["unweighted-rms"][0] == pytest.approx(math.sqrt(0.05), rel=0.01)
    assert alone.figures["unweighted-rms"][0] == pytest.approx(math.sqrt(0.055), rel=0.01)
    (speed,) = compare(job).speeds
    assert speed.bands_differ
    assert speed.band_hz[1] == pytest.approx(14.25)
    assert all(change.outcome == "not-shown" for change in speed.changes if change.line is None)


def test_two_readings_of_a_state_are_as_unsure_as_two_are() -> None:
    """Student's factor with one degree of freedom is 12.7 (table of t, 97.5 %)."""
    job = job_of([[with_figures(0.49), with_figures(0.51)]])
    found = state_figures(job, job.states[0], 100 / 3)
    assert found is not None
    assert found.spread == "own"
    assert found.figures["speed"][1] == pytest.approx(math.hypot(0.005, 12.706 * 0.01), rel=1e-4)


def test_figures_of_a_state() -> None:
    job = job_of([[with_figures(0.5 + d, 0.3 + d) for d in REPEATS], [with_figures(0.1)], []])
    first, second = (state_figures(job, job.states[number], 100 / 3) for number in (0, 1))
    assert first is not None
    assert second is not None
    assert (first.readings, second.readings) == (3, 1)
    value, width = first.figures["weighted-peak"]
    assert value == pytest.approx(0.3)
    spread = np.std(REPEATS, ddof=1)
    student = scipy.stats.t.isf(0.025, 2) * spread / math.sqrt(3)
    assert width == pytest.approx(math.hypot(0.01, student), rel=1e-3)
    assert second.spread == "borrowed"
    assert second.figures["weighted-peak"][1] > width, "one reading borrows the spread and has all of it"
    assert state_figures(job, job.states[2], 100 / 3) is None
    alone = job_of([[with_figures()]])
    found = state_figures(alone, alone.states[0], 100 / 3)
    assert found is not None
    assert found.spread == "unknown"


@pytest.mark.slow
def test_the_sample_story_is_told_as_it_was_made(tmp_path: Path) -> None:
    """The sample clips themselves, against the truth of their scenes: the changes lie inside what is claimed."""
    from strobe.render import sample_scenes

    with open_log(tmp_path / "log.sqlite3") as log:
        replay_story(log, Path(__file__).parent.parent / "sample_clips", name="demo")
        job = log.job("demo")
    scenes = sample_scenes()
    idler = {name: scenes[name].speed.wobbles[2].peak_percent for name in scenes if name[:2] in ("01", "02", "03")}
    speed = {name: scenes[name].speed.deviation_percent for name in idler}
    means = [
        [np.mean([each[name] for name in each if name.startswith(start)]) for start in ("01", "02", "03")]
        for each in (speed, idler)
    ]
    for first, second in ((0, 1), (0, 2), (1, 2)):
        (whole,) = compare(job, before=first, after=second).speeds
        strongest = next(c for c in whole.changes if c.line is not None and abs(c.line.frequency_hz - 3.47) < 0.05)
        deviation = next(c for c in whole.changes if c.quantity == "deviation")
        for change, true in ((deviation, means[0]), (strongest, means[1])):
            assert abs(change.change_percent - (true[second] - true[first])) < change.uncertainty_percent
        # State 1 was read once.
        better = "likely-better" if 1 in (first, second) else "better"
        assert strongest.outcome == better
        assert deviation.outcome == (better if second == 2 else "not-shown")
        peak = next(c for c in whole.changes if c.quantity == "weighted_peak")
        assert peak.outcome == better
