"""Limits and verdicts in words, and the sentence that says whether to stop."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from strobe.bench.limits import PRESETS, Limit, LimitCheck, LimitSet, Verdict
from strobe.bench.stopping import Standing
from strobe.report.sheet import Sheet, columns
from strobe.report.words import bound_words, figure_words, rounded

__all__ = [
    "QUANTITY_WORDS",
    "RECORD_DECIMALS",
    "allowed_words",
    "check_words",
    "left_words",
    "limits_text",
    "standing_sentence",
    "verdict_lines",
]

RESULT_WORDS = {"pass": "inside", "fail": "OUTSIDE", "undecided": "undecided"}
QUANTITY_WORDS = {
    "speed": "mean speed",
    "weighted-peak": "weighted 2-sigma peak",
    "weighted-rms": "weighted rms",
    "unweighted-peak": "unweighted 2-sigma peak",
    "unweighted-rms": "unweighted rms",
}
OVERALL = {
    "pass": "Inside the limits as read",
    "fail": "OUTSIDE the limits as read",
    "undecided": "Undecided: too uncertain to say whether inside the limits",
}
FROM_MEMORY = "value from memory"
RECORD_DECIMALS = 3
"""What a record adds is 0.063 % at 33 1/3 and some half more at 45: two decimals would leave one digit of it."""
ONE_READING = "One reading; three in a job tell how the machine repeats itself."
TAKE_THREE = "Take three, restarting between."
SETTLING = "More readings of this state, restarting between, or a longer clip on a stand may settle it."


def verdict_lines(standing: Standing | None) -> list[str]:
    """Where one reading stands: the answer, each figure against its limit, whether to go on; nothing without limits."""
    if standing is None:
        return []
    verdict = standing.verdict
    rows = []
    for check in verdict.checks:
        rows.append(
            (
                QUANTITY_WORDS[check.quantity],
                figure_words(
                    check.value_percent, check.uncertainty_percent, sign="+" if check.quantity == "speed" else ""
                ),
                allowed_words(check.low_percent, check.high_percent),
                RESULT_WORDS[check.result],
            )
        )
    lines = [f"{OVERALL[verdict.result]}: {verdict.limits}", *columns(rows)]
    if verdict.result == "pass":
        words = left_words(standing)
        lines.append(f"{words[0].upper()}{words[1:]}.")
    lines.append(SETTLING if verdict.result == "undecided" else ONE_READING)
    remembered = {check.source for check in verdict.checks if check.from_memory}
    lines += [f"{source}: {FROM_MEMORY}." for source in sorted(remembered)]
    if any(check.quantity != "speed" for check in verdict.checks):
        lines.append("Standards judge a played tone; this is the platter alone, in its band.")
    return lines


def check_words(check: LimitCheck, verdict: Verdict) -> str:
    """Where one figure of a state stands, in two or three words: as far as its repeatability lets it be said."""
    words = RESULT_WORDS[check.result].lower()
    if check.result == "undecided" or verdict.spread == "own":
        return words
    return f"likely {words}" if verdict.spread == "borrowed" else f"{words} as read"


def allowed_words(low_percent: float | None, high_percent: float) -> str:
    """A limit as a person writes it."""
    if low_percent is None:
        return f"at most {high_percent:g} %"
    if low_percent == -high_percent:
        return f"±{high_percent:g} %"
    return f"{low_percent:+g} to {high_percent:+g} %"


def standing_sentence(standing: Standing) -> str:
    """The one sentence on whether to go on."""
    verdict = standing.verdict
    if verdict.result == "pass":
        return f"Inside the limits; {left_words(standing)}."
    if verdict.result == "fail":
        return f"Outside the limits{_outside_words(verdict)}."
    if verdict.as_read == "undecided":
        return f"Undecided: the uncertainty reaches over a limit. {SETTLING}"
    where = f"{'inside' if verdict.as_read == 'pass' else 'outside'} the limits"
    if verdict.spread == "borrowed":
        return f"Undecided: likely {where}, if this state, read once, repeats itself as others did. {TAKE_THREE}"
    return f"Undecided: {where} as read, but one reading does not tell how the machine repeats itself. {TAKE_THREE}"


def _outside_words(verdict: Verdict) -> str:
    """Which figures are outside, as far as the checks by themselves say."""
    names = [QUANTITY_WORDS[check.quantity] for check in verdict.checks if check.result == "fail"]
    return f": {', '.join(names)}" if names else ""


def left_words(standing: Standing) -> str:
    """What is left of the fluctuation, against what a record adds and what a repair could still show.

    The sum is that of the figures shown, so that it can be checked.
    """
    decimals = max(rounded(standing.left_uncertainty_percent), RECORD_DECIMALS)
    if standing.left_percent <= standing.left_uncertainty_percent:
        shown = f"weighted, below ±{bound_words(standing.left_percent, standing.left_uncertainty_percent)} %"
    else:
        left, width = (round(each, decimals) for each in (standing.left_percent, standing.left_uncertainty_percent))
        shown = f"±{left + width:.{decimals}f} % at most, {left:.{decimals}f} + {width:.{decimals}f}, weighted"
    adds = f"±{standing.record_percent:.{decimals}f} %"
    record = f"the {adds} that an ordinary record's off-centre hole adds in mid-record"
    if not standing.below_record:
        return f"what is left ({shown}) may be more than {record}, so a further repair may still be worth it"
    words = f"what is left ({shown}) is less than {record}"
    return f"{words}; a further repair, read as often, could not be shown to help" if standing.beyond_showing else words


def limits_text(presets: Sequence[LimitSet] = tuple(PRESETS.values())) -> Text:
    """The presets with their sources, and how to type in a maker's own figure."""
    sheet = Sheet()
    for each in presets:
        sheet.row(each.name, *(_limit_words(limit) for limit in each.limits))
    sheet.row("YOUR OWN", "--limit speed=0.3 --limit weighted-peak=0.1, as the maker states them")
    sheet.row("USUAL", "--limit usual: those kept with strobe config set limits.speed_percent 0.3")
    sheet.row(
        "RULE",
        "Inside only where the whole 95 % interval is inside, outside only where all of it is outside. A single clip "
        "is judged as read; a state of a job takes two readings or more.",
    )
    return sheet.text()


def _limit_words(limit: Limit) -> str:
    remembered = f" ({FROM_MEMORY})" if limit.from_memory else ""
    words = f"{QUANTITY_WORDS[limit.quantity]} {allowed_words(limit.low_percent, limit.high_percent)}"
    return f"{words}: {limit.source}{remembered}"
