"""The check table as a page: `docs/parts.md` holds exactly what `parts_markdown` gives."""

from __future__ import annotations

from strobe.drive.parts import PARTS

__all__ = ["parts_markdown"]

HEAD = """# Which part, and what to check next

The order is that of cost: what costs nothing comes first. All of it is **common practice** of the trade, not a
published standard. Rates of the parts of a machine of yours: `strobe machine FILE`. Which of them a clip points at:
`strobe suspects CLIP --machine FILE`.

The score that `suspects` gives is no share: it is the share of the weighted power (mean square after the weighting) in
the lines of a part, each times how likely the line is this part's and not another's or none's. The percentage beside it
is that share alone; where two parts may make the same line, it stands with both. A line that reads "below" makes no
suspect.

This page is made from the table that the program itself uses (`strobe/drive/parts.py`).
"""


def parts_markdown() -> str:
    """The whole page."""
    sections = [HEAD]
    for number, part in enumerate(PARTS, start=1):
        lines = [
            f"## {number}. {part.name[0].upper()}{part.name[1:]}",
            "",
            f"- **Drives:** {', '.join(part.drives)}",
            f"- **Looks like:** {part.looks}",
            f"- **Check that costs nothing:** {part.check}",
            f"- **Usual remedy:** {part.remedy}",
            f"- **If it was the cause:** {part.expect}",
        ]
        if part.caution:
            lines.append(f"- **Caution:** {part.caution}")
        sections.append("\n".join(lines) + "\n")
    return "\n".join(sections)
