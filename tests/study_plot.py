"""How the studies and the pictures of the documents draw: small files that load nothing and are the same every time."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["draw_claims", "save", "svg"]

SHADES = ("#101010", "#b5651d", "#2a7f9e")
OUTSIDE_SHOWN = 3.0
"""Times the stated half-width to which errors are drawn; what lies beyond stands at the edge."""


def svg(figure: Any, *, title: str) -> bytes:
    """A figure of matplotlib as SVG with a title: words in the reader's own font, lines to a hundredth of a point."""
    import matplotlib

    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": title}):
        figure.savefig(buffer, format="svg", dpi=60, metadata={"Date": None, "Creator": None})
    drawn = re.sub(r' d="[^"]*"', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path[0]), buffer.getvalue())
    place = drawn.index(">", drawn.index("<svg ")) + 1
    return f"{drawn[:place]}<title>{escape(title)}</title>{drawn[place:]}".encode()


def save(figure: Any, file: Path, *, title: str) -> None:
    """Write a figure, .svg or another kind that matplotlib knows."""
    if file.suffix == ".svg":
        file.write_bytes(svg(figure, title=title))
    else:
        figure.savefig(file, dpi=120)


def draw_claims(
    axes: Any, claims: Mapping[str, Mapping[str, Sequence[tuple[float, float]] | NDArray[np.float64]]]
) -> None:
    """Draw by row (the keys) and kind (the inner keys) each error as a share of the stated 95 % half-width.

    A claim is an error and the half-width that was stated.
    """
    rows = list(claims)
    kinds = list(dict.fromkeys(kind for row in claims.values() for kind in row))
    lane = 0.84 / len(kinds)
    for number, kind in enumerate(kinds):
        points = [
            (min(abs(error) / stated, OUTSIDE_SHOWN), place)
            for place, row in enumerate(rows)
            for error, stated in claims[row].get(kind, ())
        ]
        across, down = np.array(points).reshape(-1, 2).T
        top = down - 0.42 + lane * number
        # One line with gaps: a mark each would make the file large.
        x = np.stack([across, across, np.full_like(across, np.nan)], axis=1)
        y = np.stack([top, top + 0.9 * lane, np.full_like(across, np.nan)], axis=1)
        axes.plot(x.ravel(), y.ravel(), color=SHADES[number], linewidth=0.7, label=kind)
    axes.axvline(1, color="0.0", linewidth=0.8)
    axes.set_yticks(range(len(rows)), rows, fontsize=6 if len(rows) > 12 else 8)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(0, 1.03 * OUTSIDE_SHOWN)
    axes.tick_params(axis="x", labelsize=8)
    axes.set_xlabel("error / stated 95 % half-width (at the edge: three times and more)", fontsize=8)
    if len(kinds) > 1:
        axes.legend(loc="lower right", fontsize=7)
