"""The hand-over sheet as a file: a page that needs nothing else, or a PDF.

The PDF is laid out by fpdf2, which is Python alone: no browser and no system library has to be there. Its fonts are the
DejaVu fonts that matplotlib brings.
"""

from __future__ import annotations

import io
import re
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from strobe.errors import UsageError
from strobe.files import write_whole
from strobe.report.handover import Handover, Section, Table
from strobe.report.handover_pictures import Picture
from strobe.report.tables import check_target

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = ["SHEET_SUFFIXES", "check_sheet_target", "sheet_html", "sheet_pdf", "write_sheet"]

SHEET_SUFFIXES = (".html", ".htm", ".pdf")
PICTURE_DPI = 200
FONT = "DejaVu"
MISSING_GLYPH = "\u25a1"
MARGIN_MM = 15.0
TEXT_PT, SMALL_PT, HEAD_PT, TITLE_PT = 9.5, 8.5, 12.0, 16.0
LINE = 1.45
MM_A_POINT = 25.4 / 72
# A table of so few rows, each at least so high, is not torn apart.
ROW_MM, MOST_ROWS_HELD = 6.0, 10


def check_sheet_target(path: Path, *, option: str) -> None:
    """Refuse a file that could not be written as a sheet, before anything is measured for it.

    Raises
    ------
    UsageError
    """
    if path.suffix.lower() not in SHEET_SUFFIXES:
        raise UsageError(f"{option}: {path} ends in {path.suffix or 'nothing'!r}; end it in .html or .pdf")
    check_target(path, option=option)


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
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    pictures = [picture for section in sheet.sections for picture in section.pictures]
    drawn = {picture: Markup(_svg(picture, f"p{place}")) for place, picture in enumerate(pictures)}
    return page.from_string(text).render(sheet=sheet, drawn=drawn)


def _svg(picture: Picture, prefix: str) -> str:
    """The drawing as an SVG element with a title; every id gets a prefix, so that several can stand in one page."""
    import matplotlib
    from markupsafe import escape

    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "path", "svg.hashsalt": prefix}):
        picture.draw().savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    svg = buffer.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\b(id="|href="#)', lambda found: f"{found[1]}{prefix}-", svg)
    svg = svg.replace("url(#", f"url(#{prefix}-")
    title = f'<title id="{prefix}-title">{escape(picture.alt)}</title>'
    head, _, rest = svg.partition(">")
    return f'{head} role="img" aria-labelledby="{prefix}-title">{title}{rest}'


def sheet_pdf(sheet: Handover) -> bytes:
    """The sheet as a PDF of A4 pages whose margins leave it whole on Letter paper too."""
    from fpdf import FPDF
    from matplotlib import get_data_path

    fonts = Path(get_data_path()) / "fonts" / "ttf"
    pdf = FPDF(format="A4", unit="mm")
    pdf.add_font(FONT, "", fonts / "DejaVuSans.ttf")
    pdf.add_font(FONT, "B", fonts / "DejaVuSans-Bold.ttf")
    pdf.set_margins(MARGIN_MM, MARGIN_MM)
    # Letter is 17.6 mm shorter than A4.
    pdf.set_auto_page_break(True, MARGIN_MM + 18)
    pdf.set_title(sheet.title)
    pdf.set_lang("en")
    pdf.set_creator(sheet.made)
    pdf.add_page()
    layout = _Layout(pdf)
    layout.text(sheet.title, TITLE_PT, bold=True, gap_mm=2)
    for sentence in sheet.sentences:
        layout.text(sentence, HEAD_PT, gap_mm=1)
    layout.text(sheet.notice, SMALL_PT, gap_mm=2, framed=True)
    for section in sheet.sections:
        layout.section(section, sheet.notice)
    layout.text(sheet.made, SMALL_PT, gap_mm=0)
    return bytes(pdf.output())


class _Layout:
    """Puts text, tables and pictures under each other."""

    def __init__(self, pdf: FPDF) -> None:
        self.pdf = pdf

    def text(self, text: str, size_pt: float, *, bold: bool = False, gap_mm: float = 1.0, framed: bool = False) -> None:
        """One paragraph over the whole width."""
        self.pdf.set_font(FONT, "B" if bold else "", size_pt)
        line_mm = size_pt * LINE * MM_A_POINT
        self.pdf.multi_cell(
            0, line_mm, self._shown(text), border=1 if framed else 0, align="L", new_x="LMARGIN", new_y="NEXT"
        )
        self.pdf.ln(gap_mm)

    def section(self, section: Section, notice: str) -> None:
        """A heading and all that stands under it."""
        if self.pdf.will_page_break(30):
            self.pdf.add_page()
        self.pdf.ln(2)
        self.pdf.set_font(FONT, "B", HEAD_PT)
        self.pdf.start_section(section.title)
        self.text(section.title, HEAD_PT, bold=True)
        for paragraph in section.paragraphs:
            if paragraph != notice:
                self.text(paragraph, TEXT_PT)
        for table in section.tables:
            self._table(table)
        for picture in section.pictures:
            self._picture(picture)
        for item in section.items:
            self.text(f"\u2022 {item}", TEXT_PT, gap_mm=0.5)

    def _table(self, table: Table) -> None:
        if self.pdf.will_page_break(ROW_MM * min(len(table.rows) + 2, MOST_ROWS_HELD)):
            self.pdf.add_page()
        self.text(table.caption, TEXT_PT, bold=True, gap_mm=0.5)
        self.pdf.set_font(FONT, "", SMALL_PT)
        longest = [max(len(row[place]) for row in (table.head, *table.rows)) for place in range(len(table.head))]
        widths = tuple(min(max(length, 11), 46) for length in longest)
        with self.pdf.table(
            col_widths=widths,
            line_height=SMALL_PT * LINE * MM_A_POINT,
            text_align="LEFT",
            borders_layout="HORIZONTAL_LINES",
            padding=0.6,
        ) as laid:
            for row in (table.head, *table.rows):
                line = laid.row()
                for cell in row:
                    line.cell(self._shown(cell))
        self.pdf.ln(2)

    def _picture(self, picture: Picture) -> None:
        figure = picture.draw()
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=PICTURE_DPI)
        wide, high = figure.get_size_inches()
        width_mm = self.pdf.epw
        height_mm = width_mm * high / wide
        if self.pdf.will_page_break(height_mm + 12):
            self.pdf.add_page()
        self.pdf.image(buffer, w=width_mm, h=height_mm, alt_text=self._shown(picture.alt), title=picture.caption)
        self.text(picture.caption, SMALL_PT, gap_mm=2)

    def _shown(self, text: str) -> str:
        """The text with a box for every character that the font does not have."""
        font: Any = self.pdf.current_font
        return "".join(char if ord(char) in font.cmap else MISSING_GLYPH for char in text)
