"""The sheet that every report is written on: labels at the left, lines of at most `WIDTH` columns beside them.

Styles only repeat what the words say.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.cells import cell_len
from rich.text import Text

from strobe.report.words import printable

__all__ = ["LABEL_WIDTH", "WIDTH", "Sheet", "columns"]

WIDTH = 80
LABEL_WIDTH = 12
WARNINGS = ("BEWARE", "CAUTION")


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines in which the cells of each column stand below each other."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    gap = "  "
    return [gap.join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


class Sheet:
    """Labelled rows with a hanging indent, wrapped to `WIDTH`."""

    def __init__(self) -> None:
        self._text = Text()

    def row(self, label: str, *paragraphs: str, strong: bool = False) -> None:
        """Add `paragraphs` under one label; the first is made strong where it holds the answer."""
        head = label
        for place, paragraph in enumerate(paragraphs):
            for line in _wrap(paragraph):
                if self._text:
                    self._text.append("\n")
                self._text.append(f"{head:<{LABEL_WIDTH}}", style="bold yellow" if label in WARNINGS else "bold cyan")
                self._text.append(line, style="bold" if strong and place == 0 else "")
                head = ""

    def text(self) -> Text:
        """All rows so far."""
        return self._text


def _wrap(paragraph: str) -> list[str]:
    plain = printable(paragraph.replace("\u00a0", " "))
    width = WIDTH - LABEL_WIDTH
    if cell_len(plain) > len(plain):
        width //= 2
    # A number keeps its unit: textwrap does not break at a no-break space.
    held = plain.replace(" %", "\u00a0%").replace(" (±", "\u00a0(±")
    lines = textwrap.wrap(held, width, break_on_hyphens=False, replace_whitespace=False)
    return [line.replace("\u00a0", " ") for line in lines]
