"""`strobe load`: what a stylus set down or a light brake does to the speed, and what comes suddenly."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import DotsOption, LampOption, MainsOption, RpmOption, clip_options, measured
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.console import ExitStatus, Surroundings, say, settle, write_line
from strobe.errors import UsageError
from strobe.typed import number

__all__ = ["load"]


@app.command("load")
def load(
    context: typer.Context,
    clip: Annotated[Path, typer.Argument(metavar="CLIP", hidden=True)],
    at: Annotated[
        float | None,
        typer.Option(parser=number, metavar="S", help="When the load came, in seconds; else the largest sag found."),
    ] = None,
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
) -> None:
    """Tell how the speed stands a load, and find jumps.

    Film 40 s: let it run for 15 s, set the stylus down or brake the rim lightly
    with a clean finger, and let it run on.

    \b
    Examples:
      strobe load clip.mp4
      strobe load clip.mp4 --at 15.2
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.regulation import find_events, load_response
        from strobe.report.loads import load_dict, load_text

        if at is not None and not 0 <= at < math.inf:
            raise UsageError(f"--at: {at:g} s is no time in a clip, which begins at 0")
        options = clip_options(rpm, dots, mains, lamp, kept=load_kept_values(config, camera))
        done, status = measured([clip], options, here, as_json=as_json)
        for measurement in done:
            events = find_events(measurement.series)
            sags = [event for event in events if event.kind in ("sag", "jump") and event.size_percent < 0]
            deepest = min(sags, key=lambda event: event.size_percent, default=None)
            when = at if at is not None else None if deepest is None else deepest.time_s
            response, why = None, None
            try:
                response = None if when is None else load_response(measurement.series, at_s=when)
            except ValueError as error:
                if at is not None:
                    raise UsageError(f"--at: {error}") from error
                why = str(error)
            if as_json:
                write_line(here.out, json.dumps(load_dict(measurement, response, events), allow_nan=False))
            else:
                say(here.out, load_text(measurement, response, events, untold=why))
        return status

    raise typer.Exit(settle(work, here, command="strobe load"))
