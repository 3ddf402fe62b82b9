"""A paper disc of strobe rings: planned, laid out on one sheet or as sectors on several, and written.

The index mark points upwards (90 degrees) on an undivided disc; sectors are numbered anticlockwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from strobe.errors import UsageError
from strobe.printing.drawing import (
    ArcWords,
    Area,
    Floats,
    Mark,
    Sheet,
    Stroke,
    Words,
    column,
    ruler,
    text_width_mm,
    write_sheets,
)
from strobe.printing.paper import MARGIN_MM, Paper, Scale, paper_named
from strobe.printing.rings import (
    SAGITTA_MM,
    STANDARD_MAINS_HZ,
    Ring,
    bar_polygons,
    check_bars,
    lay_rings,
    speeds_of,
    wanted_bars,
)
from strobe.printing.words import CARE, check_lines, stand_words

__all__ = ["SPINDLE_MM", "Disc", "IndexMark", "print_disc"]

SPINDLE_MM = 7.24
"""Diameter of a record's hole: 7.24 +0.09/-0 mm, IEC 60098 (IEC 98:1987 and earlier editions agree)."""
STANDARD_RPMS: tuple[str, ...] = ("33", "45", "78")
INSIDE_MM, AROUND_MM = 50.0, 20.0
"""Diameter of the middle that has no rings, and by how much it is wider than the hole at the least; our own choice."""
LEAST_DIAMETER_MM = 90.0
"""About the smallest disc on which the two rings of one speed find room, for 50 and for 60 Hz."""

EDGE_MM, INDEX_MM, GAP_MM = 1.5, 4.0, 1.2
INDEX_WIDE_MM = 6.0
"""Width of the index block along the circle: about four bars of the usual rings on a disc for one sheet, so that it
looks like none of them; our own choice."""
INDEX_DEG = 90.0
FLAP_MM = 8.0
# How far the joint's line goes on beyond the edge, beside its letter.
TICK_MM = 4.0
RULER_COLUMN_MM = 14.0
RULER_HIGH_MM = 13.0
TEXT_SIZES_MM = (2.8, 2.6, 2.4, 2.2, 2.0, 1.8)
FOOT_MM = 52.0
LABEL_SIZE_MM = 2.3
LABEL_DROP_MM = 2.6
LABEL_WIDEST_DEG = 150.0
LABEL_WIDEST_SHARE = 0.85
"""How far round a label may reach, so that it keeps clear of the one across from it; on a sector, as a share of it."""
FLAP_GREY = 0.62
CAUTION = "turns even when it looks still"
CAUTION_DROP_MM, CAUTION_AT_MM = 5.3, 25.0
"""How far within the rings the words of caution stand, clear of a ring's label, and the radius at which they stand at
the most if the hole leaves room."""
LEAST_CAUTION_MM = 1.5
"""Size of their letters (the small ones are 0.8 mm high) below which they are not read; our own choice."""


@dataclass(frozen=True)
class IndexMark:
    """The one dark block a turn: radii, width along the circle, and direction on the whole disc."""

    inner_mm: float
    outer_mm: float
    wide_mm: float
    direction_deg: float


@dataclass(frozen=True)
class Disc:
    """What was drawn, as it measures on the paper once the printer's scale is corrected.

    Attributes
    ----------
    files : tuple of Path
    paper : Paper
        Its kind and the correction that was drawn in.
    diameter_mm, spindle_mm, inside_mm : float
        Of the disc, its hole, and the middle that is free of rings.
    sectors : int
        Parts, one a sheet: 1, 2 or 4.
    rings : tuple of Ring
        From the outermost inwards.
    index : IndexMark
    """

    files: tuple[Path, ...]
    paper: Paper
    diameter_mm: float
    spindle_mm: float
    inside_mm: float
    sectors: int
    rings: tuple[Ring, ...]
    index: IndexMark


