"""Printed discs and strips: the pages are rasterised and measured, the SVG is parsed and measured.

Lengths are measured on the page and multiplied by the scale that was drawn in, which is what they measure on paper.
"""

from __future__ import annotations

import io
import math
import re
import shutil
import subprocess
import xml.etree.ElementTree
from pathlib import Path
from typing import Any

import cv2
import matplotlib
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from messages import check_lines, flat
from numpy.typing import NDArray
from scipy import ndimage

from strobe.cli import ExitStatus, run
from strobe.errors import UsageError
from strobe.printing import Disc, Scale, Strip, parse_ring, parse_scale, print_disc, print_strip, rpm_name
from strobe.printing.drawing import ArcWords, Stroke
from strobe.printing.rings import bar_polygons

Floats = NDArray[np.float64]

DPI = 300
PX_PER_MM = DPI / 25.4
# Radii and rulers: what a person reads off a steel ruler. Measured on the raster they are some 0.01 mm off.
LENGTH_TOLERANCE_MM = 0.1
STRIP_TOLERANCE = 0.0005
# A ring of bars as wide as the gaps has every even harmonic at nothing; what is left comes from the pixels.
OTHER_HARMONICS = 0.04
SVG = "{http://www.w3.org/2000/svg}"


def darkness(pdf: Path, page: int, dpi: int = DPI) -> Floats:
    """A page of a PDF as a picture, 0 for white and 1 for black, drawn by a program that did not make it."""
    if shutil.which("pdftoppm"):
        command = ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", str(pdf)]
        done = subprocess.run(command, check=True, capture_output=True, timeout=120)
        grey = cv2.imdecode(np.frombuffer(done.stdout, np.uint8), cv2.IMREAD_GRAYSCALE)
    else:
        import pypdfium2

        document = pypdfium2.PdfDocument(str(pdf))
        grey = document[page - 1].render(scale=dpi / 72, grayscale=True).to_numpy().squeeze()
        document.close()
    assert grey is not None
    return 1.0 - np.asarray(grey, float) / 255.0


def pages(pdf: Path) -> int:
    import pypdfium2

    document = pypdfium2.PdfDocument(str(pdf))
    try:
        return len(document)
    finally:
        document.close()


class Page:
    """A raster page, looked up in millimetres from its lower left corner, as printed."""

    def __init__(self, pdf: Path, drawn: Disc | Strip, *, page: int = 1, upright: bool = True) -> None:
        self.dark = darkness(pdf, page)
        self.width_mm, self.height_mm = drawn.paper.printed_mm(upright=upright)
        across, up = drawn.paper.page_mm(upright=upright)
        assert self.dark.shape == pytest.approx((up * PX_PER_MM, across * PX_PER_MM), abs=1.5)
        # One program draws to scale from the upper left corner, the other fills whole pixels with the page.
        high, wide = (up * PX_PER_MM, across * PX_PER_MM) if shutil.which("pdftoppm") else self.dark.shape
        self.px_per_mm = wide / self.width_mm, high / self.height_mm
        self.bottom_px = high

    def at(self, x_mm: Any, y_mm: Any) -> Floats:
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        places = [self.bottom_px - y * self.px_per_mm[1] - 0.5, x * self.px_per_mm[0] - 0.5]
        return np.asarray(ndimage.map_coordinates(self.dark, places, order=1))

    def circle(
        self, centre: tuple[float, float], radius_mm: Any, start_deg: float = 0.0, sweep_deg: float = 360.0
    ) -> Any:
        """Darkness at 8192 places on a circle, or on each circle of a column of radii."""
        angle = np.radians(start_deg + sweep_deg * (np.arange(8192) + 0.5) / 8192)
        return self.at(centre[0] + radius_mm * np.cos(angle), centre[1] + radius_mm * np.sin(angle))


def thin_lines(profile: Floats, step_mm: float) -> list[float]:
    """Places of the dark lines along a profile, to a fraction of a step, from its start."""
    found, begin = [], None
    for place, dark in enumerate([*(profile > 0.15), False]):
        if dark and begin is None:
            begin = place
        if not dark and begin is not None:
            weight = profile[begin:place]
            found.append(float(np.sum(weight * np.arange(begin, place)) / weight.sum()) * step_mm)
            begin = None
    return found


def ruler_lengths_mm(
    page: Page, corner: tuple[float, float], upright_corner: tuple[float, float]
) -> tuple[float, float]:
    """Distance of the first and the last tick of the level and the upright ruler that start at the corners.

    Taken 4.3 mm above the base line, where only the ticks at 0 and 100 mm reach.
    """
    reach = np.arange(-2.0, 102.0, 0.02)
    level = thin_lines(page.at(corner[0] + reach, np.full_like(reach, corner[1] + 4.3)), 0.02)
    upright = thin_lines(page.at(np.full_like(reach, upright_corner[0] - 4.3), upright_corner[1] + reach), 0.02)
    assert len(level) == len(upright) == 2, (level, upright)
    return level[1] - level[0], upright[1] - upright[0]


