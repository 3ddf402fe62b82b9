"""Strobe patterns to print: discs to lay on a platter and strips to put round its rim, in true millimetres.

`print_disc` and `print_strip` write vector PDF or SVG and give back what was drawn. Nothing here is used by the
measurement.
"""

from strobe.printing.disc import Disc, IndexMark, print_disc
from strobe.printing.paper import Paper, Scale, parse_scale
from strobe.printing.rings import Ring, Stand, parse_ring, rpm_name
from strobe.printing.strip import Strip, StripIndex, StripRow, print_strip, strip_bars

__all__ = [
    "Disc",
    "IndexMark",
    "Paper",
    "Ring",
    "Scale",
    "Stand",
    "Strip",
    "StripIndex",
    "StripRow",
    "parse_ring",
    "parse_scale",
    "print_disc",
    "print_strip",
    "rpm_name",
    "strip_bars",
]
