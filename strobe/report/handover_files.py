"""The hand-over sheet as a file: a page that needs nothing else, or a PDF.

The PDF is laid out by fpdf2, which is Python alone: no browser and no system library has to be there. Its fonts are the
DejaVu fonts that matplotlib brings. A reader that speaks finds its language, title and bookmarks, headings and
paragraphs in order, and words for each picture; a table it finds as one paragraph a row, because fpdf2 nests no
structure. The page has all of it.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import files
from itertools import pairwise, takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strobe.files import check_target, write_whole
from strobe.looks import own_looks
from strobe.report.handover import Handover, Section, Table
from strobe.report.handover_pictures import Picture

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["SHEET_SUFFIXES", "check_sheet_target", "held", "sheet_html", "sheet_pdf", "write_sheet"]

SHEET_SUFFIXES = (".html", ".pdf")
PICTURE_DPI = 200
FONT = "DejaVu"
MISSING_GLYPH = "\u25a1"
MARGIN_MM = 12.0
"""More than printers leave blank at a sheet's edges (common practice)."""
TEXT_PT, SMALL_PT, HEAD_PT, TITLE_PT = 9.5, 8.5, 12.0, 16.0
LINE = 1.4
MM_A_POINT = 25.4 / 72
RULE_GREY, RULE_MM, HEAD_RULE_MM = 170, 0.15, 0.4
CELL_GAP_MM = 4.0
# A table of so few rows is not torn apart.
MOST_ROWS_HELD = 10
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=%|rpm\b|Hz\b|1/3|2/3|± )|(?<=±) (?=\d)")


def check_sheet_target(path: Path, *, option: str) -> None:
    """Refuse a file that could not be written as a sheet, before anything is measured for it.

    Raises
    ------
    UsageError
    """
    check_target(path, option=option, suffixes=SHEET_SUFFIXES)


def write_sheet(sheet: Handover, path: Path) -> None:
    """Write the sheet as a page or, where the name ends so, as a PDF.

    Raises
    ------
    UsageError
        If the name ends in something else, or the file cannot be written.
    """
    check_sheet_target(path, option="--to")
    content = sheet_pdf(sheet) if path.suffix.lower() == ".pdf" else sheet_html(sheet).encode("utf-8")
    write_whole(path, content)