def check_ring(samples: Floats, bars: int) -> None:
    """A whole circle of samples holds `bars` bars, the first one in the middle of the samples' start, and no other."""
    strength = np.fft.rfft(samples) / samples.size
    wave = strength[bars]
    # A square wave between 0 and 1 has the amplitude 1/pi in its first line.
    assert abs(wave) == pytest.approx(1 / math.pi, rel=0.03)
    others = np.abs(strength[1 : 2 * bars])
    others[bars - 1] = 0
    assert others.max() < OTHER_HARMONICS * abs(wave)
    assert np.argmax(np.abs(strength[1:])) + 1 == bars
    dark = samples > 0.5
    assert np.count_nonzero(dark & ~np.roll(dark, 1)) == bars


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("print")


@pytest.fixture(scope="module")
def a4_disc(folder: Path) -> tuple[Disc, Page]:
    drawn = print_disc(folder / "disc.pdf")
    return drawn, Page(folder / "disc.pdf", drawn)


def test_the_rings_stand_still_where_published_values_say(a4_disc: tuple[Disc, Page]) -> None:
    """216, 180, 160 and 92, 77 bars: IEC 98 and trade practice, 3600/46 = 78.26 and 3000/38.5 = 77.92 rpm.

    133 bars stand still at 45.11 rpm, a published list of bar counts; 60 F / N computed.
    """
    drawn, _ = a4_disc
    stands = {ring.bars: (ring.stands[0].mains_hz, ring.stands[0].rpm) for ring in drawn.rings}
    assert list(stands) == [216, 180, 160, 133, 92, 77]
    assert stands[216] == (60.0, pytest.approx(100 / 3))
    assert stands[180] == (50.0, pytest.approx(100 / 3))
    assert stands[160] == (60.0, pytest.approx(45.0))
    assert stands[133] == (50.0, pytest.approx(45.11, abs=0.005))
    assert stands[92] == (60.0, pytest.approx(3600 / 46))
    assert stands[77] == (50.0, pytest.approx(3000 / 38.5))
    assert drawn.rings[3].stands[0].off_percent == pytest.approx(0.2506, abs=0.0001)


def test_a_speed_beside_a_nominal_one_gets_its_own_count(folder: Path) -> None:
    """80 rpm is 6000/75 and 7200/90, and no 78 that runs 2.2 % fast; 34 is nearest to 6000/176. Closed form."""
    drawn = print_disc(folder / "eighty.svg", rpms=["80"])
    assert [(ring.bars, ring.stands[0].rpm, ring.stands[0].nominal_rpm) for ring in drawn.rings] == [
        (90, pytest.approx(80), 80),
        (75, pytest.approx(80), 80),
    ]
    strip = print_strip(folder / "trimmed.svg", circumference_mm=942.5, rpm="34", mains_hz=50.0)
    assert (strip.bars, strip.stands[0].nominal_rpm) == (176, 34)


@pytest.mark.parametrize("rpms", [("45", "45.1"), ("45.1", "45")])
def test_a_ring_that_serves_two_speeds_is_told_once(folder: Path, rpms: tuple[str, ...]) -> None:
    """6000/133 is 45.113: by 0.25 % above 45, and by 0.03 % above 45.1."""
    (ring,) = print_disc(folder / "near.svg", rpms=rpms, mains_hz=(50.0,), force=True).rings
    assert ring.bars == 133
    assert [stand.nominal_rpm for stand in ring.stands] == [45.1]


@pytest.mark.parametrize("suffix", [".pdf", ".svg"])
def test_settings_of_the_readers_own_do_not_touch_the_sheet(folder: Path, suffix: str) -> None:
    """A matplotlibrc may cut the page to what is on it, draw by hand, or leave the paper's white out."""
    plain, other = folder / f"plain{suffix}", folder / f"other{suffix}"
    print_disc(plain, rpms=["33"])
    own: Any = {"savefig.bbox": "tight", "path.sketch": (1.0, 100.0, 2.0), "savefig.transparent": True}
    with matplotlib.rc_context(own):
        print_disc(other, rpms=["33"])
        assert matplotlib.rcParams["savefig.bbox"] == "tight"
    assert other.read_bytes() == plain.read_bytes()


def test_16_rpm_gets_360_and_432_bars(folder: Path) -> None:
    drawn = print_disc(folder / "slow.svg", rpms=["16"])
    assert [(ring.bars, ring.stands[0].rpm) for ring in drawn.rings] == [
        (432, pytest.approx(50 / 3)),
        (360, pytest.approx(50 / 3)),
    ]


def test_rings_have_their_bars_counted_round_the_circle(a4_disc: tuple[Disc, Page]) -> None:
    drawn, page = a4_disc
    centre = page.width_mm / 2, page.height_mm - 10.0 - drawn.diameter_mm / 2
    for ring in drawn.rings:
        samples = page.circle(centre, ring.middle_mm, start_deg=drawn.index.direction_deg)
        check_ring(samples, ring.bars)
        phase = np.angle(np.fft.rfft(samples)[ring.bars])
        # The middle of the first bar lies at the index mark: phase 0, half a sample aside.
        assert phase / (2 * math.pi * ring.bars) * 360 * ring.middle_mm * math.pi / 180 == pytest.approx(0, abs=0.05)