def print_disc(
    to: Path,
    *,
    rpms: Sequence[str | float] | None = None,
    mains_hz: Sequence[float] = STANDARD_MAINS_HZ,
    flash_rate_hz: float | None = None,
    bars: Sequence[int] = (),
    places_mm: dict[int, tuple[float, float]] | None = None,
    diameter_mm: float | None = None,
    inside_mm: float | None = None,
    spindle_mm: float = SPINDLE_MM,
    paper: str = "a4",
    scale: Scale | None = None,
    force: bool = False,
) -> Disc:
    """Draw a disc into a PDF or SVG file, true to size.

    Parameters
    ----------
    to : Path
        Ends in .pdf or .svg; several sheets become one PDF, or numbered SVG files.
    rpms : sequence, optional
        Speeds that get a ring for each mains; 33 1/3, 45 and 78 where neither they nor `bars` are given.
    mains_hz : sequence of float
        Mains of the lamps, which flash twice a cycle.
    flash_rate_hz : float, optional
        Flashes a second of another lamp; takes the place of the mains.
    bars : sequence of int
        Further rings by their counts.
    places_mm : dict, optional
        Inner and outer radius for each count, for all rings or for none.
    diameter_mm : float, optional
        The largest that fits on one sheet where it is not given; larger discs are split into sectors.
    inside_mm : float, optional
        Diameter of the middle that stays free of rings: 50 mm, or 20 mm more than the hole if that is wider. The
        words of caution are printed in it, so that it must have room for them.
    spindle_mm : float
        Diameter of the hole.
    paper : {'a4', 'letter'}
    scale : Scale, optional
        What the rulers of an uncorrected sheet measured.
    force : bool
        Replace files that are there already.

    Returns
    -------
    Disc

    Raises
    ------
    UsageError
        For a wish that cannot be printed, or a file that cannot be written.
    """
    sheet_paper = paper_named(paper, scale or Scale())
    across = _largest_mm(sheet_paper) if diameter_mm is None else diameter_mm
    sectors = _sectors(across, sheet_paper)
    inside_mm = max(INSIDE_MM, spindle_mm + AROUND_MM) if inside_mm is None else inside_mm
    least_mm = max(round(spindle_mm + AROUND_MM, 6), _room_for_caution_mm(sectors))
    for option, value, least in (("--spindle", spindle_mm, 2.0), ("--inside", inside_mm, least_mm)):
        if not least <= value < across:
            raise UsageError(f"{option}: {value:g} mm is not between {least:g} mm and the disc's {across:g} mm")
    if rpms is None:
        rpms = () if bars else STANDARD_RPMS
    if len(set(bars)) < len(bars):
        raise UsageError(f"--ring: a count is named twice in {', '.join(map(str, bars))}; one ring a count is enough")
    wanted = wanted_bars(rpms=rpms, mains_hz=mains_hz, flash_rate_hz=flash_rate_hz)
    for count in bars:
        check_bars(count)
        wanted.setdefault(count, speeds_of(count, mains_hz=mains_hz, flash_rate_hz=flash_rate_hz))
    if not wanted:
        raise UsageError("no ring is left to draw; give a speed with --rpm or a count with --ring")
    edge = across / 2 - EDGE_MM
    index = IndexMark(edge - INDEX_MM, edge, INDEX_WIDE_MM, INDEX_DEG)
    rings = lay_rings(wanted, places_mm or {}, inner_mm=inside_mm / 2, outer_mm=index.inner_mm - GAP_MM)
    disc = Disc((), sheet_paper, across, spindle_mm, inside_mm, sectors, rings, index)
    sheets = [_sheet(disc, number) for number in range(sectors)]
    files = write_sheets(sheets, to, title="Strobe disc", force=force)
    return Disc(files, sheet_paper, across, spindle_mm, inside_mm, sectors, rings, index)


def _largest_mm(paper: Paper) -> float:
    return math.floor(paper.printed_mm(upright=True)[0] - 2 * MARGIN_MM)


def _largest_half_mm(paper: Paper) -> float:
    width, height = paper.printed_mm(upright=False)
    across = width - 2 * MARGIN_MM - RULER_COLUMN_MM - 2 * TICK_MM
    return min(across, 2 * (height - 2 * MARGIN_MM - FOOT_MM - FLAP_MM))


