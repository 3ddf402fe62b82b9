"""`strobe coast`: the run-down of a platter without its drive, and what it says of the bearing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle, write_line
from strobe.errors import ClipUnreadable, Refused, UsageError
from strobe.typed import number

__all__ = ["coast"]


@app.command("coast")
def coast(
    context: typer.Context,
    clip: Annotated[Path, typer.Argument(metavar="CLIP", hidden=True)],
    dots: Annotated[int, typer.Option(metavar="N", help="Dots in the row, all round the rim.")],
    start: Annotated[
        float | None,
        typer.Option("--from", parser=number, metavar="RPM", help="Speed when the clip begins, within 8 %."),
    ] = None,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The clip is a mirror image.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
) -> None:
    """Tell from a run-down how the bearing is.

    Take belt or idler off, spin the platter by hand to 45 rpm or more, and film
    it slowing down for 40 s or longer, in daylight or other steady light with a
    short shutter (1/500 s). Before and after oiling, it shows what that did.

    \b
    Example: strobe coast clip.mp4 --dots 180 --from 50

    \b
    Exit status: 0 told, 2 wrong usage, 3 refused, 4 not readable.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.coasting import fit_coast
        from strobe.measurement import Refusal
        from strobe.measuring.coasting import read_coast
        from strobe.report import tables, terminal
        from strobe.report.coasting import coast_dict, coast_text
        from strobe.report.words import printable

        if not 4 <= dots <= 2000:
            raise UsageError(f"--dots: {dots} is not between 4 and 2000")
        if start is not None and not 3 <= start <= 110:
            raise UsageError(f"--from: {start:g} is not between 3 and 110 rpm")
        try:
            with progress_bar(here.err, label=printable(clip.name)) as tick:
                run = read_coast(clip, dots=dots, start_rpm=start, mirrored=mirrored, progress=tick)
            law = fit_coast(run.time_s, run.angle_rev)
        except Refused as refused:
            refusal = Refusal(str(clip), refused.code, refused.message, refused.advice)
            if as_json:
                write_line(here.out, tables.json_line(refusal))
            else:
                say(here.err, terminal.refusal_text(refusal))
            return ExitStatus.REFUSED
        except ClipUnreadable as error:
            say(here.err, terminal.unreadable_text(str(clip), str(error)))
            return ExitStatus.UNREADABLE
        if as_json:
            write_line(here.out, json.dumps(coast_dict(str(clip), law, told_by=run.told_by), allow_nan=False))
        else:
            say(here.out, coast_text(str(clip), law, told_by=run.told_by))
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe coast"))