def test_radii_measure_what_is_said(a4_disc: tuple[Disc, Page]) -> None:
    drawn, page = a4_disc
    centre = page.width_mm / 2, page.height_mm - 10.0 - drawn.diameter_mm / 2
    step = 0.05
    radii = np.arange(2.0, drawn.diameter_mm / 2 + 2.0, step)
    profile = np.array([page.circle(centre, radius).mean() for radius in radii])
    crossing = np.flatnonzero((profile[1:] > 0.25) != (profile[:-1] > 0.25))
    edges = radii[crossing] + step * (0.25 - profile[crossing]) / (profile[crossing + 1] - profile[crossing])

    def nearest(radius_mm: float) -> float:
        return float(edges[np.argmin(np.abs(edges - radius_mm))])

    for ring in drawn.rings:
        for radius in (ring.inner_mm, ring.outer_mm):
            assert nearest(radius) == pytest.approx(radius, abs=LENGTH_TOLERANCE_MM)
    # Thin circles: the hole of IEC 60098, 7.24 mm, and the edge; the place of the darkest radius.
    for diameter, low, high in ((7.24, 2.5, 5.0), (drawn.diameter_mm, drawn.diameter_mm / 2 - 1, 999.0)):
        near = (radii > low) & (radii < high)
        darkest = profile[near] - np.median(profile[near])
        found = np.sum(radii[near] * np.clip(darkest - 0.1, 0, None)) / np.sum(np.clip(darkest - 0.1, 0, None))
        assert 2 * found == pytest.approx(diameter, abs=LENGTH_TOLERANCE_MM)


def test_one_index_mark_a_turn(a4_disc: tuple[Disc, Page]) -> None:
    drawn, page = a4_disc
    centre = page.width_mm / 2, page.height_mm - 10.0 - drawn.diameter_mm / 2
    index = drawn.index
    samples = page.circle(centre, (index.inner_mm + index.outer_mm) / 2)
    where = np.flatnonzero(samples > 0.5)
    assert np.all(np.diff(where) == 1)
    assert (where.mean() + 0.5) / 8192 * 360 == pytest.approx(index.direction_deg, abs=0.05)
    wide = where.size / 8192 * math.pi * (index.inner_mm + index.outer_mm)
    assert wide == pytest.approx(index.wide_mm, rel=0.05)


def test_both_rulers_are_100_mm(a4_disc: tuple[Disc, Page]) -> None:
    _, page = a4_disc
    assert ruler_lengths_mm(page, (28.0, 14.0), (16.5, 16.0)) == pytest.approx((100, 100), abs=LENGTH_TOLERANCE_MM)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_shrinking_printer_is_corrected_and_counts_stay(folder: Path, paper: str) -> None:
    """What the page holds, times the printer's scale, is true to size in both directions."""
    scale = Scale(99.2, 98.4)
    drawn = print_disc(folder / f"scaled-{paper}.pdf", paper=paper, scale=scale)
    page = Page(folder / f"scaled-{paper}.pdf", drawn)
    sides = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}[paper]
    assert (page.width_mm, page.height_mm) == pytest.approx((sides[0] * 0.992, sides[1] * 0.984))
    assert ruler_lengths_mm(page, (28.0, 14.0), (16.5, 16.0)) == pytest.approx((100, 100), abs=LENGTH_TOLERANCE_MM)
    # In the file itself they are longer by what the printer takes away.
    plain = Page.__new__(Page)
    plain.dark, plain.bottom_px, plain.px_per_mm = page.dark, page.bottom_px, (PX_PER_MM, PX_PER_MM)
    reach = np.arange(-2.0, 104.0, 0.02)
    ticks = thin_lines(plain.at(28.0 / 0.992 + reach, np.full_like(reach, 18.3 / 0.984)), 0.02)
    assert ticks[1] - ticks[0] == pytest.approx(100 / 0.992, abs=LENGTH_TOLERANCE_MM)
    centre = page.width_mm / 2, page.height_mm - 10.0 - drawn.diameter_mm / 2
    for ring in drawn.rings:
        check_ring(page.circle(centre, ring.middle_mm, start_deg=90.0), ring.bars)


