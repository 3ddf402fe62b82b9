"""Marks on sheets in true millimetres, and the one place that turns them into PDF and SVG.

Conventions: x to the right and y upwards from the lower left corner of the sheet, angles in degrees
anticlockwise from the right; lengths as printed (`strobe.printing.paper`).
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from strobe import files
from strobe.errors import UsageError
from strobe.looks import own_looks
from strobe.printing.paper import RULER_MM, Paper

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties

__all__ = [
    "ArcWords",
    "Area",
    "Floats",
    "Mark",
    "Sheet",
    "Stroke",
    "Words",
    "check_target",
    "column",
    "ruler",
    "text_width_mm",
    "write_sheets",
]

Floats = NDArray[np.float64]

POINTS_PER_MM = 72.0 / 25.4
LINE_SPACING = 1.42
SUFFIXES = (".pdf", ".svg")
# The face that matplotlib brings along, so that a sheet is the same everywhere.
FACE = "DejaVu Sans"
# Names in the file are made from this and not at random: the same wish gives the same bytes.
_SALT = "strobe"


@dataclass(frozen=True, eq=False)
class Area:
    """Filled polygons under one name, each of shape (corners, 2); cut to the polygon `clip` if there is one."""

    name: str
    polygons: Sequence[Floats]
    grey: float = 0.0
    clip: Floats | None = None


@dataclass(frozen=True, eq=False)
class Stroke:
    """Lines under one name, each of shape (points, 2)."""

    name: str
    lines: Sequence[Floats]
    width_mm: float = 0.2
    grey: float = 0.0
    dashed: bool = False
    clip: Floats | None = None


@dataclass(frozen=True)
class Words:
    """One line of text that stands on (x, y)."""

    text: str
    x_mm: float
    y_mm: float
    size_mm: float = 2.6
    bold: bool = False
    align: Literal["left", "center", "right"] = "left"
    angle_deg: float = 0.0
    grey: float = 0.0


@dataclass(frozen=True)
class ArcWords:
    """Text bent along a circle, its middle at an angle, the letters' heads outwards."""

    name: str
    text: str
    centre_mm: tuple[float, float]
    radius_mm: float
    middle_deg: float
    size_mm: float
    grey: float = 0.0


Mark = Area | Stroke | Words | ArcWords


@dataclass(frozen=True)
class Sheet:
    """One sheet: upright or lying, and what is on it."""

    paper: Paper
    upright: bool
    marks: tuple[Mark, ...]


def ruler(x_mm: float, y_mm: float, *, along: Literal["x", "y"], side: Literal["X", "Y"]) -> list[Mark]:
    """A check ruler of 100 mm that starts at a place and runs to the right or upwards; its figures lie on the left.

    The length counts from the middle of the first tick to the middle of the last one.
    """
    places = np.arange(int(RULER_MM) + 1)
    lengths = np.select([places % 100 == 0, places % 10 == 0, places % 5 == 0], [5.0, 3.2, 2.2], 1.2)
    turn = np.array([[1.0, 0.0], [0.0, 1.0]]) if along == "x" else np.array([[0.0, 1.0], [-1.0, 0.0]])
    start = np.array([x_mm, y_mm])
    ticks = [
        np.array([[place, 0.0], [place, length]]) @ turn + start for place, length in zip(places, lengths, strict=True)
    ]
    base = np.array([[0.0, 0.0], [RULER_MM, 0.0]]) @ turn + start
    name = f"ruler-{side.lower()}"
    angle = 0.0 if along == "x" else 90.0
    marks: list[Mark] = [Stroke(name, ticks, 0.12), Stroke(f"{name}-base", [base], 0.12)]
    for place in range(0, 101, 20):
        x, y = np.array([place, 5.8]) @ turn + start
        marks.append(Words(f"{place}", float(x), float(y), 2.0, align="center", angle_deg=angle))
    sides = {"X": "short side", "Y": "long side"}
    x, y = np.array([RULER_MM / 2, -3.2]) @ turn + start
    text = f"ruler {side}, along the paper's {sides[side]}: measure me, 100 mm"
    marks.append(Words(text, float(x), float(y), 2.3, bold=True, align="center", angle_deg=angle))
    return marks


def column(
    paragraphs: Sequence[tuple[str, bool]], x_mm: float, top_mm: float, width_mm: float, *, size_mm: float = 2.5
) -> tuple[list[Mark], float]:
    """Set paragraphs of (text, bold) in a column below `top_mm`; gives the marks and the height where they end."""
    marks: list[Mark] = []
    y = top_mm
    for text, bold in paragraphs:
        line = ""
        for word in text.split(" "):
            longer = f"{line} {word}" if line else word
            if line and text_width_mm(longer, size_mm, bold=bold) > width_mm:
                y -= size_mm * LINE_SPACING
                marks.append(Words(line, x_mm, y, size_mm, bold))
                line = word
            else:
                line = longer
        y -= size_mm * LINE_SPACING
        marks.append(Words(line, x_mm, y, size_mm, bold))
        y -= size_mm * 0.45
    return marks, y


