"""Letters and figures made of blocks, to be read across a room."""

from __future__ import annotations

__all__ = ["LETTER_ROWS", "block_text"]

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
    "D": "## /# #/# #/# #/## ",
    "E": "###/#  /## /#  /###",
    "F": "###/#  /## /#  /#  ",
    "G": "###/#  /# #/# #/###",
    "H": "# #/# #/###/# #/# #",
    "I": "#/#/#/#/#",
    "L": "#  /#  /#  /#  /###",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "N": "#  #/## #/# ##/#  #/#  #",
    "O": "###/# #/# #/# #/###",
    "P": "###/# #/###/#  /#  ",
    "R": "###/# #/## /# #/# #",
    "S": "###/#  /###/  #/###",
    "T": "###/ # / # / # / # ",
    "U": "# #/# #/# #/# #/###",
    "W": "#   #/#   #/# # #/## ##/#   #",
}
LETTER_ROWS = 5
"""Rows of the smallest letters."""


def block_text(text: str, *, width: int, rows: int, ink: str = "█") -> list[str]:
    """`text` in block letters, as large as fits in `width` columns and `rows` rows; itself where none fit."""
    glyphs = [_GLYPHS[char].split("/") for char in text]
    own = sum(len(glyph[0]) for glyph in glyphs) + max(0, len(glyphs) - 1)
    across, down = width // max(1, own), rows // LETTER_ROWS
    if across < 1 or down < 1:
        return [text[:width]]
    across = min(across, 2 * down)
    lines = []
    for row in range(LETTER_ROWS):
        line = (" " * across).join(
            "".join(ink * across if dot == "#" else " " * across for dot in glyph[row]) for glyph in glyphs
        )
        lines += [line] * down
    return lines
