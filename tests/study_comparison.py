"""How often a comparison says "real" where nothing changed, and where all fell, over simulated jobs. Prints one table.

``python tests/study_comparison.py --jobs 2000 --seed 1``. Whole jobs, through `strobe.bench.comparison.compare`: the
readings of both states are drawn around the same truth, with an error of reading that all readings of a state share
and a repeatability that differs from reading to reading. Beside it the same jobs judged figure by figure by Welch's
test of scipy.stats, without Holm's rule and without the error of reading, to show what that would give. The last two
columns are the share of jobs in which the weighted peak is called better, and likely better, where every fluctuation
figure fell by 0.1 points.
"""

from __future__ import annotations

import argparse
import dataclasses
from collections.abc import Sequence

import numpy as np
import scipy.stats
from test_bench_comparison import job_of
from test_report import component, measurement

from strobe.bench.comparison import Comparison, compare
from strobe.measurement import Measurement

FIGURES = ("weighted_peak", "weighted_rms", "unweighted_peak", "unweighted_rms")
LINES = ((5 / 9, 0.12), (10 / 9, 0.03), (3.5, 0.28))
WITH_EARLIER = "three of an earlier state"
READING = 0.004
FALL = 0.1
LIKELY = "likely-"
SCENARIOS = {
    "three and three readings": ((3, 3), (0.006, 0.006), 0.3),
    "three and one": ((3, 1), (0.006, 0.006), 0.3),
    "three and one, twice as restless after": ((3, 1), (0.004, 0.008), 0.3),
    "three and one, four times as restless after": ((3, 1), (0.004, 0.016), 0.3),
    "one and three, found four times as restless": ((1, 3), (0.016, 0.004), 0.3),
    "one and five, found twice as restless": ((1, 5), (0.008, 0.004), 0.3),
    "one and three, three of an earlier state": ((1, 3), (0.006, 0.006), 0.3),
    "one and one, three of an earlier state": ((1, 1), (0.006, 0.006), 0.3),
    "two and two": ((2, 2), (0.006, 0.006), 0.3),
    "five and three, restless as found": ((5, 3), (0.020, 0.004), 0.3),
    "three and three, calm as found": ((3, 3), (0.004, 0.020), 0.3),
    "three and three, right at nominal": ((3, 3), (0.006, 0.006), 0.0),
    "three and three, repeats exactly": ((3, 3), (1e-6, 1e-6), 0.3),
    "one and one": ((1, 1), (0.006, 0.006), 0.3),
}


def readings(
    rng: np.random.Generator, count: int, spread: float, deviation: float, *, fell: float = 0.0
) -> list[Measurement]:
    """Readings of one state whose figures, one and all, have the stated error of reading and repeatability."""
    shared = READING * rng.standard_normal(1 + len(FIGURES) + len(LINES))
    made = []
    for _ in range(count):
        own = spread * rng.standard_normal(shared.size) + shared
        fluctuation = {f"{name}_percent": 0.3 - fell + error for name, error in zip(FIGURES, own[1:5], strict=True)}
        fluctuation |= {f"{name}_uncertainty_percent": 1.96 * READING for name in FIGURES}
        whole = measurement(
            speed={"deviation_percent": deviation + own[0], "uncertainty_percent": 1.96 * READING},
            fluctuation=fluctuation,
        )
        parts = tuple(
            component(rate_hz, abs(peak + error), uncertainty_percent=1.96 * READING)
            for (rate_hz, peak), error in zip(LINES, own[5:], strict=True)
        )
        made.append(dataclasses.replace(whole, components=parts))
    return made


def says(comparison: Comparison, kind: str = "") -> bool:
    """Whether any change is called real; or likely, with the `kind` ``likely-``."""
    wanted = (f"{kind}better", f"{kind}worse")
    return any(change.outcome in wanted for speed in comparison.speeds for change in speed.changes)


def finds_the_fall(comparison: Comparison, kind: str = "") -> bool:
    (speed,) = comparison.speeds
    return any(change.quantity == "weighted_peak" and change.outcome == f"{kind}better" for change in speed.changes)


def welch_says_real(states: Sequence[Sequence[Measurement]]) -> bool:
    """At 5 % for each figure by itself."""
    for name in FIGURES:
        before, after = ([getattr(each.fluctuation, f"{name}_percent") for each in state] for state in states)
        if min(len(before), len(after)) > 1 and scipy.stats.ttest_ind(before, after, equal_var=False).pvalue <= 0.05:
            return True
    return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    heads = ("real", "95 % interval", "likely", "Welch, each alone", "fall real", "fall likely")
    print(f"{'nothing changed':<46}" + "".join(f"{head:>{len(head) + 3}}" for head in heads))
    for name, (counts, spreads, deviation) in SCENARIOS.items():
        rng = np.random.default_rng(options.seed)
        wrong = likely = naive = right = nearly = 0
        for _ in range(options.jobs):
            states = [readings(rng, n, spread, deviation) for n, spread in zip(counts, spreads, strict=True)]
            earlier = [readings(rng, 3, spreads[0], 2 * deviation)] if name.endswith(WITH_EARLIER) else []
            unchanged = compare(job_of([*earlier, *states]))
            wrong += says(unchanged)
            likely += says(unchanged, LIKELY)
            naive += welch_says_real(states)
            better = [states[0], readings(rng, counts[1], spreads[1], deviation, fell=FALL)]
            fallen = compare(job_of([*earlier, *better]))
            right += finds_the_fall(fallen)
            nearly += finds_the_fall(fallen, LIKELY)
        low, high = scipy.stats.binomtest(wrong, options.jobs).proportion_ci()
        real, *others = (f"{100 * part / options.jobs:.1f} %" for part in (wrong, likely, naive, right, nearly))
        row = (real, f"{100 * low:.1f} to {100 * high:.1f} %", *others)
        print(f"{name:<46}" + "".join(f"{cell:>{len(head) + 3}}" for cell, head in zip(row, heads, strict=True)))


if __name__ == "__main__":
    main()
