"""What the sheets say, alike on discs and strips."""

from __future__ import annotations

from strobe.printing.paper import RULER_MM, Paper
from strobe.printing.rings import Stand, rpm_name

__all__ = ["CARE", "check_lines", "lamp_name", "stand_words"]

CARE = (
    "Under this light a part that turns can look still. Keep fingers, sleeves and hair away; touch nothing until it "
    "is switched off and has stopped. Stripes and flicker can trigger seizures in people who are sensitive to them."
)


def lamp_name(stand: Stand) -> str:
    """The lamp of a still speed: its mains, or its flashes a second."""
    if stand.mains_hz is None:
        return f"{stand.flash_rate_hz:g} flashes/s"
    return f"{stand.mains_hz:g} Hz"


def stand_words(stand: Stand) -> str:
    """``45.11 rpm (50 Hz, +0.25 % of 45)``: the speed that a ring really shows, and how far it is off the one meant."""
    off = ""
    if stand.nominal_rpm is not None and stand.off_percent is not None:
        exact = abs(stand.off_percent) < 0.005
        off = (
            f", {rpm_name(stand.nominal_rpm)}"
            if exact
            else f", {stand.off_percent:+.2f} % of {rpm_name(stand.nominal_rpm)}"
        )
    return f"{stand.rpm:.2f} rpm ({lamp_name(stand)}{off})".replace("-", "−")


def check_lines(paper: Paper) -> list[tuple[str, bool]]:
    """How to print true to size, as paragraphs of (text, bold)."""
    scale = paper.scale
    lines = [(f"Print at 100 % on {paper.title}, never 'fit to page'.", True)]
    if (scale.x_mm, scale.y_mm) == (RULER_MM, RULER_MM):
        lines.append(
            (
                "Printers shrink: measure both rulers. If they are not 100.0 mm, print again with --scale X,Y: what "
                "they measure in mm, as --scale 99.2,98.9.",
                False,
            )
        )
    else:
        lines.append(
            (
                f"Drawn for a printer whose rulers X and Y measured {scale.x_mm:g} and {scale.y_mm:g} mm: here both "
                "must measure 100.0 mm.",
                False,
            )
        )
    return lines