def _largest_quarter_mm(paper: Paper) -> float:
    return 2 * (paper.printed_mm(upright=True)[0] - 2 * MARGIN_MM - RULER_COLUMN_MM - FLAP_MM - TICK_MM)


def _sectors(diameter_mm: float, paper: Paper) -> int:
    most = math.floor(_largest_quarter_mm(paper))
    if not LEAST_DIAMETER_MM <= diameter_mm <= most:
        raise UsageError(
            f"--diameter: {diameter_mm:g} mm is not between {LEAST_DIAMETER_MM:g} mm and {most} mm, the largest disc "
            f"in four sheets of {paper.title}"
        )
    if diameter_mm <= _largest_mm(paper):
        return 1
    return 2 if diameter_mm <= _largest_half_mm(paper) else 4


@dataclass(frozen=True)
class _Place:
    """Where a sector lies on its sheet: its centre, and how far it is turned from its place on the disc."""

    centre: Floats
    turn_deg: float
    start_deg: float
    sweep_deg: float

    def along(self, direction_deg: float, radius_mm: float, aside_mm: float = 0.0) -> Floats:
        """Point on a ray of the sheet, moved anticlockwise off it by `aside_mm`."""
        angle = math.radians(direction_deg)
        ahead = np.array([math.cos(angle), math.sin(angle)])
        return self.centre + radius_mm * ahead + aside_mm * np.array([-ahead[1], ahead[0]])


def _sheet(disc: Disc, number: int) -> Sheet:
    upright = disc.sectors != 2
    width, height = disc.paper.printed_mm(upright=upright)
    radius = disc.diameter_mm / 2
    left, bottom = MARGIN_MM, MARGIN_MM
    sweep = 360.0 / disc.sectors
    first = INDEX_DEG - sweep / 2
    start = first + number * sweep
    if disc.sectors == 1:
        place = _Place(np.array([width / 2, height - MARGIN_MM - radius]), 0.0, 0.0, 360.0)
        foot_top = height - 2 * MARGIN_MM - 2 * radius + bottom - 2.0
    else:
        # The first edge lies to the right, the flap along the other edge.
        halves = disc.sectors == 2
        middle = width - MARGIN_MM - TICK_MM - radius if halves else left + RULER_COLUMN_MM + FLAP_MM
        low = height - MARGIN_MM - radius - (0.0 if halves else TICK_MM)
        place = _Place(np.array([middle, low]), -start, 0.0, sweep)
        foot_top = low - (FLAP_MM if halves else 0.0) - 4.0
    marks = _pattern(disc, place)
    if disc.sectors > 1:
        marks += _joints(disc, place, number)
    side_x: Literal["X", "Y"] = "X" if upright else "Y"
    side_y: Literal["X", "Y"] = "Y" if upright else "X"
    marks += ruler(left + 6.5, bottom + 6.0, along="y", side=side_y)
    text_left = left + RULER_COLUMN_MM + 4.0
    marks += ruler(text_left, bottom + 4.0, along="x", side=side_x)
    marks += _foot(disc, number, text_left, min(foot_top, 96.0), width - MARGIN_MM)
    return Sheet(disc.paper, upright, tuple(marks))


