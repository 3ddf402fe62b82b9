"""The live readout on a terminal: one figure as large as fits, what to do in words, and how it went of late.

Everything is said in words or figures; colour only repeats it. Rows are cut to the width they are given.
"""

from __future__ import annotations

import math
import textwrap
from collections import deque
from types import TracebackType
from typing import Protocol, Self, TextIO

from rich.console import Console
from rich.live import Live
from rich.text import Text

from strobe.live.records import LiveUpdate
from strobe.report.blocks import LETTER_ROWS, block_text
from strobe.report.words import peak_words, rounded, rpm_words

__all__ = ["Chart", "LiveScreen", "LiveTrace", "chart_lines", "creep_words", "figure_words", "live_page"]

_TRACE_S = 20.0
"""Length of the trace: eleven turns at 33 1/3 rpm, enough to see which way a trim goes; our own choice."""
_LABEL = 9
_OFTEN = 600.0
"""Dots a minute, ten a second, from which the creep is said by the second: nobody counts them then; our own choice."""
_TRACE_ROWS, _CHART_ROWS = 3, 6
_HELD_S = 0.35
"""How long one update is drawn on; they come more often, as long as there are any."""
_STATE_WORDS = {
    "searching": "SEARCHING",
    "settling": "SETTLING",
    "steady": "STEADY",
    "lost": "OUT OF SIGHT",
}
_STYLES = {"searching": "yellow", "settling": "yellow", "steady": "green", "lost": "red"}
_END = "q ends the run and prints what was read"


class Chart(Protocol):
    """What is drawn under the figure."""

    def lines(self, *, width: int, rows: int, band_percent: float, plain: bool = False) -> list[str]:
        """`rows` lines of at most `width` columns; `plain` draws with signs that every terminal has."""


