"""What is kept for a bench, as text: the file, what is set and in which line, and what is not."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.text import Text

from strobe.configuration import Setting
from strobe.report.sheet import Sheet, columns

__all__ = ["settings_text"]


def settings_text(path: Path, source: str, settings: Sequence[Setting]) -> Text:
    """The configuration.

    Parameters
    ----------
    path, source
        The file, and what names it.
    settings : sequence of Setting

    Returns
    -------
    rich.text.Text
        Lines of at most 80 columns, but for a very long key.
    """
    sheet = Sheet()
    there = "" if path.exists() else "; not written yet"
    sheet.row("FILE", str(path), f"named by {source}{there}" if source != "the usual place" else f"{source}{there}")
    put = [one for one in settings if one.value is not None]
    sheet.row("SET", *columns([(one.key, f"= {one.value}", f"line {one.line}") for one in put]) if put else ["nothing"])
    unset = [one for one in settings if one.value is None]
    if unset:
        sheet.row("NOT SET", *(f"{one.key}: {one.meaning}" for one in unset))
    if not any(one.key.startswith("cameras.") for one in settings):
        sheet.row("CAMERAS", "None calibrated; strobe calibrate enters one.")
    sheet.row("CHANGE", "strobe config set KEY VALUE, strobe config unset KEY")
    return sheet.text()