def _pattern(disc: Disc, place: _Place) -> list[Mark]:
    radius, hole = disc.diameter_mm / 2, disc.spindle_mm / 2
    index_deg = disc.index.direction_deg + place.turn_deg
    whole = place.sweep_deg >= 360.0
    marks: list[Mark] = []
    for ring in disc.rings:
        polygons = bar_polygons(
            ring.bars,
            ring.inner_mm,
            ring.outer_mm,
            first_deg=index_deg,
            start_deg=place.start_deg,
            sweep_deg=place.sweep_deg,
        )
        marks.append(Area(f"ring-{ring.bars}", [polygon + place.centre for polygon in polygons]))
        marks += _ring_labels(disc, ring, place)
    if whole or 0.0 < (index_deg - place.start_deg) % 360.0 < place.sweep_deg:
        half = disc.index.wide_mm / 2 / disc.index.outer_mm
        angle = np.radians(index_deg) + np.linspace(half, -half, 9)
        rim = np.column_stack([np.cos(angle), np.sin(angle)])
        block = np.vstack([disc.index.outer_mm * rim, disc.index.inner_mm * rim[::-1]])
        marks.append(Area("index", [block + place.centre]))
    for name, at in (("edge", radius), ("spindle", hole)):
        marks.append(Stroke(name, [_arc(place, at)], 0.15))
    at = min(disc.inside_mm / 2 - CAUTION_DROP_MM, max(CAUTION_AT_MM, hole + 6.0))
    cross = [
        np.stack([place.along(direction, 0.0), place.along(direction, min(hole + 5.0, at - 1.0))])
        for direction in (0.0, 90.0, 180.0, 270.0)
        if whole or direction - place.start_deg <= place.sweep_deg + 1e-9
    ]
    marks.append(Stroke("centre-cross", cross, 0.12))
    middle = place.start_deg + place.sweep_deg / 2 if not whole else INDEX_DEG
    for direction, text in ((middle, CAUTION), (middle + 180.0, "centre it on the spindle")):
        if whole or direction == middle:
            marks.append(_bent_to_fit("caution", text, place, at, direction))
    return marks


def _ring_labels(disc: Disc, ring: Ring, place: _Place) -> list[Mark]:
    parts = [stand_words(stand) for stand in ring.stands]
    text = f"{ring.bars} bars, still at {' or '.join(parts)}"
    whole = place.sweep_deg >= 360.0
    middle = INDEX_DEG if whole else place.start_deg + place.sweep_deg / 2
    directions = (middle, middle + 180.0) if whole or disc.sectors == 1 else (middle,)
    return [
        _bent_to_fit(f"label-{ring.bars}", text, place, ring.inner_mm - LABEL_DROP_MM, direction)
        for direction in directions
    ]


def _room_for_caution_mm(sectors: int) -> float:
    """Diameter of the middle from which the words of caution can be read; to a tenth, rounded up."""
    radius = text_width_mm(CAUTION, LEAST_CAUTION_MM) / _widest_rad(360.0 / sectors) + CAUTION_DROP_MM
    return math.ceil(20.0 * radius) / 10.0


def _widest_rad(sweep_deg: float) -> float:
    return math.radians(min(LABEL_WIDEST_DEG, LABEL_WIDEST_SHARE * sweep_deg))


def _bent_to_fit(name: str, text: str, place: _Place, radius_mm: float, direction_deg: float) -> ArcWords:
    """Text along a circle, in smaller letters where it would reach too far round."""
    room = _widest_rad(place.sweep_deg) * radius_mm
    size = LABEL_SIZE_MM * min(1.0, room / text_width_mm(text, LABEL_SIZE_MM))
    across, up = place.centre.tolist()
    return ArcWords(name, text, (across, up), radius_mm, direction_deg, size, 0.15)


def _arc(place: _Place, radius_mm: float) -> Floats:
    step = 2.0 * math.acos(1.0 - SAGITTA_MM / radius_mm)
    count = math.ceil(math.radians(place.sweep_deg) / step) + 1
    angle = np.radians(place.start_deg + place.sweep_deg * np.linspace(0.0, 1.0, count))
    return place.centre + radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])


