"""A paper strip of bars to put round a rim: planned to close exactly, cut into rows, and written.

Places on the strip are in millimetres from its joint, growing to the right as seen from outside the platter. The joint
and all cuts lie in the middle of a light gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from strobe.errors import UsageError
from strobe.printing.drawing import Area, Floats, Mark, Sheet, Stroke, Words, column, ruler, write_sheets
from strobe.printing.paper import MARGIN_MM, Paper, Scale, paper_named
from strobe.printing.rings import LEAST_BAR_MM, STANDARD_MAINS_HZ, Stand, check_bars, speeds_of, wanted_bars
from strobe.printing.words import CARE, check_lines, stand_words

__all__ = ["Strip", "StripIndex", "StripRow", "print_strip", "strip_bars"]

LEAST_CIRCUMFERENCE_MM, MOST_CIRCUMFERENCE_MM = 400.0, 1100.0
"""Rims of record players, from a small platter of 130 mm to one of 350 mm across (common practice)."""
LEAST_HEIGHT_MM, MOST_HEIGHT_MM = 5.0, 40.0
"""Height with the track of the index mark, from one that still shows as a row to the highest rims; our own choice."""

FLAP_MM = 10.0
INDEX_SHARE, LEAST_INDEX_MM, MOST_INDEX_MM = 0.2, 1.2, 3.0
"""Height of the index mark's track as a share of the strip's, and its bounds; our own choice."""
INDEX_WIDE_MM, INDEX_GAP_MM = 5.0, 0.4
"""Width of the index mark along the strip, about a bar and a gap of 180 on a rim of 300 mm, and the white between it
and the bars; our own choice."""
RULER_COLUMN_MM = 16.0
ROW_GAP_MM = 7.0
HEAD_MM, FOOT_MM = 46.0, 15.0
TEXT_MM = 2.5
FLAP_GREY = 0.62

NEVER = (
    "Never on a rim that a belt or an idler wheel runs on: the strip makes the rim larger, changes the speed and comes "
    "off. Only where nothing touches."
)


@dataclass(frozen=True)
class StripIndex:
    """The one dark block a turn: its middle, its width along the strip, and its height at the lower edge."""

    place_mm: float
    wide_mm: float
    height_mm: float


@dataclass(frozen=True)
class StripRow:
    """A piece of the strip: the sheet it is on (from 1), where it starts, its bars, and its length without flap."""

    sheet: int
    start_mm: float
    first_bar: int
    bars: int
    length_mm: float


@dataclass(frozen=True)
class Strip:
    """What was drawn, as it measures on the paper once the printer's scale is corrected.

    Attributes
    ----------
    files : tuple of Path
    paper : Paper
        Its kind and the correction that was drawn in.
    circumference_mm, height_mm : float
        Length from joint to joint, and height with the track of the index mark.
    bars : int
    pitch_mm : float
        Circumference by bars; a bar is half as wide.
    stands : tuple of Stand
        Speeds at which the bars stand still.
    index : StripIndex
    rows : tuple of StripRow
    """

    files: tuple[Path, ...]
    paper: Paper
    circumference_mm: float
    height_mm: float
    bars: int
    pitch_mm: float
    stands: tuple[Stand, ...]
    index: StripIndex
    rows: tuple[StripRow, ...]


def print_strip(
    to: Path,
    *,
    circumference_mm: float,
    bars: int | None = None,
    rpm: str | float = "33",
    mains_hz: float | None = None,
    flash_rate_hz: float | None = None,
    height_mm: float = 10.0,
    paper: str = "a4",
    scale: Scale | None = None,
    force: bool = False,
) -> Strip:
    """Draw a strip into a PDF or SVG file, true to size.

    Parameters
    ----------
    to : Path
        Ends in .pdf or .svg; several sheets become one PDF, or numbered SVG files.
    circumference_mm : float
        What a strip of the same paper measures that was wrapped round the rim and marked where it meets itself.
    bars : int, optional
        Bars on the whole strip; else the usual ring for speed and lamp.
    rpm : str or float
    mains_hz : float, optional
        Mains of the lamp, which flashes twice a cycle. With `bars` given and no lamp, the sheet names the speeds for
        both 50 and 60 Hz.
    flash_rate_hz : float, optional
        Flashes a second of another lamp; takes the place of the mains.
    height_mm : float
    paper : {'a4', 'letter'}
    scale : Scale, optional
        What the rulers of an uncorrected sheet measured.
    force : bool
        Replace files that are there already.

    Returns
    -------
    Strip

    Raises
    ------
    UsageError
        For a wish that cannot be printed, or a file that cannot be written.
    """
    _check_circumference(circumference_mm)
    if not LEAST_HEIGHT_MM <= height_mm <= MOST_HEIGHT_MM:
        raise UsageError(f"--height: {height_mm:g} mm is not between {LEAST_HEIGHT_MM:g} and {MOST_HEIGHT_MM:g} mm")
    sheet_paper = paper_named(paper, scale or Scale())
    bars, stands = strip_bars(bars, rpm=rpm, mains_hz=mains_hz, flash_rate_hz=flash_rate_hz)
    pitch = circumference_mm / bars
    if pitch / 2 < LEAST_BAR_MM:
        raise UsageError(
            f"{bars} bars on {circumference_mm:g} mm would be {pitch / 2:.2f} mm wide each; printers hold "
            f"{LEAST_BAR_MM:g} mm: fewer bars"
        )
    rows = _rows(circumference_mm, bars, height_mm, sheet_paper)
    marked = rows[len(rows) // 2]
    index = StripIndex(
        place_mm=(marked.first_bar + marked.bars // 2 + 0.5) * pitch,
        wide_mm=INDEX_WIDE_MM,
        height_mm=min(max(INDEX_SHARE * height_mm, LEAST_INDEX_MM), MOST_INDEX_MM),
    )
    strip = Strip((), sheet_paper, circumference_mm, height_mm, bars, pitch, stands, index, rows)
    sheets = [_sheet(strip, number) for number in range(1, rows[-1].sheet + 1)]
    files = write_sheets(sheets, to, title="Strobe strip", force=force)
    return Strip(files, sheet_paper, circumference_mm, height_mm, bars, pitch, stands, index, rows)


def strip_bars(
    bars: int | None, *, rpm: str | float, mains_hz: float | None, flash_rate_hz: float | None
) -> tuple[int, tuple[Stand, ...]]:
    """Bars of a strip and the speeds at which they stand still, as `print_strip` takes them.

    Raises
    ------
    UsageError
        If neither the bars nor a lamp are given, or the count is no pattern.
    """
    mains = STANDARD_MAINS_HZ if mains_hz is None else (mains_hz,)
    if bars is not None:
        check_bars(bars)
        return bars, speeds_of(bars, mains_hz=mains, flash_rate_hz=flash_rate_hz)
    if mains_hz is None and flash_rate_hz is None:
        raise UsageError("the bars follow from speed and lamp: give --mains 50 or 60, or --lamp, or --bars")
    ((count, stands),) = wanted_bars(rpms=(rpm,), mains_hz=mains, flash_rate_hz=flash_rate_hz).items()
    return count, stands


def _check_circumference(value_mm: float) -> None:
    least, most = LEAST_CIRCUMFERENCE_MM, MOST_CIRCUMFERENCE_MM
    if least <= value_mm <= most:
        return
    hint = ""
    if least <= math.pi * value_mm <= most:
        hint = f"; a platter {value_mm:g} mm across has about {math.pi * value_mm:.0f} mm, but measure it, wrapped"
    elif least <= 10 * value_mm <= most:
        hint = "; is it in centimetres?"
    elif least <= 25.4 * value_mm <= most:
        hint = "; is it in inches?"
    raise UsageError(
        f"--circumference: {value_mm:g} mm is not between {least:g} and {most:g} mm, as a platter's rim is{hint}"
    )


def _rows(circumference_mm: float, bars: int, height_mm: float, paper: Paper) -> tuple[StripRow, ...]:
    """Rows as equal as whole bars allow, filled into as many sheets as they need."""
    width, height = paper.printed_mm(upright=False)
    longest = width - 2 * MARGIN_MM - RULER_COLUMN_MM - FLAP_MM
    pitch = circumference_mm / bars
    count = math.ceil(bars / math.floor(longest / pitch))
    a_sheet = math.floor((height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM) / (height_mm + ROW_GAP_MM))
    edges = [round(bars * place / count) for place in range(count + 1)]
    return tuple(
        StripRow(place // a_sheet + 1, edges[place] * pitch, edges[place], held, held * pitch)
        for place in range(count)
        for held in [edges[place + 1] - edges[place]]
    )


def _sheet(strip: Strip, number: int) -> Sheet:
    width, height = strip.paper.printed_mm(upright=False)
    left = MARGIN_MM + RULER_COLUMN_MM
    marks = ruler(MARGIN_MM + 6.5, MARGIN_MM + 6.0, along="y", side="X")
    marks += ruler(left, MARGIN_MM + 4.0, along="x", side="Y")
    marks += _head(strip, number, left, height - MARGIN_MM, width - MARGIN_MM)
    low = height - MARGIN_MM - HEAD_MM
    for place, row in enumerate(strip.rows):
        if row.sheet == number:
            low -= ROW_GAP_MM + strip.height_mm
            marks += _row(strip, place, left, low)
    return Sheet(strip.paper, False, tuple(marks))


def _row(strip: Strip, place: int, left: float, low: float) -> list[Mark]:
    row, high = strip.rows[place], strip.height_mm
    following = (place + 1) % len(strip.rows)
    right = left + row.length_mm
    foot = low + strip.index.height_mm + INDEX_GAP_MM
    begin = left + (np.arange(row.bars) + 0.25) * strip.pitch_mm
    bars = [_box(x, foot, x + strip.pitch_mm / 2, low + high) for x in begin]
    marks: list[Mark] = [Area(f"bars-{place + 1}", bars)]
    at = left + strip.index.place_mm - row.start_mm
    if left <= at <= right:
        half = strip.index.wide_mm / 2
        marks.append(Area("index", [_box(at - half, low, at + half, low + strip.index.height_mm)]))
    going_on = right + (np.arange(math.ceil(FLAP_MM / strip.pitch_mm)) + 0.25) * strip.pitch_mm
    flap = np.array(
        [[right, low], [right + FLAP_MM, low + 0.8], [right + FLAP_MM, low + high - 0.8], [right, low + high]]
    )
    middle = low + high / 2
    marks += [
        Area(
            f"flap-{place + 1}",
            [_box(x, middle + 1.4, x + strip.pitch_mm / 2, low + high) for x in going_on],
            FLAP_GREY,
            flap,
        ),
        Stroke("flap-edge", [flap], 0.12),
        Stroke("cut-line", [np.array([[right, low], [left, low], [left, low + high], [right, low + high]])], 0.12),
        Stroke("joint-line", [np.array([[right, low - 2.5], [right, low + high + 2.5]])], 0.12, 0.0, True),
        Words(_letter(place), right + FLAP_MM / 2, middle - 2.2, 2.8, bold=True, align="center"),
        Words(_letter((place - 1) % len(strip.rows)), left - 2.4, middle - 1.0, 2.8, bold=True, align="center"),
    ]
    last = row.first_bar + row.bars
    text = (
        f"row {place + 1} of {len(strip.rows)}: bars {row.first_bar + 1} to {last}, {row.length_mm:.2f} mm to the "
        f"dashed line; row {following + 1} starts on that line, over flap {_letter(place)}"
    )
    marks.append(Words(text, left, low + high + 1.3, 2.1, grey=0.2))
    return marks


def _head(strip: Strip, number: int, left: float, top: float, right: float) -> list[Mark]:
    sheets = strip.rows[-1].sheet
    title = f"Strobe strip, {strip.bars} bars on {strip.circumference_mm:g} mm"
    if sheets > 1:
        title += f": sheet {number} of {sheets}"
    still = "still at " + " or ".join(map(stand_words, strip.stands))
    marks: list[Mark] = [Words(title, left, top - 4.0, 3.8, bold=True), Words(still, left, top - 9.2, 2.8)]
    gap = 8.0
    wide = (right - left - gap) / 2
    first = [(NEVER, True), (CARE, True), *check_lines(strip.paper)]
    several = len(strip.rows) > 1
    join = (
        "Cut out the rows with their flaps (not the dashed line). Lay the start of the next row exactly on the dashed "
        "line, letter to letter, and glue on the flap; close the last row the same way round the rim."
        if several
        else "Cut out the strip with its flap (not the dashed line). Close it round the rim: the start lies exactly on "
        "the dashed line, over the flap."
    )
    second = [
        (join, False),
        (
            f"Laid flat it must measure {strip.circumference_mm:g} mm from the start to the last dashed line. One bar "
            f"and gap is {strip.pitch_mm:.3f} mm: 1 mm too long or short is {1 / strip.pitch_mm:.2f} of that at the "
            "joint, a jump once a turn.",
            False,
        ),
        (
            f"Bars upright, the dark block at the lower edge: it passes once a turn, {strip.index.place_mm:.1f} mm "
            "from the joint.",
            False,
        ),
    ]
    for column_left, paragraphs in ((left, first), (left + wide + gap, second)):
        text, _ = column(paragraphs, column_left, top - 12.0, wide, size_mm=TEXT_MM)
        marks += text
    return marks


def _box(left: float, low: float, right: float, high: float) -> Floats:
    return np.array([[left, low], [right, low], [right, high], [left, high]])


def _letter(place: int) -> str:
    return chr(ord("A") + place)