@pytest.mark.parametrize(
    ("paper", "diameter_mm", "sectors"),
    [("a4", 300.0, 4), ("letter", 300.0, 4), ("a4", 240.0, 2), ("letter", 230.0, 2)],
)
def test_sectors_go_together_to_whole_rings(folder: Path, paper: str, diameter_mm: float, sectors: int) -> None:
    """The sectors laid one after another hold each ring's count without a seam, and the index mark once."""
    pdf = folder / f"sectors-{paper}-{sectors}.pdf"
    drawn = print_disc(pdf, paper=paper, diameter_mm=diameter_mm, mains_hz=(50.0,))
    assert drawn.sectors == sectors == pages(pdf)
    upright = sectors == 4
    sheets = [Page(pdf, drawn, page=number + 1, upright=upright) for number in range(sectors)]
    width, height, radius = sheets[0].width_mm, sheets[0].height_mm, diameter_mm / 2
    centre = (32.0, height - 14.0 - radius) if upright else (width - 14.0 - radius, height - 10.0 - radius)
    sweep = 360.0 / sectors
    for ring in drawn.rings:
        parts = [page.circle(centre, ring.middle_mm, sweep_deg=sweep) for page in sheets]
        # Where the lines of the cut and of the joint are drawn, the pattern beside them is taken.
        pen = math.ceil(0.25 / (ring.middle_mm * math.radians(sweep)) * 8192)
        for part in parts:
            part[:pen], part[-pen:] = part[pen], part[-pen - 1]
        check_ring(np.concatenate(parts), ring.bars)
        for number, page in enumerate(sheets):
            beyond = math.degrees(6.0 / ring.middle_mm)
            flap = page.circle(centre, ring.middle_mm, start_deg=sweep + 0.5, sweep_deg=beyond)
            following = sheets[(number + 1) % sectors].circle(centre, ring.middle_mm, start_deg=0.5, sweep_deg=beyond)
            assert np.mean((flap > 0.2) == (following > 0.5)) > 0.97
            assert flap.max() < 0.6
    place = (drawn.index.inner_mm + drawn.index.outer_mm) / 2
    marked = [np.count_nonzero(page.circle(centre, place, 3.0, sweep - 6.0) > 0.5) for page in sheets]
    assert [count > 50 for count in marked] == [True] + [False] * (sectors - 1)
    rulers = ((28.0, 14.0), (16.5, 16.0))
    for page in sheets:
        assert ruler_lengths_mm(page, *rulers) == pytest.approx((100, 100), abs=LENGTH_TOLERANCE_MM)


@pytest.mark.parametrize("bars", [180, 133])
def test_a_strip_closes_on_its_circumference(folder: Path, bars: int) -> None:
    circumference = 942.5
    pdf = folder / f"strip-{bars}.pdf"
    drawn = print_strip(pdf, circumference_mm=circumference, bars=bars)
    page = Page(pdf, drawn, upright=False)
    assert sum(row.bars for row in drawn.rows) == bars
    step, left, pitch = 0.02, 26.0, circumference / bars
    up = np.arange(0.0, page.height_mm, step)
    column = page.at(np.full_like(up, left + pitch / 2), up) > 0.5
    edges = np.flatnonzero(np.diff(column.astype(int)))
    feet = [up[low] for low, high in zip(edges[::2], edges[1::2], strict=True) if (high - low) * step > 7.0][::-1]
    assert len(feet) == len(drawn.rows)
    along = np.arange(left - 2.0, page.width_mm - 9.0, step)
    length, counted, spans = 0.0, 0, []
    for row, foot in zip(drawn.rows, feet, strict=True):
        dark = page.at(along, np.full_like(along, foot + 2.0))
        inside = thin_lines(np.where(dark > 0.5, dark, 0.0), step)
        # The cut edge, the index mark if it is here, the dashed line, the flap's outer edge.
        track = np.max([page.at(along, np.full_like(along, foot - gap)) for gap in (0.6, 0.8, 1.0, 1.2)], axis=0)
        lines = thin_lines(track, step)
        length += lines[-2] - lines[0]
        begin, end = lines[0] + 0.3, lines[-2] - 0.3
        middles = np.array([place for place in inside if begin < place < end])
        assert middles.size == row.bars
        counted += middles.size
        slope, first = np.polyfit(np.arange(middles.size), middles, 1)
        spans.append(slope)
        assert slope == pytest.approx(pitch, rel=STRIP_TOLERANCE)
        # The cuts lie in the middle of a light gap.
        assert first - lines[0] == pytest.approx(pitch / 2, abs=LENGTH_TOLERANCE_MM)
    assert counted == bars
    assert length == pytest.approx(circumference, rel=STRIP_TOLERANCE)
    assert counted * np.average(spans, weights=[row.bars for row in drawn.rows]) == pytest.approx(
        circumference, rel=STRIP_TOLERANCE
    )
    assert ruler_lengths_mm(page, (26.0, 14.0), (16.5, 16.0)) == pytest.approx((100, 100), abs=LENGTH_TOLERANCE_MM)


def test_a_high_strip_goes_over_several_sheets(folder: Path) -> None:
    drawn = print_strip(folder / "high.svg", circumference_mm=980.0, mains_hz=60.0, height_mm=30.0, paper="letter")
    assert drawn.bars == 216
    assert [path.name for path in drawn.files] == [f"high-{number}.svg" for number in range(1, len(drawn.files) + 1)]
    assert drawn.rows[-1].sheet == len(drawn.files) > 1
    bars = {
        name: len(polygons)
        for path in drawn.files
        for name, polygons in svg_shapes(path).items()
        if name.startswith("bars-")
    }
    assert bars == {f"bars-{place + 1}": row.bars for place, row in enumerate(drawn.rows)}


