"""The warm-up watch in words and as a curve."""

from __future__ import annotations

from collections.abc import Sequence

from strobe.live.records import LiveUpdate, WarmReading, WarmUp
from strobe.report.live import chart_lines

__all__ = ["WarmUpCurve", "interval_line", "settled_words", "warm_up_task"]

_LABEL = 9
_COLUMNS_A_READING = 4
_MARGIN = 0.15
"""What is left free above and below the curve, as a share of what it spans."""


class WarmUpCurve:
    """Draws the readings one beside the other, the newest at the right, as high as the page allows."""

    def __init__(self, readings: Sequence[WarmReading], interval_s: float) -> None:
        self._readings, self._interval_s = readings, interval_s

    def lines(self, *, width: int, rows: int, band_percent: float, plain: bool = False) -> list[str]:
        """The curve; its height spans what the readings span."""
        if not self._readings:
            return [""] * rows
        columns = width - _LABEL
        shown = self._readings[-columns:]
        each = min(_COLUMNS_A_READING, columns // len(shown))
        values = [one.deviation_percent for one in shown]
        middle = (max(values) + min(values)) / 2
        half = max((max(values) - min(values)) * (0.5 + _MARGIN), band_percent / 5)
        cells: list[float | None] = [None] * (columns - each * len(shown))
        cells += [value for value in values for _ in range(each)]
        first_s, last_s = shown[0].time_s, shown[-1].time_s
        ends = (f"{_duration(last_s - first_s)} earlier" if each * len(shown) >= columns else "", "now")
        return chart_lines(cells, rows=rows, reach=(middle - half, middle + half), ends=ends, plain=plain)


def interval_line(reading: WarmReading, result: WarmUp) -> str:
    """One reading as a line."""
    change = ""
    if result.change_percent is not None:
        change = f"   changed by {result.change_percent:.3f} % in the last {_duration(result.within_s)}"
    passed_s = reading.time_s - result.readings[0].time_s + result.interval_s
    return f"{_duration(passed_s):>7}  {reading.deviation_percent:+.3f} %{change}"


def settled_words(result: WarmUp) -> str:
    """How it ended."""
    within = _duration(result.within_s)
    if result.settled_after_s is not None and result.change_percent is not None:
        after = _duration(result.settled_after_s)
        return f"settled after {after}: under {result.limit_percent:g} % in {within} ({result.change_percent:.3f} %)"
    if result.change_percent is None:
        return f"not settled: watched for less than {within} in a row"
    return f"not settled: {result.change_percent:.3f} % in the last {within}, {result.limit_percent:g} % is the limit"


def warm_up_task(update: LiveUpdate, result: WarmUp) -> str:
    """What the page of the watch says above the figure."""
    text = f"Warm-up: a reading every {_duration(result.interval_s)}, until those of {_duration(result.within_s)} "
    text += f"differ by less than {result.limit_percent:g} %. "
    if result.change_percent is None:
        missing = round(result.within_s / result.interval_s) + 1 - len(result.readings)
        text += f"{max(1, missing)} more before it can be told."
    else:
        text += f"Now by {result.change_percent:.3f} %."
    if update.reference == "lamp":
        text += " By the mains, whose own wander counts in."
    return text


def _duration(seconds: float) -> str:
    return f"{seconds / 60:.1f}".removesuffix(".0") + " min" if seconds >= 59.5 else f"{seconds:.0f} s"
