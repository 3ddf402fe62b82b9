"""The live readout on a terminal: one figure as large as fits, what to do in words, and how it went of late.

Everything is said in words or figures; colour only repeats it. Rows are cut to the width they are given.
"""

from __future__ import annotations

from collections import deque
from types import TracebackType
from typing import Self, TextIO

from rich.console import Console
from rich.live import Live
from rich.text import Text

from strobe.live.records import LiveUpdate
from strobe.report.words import rounded, rpm_words

__all__ = ["LiveScreen", "LiveTrace", "block_text", "live_page"]

_GLYPHS = {
    "0": "###/# #/# #/# #/###",
    "1": " # /## / # / # /###",
    "2": "###/  #/###/#  /###",
    "3": "###/  #/ ##/  #/###",
    "4": "# #/# #/###/  #/  #",
    "5": "###/#  /###/  #/###",
    "6": "###/#  /###/# #/###",
    "7": "###/  #/ # / # / # ",
    "8": "###/# #/###/# #/###",
    "9": "###/# #/###/  #/###",
    "+": "   / # /###/ # /   ",
    "-": "   /   /###/   /   ",
    ".": " / / / /#",
    "%": "# #/  #/ # /#  /# #",
    " ": "  /  /  /  /  ",
    "A": "###/# #/###/# #/# #",
    "C": "###/#  /#  /#  /###",
    "E": "###/#  /## /#  /###",
    "F": "###/#  /## /#  /#  ",
    "H": "# #/# #/###/# #/# #",
    "I": "#/#/#/#/#",
    "L": "#  /#  /#  /#  /###",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "O": "###/# #/# #/# #/###",
    "P": "###/# #/###/#  /#  ",
    "R": "###/# #/## /# #/# #",
    "S": "###/#  /###/  #/###",
    "T": "###/ # / # / # / # ",
    "U": "# #/# #/# #/# #/###",
    "W": "#   #/#   #/# # #/## ##/#   #",
}
_ROWS = 5
_TRACE_S = 20.0
_LABEL = 8
_HELD_S = 0.35
"""How long one update is drawn on; they come more often, as long as there are any."""
_STATE_WORDS = {
    "searching": "SEARCHING",
    "settling": "SETTLING",
    "steady": "STEADY",
    "lost": "OUT OF SIGHT",
}
_STYLES = {"searching": "yellow", "settling": "yellow", "steady": "green", "lost": "red"}


def block_text(text: str, *, width: int, rows: int, ink: str = "█") -> list[str]:
    """`text` in block letters, as large as fits in `width` columns and `rows` rows; itself where none fit."""
    glyphs = [_GLYPHS[char].split("/") for char in text]
    own = sum(len(glyph[0]) for glyph in glyphs) + max(0, len(glyphs) - 1)
    across, down = width // max(1, own), rows // _ROWS
    if across < 1 or down < 1:
        return [text[:width]]
    across = min(across, 2 * down)
    lines = []
    for row in range(_ROWS):
        line = (" " * across).join(
            "".join(ink * across if dot == "#" else " " * across for dot in glyph[row]) for glyph in glyphs
        )
        lines += [line] * down
    return lines