def test_the_strip_has_one_index_mark_where_it_says(folder: Path) -> None:
    drawn = print_strip(folder / "index.svg", circumference_mm=942.5, mains_hz=50.0)
    shapes = svg_shapes(drawn.files[0])
    assert len(shapes["index"]) == 1
    row = next(row for row in drawn.rows if 0 < drawn.index.place_mm - row.start_mm < row.length_mm)
    start = min(float(polygon[:, 0].min()) for polygon in shapes[f"bars-{drawn.rows.index(row) + 1}"])
    place = float(shapes["index"][0][:, 0].mean()) - start + drawn.pitch_mm / 4 + row.start_mm
    corners = shapes["index"][0][:4]
    place = float(corners[:, 0].min() + corners[:, 0].max()) / 2 - start + drawn.pitch_mm / 4 + row.start_mm
    assert place == pytest.approx(drawn.index.place_mm, abs=0.01)
    assert np.ptp(corners[:, 0]) == pytest.approx(drawn.index.wide_mm, abs=0.01)


def svg_shapes(path: Path) -> dict[str, list[Floats]]:
    """Polygons by name, in millimetres of the page, y downwards."""
    shapes: dict[str, list[Floats]] = {}
    for group in xml.etree.ElementTree.parse(path).getroot().iter(f"{SVG}g"):
        outline = group.find(f"{SVG}path")
        name = group.get("id", "")
        if outline is None or not name:
            continue
        for part in re.split(r"(?=M)", outline.get("d", "").strip()):
            numbers = re.findall(r"-?\d+(?:\.\d+)?(?:e-?\d+)?", part)
            if numbers:
                shapes.setdefault(name, []).append(np.array(numbers, float).reshape(-1, 2) * 25.4 / 72)
    return shapes