def text_width_mm(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Width of a line of text whose letters have the body size `size_mm`."""
    from matplotlib.textpath import text_to_path

    points, _, _ = text_to_path.get_text_width_height_descent(text, _font(size_mm, bold), ismath=False)
    return float(points) / POINTS_PER_MM


def check_target(to: Path, *, sheets: int, force: bool) -> tuple[Path, ...]:
    """The files that `sheets` sheets go into: one PDF, or one SVG a sheet (numbered where there are several).

    Raises
    ------
    UsageError
        If the suffix is another, the folder is missing, or a file is there already and `force` is false.
    """
    targets: tuple[Path, ...] = (to,)
    if to.suffix.lower() != ".pdf" and sheets > 1:
        targets = tuple(to.with_name(f"{to.stem}-{number}{to.suffix}") for number in range(1, sheets + 1))
    for target in targets:
        files.check_target(target, option="--to", suffixes=SUFFIXES)
        if target.exists() and not force:
            raise UsageError(f"--to: {target} is there already; name another file, or replace it with --force")
    return targets


def write_sheets(sheets: Sequence[Sheet], to: Path, *, title: str, force: bool = False) -> tuple[Path, ...]:
    """Write all sheets into one PDF, or into one SVG each; every file appears whole or not at all.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        As `check_target`, or if the system will not have a file.
    """
    targets = check_target(to, sheets=len(sheets), force=force)
    settings = {"pdf.fonttype": 42, "svg.fonttype": "path", "svg.hashsalt": _SALT, "path.simplify": False}
    with own_looks(settings):
        as_pdf = to.suffix.lower() == ".pdf"
        contents = [_pdf(sheets, title)] if as_pdf else [_svg(sheet, title) for sheet in sheets]
    for target, content in zip(targets, contents, strict=True):
        files.write_whole(target, content)
    return targets


def _pdf(sheets: Sequence[Sheet], title: str) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    metadata = {"Title": title, "Creator": f"strobe {version('strobe')}", "CreationDate": None}
    with PdfPages(buffer, metadata=metadata) as pages:
        for sheet in sheets:
            pages.savefig(_figure(sheet))
    return buffer.getvalue()


def _svg(sheet: Sheet, title: str) -> bytes:
    buffer = io.BytesIO()
    metadata: dict[str, Any] = {"Title": title, "Creator": f"strobe {version('strobe')}", "Date": None}
    _figure(sheet).savefig(buffer, format="svg", metadata=metadata)
    return buffer.getvalue()


def _font(size_mm: float, bold: bool = False) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FACE, size=size_mm * POINTS_PER_MM, weight="bold" if bold else "normal")


def _figure(sheet: Sheet) -> Figure:
    from matplotlib.figure import Figure

    width, height = sheet.paper.page_mm(upright=sheet.upright)
    figure = Figure(figsize=(width / 25.4, height / 25.4))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    printed_width, printed_height = sheet.paper.printed_mm(upright=sheet.upright)
    axes.set_xlim(0.0, printed_width)
    axes.set_ylim(0.0, printed_height)
    for mark in sheet.marks:
        _add(axes, mark)
    return figure


def _add(axes: Any, mark: Mark) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

    style: dict[str, Any]

    if isinstance(mark, Words):
        axes.text(
            mark.x_mm,
            mark.y_mm,
            mark.text,
            fontproperties=_font(mark.size_mm, mark.bold),
            color=str(mark.grey),
            horizontalalignment=mark.align,
            verticalalignment="baseline",
            rotation=mark.angle_deg,
            rotation_mode="anchor",
            parse_math=False,
        )
        return
    if isinstance(mark, ArcWords):
        outline, style = _bent(mark), {"facecolor": str(mark.grey), "edgecolor": "none"}
    elif isinstance(mark, Area):
        outline = Outline.make_compound_path(*(Outline(_closed(corners), closed=True) for corners in mark.polygons))
        style = {"facecolor": str(mark.grey), "edgecolor": "none"}
    else:
        outline = Outline.make_compound_path(*(Outline(points) for points in mark.lines))
        style = {"facecolor": "none", "edgecolor": str(mark.grey), "capstyle": "butt"}
        style |= {"linewidth": mark.width_mm * POINTS_PER_MM}
        if mark.dashed:
            style |= {"linestyle": (0, (2.0 / mark.width_mm * 0.6, 2.0 / mark.width_mm * 0.4))}
    patch = PathPatch(outline, **style)
    patch.set_gid(mark.name)
    axes.add_patch(patch)
    if isinstance(mark, Area | Stroke) and mark.clip is not None:
        patch.set_clip_path(Outline(_closed(mark.clip), closed=True), axes.transData)


def _closed(corners: Floats) -> Floats:
    return np.vstack([corners, corners[:1]])


def _bent(words: ArcWords) -> Any:
    from matplotlib.path import Path as Outline
    from matplotlib.textpath import TextPath

    flat = TextPath((0.0, 0.0), words.text, size=words.size_mm, prop=_font(words.size_mm), usetex=False)
    x, y = np.asarray(flat.vertices, float).T
    angle = np.radians(words.middle_deg) + (text_width_mm(words.text, words.size_mm) / 2 - x) / words.radius_mm
    radius = words.radius_mm + y
    across, up = words.centre_mm
    return Outline(np.column_stack([across + radius * np.cos(angle), up + radius * np.sin(angle)]), flat.codes)
