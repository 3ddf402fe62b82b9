"""Make the pictures of the documents anew: ``python tests/make_pictures.py``.

The reading on a terminal, the live screen and the hand-over sheet come from a sample clip, the frames from the
renderer, the turn maps from invented speeds. The drawings of docs/filming.md are made by hand.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import chdir
from html import escape
from itertools import groupby
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

ROOT = Path(__file__).parents[1]
PICTURES = ROOT / "docs" / "pictures"
CLIP = "sample_clips/01-as-found-33.mp4"
READING_TITLE = "The reading of a sample clip on a terminal; its words stand in README.md"
LIVE_TITLE = "The live screen over a sample clip; its words are gone through in docs/live.md"
LIVE_S, LIVE_ROWS = 12.0, 24

COLUMN_PX, LINE_PX, EDGE_PX = 7.83, 18, 14
INK, PAPER, LABEL, WARNING = "#e8e6df", "#1d2126", "#7fc9d9", "#f0c648"
STYLES = {"green": "#8fce7e", "yellow": WARNING, "red": "#ee7b6a"}
BLOCKS = {"█": (0.0, 1.0), "▀": (0.0, 0.5), "▄": (0.5, 0.5)}
"""Where a block begins and how tall it is, in lines."""
FRAME_SIZE, FRAME_QUALITY = (480, 270), 72
SHEET_SCALE, SHEET_SHADES, SHEET_WHITE = 1.0, 16, 250
"""Pixels a point; levels of each colour; what is not blank is darker than this."""

Grey = NDArray[np.uint8]


def terminal_svg(text: Text, *, command: str = f"strobe measure {CLIP}", title: str = READING_TITLE) -> str:
    """What a command prints, as a small SVG that loads nothing; labels in the colours of a dark terminal."""
    from strobe.report.sheet import LABEL_WIDTH, WARNINGS

    lines = [f"$ {command}", *text.plain.split("\n")]
    drawn = []
    for place, line in enumerate(lines):
        y = EDGE_PX + (place + 0.75) * LINE_PX
        head, rest = ("", line) if place == 0 else (line[:LABEL_WIDTH].rstrip(), line[LABEL_WIDTH:])
        if head:
            colour = WARNING if head in WARNINGS else LABEL
            drawn.append(_words(head, x=EDGE_PX, y=y, colour=colour, bold=True))
        x = EDGE_PX if place == 0 else EDGE_PX + LABEL_WIDTH * COLUMN_PX
        drawn.append(_words(rest, x=x, y=y, colour=INK, bold=head in ("SPEED", "STEADINESS")))
    return _terminal(drawn, lines=len(lines), title=title)


def live_page_of(clip: str, at_s: float) -> Text:
    """The live screen of a dark terminal, 80 columns wide, at one moment of a clip."""
    from strobe.live import LiveOptions, LiveRun
    from strobe.live.sources import open_source
    from strobe.report.live import LiveTrace, live_page
    from strobe.report.sheet import WIDTH

    trace, update = LiveTrace(), None
    with LiveRun(open_source(clip), LiveOptions(), pace=0, for_s=at_s) as run:
        for update in run:
            trace.add(update)
    assert update is not None
    return live_page(update, trace, width=WIDTH, height=LIVE_ROWS)


def screen_svg(page: Text, *, title: str = LIVE_TITLE) -> str:
    """A page of the live screen as a small SVG that loads nothing; blocks are drawn, so that they always join."""
    drawn = []
    lines = page.split("\n")
    for place, line in enumerate(lines):
        y = EDGE_PX + place * LINE_PX
        styles = [str(span.style) for span in line.spans]
        colour = next((STYLES[style] for style in styles if style in STYLES), INK)
        column = 0
        for kind, run in groupby(line.plain, key=lambda char: char if char in BLOCKS else ""):
            text = "".join(run)
            x = EDGE_PX + column * COLUMN_PX
            column += len(text)
            if kind:
                below, tall = (share * LINE_PX for share in BLOCKS[kind])
                drawn.append(
                    f'<rect x="{x:.1f}" y="{y + below:.1f}" width="{len(text) * COLUMN_PX:.1f}" height="{tall:.1f}" '
                    f'fill="{colour}" shape-rendering="crispEdges"/>'
                )
            elif text.strip():
                x += (len(text) - len(text.lstrip())) * COLUMN_PX
                drawn.append(_words(text.strip(), x=x, y=y + 0.75 * LINE_PX, colour=colour, bold="bold" in styles))
    return _terminal(drawn, lines=len(lines), title=title)


def _terminal(drawn: list[str], *, lines: int, title: str) -> str:
    from strobe.report.sheet import WIDTH

    width, height = round(2 * EDGE_PX + WIDTH * COLUMN_PX), 2 * EDGE_PX + lines * LINE_PX
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        f'role="img" font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="13">\n'
        f"<title>{escape(title)}</title>\n"
        f'<rect width="{width}" height="{height}" rx="6" fill="{PAPER}"/>\n' + "\n".join(drawn) + "\n</svg>\n"
    )


def _words(text: str, *, x: float, y: float, colour: str, bold: bool) -> str:
    # The length is set, so that columns stand below each other in every font.
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}"{weight} xml:space="preserve" '
        f'textLength="{len(text) * COLUMN_PX:.1f}" lengthAdjust="spacingAndGlyphs">{escape(text)}</text>'
    )


def sheet_png(sheet: bytes) -> bytes:
    """The first page of the hand-over sheet, down to where it ends, small and in few colours."""
    import cv2
    import pypdfium2

    with pypdfium2.PdfDocument(sheet) as document:
        picture = document[0].render(scale=SHEET_SCALE).to_numpy()
    inked = np.flatnonzero(np.any(picture < SHEET_WHITE, axis=(1, 2)))
    picture = picture[: inked[-1] + inked[0]].astype(float)
    step = 256 // SHEET_SHADES
    level = np.rint(picture / step) * step
    done, coded = cv2.imencode(".png", np.clip(level, 0, 255).astype(np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 9])
    assert done
    return coded.tobytes()


def filmed_frames() -> Iterator[tuple[str, Grey]]:
    """One frame of each way to film that docs/filming.md shows, by name."""
    from dataclasses import replace

    from strobe.render import Camera, DotRow, Lamp, Scene, Speed, frames

    width, height = FRAME_SIZE
    good = Camera(width=width, height=height, exposure_s=0.012, distance_mm=250.0, blur_px=0.5, noise=1.0)
    steady, strobe_lamp = Lamp("steady", ambient=0.0), Lamp("pulse", duty=0.06, ambient=0.04)
    ways = {
        "good-flashes": (strobe_lamp, good),
        "good-short-shutter": (steady, replace(good, exposure_s=0.001)),
        "bad-smeared": (steady, replace(good, exposure_s=0.02)),
        "bad-far-away": (strobe_lamp, replace(good, distance_mm=1100.0)),
        "bad-out-of-focus": (strobe_lamp, replace(good, blur_px=4.5)),
        "bad-dark": (strobe_lamp, replace(good, brightness=0.05, noise=6.0)),
        "bad-end-of-row": (strobe_lamp, replace(good, aim_x_mm=150.0)),
    }
    for name, (lamp, camera) in ways.items():
        scene = Scene(rows=(DotRow(180),), speed=Speed(100 / 3, 0.3), lamp=lamp, camera=camera, seconds=0.1)
        yield name, next(iter(frames(scene, rng=np.random.default_rng(5)))).luma


def turn_map_svg() -> bytes:
    """Three turn maps of invented speeds, side by side: tied to the platter, not tied, and a swing."""
    from matplotlib.figure import Figure
    from study_plot import svg

    from strobe.drive.locking import turn_map
    from strobe.figures.results import SpeedSeries

    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 22.0, 0.02)
    angle_rev = time_s / 1.8
    envelope = np.interp(time_s, np.linspace(0, 22, 9), rng.normal(size=9))
    kinds = {
        "upright: platter, bearing,\nor dots off centre": 0.2 * np.sin(2 * np.pi * angle_rev),
        "slanting: belt, idler,\npulley or motor": 0.2 * np.sin(2 * np.pi * 4.13 * angle_rev),
        "blotches: speed control\nor springs": 0.2 * envelope * np.sin(2 * np.pi * 1.37 * time_s),
    }
    figure = Figure(figsize=(8.0, 2.9), layout="constrained")
    for axes, (title, swing) in zip(figure.subplots(1, 3, sharey=True), kinds.items(), strict=True):
        value = swing + rng.normal(scale=0.02, size=time_s.size)
        turns = turn_map(SpeedSeries(time_s, angle_rev, value))
        axes.pcolormesh(
            np.linspace(0, 360, turns.sectors + 1),
            np.arange(turns.turns + 1) + 0.5,
            turns.deviation_percent,
            cmap="cividis",
            rasterized=True,
        )
        axes.set_title(title, fontsize=10)
        axes.set_xticks([0, 90, 180, 270, 360])
        axes.set_xlabel("angle of the platter, degrees", fontsize=9)
    first = figure.axes[0]
    first.invert_yaxis()
    first.set_ylabel("turn", fontsize=9)
    return svg(figure, title="Three turn maps: upright bands, slanting bands, and blotches")


def main() -> int:
    """Write every picture into docs/pictures."""
    import cv2

    from strobe import measure
    from strobe.bench.limits import PRESETS
    from strobe.report.handover import handover_of_clip
    from strobe.report.handover_files import sheet_pdf
    from strobe.report.terminal import reading

    PICTURES.mkdir(exist_ok=True)
    for name, luma in filmed_frames():
        done, coded = cv2.imencode(".jpg", luma, [cv2.IMWRITE_JPEG_QUALITY, FRAME_QUALITY])
        assert done
        (PICTURES / f"{name}.jpg").write_bytes(coded.tobytes())
    (PICTURES / "turn-maps.svg").write_bytes(turn_map_svg())
    with chdir(ROOT):
        measurement = measure(CLIP)
        page = live_page_of(CLIP, LIVE_S)
    (PICTURES / "reading.svg").write_text(terminal_svg(reading(measurement)), encoding="utf-8")
    (PICTURES / "live.svg").write_text(screen_svg(page), encoding="utf-8")
    sheet = sheet_pdf(handover_of_clip(measurement, limits=PRESETS["din-45500"]))
    (PICTURES / "sheet.png").write_bytes(sheet_png(sheet))
    for path in sorted(PICTURES.iterdir()):
        print(f"{path.stat().st_size / 1000:7.1f} kB  {path.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