def svg_words(path: Path) -> str:
    return " ".join(re.findall(r"<!-- (.*?) -->", path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(("paper", "sides_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_svg_is_true_to_size(folder: Path, paper: str, sides_mm: tuple[float, float]) -> None:
    """A4 is 210 by 297 mm (ISO 216), Letter 8.5 by 11 in."""
    drawn = print_disc(folder / f"{paper}.svg", paper=paper)
    root = xml.etree.ElementTree.parse(drawn.files[0]).getroot()
    points = [float(root.get(side, "").removesuffix("pt")) for side in ("width", "height")]
    assert [value * 25.4 / 72 for value in points] == pytest.approx(sides_mm, abs=0.001)
    shapes = svg_shapes(drawn.files[0])
    centre = np.array([sides_mm[0] / 2, 10.0 + drawn.diameter_mm / 2])
    for ring in drawn.rings:
        polygons = shapes[f"ring-{ring.bars}"]
        assert len(polygons) == ring.bars
        radii = np.concatenate([np.hypot(*(polygon - centre).T) for polygon in polygons])
        assert radii.min() == pytest.approx(ring.inner_mm, abs=0.01)
        assert radii.max() == pytest.approx(ring.outer_mm, abs=0.01)
    assert len(shapes["index"]) == 1
    for side, axis in (("x", 0), ("y", 1)):
        ticks = shapes[f"ruler-{side}"]
        assert len(ticks) == 101
        assert np.ptp([tick[0, axis] for tick in ticks]) == pytest.approx(100.0, abs=0.001)
    spindle = np.concatenate(shapes["spindle"])
    assert np.hypot(*(spindle - centre).T) == pytest.approx(7.24 / 2, abs=0.005)


def test_the_sheets_say_what_matters(folder: Path) -> None:
    words = svg_words(print_strip(folder / "words.svg", circumference_mm=942.5, mains_hz=50.0).files[0])
    assert "Never on a rim that a belt or an idler wheel runs on" in words
    assert "can look still" in words
    assert "Printers shrink: measure both rulers" in words
    assert "180 bars on 942.5 mm" in words
    disc = print_disc(folder / "words-disc.svg", mains_hz=(50.0,))
    words = svg_words(disc.files[0])
    assert "45.11 rpm (50 Hz, +0.25 % of 45)" in words
    assert "ruler X, along the paper's short side: measure me, 100 mm" in words
    assert "can look still" in words
    # And beside each ring, as bent letters.
    assert {f"label-{ring.bars}" for ring in disc.rings} <= set(svg_shapes(disc.files[0]))
    corrected = print_disc(folder / "words-scaled.svg", scale=Scale(99.2, 98.9))
    assert "rulers X and Y measured 99.2 and 98.9 mm" in svg_words(corrected.files[0])


@pytest.mark.parametrize(
    ("wish", "sides"),
    [
        *(({"spindle_mm": spindle}, {1.0, -1.0}) for spindle in (2.0, 7.24, 30.0, 38.2, 60.0)),
        ({"spindle_mm": 38.2, "inside_mm": 100.0}, {1.0, -1.0}),
        ({"inside_mm": 27.24}, {1.0, -1.0}),
        ({"spindle_mm": 38.2, "bars": [180], "places_mm": {180: (29.1, 60.0)}}, {1.0, -1.0}),
        ({"spindle_mm": 38.2, "diameter_mm": 300.0}, {1.0}),
        ({"inside_mm": 43.5, "diameter_mm": 300.0}, {1.0}),
    ],
)
def test_the_words_of_caution_are_on_the_disc_itself(
    folder: Path, wish: dict[str, Any], sides: set[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Large enough, between the hole's cross and the rings; on a whole disc above and below the hole."""
    written: list[Any] = []
    monkeypatch.setattr("strobe.printing.disc.write_sheets", lambda *made, **_: written.append(made[0]))
    drawn = print_disc(folder / "caution.svg", mains_hz=(50.0,), **{"diameter_mm": 180.0, **wish})
    (sheets,) = written
    assert len(sheets) == drawn.sectors
    for sheet in sheets:
        words = [mark for mark in sheet.marks if isinstance(mark, ArcWords) and mark.name == "caution"]
        (cross,) = [mark for mark in sheet.marks if isinstance(mark, Stroke) and mark.name == "centre-cross"]
        assert words[0].text == "turns even when it looks still"
        assert {math.copysign(1.0, math.sin(math.radians(each.middle_deg))) for each in words} == sides
        for each in words:
            assert each.size_mm >= 1.5
            # The letters of the face reach a quarter of their size below the line, and 0.76 of it above.
            reach = max(np.hypot(*(line - np.array(each.centre_mm)).T).max() for line in cross.lines)
            assert drawn.spindle_mm / 2 < reach < each.radius_mm - 0.25 * each.size_mm
            assert each.radius_mm + 0.76 * each.size_mm < drawn.inside_mm / 2
            for label in (mark for mark in sheet.marks if isinstance(mark, ArcWords) and mark.name != "caution"):
                assert each.radius_mm + 0.76 * each.size_mm < label.radius_mm - 0.25 * label.size_mm


def test_nothing_is_drawn_where_printers_cannot_reach(folder: Path) -> None:
    wishes: list[Any] = [{"paper": "letter"}, {"diameter_mm": 328.0}, {"diameter_mm": 237.0, "paper": "letter"}]
    for number, wish in enumerate(wishes):
        drawn = print_disc(folder / f"margin-{number}.pdf", **wish)
        for page in range(1, drawn.sectors + 1):
            dark = darkness(drawn.files[0], page, dpi=100)
            margin = int(9.3 * 100 / 25.4)
            inner = dark[margin:-margin, margin:-margin].sum()
            assert dark.sum() == pytest.approx(inner)
            assert inner > 1000
    strip = print_strip(folder / "margin.pdf", circumference_mm=1100.0, bars=320, height_mm=40.0, paper="letter")
    dark = darkness(strip.files[0], 1, dpi=100)
    assert dark.sum() == pytest.approx(dark[margin:-margin, margin:-margin].sum())


def test_a_count_that_serves_twice_is_one_ring(folder: Path) -> None:
    drawn = print_disc(folder / "twice.svg", rpms=["33", 40.0], mains_hz=(50.0, 60.0))
    ring = next(ring for ring in drawn.rings if ring.bars == 180)
    assert [(stand.mains_hz, round(stand.rpm, 3)) for stand in ring.stands] == [(50.0, 33.333), (60.0, 40.0)]


def test_another_lamp_takes_the_place_of_the_mains(folder: Path) -> None:
    """400 bars at 300 flashes a second stand still at 45.0 rpm (60 F / N); 90 at 50, one flash a cycle, at 33 1/3."""
    drawn = print_disc(folder / "lamp.svg", rpms=["45"], flash_rate_hz=300.0)
    assert [(ring.bars, ring.stands[0].rpm, ring.stands[0].mains_hz) for ring in drawn.rings] == [(400, 45.0, None)]
    single = print_disc(folder / "single.svg", rpms=["33"], flash_rate_hz=50.0)
    assert [(ring.bars, ring.stands[0].rpm) for ring in single.rings] == [(90, pytest.approx(100 / 3))]


def test_rings_may_be_placed(folder: Path) -> None:
    drawn = print_disc(folder / "placed.svg", bars=[133, 180], places_mm={180: (80.0, 88.0), 133: (60.0, 70.0)})
    assert [(ring.bars, ring.inner_mm, ring.outer_mm) for ring in drawn.rings] == [(180, 80, 88), (133, 60, 70)]
    assert [round(stand.rpm, 2) for stand in drawn.rings[1].stands] == [45.11, 54.14]


@settings(max_examples=60, deadline=None)
@given(st.integers(8, 2000), st.integers(1, 6), st.floats(-720, 720))
def test_sectors_share_the_bars_out_without_loss(bars: int, sectors: int, first_deg: float) -> None:
    """However a ring is divided, half of it is dark."""

    def angle_of(polygon: Floats) -> float:
        corners = polygon[: len(polygon) // 2]
        turn = np.angle((corners[1:, 0] + 1j * corners[1:, 1]) / (corners[:-1, 0] + 1j * corners[:-1, 1]))
        return float(turn.sum())

    sweep = 360.0 / sectors
    total = sum(
        angle_of(polygon)
        for number in range(sectors)
        for polygon in bar_polygons(bars, 50.0, 60.0, first_deg=first_deg, start_deg=number * sweep, sweep_deg=sweep)
    )
    assert total == pytest.approx(math.pi, rel=1e-6)


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        ({"diameter_mm": 400.0}, r"--diameter: 400 mm is not between 90 mm and 328 mm.*four sheets of A4"),
        ({"diameter_mm": math.nan}, "--diameter: nan mm is not between"),
        ({"paper": "a5"}, "--paper: 'a5' is not known; choose one of: a4, letter"),
        ({"bars": [1900]}, "1900 bars would have bars 0.1. mm wide.*printers hold 0.25 mm"),
        ({"bars": [5]}, "5 bars is not between 8 and 2000"),
        ({"bars": [180, 180]}, "a count is named twice"),
        ({"rpms": []}, "no ring is left to draw"),
        ({"rpms": ["1e-320"]}, "rpm '1e-320' is not between 1 and 1000 turns a minute"),
        ({"bars": range(100, 130)}, r"30 rings do not fit.*room for 9"),
        ({"bars": [180, 133], "places_mm": {180: (70.0, 80.0), 133: (60.0, 72.0)}}, r"180 bars.*133 bars.*overlap"),
        (
            {"bars": [180, 133], "places_mm": {180: (70.0, 80.0), 133: (60.0, 68.0)}},
            "leave 3.6 mm, the speed is printed",
        ),
        ({"bars": [180, 133], "places_mm": {180: (70.0, 80.0)}}, "give radii to all rings or to none"),
        ({"bars": [180], "places_mm": {180: (70.0, 99.0)}}, "leaves the room between the radii 25.0 and 88.3 mm"),
        ({"bars": [180], "places_mm": {180: (80.0, 70.0)}}, "give the inner radius first"),
        ({"spindle_mm": 1.0}, "--spindle: 1 mm is not between 2 mm"),
        ({"inside_mm": 20.0}, "--inside: 20 mm is not between 27.24 mm"),
        # By the words of caution: in letters of 1.5 mm they are 21.5 mm long; 150 degrees, or 76.5 on a quarter.
        ({"spindle_mm": 2.0, "inside_mm": 27.0}, "--inside: 27 mm is not between 27.1 mm"),
        ({"inside_mm": 40.0, "diameter_mm": 300.0}, "--inside: 40 mm is not between 42.9 mm"),
    ],
)
def test_impossible_discs_are_refused(tmp_path: Path, wish: dict[str, Any], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        print_disc(tmp_path / "disc.pdf", **wish)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("wish", "message"),
    [
        ({"circumference_mm": 300.0}, "a platter 300 mm across has about 942 mm, but measure it"),
        ({"circumference_mm": 94.2}, "is it in centimetres"),
        ({"circumference_mm": 37.1}, "is it in inches"),
        ({"circumference_mm": 5000.0}, "5000 mm is not between 400 and 1100 mm, as a platter's rim is$"),
        ({"circumference_mm": math.nan}, "nan mm is not between"),
        ({"height_mm": 2.0}, "--height: 2 mm is not between 5 and 40 mm"),
        ({"bars": 1900}, r"1900 bars on 942.5 mm would be 0.25 mm wide each"),
        ({"bars": None}, "give --mains 50 or 60, or --lamp, or --bars"),
    ],
)
def test_impossible_strips_are_refused(tmp_path: Path, wish: dict[str, Any], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        print_strip(tmp_path / "strip.pdf", **{"circumference_mm": 942.5, "bars": 180, **wish})
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_replaced_only_by_force(tmp_path: Path) -> None:
    path = tmp_path / "disc.pdf"
    path.write_bytes(b"mine")
    with pytest.raises(UsageError, match="is there already; name another file, or replace it with --force"):
        print_disc(path)
    assert path.read_bytes() == b"mine"
    print_disc(path, force=True)
    first = path.read_bytes()
    print_disc(path, force=True)
    assert first.startswith(b"%PDF-")
    assert path.read_bytes() == first
    assert list(tmp_path.iterdir()) == [path]


def test_targets_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"ends in '\.png'; end it in \.pdf or \.svg"):
        print_disc(tmp_path / "disc.png")
    with pytest.raises(UsageError, match="does not exist; make it first"):
        print_disc(tmp_path / "nowhere" / "disc.pdf")
    (tmp_path / "folder.pdf").mkdir()
    with pytest.raises(UsageError, match="is not an ordinary file"):
        print_disc(tmp_path / "folder.pdf", force=True)
    (tmp_path / "four-3.svg").write_text("mine")
    with pytest.raises(UsageError, match=r"four-3\.svg is there already"):
        print_disc(tmp_path / "four.svg", diameter_mm=300.0)
    assert not (tmp_path / "four-1.svg").exists()


@pytest.mark.parametrize("text", ["99.2", "99,2,98,9", "a,b", "", "nan,99", "99.2;98.9"])
def test_a_scale_is_two_numbers(text: str) -> None:
    with pytest.raises(UsageError, match="is not two numbers; give what the rulers X and Y measure"):
        parse_scale(text)


def test_scale_and_ring_are_read() -> None:
    assert parse_scale("99.2, 98.9") == Scale(99.2, 98.9)
    with pytest.raises(UsageError, match=r"--scale: 80 for Y is not between 90 and 110.*fit to page"):
        parse_scale("99,80")
    assert parse_ring("180") == (180, None)
    assert parse_ring("180:80-92.5") == (180, (80.0, 92.5))
    for text in ("x", "180:80", "180:a-b", "180:1-2-3"):
        with pytest.raises(UsageError, match="is not a ring; give its bars"):
            parse_ring(text)


def test_speeds_are_written_as_the_trade_writes_them() -> None:
    assert [rpm_name(rpm) for rpm in (50 / 3, 100 / 3, 45.0, 3600 / 46)] == ["16⅔", "33⅓", "45", "78.26"]
    assert rpm_name(100 / 3, plain=True) == "33 1/3"


def strobe(*argv: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    status = run(argv, out=out, err=err)
    return status, out.getvalue(), check_lines(err)


def test_print_disc_from_the_command_line(tmp_path: Path) -> None:
    path = tmp_path / "disc.svg"
    status, out, err = strobe(
        "print", "disc", "--to", str(path), "--rpm", "45", "--mains", "50", "--scale", "99.5,99.5"
    )
    assert (status, err) == (ExitStatus.MEASURED, "")
    assert f"wrote {path}, 1 sheet of A4\n" in out
    assert "133 bars" in out
    assert "still at 45.11 rpm, 50 Hz (+0.25 % of 45)" in out
    assert "ring-133" in svg_shapes(path)
    assert "--scale" not in out
    assert strobe("print", "disc", "--to", str(path))[0] == ExitStatus.USAGE
    status, out, _ = strobe("print", "disc", "--to", str(path), "--force", "--ring", "200", "--lamp", "300")
    assert status == ExitStatus.MEASURED
    assert "200 bars" in out
    assert "still at 90.00 rpm, 300 flashes/s" in out
    assert max(map(len, out.replace(str(path), "").splitlines())) <= 80
    status, out, _ = strobe("print", "disc", "--to", str(path), "--force", "--diameter", "300")
    assert status == ExitStatus.MEASURED
    assert "4 sheets of A4" in out
    assert f"wrote {tmp_path / 'disc-4.svg'}\n" in out


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--mains", "55"), "--mains: '55' is neither 50 nor 60"),
        (("--lamp", "dim"), "--lamp: 'dim' is neither mains nor a number of flashes a second"),
        (("--scale", "98"), "--scale: '98' is not two numbers"),
        (("--ring", "many"), "--ring: 'many' is not a ring"),
        (("--rpm", "fast"), "rpm 'fast' is not a number"),
        (("--lamp", "110", "--mains", "50"), "--lamp 110 takes the place of the mains, which --mains names as well"),
    ],
)
def test_misuse_is_2(tmp_path: Path, options: tuple[str, ...], message: str) -> None:
    status, out, err = strobe("print", "disc", "--to", str(tmp_path / "disc.pdf"), *options)
    assert (status, out) == (ExitStatus.USAGE, "")
    assert message in flat(err)
    assert "Try: strobe print disc --help" in err


class Typed(io.StringIO):
    """What a person types at a terminal."""

    def isatty(self) -> bool:
        return True


def test_print_strip_asks_for_the_circumference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "strip.pdf"
    wish = ("print", "strip", "--to", str(path), "--mains", "50")
    monkeypatch.setattr("sys.stdin", io.StringIO("942.5\n"))
    status, _, err = strobe(*wish)
    assert status == ExitStatus.USAGE
    assert "--circumference is missing: wrap a strip of paper round the rim" in flat(err)
    monkeypatch.setattr("sys.stdin", Typed("a lot\n"))
    status, _, err = strobe(*wish)
    assert status == ExitStatus.USAGE
    assert "'a lot' is not a number; give a number of millimetres" in flat(err)
    monkeypatch.setattr("sys.stdin", Typed("942,5 mm\n"))
    status, out, err = strobe(*wish)
    assert status == ExitStatus.MEASURED
    assert "Wrap a strip of paper round the rim" in err
    assert "180 bars on 942.5 mm, in 4 rows:" in out
    assert "Never on a rim that a belt or an idler wheel runs on." in out
    assert path.read_bytes().startswith(b"%PDF-")


def test_a_strip_without_a_lamp_is_refused_before_it_asks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", Typed("942.5\n"))
    status, _, err = strobe("print", "strip", "--to", str(tmp_path / "strip.pdf"))
    assert status == ExitStatus.USAGE
    assert "give --mains 50 or 60" in flat(err)
    assert "Wrap" not in err