class LiveTrace:
    """The deviations of the last 20 s."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float | None]] = deque()

    def add(self, update: LiveUpdate) -> None:
        """Note one more update."""
        if self._seen and update.time_s < self._seen[-1][0]:
            self._seen.clear()
        self._seen.append((update.time_s, update.deviation_percent))
        while self._seen[0][0] < update.time_s - _TRACE_S:
            self._seen.popleft()

    def lines(self, *, width: int, rows: int, band_percent: float, plain: bool = False) -> list[str]:
        """The trace, newest at the right; fast is up, and dots mark the speed that is right."""
        columns = width - _LABEL
        now = self._seen[-1][0] if self._seen else 0.0
        cells: list[float | None] = [None] * columns
        for time_s, value in self._seen:
            first = min(int((time_s - now + _TRACE_S) / _TRACE_S * columns), columns - 1)
            for column in range(first, min(columns, first + 1 + int(_HELD_S / _TRACE_S * columns))):
                cells[column] = value
        reach = max(2 * band_percent, *(abs(value) for value in cells if value is not None), 0.0)
        return chart_lines(cells, rows=rows, reach=(-reach, reach), ends=(f"{_TRACE_S:.0f} s ago", "now"), plain=plain)


def chart_lines(
    cells: list[float | None],
    *,
    rows: int,
    reach: tuple[float, float],
    ends: tuple[str, str],
    plain: bool = False,
) -> list[str]:
    """Values (percent) by column from `reach[0]` at the bottom to `reach[1]` at the top, labelled at the left.

    `ends` say what stands at the left and at the right, where the lowest line has room for it.
    """
    upper, lower, base = ("'", ".", "-") if plain else ("▀", "▄", "·")
    low, high = reach
    zero = round((high / (high - low)) * (rows - 1)) if low < 0 < high else None
    drawn = [[base if row == zero else " " for _ in cells] for row in range(rows)]
    for column, value in enumerate(cells):
        if value is not None:
            half = round((high - value) / (high - low) * (2 * rows - 1))
            drawn[half // 2][column] = lower if half % 2 else upper
    left, right = ends
    if all(cell == " " for cell in drawn[-1][: len(left) + 2]):
        drawn[-1][: len(left)] = left
    if all(cell == " " for cell in drawn[-1][-len(right) - 2 :]):
        drawn[-1][-len(right) :] = right
    # Two digits of half of what is spanned, as far as they fit, so that no two labels are alike.
    wanted = max(0, 1 - math.floor(math.log10((high - low) / 2)))
    decimals = max(0, min(wanted, _LABEL - len(f"{max(abs(low), abs(high)):+.0f}. % ")))
    marks = {0: f"{high:+.{decimals}f} %", rows - 1: f"{low:+.{decimals}f} %"}
    if zero is not None and 0 < zero < rows - 1:
        marks[zero] = "0 %"
    return [f"{marks.get(row, ''):>{_LABEL - 1}} {''.join(line)}" for row, line in enumerate(drawn)]


def live_page(
    update: LiveUpdate,
    chart: Chart,
    *,
    width: int = 80,
    height: int = 24,
    plain: bool = False,
    task: str = "",
    words: str | None = None,
    chart_counts: bool = False,
) -> Text:
    """The whole page, `height` rows of at most `width` columns.

    Parameters
    ----------
    update : LiveUpdate
        What is known.
    chart : Chart
        What is drawn below.
    width, height : int
        Of the terminal.
    plain : bool
        Whether to draw with signs that every terminal has.
    task : str
        What the person is to do in this step of a guided run; stands above everything else.
    words : str or None
        Said in large letters in the place of the instruction.
    chart_counts : bool
        Whether the figure rather gives way than the chart.
    """
    ink = "#" if plain else "█"
    style = _STYLES[update.state]
    said = (update.instruction if words is None else words).upper()
    rows: list[tuple[str, str]] = [(_title(update, width), style)]
    rows += [(line, "bold") for line in textwrap.wrap(task, width - 2)]
    figure = figure_words(update)
    small = 2 * LETTER_ROWS if height >= 38 else LETTER_ROWS
    least = _CHART_ROWS if chart_counts else _TRACE_ROWS if not task else 0
    room = height - len(rows) - 1 - small - 2 - 2 - least
    big = max(LETTER_ROWS, room // (2 * LETTER_ROWS) * 2 * LETTER_ROWS)
    blocks = block_text(figure, width=width, rows=big, ink=ink) if figure else _reason(update, width, big)
    rows += [(line, "bold") for line in _filled(blocks, big)]
    rows.append((_exact(update) if figure else "no figure now", ""))
    letters = block_text(said, width=width, rows=small, ink=ink)
    if len(letters) == 1 and small > LETTER_ROWS:
        letters = block_text(said, width=width, rows=LETTER_ROWS, ink=ink)
    rows += [(line, style) for line in _filled(letters, small)]
    below = [creep_words(update, width=width, plain=plain), _band(update)]
    foot = [_gathered(update), (figure and update.message) or _END]
    left = height - len(rows) - len(below) - len(foot)
    drawn = (
        chart.lines(width=width, rows=left, band_percent=update.band_percent, plain=plain) if left > 1 else [""] * left
    )
    rows += [(line, "") for line in (*below, *drawn, *foot)]
    page = Text(no_wrap=True, overflow="crop")
    for number, (line, look) in enumerate(rows[:height]):
        page.append(("\n" if number else "") + line[:width], style=look or None)
    return page


class LiveScreen:
    """Shows pages on a terminal, in the alternate screen so that the scroll-back stays whole."""

    def __init__(self, stream: TextIO, *, color: bool) -> None:
        self._console = Console(file=stream, color_system="auto" if color else None, highlight=False)
        encoding = (getattr(stream, "encoding", None) or "utf-8").lower().replace("-", "")
        self._plain = encoding != "utf8"
        self._trace = LiveTrace()
        self._live = Live(console=self._console, screen=True, auto_refresh=False)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, update: LiveUpdate, *, task: str = "", words: str | None = None, chart: Chart | None = None) -> None:
        """Put one update on the screen; the rest as for `live_page`."""
        self._trace.add(update)
        size = self._console.size
        page = live_page(
            update,
            chart or self._trace,
            width=size.width,
            height=size.height,
            plain=self._plain,
            task=task,
            words=words,
            chart_counts=chart is not None,
        )
        self._live.update(page, refresh=True)


def figure_words(update: LiveUpdate) -> str:
    """The deviation in percent as it is shown, with no more decimals than are known; empty where there is none."""
    deviation, uncertainty = update.deviation_percent, update.uncertainty_percent
    if deviation is None or uncertainty is None:
        return ""
    decimals = min(2, max(1, rounded(uncertainty)))
    if abs(deviation) >= 9.995:
        decimals = 1
    shown = f"{deviation:+.{decimals}f}"
    return shown[1:] if float(shown) == 0 else shown


def creep_words(update: LiveUpdate, *, width: int = 80, plain: bool = False) -> str:
    """Which way the dots creep and how fast, with arrows that grow with it; empty where no lamp makes them creep."""
    creep = update.creep_dots_per_minute
    if creep is None:
        return ""
    if abs(creep) < 0.5:
        return "dots stand still"
    left, right = ("<", ">") if plain else ("◀", "▶")
    way = "left, with the turning" if creep > 0 else "right, against the turning"
    often = f"{abs(creep):.0f} a minute" if abs(creep) < _OFTEN else f"{abs(creep) / 60:.0f} a second"
    text = f"dots creep {way}, {often}"
    arrows = min(width - len(text) - 3, 3 + int(abs(creep) / 6))
    arrow = " ".join([left if creep > 0 else right] * max(1, arrows // 2))
    return f"{arrow}  {text}" if creep > 0 else f"{text}  {arrow}"


def _filled(lines: list[str], rows: int) -> list[str]:
    above = (rows - len(lines)) // 2
    return [""] * above + lines + [""] * (rows - len(lines) - above)


def _title(update: LiveUpdate, width: int) -> str:
    what = "no speed recognised yet"
    if update.nominal_rpm is not None:
        what = f"{rpm_words(update.nominal_rpm)} rpm, {update.dots} dots"
    state = _STATE_WORDS[update.state]
    skipped = f"; {update.skipped} frame{'s' * (update.skipped > 1)} left out" if update.skipped else ""
    if len(what + skipped) < width - len(state):
        what += skipped
    return f"{what:<{max(1, width - len(state))}}{state}"


def _exact(update: LiveUpdate) -> str:
    assert update.deviation_percent is not None
    assert update.uncertainty_percent is not None
    way = "fast" if update.deviation_percent > 0 else "slow"
    turns = "turn" if update.turns == 1 else f"{update.turns} turns"
    unsure = f"{update.uncertainty_percent:.{rounded(update.uncertainty_percent)}f}"
    return f"{abs(update.deviation_percent):.3f} % {way} (±{unsure}), mean of the last {turns}"


def _reason(update: LiveUpdate, width: int, rows: int) -> list[str]:
    lines = textwrap.wrap(update.message or "No figure now.", width - 4)
    return [f"  {line}" for line in lines][:rows]


def _band(update: LiveUpdate) -> str:
    text, closest = f"±{update.band_percent:.2g} % counts as right", update.closest_percent
    clock = "the mains" if update.reference == "lamp" else "the camera's clock"
    if closest is None:
        return text
    if closest >= update.band_percent:
        return f"{text}: no closer can be told by {clock}"
    return f"{text}; {clock} tells ±{closest:.1g} % at best"


def _gathered(update: LiveUpdate) -> str:
    if update.deviation_percent is None:
        return "no even turn yet"
    turns = round(update.turns_gathered)
    steady = "steadiness not known yet"
    if update.steadiness_percent is not None and update.steadiness_uncertainty_percent is not None:
        known = peak_words(update.steadiness_percent, update.steadiness_uncertainty_percent, most_decimals=2)
        steady = f"steadiness {known}"
    return f"{turns} even turn{'' if turns == 1 else 's'}; {steady}; picture {update.picture}"
