"""Did it help? A comparison in words: the answer, every figure before and after, and what must be borne in mind."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.text import Text

from strobe.bench.comparison import MORE_READINGS, Change, Comparison, SpeedComparison
from strobe.report.sheet import Sheet, columns
from strobe.report.words import MOST_DECIMALS, period_words, printable, rounded, rpm_words

__all__ = [
    "CONDITION_WORDS",
    "answer_sentences",
    "change_name",
    "change_words",
    "comparison_cautions",
    "comparison_text",
    "one_line",
]

NAMES = {
    "deviation": "speed",
    "weighted_peak": "weighted peak",
    "weighted_rms": "weighted rms",
    "unweighted_peak": "unweighted peak",
    "unweighted_rms": "unweighted rms",
}
CONDITION_WORDS = {
    "running_min": "minutes running",
    "platter": "on the platter",
    "stylus": "stylus",
    "pitch": "pitch control",
    "light": "light",
    "camera_side": "camera's side",
}
COUNTED = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}
SHORT = 44
HEADLINES = ("deviation", "weighted_peak")
TOLD = {"better": "better", "worse": "worse", "likely-better": "likely better", "likely-worse": "likely worse"}
AS_WELL = "if a state that was read once repeats itself as well as those read more often"
ANSWERS = {
    "better": "Yes.",
    "worse": "No: it is worse.",
    "better and worse": "In part: some figures are better and some are worse.",
}
LIKELY_ANSWERS = {
    "better": f"Likely yes, {AS_WELL}.",
    "worse": f"Likely not: it is worse, {AS_WELL}.",
    "better and worse": f"Likely in part: some figures are better and some are worse, {AS_WELL}.",
}


def one_line(text: str, *, most: int = SHORT) -> str:
    """Any text harmless on one line: control characters replaced, line ends as blanks, cut with its length said."""
    flat = printable(" ".join(text.split()))
    if len(flat) <= most:
        return flat
    return f"{flat[: most - 1].rstrip()}…"


def change_name(change: Change) -> str:
    """What changed, in two or three words."""
    if change.line is None:
        return NAMES[change.quantity]
    return f"every {period_words(1 / change.line.frequency_hz)}"


def _line_title(change: Change) -> str:
    """The name at the head of a sentence; a line with the part that makes it, where the machine tells."""
    name = change_name(change)
    suspect = change.line.suspect if change.line is not None else None
    return f"{name[0].upper()}{name[1:]}{f' ({one_line(suspect, most=24)})' if suspect else ''}"


def change_words(change: Change) -> str:
    """What became of one figure."""
    decimals = _decimals(change)
    size = f"{abs(_shown_change(change)):.{decimals}f} ± {change.uncertainty_percent:.{decimals}f} percentage points"
    if change.outcome in TOLD:
        words = f"{TOLD[change.outcome]} by {size}"
        if change.outcome.startswith("likely"):
            return words
        words = f"{words}: real"
        if change.went_away:
            return f"{words}; the line went away"
        return f"{words}; the line is new" if change.appeared else words
    ways = ("nearer to nominal", "further from nominal") if change.quantity == "deviation" else ("lower", "higher")
    way = ways[change.change_percent > 0]
    if change.outcome == "unproven":
        return f"{way} by {size} by the error of reading alone; whether it lasts cannot be said"
    more = ""
    if change.showable_percent is not None:
        least = f"{change.showable_percent:.{rounded(change.showable_percent)}f}"
        more = f"; {COUNTED[MORE_READINGS]} more readings would show {least}"
    if abs(change.change_percent) > change.uncertainty_percent:
        return f"{way} by {size}, which among so many figures may be chance{more}"
    return f"no change that this could show{more}"


def answer_sentences(comparison: Comparison, *, real_only: bool = False) -> list[str]:
    """Whether it helped, then the speed, the weighted peak, and every line that changed.

    Other figures are told where the answer rests on them: better or worse, really or likely, and neither speed nor
    weighted peak is. With `real_only` speed and weighted peak are left out too where they did not change so.
    """
    changes = [change for speed in comparison.speeds for change in speed.changes]
    whole = {change.outcome for change in changes if change.line is None}
    if ways := {TOLD[outcome].split()[-1] for outcome in whole if outcome in TOLD}:
        likely = not {"better", "worse"} & whole
        answer = (LIKELY_ANSWERS if likely else ANSWERS)[" and ".join(sorted(ways))]
    elif parts := {change.outcome for change in changes} & TOLD.keys():
        changed = "changed" if {"better", "worse"} & parts else "likely changed"
        answer = f"Not as a whole, as far as this could show; single wobbles {changed}."
    elif "unproven" in whole:
        answer = (
            "The readings differ by more than the error of reading them. Whether the machine would give them again "
            "cannot be said from so few."
        )
    else:
        answer = "No change that these readings could show."
    borne = {change.outcome for change in changes if change.quantity in HEADLINES}
    sentences = [answer]
    for speed in comparison.speeds:
        at = f" at {rpm_words(speed.nominal_rpm)} rpm" if len(comparison.speeds) > 1 else ""
        for change in speed.changes:
            headline = change.quantity in HEADLINES
            told = change.outcome in TOLD
            if (headline and not real_only) or (told and (headline or change.line or change.outcome not in borne)):
                sentences.append(f"{_line_title(change)}{at}: {change_words(change)}.")
    return sentences


def comparison_cautions(comparison: Comparison) -> list[str]:
    """What must be borne in mind with this comparison."""
    cautions = []
    for name, before, after in comparison.condition_differences:
        sides = f"first {one_line(before, most=80)}; then {one_line(after, most=80)}"
        cautions.append(f"Conditions differ, {CONDITION_WORDS[name]}: {sides}. Part of the change may come from that.")
    if len(comparison.repairs) > 1:
        cautions.append(
            f"{len(comparison.repairs)} repairs lie between these readings; which of them did it cannot be said."
        )
    if any(not speed.spread_known for speed in comparison.speeds):
        cautions.append(
            "The states were read too seldom to tell how well the machine repeats itself. Take three readings of a "
            "state, restarting between."
        )
    elif any(speed.spread_borrowed for speed in comparison.speeds):
        cautions.append(
            "A state with a single reading is taken to repeat itself as well as the states that were read more often. "
            "Where it is more restless, chance alone looks likely more often than once in twenty comparisons. Take "
            "three readings of each state, restarting between, to show what is real."
        )
    if any(speed.references_differ for speed in comparison.speeds):
        cautions.append(
            "One state rests on the camera's clock and the other on the lamp; the speeds compare less well."
        )
    return cautions


def comparison_text(comparison: Comparison) -> Text:
    """The whole comparison on lines of at most 80 columns."""
    sheet = Sheet()
    sheet.row("DID IT HELP", *answer_sentences(comparison), strong=True)
    sheet.row(
        "COMPARED",
        _state(comparison.before_number, comparison.before),
        _state(comparison.after_number, comparison.after),
    )
    for speed in comparison.speeds:
        sheet.row(f"{rpm_words(speed.nominal_rpm)} RPM", *_table(speed))
    count = sum(len(speed.changes) for speed in comparison.speeds)
    known = all(speed.spread_known for speed in comparison.speeds)
    sheet.row(
        "RESTS ON",
        f"{count} figures were compared; the chance that any of them is called real wrongly is at most "
        f"{100 * comparison.level:.0f} %. ± is a 95 % interval from "
        f"{'reading and repeatability' if known else 'the error of reading alone'}.",
    )
    sheet.row("BEWARE", *comparison_cautions(comparison))
    return sheet.text()


def _state(number: int, label: str) -> str:
    return f"{number} {one_line(label)}" if number == 0 else f"{number} after: {one_line(label)}"


def _table(speed: SpeedComparison) -> list[str]:
    low, high = speed.band_hz
    count = f"{_readings(speed.readings_before)} before, {_readings(speed.readings_after)} after"
    cut = ", figures computed anew for it" if speed.bands_differ else ""
    rows: list[Sequence[str]] = [("in percent", "before", "after", "change", "")]
    for change in speed.changes:
        decimals = _decimals(change)
        before = change.before_percent, change.before_uncertainty_percent
        after = change.after_percent, change.after_uncertainty_percent
        rows.append(
            (
                change_name(change),
                *(_side(change, *each, decimals=decimals) for each in (before, after)),
                f"{_signed(_shown_change(change), decimals)} ±{change.uncertainty_percent:.{decimals}f}",
                _verdict(change),
            )
        )
    lines = [f"{count}; band {low:.3g}-{high:.3g} Hz{cut}", *columns(rows)]
    if any(change.quantity == "deviation" for change in speed.changes):
        lines.append("The change of the speed is of its distance from nominal.")
    if any("(" in cell for row in rows[1:] for cell in row[1:3]):
        lines.append("In brackets: by itself not told from nothing, and shown for the change alone.")
    return lines


def _side(change: Change, value: float, width: float, *, decimals: int) -> str:
    """A figure of one side; in brackets one that alone would be a mere limit, without which the change has no sum."""
    if change.quantity == "deviation":
        return f"{value:+.{decimals}f}"
    return f"{value:.{decimals}f}" if value > width else f"({value:.{decimals}f})"


def _decimals(change: Change) -> int:
    """For two digits of the half-width: what `_shown_change` is off by rounding is then at most a tenth of that."""
    if change.uncertainty_percent <= 0:
        return MOST_DECIMALS
    return min(max(1 - math.floor(math.log10(change.uncertainty_percent)), 0), MOST_DECIMALS)


def _shown_change(change: Change) -> float:
    """The difference of the figures as they are shown, so that whoever checks it finds the same."""
    before, after = (round(each, _decimals(change)) for each in (change.before_percent, change.after_percent))
    return abs(after) - abs(before) if change.quantity == "deviation" else after - before


def _verdict(change: Change) -> str:
    if change.outcome in ("better", "worse"):
        return f"real: {'went away' if change.went_away else 'new line' if change.appeared else change.outcome}"
    if change.outcome in TOLD:
        return TOLD[change.outcome]
    return "cannot be said" if change.outcome == "unproven" else "may be chance"


def _signed(value: float, decimals: int) -> str:
    """A change with its sign; none where it rounds to nothing."""
    nothing = round(value, decimals) == 0
    return f"{0:.{decimals}f}" if nothing else f"{value:+.{decimals}f}"


def _readings(count: int) -> str:
    return "1 reading" if count == 1 else f"{count} readings"