class LiveTrace:
    """The deviations of the last 20 s."""

    def __init__(self) -> None:
        self._seen: deque[tuple[float, float | None]] = deque()

    def add(self, update: LiveUpdate) -> None:
        """Note one more update."""
        self._seen.append((update.time_s, update.deviation_percent))
        while self._seen[0][0] < update.time_s - _TRACE_S:
            self._seen.popleft()

    def lines(self, *, width: int, rows: int, band_percent: float, plain: bool = False) -> list[str]:
        """The trace, newest at the right; fast is up, and dots mark the course that is right."""
        upper, lower, base = ("'", ".", "-") if plain else ("▀", "▄", "·")
        columns = width - _LABEL
        now = self._seen[-1][0] if self._seen else 0.0
        cells: list[float | None] = [None] * columns
        for time_s, value in self._seen:
            first = int((time_s - now + _TRACE_S) / _TRACE_S * columns)
            for column in range(first, min(columns, first + 1 + int(_HELD_S / _TRACE_S * columns))):
                cells[column] = value
        reach = max(2 * band_percent, *(abs(value) for value in cells if value is not None), 0.0)
        drawn = [[base if row == rows // 2 else " " for _ in cells] for row in range(rows)]
        for column, value in enumerate(cells):
            if value is not None:
                half = round((1 - value / reach) / 2 * (2 * rows - 1))
                drawn[half // 2][column] = lower if half % 2 else upper
        marks = {0: f"{reach:+.2g} %", rows - 1: f"{-reach:+.2g} %"}
        if rows > 2:
            marks[rows // 2] = "right"
        return [f"{marks.get(row, ''):>{_LABEL - 1}} {''.join(line)}" for row, line in enumerate(drawn)]


def live_page(update: LiveUpdate, trace: LiveTrace, *, width: int = 80, height: int = 24, plain: bool = False) -> Text:
    """The whole page, `height` rows of at most `width` columns.

    `plain` draws with signs that every terminal has.
    """
    ink = "#" if plain else "█"
    style = _STYLES[update.state]
    big = max(_ROWS, (height - 14) // (2 * _ROWS) * 2 * _ROWS)
    small = 2 * _ROWS if height >= 38 else _ROWS
    rows: list[tuple[str, str]] = [(_title(update, width), style)]
    figure, unit = _figure(update)
    blocks = block_text(figure, width=width, rows=big, ink=ink) if figure else _says(update, width, big)
    rows += [(line, "bold") for line in _filled(blocks, big)]
    rows.append((unit, ""))
    words = block_text(update.instruction.upper(), width=width, rows=small, ink=ink)
    if len(words) == 1 and small > _ROWS:
        words = block_text(update.instruction.upper(), width=width, rows=_ROWS, ink=ink)
    rows += [(line, style) for line in _filled(words, small)]
    below = [
        (_creep(update, width, plain=plain), ""),
        (_band(update), ""),
    ]
    foot = [(_gathered(update), ""), (update.message or "q ends the run and prints the reading", "")]
    left = height - len(rows) - len(below) - len(foot)
    drawn = trace.lines(width=width, rows=max(1, left), band_percent=update.band_percent, plain=plain)
    rows += below + [(line, "") for line in drawn] + foot
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

    def show(self, update: LiveUpdate) -> None:
        """Put one update on the screen."""
        self._trace.add(update)
        size = self._console.size
        page = live_page(update, self._trace, width=size.width, height=size.height, plain=self._plain)
        self._live.update(page, refresh=True)


def _filled(lines: list[str], rows: int) -> list[str]:
    above = (rows - len(lines)) // 2
    return [""] * above + lines + [""] * (rows - len(lines) - above)


def _title(update: LiveUpdate, width: int) -> str:
    what = "no speed recognised yet"
    if update.nominal_rpm is not None:
        what = f"{rpm_words(update.nominal_rpm)} rpm, {update.dots} dots"
    state = _STATE_WORDS[update.state]
    return f"{what:<{max(1, width - len(state))}}{state}"


def _figure(update: LiveUpdate) -> tuple[str, str]:
    deviation, uncertainty = update.deviation_percent, update.uncertainty_percent
    if deviation is None or uncertainty is None:
        return "", "no figure now"
    decimals = min(2, max(1, rounded(uncertainty)))
    if abs(deviation) >= 9.995:
        decimals = 1
    shown = f"{deviation:+.{decimals}f}"
    if float(shown) == 0:
        shown = shown[1:]
    way = "percent fast" if deviation > 0 else "percent slow"
    exact = f"{abs(deviation):.3f} (±{uncertainty:.2g}) {way}, mean of the last {_turns(update.turns)}"
    return shown, exact


def _says(update: LiveUpdate, width: int, rows: int) -> list[str]:
    lines: list[str] = []
    line = ""
    for word in (update.message or "No figure now.").split():
        if len(line) + 1 + len(word) > width - 4:
            lines, line = [*lines, line], word
        else:
            line = f"{line} {word}".strip()
    return [f"  {one}" for one in [*lines, line]][:rows]


def _turns(count: int) -> str:
    return "turn" if count == 1 else f"{count} turns"


def _creep(update: LiveUpdate, width: int, *, plain: bool) -> str:
    creep = update.creep_dots_per_minute
    if creep is None:
        return ""
    if abs(creep) < 0.5:
        return "dots stand still"
    left, right = ("<", ">") if plain else ("◀", "▶")
    way = "left, with the turning" if creep > 0 else "right, against the turning"
    text = f"dots creep {way}, {abs(creep):.0f} a minute"
    arrows = min(width - len(text) - 3, 3 + int(abs(creep) / 6))
    arrow = " ".join([left if creep > 0 else right] * max(1, arrows // 2))
    return f"{arrow}  {text}" if creep > 0 else f"{text}  {arrow}"


def _band(update: LiveUpdate) -> str:
    text = f"right: within ±{update.band_percent:.2g} %"
    if update.closest_percent is None:
        return text
    if update.reference == "camera":
        return f"{text}; by the camera's clock, told to ±{update.closest_percent:.1g} %"
    return f"{text}; by the mains, which tells no closer than ±{update.closest_percent:.1g} %"


def _gathered(update: LiveUpdate) -> str:
    steady = "steadiness: not yet"
    if update.steadiness_percent is not None:
        steady = f"steadiness ±{update.steadiness_percent:.2f} % weighted"
    skipped = f"; {update.skipped} left out" if update.skipped else ""
    return f"{steady}; {update.turns_gathered:.0f} turns even; picture {update.picture}{skipped}"