def sheet_html(sheet: Handover) -> str:
    """The sheet as one HTML page with its pictures in it; nothing is loaded from elsewhere, and no script runs."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    text = files("strobe.report").joinpath("templates", "handover.html.j2").read_text(encoding="utf-8")
    page = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, finalize=_held_if_text
    )
    pictures = [picture for section in sheet.sections for picture in section.pictures]
    drawn = {picture: Markup(_svg(picture, f"p{place}")) for place, picture in enumerate(pictures)}
    return page.from_string(text).render(sheet=sheet, drawn=drawn)


def held(text: str) -> str:
    """The text with no-break spaces between a number and its unit."""
    return _NUMBER_AND_UNIT.sub("\u00a0", text)


def _held_if_text(value: Any) -> Any:
    return held(value) if type(value) is str else value


def _svg(picture: Picture, prefix: str) -> str:
    """The drawing as an SVG element with a title; every id gets a prefix, so that several can stand in one page."""
    from markupsafe import escape

    buffer = io.StringIO()
    with own_looks({"svg.fonttype": "path", "svg.hashsalt": prefix}):
        picture.draw().savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    # Matplotlib names an image by what is in it, so two that are alike would have one id; nothing points to it.
    svg = re.sub(r' id="image\w+"', "", svg)
    svg = re.sub(r'\b(id="|href="#)', lambda found: f"{found[1]}{prefix}-", svg)
    svg = svg.replace("url(#", f"url(#{prefix}-")
    title = f'<title id="{prefix}-title">{escape(picture.alt)}</title>'
    head, _, rest = svg.partition(">")
    return f'{head} role="img" aria-labelledby="{prefix}-title">{title}{rest}'


def sheet_pdf(sheet: Handover) -> bytes:
    """The sheet as a PDF of A4 pages whose margins leave it whole on Letter paper too."""
    from fpdf import FPDF, ViewerPreferences
    from matplotlib import get_data_path

    fonts = Path(get_data_path()) / "fonts" / "ttf"

    class Paged(FPDF):
        """With the page's number below each page, where Letter paper still has it; no part of the text's structure."""

        def footer(self) -> None:
            self.set_font(FONT, "", SMALL_PT)
            self.set_y(self.page_break_trigger + 2)
            self._out("/Artifact BMC")
            self.cell(0, _line_mm(SMALL_PT), f"page {self.page_no()} of {{nb}}", align="R")
            self._out("EMC")

    pdf = Paged(format="A4", unit="mm")
    pdf.add_font(FONT, "", fonts / "DejaVuSans.ttf")
    pdf.add_font(FONT, "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.set_margins(MARGIN_MM, MARGIN_MM)
    # Letter is 17.6 mm shorter than A4.
    pdf.set_auto_page_break(True, MARGIN_MM + 18)
    pdf.set_title(sheet.title)
    pdf.viewer_preferences = ViewerPreferences(display_doc_title=True)
    pdf.set_lang("en")
    pdf.set_creator(sheet.made)
    pdf.add_page()
    layout = _Layout(pdf)
    blocks = [
        layout.text(sheet.title, TITLE_PT, bold=True, below_mm=2, tag="/H1"),
        *(layout.text(sentence, HEAD_PT) for sentence in sheet.sentences),
        layout.text(sheet.notice, SMALL_PT, above_mm=1, below_mm=2, framed=True),
        *(block for section in sheet.sections for block in layout.section(section, sheet.notice)),
    ]
    made = layout.text(sheet.made, SMALL_PT, above_mm=3, below_mm=0)
    layout.put([*blocks[:-1], replace(blocks[-1], leads=True), made])
    return bytes(pdf.output())


@dataclass(frozen=True)
class _Block:
    """One thing of those that stand under each other.

    `held_mm` of it, all or what it begins with, are kept on one page; one that `leads` keeps to the page of the next,
    and of the one after that where the next leads too.
    """

    held_mm: float
    write: Callable[[], None]
    leads: bool = False


class _Layout:
    """Puts text, tables and pictures under each other; each piece of text keeps to one page and carries its tag."""

    def __init__(self, pdf: FPDF) -> None:
        self.pdf = pdf

    def put(self, blocks: Sequence[_Block]) -> None:
        """Write them under each other, none torn that would fit on a page."""
        for place, block in enumerate(blocks):
            led = takewhile(lambda pair: pair[0].leads, pairwise(blocks[place:]))
            held_mm = block.held_mm + sum(following.held_mm for _, following in led)
            if self.pdf.y > self.pdf.t_margin and self.pdf.will_page_break(held_mm):
                self.pdf.add_page()
            block.write()

    def text(
        self,
        text: str,
        size_pt: float = TEXT_PT,
        *,
        bold: bool = False,
        above_mm: float = 0.0,
        below_mm: float = 1.0,
        framed: bool = False,
        tag: str = "/P",
    ) -> _Block:
        """One paragraph over the whole width."""
        self.pdf.set_font(FONT, "B" if bold else "", size_pt)
        shown = self._shown(text)

        def write() -> None:
            self.pdf.ln(above_mm)
            self.pdf.set_font(FONT, "B" if bold else "", size_pt)
            if tag == "/H2":
                self.pdf.start_section(text)
            with self._tagged(tag):
                self.pdf.multi_cell(
                    0, _line_mm(size_pt), shown, border=1 if framed else 0, align="L", new_x="LMARGIN", new_y="NEXT"
                )
            self.pdf.ln(below_mm)

        held_mm = above_mm + self._height(shown, self.pdf.epw, size_pt) + below_mm
        return _Block(held_mm, write, leads=tag == "/H2")

    def section(self, section: Section, notice: str) -> list[_Block]:
        """A heading and all that stands under it."""
        return [
            self.text(section.title, HEAD_PT, bold=True, above_mm=2, tag="/H2"),
            *(
                replace(self.text(paragraph), leads=bool(section.tables or section.pictures))
                for paragraph in section.paragraphs
                if paragraph != notice
            ),
            *map(self._table, section.tables),
            *map(self._picture, section.pictures),
            *(self.text(f"\u2022 {item}", below_mm=0.5) for item in section.items),
        ]

    def _table(self, table: Table) -> _Block:
        caption = self.text(table.caption, bold=True, below_mm=0.5, tag="/H3")
        rows: list[list[str]] = []
        lengths: list[list[float]] = []
        for row in (table.head, *table.rows):
            self._row_font(head=not rows)
            rows.append([self._shown(cell) for cell in row])
            lengths.append([self.pdf.get_string_width(cell) for cell in rows[-1]])
        widths = self._widths(lengths)
        heights = [self._row_height(row, widths, head=place == 0) for place, row in enumerate(rows)]

        def write() -> None:
            caption.write()
            self._row(rows[0], widths, heights[0], head=True)
            for row, height in zip(rows[1:], heights[1:], strict=True):
                if self.pdf.will_page_break(height):
                    self.pdf.add_page()
                    self._row(rows[0], widths, heights[0], head=True)
                self._row(row, widths, height)
            self.pdf.ln(3)

        whole_mm, begun_mm = (caption.held_mm + sum(each) for each in (heights, heights[:2]))
        fits = len(rows) <= MOST_ROWS_HELD and whole_mm <= self.pdf.eph
        return _Block(whole_mm if fits else begun_mm, write)

    def _widths(self, lengths: Sequence[Sequence[float]]) -> list[float]:
        """Each column as wide as its longest cell; where that is too much, wide ones share what the others leave.

        They share it by the square roots of their lengths: of two, the longer one gets more width and more lines.
        """
        natural = [max(column) + CELL_GAP_MM for column in zip(*lengths, strict=True)]
        left_mm, widths = self.pdf.epw, [0.0] * len(natural)
        places = sorted(range(len(natural)), key=natural.__getitem__)
        for rank, place in enumerate(places):
            if natural[place] <= left_mm / (len(places) - rank):
                widths[place] = natural[place]
            else:
                roots = [math.sqrt(natural[each]) for each in places[rank:]]
                widths[place] = left_mm * roots[0] / sum(roots)
            left_mm -= widths[place]
        return [width + left_mm / len(widths) for width in widths]

    def _row_font(self, *, head: bool) -> None:
        self.pdf.set_font(FONT, "B" if head else "", SMALL_PT)

    def _row_height(self, row: Sequence[str], widths: Sequence[float], *, head: bool) -> float:
        self._row_font(head=head)
        return max(self._height(cell, width, SMALL_PT) for cell, width in zip(row, widths, strict=True)) + 1.2

    def _row(self, row: Sequence[str], widths: Sequence[float], height_mm: float, *, head: bool = False) -> None:
        self._row_font(head=head)
        left_mm, top_mm = self.pdf.l_margin, self.pdf.y
        with self._tagged("/P"):
            for cell, width in zip(row, widths, strict=True):
                self.pdf.set_xy(left_mm, top_mm + 0.6)
                self.pdf.multi_cell(width, _line_mm(SMALL_PT), cell, align="L")
                left_mm += width
        self.pdf.set_draw_color(0 if head else RULE_GREY)
        self.pdf.set_line_width(HEAD_RULE_MM if head else RULE_MM)
        bottom_mm = top_mm + height_mm
        self.pdf.line(self.pdf.l_margin, bottom_mm, self.pdf.l_margin + self.pdf.epw, bottom_mm)
        self.pdf.set_draw_color(0)
        self.pdf.set_line_width(RULE_MM)
        self.pdf.set_xy(self.pdf.l_margin, bottom_mm)

    def _picture(self, picture: Picture) -> _Block:
        buffer = io.BytesIO()
        with own_looks():
            figure = picture.draw()
            figure.savefig(buffer, format="png", dpi=PICTURE_DPI)
        wide, high = (side * 25.4 for side in figure.get_size_inches())
        caption = self.text(picture.caption, SMALL_PT, below_mm=2)

        def write() -> None:
            self.pdf.image(buffer, w=wide, h=high, alt_text=self._shown(picture.alt), title=picture.caption)
            caption.write()

        return _Block(high + caption.held_mm, write)

    def _height(self, shown: str, width_mm: float, size_pt: float) -> float:
        height: Any = self.pdf.multi_cell(width_mm, _line_mm(size_pt), shown, align="L", dry_run=True, output="HEIGHT")
        return float(height)

    @contextmanager
    def _tagged(self, tag: str) -> Iterator[None]:
        """Mark what is written inside as one piece of the document's structure.

        fpdf2 marks only pictures by itself, and a reader that goes by the marks would pass over all else.
        """
        pdf: Any = self.pdf
        number = pdf.struct_builder.next_mcid_for_page(pdf.page)
        pdf._add_marked_content(struct_type=tag, mcid=number)
        pdf._out(f"{tag} <</MCID {number}>> BDC")
        page = pdf.page
        yield
        assert pdf.page == page, "room was made before"
        pdf._out("EMC")

    def _shown(self, text: str) -> str:
        """The text as it is set: numbers held to their units, a box for every character that the font does not have."""
        font: Any = self.pdf.current_font
        return "".join(char if ord(char) in font.cmap else MISSING_GLYPH for char in held(text))


def _line_mm(size_pt: float) -> float:
    return size_pt * LINE * MM_A_POINT
