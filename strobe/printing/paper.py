"""Sheets of paper, the correction of a printer's scale, and places that a printer can reach.

Lengths are in millimetres as they come out on the paper. X is always along the short side of the sheet and Y along
its long side, whichever way up the sheet is drawn, because a printer's error belongs to its feed and not to the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from strobe.errors import UsageError

__all__ = ["MARGIN_MM", "PAPERS_MM", "RULER_MM", "Paper", "Scale", "paper_named", "parse_scale"]

# Short and long side: A4 of ISO 216; Letter of ANSI/ASME Y14.1, 8.5 by 11 in (values from memory).
PAPERS_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM = 10.0
"""Kept white all round: most printers reach to 6 mm, some only to 12.7 mm at one end (common practice)."""
RULER_MM = 100.0

_LEAST_SCALE_MM, _MOST_SCALE_MM = 90.0, 110.0
"""What a ruler of 100 mm may measure and still be put right: our own choice, with room to spare, as a printer's own
error is a percent or two (common practice)."""


@dataclass(frozen=True)
class Scale:
    """What the two check rulers of a sheet printed without correction really measure, in millimetres.

    The rulers are 100 mm long, so the same two numbers are the printer's scale in percent.

    Attributes
    ----------
    x_mm, y_mm : float
        Along the short and along the long side of the paper.

    Raises
    ------
    UsageError
        If one of them is not within 90 to 110.
    """

    x_mm: float = RULER_MM
    y_mm: float = RULER_MM

    def __post_init__(self) -> None:
        for side, value in (("X", self.x_mm), ("Y", self.y_mm)):
            if not _LEAST_SCALE_MM <= value <= _MOST_SCALE_MM:
                raise UsageError(
                    f"--scale: {value:g} for {side} is not between {_LEAST_SCALE_MM:g} and {_MOST_SCALE_MM:g}; give "
                    "what the 100 mm ruler measures in millimetres. A ruler that is further off was printed with "
                    "'fit to page': print again at 100 %"
                )


@dataclass(frozen=True)
class Paper:
    """A kind of paper as one printer prints on it.

    Attributes
    ----------
    name : str
        ``a4`` or ``letter``.
    short_mm, long_mm : float
        Sides of the page in the file.
    scale : Scale
        The correction that is drawn in: 1 mm in the file comes out as ``scale / 100`` mm.
    """

    name: str
    short_mm: float
    long_mm: float
    scale: Scale

    @property
    def title(self) -> str:
        """The name as people write it."""
        return {"a4": "A4", "letter": "Letter"}[self.name]

    def page_mm(self, *, upright: bool) -> tuple[float, float]:
        """Width and height of the page in the file."""
        return (self.short_mm, self.long_mm) if upright else (self.long_mm, self.short_mm)

    def printed_mm(self, *, upright: bool) -> tuple[float, float]:
        """Width and height that the page's content has once printed; all drawing is done in this measure."""
        short, long = self.short_mm * self.scale.x_mm / RULER_MM, self.long_mm * self.scale.y_mm / RULER_MM
        return (short, long) if upright else (long, short)


def paper_named(name: str, scale: Scale) -> Paper:
    """The paper `name`, in any case of letters; UsageError for an unknown one."""
    key = name.strip().lower()
    if key not in PAPERS_MM:
        raise UsageError(f"--paper: {name!r} is not known; choose one of: {', '.join(PAPERS_MM)}")
    short, long = PAPERS_MM[key]
    return Paper(key, short, long, scale)


def parse_scale(text: str) -> Scale:
    """Read ``99.2,98.9``: the lengths of the rulers X and Y in millimetres.

    Raises
    ------
    UsageError
        If it is not two numbers, or one of them is implausible.
    """
    parts = text.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if len(values) != 2 or not all(map(math.isfinite, values)):
        raise UsageError(
            f"--scale: {text!r} is not two numbers; give what the rulers X and Y measure in millimetres, as in "
            "--scale 99.2,98.9 (decimals with a point)"
        )
    return Scale(*values)
