"""Messages on standard error as tests read them: before they were wrapped, and whether every line fits."""

from __future__ import annotations

import io
import re
import sys

__all__ = ["check_lines", "flat"]


def flat(text: str) -> str:
    """The words alone, each parted from the next by a blank."""
    return " ".join(text.split())


def check_lines(err: io.StringIO) -> str:
    """What was written, after it was seen that no line is wider than 80 columns but for a single long word.

    Nothing is asked of a terminal, on which a progress bar may have written over its lines, nor where answers were
    typed: the Enter that ends the line of a question is not in the text.
    """
    text = err.getvalue()
    for line in [] if err.isatty() or isinstance(sys.stdin, io.StringIO) else text.splitlines():
        words = re.sub(r"^(strobe:|watching|NOT READ|NO READING) +", "", line).split()
        assert len(line) <= 80 or len(words) == 1, line
    return text