def _joints(disc: Disc, place: _Place, number: int) -> list[Mark]:
    """The cut edge, the glue flap with the pattern going on in grey, and what lines the two up."""
    radius, hole = disc.diameter_mm / 2, disc.spindle_mm / 2
    end = place.start_deg + place.sweep_deg
    near = hole + 8.0
    far = math.sqrt(radius**2 - FLAP_MM**2) - 1.0
    flap = np.stack(
        [
            place.along(end, near),
            place.along(end, near + 5.0, FLAP_MM),
            place.along(end, far, FLAP_MM),
            place.along(end, radius),
        ]
    )
    marks: list[Mark] = []
    for ring in disc.rings:
        beyond = bar_polygons(
            ring.bars,
            ring.inner_mm,
            ring.outer_mm,
            first_deg=disc.index.direction_deg + place.turn_deg,
            start_deg=end,
            sweep_deg=math.degrees(math.atan2(FLAP_MM, ring.inner_mm)) + 1.0,
        )
        moved = [polygon + place.centre for polygon in beyond]
        marks.append(Area(f"flap-{ring.bars}", moved, FLAP_GREY, flap))
    marks.append(Stroke("flap-edge", [flap], 0.15))
    marks.append(
        Stroke("joint-line", [np.stack([place.along(end, hole), place.along(end, radius + TICK_MM)])], 0.15, 0.0, True)
    )
    marks.append(Stroke("cut-line", [np.stack([place.along(0.0, hole), place.along(0.0, radius + TICK_MM)])], 0.15))
    circle = np.linspace(0.0, 2.0 * math.pi, 49)
    round_mm = 1.6 * np.column_stack([np.cos(circle), np.sin(circle)])
    own, other = _letter(number), _letter((number - 1) % disc.sectors)
    marks += [
        Stroke("joining-mark", [round_mm + place.along(end, at)], 0.2, 0.0, False, None)
        for at in (disc.inside_mm / 2 - 2.2, radius - EDGE_MM - INDEX_MM / 2)
    ]
    half = np.linspace(0.0, math.pi, 25)
    half_mm = 1.6 * np.column_stack([np.cos(half), np.sin(half)])
    marks += [
        Stroke("joining-mark", [half_mm + place.along(0.0, at)], 0.2)
        for at in (disc.inside_mm / 2 - 2.2, radius - EDGE_MM - INDEX_MM / 2)
    ]
    for letter, direction, aside in ((own, end, -1.5), (other, 0.0, 1.5)):
        x, y = place.along(direction, radius + 2.2, aside * 1.6).tolist()
        marks.append(Words(letter, x, y - 1.0, 3.0, bold=True, align="center"))
    return marks


def _letter(number: int) -> str:
    return chr(ord("A") + number)


def _foot(disc: Disc, number: int, left: float, top: float, right: float) -> list[Mark]:
    """Title, table of the rings and advice, in the largest letters that leave the rulers free."""
    title = f"Strobe disc, {disc.diameter_mm:g} mm across"
    if disc.sectors > 1:
        title += f": sheet {number + 1} of {disc.sectors}"
    heads = [Words(title, left, top - 3.6, 3.8, bold=True)]
    gap = 6.0
    wide = (right - left - gap) / 2
    for size in TEXT_SIZES_MM:
        marks: list[Mark] = list(heads)
        low = top - 5.0
        for count, text, bold in _table(disc):
            cell, _ = column([(count, bold)], left, low, wide, size_mm=size)
            words, low = column([(text, bold)], left + 4.5 * size, low, wide - 4.5 * size, size_mm=size)
            marks += [*cell, *words]
        advice, end = column(_advice(disc, number), left + wide + gap, top - 5.0, wide, size_mm=size)
        marks += advice
        if min(low, end) > MARGIN_MM + RULER_HIGH_MM:
            break
    return marks


def _table(disc: Disc) -> list[tuple[str, str, bool]]:
    rows = [(f"{ring.bars}", " or ".join(map(stand_words, ring.stands)), False) for ring in disc.rings]
    return [("bars", "still at", True), *rows]


def _advice(disc: Disc, number: int) -> list[tuple[str, bool]]:
    lines = check_lines(disc.paper)
    if disc.sectors > 1:
        own, before = number, (number - 1) % disc.sectors
        after = (number + 1) % disc.sectors
        lines += [
            (
                f"Cut along solid lines and keep the flap {_letter(own)}. Lay the straight edge of sheet {after + 1} "
                f"on the dashed line {_letter(own)}, black bars over grey ones, half circles closed, and glue.",
                False,
            ),
            (f"This sheet's straight edge goes on flap {_letter(before)} of sheet {before + 1}.", False),
        ]
    else:
        lines.append(("Cut out along the outer circle; cut the small circle for the spindle.", False))
    lines.append(
        ("The dark block at the edge passes once a turn. 0.5 mm off centre looks like a once-a-turn sway.", False)
    )
    return [*lines, (CARE, True)]
